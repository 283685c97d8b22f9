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

static pv_sink *begin(pv *p, uint8_t type, uint8_t pairs)
{
    pv_sink *to = &p->out;
    pv_put_head(to, PV_ARRAY, 4);
    pv_put_uint(to, PV_PROTOCOL_VERSION);
    pv_put_uint(to, type);
    pv_put_uint(to, p->id);
    pv_put_head(to, PV_MAP, pairs);
    return to;
}

pv_sink *pv_reply(pv *p, uint8_t pairs)
{
    (void)pv_line_begin(p);
    return begin(p, (uint8_t)(p->type + 1), pairs);
}

uint8_t pv_reply_end(pv *p)
{
    pv_line_end(p);
    return 0;
}

uint8_t pv_reply_empty(pv *p)
{
    (void)pv_reply(p, 0);
    return pv_reply_end(p);
}

void pv_put_number(pv_sink *to, uint8_t key, uint32_t value)
{
    pv_put_uint(to, key);
    pv_put_uint(to, value);
}

PV_STATIC_ASSERT(generation_has_one_key,
                 (int)PV_KEY_COMMIT_REPLY_GENERATION == (int)PV_KEY_UNDO_REPLY_GENERATION &&
                     (int)PV_KEY_COMMIT_REPLY_GENERATION == (int)PV_KEY_ERASE_REPLY_GENERATION &&
                     (int)PV_KEY_COMMIT_REPLY_GENERATION == (int)PV_KEY_CONFIRM_REPLY_GENERATION);
uint8_t pv_reply_generation(pv *p)
{
    pv_put_number(pv_reply(p, 1), PV_KEY_COMMIT_REPLY_GENERATION, p->generation);
    return pv_reply_end(p);
}

/* Sends as many entries as fit: they are measured first, since their number goes before them. */
uint8_t pv_send_page(pv *p, const pv_page *page)
{
    pv_sink *to = pv_measure_begin(p);
    uint16_t entries = 0;
    uint16_t end;
    uint16_t i;
    (void)begin(p, (uint8_t)(p->type + 1), page->pairs);
    page->put_start(p, to, page);
    for (i = page->first; i < page->count && entries < page->most; i++) {
        page->put_entry(p, to, i);
        /* From 24 on the number itself takes two bytes; more than 255 entries never fit. */
        if (to->size + (entries < 23 ? 1 : 2) > PV_LARGEST_ITEM) {
            break;
        }
        entries++;
    }
    end = (uint16_t)(page->first + entries);
    page->put_start(p, pv_reply(p, page->pairs), page);
    pv_put_head(to, PV_ARRAY, entries);
    for (i = page->first; i < end; i++) {
        page->put_entry(p, to, i);
    }
    return pv_reply_end(p);
}

uint8_t pv_refuse_with(pv *p, uint8_t code, uint32_t detail)
{
    p->has_detail = true;
    p->detail = detail;
    return code;
}

static void refuse(pv *p, uint8_t code)
{
    const PV_ROM pv_field *fields = p->schema->fields;
    const pv_argument *asked = &p->arguments[PV_KEY_SET_FIELD_FIELD];
    bool has_field = p->names_field || p->fault.field != PV_NO_FIELD;
    bool has_other = p->fault.other != PV_NO_FIELD;
    pv_sink *to = pv_line_begin(p);
    (void)begin(p, PV_MSG_REFUSAL, (uint8_t)(1 + has_field + p->has_detail + has_other));
    pv_put_number(to, PV_KEY_REFUSAL_CODE, code);
    if (has_field) {
        pv_put_uint(to, PV_KEY_REFUSAL_FIELD);
    }
    if (p->names_field) {
        pv_put_head(to, PV_TEXT, asked->number);
        pv_give(to, asked->bytes, (size_t)asked->number);
    } else if (has_field) {
        pv_put_text(to, fields[p->fault.field].key);
    }
    if (p->has_detail) {
        pv_put_number(to, PV_KEY_REFUSAL_DETAIL, p->detail);
    }
    if (has_other) {
        pv_put_uint(to, PV_KEY_REFUSAL_OTHER);
        pv_put_text(to, fields[p->fault.other].key);
    }
    pv_line_end(p);
}

uint8_t pv_generation_changed(pv *p, uint32_t before, uint8_t refusal)
{
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
    return pv_reply_generation(p);
}

/* ------------------------------------------------------------------ checks in the order of 4.3 */

/* What the board offers, from 0 on; NULL behind the last. */
static const PV_ROM pv_request *offered(const pv *p, uint8_t number)
{
    const pv_config *config = p->config;
    if (number < PV_EVERY_BOARD) {
        return &pv_every_board[number];
    }
    number = (uint8_t)(number - PV_EVERY_BOARD);
    if (config->schema->trial != NULL) {
        if (number == 0) {
            return config->schema->trial->confirm;
        }
        number--;
    }
    return config->requests == NULL ? NULL : config->requests[number];
}

static const PV_ROM pv_request *rule_of(const pv *p)
{
    const PV_ROM pv_request *rule;
    uint8_t i;
    for (i = 0; (rule = offered(p, i)) != NULL && rule->type != p->type; i++) {
    }
    return rule;
}

/* Reads the value of a known key; false if it has not the form. */
static bool read_argument(pv *p, const PV_ROM pv_request_key *key, pv_reader *from)
{
    pv_argument *to = &p->arguments[key->key];
    bool is_any = key->form == PV_ANY;
    bool is_right;
    to->bytes = from->at;
    (void)pv_read_head(from); /* the item was checked whole: it is there, and so is what follows */
    to->number = from->argument;
    is_right = is_any ? from->major != PV_ARRAY && from->major != PV_MAP
                      : from->major == key->form && to->number >= key->least && to->number <= key->most;
    if (!is_any) {
        to->bytes = from->at;
    }
    (void)pv_pass_value(from);
    if (is_any) {
        to->number = (uint32_t)(from->at - to->bytes);
    }
    p->present = (uint8_t)(p->present | 1U << key->key);
    return is_right;
}

static bool has_form(pv *p, const PV_ROM pv_request *rule, pv_reader *from)
{
    uint32_t pairs = from->argument;
    uint8_t choice;
    while (pairs-- != 0) {
        uint8_t i = 0;
        (void)pv_read_head(from);
        while (i < rule->key_count && rule->keys[i].key != from->argument) {
            i++;
        }
        if (i < rule->key_count) {
            if (!read_argument(p, &rule->keys[i], from)) {
                return false;
            }
        } else if (from->argument < PV_SKIPPABLE_FROM || !pv_pass_item(from)) {
            return false;
        }
    }
    choice = (uint8_t)(p->present & ~rule->required);
    return (p->present & rule->required) == rule->required &&
           (rule->ways[0] == 0 || choice == rule->ways[0] || choice == rule->ways[1]);
}

/* Whether the request was done before, and its reply lost [6.5, 6.7]. */
static bool is_repeat(const pv *p, const PV_ROM pv_request *rule)
{
    if (rule->type == PV_MSG_COMMIT) {
        return p->holds_set && memcmp(p->arguments[PV_KEY_COMMIT_TOKEN].bytes, p->token,
                                              sizeof p->token) == 0;
    }
    return p->done == rule->type && p->arguments[PV_KEY_NAMED].number == p->done_named;
}

/* Answers it, or returns why not. */
static uint8_t handle(pv *p, uint8_t version, pv_reader *body)
{
    const pv_config *config = p->config;
    const PV_ROM pv_request *rule = rule_of(p);
    uint8_t store = pv_store_state(p);
    uint8_t staged = pv_staged_count(p) == 0 ? 1 << 4 : 1 << 5;
    uint32_t named = config->boot_number;
    if (version != PV_PROTOCOL_VERSION) {
        /* hello whatever keys a later version has added to it */
        return p->type == PV_MSG_HELLO ? pv_every_board[0].answer(p) : PV_REFUSE_UNSUPPORTED_VERSION;
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
    if (is_repeat(p, rule)) {
        if (rule->type == PV_MSG_COMMIT) {
            pv_drop_staged(p);
        }
        return pv_reply_generation(p);
    }
    if ((rule->flags & PV_CHANGES) != 0 && config->present != NULL && store != PV_STORE_EMPTY &&
        !config->present(config->context)) {
        return PV_REFUSE_PRESENCE;
    }
    if ((rule->legal >> store & 1) == 0 || (rule->legal & staged) == 0) {
        return PV_REFUSE_WRONG_STATE;
    }
    if ((rule->flags & PV_NAMES_GENERATION) != 0) {
        named = p->generation;
    }
    if ((rule->flags & (PV_NAMES_BOOT | PV_NAMES_GENERATION)) != 0 &&
        p->arguments[PV_KEY_NAMED].number != named) {
        return pv_refuse_with(p, PV_REFUSE_MOVED_ON, named);
    }
    return rule->answer(p);
}

/* What is no request [3, 4.1] is passed over in silence. */
static void answer(pv *p, const uint8_t *item, size_t size)
{
    pv_reader from;
    uint8_t version;
    uint8_t refusal;
    pv_read_memory(&from, item, size);
    if (!pv_is_item(item, size) || !pv_read_this(&from, PV_ARRAY, 4, 4) ||
        !pv_read_this(&from, PV_UINT, 1, UINT8_MAX)) {
        return;
    }
    version = (uint8_t)from.argument;
    if (!pv_read_this(&from, PV_UINT, 1, UINT8_MAX) || from.argument % 2 == 0) {
        return;
    }
    p->type = (uint8_t)from.argument;
    if (!pv_read_this(&from, PV_UINT, 0, UINT16_MAX)) {
        return;
    }
    p->id = (uint16_t)from.argument;
    if (!pv_read_this(&from, PV_MAP, 0, UINT32_MAX)) {
        return;
    }
    memset(p->arguments, 0, sizeof p->arguments);
    p->present = 0;
    p->has_detail = false;
    p->names_field = false;
    p->fault.field = PV_NO_FIELD;
    p->fault.other = PV_NO_FIELD;
    refusal = handle(p, version, &from);
    if (refusal != 0) {
        refuse(p, refusal);
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
    p->address_size = 0;
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

static uint16_t capabilities_of(const pv *p)
{
    const pv_config *config = p->config;
    uint32_t can = config->capabilities & (PV_CAN_RECEIVES_WHILE_STORING | PV_CAN_ERASE_NOT_PHYSICAL);
    const PV_ROM pv_request *each;
    uint8_t i;
    for (i = 0; (each = offered(p, i)) != NULL; i++) {
        can |= each->needs;
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
    p->step = PV_NO_STEP;
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
