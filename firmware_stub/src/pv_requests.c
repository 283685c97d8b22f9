/* SPDX-License-Identifier: MIT */
/*
 * What every board answers [6.1 to 6.7]: hello, the schema, the values, set-field, commit, status,
 * discard, erase. Touches the settings structs through pv_set.c, and of struct pv what it replies with.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ hello, status, schema */

static void put_octets(pv *p, uint8_t key, const void *bytes, size_t size)
{
    pv_put_bytes(pv_put_key(p, key), bytes, size);
}

static void put_null(pv *p, uint8_t key)
{
    pv_put_simple(pv_put_key(p, key), PV_NULL);
}

static uint8_t hello(pv *p)
{
    (void)p;
    return 0;
}

static void put_hello(pv *p)
{
    const pv_config *config = p->config;
    const PV_ROM pv_schema *schema = p->schema;
    pv_put_head(pv_put_key(p, PV_KEY_HELLO_REPLY_VERSIONS), PV_ARRAY, 1);
    pv_put_uint(&p->out, PV_PROTOCOL_VERSION);
    pv_put_words(p, PV_KEY_HELLO_REPLY_FIRMWARE, schema->firmware);
    pv_put_words(p, PV_KEY_HELLO_REPLY_FIRMWARE_VERSION, schema->firmware_version);
    pv_put_words(p, PV_KEY_HELLO_REPLY_BOARD, schema->board);
    put_octets(p, PV_KEY_HELLO_REPLY_UNIT, config->unit_id, config->unit_id_size);
    pv_put_number(p, PV_KEY_HELLO_REPLY_BOOT, config->boot_number);
    pv_put_table(pv_put_key(p, PV_KEY_HELLO_REPLY_SCHEMA_DIGEST), PV_BYTES, schema->digest,
                 sizeof schema->digest);
    pv_put_number(p, PV_KEY_HELLO_REPLY_SCHEMA_SIZE, schema->deflated_size);
    pv_put_number(p, PV_KEY_HELLO_REPLY_LINE, config->line_size - PV_CHECK_SIZE);
    pv_put_number(p, PV_KEY_HELLO_REPLY_CREDIT, config->credit);
    pv_put_number(p, PV_KEY_HELLO_REPLY_COMMIT_TIME, config->commit_time);
    pv_put_number(p, PV_KEY_HELLO_REPLY_ERASE_TIME, config->erase_time);
    pv_put_number(p, PV_KEY_HELLO_REPLY_APPLY_TIME, config->apply_time);
    pv_put_number(p, PV_KEY_HELLO_REPLY_CAPABILITIES, p->capabilities);
    if (p->holds_set) {
        put_octets(p, PV_KEY_HELLO_REPLY_TOKEN, p->token, sizeof p->token);
    } else {
        put_null(p, PV_KEY_HELLO_REPLY_TOKEN);
    }
    if (config->listens != 0) {
        pv_put_number(p, PV_KEY_HELLO_REPLY_LISTENS, pv_left_of(config->listens, pv_now(p) - p->started));
    } else {
        put_null(p, PV_KEY_HELLO_REPLY_LISTENS);
    }
    pv_put_number(p, PV_KEY_HELLO_REPLY_GENERATION, p->generation);
}

static uint8_t status(pv *p)
{
    p->told = p->reported;
    return 0;
}

static void put_status(pv *p)
{
    uint8_t store = pv_store_state(p);
    pv_put_number(p, PV_KEY_STATUS_REPLY_STORE, store);
    pv_put_number(p, PV_KEY_STATUS_REPLY_STAGED, pv_staged_count(p));
    pv_put_number(p, PV_KEY_STATUS_REPLY_RUN, p->told.run);
    if (p->told.step != PV_NO_STEP) {
        pv_put_number(p, PV_KEY_STATUS_REPLY_STEP, p->told.step);
    }
    if (p->told.run == PV_RUN_FAILED) {
        pv_put_number(p, PV_KEY_STATUS_REPLY_REASON, p->told.reason);
        pv_put_field(p, PV_KEY_STATUS_REPLY_FIELD, p->told.field);
    }
    if (p->told.address_size != 0) {
        put_octets(p, PV_KEY_STATUS_REPLY_ADDRESS, p->address, p->told.address_size);
    }
    pv_put_number(p, PV_KEY_STATUS_REPLY_GENERATION, p->generation);
    pv_put_number(p, PV_KEY_STATUS_REPLY_BOOT, p->config->boot_number);
    if (store == PV_STORE_TRIAL) {
        pv_put_number(p, PV_KEY_STATUS_REPLY_TRIAL_LEFT, pv_trial_left(p));
    }
    if (store == PV_STORE_INCOMPLETE && p->defect.other == PV_NO_FIELD) {
        pv_put_field(p, PV_KEY_STATUS_REPLY_MISSING, p->defect.field);
    } else if (store == PV_STORE_INCOMPLETE) {
        const PV_ROM pv_field *fields = p->schema->fields;
        pv_sink *to = pv_put_key(p, PV_KEY_STATUS_REPLY_CONFLICT);
        pv_put_head(to, PV_ARRAY, 2);
        pv_put_text(to, fields[p->defect.field].key);
        pv_put_text(to, fields[p->defect.other].key);
    }
}

static void put_piece(pv *p)
{
    const PV_ROM pv_schema *schema = p->schema;
    uint32_t offset = p->arguments[PV_KEY_GET_SCHEMA_OFFSET].number;
    uint32_t length = p->arguments[PV_KEY_GET_SCHEMA_LENGTH].number;
    uint32_t left = schema->deflated_size - offset;
    pv_put_number(p, PV_KEY_GET_SCHEMA_REPLY_OFFSET, offset);
    pv_put_table(pv_put_key(p, PV_KEY_GET_SCHEMA_REPLY_PIECE), PV_BYTES, schema->deflated + offset,
                 (size_t)(length < left ? length : left));
}

static uint8_t get_schema(pv *p)
{
    uint32_t size = p->schema->deflated_size;
    if (p->arguments[PV_KEY_GET_SCHEMA_OFFSET].number >= size) {
        return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, size);
    }
    return 0;
}

/* ------------------------------------------------------------------ get-values */

PV_STATIC_ASSERT(held_is_the_state, (int)PV_HELD_SET == (int)PV_IS_SET && (int)PV_HELD_FELL_BACK == (int)PV_FELL_BACK);
static void put_value_entry(const pv *p, pv_sink *to, unsigned i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const void *settings = p->settings;
    uint8_t state = PV_STATE(settings, i);
    uint8_t held = state & (PV_IS_SET | PV_FELL_BACK); /* never both */
    bool shown = held != PV_HELD_UNSET && (state & PV_IN_FORCE) != 0 && !pv_is_secret(field);
    pv_put_head(to, PV_ARRAY, 2U + shown);
    pv_put_text(to, field->key);
    pv_put_uint(to, held);
    if (shown && pv_kind_of(field) == PV_KIND_BLOB) {
        pv_put_uint(to, (uint32_t)pv_member_length(field, settings));
    } else if (shown) {
        pv_encode_value(to, field, settings);
    }
}

static void put_values(pv *p)
{
    pv_put_number(p, PV_KEY_GET_VALUES_REPLY_FIRST, p->first);
    pv_put_number(p, PV_KEY_GET_VALUES_REPLY_COUNT, p->count);
    pv_put_page(p, PV_KEY_GET_VALUES_REPLY_ENTRIES, UINT16_MAX, put_value_entry);
}

static uint8_t get_values(pv *p)
{
    p->first = (uint16_t)p->arguments[PV_KEY_GET_VALUES_FIRST].number;
    p->count = p->schema->field_count;
    if (p->first >= p->count) {
        return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, p->count);
    }
    return 0;
}

/* ------------------------------------------------------------------ set-field */

static void put_staged(pv *p)
{
    pv_put_number(p, PV_KEY_SET_FIELD_REPLY_STAGED, pv_staged_count(p));
    if (pv_has_key(p, PV_KEY_SET_FIELD_PART)) {
        pv_put_number(p, PV_KEY_SET_FIELD_REPLY_RECEIVED, p->part_held);
    }
}

void pv_forget_parts(pv *p, uint16_t next)
{
    if (p->part_field == PV_NO_FIELD) {
        return;
    }
    if (p->part_field == next) {
        p->part_field = PV_NO_FIELD;
    } else if (p->part_held < p->part_total) {
        pv_unstage(p, p->part_field);
    }
}

static uint8_t set_whole(pv *p, uint16_t i)
{
    const pv_argument *value = &p->arguments[PV_KEY_SET_FIELD_VALUE];
    uint8_t *staged = p->staged;
    pv_reader from;
    pv_read_memory(&from, value->bytes, (size_t)value->number);
    (void)pv_read_head(&from);
    if (from.major == PV_SIMPLE && from.argument == PV_NULL) {
        pv_fall_back(p, staged, i);
        staged[i] |= PV_IS_STAGED;
    } else {
        const PV_ROM pv_schema *schema = p->schema;
        const PV_ROM pv_field *field = &schema->fields[i];
        uint8_t refusal = (field->flags & PV_KEPT) != 0 ? schema->kept->stage(p, i, &from)
                                                        : pv_decode_value(schema, field, &from, staged);
        if (refusal != 0) {
            return refusal;
        }
        staged[i] = PV_STAGED_VALUE;
    }
    pv_forget_parts(p, i);
    return 0;
}

static uint8_t set_field(pv *p)
{
    const pv_argument *asked = p->arguments;
    bool is_whole = pv_has_key(p, PV_KEY_SET_FIELD_VALUE);
    uint16_t i;
    if (asked[PV_KEY_SET_FIELD_OFFSET].number + asked[PV_KEY_SET_FIELD_PART].number >
        asked[PV_KEY_SET_FIELD_TOTAL].number) { /* of a whole value all are 0 */
        return PV_REFUSE_MALFORMED;
    }
    if (!is_whole && p->config->parts == NULL) {
        return PV_REFUSE_NOT_OFFERED;
    }
    p->names_field = true;
    i = pv_find(p->schema, asked[PV_KEY_SET_FIELD_FIELD].bytes, (size_t)asked[PV_KEY_SET_FIELD_FIELD].number);
    return i == PV_NO_FIELD ? PV_REFUSE_UNKNOWN_FIELD
           : is_whole       ? set_whole(p, i)
                            : p->config->parts(p, i);
}

/* ------------------------------------------------------------------ commit, discard, erase */

static uint8_t commit(pv *p)
{
    uint8_t refusal;
    if (p->arguments[PV_KEY_COMMIT_COUNT].number != pv_staged_count(p) ||
        p->arguments[PV_KEY_COMMIT_DIGEST].number != pv_staged_digest(p)) {
        pv_drop_staged(p);
        return PV_REFUSE_SET_DIFFERS;
    }
    refusal = pv_check_whole(p);
    if (refusal == 0) {
        refusal = p->config->store->commit(p, p->arguments[PV_KEY_COMMIT_TOKEN].bytes);
    }
    if (refusal != 0) {
        return refusal;
    }
    if (p->schema->kept != NULL) {
        p->schema->kept->settle(p);
    }
    pv_settings_overlay(p);
    pv_drop_staged(p);
    p->done = 0;
    p->apply_due = true;
    return 0;
}

static uint8_t discard(pv *p)
{
    pv_drop_staged(p);
    return 0;
}

static uint8_t erase(pv *p)
{
    return pv_generation_changed(p, p->config->store->erase(p));
}

/* ------------------------------------------------------------------ the table */

#define KEYS(name) static const PV_ROM pv_request_key name[]
KEYS(get_schema_keys) = {PV_KEYS_OF_GET_SCHEMA};
KEYS(get_values_keys) = {PV_KEYS_OF_GET_VALUES};
KEYS(set_field_keys) = {PV_KEYS_OF_SET_FIELD};
KEYS(commit_keys) = {PV_KEYS_OF_COMMIT};
KEYS(discard_keys) = {PV_KEYS_OF_DISCARD};
KEYS(erase_keys) = {PV_KEYS_OF_ERASE};

const PV_ROM pv_request pv_every_board[PV_EVERY_BOARD] = {
    {PV_RULES_OF_HELLO, 0, NULL, hello, put_hello},
    {PV_RULES_OF_GET_SCHEMA, PV_COUNT(get_schema_keys), get_schema_keys, get_schema, put_piece},
    {PV_RULES_OF_GET_VALUES, PV_COUNT(get_values_keys), get_values_keys, get_values, put_values},
    {PV_RULES_OF_SET_FIELD, PV_COUNT(set_field_keys), set_field_keys, set_field, put_staged},
    {PV_RULES_OF_COMMIT, PV_COUNT(commit_keys), commit_keys, commit, pv_put_generation},
    {PV_RULES_OF_STATUS, 0, NULL, status, put_status},
    {PV_RULES_OF_DISCARD, PV_COUNT(discard_keys), discard_keys, discard, pv_put_nothing},
    {PV_RULES_OF_ERASE, PV_COUNT(erase_keys), erase_keys, erase, pv_put_generation},
};
