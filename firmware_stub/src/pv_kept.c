/* SPDX-License-Identifier: MIT */
/*
 * Values kept in flash, for kinds too large for RAM: on pv_store_slots of four slots or more. The member
 * of a settings struct is a pv_kept: where the value is, and how long it is. Of the set in force that is
 * an offset in the record's payload, which a copy of the record leaves as it is. Staged values stand in
 * a slot of their own, behind a header that stays erased, so that no start takes it for a record: it
 * mends the slot instead. So does pv_drop_staged().
 * Touches the staging slot, the unit, the members of such fields, and of struct pv what is said of parts
 * and of staging.
 */
#include <string.h>

#include "pv_internal.h"

static const pv_kept *const_member(const PV_ROM pv_field *field, const void *settings)
{
    return (const pv_kept *)(const void *)((const uint8_t *)settings + field->offset);
}

static pv_kept *member(const PV_ROM pv_field *field, void *settings)
{
    return (pv_kept *)(void *)((uint8_t *)settings + field->offset);
}

static pv_kept *staged_member(const pv *p, uint16_t i)
{
    return member(&p->schema->fields[i], p->staged);
}

/* ------------------------------------------------------------------ reading */

/* Where a value of one of the two structs is in flash. */
static uint32_t place(const pv *p, const void *settings, const pv_kept *value)
{
    return settings == p->staged ? value->at : pv_payload_at(p, p->slot) + value->at;
}

/* Hands a value on. What cannot be read is missing, which the digest or the CRC then tells. */
static void put_kept(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    pv *p = (pv *)(void *)to;
    const pv_kept *value = const_member(field, settings);
    uint32_t at = place(p, settings, value);
    uint16_t left = value->length;
    uint8_t piece[16];
    pv_put_head(to, PV_BYTES, left);
    while (left > 0) {
        uint16_t size = left < sizeof piece ? left : (uint16_t)sizeof piece;
        if (!pv_flash_read(p, at, piece, size)) {
            break;
        }
        pv_give(to, piece, size);
        at += size;
        left = (uint16_t)(left - size);
    }
    pv_wipe(piece, sizeof piece);
}

bool pv_read_kept(pv *p, uint16_t i, uint16_t offset, void *to, uint16_t size)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const pv_kept *value;
    if (!pv_has(p, i) || (field->flags & PV_KEPT) == 0) {
        return false;
    }
    value = const_member(field, p->settings);
    return offset <= value->length && size <= value->length - offset &&
           pv_flash_read(p, place(p, p->settings, value) + offset, to, size);
}

/* ------------------------------------------------------------------ staging */

/* Wipes the staging slot, and has none from here on. */
static void drop_kept(pv *p)
{
    uint8_t slot = p->staging;
    p->staging = PV_NO_SLOT;
    if (slot != PV_NO_SLOT) {
        (void)pv_slot_void(p, slot); /* a start tries again */
    }
}

/* Whether the staging slot holds a value of another field. */
static bool is_shared(const pv *p, uint16_t i)
{
    uint16_t other;
    for (other = 0; other < p->schema->field_count; other++) {
        if (other != i && pv_is_staged(p, other) && (p->schema->fields[other].flags & PV_KEPT) != 0) {
            return true;
        }
    }
    return false;
}

/* Finds room for a value in the staging slot, which is taken if there is none. */
static bool begin_in_flash(pv *p, uint16_t i, uint16_t size)
{
    if (p->staging != PV_NO_SLOT && size + p->staging_at > p->aside_at - p->flash->program_unit) {
        if (is_shared(p, i)) {
            return false;
        }
        drop_kept(p);
    }
    if (p->staging == PV_NO_SLOT) {
        uint8_t slot = pv_slots_spare(p);
        if (slot == PV_NO_SLOT) {
            return false;
        }
        p->slots[slot] &= PV_WORN;
        p->staging = slot;
        p->staging_at = pv_payload_at(p, slot);
        p->aside_at = (slot + 1U) * p->flash->slot_size;
        if (!pv_slot_erase(p, slot)) {
            drop_kept(p);
            return false;
        }
    }
    p->out.take = pv_write_bytes;
    p->unit_fill = 0;
    p->write_at = p->staging_at;
    p->write_failed = false;
    staged_member(p, i)->at = p->staging_at;
    return true;
}

/* Whether the unit is that of an incomplete value: it is shared with whoever writes a slot. */
static bool has_unit(const pv *p)
{
    return p->write_at == p->staging_at;
}

/* Before a slot is written: puts the unit aside that is not full, at the end of the staging slot. Where
 * that cannot be, the parts are forgotten. */
static void yield_unit(pv *p)
{
    uint16_t i = p->part_field;
    if (i != PV_NO_FIELD && (p->schema->fields[i].flags & PV_KEPT) != 0 && p->part_held < p->part_total &&
        has_unit(p)) {
        p->aside_at -= p->flash->program_unit;
        p->write_at = p->aside_at;
        p->write_failed = staged_member(p, i)->at + p->part_total > p->aside_at;
        pv_write_padding(p);
        if (p->write_failed) {
            p->part_field = PV_NO_FIELD;
        }
    }
}

/* Takes it back. */
static bool resume_in_flash(pv *p, uint16_t i)
{
    uint32_t end = staged_member(p, i)->at + p->part_held;
    if (has_unit(p)) {
        return true;
    }
    p->out.take = pv_write_bytes;
    p->write_failed = false;
    p->write_at = p->staging_at;
    p->unit_fill = (uint16_t)(end - p->staging_at);
    return pv_flash_read(p, p->aside_at, p->config->unit, p->unit_fill);
}

static bool equals_in_flash(pv *p, uint16_t i, uint16_t offset, const uint8_t *bytes, uint16_t size)
{
    uint32_t at = staged_member(p, i)->at + offset;
    bool same = true;
    for (; size > 0 && same; size--) {
        uint8_t byte;
        if (at >= p->staging_at) { /* not written yet */
            byte = p->config->unit[at - p->staging_at];
        } else {
            same = pv_flash_read(p, at, &byte, 1);
        }
        same = same && byte == *bytes++;
        at++;
    }
    return same;
}

static bool is_fit(const PV_ROM pv_field *field, uint32_t length)
{
    return length >= (uint32_t)field->minimum && length <= (uint32_t)field->maximum;
}

/* Of a whole value the digest of the commit tells whether it was written right. */
static uint8_t append_in_flash(pv *p, uint16_t i, const uint8_t *bytes, uint16_t size, bool is_whole)
{
    uint32_t length;
    pv_write_bytes(&p->out, bytes, size);
    length = p->write_at + p->unit_fill - staged_member(p, i)->at;
    if (is_whole) {
        pv_write_padding(p);
        pv_wipe(p->config->unit, p->flash->program_unit);
        staged_member(p, i)->length = (uint16_t)length;
    }
    p->staging_at = p->write_at;
    return p->write_failed                                                ? PV_REFUSE_STORAGE
           : is_whole && !is_fit(&p->schema->fields[i], length) ? PV_REFUSE_LENGTH
                                                                          : 0;
}

/* Stages a value that came whole, of which the head was read. */
static uint8_t stage_kept(pv *p, uint16_t i, const pv_reader *from)
{
    if (from->major != PV_BYTES) {
        return PV_REFUSE_WRONG_KIND;
    }
    if (!is_fit(&p->schema->fields[i], from->argument)) {
        return PV_REFUSE_LENGTH;
    }
    if (!begin_in_flash(p, i, (uint16_t)from->argument) ||
        append_in_flash(p, i, from->at, (uint16_t)from->argument, true) != 0) {
        pv_unstage(p, i); /* what was staged before may be gone [6.4] */
        return PV_REFUSE_STORAGE;
    }
    return 0;
}

/* ------------------------------------------------------------------ a commit, a load */

/* In the record that is now in force the values are at other places than they came from. */
static void settle_kept(pv *p)
{
    const PV_ROM pv_schema *schema = p->schema;
    pv_sink *to = pv_measure_begin(p);
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        uint8_t *holder = pv_is_staged(p, i) ? p->staged : p->settings;
        if ((schema->fields[i].flags & PV_KEPT) == 0) {
            pv_payload_put_entry(p, to, i);
        } else if ((holder[i] & PV_IS_SET) != 0) {
            pv_kept *value = member(&schema->fields[i], holder);
            pv_payload_put_start(to, &schema->fields[i]);
            pv_put_head(to, PV_BYTES, value->length);
            value->at = to->size;
            to->size += value->length;
        }
    }
}

static uint8_t take_kept(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                    void *settings)
{
    pv_kept *value = member(field, settings);
    uint32_t length = from->argument;
    (void)schema;
    value->at = from->p->record.length - pv_left(from);
    value->length = (uint16_t)length;
    return !pv_pass_value(from) || !is_fit(field, length) ? PV_REFUSE_LENGTH : 0;
}

static const PV_ROM pv_layout layout = {sizeof(pv_kept), 0, false, put_kept, take_kept, NULL};
const PV_ROM pv_value_kind pv_kind_kept = {&layout, NULL, PV_BYTES, 0};

static const PV_ROM pv_assembly in_flash = {begin_in_flash, resume_in_flash, append_in_flash, equals_in_flash};
const PV_ROM pv_keeping pv_keeps = {&in_flash, stage_kept, settle_kept, yield_unit, drop_kept};
