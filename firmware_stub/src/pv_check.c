/* SPDX-License-Identifier: MIT */
/* Sets of values: what is set, in force, active and staged, and the rules of the whole [9.5, 9.6]. */
#include <string.h>

#include "pv_internal.h"

uint16_t pv_find(const pv_schema *schema, const uint8_t *key, size_t size)
{
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        const char *own = schema->fields[i].key;
        if (strlen(own) == size && memcmp(own, key, size) == 0) {
            return i;
        }
    }
    return PV_NO_FIELD;
}

/* ------------------------------------------------------------------ stored sets */

/* More than any default has. */
enum { DEFAULT_SIZE = 32767 };

/* Puts the default in force, or nothing. */
static void fall_back(const pv_schema *schema, void *settings, uint16_t i)
{
    const pv_field *field = &schema->fields[i];
    pv_reader from;
    PV_STATE(settings, i) = 0;
    pv_member_wipe(field, settings);
    if (field->default_value != NULL) {
        pv_read_memory(&from, field->default_value, DEFAULT_SIZE);
        (void)pv_decode_value(schema, field, &from, settings);
        PV_STATE(settings, i) = PV_IN_FORCE;
    }
}

void pv_settings_reset(const pv_schema *schema, void *settings)
{
    uint16_t i;
    pv_wipe(settings, (size_t)schema->settings_size);
    for (i = 0; i < schema->field_count; i++) {
        fall_back(schema, settings, i);
    }
}

void pv_settings_load(const pv_schema *schema, void *settings, uint16_t i, pv_reader *from)
{
    pv_member_wipe(&schema->fields[i], settings);
    if (pv_decode_value(schema, &schema->fields[i], from, settings) == 0) {
        PV_STATE(settings, i) = PV_IS_SET | PV_IN_FORCE;
    } else {
        fall_back(schema, settings, i);
        PV_STATE(settings, i) |= PV_FELL_BACK;
    }
}

/* ------------------------------------------------------------------ the resulting whole */

const void *pv_resulting(const pv *p, uint16_t i)
{
    const pv_config *config = p->config;
    uint8_t staged = PV_STATE(config->staged, i);
    if ((staged & PV_IS_STAGED) != 0) {
        return (staged & PV_IS_CLEARED) != 0 ? NULL : config->staged;
    }
    return (PV_STATE(config->settings, i) & PV_IS_SET) != 0 ? config->settings : NULL;
}

/* Whether a field is active, and a value in force. */
static bool applies(const void *set, uint16_t i)
{
    const uint8_t both = PV_IS_ACTIVE | PV_IN_FORCE;
    return (((const uint8_t *)set)[i] & both) == both;
}

static bool holds(const pv_schema *schema, const void *set, const pv_condition *condition)
{
    int32_t value;
    uint8_t i;
    if (condition == NULL) {
        return true;
    }
    if (!applies(set, condition->field)) {
        return false;
    }
    if (condition->count == 0) {
        return true;
    }
    value = pv_number(&schema->fields[condition->field], set);
    for (i = 0; i < condition->count; i++) {
        if (condition->values[i] == value) {
            return true;
        }
    }
    return false;
}

/* Whether the instance that begins with field i is in use [8.3]. */
static bool in_use(const pv_schema *schema, const void *set, uint16_t i)
{
    uint8_t instance = schema->fields[i].instance;
    if (instance == 0) {
        return true;
    }
    for (; i < schema->field_count && schema->fields[i].instance == instance; i++) {
        if ((((const uint8_t *)set)[i] & PV_IS_SET) != 0) {
            return true;
        }
    }
    return false;
}

/* The pin of an active pin field, -1 if it is none or has none. */
static int32_t pin_of(const pv_schema *schema, const void *set, uint16_t i)
{
    const pv_field *field = &schema->fields[i];
    return pv_kind_of(field) == PV_KIND_PIN && applies(set, i) ? pv_number(field, set) : -1;
}

/* The first two active fields that have one pin and do not both share it. */
static pv_defect conflict(const pv_schema *schema, const void *set)
{
    pv_defect found = {PV_NO_FIELD, PV_NO_FIELD};
    uint16_t i;
    uint16_t k;
    for (i = 0; i < schema->field_count; i++) {
        int32_t pin = pin_of(schema, set, i);
        for (k = 0; pin >= 0 && k < i; k++) {
            if (pin_of(schema, set, k) == pin &&
                (schema->fields[i].flags & schema->fields[k].flags & PV_SHARES) == 0) {
                found.field = i;
                found.other = k;
                return found;
            }
        }
    }
    return found;
}

pv_defect pv_judge(const pv_schema *schema, void *set)
{
    uint8_t *states = set;
    pv_defect missing = {PV_NO_FIELD, PV_NO_FIELD};
    bool used = true;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        const pv_field *field = &schema->fields[i];
        if (i == 0 || field->instance != schema->fields[i - 1].instance) {
            used = in_use(schema, set, i);
        }
        states[i] = (uint8_t)(states[i] & ~PV_IS_ACTIVE);
        if (used && holds(schema, set, field->condition)) {
            states[i] |= PV_IS_ACTIVE;
            if (missing.field == PV_NO_FIELD && (field->flags & PV_REQUIRED) != 0 &&
                !applies(set, i)) {
                missing.field = i;
            }
        }
    }
    return missing.field != PV_NO_FIELD ? missing : conflict(schema, set);
}

/* ------------------------------------------------------------------ the rules of a commit [9.6] */

/* Completes the staged struct to what a commit would put in force: flags, and the numbers that the
 * rules read. Text and bytes are read by no rule, and their members may hold parts. */
static void complete(const pv *p)
{
    const pv_schema *schema = p->config->schema;
    uint8_t *staged = p->config->staged;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        const pv_field *field = &schema->fields[i];
        const void *from = pv_resulting(p, i);
        uint8_t marks = staged[i];
        if (from != NULL) {
            if (from != staged && pv_has_number(field)) {
                pv_member_copy(field, staged, from);
            }
            marks |= PV_IS_SET | PV_IN_FORCE;
        } else if (field->default_value != NULL) {
            if (pv_has_number(field)) {
                fall_back(schema, staged, i);
            }
            marks |= PV_IN_FORCE;
        }
        staged[i] = marks;
    }
}

/* Takes out again what complete() put in. */
static void strip(const pv *p)
{
    const pv_schema *schema = p->config->schema;
    uint8_t *staged = p->config->staged;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        staged[i] &= PV_IS_STAGED | PV_IS_CLEARED;
        if (staged[i] != PV_IS_STAGED && pv_has_number(&schema->fields[i])) {
            pv_member_wipe(&schema->fields[i], staged);
        }
    }
}

static bool is_staged(const pv *p, uint16_t i)
{
    return (PV_STATE(p->config->staged, i) & PV_IS_STAGED) != 0;
}

uint8_t pv_check_whole(const pv *p, uint16_t *field, uint16_t *other)
{
    const pv_field *fields = p->config->schema->fields;
    uint16_t count = p->config->schema->field_count;
    pv_defect defect;
    uint16_t i;
    uint16_t k;
    for (i = 0; i < count; i++) {
        if (fields[i].network >= 0) {
            k = (uint16_t)fields[i].network;
            if (is_staged(p, i) != is_staged(p, k)) {
                *field = is_staged(p, i) ? i : k;
                *other = is_staged(p, i) ? k : i;
                return PV_REFUSE_PARTNER;
            }
        }
    }
    complete(p);
    defect = pv_judge(p->config->schema, p->config->staged);
    strip(p);
    *field = defect.field;
    *other = defect.other;
    return defect.field == PV_NO_FIELD   ? 0
           : defect.other == PV_NO_FIELD ? PV_REFUSE_MISSING
                                         : PV_REFUSE_PIN_CONFLICT;
}

/* ------------------------------------------------------------------ the staged set */

uint16_t pv_staged_count(const pv *p)
{
    uint16_t count = 0;
    uint16_t i;
    for (i = 0; i < p->config->schema->field_count; i++) {
        count = (uint16_t)(count + is_staged(p, i));
    }
    return count;
}

uint32_t pv_staged_digest(const pv *p)
{
    const pv_schema *schema = p->config->schema;
    pv_digester digester;
    uint16_t i;
    pv_digest_begin(&digester);
    for (i = 0; i < schema->field_count; i++) {
        if (is_staged(p, i)) {
            pv_put_head(&digester.sink, PV_ARRAY, 2);
            pv_put_text(&digester.sink, schema->fields[i].key);
            if ((PV_STATE(p->config->staged, i) & PV_IS_CLEARED) != 0) {
                pv_put_simple(&digester.sink, PV_NULL);
            } else {
                pv_encode_value(&digester.sink, &schema->fields[i], p->config->staged);
            }
        }
    }
    return ~digester.crc;
}

void pv_settings_overlay(const pv *p)
{
    const pv_schema *schema = p->config->schema;
    void *settings = p->config->settings;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        const void *from = pv_resulting(p, i);
        if (from == NULL) {
            /* Cleared, or never set, or fallen back before: that value was not stored again. */
            fall_back(schema, settings, i);
        } else if (from != settings) {
            pv_member_copy(&schema->fields[i], settings, from);
            PV_STATE(settings, i) = PV_IS_SET | PV_IN_FORCE;
        }
    }
}

void pv_drop_staged(pv *p)
{
    pv_wipe(p->config->staged, (size_t)p->config->schema->settings_size);
    p->part_field = PV_NO_FIELD;
}

/* ------------------------------------------------------------------ for the firmware */

bool pv_has(const pv *p, uint16_t field)
{
    return field < p->config->schema->field_count && applies(p->config->settings, field);
}
