/* SPDX-License-Identifier: MIT */
/*
 * Fuzz target: the whole stub, with its store on flash that loses power.
 *
 * Input: a byte of options, then steps; each is a byte for its sort, then its arguments as next_step()
 * reads them. differential.py reads the same input, for both boards.
 *
 * Invariants, with the clauses of shared/protocol.md:
 *   1. No step crashes, hangs, or writes outside of a buffer (sanitizers; time limit of the fuzzer).
 *   2. pv_start succeeds on whatever an earlier life of the board left in its flash [10].
 *   3. A power cut leaves what was in force, or what the step would have put in force without the cut;
 *      where the reply to commit, undo, erase or confirm came, the latter. At every later start the
 *      same is in force, save that the third start in a trial ends it [5.4].
 *   4. All that is sent are whole lines, each of one item in the profile [2, 3]: a reply or a refusal to
 *      the id that was asked, at most one for each line that came [4.1].
 *   5. No byte run of a secret is in any reply.
 *   6. Every value in force passes the check of its field [9].
 *   7. Nothing of a request is left in the receive buffer once it is answered, nothing of a record in
 *      the unit buffer, and nothing of a value in the staged struct when nothing is staged.
 *   8. The rules of flash are kept: a unit is programmed once between erases, in the power cycle that
 *      erased it.
 */
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "fuzz_board.h"
#include "reference.h"

enum { SLOTS = FUZZ_BOARD_SLOTS, SLOT = FUZZ_BOARD_SLOT_SIZE, UNIT = FUZZ_BOARD_PROGRAM_UNIT };
enum { SMALL = PV_MIN_BODY_LIMIT + PV_CHECK_SIZE, LARGE = PV_MAX_BODY + PV_CHECK_SIZE };
enum { MOST_NETWORKS = 8, LISTENS_MS = 3600000, WINDOW = 6 };

/* Options of the first byte. */
enum { WITH_PRESENCE = 1, WITH_LISTENS = 2, WITH_SMALL_LINE = 4, WITHOUT_EXTRAS = 8, OPTIONS = 16 };

/* Not in any schema, seed or dictionary; admitted by each secret field that it is given to. */
static const uint8_t canary[16] = "Nightjar-4711-Qz";
static const char *const secrets[] = {"net.pass", "words.secret", "octets.key"};

/* ------------------------------------------------------------------ the board */

static board *b;
static uint8_t last_line[1024];
static size_t last_line_size;

static board *make(uint8_t options)
{
    const pv_flash geometry = {.erase_unit = FUZZ_BOARD_ERASE_UNIT,
                               .program_unit = UNIT,
                               .slot_count = SLOTS,
                               .slot_size = SLOT};
    board *made = board_new(&fuzz_board_schema, &geometry, options & WITH_SMALL_LINE ? SMALL : LARGE, 1);
    made->speaks_without_power = true;
    made->config.credit = 1400;
    made->config.commit_time = 100;
    made->config.erase_time = 400;
    made->config.apply_time = 5000;
    made->config.listens = options & WITH_LISTENS ? LISTENS_MS : 0;
    made->config.boot_number = 0;
    made->config.present = options & WITH_PRESENCE ? board_is_present : NULL;
    if (options & WITHOUT_EXTRAS) {
        made->config.restart = made->config.locate = NULL;
        made->config.survey = NULL;
    }
    return made;
}

/* The firmware starts: nothing of the RAM is left. */
static void start(void)
{
    b->config.boot_number++;
    b->restarts = 0;
    PROMISE(board_start_anew(b) == 0); /* 2 */
}

static void power_on(void)
{
    flash_power_on(&b->flash);
    start();
}

/* What is in force, as a host and the firmware see it. */
typedef struct told {
    bool holds_set;
    uint8_t token[8];
    fuzz_board settings;
} told;

static void tell(told *to)
{
    memset(to, 0, sizeof *to);
    to->holds_set = b->stub->holds_set;
    if (to->holds_set) {
        memcpy(to->token, b->stub->token, sizeof to->token);
    }
    memcpy(&to->settings, b->config.settings, sizeof to->settings);
}

static bool same(const told *one, const told *other)
{
    return memcmp(one, other, sizeof *one) == 0;
}

/* ------------------------------------------------------------------ looking at what the board did */

static bool contains(const uint8_t *in, size_t size, const uint8_t *what, size_t length)
{
    for (size_t i = 0; i + length <= size; i++) {
        if (memcmp(in + i, what, length) == 0) {
            return true;
        }
    }
    return false;
}

static bool contains_canary(const uint8_t *in, size_t size)
{
    for (size_t i = 0; i + WINDOW <= sizeof canary; i++) {
        if (contains(in, size, canary + i, WINDOW)) {
            return true;
        }
    }
    return false;
}

/* The type of the last reply, 0xFF if there is none. */
static uint8_t look_at_replies(size_t lines)
{
    const uint8_t *output = b->sent;
    uint8_t type = 0xFF;
    size_t at = 0;
    size_t replies = 0;
    while (at < b->sent_size) {
        uint8_t item[1024];
        size_t size;
        size_t end = at + 2;
        PROMISE(output[at] == '\n' && output[at + 1] == '~'); /* 4 */
        while (end < b->sent_size && output[end] != '\n') {
            PROMISE(output[end] >= 0x21 && output[end] <= 0x7E);
            end++;
        }
        PROMISE(end < b->sent_size && end - at - 2 <= LARGE);
        PROMISE(reference_is_message(output + at + 2, end - at - 2));
        size = reference_decode(output + at + 2, end - at - 2, item);
        PROMISE(reference_is_item(item, size, PV_MAX_DEPTH));
        PROMISE(item[0] == 0x84 && item[1] == PV_PROTOCOL_VERSION);
        type = item[2] < 24 ? item[2] : item[3];
        PROMISE(type % 2 == 0);
        PROMISE(!contains_canary(item, size)); /* 5 */
        at = end + 1;
        replies++;
    }
    PROMISE(replies <= lines);
    b->sent_size = 0;
    return type;
}

static bool passes_check(const pv_field *field)
{
    static fuzz_board other;
    collector item;
    pv_reader from;
    if ((field->flags & PV_KEPT) != 0) {
        const uint8_t *settings = b->config.settings;
        const pv_kept *value = (const pv_kept *)(const void *)(settings + field->offset);
        return value->length >= field->minimum && value->length <= field->maximum &&
               value->at + value->length <= pv_room(b->stub->flash);
    }
    pv_encode_value(collector_begin(&item), field, b->config.settings);
    pv_read_memory(&from, item.bytes, item.size);
    return pv_read_head(&from) && pv_decode_value(&fuzz_board_schema, field, &from, &other) == 0 &&
           pv_left(&from) == 0;
}

/* Whether parts of a value that is kept in flash are in the unit. */
static bool is_in_parts(void)
{
    const pv *p = b->stub;
    return p->part_field != PV_NO_FIELD && p->part_held < p->part_total &&
           (fuzz_board_schema.fields[p->part_field].flags & PV_KEPT) != 0;
}

static void look_at_memory(void)
{
    const pv_schema *schema = &fuzz_board_schema;
    bool nothing_staged = b->stub->part_field == PV_NO_FIELD && pv_staged_count(b->stub) == 0;
    for (size_t i = 0; i < UNIT && !is_in_parts(); i++) {
        PROMISE(b->config.unit[i] == 0); /* 7 */
    }
    for (size_t i = b->stub->fill; i < b->config.line_size; i++) {
        PROMISE(b->config.line[i] == 0);
    }
    for (uint16_t i = 0; i < schema->field_count; i++) {
        if (PV_STATE(b->config.settings, i) & PV_IS_SET) {
            PROMISE(passes_check(&schema->fields[i])); /* 6 */
        }
    }
    if (nothing_staged) {
        for (size_t i = schema->field_count; i < schema->settings_size; i++) {
            PROMISE(((const uint8_t *)b->config.staged)[i] == 0);
        }
    }
    PROMISE(b->flash.broken_rules == 0); /* 8 */
}

/* ------------------------------------------------------------------ steps */

typedef struct input {
    const uint8_t *at;
    size_t left;
} input;

static uint8_t byte(input *from)
{
    if (from->left == 0) {
        return 0;
    }
    from->left--;
    return *from->at++;
}

static uint16_t word(input *from)
{
    uint8_t low = byte(from);
    return (uint16_t)(low | byte(from) << 8);
}

enum sort {
    RAW,     /* count8 bytes: as they are */
    ITEM,    /* count16 bytes: an item, framed */
    WAIT,    /* word: tens of milliseconds */
    RESTART,
    CUT,     /* operation, bytes, tear: power goes in the step that follows */
    REPORT,  /* run, step, reason, field */
    PRESENT,
    FOUND,   /* signal, security, whether done, count8 bytes: the name */
    ADDRESS, /* 0, 4 or 16; so many bytes */
    COMMIT,  /* token; count and digest are right */
    NAMED,   /* type, whether the number named is the present one */
    CANARY,  /* which secret field is set to the canary */
    SET,     /* field, count8 bytes: the item of the value */
    PART,    /* field, offset16, total16, count8 bytes */
    FAIL,    /* operation: it reports failure */
    AGAIN,   /* the last line once more */
    RECORD,  /* starts left, count16 bytes: payload of a record that another firmware wrote */
    ASK,     /* type, two words: hello, status, get-values, get-schema, survey, locate, ... */
    SORTS
};

typedef struct step {
    uint8_t sort;
    uint16_t a, b, c, d;
    const uint8_t *bytes;
    size_t size;
} step;

static void take_bytes(input *from, size_t size, step *to)
{
    to->size = size < from->left ? size : from->left;
    to->bytes = from->at;
    from->at += to->size;
    from->left -= to->size;
}

static bool next_step(input *from, step *to)
{
    memset(to, 0, sizeof *to);
    if (from->left == 0) {
        return false;
    }
    to->sort = byte(from) % SORTS;
    switch (to->sort) {
    case RAW:
        take_bytes(from, byte(from), to);
        break;
    case ITEM:
        take_bytes(from, word(from) % (PV_LARGEST_ITEM + 1), to);
        break;
    case WAIT:
        to->a = word(from);
        break;
    case CUT:
    case REPORT:
        to->a = byte(from);
        to->b = byte(from);
        to->c = byte(from);
        to->d = to->sort == REPORT ? byte(from) : 0;
        break;
    case FOUND:
        to->a = byte(from);
        to->b = byte(from);
        to->c = byte(from);
        take_bytes(from, 1 + byte(from) % 32, to);
        break;
    case ADDRESS:
        take_bytes(from, (size_t[]){0, 4, 16}[byte(from) % 3], to);
        break;
    case COMMIT:
    case CANARY:
    case FAIL:
        to->a = byte(from);
        break;
    case NAMED:
        to->a = byte(from);
        to->b = byte(from);
        break;
    case SET:
        to->a = byte(from);
        take_bytes(from, byte(from), to);
        break;
    case PART:
        to->a = byte(from);
        to->b = word(from);
        to->c = word(from);
        take_bytes(from, byte(from), to);
        break;
    case RECORD:
        to->a = byte(from);
        take_bytes(from, word(from) % 512, to);
        break;
    case ASK:
        to->a = byte(from);
        to->b = word(from);
        to->c = word(from);
        break;
    default:
        break;
    }
    return true;
}

/* ------------------------------------------------------------------ requests */

static pv_sink *request(collector *to, uint8_t type, uint8_t pairs)
{
    (void)collector_begin(to);
    pv_put_head(&to->sink, PV_ARRAY, 4);
    pv_put_uint(&to->sink, PV_PROTOCOL_VERSION);
    pv_put_uint(&to->sink, type);
    pv_put_uint(&to->sink, 7);
    pv_put_head(&to->sink, PV_MAP, pairs);
    return &to->sink;
}

static void put(pv_sink *to, uint32_t key, uint32_t value)
{
    pv_put_uint(to, key);
    pv_put_uint(to, value);
}

/* Hands bytes to the board until all are taken, or it restarts. Returns the type of the last reply. */
static uint8_t feed(const uint8_t *bytes, size_t size)
{
    size_t lines = 1;
    while (size != 0 && b->restarts == 0) {
        size_t taken = pv_feed(b->stub, bytes, size);
        PROMISE(taken <= size);
        pv_poll(b->stub);
        PROMISE(!pv_line_waits(b->stub));
        bytes += taken;
        size -= taken;
        lines++;
    }
    return look_at_replies(lines);
}

static uint8_t send_item(const uint8_t *item, size_t size)
{
    last_line[0] = '\n';
    last_line[1] = '~';
    last_line_size = 2 + reference_encode(item, size, last_line + 2);
    last_line[last_line_size++] = '\n';
    return feed(last_line, last_line_size);
}

static uint8_t send(const collector *from)
{
    return from->size <= PV_LARGEST_ITEM ? send_item(from->bytes, from->size) : 0xFF;
}

static const pv_field *field_of(uint16_t number)
{
    return &fuzz_board_schema.fields[number % fuzz_board_schema.field_count];
}

static uint8_t set_field(const char *key, const uint8_t *item, size_t size)
{
    collector to;
    pv_sink *sink = request(&to, PV_MSG_SET_FIELD, 2);
    pv_put_uint(sink, PV_KEY_SET_FIELD_FIELD);
    pv_put_text(sink, key);
    pv_put_uint(sink, PV_KEY_SET_FIELD_VALUE);
    sink->take(sink, item, size);
    return send(&to);
}

static uint8_t set_part(const step *s)
{
    collector to;
    pv_sink *sink = request(&to, PV_MSG_SET_FIELD, 4);
    pv_put_uint(sink, PV_KEY_SET_FIELD_FIELD);
    pv_put_text(sink, field_of(s->a)->key);
    put(sink, PV_KEY_SET_FIELD_OFFSET, s->b);
    put(sink, PV_KEY_SET_FIELD_TOTAL, s->c);
    pv_put_uint(sink, PV_KEY_SET_FIELD_PART);
    pv_put_bytes(sink, s->bytes, s->size);
    return send(&to);
}

static uint8_t set_canary(uint16_t which)
{
    uint8_t item[1 + sizeof canary];
    const char *key = secrets[which % 3];
    item[0] = (uint8_t)((which % 3 == 2 ? PV_BYTES : PV_TEXT) << 5 | (int)sizeof canary);
    memcpy(item + 1, canary, sizeof canary);
    return set_field(key, item, sizeof item);
}

static uint8_t commit(uint16_t token)
{
    collector to;
    uint8_t bytes[8];
    pv_sink *sink = request(&to, PV_MSG_COMMIT, 3);
    memset(bytes, (uint8_t)token, sizeof bytes);
    put(sink, PV_KEY_COMMIT_COUNT, pv_staged_count(b->stub) > 0 ? pv_staged_count(b->stub) : 1);
    put(sink, PV_KEY_COMMIT_DIGEST, pv_staged_digest(b->stub));
    pv_put_uint(sink, PV_KEY_COMMIT_TOKEN);
    pv_put_bytes(sink, bytes, sizeof bytes);
    return send(&to);
}

static uint8_t named(uint16_t which, uint16_t how)
{
    static const uint8_t types[] = {PV_MSG_DISCARD, PV_MSG_UNDO, PV_MSG_ERASE, PV_MSG_CONFIRM,
                                    PV_MSG_RESTART};
    uint8_t type = types[which % 5];
    bool of_boot = type == PV_MSG_DISCARD || type == PV_MSG_RESTART;
    uint32_t present = of_boot ? b->config.boot_number : b->stub->generation;
    collector to;
    put(request(&to, type, 1), 1, how % 8 == 7 ? present - 1 : present);
    return send(&to);
}

static uint8_t ask(uint16_t which, uint16_t first, uint16_t second)
{
    collector to;
    pv_sink *sink;
    switch (which % 6) {
    case 0:
        (void)request(&to, PV_MSG_HELLO, 0);
        break;
    case 1:
        (void)request(&to, PV_MSG_STATUS, 0);
        break;
    case 2:
        put(request(&to, PV_MSG_GET_VALUES, 1), PV_KEY_GET_VALUES_FIRST, first);
        break;
    case 3:
        sink = request(&to, PV_MSG_GET_SCHEMA, 2);
        put(sink, PV_KEY_GET_SCHEMA_OFFSET, first);
        put(sink, PV_KEY_GET_SCHEMA_LENGTH, second);
        break;
    case 4:
        sink = request(&to, PV_MSG_SURVEY, first != 0 ? 2 : 0);
        if (first != 0) {
            put(sink, PV_KEY_SURVEY_SCAN, first);
            put(sink, PV_KEY_SURVEY_FIRST, second);
        }
        break;
    default:
        (void)request(&to, PV_MSG_LOCATE, 0);
        break;
    }
    return send(&to);
}

static void put32(uint8_t *to, uint32_t value)
{
    for (int i = 0; i < 4; i++) {
        to[i] = (uint8_t)(value >> 8 * i);
    }
}

/* A record as STORAGE.md lays it out, newer than all others, in the slot that is not in force. */
static void write_foreign_record(const step *s)
{
    uint8_t slot = (uint8_t)((b->stub->slot < SLOTS ? b->stub->slot + 1 : 0) % SLOTS);
    uint32_t at = slot * SLOT;
    uint8_t header[48] = "PVR1";
    uint8_t seal[8] = "SEAL";
    uint32_t newest = 0;
    uint32_t crc;
    size_t length = s->size;
    for (int i = 0; i < SLOTS; i++) {
        newest = b->stub->generations[i] > newest ? b->stub->generations[i] : newest;
    }
    put32(header + 4, newest + 1);
    put32(header + 8, newest + 1);
    header[12] = 1;
    header[13] = (uint8_t)(s->a % 4);
    put32(header + 32, (uint32_t)length);
    put32(header + 36, ~pv_crc(PV_CRC_START, s->bytes, length));
    crc = ~pv_crc(PV_CRC_START, header, 44);
    put32(header + 44, crc);
    put32(seal + 4, ~crc);
    memset(b->flash.seen + at, 0xFF, SLOT);
    memset(b->flash.torn + at / UNIT, 0, SLOT / UNIT);
    memset(b->flash.programmed + at / UNIT, 1, SLOT / UNIT);
    memcpy(b->flash.seen + at, header, sizeof header);
    memcpy(b->flash.seen + at + 48, s->bytes, length);
    memcpy(b->flash.seen + at + 48 + (length + UNIT - 1) / UNIT * UNIT, seal, sizeof seal);
}

/* Does a step; returns the type of the reply. */
static uint8_t act(const step *s)
{
    uint8_t type = 0xFF;
    switch (s->sort) {
    case RAW:
        type = feed(s->bytes, s->size);
        break;
    case ITEM:
        type = send_item(s->bytes, s->size);
        break;
    case WAIT:
        b->now += s->a * 10U;
        break;
    case RESTART:
        b->restarts = 1;
        break;
    case REPORT:
        pv_report_field(b->stub, (uint8_t)(s->a % 5), (uint8_t)(s->b % 8), (uint8_t)(s->c % 11), s->d);
        break;
    case PRESENT:
        b->present = true;
        break;
    case FOUND:
        if (b->stub->scan != 0 && !b->scan_done && b->network_count < MOST_NETWORKS) {
            board_found(b, s->bytes, (uint8_t)s->size, (int8_t)-(s->a % 128), (uint8_t)(s->b % 4));
            b->scan_done = s->c & 1;
        }
        break;
    case ADDRESS:
        pv_report_address(b->stub, s->bytes, (uint8_t)s->size);
        break;
    case COMMIT:
        type = commit(s->a);
        break;
    case NAMED:
        type = named(s->a, s->b);
        break;
    case CANARY:
        type = set_canary(s->a);
        break;
    case SET:
        type = set_field(field_of(s->a)->key, s->bytes, s->size);
        break;
    case PART:
        type = set_part(s);
        break;
    case FAIL:
        b->flash.fail_from = b->flash.operations + s->a % 64;
        b->flash.fail_to = b->flash.fail_from + 1;
        break;
    case AGAIN:
        type = feed(last_line, last_line_size);
        break;
    case RECORD:
        write_foreign_record(s);
        b->restarts = 1;
        break;
    case ASK:
        type = ask(s->a, s->b, s->c);
        break;
    default:
        break;
    }
    pv_poll(b->stub);
    (void)look_at_replies(0);
    return type;
}

static void lose_power(uint32_t operation, const step *cut)
{
    b->flash.cut_at = operation;
    b->flash.cut_bytes = cut->b;
    b->flash.cut_tear = cut->c % 6;
}

/* Does a step that loses power in the middle, if it writes as long. `saved`: a board to keep this one in. */
static void act_with_cut(board *saved, const step *s, const step *cut)
{
    told without, with, found;
    uint8_t type;
    board_copy(saved, b);
    power_on();
    tell(&without);
    board_copy(b, saved);
    b->flash.fail_from = UINT32_MAX; /* one misfortune at a time */
    (void)act(s);
    if (b->restarts != 0) {
        power_on();
    }
    power_on();
    tell(&with);

    board_copy(b, saved);
    b->flash.fail_from = UINT32_MAX;
    lose_power(b->flash.operations + cut->a, cut);
    type = act(s);
    if (b->restarts != 0 && !b->flash.dead) {
        flash_power_on(&b->flash);
        lose_power(cut->a, cut);
        start();
    }
    b->flash.cut_at = UINT32_MAX;
    if (!b->flash.dead) {
        return;
    }
    power_on();
    tell(&found);
    PROMISE(same(&found, &without) || same(&found, &with)); /* 3 */
    if (type == PV_MSG_COMMIT_REPLY || type == PV_MSG_UNDO_REPLY || type == PV_MSG_ERASE_REPLY ||
        type == PV_MSG_CONFIRM_REPLY) {
        PROMISE(same(&found, &with));
    }
}

/* The power goes and comes back while nothing is written. The third start in a trial ends it, and a
 * record that another firmware left comes into force. */
static void restart(bool may_change)
{
    told before, after;
    tell(&before);
    power_on();
    tell(&after);
    PROMISE(may_change || same(&before, &after)); /* 3 */
}

/* A board as it comes from the factory, after its first start, which is the same for every input. Returns
 * a board to keep it in. */
static board *begin(uint8_t options)
{
    static board *boards[OPTIONS][3];
    board **mine = boards[options];
    if (mine[0] == NULL) {
        for (int i = 0; i < 3; i++) {
            mine[i] = make(options);
        }
        b = mine[0];
        start();
    }
    b = mine[1];
    board_copy(b, mine[0]);
    last_line_size = 0;
    return mine[2];
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    input from = {data, size};
    step s, cut;
    bool cut_due = false;
    board *saved;
    if (size == 0 || size > 4096 || contains_canary(data, size)) {
        return 0;
    }
    saved = begin(byte(&from) % OPTIONS);
    while (next_step(&from, &s)) {
        if (s.sort == CUT) {
            cut = s;
            cut_due = true;
            continue;
        }
        if (cut_due && s.sort != RECORD) {
            act_with_cut(saved, &s, &cut);
            cut_due = false;
        } else {
            (void)act(&s);
        }
        if (b->restarts != 0) {
            restart(s.sort == RECORD || b->stub->starts_left == 1);
        }
        look_at_memory();
    }
    if (b->flash.operations != 0) {
        restart(b->stub->starts_left == 1);
        look_at_memory();
    }
    return 0;
}

/* ------------------------------------------------------------------ mutations by whole steps
 * Bytes changed at random seldom make a step of another sort that still means something. */

size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t most);
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t most, unsigned seed);

/* A step with numbers of a size that means something; returns its length, at most 128. */
static size_t fresh_step(uint8_t *to, uint32_t *random)
{
    static const uint8_t values[][4] = {{0x63, 'a', 'b', 'c'}, {0x05}, {0x18, 0x1A}, {0xF5}, {0xF4}, {0xF6},
                                        {0x44, 1, 2, 3}, {0x19, 0x02, 0x00}, {0x20}, {0x60}};
    uint8_t sort = (uint8_t)(xorshift(random) % SORTS);
    size_t length = 1;
    size_t size;
    to[0] = sort;
    switch (sort) {
    case SET:
        to[1] = (uint8_t)(xorshift(random) % FUZZ_BOARD_FIELD_COUNT);
        to[2] = sizeof values[0];
        memcpy(to + 3, values[xorshift(random) % 10], sizeof values[0]);
        to[2] = (uint8_t)(to[3] >> 5 == 3 || to[3] >> 5 == 2 ? 1 + (to[3] & 31)
                          : (to[3] & 31) == 24               ? 2
                          : (to[3] & 31) == 25               ? 3
                                                             : 1);
        return 3U + to[2];
    case PART:
        size = 1 + xorshift(random) % 60;
        to[1] = (uint8_t)(xorshift(random) % FUZZ_BOARD_FIELD_COUNT);
        to[2] = (uint8_t)(xorshift(random) % 2 == 0 ? 0 : xorshift(random) % 40);
        to[3] = 0;
        to[4] = (uint8_t)(to[2] + size + (xorshift(random) % 2 == 0 ? 0 : xorshift(random) % 20));
        to[5] = 0;
        to[6] = (uint8_t)size;
        memset(to + 7, 'a' + (int)(xorshift(random) % 3), size);
        return 7 + size;
    case CUT:
        to[1] = (uint8_t)(xorshift(random) % 48);
        to[2] = (uint8_t)(xorshift(random) % 16);
        to[3] = (uint8_t)(xorshift(random) % 6);
        return 4;
    case NAMED:
        to[1] = (uint8_t)(xorshift(random) % 5);
        to[2] = (uint8_t)(xorshift(random) % 8);
        return 3;
    case ASK:
        memset(to + 1, 0, 5);
        to[1] = (uint8_t)xorshift(random);
        to[2] = (uint8_t)(xorshift(random) % 48);
        to[4] = (uint8_t)(xorshift(random) % 48);
        return 6;
    case RAW:
    case ITEM:
    case RECORD:
    case FOUND:
        to[0] = RESTART; /* those are for the bytes of libFuzzer */
        return 1;
    default:
        for (; length < 5; length++) {
            to[length] = (uint8_t)(xorshift(random) % 8);
        }
        return sort == RESTART || sort == PRESENT || sort == AGAIN ? 1 : sort == REPORT ? 5 : sort == WAIT ? 3 : 2;
    }
}

/* The places where steps begin; returns how many. */
static size_t find_steps(const uint8_t *data, size_t size, size_t *places, size_t most)
{
    input from = {data + 1, size - 1};
    step s;
    size_t count = 0;
    while (count < most && from.left != 0) {
        places[count++] = (size_t)(from.at - data);
        (void)next_step(&from, &s);
    }
    return count;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t most, unsigned seed)
{
    uint32_t random = seed * 2654435761u + 1;
    size_t places[256];
    size_t count, from, to, length;
    uint8_t fresh[128];
    if (size < 2 || xorshift(&random) % 3 == 0) {
        return LLVMFuzzerMutate(data, size, most);
    }
    count = find_steps(data, size, places, 255);
    places[count] = size;
    from = xorshift(&random) % (count + 1);
    to = from < count && xorshift(&random) % 3 == 0 ? from + 1 : from; /* replace, or insert */
    length = xorshift(&random) % 8 == 0 ? 0 : fresh_step(fresh, &random);
    if (xorshift(&random) % 4 == 0 && count != 0) { /* a step that is there already, once more */
        size_t other = xorshift(&random) % count;
        length = places[other + 1] - places[other];
        length = length <= sizeof fresh ? length : sizeof fresh;
        memcpy(fresh, data + places[other], length);
    }
    if (size - (places[to] - places[from]) + length > most) {
        return LLVMFuzzerMutate(data, size, most);
    }
    memmove(data + places[from] + length, data + places[to], size - places[to]);
    memcpy(data + places[from], fresh, length);
    return size - (places[to] - places[from]) + length;
}
