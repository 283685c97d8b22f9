/* SPDX-License-Identifier: MIT */
/*
 * Values in parts [6.4], assembled in the field's member of the staged struct.
 * Touches that member and its state, and of struct pv the parts.
 */
#include <string.h>

#include "pv_internal.h"

/* Forgets what is held of a field, whole or in parts. */
static void unstage(pv *p, uint16_t i)
{
    pv_member_wipe(&p->schema->fields[i], p->staged);
    p->staged[i] = 0;
    if (p->part_field == i) {
        p->part_field = PV_NO_FIELD;
    }
}

/* Whether this part was taken before. What a part of a secret contains is compared with nothing: the
 * answer would tell a guess. */
static bool came_before(const pv *p, const PV_ROM pv_field *field, uint16_t held)
{
    uint16_t offset = (uint16_t)p->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    const pv_argument *part = &p->arguments[PV_KEY_SET_FIELD_PART];
    uint32_t end = offset + part->number;
    if (pv_is_secret(field)) {
        return offset != 0 && offset == p->part_last && end == held;
    }
    return end <= held && memcmp(pv_member_bytes(field, p->staged) + offset, part->bytes,
                                 (size_t)part->number) == 0;
}

/* Takes a part that goes on where `held` ends, or begins the field. Returns 0 or PV_REFUSE_. */
static uint8_t take(pv *p, uint16_t i, uint16_t held)
{
    const PV_ROM pv_schema *schema = p->schema;
    const PV_ROM pv_field *field = &schema->fields[i];
    uint16_t offset = (uint16_t)p->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    uint16_t total = (uint16_t)p->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    const pv_argument *part = &p->arguments[PV_KEY_SET_FIELD_PART];
    uint8_t *bytes = pv_member_bytes(field, p->staged);
    uint8_t refusal;
    if (offset == 0) {
        pv_forget_parts(p, i);
        unstage(p, i);
        p->part_field = i;
        p->part_total = total;
    } else if (offset != held) {
        if (pv_is_secret(field)) {
            unstage(p, i);
            held = 0;
        }
        return pv_refuse_with(p, PV_REFUSE_GAP, held);
    }
    memcpy(bytes + offset, part->bytes, (size_t)part->number);
    p->part_held = (uint16_t)(offset + part->number); /* at most total */
    p->part_last = offset;
    if (p->part_held < total) {
        return 0;
    }
    refusal = pv_check_bytes(schema, field, bytes, total);
    if (refusal != 0) {
        unstage(p, i);
        return refusal;
    }
    pv_member_close(field, p->staged, total);
    p->staged[i] = PV_STAGED_VALUE;
    return 0;
}

uint8_t pv_parts(pv *p, uint16_t i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    uint16_t total = (uint16_t)p->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    uint16_t held = p->part_field == i && p->part_total == total ? p->part_held : 0;
    uint8_t refusal = 0;
    if (!field->kind->layout->is_long) {
        return PV_REFUSE_WRONG_KIND;
    }
    if (total > field->maximum) {
        return PV_REFUSE_LENGTH;
    }
    if (!came_before(p, field, held)) {
        refusal = take(p, i, held);
        held = p->part_held;
    }
    return refusal != 0 ? refusal : pv_reply_staged(p, held);
}
