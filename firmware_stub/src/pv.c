/* SPDX-License-Identifier: MIT */
/*
 * The conversation: which request is answered, in which order it is checked [4.3], and what time brings
 * about. Touches all of struct pv but what the store and the line keep there.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ what is so */

uint32_t pv_now(const pv *p)
{
    return p->config->clock(p->config->context);
}

uint32_t pv_left_of(uint32_t span, uint32_t elapsed)
{
    return elapsed < span ? span - elapsed : 0;
}

static bool has(const pv *p, uint16_t capability)
{
    return (p->capabilities & capability) == capability;
}

bool pv_on_trial(const pv *p)
{
    return p->holds_set && p->starts_left != 0 && has(p, PV_CAN_TRIAL);
}

uint32_t pv_trial_left(const pv *p)
{
    return pv_left_of(p->schema->trial_seconds * 1000UL, pv_now(p) - p->in_force);
}

uint8_t pv_store_state(const pv *p)
{
    return !p->holds_set            ? PV_STORE_EMPTY
           : pv_on_trial(p)                 ? PV_STORE_TRIAL
           : p->defect.field != PV_NO_FIELD ? PV_STORE_INCOMPLETE
                                            : PV_STORE_COMPLETE;
}

/* Whether the set in force can be put into use. */
static bool is_complete(const pv *p)
{
    return p->holds_set && p->defect.field == PV_NO_FIELD;
}

bool pv_has_key(const pv *p, uint8_t key)
{
    return (p->present >> key & 1) != 0;
}

/* ------------------------------------------------------------------ replies */

pv_sink *pv_put_key(pv *p, uint8_t key)
{
    p->pairs++;
    pv_put_uint(&p->out, key);
    return &p->out;
}

void pv_put_number(pv *p, uint8_t key, uint32_t value)
{
    pv_put_uint(pv_put_key(p, key), value);
}

void pv_put_words(pv *p, uint8_t key, const PV_ROM char *text)
{
    pv_put_text(pv_put_key(p, key), text);
}

void pv_put_field(pv *p, uint8_t key, uint16_t field)
{
    if (field < p->schema->field_count) {
        pv_put_words(p, key, p->schema->fields[field].key);
    }
}

static void put_message(pv *p, uint8_t type, pv_body *put)
{
    pv_sink *to = &p->out;
    pv_put_head(to, PV_ARRAY, 4);
    pv_put_uint(to, PV_PROTOCOL_VERSION);
    pv_put_uint(to, type);
    pv_put_uint(to, p->id);
    pv_put_head(to, PV_MAP, p->pairs);
    p->pairs = 0;
    put(p);
}

static void send(pv *p, uint8_t type, pv_body *put)
{
    (void)pv_measure_begin(p);
    put_message(p, type, put); /* the number of pairs is not known yet, but it takes one byte */
    (void)pv_line_begin(p);
    put_message(p, type, put);
    pv_line_end(p);
}

void pv_reply(pv *p, pv_body *put)
{
    send(p, (uint8_t)(p->type + 1), put);
}

void pv_put_nothing(pv *p)
{
    (void)p;
}

PV_STATIC_ASSERT(generation_has_one_key,
                 (int)PV_KEY_COMMIT_REPLY_GENERATION == (int)PV_KEY_UNDO_REPLY_GENERATION &&
                     (int)PV_KEY_COMMIT_REPLY_GENERATION == (int)PV_KEY_ERASE_REPLY_GENERATION &&
                     (int)PV_KEY_COMMIT_REPLY_GENERATION == (int)PV_KEY_CONFIRM_REPLY_GENERATION);
void pv_put_generation(pv *p)
{
    pv_put_number(p, PV_KEY_COMMIT_REPLY_GENERATION, p->generation);
}

void pv_put_page(pv *p, uint8_t key, unsigned most, pv_entry *put_entry)
{
    pv_sink *to = pv_put_key(p, key);
    bool is_measured = to->take == NULL;
    unsigned entries = 0;
    unsigned end = p->entries;
    if (is_measured) {
        end = p->count - p->first;
        end = end < most ? end : most;
    } else {
        pv_put_head(to, PV_ARRAY, end);
    }
    while (entries < end) {
        put_entry(p, to, p->first + entries);
        /* From 24 on the number itself takes two bytes; more than 255 entries never fit. */
        if (is_measured && to->size + (entries < 23 ? 1 : 2) > PV_LARGEST_ITEM) {
            break;
        }
        entries++;
    }
    p->entries = (uint16_t)entries;
}

uint8_t pv_refuse_with(pv *p, uint8_t code, uint32_t detail)
{
    p->has_detail = true;
    p->detail = detail;
    return code;
}

static void put_refusal(pv *p)
{
    pv_put_number(p, PV_KEY_REFUSAL_CODE, p->refusal);
    if (p->names_field) {
        const pv_argument *asked = &p->arguments[PV_KEY_SET_FIELD_FIELD];
        pv_sink *to = pv_put_key(p, PV_KEY_REFUSAL_FIELD);
        pv_put_head(to, PV_TEXT, asked->number);
        pv_give(to, asked->bytes, (size_t)asked->number);
    } else {
        pv_put_field(p, PV_KEY_REFUSAL_FIELD, p->fault.field);
    }
    if (p->has_detail) {
        pv_put_number(p, PV_KEY_REFUSAL_DETAIL, p->detail);
    }
    pv_put_field(p, PV_KEY_REFUSAL_OTHER, p->fault.other);
}

uint8_t pv_generation_changed(pv *p, uint8_t refusal)
{
    uint32_t before = p->arguments[PV_KEY_NAMED].number;
    if (p->generation != before) { /* of an erase even if it failed at a later slot */
        p->done = 0;
        p->apply_due = p->type != PV_MSG_CONFIRM;
        if (p->apply_due) { /* the settings are others now; of an undo only parts can be staged */
            pv_drop_staged(p);
        }
    }
    if (refusal != 0) {
        return refusal;
    }
    p->done = p->type;
    p->done_named = before;
    return 0;
}

/* ------------------------------------------------------------------ checks in the order of 4.3 */

/* The request of this type; NULL if the firmware has none. */
static const PV_ROM pv_request *request_of(const pv_config *config, uint8_t type)
{
    const PV_ROM pv_request *const *each = config->requests;
    uint8_t i;
    for (i = 0; i < PV_EVERY_BOARD; i++) {
        if (pv_every_board[i].type == type) {
            return &pv_every_board[i];
        }
    }
    if (type == PV_MSG_CONFIRM && config->schema->trial != NULL) {
        return config->schema->trial->confirm;
    }
    while (each != NULL && *each != NULL && (*each)->type != type) {
        each++;
    }
    return each == NULL ? NULL : *each;
}

/* Reads the value of a known key; false if it has not the form. */
static bool read_argument(pv *p, const PV_ROM pv_request_key *key, pv_reader *from)
{
    pv_argument *to = &p->arguments[key->key];
    p->present = (uint8_t)(p->present | 1U << key->key);
    to->bytes = from->at;
    to->number = from->ready;
    (void)pv_read_head(from); /* the item was checked whole: it is there, and so is what follows */
    if (key->form != PV_ANY) {
        to->bytes = from->at;
        to->number = from->argument;
    }
    (void)pv_pass_value(from);
    return key->form == PV_ANY ? from->major != PV_ARRAY && from->major != PV_MAP
                               : from->major == key->form && to->number >= key->least && to->number <= key->most;
}

static bool has_form(pv *p, const PV_ROM pv_request *rule, pv_reader *from)
{
    uint32_t pairs = from->argument;
    uint8_t choice;
    while (pairs-- != 0) {
        const PV_ROM pv_request_key *key = rule->keys;
        uint8_t left = rule->key_count;
        (void)pv_read_head(from);
        while (left != 0 && key->key != from->argument) {
            key++;
            left--;
        }
        if (left != 0 ? !read_argument(p, key, from)
                      : from->argument < PV_SKIPPABLE_FROM || !pv_pass_item(from)) {
            return false;
        }
    }
    choice = (uint8_t)(p->present & ~rule->required);
    return (p->present & rule->required) == rule->required &&
           (rule->ways[0] == 0 || choice == rule->ways[0] || choice == rule->ways[1]);
}

/* Whether the request was done before, and its reply lost [6.5, 6.7]. */
static bool is_repeat(const pv *p)
{
    if (p->type == PV_MSG_COMMIT) {
        return p->holds_set && memcmp(p->arguments[PV_KEY_COMMIT_TOKEN].bytes, p->token, sizeof p->token) == 0;
    }
    return p->done == p->type && p->arguments[PV_KEY_NAMED].number == p->done_named;
}

/* Does what is requested. Returns 0 or PV_REFUSE_. */
static uint8_t handle(pv *p, const PV_ROM pv_request *rule, uint32_t version, pv_reader *body)
{
    const pv_config *config = p->config;
    uint32_t state = 1UL << pv_store_state(p) | (pv_staged_count(p) == 0 ? 1U << 4 : 1U << 5); /* as in `legal` */
    uint32_t named;
    if (version != PV_PROTOCOL_VERSION) {
        /* hello whatever keys a later version has added to it */
        return p->type == PV_MSG_HELLO ? 0 : PV_REFUSE_UNSUPPORTED_VERSION;
    }
    if (p->type > PV_LAST_REQUEST) {
        return PV_REFUSE_UNKNOWN_TYPE;
    }
    if (rule == NULL || !has(p, rule->needs)) {
        return PV_REFUSE_NOT_OFFERED;
    }
    if (!has_form(p, rule, body)) {
        return PV_REFUSE_MALFORMED;
    }
    if (is_repeat(p)) {
        if (p->type == PV_MSG_COMMIT) {
            pv_drop_staged(p);
        }
        return 0;
    }
    if ((rule->flags & PV_CHANGES) != 0 && config->present != NULL && p->holds_set &&
        !config->present(config->context)) {
        return PV_REFUSE_PRESENCE;
    }
    if ((rule->legal & state) != state) {
        return PV_REFUSE_WRONG_STATE;
    }
    named = (rule->flags & PV_NAMES_GENERATION) != 0 ? p->generation : config->boot_number;
    if ((rule->flags & (PV_NAMES_BOOT | PV_NAMES_GENERATION)) != 0 &&
        p->arguments[PV_KEY_NAMED].number != named) {
        return pv_refuse_with(p, PV_REFUSE_MOVED_ON, named);
    }
    return rule->act(p);
}

enum { IN_VERSION, IN_TYPE, IN_ID, IN_HEAD };

/* Reads a message up to the pairs of its body. False for what is none. */
static bool read_message(pv_reader *from, uint32_t head[IN_HEAD])
{
    uint8_t i;
    if (!pv_read_type(from, PV_ARRAY) || from->argument != 4) {
        return false;
    }
    for (i = 0; i < IN_HEAD; i++) {
        if (!pv_read_type(from, PV_UINT)) {
            return false;
        }
        head[i] = from->argument;
    }
    return pv_read_type(from, PV_MAP) && head[IN_VERSION] != 0 && head[IN_VERSION] <= UINT8_MAX &&
           head[IN_TYPE] <= UINT8_MAX && head[IN_ID] <= UINT16_MAX;
}

/* What is no request [3, 4.1] is passed over in silence. */
static void answer(pv *p, const uint8_t *item, size_t size)
{
    pv_reader from;
    uint32_t head[IN_HEAD];
    const PV_ROM pv_request *rule;
    pv_read_memory(&from, item, size);
    if (!pv_is_item(item, size) || !read_message(&from, head) || head[IN_TYPE] % 2 == 0) {
        return;
    }
    p->type = (uint8_t)head[IN_TYPE];
    p->id = (uint16_t)head[IN_ID];
    memset(p->arguments, 0, sizeof p->arguments);
    p->present = 0;
    p->has_detail = false;
    p->names_field = false;
    p->fault.field = PV_NO_FIELD;
    p->fault.other = PV_NO_FIELD;
    rule = request_of(p->config, p->type);
    p->refusal = handle(p, rule, head[IN_VERSION], &from);
    if (p->refusal != 0) {
        send(p, PV_MSG_REFUSAL, put_refusal);
    } else if (rule != NULL && rule->put != NULL) {
        pv_reply(p, rule->put);
    }
    p->answered = pv_now(p);
}

/* ------------------------------------------------------------------ time, and the firmware */

void pv_came_into_force(pv *p)
{
    const pv_config *config = p->config;
    p->in_force = pv_now(p);
    pv_report(p,
              !is_complete(p)         ? PV_RUN_IDLE
              : config->apply == NULL ? PV_RUN_NOT_REPORTED
                                      : PV_RUN_APPLYING,
              PV_NO_STEP, PV_REASON_NONE);
    p->reported.address_size = 0;
    if (config->apply != NULL) {
        config->apply(config->context);
    }
}

void pv_poll(pv *p)
{
    const pv_config *config = p->config;
    uint32_t now = pv_now(p);
    if (config->schema->trial != NULL) {
        config->schema->trial->watch(p);
    }
    if (now - p->answered >= PV_STAGED_LIFETIME_MS) {
        pv_drop_staged(p);
        p->answered = now; /* once, not at every poll from here on */
    }
    if (config->listens != 0 && now - p->started >= config->listens) {
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
        pv_came_into_force(p);
    }
}

void pv_report_field(pv *p, uint8_t run, uint8_t step, uint8_t reason, uint16_t field)
{
    p->confirm_due = run == PV_RUN_PROVEN;
    p->reported.run = run;
    p->reported.step = step;
    p->reported.reason = reason;
    p->reported.field = field;
}

void pv_report(pv *p, uint8_t run, uint8_t step, uint8_t reason)
{
    pv_report_field(p, run, step, reason, PV_NO_FIELD);
}

void pv_report_address(pv *p, const uint8_t *address, uint8_t size)
{
    p->reported.address_size = size == 4 || size == sizeof p->address ? size : 0;
    memcpy(p->address, address, p->reported.address_size);
}

/* ------------------------------------------------------------------ start */

static uint16_t capabilities_of(const pv *p)
{
    const pv_config *config = p->config;
    uint32_t can = config->capabilities & (PV_CAN_RECEIVES_WHILE_STORING | PV_CAN_ERASE_NOT_PHYSICAL);
    uint8_t type;
    for (type = 1; type <= PV_LAST_REQUEST; type++) {
        const PV_ROM pv_request *rule = request_of(config, type);
        can |= rule != NULL ? rule->needs : 0U;
    }
    if (!config->store->keeps_older) {
        can &= ~(uint32_t)(PV_CAN_UNDO | PV_CAN_TRIAL);
    }
    can |= config->present != NULL ? PV_CAN_PRESENCE : 0;
    can |= config->parts == NULL ? PV_CAN_WHOLE_VALUES : 0;
    return (uint16_t)can;
}

int pv_start(pv *p, const pv_config *config)
{
    int result;
    if (config->schema->stub_version != PV_STUB_VERSION) {
        return PV_ERROR_VERSION;
    }
    memset(p, 0, sizeof *p);
    p->config = config;
    p->schema = config->schema;
    p->flash = config->flash;
    p->settings = config->settings;
    p->staged = config->staged;
    p->capabilities = capabilities_of(p);
    p->defect.field = PV_NO_FIELD;
    p->reported.step = PV_NO_STEP;
    p->staging = PV_NO_SLOT;
    p->started = pv_now(p);
    p->answered = p->started;
    /* Memory may come through a reset, with what it cut short. */
    pv_drop_staged(p);
    pv_wipe(config->line, config->line_size);
    result = config->store->start(p);
    p->in_force = pv_now(p); /* a trial's time begins anew */
    if (result == 0 && is_complete(p)) {
        pv_came_into_force(p);
    }
    return result;
}
