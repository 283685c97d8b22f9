/* SPDX-License-Identifier: MIT */
#include "store_board.h"

#include <stdlib.h>
#include <string.h>

enum { UNIT_M = 0x8CE0 }; /* low 16 bits of the CRC-32C of "m"; a test recomputes it */
#define TAG(kind, digits, unit)                                                                    \
    ((uint32_t)(kind) | (uint32_t)(digits) << 8 | (uint32_t)(unit) << 16)
#define AT(type, member) (uint16_t)offsetof(type, member)

static const uint8_t depth_default[] = {20};
static const uint8_t finer_default[] = {0x18, 200};

static const char modes[] = "off\0siren\0lamp\0";
static const char fewer_modes[] = "lamp\0off\0";
static const char old_title[] = "site.name\0";
static const char old_label[] = "site.title\0site.name\0";

#define FIELD(key_, was_, kind_, tag_, names_, least, most, member, flags_, default_)              \
    {.key = key_,                                                                                  \
     .was = was_,                                                                                  \
     .kind = &kind_,                                                                               \
     .tag = tag_,                                                                                  \
     .names = names_,                                                                              \
     .minimum = least,                                                                             \
     .maximum = most,                                                                              \
     .offset = AT(settings, member),                                                               \
     .network = -1,                                                                                \
     .flags = flags_,                                                                              \
     .default_value = default_}

static const pv_field first_fields[] = {
    FIELD("site.name", NULL, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 1, 16, name, PV_REQUIRED, NULL),
    FIELD("probe.depth", NULL, pv_kind_decimal, TAG(PV_KIND_DECIMAL, 1, UNIT_M), NULL, -100, 1000,
          depth, 0, depth_default),
    FIELD("service.key", NULL, pv_kind_secret, TAG(PV_KIND_SECRET, 0, 0), NULL, 8, 24, key,
          PV_SECRET, NULL),
    FIELD("service.cert", NULL, pv_kind_blob, TAG(PV_KIND_BLOB, 0, 0), NULL, 1, 64, cert, 0, NULL),
    FIELD("alarm.mode", NULL, pv_kind_choice, TAG(PV_KIND_CHOICE, 0, 0), modes, 0, 2, mode, 0, NULL),
};

/* Two keys renamed, one of them into a section that repeats; a digit more; a tighter limit; an
 * option gone and the others in another order; a new required field. */
static const pv_field second_fields[] = {
    FIELD("site.title", old_title, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 1, 16, name,
          PV_REQUIRED, NULL),
    FIELD("probe.1.depth", NULL, pv_kind_decimal, TAG(PV_KIND_DECIMAL, 2, UNIT_M), NULL, -1000,
          10000, depth, 0, finer_default),
    FIELD("service.key", NULL, pv_kind_secret, TAG(PV_KIND_SECRET, 0, 0), NULL, 8, 24, key,
          PV_SECRET, NULL),
    FIELD("service.cert", NULL, pv_kind_blob, TAG(PV_KIND_BLOB, 0, 0), NULL, 1, 8, cert, 0, NULL),
    FIELD("alarm.mode", NULL, pv_kind_choice, TAG(PV_KIND_CHOICE, 0, 0), fewer_modes, 0, 1, mode,
          0, NULL),
    FIELD("site.height", NULL, pv_kind_integer, TAG(PV_KIND_INTEGER, 0, UNIT_M), NULL, -500, 9000,
          height, PV_REQUIRED, NULL),
};

/* Renamed again, and back to one digit; the secret has become a plain text. */
static const pv_field third_fields[] = {
    FIELD("site.label", old_label, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 1, 16, name,
          PV_REQUIRED, NULL),
    FIELD("probe.depth", NULL, pv_kind_decimal, TAG(PV_KIND_DECIMAL, 1, UNIT_M), NULL,
          -100, 1000, depth, 0, depth_default),
    FIELD("service.key", NULL, pv_kind_text, TAG(PV_KIND_TEXT, 0, 0), NULL, 8, 24, key, 0, NULL),
};

#define SCHEMA(fields_, number, seconds, trial_, size)                                            \
    {                                                                                              \
        .stub_version = PV_STUB_VERSION, .field_count = sizeof fields_ / sizeof fields_[0],        \
        .firmware = "test", .firmware_version = "1", .board = "test", .fields = fields_,           \
        .settings_size = sizeof(settings), .largest_payload = size,        \
        .trial_seconds = seconds, .trial = trial_, .digest = {number}                                                 \
    }

static const pv_schema schemas[] = {
    SCHEMA(first_fields, 1, 0, NULL, 232),
    SCHEMA(second_fields, 2, 0, NULL, 232),
    SCHEMA(third_fields, 3, 0, NULL, 232),
    SCHEMA(first_fields, 1, 60, &pv_trials, 232), /* version 1 with trials */
    SCHEMA(first_fields, 1, 0, NULL, 1),          /* version 1 with a size that is wrong */
};

/* ------------------------------------------------------------------ the board */

board *store_board(uint8_t slots, uint32_t slot_size, uint32_t erase_unit, uint16_t program_unit,
                   uint32_t seed)
{
    const pv_flash geometry = {.slot_count = slots,
                               .slot_size = slot_size,
                               .erase_unit = erase_unit,
                               .program_unit = program_unit};
    return board_new(&schemas[FIRST], &geometry, PV_MIN_BODY_LIMIT + PV_CHECK_SIZE, seed);
}

int store_board_start(board *b, unsigned firmware)
{
    b->config.schema = &schemas[firmware];
    return board_start_anew(b);
}

void store_board_age(board *b, uint32_t generation)
{
    (void)store_board_start(b, FIRST);
    b->stub->generations[0] = generation - 1;
    if (board_erase(b) != 0 || b->stub->generation != generation) {
        abort();
    }
    flash_power_on(&b->flash);
}

void store_board_tell(const board *b, board_told *to)
{
    memset(to, 0, sizeof *to);
    if (b->stub->holds_set) {
        to->holds_set = 1;
        to->starts_left = b->stub->starts_left;
        memcpy(to->token, b->stub->token, sizeof to->token);
    }
    memcpy(&to->settings, b->config.settings, sizeof to->settings);
}
