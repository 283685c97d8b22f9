/* SPDX-License-Identifier: MIT */
#include "flash.h"

#include <string.h>

uint32_t xorshift(uint32_t *random)
{
    *random ^= *random << 13;
    *random ^= *random >> 17;
    *random ^= *random << 5;
    return *random;
}

static uint32_t draw(flash_model *flash)
{
    return xorshift(&flash->random);
}

void flash_blank(flash_model *flash, uint32_t size, uint32_t erase_unit, uint32_t program_unit,
                 uint32_t seed)
{
    memset(flash, 0, sizeof *flash);
    flash->size = size;
    flash->erase_unit = erase_unit;
    flash->program_unit = program_unit;
    flash->random = seed * 2654435761u + 1;
    memset(flash->seen, 0xFF, size);
    flash_power_on(flash);
}

static uint32_t units_of(const flash_model *flash)
{
    return flash->size / flash->program_unit;
}

void flash_copy(flash_model *to, const flash_model *from)
{
    uint32_t units = units_of(from);
    uint32_t erase_units = from->size / from->erase_unit;
    uint32_t logged = from->operations < FLASH_LOGGED ? from->operations : FLASH_LOGGED;
    to->size = from->size;
    to->erase_unit = from->erase_unit;
    to->program_unit = from->program_unit;
    memcpy(to->seen, from->seen, from->size);
    memcpy(to->before, from->before, from->size);
    memcpy(to->after, from->after, from->size);
    memcpy(to->torn, from->torn, units);
    memcpy(to->unreadable, from->unreadable, units);
    memcpy(to->programmed, from->programmed, units);
    memcpy(to->erased_now, from->erased_now, erase_units);
    memcpy(to->erases, from->erases, erase_units * sizeof from->erases[0]);
    memcpy(to->sizes, from->sizes, logged * sizeof from->sizes[0]);
    memcpy(&to->random, &from->random, sizeof *from - offsetof(flash_model, random));
}

/* Mood 0: as before the operation, 1: as after it, 2: any. */
static void read_torn_unit(flash_model *flash, uint32_t unit, uint32_t mood)
{
    uint32_t at = unit * flash->program_unit;
    uint32_t size = flash->program_unit;
    uint32_t border;
    switch (mood == 2 ? draw(flash) % 4 : mood) {
    case 0:
        memcpy(flash->seen + at, flash->before + at, size);
        return;
    case 1:
        memcpy(flash->seen + at, flash->after + at, size);
        return;
    case 2:
        border = draw(flash) % size;
        memcpy(flash->seen + at, flash->after + at, border);
        memcpy(flash->seen + at + border, flash->before + at + border, size - border);
        break;
    default:
        for (uint32_t i = at; i < at + size; i++) {
            uint8_t mask = (uint8_t)draw(flash);
            flash->seen[i] = (uint8_t)((flash->before[i] & mask) | (flash->after[i] & ~mask));
        }
        break;
    }
    flash->unreadable[unit] = flash->torn[unit] == TEAR_ECC;
}

static void begin_cycle(flash_model *flash)
{
    flash->operations = 0;
    flash->cut_at = UINT32_MAX;
    flash->fail_from = UINT32_MAX;
    flash->fail_to = UINT32_MAX;
    flash->silent = UINT32_MAX;
    flash->spoils = UINT32_MAX;
    flash->reads = 0;
    flash->fail_reads = UINT32_MAX;
    flash->wrong_read = UINT32_MAX;
    flash->dead = false;
    memset(flash->unreadable, 0, units_of(flash));
    memset(flash->erased_now, 0, flash->size / flash->erase_unit);
}

/* One mood for all that a cut left in an erase unit: wholly there and wholly gone mislead most. */
static void read_torn(flash_model *flash, uint32_t erase, uint32_t mood)
{
    uint32_t units = flash->erase_unit / flash->program_unit;
    for (uint32_t unit = erase * units; unit < (erase + 1) * units; unit++) {
        if (flash->torn[unit]) {
            read_torn_unit(flash, unit, mood);
        }
    }
}

void flash_power_on(flash_model *flash)
{
    begin_cycle(flash);
    for (uint32_t erase = 0; erase < flash->size / flash->erase_unit; erase++) {
        read_torn(flash, erase, draw(flash) % 3);
    }
}

void flash_power_on_as(flash_model *flash, uint32_t happened)
{
    begin_cycle(flash);
    for (uint32_t erase = 0; erase < flash->size / flash->erase_unit; erase++) {
        read_torn(flash, erase, happened >> erase & 1);
    }
}

void flash_load(flash_model *flash, const uint8_t *content)
{
    memcpy(flash->seen, content, flash->size);
    memset(flash->torn, 0, units_of(flash));
    memset(flash->unreadable, 0, units_of(flash));
    memset(flash->programmed, 0, units_of(flash));
    for (uint32_t at = 0; at < flash->size; at++) {
        if (content[at] != 0xFF) {
            flash->programmed[at / flash->program_unit] = 1;
        }
    }
}

uint32_t flash_torn(const flash_model *flash)
{
    uint32_t found = 0;
    for (uint32_t at = 0; at < flash->size; at += flash->program_unit) {
        if (flash->torn[at / flash->program_unit]) {
            found |= 1u << at / flash->erase_unit;
        }
    }
    return found;
}

void flash_durable(const flash_model *flash, uint8_t *to)
{
    for (uint32_t at = 0; at < flash->size; at++) {
        uint8_t torn = flash->torn[at / flash->program_unit];
        *to++ = torn;
        *to++ = torn ? flash->before[at] : flash->seen[at];
        *to++ = torn ? flash->after[at] : 0;
    }
}

/* What of the operation happened when the power went: all of it is intended. */
static void tear(flash_model *flash, uint32_t offset, uint32_t size)
{
    const uint8_t *after = flash->intended;
    uint32_t last = size > flash->program_unit ? flash->program_unit : 1;
    uint32_t done = flash->cut_tear == TEAR_ALL_BUT_LAST ? size - last
                    : flash->cut_tear == TEAR_PREFIX     ? flash->cut_bytes
                                                         : 0;
    flash->dead = true;
    for (uint32_t i = 0; i < size; i++) {
        uint8_t *seen = &flash->seen[offset + i];
        if (flash->cut_tear == TEAR_UNSTABLE || flash->cut_tear == TEAR_ECC) {
            uint32_t unit = (offset + i) / flash->program_unit;
            flash->before[offset + i] = *seen;
            flash->after[offset + i] = after[i];
            flash->torn[unit] = (uint8_t)flash->cut_tear;
        } else if (flash->cut_tear == TEAR_SUBSET) {
            uint8_t mask = (uint8_t)draw(flash);
            *seen = (uint8_t)((*seen & mask) | (after[i] & ~mask));
        } else if (i < done) {
            *seen = after[i];
        }
    }
}

/* Whether this operation reports a failure, or is the one that loses power. */
static bool stops(flash_model *flash, uint32_t offset, uint32_t size)
{
    uint32_t number = flash->operations++;
    if (number < FLASH_LOGGED) {
        flash->sizes[number] = (uint16_t)size;
    }
    if (number == flash->cut_at) {
        tear(flash, offset, size);
        return true;
    }
    if (number == flash->spoils) {
        flash->seen[flash->spoiled] = 0;
    }
    return number >= flash->fail_from && number < flash->fail_to;
}

/* Whether the operation that was just counted only claims to have been done. */
static bool is_silent(const flash_model *flash)
{
    return flash->operations - 1 == flash->silent;
}

int flash_read(flash_model *flash, uint32_t offset, void *to, size_t size)
{
    uint32_t number = flash->reads++;
    if (offset > flash->size || size > flash->size - offset) {
        flash->broken_rules++;
        return -1;
    }
    if (flash->dead || number >= flash->fail_reads) {
        return -1;
    }
    for (size_t unit = offset / flash->program_unit; unit * flash->program_unit < offset + size;
         unit++) {
        if (flash->unreadable[unit]) {
            return -1;
        }
    }
    memcpy(to, flash->seen + offset, size);
    if (number == flash->wrong_read) {
        flash->wrong_size = (uint32_t)size;
        if (flash->wrong_bit == UINT32_MAX) {
            return -1;
        }
        ((uint8_t *)to)[flash->wrong_bit / 8 % size] ^= (uint8_t)(1u << flash->wrong_bit % 8);
    }
    return 0;
}

int flash_program(flash_model *flash, uint32_t offset, const void *from, size_t size)
{
    uint32_t unit = offset / flash->program_unit;
    if (flash->dead) {
        return -1;
    }
    /* One whole unit, inside, once between erases, and only where this power cycle has erased. */
    if (size != flash->program_unit || offset % flash->program_unit != 0 ||
        offset > flash->size - size || flash->programmed[unit] ||
        !flash->erased_now[offset / flash->erase_unit]) {
        flash->broken_rules++;
        return -1;
    }
    for (size_t i = 0; i < size; i++) {
        flash->intended[i] = flash->seen[offset + i] & ((const uint8_t *)from)[i];
    }
    flash->programmed[unit] = 1;
    if (stops(flash, offset, (uint32_t)size)) {
        return -1;
    }
    if (!is_silent(flash)) {
        memcpy(flash->seen + offset, flash->intended, size);
    }
    return flash->doubted == size ? -1 : 0;
}

int flash_erase(flash_model *flash, uint32_t offset)
{
    uint32_t units = flash->erase_unit / flash->program_unit;
    uint32_t first = offset / flash->program_unit;
    if (flash->dead) {
        return -1;
    }
    if (offset % flash->erase_unit != 0 || offset >= flash->size) {
        flash->broken_rules++;
        return -1;
    }
    memset(flash->intended, 0xFF, flash->erase_unit);
    flash->erases[offset / flash->erase_unit]++;
    if (stops(flash, offset, flash->erase_unit) || flash->worn_out >> offset / flash->erase_unit & 1) {
        return -1;
    }
    if (is_silent(flash)) {
        /* What reads as erased then, nobody can tell from what is. */
        flash->erased_now[offset / flash->erase_unit] = 1;
        for (uint32_t unit = first; unit < first + units; unit++) {
            if (memcmp(flash->seen + unit * flash->program_unit, flash->intended,
                       flash->program_unit) == 0) {
                flash->programmed[unit] = 0;
            }
        }
        return 0;
    }
    memset(flash->seen + offset, 0xFF, flash->erase_unit);
    memset(flash->torn + first, 0, units);
    memset(flash->unreadable + first, 0, units);
    memset(flash->programmed + first, 0, units);
    flash->erased_now[offset / flash->erase_unit] = 1;
    return flash->doubted == flash->erase_unit ? -1 : 0;
}
