/* SPDX-License-Identifier: MIT */
/*
 * What every board answers [6.1 to 6.7]: hello, the schema, the values, set-field, commit, status,
 * discard, erase. Touches the settings structs through pv_set.c, and of struct pv what it replies with.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ hello, status, schema */

static void put_null(pv_sink *to, uint8_t key)
{
    pv_put_uint(to, key);
    pv_put_simple(to, PV_NULL);
}

static void put_words(pv_sink *to, uint8_t key, const PV_ROM char *text)
{
    pv_put_uint(to, key);
    pv_put_text(to, text);
}

static void put_octets(pv_sink *to, uint8_t key, const void *bytes, size_t size)
{
    pv_put_uint(to, key);
    pv_put_bytes(to, bytes, size);
}

static uint8_t hello(pv *p)
{
    const pv_config *config = p->config;
    const PV_ROM pv_schema *schema = config->schema;
    pv_sink *to = pv_reply(p, 17);
    pv_put_uint(to, PV_KEY_HELLO_REPLY_VERSIONS);
    pv_put_head(to, PV_ARRAY, 1);
    pv_put_uint(to, PV_PROTOCOL_VERSION);
    put_words(to, PV_KEY_HELLO_REPLY_FIRMWARE, schema->firmware);
    put_words(to, PV_KEY_HELLO_REPLY_FIRMWARE_VERSION, schema->firmware_version);
    put_words(to, PV_KEY_HELLO_REPLY_BOARD, schema->board);
    put_octets(to, PV_KEY_HELLO_REPLY_UNIT, config->unit_id, config->unit_id_size);
    pv_put_number(to, PV_KEY_HELLO_REPLY_BOOT, config->boot_number);
    pv_put_uint(to, PV_KEY_HELLO_REPLY_SCHEMA_DIGEST);
    pv_put_table(to, PV_BYTES, schema->digest, sizeof schema->digest);
    pv_put_number(to, PV_KEY_HELLO_REPLY_SCHEMA_SIZE, schema->deflated_size);
    pv_put_number(to, PV_KEY_HELLO_REPLY_LINE, config->line_size - PV_CHECK_SIZE);
    pv_put_number(to, PV_KEY_HELLO_REPLY_CREDIT, config->credit);
    pv_put_number(to, PV_KEY_HELLO_REPLY_COMMIT_TIME, config->commit_time);
    pv_put_number(to, PV_KEY_HELLO_REPLY_ERASE_TIME, config->erase_time);
    pv_put_number(to, PV_KEY_HELLO_REPLY_APPLY_TIME, config->apply_time);
    pv_put_number(to, PV_KEY_HELLO_REPLY_CAPABILITIES, p->capabilities);
    if (p->holds_set) {
        put_octets(to, PV_KEY_HELLO_REPLY_TOKEN, p->token, sizeof p->token);
    } else {
        put_null(to, PV_KEY_HELLO_REPLY_TOKEN);
    }
    if (config->listens != 0) {
        pv_put_number(to, PV_KEY_HELLO_REPLY_LISTENS, pv_left_of(config->listens, pv_now(p) - p->started));
    } else {
        put_null(to, PV_KEY_HELLO_REPLY_LISTENS);
    }
    pv_put_number(to, PV_KEY_HELLO_REPLY_GENERATION, p->generation);
    return pv_reply_end(p);
}

static uint8_t status(pv *p)
{
    const PV_ROM pv_field *fields = p->schema->fields;
    uint8_t store = pv_store_state(p);
    bool failed = p->run == PV_RUN_FAILED;
    bool has_step = p->step != PV_NO_STEP;
    bool has_field = failed && p->fault_field < p->schema->field_count;
    bool has_address = p->address_size != 0;
    bool is_trial = store == PV_STORE_TRIAL;
    bool is_incomplete = store == PV_STORE_INCOMPLETE;
    pv_sink *to =
        pv_reply(p, (uint8_t)(5 + has_step + failed + has_field + has_address + is_trial + is_incomplete));
    pv_put_number(to, PV_KEY_STATUS_REPLY_STORE, store);
    pv_put_number(to, PV_KEY_STATUS_REPLY_STAGED, pv_staged_count(p));
    pv_put_number(to, PV_KEY_STATUS_REPLY_RUN, p->run);
    if (has_step) {
        pv_put_number(to, PV_KEY_STATUS_REPLY_STEP, p->step);
    }
    if (failed) {
        pv_put_number(to, PV_KEY_STATUS_REPLY_REASON, p->reason);
    }
    if (has_field) {
        put_words(to, PV_KEY_STATUS_REPLY_FIELD, fields[p->fault_field].key);
    }
    if (has_address) {
        put_octets(to, PV_KEY_STATUS_REPLY_ADDRESS, p->address, p->address_size);
    }
    pv_put_number(to, PV_KEY_STATUS_REPLY_GENERATION, p->generation);
    pv_put_number(to, PV_KEY_STATUS_REPLY_BOOT, p->config->boot_number);
    if (is_trial) {
        pv_put_number(to, PV_KEY_STATUS_REPLY_TRIAL_LEFT, pv_trial_left(p));
    }
    if (is_incomplete && p->defect.other == PV_NO_FIELD) {
        put_words(to, PV_KEY_STATUS_REPLY_MISSING, fields[p->defect.field].key);
    } else if (is_incomplete) {
        pv_put_uint(to, PV_KEY_STATUS_REPLY_CONFLICT);
        pv_put_head(to, PV_ARRAY, 2);
        pv_put_text(to, fields[p->defect.field].key);
        pv_put_text(to, fields[p->defect.other].key);
    }
    return pv_reply_end(p);
}

static uint8_t get_schema(pv *p)
{
    const PV_ROM pv_schema *schema = p->schema;
    uint32_t offset = p->arguments[PV_KEY_GET_SCHEMA_OFFSET].number;
    uint32_t length = p->arguments[PV_KEY_GET_SCHEMA_LENGTH].number;
    pv_sink *to;
    if (offset >= schema->deflated_size) {
        return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, schema->deflated_size);
    }
    if (length > schema->deflated_size - offset) {
        length = schema->deflated_size - offset;
    }
    to = pv_reply(p, 2);
    pv_put_number(to, PV_KEY_GET_SCHEMA_REPLY_OFFSET, offset);
    pv_put_uint(to, PV_KEY_GET_SCHEMA_REPLY_PIECE);
    pv_put_table(to, PV_BYTES, schema->deflated + offset, (size_t)length);
    return pv_reply_end(p);
}

/* ------------------------------------------------------------------ get-values */

static void put_values_start(const pv *p, pv_sink *to, const pv_page *page)
{
    (void)p;
    pv_put_number(to, PV_KEY_GET_VALUES_REPLY_FIRST, page->first);
    pv_put_number(to, PV_KEY_GET_VALUES_REPLY_COUNT, page->count);
    pv_put_uint(to, PV_KEY_GET_VALUES_REPLY_ENTRIES);
}

static void put_value_entry(const pv *p, pv_sink *to, uint16_t i)
{
    const PV_ROM pv_field *field = &p->schema->fields[i];
    const void *settings = p->settings;
    uint8_t state = PV_STATE(settings, i);
    uint8_t held = (state & PV_IS_SET) != 0      ? PV_HELD_SET
                   : (state & PV_FELL_BACK) != 0 ? PV_HELD_FELL_BACK
                                                 : PV_HELD_UNSET;
    bool shown = held != PV_HELD_UNSET && (state & PV_IN_FORCE) != 0 && !pv_is_secret(field);
    pv_put_head(to, PV_ARRAY, shown ? 3 : 2);
    pv_put_text(to, field->key);
    pv_put_uint(to, held);
    if (shown && pv_kind_of(field) == PV_KIND_BLOB) {
        pv_put_uint(to, (uint32_t)pv_member_length(field, settings));
    } else if (shown) {
        pv_encode_value(to, field, settings);
    }
}

static uint8_t get_values(pv *p)
{
    pv_page page = {put_values_start, put_value_entry, 3, 0, 0, UINT16_MAX, false};
    page.first = (uint16_t)p->arguments[PV_KEY_GET_VALUES_FIRST].number;
    page.count = p->schema->field_count;
    if (page.first >= page.count) {
        return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, page.count);
    }
    return pv_send_page(p, &page);
}

/* ------------------------------------------------------------------ set-field */

uint8_t pv_reply_staged(pv *p, uint16_t received)
{
    pv_sink *to = pv_reply(p, received != 0 ? 2 : 1);
    pv_put_number(to, PV_KEY_SET_FIELD_REPLY_STAGED, pv_staged_count(p));
    if (received != 0) {
        pv_put_number(to, PV_KEY_SET_FIELD_REPLY_RECEIVED, received);
    }
    return pv_reply_end(p);
}

void pv_forget_parts(pv *p, uint16_t next)
{
    if (p->part_field == PV_NO_FIELD) {
        return;
    }
    if (p->part_field == next) {
        p->part_field = PV_NO_FIELD;
    } else if (p->part_held < p->part_total) {
        pv_wipe_staged(p, p->part_field);
        p->part_field = PV_NO_FIELD;
    }
}

static uint8_t set_whole(pv *p, uint16_t i)
{
    uint8_t *staged = p->staged;
    const pv_argument *value = &p->arguments[PV_KEY_SET_FIELD_VALUE];
    pv_reader from;
    pv_read_memory(&from, value->bytes, (size_t)value->number);
    (void)pv_read_head(&from);
    if (from.major == PV_SIMPLE && from.argument == PV_NULL) {
        pv_fall_back(p, staged, i);
        staged[i] |= PV_IS_STAGED;
    } else {
        const PV_ROM pv_field *field = &p->schema->fields[i];
        uint8_t refusal = (field->flags & PV_KEPT) != 0 ? p->schema->kept->stage(p, i, &from)
                                                        : pv_decode_value(p->schema, field, &from, staged);
        if (refusal != 0) {
            return refusal;
        }
        staged[i] = PV_STAGED_VALUE;
    }
    pv_forget_parts(p, i);
    return pv_reply_staged(p, 0);
}

static uint8_t set_field(pv *p)
{
    const pv_argument *key = &p->arguments[PV_KEY_SET_FIELD_FIELD];
    uint16_t i = pv_find(p->schema, key->bytes, (size_t)key->number);
    bool is_whole = pv_has_key(p, PV_KEY_SET_FIELD_VALUE);
    if (p->arguments[PV_KEY_SET_FIELD_OFFSET].number + p->arguments[PV_KEY_SET_FIELD_PART].number >
        p->arguments[PV_KEY_SET_FIELD_TOTAL].number) { /* of a whole value all are 0 */
        return PV_REFUSE_MALFORMED;
    }
    if (!is_whole && p->config->parts == NULL) {
        return PV_REFUSE_NOT_OFFERED;
    }
    p->names_field = true;
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
    return pv_reply_generation(p);
}

static uint8_t discard(pv *p)
{
    pv_drop_staged(p);
    return pv_reply_empty(p);
}

static uint8_t erase(pv *p)
{
    uint32_t before = p->generation;
    return pv_generation_changed(p, before, p->config->store->erase(p));
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
    {PV_RULES_OF_HELLO, 0, NULL, hello},
    {PV_RULES_OF_GET_SCHEMA, PV_COUNT(get_schema_keys), get_schema_keys, get_schema},
    {PV_RULES_OF_GET_VALUES, PV_COUNT(get_values_keys), get_values_keys, get_values},
    {PV_RULES_OF_SET_FIELD, PV_COUNT(set_field_keys), set_field_keys, set_field},
    {PV_RULES_OF_COMMIT, PV_COUNT(commit_keys), commit_keys, commit},
    {PV_RULES_OF_STATUS, 0, NULL, status},
    {PV_RULES_OF_DISCARD, PV_COUNT(discard_keys), discard_keys, discard},
    {PV_RULES_OF_ERASE, PV_COUNT(erase_keys), erase_keys, erase},
};
