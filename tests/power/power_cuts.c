/* SPDX-License-Identifier: MIT */
/*
 * Cuts the power of the C store everywhere, and holds what the board then tells against the oracle.
 *
 *   power_cuts matrix    scenarios=FILE geometry=N slots=N tear=NAME [depth=N] [each=N] [readings=N]
 *                                             [withstands=N]
 *   power_cuts faults    scenarios=FILE geometry=N slots=N [each=N]
 *   power_cuts flips     scenarios=FILE geometry=N slots=N
 *   power_cuts deep      scenarios=FILE slots=N cuts=N [withstands=N]
 *   power_cuts histories first=N count=N [slots=N] [stable=1] [trace=1]
 *   power_cuts wear
 *
 * [only=NAME] takes one scenario; [from=N] begins with a board that was erased at generation N;
 * [turn=N] commits so many sets before a scenario, so that its records lie in other slots; [withstands=N]
 * promises more cuts than STORAGE.md does. Each prints a line for each of the first violations, then one
 * JSON object that counts. scripts/power_cuts.py runs all of it.
 */
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "oracle.h"

/* ------------------------------------------------------------------ geometries and scenarios */

typedef struct geometry {
    uint32_t slot_size, erase_unit;
    uint16_t program_unit;
} geometry;

/* From the smallest erase unit to the largest, with each program unit; the first two take two erase
 * units for a slot. The next is for `deep`: few operations, so that all histories can be tried. The
 * last two are for short runs. */
static const geometry geometries[] = {
    {512, 256, 1},    {512, 256, 4},    {512, 512, 8},     {1024, 1024, 16},
    {2048, 2048, 32}, {4096, 4096, 256}, {1024, 1024, 256},
    {512, 256, 8}, {512, 512, 1},
};
enum { GEOMETRIES = 6, COARSE = 6 };

static const char *const tear_names[] = {"nothing",      "prefix",   "subset",
                                         "all-but-last", "unstable", "ecc"};
static const char *const firmware_names[] = {"plain", "second", "third", "trial"};
static const char *const request_names[] = {"commit",  "again",  "undo", "erase",
                                            "confirm", "expire", "start"};
static const char *const shape_names[] = {"plain", "small", "long", "cleared", "same", "varied"};

enum { MOST_SCENARIOS = 96, MOST_STEPS = 8 };

typedef struct scenario {
    char name[64];
    uint8_t firmware, later, count;
    step before[MOST_STEPS];
    step last;
} scenario;

static scenario scenarios[MOST_SCENARIOS];
static int scenario_count;

static void quit(const char *why, const char *what)
{
    fprintf(stderr, "power_cuts: %s: %s\n", why, what);
    exit(2);
}

static uint8_t index_of(const char *const *names, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++) {
        if (strcmp(names[i], name) == 0) {
            return (uint8_t)i;
        }
    }
    quit("no such name", name);
    return 0;
}

#define INDEX_OF(names, name) index_of(names, sizeof names / sizeof names[0], name)

/* Cuts the blanks at both ends off. */
static char *trimmed(char *text)
{
    size_t size;
    text += strspn(text, " \t\n");
    for (size = strlen(text); size > 0 && strchr(" \t\n", text[size - 1]) != NULL; size--) {
        text[size - 1] = '\0';
    }
    return text;
}

static step read_step(char *text, uint8_t firmware)
{
    char *word = strtok(text, " ");
    step s = {.firmware = firmware};
    s.request = INDEX_OF(request_names, word == NULL ? "" : word);
    if (s.request == START && (word = strtok(NULL, " ")) != NULL) {
        s.firmware = INDEX_OF(firmware_names, word);
    }
    if (s.request == COMMIT || s.request == AGAIN) {
        word = strtok(NULL, " ");
        s.number = (uint16_t)strtoul(word == NULL ? "" : word, NULL, 10);
        word = strtok(NULL, " ");
        s.shape = word == NULL ? PLAIN : INDEX_OF(shape_names, word);
    }
    return s;
}

/* Splits at a separator, in place; the next piece starts at *text. */
static char *piece(char **text, char separator)
{
    char *begin = *text, *end = begin == NULL ? NULL : strchr(begin, separator);
    *text = end == NULL ? NULL : end + 1;
    if (end != NULL) {
        *end = '\0';
    }
    return begin == NULL ? NULL : trimmed(begin);
}

static void read_scenarios(const char *path, const char *only)
{
    char line[512];
    FILE *file = fopen(path, "r");
    if (file == NULL) {
        quit("cannot read", path);
    }
    while (fgets(line, sizeof line, file) != NULL) {
        scenario *one = &scenarios[scenario_count];
        char *rest = line, *name = piece(&rest, '|'), *firmware = piece(&rest, '|');
        char *before = piece(&rest, '|'), *last = piece(&rest, '|'), *later = piece(&rest, '|');
        if (name[0] == '#' || name[0] == '\0' || (only != NULL && strcmp(only, name) != 0)) {
            continue;
        }
        if (later == NULL || scenario_count == MOST_SCENARIOS) {
            quit("not as the head of the file says", name);
        }
        memset(one, 0, sizeof *one);
        snprintf(one->name, sizeof one->name, "%s", name);
        one->firmware = INDEX_OF(firmware_names, firmware);
        one->later = INDEX_OF(firmware_names, later);
        while (before != NULL && *before != '\0') {
            char *text = piece(&before, ',');
            if (one->count == MOST_STEPS) {
                quit("too many steps", name);
            }
            one->before[one->count++] = read_step(text, one->firmware);
        }
        one->last = read_step(last, one->later);
        scenario_count++;
    }
    fclose(file);
    if (scenario_count == 0) {
        quit("no scenario in", path);
    }
}

/* ------------------------------------------------------------------ counting and reporting */

static struct {
    uint64_t cuts, starts, histories, states, requests;
    uint64_t recoveries, recovery_erases, most_recovery_erases; /* of slots, by starts after a cut */
    uint64_t violations[INVARIANTS];
    uint64_t reported;
    bool trace;
    bool stable; /* what is torn reads alike at every start: then few slots promise more */
    uint32_t turn;
    uint32_t withstands; /* 0: what STORAGE.md says */
    uint32_t from; /* the generation that boards begin with */
    char where[256]; /* the run, as far as it does not change; then what happened in it */
    char story[4096];
} total;

static void tell(const char *format, ...) __attribute__((format(printf, 1, 2)));

/* Notes what happens, for the report of a violation. */
static void tell(const char *format, ...)
{
    size_t size = strlen(total.story);
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(total.story + size, sizeof total.story - size, format, arguments);
    va_end(arguments);
}

static bool check(int violated)
{
    if (violated == HOLDS) {
        return true;
    }
    total.violations[violated]++;
    if (total.reported++ < 20) {
        printf("violation of %d: %s:%s\n", violated, total.where, total.story);
    }
    return false;
}

static void summary(const char *part)
{
    printf("{\"part\": \"%s\", \"where\": \"%s\", \"scenarios\": %d, \"cuts\": %" PRIu64
           ", \"starts\": %" PRIu64 ", \"requests\": %" PRIu64 ", \"histories\": %" PRIu64
           ", \"states\": %" PRIu64 ", \"recoveries\": %" PRIu64 ", \"recovery_erases\": %" PRIu64
           ", \"most_recovery_erases\": %" PRIu64 ", \"violations\": {",
           part, total.where, scenario_count, total.cuts, total.starts, total.requests,
           total.histories, total.states, total.recoveries, total.recovery_erases,
           total.most_recovery_erases);
    for (int i = 1; i < INVARIANTS; i++) {
        printf("%s\"%d\": %" PRIu64, i == 1 ? "" : ", ", i, total.violations[i]);
    }
    printf("}}\n");
}

/* splitmix64 (Steele, Lea, Flood 2014): any seed will do. */
static uint64_t random_state;

static uint32_t draw(uint32_t below)
{
    uint64_t z = random_state += 0x9E3779B97F4A7C15u;
    z = (z ^ z >> 30) * 0xBF58476D1CE4E5B9u;
    z = (z ^ z >> 27) * 0x94D049BB133111EBu;
    return (uint32_t)(((z ^ z >> 31) >> 32) * below >> 32);
}

static bool chance(uint32_t percent)
{
    return draw(100) < percent;
}

/* ------------------------------------------------------------------ a board and its oracle */

typedef struct world {
    board *b;
    oracle o;
    uint8_t firmware;
    uint8_t slots;
    uint8_t geometry;
} world;

/* Sets of all worlds: each appends behind the sets of the world that it was copied from. */
static one_set sets[MOST_SETS];

static void copy(world *to, const world *from)
{
    board *b = to->b;
    board_copy(b, from->b);
    *to = *from;
    to->b = b;
}

static world new_world(uint8_t number, uint8_t slots, uint8_t firmware, uint32_t seed)
{
    const geometry *g = &geometries[number];
    world w = {.slots = slots, .geometry = number, .firmware = firmware};
    /* STORAGE.md, "Promises". */
    bool weak = !total.stable && (slots == 2 || (slots == 3 && firmware == TRIAL));
    oracle_begin(&w.o, weak, slots <= 3, total.from);
    w.b = store_board(slots, g->slot_size, g->erase_unit, g->program_unit, seed);
    if (total.from > 0) {
        store_board_age(w.b, total.from);
    }
    return w;
}

/* Whether no slot holds a byte of any value: an empty record and erased bytes, in whatever way torn
 * units read. Header and seal as in STORAGE.md. */
static bool is_wiped(const world *w)
{
    static uint8_t cells[3 * FLASH_MOST_BYTES];
    const geometry *g = &geometries[w->geometry];
    uint32_t unit = g->program_unit, seal_at = (48 + unit - 1) / unit * unit;
    flash_durable(&w->b->flash, cells);
    for (uint32_t at = 0; at < w->slots * g->slot_size; at++) {
        const uint8_t *cell = cells + 3 * at;
        uint32_t offset = at % g->slot_size;
        bool is_seal = offset >= seal_at && offset < seal_at + 8;
        bool is_token = offset >= 16 && offset < 24, is_length = offset >= 32 && offset < 36;
        for (int reading = 1; reading <= (cell[0] ? 2 : 1); reading++) {
            bool empty = cell[reading] == 0xFF || ((is_token || is_length) && cell[reading] == 0);
            if (!empty && !is_seal && (offset >= 48 || is_token || is_length)) {
                return false;
            }
        }
    }
    return true;
}

/* Invariant 7, where the board says that nothing is stored any more. */
static int check_wiped(const world *w)
{
    return oracle_told(&w->o, sets, w->b, w->firmware) != NO_SET || w->b->stub->generation == 0 ||
                   is_wiped(w)
               ? HOLDS
               : GONE;
}

/* Does a step on the board: what it answered, or how the start ended. A start begins in a power
 * cycle that the caller began. `added` is the set that comes of a commit. */
static int act(world *w, const step *s, int *added)
{
    *added = NO_SET;
    switch (s->request) {
    case COMMIT:
    case AGAIN:
        *added = oracle_stage(&w->o, sets, w->b, s, w->firmware);
        return board_commit(w->b, sets[*added].token);
    case UNDO_IT:
        return pv_put_back(w->b->stub);
    case ERASE_ALL:
        return board_erase(w->b);
    case CONFIRM:
        return pv_keep_trial(w->b->stub);
    case EXPIRE:
        return pv_end_trial(w->b->stub);
    default:
        w->firmware = s->firmware;
        return store_board_start(w->b, s->firmware);
    }
}

/* Whether a host would ask for that now. */
static bool applies(const world *w, const step *s)
{
    char token[8 + 1];
    int told;
    if (s->request != AGAIN) {
        return true;
    }
    snprintf(token, sizeof token, "token%03u", s->number % 1000u);
    told = oracle_told(&w->o, sets, w->b, w->firmware);
    return told == NO_SET || told == MOST_SETS || memcmp(sets[told].token, token, 8) != 0;
}

static int perform(world *w, const step *s)
{
    int added, answer, violated;
    if (!applies(w, s)) {
        return HOLDS;
    }
    answer = act(w, s, &added);
    if (s->request == START) {
        total.starts++;
        violated = oracle_started(&w->o, sets, w->b, w->firmware, answer);
    } else {
        total.requests++;
        violated = oracle_answered(&w->o, sets, w->b, s, w->firmware, added, answer);
    }
    tell(" (generation %" PRIu32 ", answer %d)", w->b->stub->generation, answer);
    /* An erase that was refused goes on at the next start. */
    return violated != HOLDS || answer != 0 ? violated : check_wiped(w);
}

/* What a step does when nothing cuts it. */
typedef struct outcome {
    uint32_t first, end; /* its operations */
    int undone;          /* the set that it put in force */
} outcome;

static outcome look_ahead(const world *w, world *scratch, const step *s)
{
    outcome found;
    int added;
    copy(scratch, w);
    found.first = found.end = scratch->b->flash.operations;
    found.undone = NO_SET;
    if (applies(scratch, s)) {
        (void)act(scratch, s, &added);
        found.end = scratch->b->flash.operations;
        found.undone = oracle_told(&scratch->o, sets, scratch->b, scratch->firmware);
    }
    return found;
}

/* Loses power in that operation of a step. */
static void cut(world *w, const step *s, const outcome *expected, uint32_t operation,
                uint32_t bytes, unsigned tear)
{
    int added;
    tell(" %s %u %s, cut in operation %" PRIu32 " at byte %" PRIu32 " (%s);",
         request_names[s->request], s->number,
         s->request == START ? firmware_names[s->firmware] : shape_names[s->shape], operation, bytes,
         tear_names[tear]);
    w->b->flash.cut_at = operation;
    w->b->flash.cut_bytes = bytes;
    w->b->flash.cut_tear = tear;
    (void)act(w, s, &added);
    oracle_cut(&w->o, s, w->firmware, added, expected->undone);
    total.cuts++;
    if (!w->b->flash.dead) {
        check(STARTS); /* not the same operations as a moment ago */
    }
}

/* ------------------------------------------------------------------ matrix */

enum { MOST_LEVELS = 24 };
static world pool[MOST_LEVELS];

/* Boards of this geometry for copies; a level of recursion takes some of them. */
static void fill_pool(uint8_t geometry_number, uint8_t slots)
{
    for (int i = 0; i < MOST_LEVELS; i++) {
        pool[i] = new_world(geometry_number, slots, FIRST, 1);
    }
}

static void empty_pool(void)
{
    for (int i = 0; i < MOST_LEVELS; i++) {
        board_free(pool[i].b);
    }
}

/* The board just before the last step; a start begins a power cycle of its own. */
static bool prepare(world *w, const scenario *one)
{
    step begin = {.request = START, .firmware = FIRST};
    total.story[0] = '\0';
    tell(" %s: before;", one->name);
    for (uint32_t i = 0; i < total.turn; i++) {
        step turn = {.request = COMMIT, .number = (uint16_t)(950 + i)};
        if (!check(perform(w, &begin)) || !check(perform(w, &turn))) {
            return false;
        }
        flash_power_on(&w->b->flash);
    }
    begin.firmware = one->firmware;
    if (one->count > 0 || one->last.request != START) {
        if (!check(perform(w, &begin))) {
            return false;
        }
    }
    for (int i = 0; i < one->count; i++) {
        if (one->before[i].request == START) {
            flash_power_on(&w->b->flash);
        }
        if (!check(perform(w, &one->before[i]))) {
            return false;
        }
    }
    flash_power_on(&w->b->flash);
    if (one->last.request != START && one->count > 0) {
        /* The step is to find a board that was just switched on; that start counts in a trial, so
         * it is left out there. */
        if (!oracle_in_trial(&w->o)) {
            begin.firmware = one->later;
            return check(perform(w, &begin));
        }
    }
    return true;
}

/* The board takes a new set, and keeps it. */
static bool serves(const world *w, world *scratch)
{
    step commit = {.request = COMMIT, .number = 900, .shape = VARIED};
    step start = {.request = START, .firmware = w->firmware};
    copy(scratch, w);
    if (perform(scratch, &commit) != HOLDS) {
        return check(SERVES);
    }
    for (int i = 0; i < 2; i++) {
        flash_power_on(&scratch->b->flash);
        if (perform(scratch, &start) != HOLDS) {
            return check(SERVES);
        }
    }
    return true;
}

typedef struct plan {
    unsigned tear;
    uint32_t depth;    /* cuts in succession */
    uint32_t each;     /* after the first cut: one operation in so many, 1: each */
    uint32_t readings; /* of torn units, at each start */
    uint32_t limit;    /* cuts that the board withstands */
} plan;

/* After how many bytes to cut, by turns: 0, every one of a program, and portions of an erase. */
static uint32_t next_bytes(uint32_t bytes, uint32_t size, const geometry *g, unsigned tear)
{
    uint32_t pace = size == g->erase_unit ? (size > 32 ? size / 32 : 1) : 1;
    return tear == TEAR_PREFIX && bytes + pace < size ? bytes + pace : UINT32_MAX;
}

/* Counts the slots that a start after a cut erased. */
static void count_erases(const world *w)
{
    const geometry *g = &geometries[w->geometry];
    uint64_t erases = 0;
    for (uint32_t i = 0; i < w->b->flash.operations; i++) {
        erases += w->b->flash.sizes[i] == g->erase_unit;
    }
    erases = erases * g->erase_unit / g->slot_size;
    total.recoveries++;
    total.recovery_erases += erases;
    if (erases > total.most_recovery_erases) {
        total.most_recovery_erases = erases;
    }
}

/* A board without power: starts, and starts that are cut in turn. */
static void recover(const world *dead, uint8_t firmware, const plan *how, uint32_t cuts)
{
    step start = {.request = START, .firmware = firmware};
    size_t length = strlen(total.story);
    world *here = &pool[cuts * 3], *scratch = &pool[cuts * 3 + 1], *again = &pool[cuts * 3 + 2];
    bool varies = how->tear == TEAR_UNSTABLE || how->tear == TEAR_ECC;
    for (uint32_t reading = 0; reading < (varies ? how->readings : 1); reading++) {
        outcome expected;
        /* The board reads anew; another reading at the next turn. */
        copy(here, dead);
        for (uint32_t i = 0; i <= reading; i++) {
            flash_power_on(&here->b->flash);
        }
        total.story[length] = '\0';
        tell(" reading %" PRIu32 ";", reading);
        expected = look_ahead(here, scratch, &start);
        if (cuts < how->depth && cuts < how->limit) {
            uint32_t step_by = how->each;
            for (uint32_t i = expected.first + draw(step_by); i < expected.end; i += step_by) {
                size_t inner = strlen(total.story);
                copy(again, here);
                cut(again, &start, &expected, i, draw(4), how->tear);
                recover(again, firmware, how, cuts + 1);
                total.story[inner] = '\0';
            }
        }
        for (int i = 0; i < 3; i++) {
            if (i > 0) {
                flash_power_on(&here->b->flash);
            }
            tell(" start;");
            if (!check(perform(here, &start))) {
                break;
            }
            if (i == 0 && cuts == 1) {
                count_erases(here);
            }
            if (i == 0 && (draw(16) == 0 || cuts == 1) && !serves(here, scratch)) {
                break;
            }
        }
    }
    total.story[length] = '\0';
}

/* How many cuts in succession a board withstands (STORAGE.md, "Promises"). */
static uint32_t promised(uint8_t slots, bool in_trial)
{
    static const uint8_t outside[] = {1, 2, 4, 4}, inside[] = {0, 2, 3, 4}; /* with 2 slots to 5 */
    uint8_t i = slots > 5 ? 3 : (uint8_t)(slots - 2);
    return total.withstands ? total.withstands : total.stable ? 4 : in_trial ? inside[i] : outside[i];
}

static bool touches_trial(const scenario *one)
{
    return one->firmware == TRIAL || one->later == TRIAL;
}

/* Two slots offer neither trial nor undo. */
static bool offered(const scenario *one, uint8_t slots)
{
    bool undoes = one->last.request == UNDO_IT;
    for (int i = 0; i < one->count; i++) {
        undoes = undoes || one->before[i].request == UNDO_IT;
    }
    return slots > 2 || (!touches_trial(one) && !undoes);
}

static void run_matrix(uint8_t number, uint8_t slots, const plan *how)
{
    fill_pool(number, slots);
    for (int i = 0; i < scenario_count; i++) {
        const scenario *one = &scenarios[i];
        const geometry *g = &geometries[number];
        plan mine = *how;
        world w = new_world(number, slots, one->firmware, 1);
        mine.limit = promised(slots, touches_trial(one));
        if (offered(one, slots) && prepare(&w, one)) {
            outcome expected = look_ahead(&w, &pool[0], &one->last);
            size_t length = strlen(total.story);
            for (uint32_t operation = expected.first; operation < expected.end; operation++) {
                uint32_t size = pool[0].b->flash.sizes[operation], bytes = 0;
                for (; bytes != UINT32_MAX; bytes = next_bytes(bytes, size, g, how->tear)) {
                    copy(&pool[0], &w);
                    cut(&pool[0], &one->last, &expected, operation, bytes, how->tear);
                    recover(&pool[0], one->later, &mine, 1);
                    total.story[length] = '\0';
                }
                (void)look_ahead(&w, &pool[0], &one->last); /* for the next size */
            }
            tell(" whole;");
            if (check(perform(&w, &one->last))) {
                (void)serves(&w, &pool[0]);
            }
        }
        board_free(w.b);
    }
    empty_pool();
}

/* ------------------------------------------------------------------ faults without a cut */

/* Each operation reports a failure, or does nothing and says that it did: what is acknowledged is
 * there, what is refused changed nothing. */
static void run_faults(uint8_t number, uint8_t slots)
{
    fill_pool(number, slots);
    for (int i = 0; i < scenario_count; i++) {
        const scenario *one = &scenarios[i];
        world w = new_world(number, slots, one->firmware, 1);
        if (offered(one, slots) && one->last.request != START && prepare(&w, one)) {
            outcome expected = look_ahead(&w, &pool[0], &one->last);
            size_t length = strlen(total.story);
            for (uint32_t at = expected.first; at < 2 * expected.end - expected.first; at++) {
                bool silent = at >= expected.end;
                uint32_t operation = silent ? at - (expected.end - expected.first) : at;
                step start = {.request = START, .firmware = one->later};
                world *here = &pool[0];
                copy(here, &w);
                tell(" operation %" PRIu32 " %s;", operation, silent ? "does nothing" : "fails");
                if (silent) {
                    here->b->flash.silent = operation;
                } else {
                    here->b->flash.fail_from = operation;
                    here->b->flash.fail_to = operation + 1;
                }
                if (check(perform(here, &one->last))) {
                    for (int k = 0; k < 2; k++) {
                        flash_power_on(&here->b->flash);
                        if (!check(perform(here, &start))) {
                            break;
                        }
                    }
                }
                total.cuts++;
                total.story[length] = '\0';
            }
        }
        board_free(w.b);
    }
    empty_pool();
}

/* Two starts, and requests that must find what was acknowledged. */
static void go_on(world *w, uint8_t firmware)
{
    const step steps[] = {{.request = START, .firmware = firmware},
                          {.request = START, .firmware = firmware},
                          {.request = COMMIT, .number = 900, .shape = VARIED},
                          {.request = w->slots > 2 ? UNDO_IT : COMMIT, .number = 901},
                          {.request = START, .firmware = firmware}};
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        if (steps[i].request == START) {
            flash_power_on(&w->b->flash);
        }
        tell(" %s;", request_names[steps[i].request]);
        if (!check(perform(w, &steps[i]))) {
            return;
        }
    }
}

/* Each read of the last step, a start as any, fails once, or has one bit wrong once, of so many. */
static void run_misreads(uint8_t number, uint8_t slots, uint32_t each)
{
    fill_pool(number, slots);
    for (int i = 0; i < scenario_count; i++) {
        const scenario *one = &scenarios[i];
        world w = new_world(number, slots, one->firmware, 1), *here = &pool[0], *clean = &pool[1];
        if (offered(one, slots) && prepare(&w, one)) {
            uint32_t first = w.b->flash.reads, bit = UINT32_MAX;
            size_t length = strlen(total.story);
            copy(clean, &w);
            (void)perform(clean, &one->last);
            for (uint32_t read = first; read < clean->b->flash.reads;) {
                copy(here, &w);
                here->b->flash.wrong_read = read;
                here->b->flash.wrong_bit = bit;
                total.story[length] = '\0';
                tell(" read %" PRIu32 " wrong at bit %" PRId32 ";", read, (int32_t)bit);
                here->o.misread = true;
                if (check(perform(here, &one->last))) {
                    here->o.misread = false;
                    go_on(here, one->later);
                }
                total.cuts++;
                /* After the failure, the bits of that read; then the next one. */
                bit = bit == UINT32_MAX ? draw(each) : bit + each;
                if (bit >= 8 * here->b->flash.wrong_size) {
                    bit = UINT32_MAX;
                    read++;
                }
            }
        }
        board_free(w.b);
    }
    empty_pool();
}

/* ------------------------------------------------------------------ flipped bits */

static uint32_t get32(const uint8_t *from)
{
    return (uint32_t)from[0] | (uint32_t)from[1] << 8 | (uint32_t)from[2] << 16 |
           (uint32_t)from[3] << 24;
}

/* Every bit of what the last step left is flipped, one at a time. */
static void run_flips(uint8_t number, uint8_t slots)
{
    uint32_t slot_size = geometries[number].slot_size;
    fill_pool(number, slots);
    for (int i = 0; i < scenario_count; i++) {
        const scenario *one = &scenarios[i];
        world w = new_world(number, slots, one->firmware, 1);
        if (offered(one, slots) && prepare(&w, one) && check(perform(&w, &one->last))) {
            bool in_trial = oracle_in_trial(&w.o);
            bool erased = oracle_told(&w.o, sets, w.b, one->later) == NO_SET;
            uint32_t in_force = w.b->stub->generation;
            for (uint32_t bit = 0; bit < 8 * slots * slot_size; bit++) {
                uint32_t at = bit / 8, slot = at / slot_size;
                uint32_t there = get32(w.b->flash.seen + slot * slot_size + 4);
                world *here = &pool[0];
                bool elsewhere = (!in_trial && there != in_force) || erased;
                int error;
                copy(here, &w);
                flash_power_on(&here->b->flash);
                here->b->flash.seen[at] ^= (uint8_t)(1u << bit % 8);
                error = store_board_start(here->b, one->later);
                total.starts++;
                total.cuts++;
                if (oracle_flipped(&w.o, sets, here->b, one->later, error, elsewhere) != HOLDS) {
                    size_t length = strlen(total.story);
                    tell(" bit %" PRIu32 " flipped", bit);
                    (void)check(
                        oracle_flipped(&w.o, sets, here->b, one->later, error, elsewhere));
                    total.story[length] = '\0';
                }
            }
        }
        board_free(w.b);
    }
    empty_pool();
}

/* ------------------------------------------------------------------ every history */

/*
 * Every history of so many cuts: each operation of each start is cut, and at each start what is torn
 * in an erase unit reads as if the operation had been done or as if not, in every combination. Up to
 * three of the starts may be whole, and tell a host where the board stands. States of flash and
 * oracle that were seen before are not gone through again.
 */
enum { SEEN_SIZE = 1 << 22 };
static struct {
    uint64_t one, other;
} *seen;

static bool is_new(const world *w, uint32_t cuts, uint32_t quiet)
{
    static uint8_t cells[3 * FLASH_MOST_BYTES];
    uint64_t one = 0xCBF29CE484222325u + cuts, other = 0x9E3779B97F4A7C15u + quiet;
    size_t size = 3 * w->slots * geometries[w->geometry].slot_size;
    static oracle known;
    const uint8_t *parts[] = {cells, (const uint8_t *)&known};
    const size_t sizes[] = {size, sizeof known};
    known = w->o;
    memset(known.possible + known.count, 0, sizeof known.possible - known.count * sizeof(state));
    flash_durable(&w->b->flash, cells);
    for (int part = 0; part < 2; part++) {
        for (size_t i = 0; i + 8 <= sizes[part]; i += 8) {
            uint64_t word;
            memcpy(&word, parts[part] + i, 8);
            one = (one ^ word) * 0x100000001B3u;
            one ^= one >> 29;
            other = (other + word) * 0xD6E8FEB86659FD93u;
            other ^= other >> 32;
        }
    }
    if (total.states > SEEN_SIZE / 2) {
        quit("too many states for the table", total.where);
    }
    for (size_t at = one % SEEN_SIZE;; at = (at + 1) % SEEN_SIZE) {
        if (seen[at].one == 0 && seen[at].other == 0) {
            seen[at].one = one;
            seen[at].other = other;
            total.states++;
            return true;
        }
        if (seen[at].one == one && seen[at].other == other) {
            return false;
        }
    }
}

static void explore(const world *dead, uint8_t firmware, uint32_t cuts, uint32_t quiet,
                    uint32_t level)
{
    step start = {.request = START, .firmware = firmware};
    uint32_t torn = flash_torn(&dead->b->flash), happened = torn;
    world *here = &pool[level * 2], *next = &pool[level * 2 + 1];
    size_t length = strlen(total.story);
    if (!is_new(dead, cuts, quiet)) {
        return;
    }
    for (;;) {
        outcome expected;
        copy(here, dead);
        flash_power_on_as(&here->b->flash, happened);
        tell(" torn units read as done: %" PRIx32 ";", happened);
        expected = look_ahead(here, next, &start);
        for (uint32_t i = expected.first; i < expected.end && cuts > 0; i++) {
            size_t inner = strlen(total.story);
            copy(next, here);
            cut(next, &start, &expected, i, 0, TEAR_UNSTABLE);
            explore(next, firmware, cuts - 1, quiet, level + 1);
            total.story[inner] = '\0';
        }
        tell(" start;");
        if (check(perform(here, &start)) && quiet > 0) {
            explore(here, firmware, cuts, quiet - 1, level + 1);
        }
        total.story[length] = '\0';
        if (happened == 0) {
            return;
        }
        happened = (happened - 1) & torn;
    }
}

static void run_deep(uint8_t slots, uint32_t cuts)
{
    seen = calloc(SEEN_SIZE, sizeof *seen);
    if (seen == NULL) {
        quit("no memory", "deep");
    }
    fill_pool(COARSE, slots);
    for (int i = 0; i < scenario_count; i++) {
        const scenario *one = &scenarios[i];
        world w = new_world(COARSE, slots, one->firmware, 1);
        uint32_t most = promised(slots, touches_trial(one));
        if (offered(one, slots) && prepare(&w, one)) {
            outcome expected = look_ahead(&w, &pool[0], &one->last);
            size_t length = strlen(total.story);
            most = cuts < most ? cuts : most;
            for (uint32_t operation = expected.first; operation < expected.end; operation++) {
                copy(&pool[MOST_LEVELS - 1], &w);
                cut(&pool[MOST_LEVELS - 1], &one->last, &expected, operation, 0, TEAR_UNSTABLE);
                explore(&pool[MOST_LEVELS - 1], one->later, most - 1, 3, 0);
                total.story[length] = '\0';
            }
        }
        board_free(w.b);
    }
    empty_pool();
    free(seen);
}

/* ------------------------------------------------------------------ random histories */

/* Something that a host may ask for, or that time brings about. */
static step random_request(const world *w, uint16_t number)
{
    bool in_trial = w->o.possible[0].starts_left > 0; /* as the board told */
    uint32_t which = draw(in_trial ? 12 : 9);
    step s = {.request = COMMIT, .number = number};
    s.shape = (uint8_t)(chance(60) ? VARIED : draw(SHAPES));
    if (which >= 9) {
        s.request = which == 9 ? EXPIRE : CONFIRM;
    } else if (which >= 7) {
        s.request = which == 7 ? ERASE_ALL : w->slots > 2 ? UNDO_IT : COMMIT;
    } else if (which == 6 && w->slots > 2) {
        s.request = UNDO_IT;
    } else if (which == 5 && number > 1) {
        s.request = AGAIN; /* what was asked for last */
        s.number = (uint16_t)(number - 1);
    }
    return s;
}

/* The last operation is the most delicate, and the first of a step erases. */
static uint32_t random_operation(const outcome *expected)
{
    uint32_t count = expected->end - expected->first, which = draw(10);
    return which < 4   ? expected->end - 1
           : which < 5 ? expected->first
                       : expected->first + draw(count);
}

static uint8_t random_tear(void)
{
    return (uint8_t)(total.stable ? draw(4) : chance(40) ? TEAR_UNSTABLE : draw(6));
}

/* Power may go again as long as the board promises to withstand it: cuts count from the last start
 * after which nothing was torn. */
static bool may_cut(const world *w, uint32_t streak)
{
    bool trial = w->firmware == TRIAL || oracle_in_trial(&w->o);
    return streak < promised(w->slots, trial);
}

static uint8_t next_firmware(uint8_t firmware)
{
    if (!chance(6)) {
        return firmware;
    }
    return firmware == TRIAL || chance(20) ? FIRST : firmware == FIRST ? SECOND : THIRD;
}

/* One history; all of it follows from its number. */
static void run_history(uint64_t seed, uint8_t only_slots)
{
    static const uint8_t slot_counts[] = {4, 4, 4, 4, 4, 4, 5, 3, 3, 2};
    uint8_t slots, number, firmware;
    uint32_t steps, streak = 0;
    bool on = false;
    world w, scratch;
    random_state = seed * 0x2545F4914F6CDD1Du + 1;
    slots = only_slots ? only_slots : slot_counts[draw(10)];
    number = (uint8_t)draw(GEOMETRIES);
    firmware = slots > 2 && chance(50) ? TRIAL : FIRST;
    steps = 10 + draw(20);
    w = new_world(number, slots, firmware, draw(UINT32_MAX));
    scratch = new_world(number, slots, firmware, 1);
    total.story[0] = '\0';
    tell(" history %" PRIu64 ", %u slots, geometry %u, %s;", seed, slots, number,
         firmware_names[firmware]);
    for (uint32_t i = 1; i <= steps; i++) {
        step s = {.request = START, .firmware = firmware};
        outcome expected;
        uint32_t fault;
        if (on) {
            s = random_request(&w, (uint16_t)i);
        } else {
            s.firmware = firmware = next_firmware(firmware);
            flash_power_on(&w.b->flash);
        }
        expected = look_ahead(&w, &scratch, &s);
        if (expected.end > expected.first && chance(40) && (may_cut(&w, streak) || chance(5))) {
            uint32_t operation = random_operation(&expected);
            uint32_t size = scratch.b->flash.sizes[operation];
            w.o.beyond = w.o.beyond || !may_cut(&w, streak);
            cut(&w, &s, &expected, operation, draw(size), random_tear());
            streak++;
            on = false;
            continue;
        }
        fault = draw(100);
        if (on && !w.o.weak && !w.o.beyond && fault < 8 && expected.end > expected.first) {
            uint32_t operation = random_operation(&expected);
            if (fault < 4) {
                w.b->flash.fail_from = operation;
                w.b->flash.fail_to = operation + 1;
            } else {
                w.b->flash.silent = operation;
            }
            tell(" operation %" PRIu32 " %s;", operation, fault < 4 ? "fails" : "does nothing");
        }
        tell(" %s %u %s;", request_names[s.request], s.number,
             s.request == START ? firmware_names[s.firmware] : shape_names[s.shape]);
        if (!check(perform(&w, &s))) {
            break;
        }
        if (total.trace) {
            printf("%s generation %" PRIu32 ", set %d, torn %" PRIx32 "\n", total.story,
                   w.b->stub->generation, oracle_told(&w.o, sets, w.b, w.firmware),
                   flash_torn(&w.b->flash));
            total.story[0] = '\0';
        }
        if (flash_torn(&w.b->flash) == 0) {
            streak = 0;
        }
        on = s.request == START || chance(80);
        if (i == steps) {
            (void)serves(&w, &scratch);
        }
    }
    total.histories++;
    board_free(scratch.b);
    board_free(w.b);
}

/* ------------------------------------------------------------------ wear */

/* How often each slot was erased by so many requests. */
static void wear_of(world *w, const char *what, uint32_t times, const step *first,
                    const step *second)
{
    const geometry *g = &geometries[w->geometry];
    uint32_t units = g->slot_size / g->erase_unit, before[8], least = UINT32_MAX, most = 0, sum = 0;
    for (uint8_t slot = 0; slot < w->slots; slot++) {
        before[slot] = w->b->flash.erases[slot * units];
    }
    for (uint32_t i = 0; i < times; i++) {
        step s = second != NULL && i % 2 == 1 ? *second : *first;
        s.number = (uint16_t)(1 + i % 900);
        w->o.sets = i % 2 == 0 ? 1 : w->o.sets; /* the table need not remember all of them */
        if (s.request == START) {
            flash_power_on(&w->b->flash);
        }
        int added, answer = act(w, &s, &added);
        if (answer != 0) {
            check(STARTS);
        }
    }
    for (uint8_t slot = 0; slot < w->slots; slot++) {
        uint32_t erased = w->b->flash.erases[slot * units] - before[slot];
        least = erased < least ? erased : least;
        most = erased > most ? erased : most;
        sum += erased;
    }
    printf("{\"wear\": \"%s\", \"slots\": %u, \"times\": %" PRIu32 ", \"erases\": %" PRIu32
           ", \"least\": %" PRIu32 ", \"most\": %" PRIu32 "}\n",
           what, w->slots, times, sum, least, most);
}

static void run_wear(void)
{
    static const uint8_t counts[] = {2, 3, 4, 5, 8};
    const step commit = {.request = COMMIT, .shape = VARIED}, undo = {.request = UNDO_IT};
    const step erase = {.request = ERASE_ALL}, start = {.request = START, .firmware = FIRST};
    const step confirm = {.request = CONFIRM}, trial = {.request = START, .firmware = TRIAL};
    for (size_t i = 0; i < sizeof counts; i++) {
        world w = new_world(1, counts[i], FIRST, 1);
        (void)store_board_start(w.b, FIRST);
        wear_of(&w, "commit", 10000, &commit, NULL);
        if (counts[i] > 2) {
            wear_of(&w, "undo", 10000, &undo, NULL);
        }
        wear_of(&w, "start", 10000, &start, NULL);
        wear_of(&w, "commit, erase", 10000, &commit, &erase);
        board_free(w.b);
        if (counts[i] > 2) {
            w = new_world(1, counts[i], TRIAL, 1);
            (void)store_board_start(w.b, TRIAL);
            w.firmware = TRIAL;
            wear_of(&w, "commit, confirm", 10000, &commit, &confirm);
            wear_of(&w, "commit, start in the trial", 10000, &commit, &trial);
            board_free(w.b);
        }
    }
}

/* ------------------------------------------------------------------ the command */

static const char *option(int count, char **arguments, const char *name, const char *otherwise)
{
    size_t size = strlen(name);
    for (int i = 2; i < count; i++) {
        if (strncmp(arguments[i], name, size) == 0 && arguments[i][size] == '=') {
            return arguments[i] + size + 1;
        }
    }
    return otherwise;
}

static uint64_t number(int count, char **arguments, const char *name, const char *otherwise)
{
    return strtoull(option(count, arguments, name, otherwise), NULL, 10);
}

int main(int count, char **arguments)
{
    const char *part = count > 1 ? arguments[1] : "";
    const char *path = option(count, arguments, "scenarios", NULL);
    const char *tear = option(count, arguments, "tear", "prefix");
    uint8_t which = (uint8_t)number(count, arguments, "geometry", "1");
    uint8_t slots = (uint8_t)number(count, arguments, "slots", "4");
    total.from = (uint32_t)number(count, arguments, "from", "0");
    total.turn = (uint32_t)number(count, arguments, "turn", "0");
    total.withstands = (uint32_t)number(count, arguments, "withstands", "0");
    if (path != NULL) {
        read_scenarios(path, option(count, arguments, "only", NULL));
    }
    for (int i = 1; i < count; i++) {
        size_t size = strlen(total.where);
        if (strncmp(arguments[i], "scenarios=", 10) != 0) {
            snprintf(total.where + size, sizeof total.where - size, "%s%s", i > 1 ? " " : "",
                     arguments[i]);
        }
    }
    if (strcmp(part, "matrix") == 0) {
        plan how = {.tear = INDEX_OF(tear_names, tear)};
        how.depth = (uint32_t)number(count, arguments, "depth", "2");
        how.each = (uint32_t)number(count, arguments, "each", "1");
        how.readings = (uint32_t)number(count, arguments, "readings", "4");
        run_matrix(which, slots, &how);
    } else if (strcmp(part, "faults") == 0) {
        run_faults(which, slots);
        run_misreads(which, slots, (uint32_t)number(count, arguments, "each", "1"));
    } else if (strcmp(part, "flips") == 0) {
        run_flips(which, slots);
    } else if (strcmp(part, "deep") == 0) {
        run_deep(slots, (uint32_t)number(count, arguments, "cuts", "4"));
    } else if (strcmp(part, "histories") == 0) {
        uint64_t first = number(count, arguments, "first", "0");
        uint64_t end = first + number(count, arguments, "count", "1");
        total.stable = number(count, arguments, "stable", "0") != 0;
        total.trace = number(count, arguments, "trace", "0") != 0;
        for (uint64_t seed = first; seed < end; seed++) {
            run_history(seed, (uint8_t)number(count, arguments, "slots", "0"));
        }
    } else if (strcmp(part, "wear") == 0) {
        run_wear();
    } else {
        quit("no such part", part);
    }
    summary(part);
    return 0;
}
