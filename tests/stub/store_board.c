/* SPDX-License-Identifier: MIT */
/*
 * A board for the tests of the store: the stub on the flash model, without a line. It is driven
 * below the messages, so that a test can reach every operation in any state. Its schemas are
 * written by hand: version 1, and 2 and 3 that follow it as updates.
 */
#include "store_board.h"

#include <stdlib.h>
#include <string.h>

#include "flash_model.h"
#include "pv_internal.h"

/* ------------------------------------------------------------------ schemas */

enum { UNIT_M = 0x8CE0 }; /* low 16 bits of the CRC-32C of "m"; a test recomputes it */
#define TAG(kind, digits, unit)                                                                    \
    ((uint32_t)(kind) | (uint32_t)(digits) << 8 | (uint32_t)(unit) << 16)
#define AT(type, member) (uint16_t)offsetof(type, member)

static const settings defaults = {.depth = 20};
static const settings finer_defaults = {.depth = 200};

static const char *const modes[] = {"off", "siren", "lamp", NULL};
static const char *const fewer_modes[] = {"lamp", "off", NULL};
static const char *const old_title[] = {"site.name", NULL};
static const char *const old_depth[] = {"probe.depth", NULL};
static const char *const old_label[] = {"site.title", "site.name", NULL};
static const char *const old_single_depth[] = {"probe.1.depth", NULL};

#define FIELD(key_, was_, kind_, tag_, names_, least, most, member, flags_)                        \
    {.key = key_,                                                                                  \
     .was = was_,                                                                                  \
     .kind = &kind_,                                                                               \
     .tag = tag_,                                                                                  \
     .names = names_,                                                                              \
     .minimum = least,                                                                             \
     .maximum = most,                                                                              \
     .offset = AT(settings, member),                                                               \
     .network = -1,                                                                                \
     .flags = flags_}

static const pv_field first_fields[] = {
    FIELD("site.name", NULL, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 1, 16, name, PV_REQUIRED),
    FIELD("probe.depth", NULL, pv_kind_decimal, TAG(PV_KIND_DECIMAL, 1, UNIT_M), NULL, -100, 1000,
          depth, PV_HAS_DEFAULT),
    FIELD("service.key", NULL, pv_kind_secret, TAG(PV_KIND_SECRET, 0, 0), NULL, 8, 24, key,
          PV_SECRET),
    FIELD("service.cert", NULL, pv_kind_blob, TAG(PV_KIND_BLOB, 0, 0), NULL, 1, 64, certificate, 0),
    FIELD("alarm.mode", NULL, pv_kind_choice, TAG(PV_KIND_CHOICE, 0, 0), modes, 0, 2, mode, 0),
};

/* Two keys renamed, one of them into a section that repeats; a digit more; a tighter limit; an
 * option gone and the others in another order; a new required field. */
static const pv_field second_fields[] = {
    FIELD("site.title", old_title, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 1, 16, name,
          PV_REQUIRED),
    FIELD("probe.1.depth", old_depth, pv_kind_decimal, TAG(PV_KIND_DECIMAL, 2, UNIT_M), NULL, -1000,
          10000, depth, PV_HAS_DEFAULT),
    FIELD("service.key", NULL, pv_kind_secret, TAG(PV_KIND_SECRET, 0, 0), NULL, 8, 24, key,
          PV_SECRET),
    FIELD("service.cert", NULL, pv_kind_blob, TAG(PV_KIND_BLOB, 0, 0), NULL, 1, 8, certificate, 0),
    FIELD("alarm.mode", NULL, pv_kind_choice, TAG(PV_KIND_CHOICE, 0, 0), fewer_modes, 0, 1, mode,
          0),
    FIELD("site.height", NULL, pv_kind_integer, TAG(PV_KIND_INTEGER, 0, UNIT_M), NULL, -500, 9000,
          height, PV_REQUIRED),
};

/* Renamed again, and back to one digit; the secret has become a plain text. */
static const pv_field third_fields[] = {
    FIELD("site.label", old_label, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 1, 16, name,
          PV_REQUIRED),
    FIELD("probe.depth", old_single_depth, pv_kind_decimal, TAG(PV_KIND_DECIMAL, 1, UNIT_M), NULL,
          -100, 1000, depth, PV_HAS_DEFAULT),
    FIELD("service.key", NULL, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 8, 24, key, 0),
};

#define SCHEMA(fields_, defaults_, number, trial, size)                                            \
    {                                                                                              \
        .stub_version = PV_STUB_VERSION, .field_count = sizeof fields_ / sizeof fields_[0],        \
        .firmware = "test", .firmware_version = "1", .board = "test", .fields = fields_,           \
        .defaults = &defaults_, .settings_size = sizeof(settings), .largest_payload = size,        \
        .trial_seconds = trial, .digest = {number}                                                 \
    }

static const pv_schema schemas[] = {
    SCHEMA(first_fields, defaults, 1, 0, 232),
    SCHEMA(second_fields, finer_defaults, 2, 0, 232),
    SCHEMA(third_fields, defaults, 3, 0, 232),
    SCHEMA(first_fields, defaults, 1, 60, 232), /* version 1 with trials */
    SCHEMA(first_fields, defaults, 1, 0, 1),    /* version 1 with a size that is wrong */
};

/* ------------------------------------------------------------------ the board */

struct board {
    flash_model flash; /* first, see board_copy */
    pv_flash geometry;
    pv_config config;
    pv p;
    settings settings, staged;
    uint8_t unit[256];
    uint32_t reads_left; /* until reading fails; UINT32_MAX: never */
    uint32_t reads;      /* in this power cycle */
    uint32_t wrong_read; /* this one fails, or has one bit of it wrong; UINT32_MAX: none */
    uint32_t wrong_bit;  /* UINT32_MAX: it fails */
    uint32_t wrong_size; /* bytes of it, once it was */
};

static int read_back(void *context, uint32_t offset, void *to, size_t size)
{
    board *b = context;
    bool is_wrong = b->reads++ == b->wrong_read;
    int result;
    if (b->reads_left != UINT32_MAX && b->reads_left-- == 0) {
        b->reads_left = 0;
        return -1;
    }
    result = flash_read(&b->flash, offset, to, size);
    if (is_wrong) {
        b->wrong_size = (uint32_t)size;
        if (b->wrong_bit == UINT32_MAX) {
            return -1;
        }
        ((uint8_t *)to)[b->wrong_bit / 8 % size] ^= (uint8_t)(1u << b->wrong_bit % 8);
    }
    return result;
}

static int program(void *context, uint32_t offset, const void *from, size_t size)
{
    board *b = context;
    return flash_program(&b->flash, offset, from, size);
}

static int erase(void *context, uint32_t offset)
{
    board *b = context;
    return flash_erase(&b->flash, offset);
}

static void wire(board *b, const pv_schema *schema)
{
    b->geometry.read = read_back;
    b->geometry.program = program;
    b->geometry.erase = erase;
    memset(&b->config, 0, sizeof b->config);
    b->config.schema = schema;
    b->config.flash = &b->geometry;
    b->config.context = b;
    b->config.settings = &b->settings;
    b->config.staged = &b->staged;
    b->config.unit = b->unit;
    b->p.config = &b->config;
}

static void read_rightly(board *b)
{
    b->reads = 0;
    b->reads_left = b->wrong_read = UINT32_MAX;
}

board *board_new(uint8_t slots, uint32_t slot_size, uint32_t erase_unit, uint16_t program_unit,
                 uint32_t seed)
{
    board *b = calloc(1, sizeof *b);
    if (b == NULL) {
        abort();
    }
    b->geometry.slot_count = slots;
    b->geometry.slot_size = slot_size;
    b->geometry.erase_unit = erase_unit;
    b->geometry.program_unit = program_unit;
    read_rightly(b);
    flash_blank(&b->flash, slots * slot_size, erase_unit, program_unit, seed);
    return b;
}

void board_free(board *b)
{
    free(b);
}

/* Another board in the same state, in the middle of a power cycle or not. */
void board_copy(board *to, const board *from)
{
    const pv_schema *schema = from->config.schema;
    flash_copy(&to->flash, &from->flash);
    memcpy(&to->geometry, &from->geometry, sizeof *to - offsetof(board, geometry));
    wire(to, schema);
}

/* A start of the firmware with that schema: nothing of the RAM is left. */
int board_start(board *b, unsigned schema)
{
    memset(&b->p, 0, sizeof b->p);
    memset(&b->settings, 0xA5, sizeof b->settings);
    memset(&b->staged, 0, sizeof b->staged);
    memset(b->unit, 0, sizeof b->unit);
    wire(b, &schemas[schema]);
    b->p.capabilities = PV_CAN_ERASE;
    if (schemas[schema].trial_seconds > 0) {
        b->p.capabilities |= PV_CAN_TRIAL;
    }
    pv_drop_staged(&b->p);
    return pv_store_start(&b->p);
}

void board_power(board *b)
{
    read_rightly(b);
    flash_power_on(&b->flash);
}

void board_power_as(board *b, uint32_t happened)
{
    read_rightly(b);
    flash_power_on_as(&b->flash, happened);
}

void board_stage_bytes(board *b, uint16_t field, const uint8_t *bytes, size_t size)
{
    const pv_field *one = &b->config.schema->fields[field];
    memcpy(pv_member_bytes(one, &b->staged), bytes, size);
    pv_member_close(one, &b->staged, size);
    b->staged.state[field] = PV_IS_STAGED;
}

/* Bytes of a value whose other parts are still to come. */
void board_stage_parts(board *b, uint16_t field, const uint8_t *bytes, size_t size)
{
    const pv_field *one = &b->config.schema->fields[field];
    memcpy(pv_member_bytes(one, &b->staged), bytes, size);
    b->p.part_field = field;
    b->p.part_held = (uint16_t)size;
    b->p.part_total = (uint16_t)one->maximum;
}

void board_stage_number(board *b, uint16_t field, int32_t number)
{
    const pv_field *one = &b->config.schema->fields[field];
    uint8_t *member = (uint8_t *)&b->staged + one->offset;
    if (one->kind->layout == PV_AS_NUMBER) {
        memcpy(member, &number, sizeof number);
    } else {
        *member = (uint8_t)number;
    }
    b->staged.state[field] = PV_IS_STAGED;
}

void board_stage_clear(board *b, uint16_t field)
{
    b->staged.state[field] = PV_IS_STAGED | PV_IS_CLEARED;
}

/* As pv.c commits: what is staged goes over what is stored once it is durable. */
int board_commit(board *b, const uint8_t token[8])
{
    int refusal = pv_store_commit(&b->p, token);
    if (refusal == 0) {
        pv_settings_overlay(&b->p);
        b->p.defect = pv_judge(&b->p, &b->settings);
    }
    pv_drop_staged(&b->p);
    return refusal;
}

int board_undo(board *b)
{
    return pv_store_undo(&b->p);
}

int board_confirm(board *b)
{
    return pv_store_confirm(&b->p);
}

int board_end_trial(board *b)
{
    return pv_store_end_trial(&b->p);
}

int board_erase(board *b)
{
    return pv_store_erase(&b->p);
}

/* ------------------------------------------------------------------ what tests look at */

const settings *board_settings(const board *b)
{
    return &b->settings;
}

uint32_t board_generation(const board *b)
{
    return b->p.storage.generation;
}

uint16_t board_missing(const board *b)
{
    return b->p.defect.field;
}

uint16_t board_capabilities(const board *b)
{
    return b->p.capabilities;
}

/* What the flash holds as this power cycle reads it; a test may change it. */
uint8_t *board_image(board *b)
{
    return b->flash.seen;
}

/* The erase units in which something is torn, as a set of bits. */
uint32_t board_torn(const board *b)
{
    uint32_t found = 0;
    for (uint32_t at = 0; at < b->flash.size; at += b->flash.program_unit) {
        if (b->flash.torn[at / b->flash.program_unit]) {
            found |= 1u << at / b->flash.erase_unit;
        }
    }
    return found;
}

/* All that outlives the loss of power, to compare: three bytes for each of the flash. */
void board_durable(const board *b, uint8_t *to)
{
    for (uint32_t at = 0; at < b->flash.size; at++) {
        uint8_t torn = b->flash.torn[at / b->flash.program_unit];
        *to++ = torn;
        *to++ = torn ? b->flash.before[at] : b->flash.seen[at];
        *to++ = torn ? b->flash.after[at] : 0;
    }
}

uint32_t board_erases(const board *b, uint32_t erase_unit)
{
    return b->flash.erases[erase_unit];
}

/* Programs and erases since the start of this power cycle, and the size of one of them. */
uint32_t board_operations(const board *b)
{
    return b->flash.operations;
}

uint32_t board_operation_size(const board *b, uint32_t operation)
{
    return b->flash.sizes[operation];
}

uint32_t board_broken_rules(const board *b)
{
    return b->flash.broken_rules;
}

bool board_is_dead(const board *b)
{
    return b->flash.dead;
}

/* Power goes in the operation with that number. */
void board_cut(board *b, uint32_t operation, uint32_t bytes, uint32_t tear)
{
    b->flash.cut_at = operation;
    b->flash.cut_bytes = bytes;
    b->flash.cut_tear = tear;
}

/* Operations in this range report a failure and do nothing. */
void board_fail(board *b, uint32_t from, uint32_t to)
{
    b->flash.fail_from = from;
    b->flash.fail_to = to;
}

/* That erase unit cannot be erased any more. */
void board_wear_out(board *b, uint32_t erase_unit)
{
    b->flash.worn_out = erase_unit + 1;
}

/* That operation does nothing, and reports success. */
void board_silence(board *b, uint32_t operation)
{
    b->flash.silent = operation;
}

/* That operation also clears a byte somewhere else. */
void board_spoil(board *b, uint32_t operation, uint32_t at)
{
    b->flash.spoils = operation;
    b->flash.spoiled = at;
}

void board_fail_reads(board *b, uint32_t after)
{
    b->reads_left = after;
}

/* That read of this power cycle, once, fails (bit UINT32_MAX) or has one bit wrong. */
void board_misread(board *b, uint32_t read, uint32_t bit)
{
    b->wrong_read = read;
    b->wrong_bit = bit;
}

/* Reads since the start of this power cycle, and the bytes of the one that went wrong. */
uint32_t board_reads(const board *b)
{
    return b->reads;
}

uint32_t board_misread_size(const board *b)
{
    return b->wrong_size;
}

/* Whether two boards hold the same in flash and RAM, so that whatever comes next is the same. */
bool board_same(const board *one, const board *other)
{
    uint32_t units = one->flash.size / one->flash.program_unit;
    return memcmp(one->flash.seen, other->flash.seen, one->flash.size) == 0 &&
           memcmp(one->flash.programmed, other->flash.programmed, units) == 0 &&
           memcmp(&one->p, &other->p, sizeof one->p) == 0 &&
           memcmp(&one->settings, &other->settings, sizeof one->settings) == 0 &&
           memcmp(&one->staged, &other->staged, sizeof one->staged) == 0;
}

/* Makes a blank board one that was erased when it had got to that generation. */
void board_age(board *b, uint32_t generation)
{
    (void)board_start(b, 0);
    b->p.storage.slots[0].generation = generation - 1;
    b->p.storage.slots[0].set_number = generation - 1;
    if (board_erase(b) != 0 || b->p.storage.generation != generation) {
        abort();
    }
    board_power(b);
}

enum { TOLD_SIZE = 1 + 1 + 8 + sizeof(settings) };

size_t board_told(const board *b, uint8_t *to)
{
    bool held = b->p.storage.holds_set;
    memset(to, 0, TOLD_SIZE);
    to[0] = held;
    to[1] = held ? b->p.storage.starts_left : 0;
    if (held) {
        memcpy(to + 2, b->p.storage.token, 8);
    }
    memcpy(to + 10, &b->settings, sizeof b->settings);
    return TOLD_SIZE;
}

/* Where in the RAM of the stub these bytes are, save in the settings in force; -1: nowhere. */
long board_find_in_ram(const board *b, const uint8_t *bytes, size_t size)
{
    const uint8_t *places[] = {(const uint8_t *)&b->p, (const uint8_t *)&b->staged, b->unit};
    const size_t sizes[] = {sizeof b->p, sizeof b->staged, sizeof b->unit};
    for (size_t place = 0; place < 3; place++) {
        for (size_t at = 0; at + size <= sizes[place]; at++) {
            if (memcmp(places[place] + at, bytes, size) == 0) {
                return (long)(place * 100000 + at);
            }
        }
    }
    return -1;
}
