/* SPDX-License-Identifier: MIT */
/*
 * A record in a slot of flash: written, read, loaded. STORAGE.md says which bits, and why these rules;
 * pv_slots.c and pv_pair.c say which slot.
 * Touches the flash, the unit, and of struct pv the storage, the record, the notes on slots, what
 * writes, and chunk.
 *
 * A record is *valid* when its header and its payload are right by their CRCs and the payload is made
 * of entries, and *sealed* when its seal is right too. A unit of flash whose program or erase was cut
 * short by a power loss is *torn*: it may read differently at every start. So a seal that reads right
 * today may be gone tomorrow; but it was begun only after header and payload had been read back, and
 * those stay.
 */
#include <string.h>

#include "pv_internal.h"

enum { SEAL_SIZE = 8 };

#define SEAL 0x4C414553u  /* SEAL */

/* ------------------------------------------------------------------ where things lie */

static uint32_t padded(const pv_flash *flash, uint32_t size)
{
    uint32_t last = flash->program_unit - 1U; /* a power of two */
    return (size + last) & ~last;
}

uint32_t pv_room(const pv_flash *flash)
{
    uint32_t rest = padded(flash, sizeof(pv_record)) + padded(flash, SEAL_SIZE);
    return flash->slot_size > rest ? flash->slot_size - rest : 0;
}

uint32_t pv_payload_at(const pv *p, uint8_t slot)
{
    return slot * p->flash->slot_size + padded(p->flash, sizeof p->record);
}

bool pv_flash_read(pv *p, uint32_t at, void *to, size_t size)
{
    return p->flash->read(p->config->context, at, to, size) == 0;
}

/* ------------------------------------------------------------------ reading */

static bool read_header_once(pv *p, uint8_t slot)
{
    const pv_flash *flash = p->flash;
    pv_record *record = &p->record;
    return pv_flash_read(p, slot * flash->slot_size, record, sizeof *record) && pv_record_is_right(p) &&
           record->length <= pv_room(flash);
}

/* Opens the payload of the record whose header was read, or written. */
static void open_slot(pv *p, pv_reader *from, uint8_t slot)
{
    pv_payload_open(p, from, pv_payload_at(p, slot), p->record.length);
}

bool pv_header_read(pv *p, uint8_t slot)
{
    return read_header_once(p, slot) || read_header_once(p, slot);
}

/* Whether the seal is right that stands behind a payload. */
static bool is_sealed(pv *p, uint32_t at)
{
    uint32_t seal[2];
    return pv_flash_read(p, padded(p->flash, at), seal, sizeof seal) && seal[0] == SEAL &&
           seal[1] == ~p->record.crc;
}

/* Takes note of what is in a slot. */
static uint8_t look_once(pv *p, uint8_t slot)
{
    uint8_t found = p->slots[slot] & PV_WORN;
    if (read_header_once(p, slot)) {
        pv_reader payload;
        bool is_payload;
        /* The numbers are used up even where the payload turns out to be unreadable. */
        p->generations[slot] = p->record.generation;
        p->set_numbers[slot] = p->record.set_number;
        open_slot(p, &payload, slot);
        is_payload = pv_is_payload(&payload);
        if (pv_payload_is_right(&payload, p->record.payload_crc) && is_payload) {
            found |= PV_VALID;
            if (p->record.kind == PV_KIND_OF_SET) {
                found |= PV_HOLDS_SET;
                if (p->record.starts_left == 0) {
                    found |= PV_CONFIRMED;
                }
            }
            if (is_sealed(p, payload.next)) {
                found |= PV_SEALED;
            }
        }
    }
    p->slots[slot] = found;
    return found;
}

bool pv_slot_look(pv *p, uint8_t slot)
{
    return (look_once(p, slot) & PV_SEALED) != 0 || (look_once(p, slot) & PV_VALID) != 0;
}

bool pv_flash_begin(pv *p)
{
    uint8_t slot;
    pv_wipe(p->config->unit, p->flash->program_unit); /* memory may have come through a reset */
    for (slot = 0; slot < p->flash->slot_count; slot++) {
        (void)pv_slot_look(p, slot);
    }
    return p->schema->largest_payload <= pv_room(p->flash);
}

static bool load_once(pv *p, uint8_t slot, void *settings)
{
    pv_reader payload;
    if (!pv_header_read(p, slot)) {
        return false;
    }
    open_slot(p, &payload, slot);
    pv_payload_load(&payload, settings);
    pv_settings_complete(p, settings);
    return pv_payload_is_right(&payload, p->record.payload_crc);
}

bool pv_slot_load(pv *p, uint8_t slot, void *settings)
{
    return load_once(p, slot, settings) || load_once(p, slot, settings);
}

/* ------------------------------------------------------------------ writing */

void pv_write_bytes(pv_sink *self, const uint8_t *bytes, size_t size)
{
    pv *p = (pv *)(void *)self;
    const pv_config *config = p->config;
    uint16_t unit = config->flash->program_unit;
    while (size-- != 0 && !p->write_failed) {
        config->unit[p->unit_fill++] = *bytes++;
        if (p->unit_fill == unit) {
            p->write_failed = config->flash->program(config->context, p->write_at, config->unit, unit) != 0;
            p->write_at += unit;
            p->unit_fill = 0;
        }
    }
}

void pv_write_padding(pv *p)
{
    static const uint8_t erased = 0xFF;
    while (p->unit_fill > 0 && !p->write_failed) {
        pv_write_bytes(&p->out, &erased, 1);
    }
}

/* Whether a slot reads as erased. */
static bool is_blank(pv *p, uint8_t slot)
{
    uint32_t size = p->flash->slot_size;
    pv_reader from;
    uint8_t byte = 0xFF;
    pv_payload_open(p, &from, slot * size, size);
    while (byte == 0xFF && pv_left(&from) > 0) {
        (void)pv_read(&from, &byte, 1);
    }
    pv_wipe(p->chunk, sizeof p->chunk); /* what was not erased */
    return byte == 0xFF && !from.failed;
}

bool pv_slot_erase(pv *p, uint8_t slot)
{
    const pv_flash *flash = p->flash;
    uint32_t done;
    for (done = 0; done < flash->slot_size; done += flash->erase_unit) {
        if (flash->erase(p->config->context, slot * flash->slot_size + done) != 0) {
            return false;
        }
    }
    return is_blank(p, slot);
}

/* Hands the payload of a record on. What cannot be read is missing, which the CRC then tells. */
static void copy_payload(pv *p, uint8_t slot)
{
    pv_reader from;
    uint8_t byte;
    open_slot(p, &from, slot);
    while (pv_left(&from) > 0 && pv_read(&from, &byte, 1)) {
        pv_write_bytes(&p->out, &byte, 1);
    }
    pv_wipe(p->chunk, sizeof p->chunk);
}

bool pv_slot_write(pv *p, uint8_t slot, uint8_t source)
{
    uint32_t seal[2];
    if (p->schema->kept != NULL) {
        p->schema->kept->yield(p);
    }
    p->record.crc = pv_record_crc(p);
    seal[0] = SEAL;
    seal[1] = ~p->record.crc;
    p->slots[slot] &= PV_WORN;
    p->out.take = pv_write_bytes;
    p->write_at = slot * p->flash->slot_size;
    p->unit_fill = 0;
    p->write_failed = !pv_slot_erase(p, slot);
    pv_give(&p->out, &p->record, sizeof p->record);
    pv_write_padding(p);
    if (source != PV_NO_SLOT) {
        copy_payload(p, source);
    } else if (p->record.length > 0) {
        pv_payload_put(p, &p->out);
    }
    pv_write_padding(p);

    /* The seal is begun only once all before it has been read back. */
    p->write_failed = p->write_failed || (look_once(p, slot) & PV_VALID) == 0;
    pv_give(&p->out, seal, sizeof seal);
    pv_write_padding(p);
    p->write_failed = p->write_failed || (look_once(p, slot) & PV_SEALED) == 0;
    p->slots[slot] = (uint8_t)(p->write_failed ? PV_WORN : p->slots[slot] & ~PV_WORN);
    pv_wipe(p->config->unit, p->flash->program_unit);
    return !p->write_failed;
}

bool pv_slot_void(pv *p, uint8_t slot)
{
    pv_record_of_void(p);
    if (!p->holds_set) {
        p->record.generation = p->generation;
        p->record.set_number = p->set_number;
    }
    return pv_slot_write(p, slot, PV_NO_SLOT);
}

/* ------------------------------------------------------------------ the record in force */

uint32_t pv_next_generation(const pv *p)
{
    uint32_t found = 0;
    uint8_t slot;
    for (slot = 0; slot < p->flash->slot_count; slot++) {
        if (pv_is_newer(p->generations[slot], found)) {
            found = p->generations[slot];
        }
    }
    return pv_generation_after(found);
}

uint8_t pv_choose_slot(const pv *p, uint8_t among, uint8_t flags, bool oldest)
{
    uint8_t best = PV_NO_SLOT;
    uint8_t slot;
    for (slot = 0; slot < p->flash->slot_count; slot++) {
        if ((among >> slot & 1) != 0 && (p->slots[slot] & flags) == flags) {
            uint8_t older = oldest ? slot : best;
            uint8_t newer = oldest ? best : slot;
            if (best == PV_NO_SLOT || pv_is_newer(p->generations[newer], p->generations[older])) {
                best = slot;
            }
        }
    }
    return best;
}

void pv_choose(pv *p)
{
    uint8_t slot;
    while ((slot = pv_choose_slot(p, 0xFF, PV_VALID, false)) != PV_NO_SLOT && !pv_header_read(p, slot)) {
        p->slots[slot] &= PV_WORN;
    }
    if (slot == PV_NO_SLOT) {
        memset(&p->record, 0, sizeof p->record);
    }
    pv_adopt(p, slot);
}

void pv_load_in_force(pv *p)
{
    void *settings = p->settings;
    while (p->slot != PV_NO_SLOT && !pv_slot_load(p, p->slot, settings)) {
        p->slots[p->slot] &= PV_WORN;
        pv_choose(p);
    }
    if (p->slot == PV_NO_SLOT) {
        pv_settings_reset(p, settings);
    }
    pv_judge_settings(p);
}
