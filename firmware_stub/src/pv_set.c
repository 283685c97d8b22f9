/* SPDX-License-Identifier: MIT */
/*
 * Sets of values: what is set, in force, active and staged, and the rules of the whole [9.5, 9.6].
 * Touches the two settings structs, and of struct pv the parts, the fault, and out to measure.
 */
#include <string.h>

#include "pv_internal.h"

uint16_t pv_find(const PV_ROM pv_schema *schema, const uint8_t *key, size_t size)
{
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        if (pv_is_text(schema->fields[i].key, key, size)) {
            return i;
        }
    }
    return PV_NO_FIELD;
}

uint8_t *pv_holder(const pv_view *view, uint16_t i)
{
    return view->base == NULL || (view->set[i] & PV_IS_STAGED) != 0 ? view->set : view->base;
}

bool pv_applies(const pv_view *view, uint16_t i)
{
    return (view->set[i] & PV_IS_ACTIVE) != 0 && (pv_holder(view, i)[i] & PV_IN_FORCE) != 0;
}

int32_t pv_number_of(const pv_view *view, uint16_t i)
{
    return pv_number(&view->schema->fields[i], pv_holder(view, i));
}

bool pv_has(const pv *p, uint16_t field)
{
    const uint8_t both = PV_IS_ACTIVE | PV_IN_FORCE;
    return field < p->schema->field_count && (PV_STATE(p->settings, field) & both) == both;
}

/* More than any default has. */
enum { DEFAULT_SIZE = 32767 };

void pv_fall_back(pv *p, void *settings, uint16_t i)
{
    const PV_ROM pv_schema *schema = p->schema;
    const PV_ROM pv_field *field = &schema->fields[i];
    pv_reader from;
    PV_STATE(settings, i) = 0;
    pv_member_wipe(field, settings);
    if (field->default_value != NULL) {
        pv_read_table(&from, p, field->default_value, DEFAULT_SIZE);
        (void)pv_read_head(&from);
        (void)pv_decode_value(schema, field, &from, settings);
        PV_STATE(settings, i) = PV_IN_FORCE;
    }
}

void pv_settings_complete(pv *p, void *settings)
{
    uint16_t i;
    for (i = 0; i < p->schema->field_count; i++) {
        uint8_t fell_back = PV_STATE(settings, i) & PV_FELL_BACK;
        PV_STATE(settings, i) &= PV_IS_SET | PV_IN_FORCE;
        if (PV_STATE(settings, i) == 0) {
            pv_fall_back(p, settings, i);
            PV_STATE(settings, i) |= fell_back;
        }
    }
}

void pv_settings_reset(pv *p, void *settings)
{
    pv_wipe(settings, (size_t)p->schema->settings_size);
    pv_settings_complete(p, settings);
}

pv_defect pv_judge(const pv *p, void *set, void *base)
{
    const PV_ROM pv_schema *schema = p->schema;
    pv_defect found = {PV_NO_FIELD, PV_NO_FIELD};
    pv_view view;
    uint16_t i;
    view.schema = schema;
    view.set = set;
    view.base = base;
    for (i = 0; i < schema->field_count; i++) {
        const PV_ROM pv_field *field = &schema->fields[i];
        view.set[i] &= (uint8_t)~PV_IS_ACTIVE;
        if ((field->instance == 0 || schema->in_use(&view, i)) &&
            (field->condition == NULL || schema->holds(&view, i))) {
            view.set[i] |= PV_IS_ACTIVE;
            if (found.field == PV_NO_FIELD && (field->flags & PV_REQUIRED) != 0 && !pv_applies(&view, i)) {
                found.field = i;
            }
        }
    }
    for (i = 0; found.field == PV_NO_FIELD && schema->conflict != NULL && i < schema->field_count; i++) {
        found.other = schema->conflict(&view, i);
        if (found.other != PV_NO_FIELD) {
            found.field = i;
        }
    }
    return found;
}

void pv_judge_settings(pv *p)
{
    p->defect = pv_judge(p, p->settings, NULL);
}

bool pv_is_staged(const pv *p, uint16_t i)
{
    return (p->staged[i] & PV_IS_STAGED) != 0;
}

uint8_t pv_check_whole(pv *p)
{
    const PV_ROM pv_schema *schema = p->schema;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        int16_t network = schema->fields[i].network;
        if (network >= 0 && pv_is_staged(p, i) != pv_is_staged(p, (uint16_t)network)) {
            p->fault.field = pv_is_staged(p, i) ? i : (uint16_t)network;
            p->fault.other = (uint16_t)(i + (uint16_t)network - p->fault.field);
            return PV_REFUSE_PARTNER;
        }
    }
    p->fault = pv_judge(p, p->staged, p->settings);
    return p->fault.field == PV_NO_FIELD   ? 0
           : p->fault.other == PV_NO_FIELD ? PV_REFUSE_MISSING
                                           : PV_REFUSE_PIN_CONFLICT;
}

/* ------------------------------------------------------------------ the staged set */

void pv_unstage(pv *p, uint16_t i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    pv_member_wipe(field, p->staged);
    if ((field->flags & PV_KEPT) != 0) {
        pv_wipe(p->config->unit, p->flash->program_unit);
    }
    p->staged[i] = 0;
    if (p->part_field == i) {
        p->part_field = PV_NO_FIELD;
    }
}

uint16_t pv_staged_count(const pv *p)
{
    uint16_t count = 0;
    uint16_t i;
    for (i = 0; i < p->schema->field_count; i++) {
        count = (uint16_t)(count + pv_is_staged(p, i));
    }
    return count;
}

uint32_t pv_staged_digest(pv *p)
{
    const PV_ROM pv_schema *schema = p->schema;
    pv_sink *to = pv_measure_begin(p);
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        if (pv_is_staged(p, i)) {
            pv_put_head(to, PV_ARRAY, 2);
            pv_put_text(to, schema->fields[i].key);
            if ((p->staged[i] & PV_IS_SET) != 0) {
                pv_encode_value(to, &schema->fields[i], p->staged);
            } else {
                pv_put_simple(to, PV_NULL);
            }
        }
    }
    return ~to->crc;
}

void pv_settings_overlay(pv *p)
{
    const PV_ROM pv_schema *schema = p->schema;
    uint8_t *settings = p->settings;
    const uint8_t *staged = p->staged;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        if ((staged[i] & PV_IS_STAGED) != 0) {
            pv_member_copy(&schema->fields[i], settings, staged);
            settings[i] = staged[i] & (PV_IS_SET | PV_IN_FORCE);
        }
        settings[i] &= (uint8_t)~PV_FELL_BACK; /* that value was not stored again */
    }
    pv_judge_settings(p);
}

void pv_drop_staged(pv *p)
{
    pv_wipe(p->staged, (size_t)p->schema->settings_size);
    p->part_field = PV_NO_FIELD;
    if (p->schema->kept != NULL) {
        p->schema->kept->drop(p);
    }
}
