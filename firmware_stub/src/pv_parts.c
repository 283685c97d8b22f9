/* SPDX-License-Identifier: MIT */
/*
 * Values in parts [6.4], assembled in the field's member of the staged struct, or where it is kept.
 * Touches that member and its state, and of struct pv the parts.
 */
#include <string.h>

#include "pv_internal.h"

/* How the values of a field are put together that are not in memory; else NULL. */
static const PV_ROM pv_assembly *assembly_of(const pv *p, uint16_t i)
{
    return (p->schema->fields[i].flags & PV_KEPT) != 0 ? p->schema->kept->parts : NULL;
}

/* Whether this part was taken before. What a part of a secret contains is compared with nothing: the
 * answer would tell a guess. */
static bool came_before(pv *p, uint16_t i, uint16_t held)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const PV_ROM pv_assembly *elsewhere = assembly_of(p, i);
    uint16_t offset = (uint16_t)p->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    const pv_argument *part = &p->arguments[PV_KEY_SET_FIELD_PART];
    uint32_t end = offset + part->number;
    if (pv_is_secret(field)) {
        return offset != 0 && offset == p->part_last && end == held;
    }
    if (end > held) {
        return false;
    }
    return elsewhere != NULL ? elsewhere->equals(p, i, offset, part->bytes, (uint16_t)part->number)
                             : memcmp(pv_member_bytes(field, p->staged) + offset, part->bytes,
                                      (size_t)part->number) == 0;
}

/* Takes the bytes of a part that continues what is held, or begins. Returns 0 or PV_REFUSE_. */
static uint8_t append(pv *p, uint16_t i, uint16_t total)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const PV_ROM pv_assembly *elsewhere = assembly_of(p, i);
    const pv_argument *part = &p->arguments[PV_KEY_SET_FIELD_PART];
    uint8_t *bytes = pv_member_bytes(field, p->staged);
    bool is_whole = p->part_held == total;
    uint8_t refusal = 0;
    if (elsewhere != NULL) {
        refusal = elsewhere->append(p, i, part->bytes, (uint16_t)part->number, is_whole);
    } else {
        memcpy(bytes + p->part_last, part->bytes, (size_t)part->number);
        if (is_whole) {
            refusal = pv_check_bytes(p->schema, field, bytes, total);
            pv_member_close(field, p->staged, total);
        }
    }
    if (refusal != 0) {
        pv_unstage(p, i);
    } else if (is_whole) {
        p->staged[i] = PV_STAGED_VALUE;
    }
    return refusal;
}

/* Takes a part that goes on where `held` ends, or begins the field. Returns 0 or PV_REFUSE_. */
static uint8_t take(pv *p, uint16_t i, uint16_t held)
{
    const PV_ROM pv_assembly *elsewhere = assembly_of(p, i);
    uint16_t offset = (uint16_t)p->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    uint16_t total = (uint16_t)p->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    if (offset == 0) {
        pv_forget_parts(p, i);
        pv_unstage(p, i);
        if (elsewhere != NULL && !elsewhere->begin(p, i, total)) {
            return PV_REFUSE_STORAGE;
        }
        p->part_field = i;
        p->part_total = total;
    } else if (offset != held) {
        if (pv_is_secret(&p->schema->fields[i])) {
            pv_unstage(p, i);
            held = 0;
        }
        return pv_refuse_with(p, PV_REFUSE_GAP, held);
    }
    p->part_held = (uint16_t)(offset + p->arguments[PV_KEY_SET_FIELD_PART].number); /* at most total */
    p->part_last = offset;
    return append(p, i, total);
}

uint8_t pv_parts(pv *p, uint16_t i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const PV_ROM pv_assembly *elsewhere = assembly_of(p, i);
    uint16_t total = (uint16_t)p->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    uint16_t held = p->part_field == i && p->part_total == total ? p->part_held : 0;
    if (!field->kind->layout->is_long && elsewhere == NULL) {
        return PV_REFUSE_WRONG_KIND;
    }
    if (total > field->maximum) {
        return PV_REFUSE_LENGTH;
    }
    if (held > 0 && held < total && elsewhere != NULL && !elsewhere->resume(p, i)) {
        pv_unstage(p, i);
        held = 0;
    }
    return came_before(p, i, held) ? 0 : take(p, i, held);
}
