/* SPDX-License-Identifier: MIT */
#include "oracle.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool has(const content *values, unsigned field)
{
    return values->has >> field & 1;
}

static void give(content *values, unsigned field, bool value)
{
    values->has = (uint8_t)(value ? values->has | 1u << field : values->has & ~(1u << field));
}

/* ------------------------------------------------------------------ what a firmware makes of a set */

static unsigned version_of(unsigned firmware)
{
    return firmware == TRIAL ? FIRST : firmware;
}

static unsigned fields_of(unsigned version)
{
    return version == FIRST ? MODE + 1 : version == SECOND ? HEIGHT + 1 : KEY + 1;
}

/* How a firmware finds a value that was written under a version: whether it has a name for it. */
static bool finds(unsigned version, const content *values, unsigned field)
{
    /* Name and depth were renamed with each version, and the new firmware knows the old names; an
     * older firmware knows none of a newer one, but of the depth, which has its first name again, or that
     * with an instance put in: a name that counts as well (protocol.md, clause 10). */
    bool renamed = field == NAME || field == DEPTH;
    if (!has(values, field)) {
        return false;
    }
    if (renamed && version < values->version) {
        return field == DEPTH;
    }
    return true;
}

static void mark(settings *view, unsigned field, uint8_t how)
{
    view->state[field] = (uint8_t)(PV_IS_ACTIVE | how);
}

/* The settings that a firmware must have in force with that set; NULL: with none. Returns the first
 * required field without a value. Schemas as in store_board.c. */
static unsigned view_of(const content *values, unsigned firmware, settings *view)
{
    static const content nothing = {.has = 0};
    unsigned version = version_of(firmware);
    const content *from = values == NULL ? &nothing : values;
    unsigned missing = PV_NO_FIELD;
    memset(view, 0, sizeof *view);
    for (unsigned field = 0; field < fields_of(version); field++) {
        bool is_there = finds(version, from, field);
        bool fits = is_there;
        switch (field) {
        case NAME:
            if (fits) {
                memcpy(view->name, from->name, sizeof view->name);
            }
            break;
        case DEPTH:
            /* Version 2 has two digits, the others one, and a digit is dropped only if it is 0. */
            fits = fits && (version == SECOND || from->hundredths % 10 == 0);
            view->depth = fits ? from->hundredths : 200;
            view->depth /= version == SECOND ? 1 : 10;
            break;
        case KEY:
            /* A secret is not taken for the text that version 3 has there. */
            fits = fits && (version == THIRD) == (from->version == THIRD);
            if (fits) {
                memcpy(view->key, from->key, sizeof view->key);
            }
            break;
        case CERT:
            fits = fits && from->certificate_length <= (version == SECOND ? 8 : 64);
            if (fits) {
                view->cert.length = from->certificate_length;
                memcpy(view->cert.bytes, from->certificate, from->certificate_length);
            }
            break;
        case MODE:
            /* Version 2 has lamp and off, in that order, and no siren. */
            fits = fits && (version != SECOND || from->mode != 1);
            if (fits) {
                view->mode = version != SECOND ? from->mode : from->mode == 2 ? 0 : 1;
            }
            break;
        default:
            view->height = fits ? from->height : 0;
            break;
        }
        mark(view, field,
             (uint8_t)((fits ? PV_IS_SET | PV_IN_FORCE : 0) |
                       (is_there && !fits ? PV_FELL_BACK : 0) |
                       (field == DEPTH ? PV_IN_FORCE : 0)));
        if (!fits && (field == NAME || field == HEIGHT) && missing == PV_NO_FIELD) {
            missing = field;
        }
    }
    return missing;
}

static bool is_complete(const content *values, unsigned firmware)
{
    settings view;
    return view_of(values, firmware, &view) == PV_NO_FIELD;
}

/* Whether the board has these settings in force. */
static bool has_in_force(const board *b, const content *values, unsigned firmware)
{
    settings right;
    const settings *here = b->config.settings;
    unsigned missing = view_of(values, firmware, &right);
    return memcmp(here->state, right.state, sizeof here->state) == 0 &&
           b->stub->defect.field == missing && strcmp(here->name, right.name) == 0 &&
           here->depth == right.depth && strcmp(here->key, right.key) == 0 &&
           here->cert.length == right.cert.length &&
           memcmp(here->cert.bytes, right.cert.bytes, right.cert.length) == 0 &&
           here->mode == right.mode && here->height == right.height;
}

/* ------------------------------------------------------------------ what a board tells */

static board_told ask(const board *b)
{
    board_told answer;
    store_board_tell(b, &answer);
    return answer;
}

/* Whether the board tells that set: its values and, unless only they count, its token. */
static bool tells(const board *b, const one_set *sets, int set, unsigned firmware, bool token)
{
    board_told answer = ask(b);
    if (set == NO_SET) {
        return !answer.holds_set && has_in_force(b, NULL, firmware);
    }
    return answer.holds_set && has_in_force(b, &sets[set].values, firmware) &&
           (!token || memcmp(answer.token, sets[set].token, 8) == 0);
}

int oracle_told(const oracle *o, const one_set *sets, const board *b, unsigned firmware)
{
    for (int set = o->sets - 1; set >= NO_SET; set--) { /* the newest of those that are alike */
        if (tells(b, sets, set, firmware, true)) {
            return set;
        }
    }
    return MOST_SETS;
}

/* What is wrong with a board that tells something which is not possible. */
static int judge(const oracle *o, const one_set *sets, const board *b, unsigned firmware)
{
    bool whole = tells(b, sets, NO_SET, firmware, false);
    for (int set = 0; set < o->sets && !whole; set++) {
        whole = tells(b, sets, set, firmware, false);
    }
    if (!whole) {
        return WHOLE;
    }
    if (oracle_told(o, sets, b, firmware) == MOST_SETS) {
        return TOKEN;
    }
    return oracle_in_trial(o) ? TRIAL_KEPT : LASTING;
}

/* ------------------------------------------------------------------ states */

static bool same_state(const state *one, const state *other)
{
    return one->current == other->current && one->confirmed == other->confirmed &&
           one->older == other->older && one->starts_left == other->starts_left &&
           one->unsure == other->unsure;
}

static void add(oracle *o, state one)
{
    if (o->weak) {
        one.older = NO_SET;
        one.unsure = 1;
    }
    for (int i = 0; i < o->count; i++) {
        if (same_state(&o->possible[i], &one)) {
            return;
        }
    }
    if (o->count == MOST_STATES) {
        abort(); /* more would have to be forgotten, and a right answer be called wrong */
    }
    o->possible[o->count++] = one;
}

/* After one more start [5.4]. */
static state after_start(state now, unsigned firmware)
{
    if (now.starts_left == 0) {
        return now;
    }
    if (firmware != TRIAL) {
        now.starts_left = 0;
        now.older = now.confirmed;
    } else if (now.starts_left > 1) {
        now.starts_left--;
    } else {
        now.older = now.current;
        now.unsure = 0;
        now.current = now.confirmed;
        now.starts_left = 0;
    }
    if (now.starts_left == 0) {
        now.confirmed = NO_SET;
    }
    return now;
}

/* A trial that finds no confirmed set any more. */
static state kept_for_good(state now)
{
    now.starts_left = 0;
    now.confirmed = NO_SET;
    return now;
}

/* After a request that was done. `undone`: what undo found, where that is not sure. */
static state followed(state now, const step *s, unsigned firmware, int added, int undone)
{
    bool on_trial = now.starts_left > 0;
    switch (s->request) {
    case COMMIT:
    case AGAIN:
        if (firmware == TRIAL && now.current != NO_SET) {
            /* A trial that is replaced leaves its set behind, which undo may find later. */
            now.confirmed = on_trial ? now.confirmed : now.current;
            now.unsure = on_trial;
            now.starts_left = 3;
            now.older = now.confirmed;
        } else {
            /* What an erase that was refused left, it may have left for good. */
            now.unsure = now.current == NO_SET && now.unsure;
            now.older = now.current;
        }
        now.current = (int16_t)added;
        return now;
    case UNDO_IT:
    case EXPIRE: {
        int16_t back = on_trial ? now.confirmed : now.unsure ? (int16_t)undone : now.older;
        if (back == NO_SET) {
            return now; /* refused */
        }
        now.older = now.current;
        now.current = back;
        now.unsure = 0;
        break;
    }
    case ERASE_ALL:
        now.current = now.older = NO_SET;
        now.unsure = 0;
        break;
    default: /* CONFIRM */
        if (on_trial) {
            now.older = now.confirmed;
        }
        break;
    }
    now.starts_left = 0;
    now.confirmed = NO_SET;
    return now;
}

bool oracle_in_trial(const oracle *o)
{
    for (int i = 0; i < o->count; i++) {
        if (o->possible[i].starts_left > 0) {
            return true;
        }
    }
    return false;
}

/* ------------------------------------------------------------------ events */

void oracle_begin(oracle *o, bool weak, bool few, uint32_t generation)
{
    memset(o, 0, sizeof *o);
    o->weak = weak;
    o->few = few;
    o->asked = generation > 0;
    o->told = o->acknowledged = generation;
    o->matching = 1;
    add(o, (state){NO_SET, NO_SET, NO_SET, 0, 0});
}

/* Values that no other number has. Letters, so that a leak shows in a dump. */
static void make_text(char *to, size_t size, unsigned number, char first)
{
    memset(to, 0, size + 1);
    for (size_t i = 0; i < size; i++) {
        number = number * 1103515245u + 12345u;
        to[i] = i == 0 ? first : (char)('a' + (number >> 16) % 26);
    }
}

static void stage_text(board *b, content *values, unsigned field, const char *text)
{
    char *member = field == NAME ? values->name : values->key;
    size_t size = strlen(text);
    board_stage_bytes(b, (uint16_t)field, (const uint8_t *)text, size);
    memset(member, 0, field == NAME ? sizeof values->name : sizeof values->key);
    memcpy(member, text, size);
    give(values, field, true);
}

static void stage_clear(board *b, content *values, unsigned field)
{
    board_stage_clear(b, (uint16_t)field);
    give(values, field, false);
}

/* What the values in force become when a commit writes them anew: what this firmware took of them.
 */
static content carried(const content *old, unsigned version)
{
    content values = {.version = (uint8_t)version};
    settings view;
    if (old == NULL) {
        return values;
    }
    values = *old;
    view_of(old, version, &view);
    for (unsigned field = 0; field < FIELDS; field++) {
        give(&values, field, view.state[field] & PV_IS_SET);
    }
    values.version = (uint8_t)version;
    return values;
}

int oracle_stage(oracle *o, one_set *sets, board *b, const step *s, unsigned firmware)
{
    unsigned version = version_of(firmware);
    unsigned most = version == SECOND ? 8 : 64;
    unsigned number = s->number, shape = s->shape;
    unsigned draw = number * 2654435761u >> 8;
    int16_t base = o->possible[0].current;
    one_set *made = &sets[o->sets];
    content *values = &made->values;
    char text[25];

    *values = carried(base == NO_SET ? NULL : &sets[base].values, version);
    snprintf((char *)text, sizeof text, "token%03u", number % 1000);
    memcpy(made->token, text, 8);
    if (shape != SAME) {
        snprintf(text, sizeof text, "tree %u", number);
        stage_text(b, values, NAME, text);
    }
    if (shape == PLAIN || shape == LONG || shape == VARIED) {
        /* Under version 2 with a last digit that version 3 cannot keep, each second time. */
        values->hundredths = (int32_t)(number % 500) * 10 + (version == SECOND && number % 2 ? 5 : 0);
        board_stage_number(b, DEPTH, values->hundredths / (version == SECOND ? 1 : 10));
        give(values, DEPTH, true);
        make_text(text, shape == PLAIN ? 16 : shape == LONG ? 24 : 8 + draw % 17, number, 'k');
        stage_text(b, values, KEY, text);
    }
    if ((shape == LONG || shape == VARIED) && version != THIRD) {
        values->certificate_length = (uint8_t)(shape == LONG ? most : 1 + draw / 32 % most);
        for (unsigned i = 0; i < values->certificate_length; i++) {
            values->certificate[i] = (uint8_t)(0x80 | (draw >> i % 16));
        }
        board_stage_bytes(b, CERT, values->certificate, values->certificate_length);
        give(values, CERT, true);
        values->mode = (uint8_t)(version == SECOND ? 2 : number % 3);
        board_stage_number(b, MODE, version == SECOND ? 0 : values->mode);
        give(values, MODE, true);
    }
    if (shape == SMALL || shape == CLEARED) {
        for (unsigned field = KEY; field < fields_of(version); field++) {
            stage_clear(b, values, field);
        }
        if (shape == CLEARED) {
            stage_clear(b, values, DEPTH);
        }
    }
    if (version == SECOND) {
        values->height = (int32_t)(number % 9000);
        board_stage_number(b, HEIGHT, values->height);
        give(values, HEIGHT, true);
    }
    return o->sets++;
}

/* Whether one generation comes before another, 0 before all, and the last ones before the first. */
static bool precedes(uint32_t one, uint32_t other)
{
    return one == 0 || other == 0 ? one < other : one != other && other - one < UINT32_C(1) << 31;
}

/* The generation told, with the state that it is told for. */
static int note_generation(oracle *o, const board *b, bool acknowledged)
{
    uint32_t generation = b->stub->generation;
    const state *now = &o->possible[0];
    unsigned at = generation % NAMED;
    bool back = precedes(generation, o->told);
    if (!o->asked && generation > 0) {
        return GENERATION;
    }
    bool may_go_back = o->weak || o->cuts >= 3;
    if (acknowledged
            ? !precedes(o->told, generation)
            : back && (!may_go_back || (!o->weak && precedes(generation, o->acknowledged)))) {
        return GENERATION;
    }
    if (back) {
        memset(o->named, 0, sizeof o->named); /* those above this one count anew */
    } else if (!o->weak && generation > 0 && o->named[at].generation == generation &&
               (o->named[at].current != now->current ||
                o->named[at].starts_left != now->starts_left)) {
        return GENERATION;
    }
    o->named[at].generation = generation;
    o->named[at].current = now->current;
    o->named[at].starts_left = now->starts_left;
    o->told = generation;
    if (acknowledged) {
        o->acknowledged = generation;
    }
    if (flash_torn(&b->flash) == 0) {
        o->cuts = 0;
    }
    return HOLDS;
}

/* Keeps of the possible states those that the board tells. False if none is left. */
static bool narrow(oracle *o, const one_set *sets, const board *b, unsigned firmware)
{
    board_told answer = ask(b);
    int kept = 0;
    for (int i = 0; i < o->count; i++) {
        const state *one = &o->possible[i];
        if (one->starts_left == answer.starts_left &&
            tells(b, sets, one->current, firmware, true)) {
            o->possible[kept++] = *one;
        }
    }
    o->count = o->matching = (uint8_t)kept;
    return kept > 0;
}

/* After more cuts than the board withstands: it tells a whole set that was once committed, or none,
 * and from there on that one counts. */
static int start_over(oracle *o, const one_set *sets, const board *b, unsigned firmware)
{
    int set = oracle_told(o, sets, b, firmware);
    if (set == MOST_SETS) {
        return judge(o, sets, b, firmware);
    }
    o->count = 0;
    add(o, (state){(int16_t)set, NO_SET, NO_SET, ask(b).starts_left, 1});
    o->matching = 1;
    return HOLDS;
}

int oracle_started(oracle *o, const one_set *sets, const board *b, unsigned firmware, int error)
{
    oracle before = *o;
    if (error != 0 || b->flash.broken_rules != 0 || b->flash.dead) {
        return STARTS;
    }
    if (o->beyond) {
        return start_over(o, sets, b, firmware);
    }
    o->count = 0;
    for (int i = 0; i < before.count; i++) {
        add(o, after_start(before.possible[i], firmware));
    }
    for (int i = 0; i < before.count && o->weak; i++) {
        add(o, kept_for_good(before.possible[i]));
    }
    for (int i = 0; i < before.count && o->few && o->misread; i++) {
        add(o, before.possible[i]);
    }
    oracle all = *o;
    if (!narrow(o, sets, b, firmware)) {
        return judge(&before, sets, b, firmware);
    }
    int wrong = note_generation(o, b, false);
    if (o->weak) {
        /* Another state may show at the next start; its trial may or may not have been counted. */
        for (int i = 0; i < all.count; i++) {
            add(o, all.possible[i]);
        }
        for (int i = 0; i < before.count; i++) {
            add(o, before.possible[i]);
        }
    }
    return wrong;
}

void oracle_cut(oracle *o, const step *s, unsigned firmware, int added, int undone)
{
    int count = o->count;
    o->cuts++;
    o->asked = o->asked || s->request != START;
    for (int i = 0; i < count; i++) {
        state one = o->possible[i];
        add(o, s->request == START ? after_start(one, firmware)
                                   : followed(one, s, firmware, added, undone));
    }
    for (int i = 0; i < o->count && (o->few || o->cuts > 1); i++) {
        o->possible[i].unsure = 1;
    }
}

int oracle_answered(oracle *o, const one_set *sets, const board *b, const step *s,
                    unsigned firmware, int added, int refusal)
{
    state now = o->possible[0];
    oracle before;
    o->asked = true;
    if (b->flash.broken_rules != 0) {
        return STARTS;
    }
    if (o->beyond) {
        int right = s->request == ERASE_ALL ? NO_SET : added;
        bool decides = refusal == 0 && (s->request <= AGAIN || s->request == ERASE_ALL);
        if (decides && !tells(b, sets, right, firmware, true)) {
            return judge(o, sets, b, firmware);
        }
        return start_over(o, sets, b, firmware);
    }
    if (refusal != 0) {
        /* An erase may be refused although nothing is in force any more. */
        if (s->request == ERASE_ALL && refusal == PV_REFUSE_STORAGE) {
            int count = o->count;
            for (int i = 0; i < count; i++) {
                state one = followed(o->possible[i], s, firmware, added, NO_SET);
                one.unsure = 1; /* a set may be left in the slot that failed */
                add(o, one);
            }
        }
        if (refusal == PV_REFUSE_NO_OLDER_SET) {
            int older = now.starts_left > 0 ? now.confirmed : now.older;
            if (s->request != UNDO_IT || (!now.unsure && older != NO_SET &&
                                          is_complete(&sets[older].values, firmware))) {
                return UNDO;
            }
        } else if (refusal != PV_REFUSE_STORAGE) {
            return UNDO;
        }
        before = *o;
        if (!narrow(o, sets, b, firmware)) {
            return UNDO;
        }
        return o->weak ? (*o = before, HOLDS) : note_generation(o, b, false);
    }
    int undone = NO_SET;
    if (s->request == UNDO_IT && now.unsure) {
        undone = oracle_told(o, sets, b, firmware);
        if (undone == NO_SET || undone == MOST_SETS) {
            return UNDO;
        }
    }
    before = *o;
    o->count = 0;
    for (int i = 0; i < before.matching; i++) { /* what was told is what the request began with */
        add(o, followed(before.possible[i], s, firmware, added, undone));
        if (o->weak && s->request == EXPIRE) {
            add(o, kept_for_good(before.possible[i]));
        }
    }
    if (!narrow(o, sets, b, firmware)) {
        return s->request == UNDO_IT ? UNDO : judge(&before, sets, b, firmware);
    }
    return note_generation(o, b, true);
}

int oracle_flipped(const oracle *o, const one_set *sets, const board *b, unsigned firmware,
                   int error, bool elsewhere)
{
    if (error != 0 || b->flash.broken_rules != 0) {
        return STARTS;
    }
    if (elsewhere) {
        oracle copy = *o;
        return oracle_started(&copy, sets, b, firmware, 0);
    }
    return oracle_told(o, sets, b, firmware) == MOST_SETS ? judge(o, sets, b, firmware) : HOLDS;
}
