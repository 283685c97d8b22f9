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

static void fall_back(const pv_schema *schema, void *settings, uint16_t i)
{
    const pv_field *field = &schema->fields[i];
    PV_STATE(settings, i) = 0;
    if ((field->flags & PV_HAS_DEFAULT) != 0) {
        pv_member_copy(field, settings, schema->defaults);
        PV_STATE(settings, i) = PV_IN_FORCE;
    } else {
        pv_member_wipe(field, settings);
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

static bool is_set(const pv *p, void *set, uint16_t i)
{
    return set != NULL ? (PV_STATE(set, i) & PV_IS_SET) != 0 : pv_resulting(p, i) != NULL;
}

/* The struct that has the value in force, or NULL. `set` as of pv_judge. */
static const void *in_force(const pv *p, void *set, uint16_t i)
{
    const pv_schema *schema = p->config->schema;
    const void *stored;
    if (set != NULL) {
        return (PV_STATE(set, i) & PV_IN_FORCE) != 0 ? set : NULL;
    }
    stored = pv_resulting(p, i);
    if (stored == NULL && (schema->fields[i].flags & PV_HAS_DEFAULT) != 0) {
        return schema->defaults;
    }
    return stored;
}

static bool holds(const pv *p, void *set, const uint8_t *states, const pv_condition *condition)
{
    const void *from;
    int32_t value;
    uint8_t i;
    if (condition == NULL) {
        return true;
    }
    from = in_force(p, set, condition->field);
    if ((states[condition->field] & PV_IS_ACTIVE) == 0 || from == NULL) {
        return false;
    }
    if (condition->count == 0) {
        return true;
    }
    value = pv_number(&p->config->schema->fields[condition->field], from);
    for (i = 0; i < condition->count; i++) {
        if (condition->values[i] == value) {
            return true;
        }
    }
    return false;
}

/* Whether the instance that begins with field i is in use [8.3]. */
static bool in_use(const pv *p, void *set, uint16_t i)
{
    const pv_schema *schema = p->config->schema;
    uint8_t instance = schema->fields[i].instance;
    if (instance == 0) {
        return true;
    }
    for (; i < schema->field_count && schema->fields[i].instance == instance; i++) {
        if (is_set(p, set, i)) {
            return true;
        }
    }
    return false;
}

/* The pin of an active pin field, -1 if it is none or has none. `set` as of pv_judge. */
static int32_t pin_of(const pv *p, void *set, const uint8_t *states, uint16_t i)
{
    const pv_field *field = &p->config->schema->fields[i];
    const void *from;
    if (pv_kind_of(field) != PV_KIND_PIN || (states[i] & PV_IS_ACTIVE) == 0) {
        return -1;
    }
    from = in_force(p, set, i);
    return from == NULL ? -1 : pv_number(field, from);
}

/* The first two active fields that have one pin and do not both share it. */
static pv_defect conflict(const pv *p, void *set, const uint8_t *states)
{
    const pv_schema *schema = p->config->schema;
    pv_defect found = {PV_NO_FIELD, PV_NO_FIELD};
    uint16_t i;
    uint16_t k;
    for (i = 0; i < schema->field_count; i++) {
        int32_t pin = pin_of(p, set, states, i);
        for (k = 0; pin >= 0 && k < i; k++) {
            if (pin_of(p, set, states, k) == pin &&
                (schema->fields[i].flags & schema->fields[k].flags & PV_SHARES) == 0) {
                found.field = i;
                found.other = k;
                return found;
            }
        }
    }
    return found;
}

pv_defect pv_judge(const pv *p, void *set)
{
    const pv_schema *schema = p->config->schema;
    uint8_t *states = set != NULL ? set : p->config->staged;
    pv_defect missing = {PV_NO_FIELD, PV_NO_FIELD};
    bool used = true;
    uint16_t i;
    for (i = 0; i < schema->field_count; i++) {
        const pv_field *field = &schema->fields[i];
        if (i == 0 || field->instance != schema->fields[i - 1].instance) {
            used = in_use(p, set, i);
        }
        states[i] = (uint8_t)(states[i] & ~PV_IS_ACTIVE);
        if (used && holds(p, set, states, field->condition)) {
            states[i] |= PV_IS_ACTIVE;
            if (missing.field == PV_NO_FIELD && (field->flags & PV_REQUIRED) != 0 &&
                in_force(p, set, i) == NULL) {
                missing.field = i;
            }
        }
    }
    return missing.field != PV_NO_FIELD ? missing : conflict(p, set, states);
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
    defect = pv_judge(p, NULL);
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
    const uint8_t both = PV_IS_ACTIVE | PV_IN_FORCE;
    return field < p->config->schema->field_count &&
           (PV_STATE(p->config->settings, field) & both) == both;
}
