/* SPDX-License-Identifier: MIT */
/*
 * Values in parts [6.4], assembled in the field's member of the staged struct, or where it is kept.
 * Touches that member and its state, and of struct pv the parts.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ in memory */

static bool begin_in_memory(pv *p, uint16_t i, uint16_t total)
{
    (void)p;
    (void)i;
    (void)total;
    return true;
}

static bool resume_in_memory(pv *p, uint16_t i)
{
    (void)p;
    (void)i;
    return true;
}

static bool append_in_memory(pv *p, uint16_t i, uint16_t offset, const uint8_t *bytes, uint16_t size)
{
    memcpy(pv_member_bytes(&p->schema->fields[i], p->staged) + offset, bytes, size);
    return true;
}

static bool equals_in_memory(pv *p, uint16_t i, uint16_t offset, const uint8_t *bytes, uint16_t size)
{
    return memcmp(pv_member_bytes(&p->schema->fields[i], p->staged) + offset, bytes, size) == 0;
}

static uint8_t finish_in_memory(pv *p, uint16_t i, uint16_t total)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    uint8_t refusal = pv_check_bytes(p->schema, field, pv_member_bytes(field, p->staged), total);
    if (refusal == 0) {
        pv_member_close(field, p->staged, total);
    }
    return refusal;
}

static const PV_ROM pv_assembly in_memory = {begin_in_memory, resume_in_memory, append_in_memory, equals_in_memory, finish_in_memory};

static const PV_ROM pv_assembly *assembly_of(const pv *p, uint16_t i)
{
    return (p->schema->fields[i].flags & PV_KEPT) != 0 ? p->schema->kept->parts : &in_memory;
}

/* ------------------------------------------------------------------ the rules */

/* Forgets what is held of a field, whole or in parts. */
static void unstage(pv *p, uint16_t i)
{
    pv_wipe_staged(p, i);
    p->staged[i] = 0;
    if (p->part_field == i) {
        p->part_field = PV_NO_FIELD;
    }
}

/* Whether this part was taken before. What a part of a secret contains is compared with nothing: the
 * answer would tell a guess. */
static bool came_before(pv *p, uint16_t i, uint16_t held)
{
    uint16_t offset = (uint16_t)p->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    const pv_argument *part = &p->arguments[PV_KEY_SET_FIELD_PART];
    uint32_t end = offset + part->number;
    if (pv_is_secret(&p->schema->fields[i])) {
        return offset != 0 && offset == p->part_last && end == held;
    }
    return end <= held && assembly_of(p, i)->equals(p, i, offset, part->bytes, (uint16_t)part->number);
}

/* Takes a part that goes on where `held` ends, or begins the field. Returns 0 or PV_REFUSE_. */
static uint8_t take(pv *p, uint16_t i, uint16_t held)
{
    const PV_ROM pv_assembly *assembly = assembly_of(p, i);
    uint16_t offset = (uint16_t)p->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    uint16_t total = (uint16_t)p->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    const pv_argument *part = &p->arguments[PV_KEY_SET_FIELD_PART];
    uint8_t refusal = 0;
    if (offset == 0) {
        pv_forget_parts(p, i);
        unstage(p, i);
        if (!assembly->begin(p, i, total)) {
            return PV_REFUSE_STORAGE;
        }
        p->part_field = i;
        p->part_total = total;
    } else if (offset != held) {
        if (pv_is_secret(&p->schema->fields[i])) {
            unstage(p, i);
            held = 0;
        }
        return pv_refuse_with(p, PV_REFUSE_GAP, held);
    }
    p->part_held = (uint16_t)(offset + part->number); /* at most total */
    p->part_last = offset;
    if (!assembly->append(p, i, offset, part->bytes, (uint16_t)part->number)) {
        refusal = PV_REFUSE_STORAGE;
    } else if (p->part_held == total) {
        refusal = assembly->finish(p, i, total);
        p->staged[i] = PV_STAGED_VALUE;
    }
    if (refusal != 0) {
        unstage(p, i);
    }
    return refusal;
}

uint8_t pv_parts(pv *p, uint16_t i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    uint16_t total = (uint16_t)p->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    uint16_t held = p->part_field == i && p->part_total == total ? p->part_held : 0;
    uint8_t refusal = 0;
    if (!field->kind->layout->is_long && (field->flags & PV_KEPT) == 0) {
        return PV_REFUSE_WRONG_KIND;
    }
    if (total > field->maximum) {
        return PV_REFUSE_LENGTH;
    }
    if (held > 0 && held < total && !assembly_of(p, i)->resume(p, i)) {
        unstage(p, i);
        held = 0;
    }
    if (!came_before(p, i, held)) {
        refusal = take(p, i, held);
        held = p->part_held;
    }
    return refusal != 0 ? refusal : pv_reply_staged(p, held);
}
