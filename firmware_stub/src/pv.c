/* SPDX-License-Identifier: MIT */
/* The conversation: which request is answered how [4 to 7], and what time brings about. */
#include <string.h>

#include "pv_internal.h"

/* What the table says about each request [11.1]. */
typedef struct request_rule {
    uint8_t type;
    uint8_t stores;  /* bit n: legal while the store is in state n */
    uint8_t staged;  /* bit 0: legal with nothing staged, bit 1: with something */
    uint8_t changes;
    uint16_t needs;
} request_rule;

#define RULE(name, number, stores, staged, needs, changes) {number, stores, staged, changes, needs},
static const request_rule rules[] = {PV_REQUESTS(RULE)};
enum { RULE_COUNT = sizeof rules / sizeof rules[0] };

/* A key of a request's body, and what its value must be [11.2]. */
typedef struct key_form {
    uint8_t type;
    uint8_t key;
    uint8_t major;     /* or PV_ANY */
    uint8_t required;
    uint32_t least;    /* value of an integer, length of text and bytes */
    uint32_t most;
} key_form;

enum { PV_ANY = 0xFF, TOKEN_SIZE = 8 };

#define FORM(request, key, form, required, least, most) \
    {PV_MSG_##request, PV_KEY_##request##_##key, PV_##form, required, least, most},
static const key_form forms[] = {PV_REQUEST_KEYS(FORM)};
enum { FORM_COUNT = sizeof forms / sizeof forms[0] };

/* The value of a key: of text and bytes the argument is the length. */
typedef struct argument {
    uint32_t number;
    const uint8_t *bytes;
} argument;

typedef struct request {
    uint16_t id;
    uint8_t type;
    uint8_t present;              /* bit n: key n */
    argument arguments[PV_LARGEST_REQUEST_KEY + 1]; /* by key; of `value` the bytes are the item */

    /* Of a refusal [7.1]. */
    bool has_detail;
    uint32_t detail;
    const uint8_t *field;  /* or NULL */
    size_t field_size;
    const char *other;     /* or NULL */
} request;

/* ------------------------------------------------------------------ small things */

static uint32_t now(const pv *p)
{
    return p->config->clock(p->config->context);
}

static bool has(const pv *p, uint16_t capability)
{
    return (p->capabilities & capability) == capability;
}

static bool is_present(const request *r, uint8_t key)
{
    return (r->present >> key & 1) != 0;
}

static bool on_trial(const pv *p)
{
    return p->storage.holds_set && p->storage.starts_left != 0 && has(p, PV_CAN_TRIAL);
}

uint8_t pv_store_state(const pv *p)
{
    return !p->storage.holds_set            ? PV_STORE_EMPTY
           : on_trial(p)                    ? PV_STORE_TRIAL
           : p->defect.field != PV_NO_FIELD ? PV_STORE_INCOMPLETE
                                            : PV_STORE_COMPLETE;
}

/* Whether the set in force can be put into use. */
static bool is_complete(const pv *p)
{
    return p->storage.holds_set && p->defect.field == PV_NO_FIELD;
}

static uint32_t left_of(uint32_t span, uint32_t elapsed)
{
    return elapsed < span ? span - elapsed : 0;
}

static uint32_t trial_left(const pv *p)
{
    return left_of(p->config->schema->trial_seconds * 1000UL, now(p) - p->in_force);
}

/* ------------------------------------------------------------------ replies */

static void put_envelope(pv_sink *to, uint8_t type, uint16_t id, uint8_t pairs)
{
    pv_put_head(to, PV_ARRAY, 4);
    pv_put_uint(to, PV_PROTOCOL_VERSION);
    pv_put_uint(to, type);
    pv_put_uint(to, id);
    pv_put_head(to, PV_MAP, pairs);
}

static pv_sink *begin_reply(pv *p, const request *r, uint8_t pairs)
{
    pv_sink *to = pv_line_begin(p);
    put_envelope(to, (uint8_t)(r->type + 1), r->id, pairs);
    return to;
}

static void put_number(pv_sink *to, uint8_t key, uint32_t value)
{
    pv_put_uint(to, key);
    pv_put_uint(to, value);
}

static void put_words(pv_sink *to, uint8_t key, const char *text)
{
    pv_put_uint(to, key);
    pv_put_text(to, text);
}

static void put_octets(pv_sink *to, uint8_t key, const void *bytes, size_t size)
{
    pv_put_uint(to, key);
    pv_put_bytes(to, bytes, size);
}

static void put_versions(pv_sink *to)
{
    pv_put_head(to, PV_ARRAY, 1);
    pv_put_uint(to, PV_PROTOCOL_VERSION);
}

static void reply_empty(pv *p, const request *r)
{
    (void)begin_reply(p, r, 0);
    pv_line_end(p);
}

/* The reply to commit, undo, erase and confirm: in each of them the key is the same. */
static void reply_generation(pv *p, const request *r)
{
    pv_sink *to = begin_reply(p, r, 1);
    put_number(to, PV_KEY_COMMIT_REPLY_GENERATION, p->storage.generation);
    pv_line_end(p);
}

static void refuse(pv *p, const request *r, uint8_t code)
{
    bool has_supported = code == PV_REFUSE_UNSUPPORTED_VERSION || code == PV_REFUSE_UNKNOWN_TYPE;
    uint8_t pairs = (uint8_t)(1 + (r->field != NULL) + r->has_detail + (r->other != NULL) + has_supported);
    pv_sink *to = pv_line_begin(p);
    put_envelope(to, PV_MSG_REFUSAL, r->id, pairs);
    put_number(to, PV_KEY_REFUSAL_CODE, code);
    if (r->field != NULL) {
        pv_put_uint(to, PV_KEY_REFUSAL_FIELD);
        pv_put_head(to, PV_TEXT, (uint32_t)r->field_size);
        to->take(to, r->field, r->field_size);
    }
    if (r->has_detail) {
        put_number(to, PV_KEY_REFUSAL_DETAIL, r->detail);
    }
    if (r->other != NULL) {
        put_words(to, PV_KEY_REFUSAL_OTHER, r->other);
    }
    if (has_supported) {
        pv_put_uint(to, PV_KEY_REFUSAL_SUPPORTED);
        if (code == PV_REFUSE_UNKNOWN_TYPE) {
            uint8_t i;
            pv_put_head(to, PV_ARRAY, RULE_COUNT);
            for (i = 0; i < RULE_COUNT; i++) {
                pv_put_uint(to, rules[i].type);
            }
        } else {
            put_versions(to);
        }
    }
    pv_line_end(p);
}

static uint8_t with_detail(request *r, uint8_t code, uint32_t detail)
{
    r->has_detail = true;
    r->detail = detail;
    return code;
}

/* ------------------------------------------------------------------ hello, status, schema */

static void hello(pv *p, const request *r)
{
    const pv_config *config = p->config;
    const pv_schema *schema = config->schema;
    pv_sink *to = begin_reply(p, r, 17);
    pv_put_uint(to, PV_KEY_HELLO_REPLY_VERSIONS);
    put_versions(to);
    put_words(to, PV_KEY_HELLO_REPLY_FIRMWARE, schema->firmware);
    put_words(to, PV_KEY_HELLO_REPLY_FIRMWARE_VERSION, schema->firmware_version);
    put_words(to, PV_KEY_HELLO_REPLY_BOARD, schema->board);
    put_octets(to, PV_KEY_HELLO_REPLY_UNIT, config->unit_id, config->unit_id_size);
    put_number(to, PV_KEY_HELLO_REPLY_BOOT, config->boot_number);
    put_octets(to, PV_KEY_HELLO_REPLY_SCHEMA_DIGEST, schema->digest, sizeof schema->digest);
    put_number(to, PV_KEY_HELLO_REPLY_SCHEMA_SIZE, schema->deflated_size);
    put_number(to, PV_KEY_HELLO_REPLY_LINE, config->line_size - PV_CHECK_SIZE);
    put_number(to, PV_KEY_HELLO_REPLY_CREDIT, config->credit);
    put_number(to, PV_KEY_HELLO_REPLY_COMMIT_TIME, config->commit_time);
    put_number(to, PV_KEY_HELLO_REPLY_ERASE_TIME, config->erase_time);
    put_number(to, PV_KEY_HELLO_REPLY_APPLY_TIME, config->apply_time);
    put_number(to, PV_KEY_HELLO_REPLY_CAPABILITIES, p->capabilities);
    if (p->storage.holds_set) {
        put_octets(to, PV_KEY_HELLO_REPLY_TOKEN, p->storage.token, TOKEN_SIZE);
    } else {
        pv_put_uint(to, PV_KEY_HELLO_REPLY_TOKEN);
        pv_put_simple(to, PV_NULL);
    }
    if (config->listens != 0) {
        put_number(to, PV_KEY_HELLO_REPLY_LISTENS, left_of(config->listens, now(p) - p->started));
    } else {
        pv_put_uint(to, PV_KEY_HELLO_REPLY_LISTENS);
        pv_put_simple(to, PV_NULL);
    }
    put_number(to, PV_KEY_HELLO_REPLY_GENERATION, p->storage.generation);
    pv_line_end(p);
}

/* What p->step is until the firmware reports. */
enum { NO_STEP = 0xFF };

static void status(pv *p, const request *r)
{
    uint8_t store = pv_store_state(p);
    bool failed = p->run == PV_RUN_FAILED;
    bool has_step = p->step != NO_STEP;
    bool has_field = failed && p->fault_field < p->config->schema->field_count;
    bool has_address = p->address_size != 0;
    bool is_trial = store == PV_STORE_TRIAL;
    bool is_incomplete = store == PV_STORE_INCOMPLETE;
    const pv_field *fields = p->config->schema->fields;
    pv_sink *to = begin_reply(p, r,
                (uint8_t)(5 + has_step + failed + has_field + has_address + is_trial + is_incomplete));
    put_number(to, PV_KEY_STATUS_REPLY_STORE, store);
    put_number(to, PV_KEY_STATUS_REPLY_STAGED, pv_staged_count(p));
    put_number(to, PV_KEY_STATUS_REPLY_RUN, p->run);
    if (has_step) {
        put_number(to, PV_KEY_STATUS_REPLY_STEP, p->step);
    }
    if (failed) {
        put_number(to, PV_KEY_STATUS_REPLY_REASON, p->reason);
    }
    if (has_field) {
        put_words(to, PV_KEY_STATUS_REPLY_FIELD, fields[p->fault_field].key);
    }
    if (has_address) {
        put_octets(to, PV_KEY_STATUS_REPLY_ADDRESS, p->address, p->address_size);
    }
    put_number(to, PV_KEY_STATUS_REPLY_GENERATION, p->storage.generation);
    put_number(to, PV_KEY_STATUS_REPLY_BOOT, p->config->boot_number);
    if (is_trial) {
        put_number(to, PV_KEY_STATUS_REPLY_TRIAL_LEFT, trial_left(p));
    }
    if (is_incomplete && p->defect.other == PV_NO_FIELD) {
        put_words(to, PV_KEY_STATUS_REPLY_MISSING, fields[p->defect.field].key);
    } else if (is_incomplete) {
        pv_put_uint(to, PV_KEY_STATUS_REPLY_CONFLICT);
        pv_put_head(to, PV_ARRAY, 2);
        pv_put_text(to, fields[p->defect.field].key);
        pv_put_text(to, fields[p->defect.other].key);
    }
    pv_line_end(p);
}

static uint8_t get_schema(pv *p, request *r)
{
    pv_sink *to;
    const pv_schema *schema = p->config->schema;
    uint32_t offset = r->arguments[PV_KEY_GET_SCHEMA_OFFSET].number;
    uint32_t length = r->arguments[PV_KEY_GET_SCHEMA_LENGTH].number;
    if (offset >= schema->deflated_size) {
        return with_detail(r, PV_REFUSE_OUT_OF_BOUNDS, schema->deflated_size);
    }
    if (length > schema->deflated_size - offset) {
        length = schema->deflated_size - offset;
    }
    to = begin_reply(p, r, 2);
    put_number(to, PV_KEY_GET_SCHEMA_REPLY_OFFSET, offset);
    put_octets(to, PV_KEY_GET_SCHEMA_REPLY_PIECE, schema->deflated + offset, (size_t)length);
    pv_line_end(p);
    return 0;
}

/* ------------------------------------------------------------------ pages: values, networks */

/* Entries of a page, from `first` on, of so many that there are. */
typedef struct page_plan {
    void (*put_start)(const pv *p, pv_sink *to, const request *r, const struct page_plan *page);
    void (*put_entry)(const pv *p, pv_sink *to, uint16_t number);
    uint16_t first;
    uint16_t count;
    uint16_t most;  /* in one reply */
    bool done;
} page_plan;

/* Sends as many entries as fit: they are measured first, since their number goes before them. */
static void send_page(pv *p, const request *r, const page_plan *page)
{
    pv_sink *to;
    uint16_t entries = 0;
    uint16_t i;
    pv_counter counter;
    pv_count_begin(&counter);
    page->put_start(p, &counter.sink, r, page);
    while (entries < page->most && page->first + entries < page->count) {
        page->put_entry(p, &counter.sink, (uint16_t)(page->first + entries));
        /* From 24 on the number itself takes two bytes; more than 255 entries never fit. */
        if (counter.size + (entries + 1 < 24 ? 1 : 2) > PV_LARGEST_ITEM) {
            break;
        }
        entries++;
    }
    to = pv_line_begin(p);
    page->put_start(p, to, r, page);
    pv_put_head(to, PV_ARRAY, entries);
    for (i = 0; i < entries; i++) {
        page->put_entry(p, to, (uint16_t)(page->first + i));
    }
    pv_line_end(p);
}

static void put_values_start(const pv *p, pv_sink *to, const request *r, const page_plan *page)
{
    (void)p;
    put_envelope(to, PV_MSG_GET_VALUES_REPLY, r->id, 3);
    put_number(to, PV_KEY_GET_VALUES_REPLY_FIRST, page->first);
    put_number(to, PV_KEY_GET_VALUES_REPLY_COUNT, page->count);
    pv_put_uint(to, PV_KEY_GET_VALUES_REPLY_ENTRIES);
}

static void put_value_entry(const pv *p, pv_sink *to, uint16_t i)
{
    const pv_field *field = &p->config->schema->fields[i];
    const void *settings = p->config->settings;
    uint8_t state = PV_STATE(settings, i);
    uint8_t held = (state & PV_IS_SET) != 0      ? PV_HELD_SET
                   : (state & PV_FELL_BACK) != 0 ? PV_HELD_FELL_BACK
                                                 : PV_HELD_UNSET;
    bool shown = held != PV_HELD_UNSET && (state & PV_IN_FORCE) != 0 && !pv_is_secret(field);
    pv_put_head(to, PV_ARRAY, shown ? 3 : 2);
    pv_put_text(to, field->key);
    pv_put_uint(to, held);
    if (shown) {
        if (pv_kind_of(field) == PV_KIND_BLOB) {
            pv_put_uint(to, (uint32_t)pv_member_length(field, settings));
        } else {
            pv_encode_value(to, field, settings);
        }
    }
}

static uint8_t get_values(pv *p, request *r)
{
    page_plan page = {put_values_start, put_value_entry, 0, 0, UINT16_MAX, false};
    page.first = (uint16_t)r->arguments[PV_KEY_GET_VALUES_FIRST].number;
    page.count = p->config->schema->field_count;
    if (page.first >= page.count) {
        return with_detail(r, PV_REFUSE_OUT_OF_BOUNDS, page.count);
    }
    send_page(p, r, &page);
    return 0;
}

static void put_networks_start(const pv *p, pv_sink *to, const request *r, const page_plan *page)
{
    put_envelope(to, PV_MSG_SURVEY_REPLY, r->id, 5);
    put_number(to, PV_KEY_SURVEY_REPLY_SCAN, p->scan);
    pv_put_uint(to, PV_KEY_SURVEY_REPLY_DONE);
    pv_put_simple(to, page->done ? PV_TRUE : PV_FALSE);
    put_number(to, PV_KEY_SURVEY_REPLY_COUNT, page->count);
    put_number(to, PV_KEY_SURVEY_REPLY_FIRST, page->first);
    pv_put_uint(to, PV_KEY_SURVEY_REPLY_NETWORKS);
}

static void put_network(const pv *p, pv_sink *to, uint16_t i)
{
    pv_network network;
    memset(&network, 0, sizeof network);
    p->config->survey->get(p->config->context, (uint8_t)i, &network);
    pv_put_head(to, PV_ARRAY, 3);
    pv_put_bytes(to, network.name, network.length <= sizeof network.name ? network.length : sizeof network.name);
    pv_put_int(to, network.signal <= 0 ? network.signal : 0);
    pv_put_uint(to, network.security);
}

static uint8_t survey(pv *p, request *r)
{
    const pv_survey *port = p->config->survey;
    void *context = p->config->context;
    page_plan page = {put_networks_start, put_network, 0, 0, PV_MAX_NETWORKS, true};
    page.first = (uint16_t)r->arguments[PV_KEY_SURVEY_FIRST].number;
    if (p->scan != 0) {
        page.count = port->count(context, &page.done);
    }
    if (is_present(r, PV_KEY_SURVEY_SCAN)) {
        if (r->arguments[PV_KEY_SURVEY_SCAN].number != p->scan) {
            return with_detail(r, PV_REFUSE_OUT_OF_BOUNDS, page.count);
        }
    } else if (page.done) {
        if (page.first != 0) { /* a new scan has found nothing yet, and a refusal starts none */
            return with_detail(r, PV_REFUSE_OUT_OF_BOUNDS, 0);
        }
        p->scan = p->scan == UINT8_MAX ? 1 : (uint8_t)(p->scan + 1);
        port->start(context);
        page.count = port->count(context, &page.done);
    }
    if (page.first > page.count) {
        return with_detail(r, PV_REFUSE_OUT_OF_BOUNDS, page.count);
    }
    send_page(p, r, &page);
    return 0;
}

/* ------------------------------------------------------------------ set-field */

static void reply_staged(pv *p, const request *r, uint16_t received)
{
    pv_sink *to = begin_reply(p, r, received != 0 ? 2 : 1);
    put_number(to, PV_KEY_SET_FIELD_REPLY_STAGED, pv_staged_count(p));
    if (received != 0) {
        put_number(to, PV_KEY_SET_FIELD_REPLY_RECEIVED, received);
    }
    pv_line_end(p);
}

/* Forgets parts, save those that field `next` is about to overwrite, and those that are a whole value:
 * they stay, so that the repeat of the last one is known. */
static void forget_incomplete_parts(pv *p, uint16_t next)
{
    if (p->part_field == PV_NO_FIELD) {
        return;
    }
    if (p->part_field == next) {
        p->part_field = PV_NO_FIELD;
    } else if (p->part_held < p->part_total) {
        pv_member_wipe(&p->config->schema->fields[p->part_field], p->config->staged);
        p->part_field = PV_NO_FIELD;
    }
}

static uint8_t set_whole(pv *p, const request *r, uint16_t i)
{
    const pv_schema *schema = p->config->schema;
    void *staged = p->config->staged;
    const argument *value = &r->arguments[PV_KEY_SET_FIELD_VALUE];
    pv_reader from;
    pv_head head;
    pv_read_memory(&from, value->bytes, (size_t)value->number);
    (void)pv_read_head(&from, &head);
    if (head.major == PV_SIMPLE && head.argument == PV_NULL) {
        pv_member_wipe(&schema->fields[i], staged);
        PV_STATE(p->config->staged, i) = PV_IS_STAGED | PV_IS_CLEARED;
    } else {
        uint8_t refusal;
        pv_read_memory(&from, value->bytes, (size_t)value->number);
        refusal = pv_decode_value(schema, &schema->fields[i], &from, staged);
        if (refusal != 0) {
            return refusal;
        }
        PV_STATE(p->config->staged, i) = PV_IS_STAGED;
    }
    forget_incomplete_parts(p, i);
    reply_staged(p, r, 0);
    return 0;
}

/* Forgets what is held of a field, whole or in parts. */
static void unstage(pv *p, uint16_t i)
{
    pv_member_wipe(&p->config->schema->fields[i], p->config->staged);
    PV_STATE(p->config->staged, i) = 0;
    if (p->part_field == i) {
        p->part_field = PV_NO_FIELD;
    }
}

static uint8_t set_part(pv *p, request *r, uint16_t i)
{
    const pv_schema *schema = p->config->schema;
    const pv_field *field = &schema->fields[i];
    void *staged = p->config->staged;
    uint16_t offset = (uint16_t)r->arguments[PV_KEY_SET_FIELD_OFFSET].number;
    uint16_t total = (uint16_t)r->arguments[PV_KEY_SET_FIELD_TOTAL].number;
    const argument *part = &r->arguments[PV_KEY_SET_FIELD_PART];
    uint16_t size = (uint16_t)part->number;
    uint16_t end = (uint16_t)(offset + size); /* at most total */
    uint16_t held = 0;
    bool came_before;
    uint8_t *bytes;
    if (field->kind->layout != PV_AS_TEXT && field->kind->layout != PV_AS_BYTES) {
        return PV_REFUSE_WRONG_KIND;
    }
    if (total > field->maximum) {
        return PV_REFUSE_LENGTH;
    }
    bytes = pv_member_bytes(field, staged);
    if (p->part_field == i && p->part_total == total) {
        held = p->part_held;
    }
    /* What a part of a secret contains is compared with nothing: the answer would tell a guess. */
    came_before = pv_is_secret(field)
                      ? offset != 0 && offset == p->part_last && end == held
                      : end <= held && memcmp(bytes + offset, part->bytes, size) == 0;
    if (!came_before) {
        if (offset == 0) {
            forget_incomplete_parts(p, i);
            unstage(p, i);
            p->part_field = i;
            p->part_total = total;
        } else if (offset != held) {
            if (pv_is_secret(field)) {
                unstage(p, i);
                held = 0;
            }
            return with_detail(r, PV_REFUSE_GAP, held);
        }
        memcpy(bytes + offset, part->bytes, size);
        held = end;
        p->part_held = held;
        p->part_last = offset;
        if (held == total) {
            uint8_t refusal = pv_check_bytes(schema, field, bytes, total);
            if (refusal != 0) {
                unstage(p, i);
                return refusal;
            }
            pv_member_close(field, staged, total);
            PV_STATE(p->config->staged, i) = PV_IS_STAGED;
        }
    }
    reply_staged(p, r, held);
    return 0;
}

static uint8_t set_field(pv *p, request *r)
{
    const argument *key = &r->arguments[PV_KEY_SET_FIELD_FIELD];
    size_t key_size = (size_t)key->number;
    uint16_t i = pv_find(p->config->schema, key->bytes, key_size);
    uint8_t refusal;
    if (r->arguments[PV_KEY_SET_FIELD_OFFSET].number + r->arguments[PV_KEY_SET_FIELD_PART].number >
        r->arguments[PV_KEY_SET_FIELD_TOTAL].number) { /* of a whole value all are 0 */
        return PV_REFUSE_MALFORMED;
    }
    if (i == PV_NO_FIELD) {
        refusal = PV_REFUSE_UNKNOWN_FIELD;
    } else if (is_present(r, PV_KEY_SET_FIELD_VALUE)) {
        refusal = set_whole(p, r, i);
    } else {
        refusal = set_part(p, r, i);
    }
    if (refusal != 0) {
        r->field = key->bytes;
        r->field_size = key_size;
    }
    return refusal;
}

/* ------------------------------------------------------------------ what becomes durable */

static uint8_t commit(pv *p, request *r)
{
    const pv_schema *schema = p->config->schema;
    uint16_t field;
    uint16_t other;
    uint8_t refusal;
    if (r->arguments[PV_KEY_COMMIT_COUNT].number != pv_staged_count(p) ||
        r->arguments[PV_KEY_COMMIT_DIGEST].number != pv_staged_digest(p)) {
        pv_drop_staged(p);
        return PV_REFUSE_SET_DIFFERS;
    }
    refusal = pv_check_whole(p, &field, &other);
    if (refusal != 0) {
        r->field = (const uint8_t *)schema->fields[field].key;
        r->field_size = strlen(schema->fields[field].key);
        r->other = other != PV_NO_FIELD ? schema->fields[other].key : NULL;
        return refusal;
    }
    refusal = pv_store_commit(p, r->arguments[PV_KEY_COMMIT_TOKEN].bytes);
    if (refusal != 0) {
        return refusal;
    }
    pv_settings_overlay(p);
    p->defect = pv_judge(p->config->schema, p->config->settings);
    pv_drop_staged(p);
    p->done = 0;
    p->apply_due = true;
    reply_generation(p, r);
    return 0;
}

/* Undo, erase and confirm. */
static uint8_t change_generation(pv *p, request *r)
{
    uint32_t before = p->storage.generation;
    uint8_t refusal;
    if (r->type == PV_MSG_UNDO) {
        refusal = pv_store_undo(p);
    } else if (r->type == PV_MSG_ERASE) {
        refusal = pv_store_erase(p);
    } else {
        refusal = pv_store_confirm(p);
    }
    if (p->storage.generation != before) { /* of an erase even if it failed at a later slot */
        p->done = 0;
        p->apply_due = r->type != PV_MSG_CONFIRM;
        if (p->apply_due) { /* the settings are others now; of an undo only parts can be staged */
            pv_drop_staged(p);
        }
    }
    if (refusal != 0) {
        return refusal;
    }
    p->done = r->type;
    p->done_named = before;
    reply_generation(p, r);
    return 0;
}

static uint8_t restart(pv *p, const request *r)
{
    reply_empty(p, r);
    pv_drop_staged(p);
    p->config->restart(p->config->context);
    return 0;
}

/* ------------------------------------------------------------------ checks in the order of 4.3 */

static const request_rule *rule_of(uint8_t type)
{
    uint8_t i;
    for (i = 0; i < RULE_COUNT; i++) {
        if (rules[i].type == type) {
            return &rules[i];
        }
    }
    return NULL;
}

static const key_form *form_of(uint8_t type, uint32_t key)
{
    uint8_t i;
    for (i = 0; i < FORM_COUNT; i++) {
        if (forms[i].type == type && forms[i].key == key) {
            return &forms[i];
        }
    }
    return NULL;
}

/* The next head of an item that was checked whole: it is there, and so are the bytes behind it. */
static pv_head next_head(pv_reader *from)
{
    pv_head head = {0, 0};
    (void)pv_read_head(from, &head);
    return head;
}

/* Reads the value of a known key; false if it has not the form. */
static bool read_argument(request *r, const key_form *form, pv_reader *from)
{
    argument *to = &r->arguments[form->key];
    const uint8_t *start = from->memory;
    pv_head head = next_head(from);
    to->number = head.argument;
    to->bytes = from->memory;
    r->present = (uint8_t)(r->present | 1U << form->key);
    if (head.major == PV_BYTES || head.major == PV_TEXT) {
        (void)pv_read(from, NULL, head.argument);
    }
    if (form->major == PV_ANY) {
        to->bytes = start;
        to->number = (uint32_t)(from->memory - start);
        return head.major != PV_ARRAY && head.major != PV_MAP;
    }
    return head.major == form->major && head.argument >= form->least && head.argument <= form->most;
}

static bool has_form(request *r, pv_reader *from, uint32_t pairs)
{
    uint8_t i;
    while (pairs-- != 0) {
        uint32_t key = next_head(from).argument;
        const key_form *form = form_of(r->type, key);
        if (form == NULL) {
            if (key < PV_SKIPPABLE_FROM) {
                return false;
            }
            (void)pv_skip_value(from);
        } else if (!read_argument(r, form, from)) {
            return false;
        }
    }
    for (i = 0; i < FORM_COUNT; i++) {
        if (forms[i].type == r->type && forms[i].required != 0 && !is_present(r, forms[i].key)) {
            return false;
        }
    }
    if (r->type == PV_MSG_SET_FIELD) {
        const uint8_t in_parts =
            1U << PV_KEY_SET_FIELD_OFFSET | 1U << PV_KEY_SET_FIELD_TOTAL | 1U << PV_KEY_SET_FIELD_PART;
        uint8_t how = (uint8_t)(r->present & ~(1U << PV_KEY_SET_FIELD_FIELD));
        return how == 1U << PV_KEY_SET_FIELD_VALUE || how == in_parts;
    }
    return true;
}

/* Whether the request was done before, and its reply lost [6.5, 6.7]. */
static bool is_repeat(const pv *p, const request *r)
{
    if (r->type == PV_MSG_COMMIT) {
        return p->storage.holds_set &&
               memcmp(r->arguments[PV_KEY_COMMIT_TOKEN].bytes, p->storage.token, TOKEN_SIZE) == 0;
    }
    return p->done != 0 && r->type == p->done &&
           r->arguments[PV_KEY_UNDO_GENERATION].number == p->done_named;
}

/* Whether the request names the present generation, or boot number, if it names one at all. */
static uint8_t check_named(const pv *p, request *r)
{
    uint32_t present;
    switch (r->type) {
    case PV_MSG_DISCARD:
    case PV_MSG_RESTART:
        present = p->config->boot_number;
        break;
    case PV_MSG_UNDO:
    case PV_MSG_ERASE:
    case PV_MSG_CONFIRM:
        present = p->storage.generation;
        break;
    default:
        return 0;
    }
    /* Each of them has it as its first key. */
    return r->arguments[PV_KEY_DISCARD_BOOT].number == present ? 0
                                                               : with_detail(r, PV_REFUSE_MOVED_ON, present);
}

static uint8_t carry_out(pv *p, request *r)
{
    switch (r->type) {
    case PV_MSG_HELLO:
        hello(p, r);
        return 0;
    case PV_MSG_GET_SCHEMA:
        return get_schema(p, r);
    case PV_MSG_GET_VALUES:
        return get_values(p, r);
    case PV_MSG_SET_FIELD:
        return set_field(p, r);
    case PV_MSG_COMMIT:
        return commit(p, r);
    case PV_MSG_STATUS:
        status(p, r);
        return 0;
    case PV_MSG_DISCARD:
        pv_drop_staged(p);
        reply_empty(p, r);
        return 0;
    case PV_MSG_UNDO:
    case PV_MSG_ERASE:
    case PV_MSG_CONFIRM:
        return change_generation(p, r);
    case PV_MSG_RESTART:
        return restart(p, r);
    case PV_MSG_SURVEY:
        return survey(p, r);
    default: /* the last of the table */
        p->config->locate(p->config->context);
        reply_empty(p, r);
        return 0;
    }
}

/* Answers it, or returns why not. */
static uint8_t handle(pv *p, request *r, uint32_t version, pv_reader *body, uint32_t pairs)
{
    const pv_config *config = p->config;
    const request_rule *rule = rule_of(r->type);
    uint8_t refusal;
    if (version != PV_PROTOCOL_VERSION) {
        if (r->type != PV_MSG_HELLO) {
            return PV_REFUSE_UNSUPPORTED_VERSION;
        }
        hello(p, r); /* whatever keys a later version has added to it */
        return 0;
    }
    if (rule == NULL) {
        return PV_REFUSE_UNKNOWN_TYPE;
    }
    if (!has_form(r, body, pairs)) {
        return PV_REFUSE_MALFORMED;
    }
    if (!has(p, rule->needs)) {
        return PV_REFUSE_NOT_OFFERED;
    }
    if (is_repeat(p, r)) {
        if (r->type == PV_MSG_COMMIT) {
            pv_drop_staged(p);
        }
        reply_generation(p, r);
        return 0;
    }
    if (rule->changes != 0 && has(p, PV_CAN_PRESENCE) && pv_store_state(p) != PV_STORE_EMPTY &&
        !config->present(config->context)) {
        return PV_REFUSE_PRESENCE;
    }
    if ((rule->stores >> pv_store_state(p) & 1) == 0 ||
        (rule->staged & (pv_staged_count(p) == 0 ? 1 : 2)) == 0) {
        return PV_REFUSE_WRONG_STATE;
    }
    refusal = check_named(p, r);
    return refusal != 0 ? refusal : carry_out(p, r);
}

static bool is_uint(pv_head head, uint32_t largest)
{
    return head.major == PV_UINT && head.argument <= largest;
}

/* What is no request [3, 4.1] is passed over in silence. */
static void answer(pv *p, const uint8_t *item, size_t size)
{
    pv_reader from;
    pv_head envelope;
    pv_head version;
    pv_head type;
    pv_head id;
    pv_head body;
    request r;
    uint8_t refusal;
    if (!pv_is_item(item, size)) {
        return;
    }
    pv_read_memory(&from, item, size);
    envelope = next_head(&from);
    version = next_head(&from); /* if those before it are what they should be */
    type = next_head(&from);
    id = next_head(&from);
    body = next_head(&from);
    if (envelope.major != PV_ARRAY || envelope.argument != 4 || !is_uint(version, UINT8_MAX) ||
        version.argument == 0 || !is_uint(type, UINT8_MAX) || type.argument % 2 == 0 ||
        !is_uint(id, UINT16_MAX) || body.major != PV_MAP) {
        return;
    }
    memset(&r, 0, sizeof r);
    r.type = (uint8_t)type.argument;
    r.id = (uint16_t)id.argument;
    refusal = handle(p, &r, version.argument, &from, body.argument);
    if (refusal != 0) {
        refuse(p, &r, refusal);
    }
    p->answered = now(p);
}

/* ------------------------------------------------------------------ time, and the firmware */

static void came_into_force(pv *p)
{
    const pv_config *config = p->config;
    p->in_force = now(p);
    p->confirm_due = false;
    p->run = !is_complete(p)         ? PV_RUN_IDLE
             : config->apply == NULL ? PV_RUN_NOT_REPORTED
                                     : PV_RUN_APPLYING;
    p->step = NO_STEP;
    p->reason = PV_REASON_NONE;
    p->fault_field = PV_NO_FIELD;
    p->address_size = 0;
    if (config->apply != NULL) {
        config->apply(config->context);
    }
}

static void watch_trial(pv *p)
{
    bool proven = p->run == PV_RUN_PROVEN;
    uint32_t before;
    if (!on_trial(p) || (!p->confirm_due && trial_left(p) != 0)) {
        return;
    }
    p->confirm_due = false;
    before = p->storage.generation;
    (void)(proven ? pv_store_confirm(p) : pv_store_end_trial(p));
    if (p->storage.generation == before) { /* it failed */
        p->in_force = now(p); /* again after a while: each try wears the flash */
        return;
    }
    p->done = 0;
    if (!proven) {
        came_into_force(p); /* before a request is answered */
    }
}

void pv_poll(pv *p)
{
    const pv_config *config = p->config;
    watch_trial(p);
    if (now(p) - p->answered >= PV_STAGED_LIFETIME_MS) {
        pv_drop_staged(p);
        p->answered = now(p); /* once, not at every poll from here on */
    }
    if (config->listens != 0 && now(p) - p->started >= config->listens) {
        p->silent = true;
    }
    if (pv_line_waits(p)) {
        size_t size = p->silent ? 0 : pv_line_take(p);
        if (size != 0) {
            answer(p, config->line, size);
        }
        pv_line_done(p);
    }
    if (p->apply_due) {
        p->apply_due = false;
        came_into_force(p);
    }
}

void pv_report_field(pv *p, uint8_t run, uint8_t step, uint8_t reason, uint16_t field)
{
    p->confirm_due = run == PV_RUN_PROVEN;
    p->run = run;
    p->step = step;
    p->reason = reason;
    p->fault_field = field;
}

void pv_report(pv *p, uint8_t run, uint8_t step, uint8_t reason)
{
    pv_report_field(p, run, step, reason, PV_NO_FIELD);
}

void pv_report_address(pv *p, const uint8_t *address, uint8_t size)
{
    p->address_size = size == 4 || size == sizeof p->address ? size : 0;
    memcpy(p->address, address, p->address_size);
}

/* ------------------------------------------------------------------ start */

static bool is_sound(const pv_config *config)
{
    const pv_flash *flash = config->flash;
    return flash != NULL && flash->slot_count >= PV_MIN_SLOTS && flash->slot_count <= PV_MAX_SLOTS &&
           flash->program_unit >= 1 && flash->program_unit <= PV_MAX_PROGRAM_UNIT && flash->erase_unit != 0 && flash->slot_size != 0 &&
           flash->slot_size % flash->erase_unit == 0 && flash->erase_unit % flash->program_unit == 0 &&
           config->settings != NULL && config->staged != NULL && config->line != NULL &&
           config->unit != NULL && config->write != NULL && config->clock != NULL &&
           config->line_size >= PV_MIN_BODY_LIMIT + PV_CHECK_SIZE &&
           config->line_size <= PV_MAX_BODY + PV_CHECK_SIZE && config->credit >= config->line_size + 3 &&
           config->unit_id != NULL && config->unit_id_size >= 1 && config->unit_id_size <= PV_MAX_UNIT_ID &&
           config->commit_time <= PV_MAX_STORE_TIME_MS && config->erase_time <= PV_MAX_STORE_TIME_MS &&
           config->apply_time <= PV_MAX_APPLY_TIME_MS && config->listens <= PV_MAX_LISTENING_MS;
}

static uint16_t capabilities_of(const pv_config *config)
{
    bool keeps_older = config->flash->slot_count >= PV_MIN_SLOTS_OF_OLDER;
    uint32_t can = config->capabilities & (PV_CAN_RECEIVES_WHILE_STORING | PV_CAN_ERASE_NOT_PHYSICAL |
                                           (keeps_older ? PV_CAN_UNDO : 0));
    can |= PV_CAN_ERASE;
    can |= keeps_older && config->schema->trial_seconds != 0 ? PV_CAN_TRIAL : 0;
    can |= config->present != NULL ? PV_CAN_PRESENCE : 0;
    can |= config->survey != NULL ? PV_CAN_SURVEY : 0;
    can |= config->locate != NULL ? PV_CAN_LOCATE : 0;
    can |= config->restart != NULL ? PV_CAN_RESTART : 0;
    return (uint16_t)can;
}

int pv_start(pv *p, const pv_config *config)
{
    int result;
    if (!is_sound(config)) {
        return PV_ERROR_CONFIG;
    }
    if (config->schema->stub_version != PV_STUB_VERSION) {
        return PV_ERROR_VERSION;
    }
    memset(p, 0, sizeof *p);
    p->config = config;
    p->capabilities = capabilities_of(config);
    p->defect.field = PV_NO_FIELD;
    p->step = NO_STEP;
    p->started = now(p);
    p->answered = p->started;
    /* Memory may come through a reset, with what it cut short. */
    pv_drop_staged(p);
    pv_wipe(config->line, config->line_size);
    pv_wipe(config->unit, config->flash->program_unit);
    result = pv_store_start(p);
    p->in_force = now(p); /* a trial's time begins anew */
    if (result == 0 && is_complete(p)) {
        came_into_force(p);
    }
    return result;
}
