/* SPDX-License-Identifier: MIT */
/*
 * Values by kind [9]: how they look in a settings struct and on the line, and what those of the
 * everyday kinds must be. Touches members of the settings structs that it is handed, nothing else.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ members of a settings struct */

uint8_t pv_kind_of(const PV_ROM pv_field *field)
{
    return (uint8_t)field->tag;
}

bool pv_is_secret(const PV_ROM pv_field *field)
{
    return (field->flags & PV_SECRET) != 0;
}

static uint8_t *member(const PV_ROM pv_field *field, void *settings)
{
    return (uint8_t *)settings + field->offset;
}

static const uint8_t *const_member(const PV_ROM pv_field *field, const void *settings)
{
    return (const uint8_t *)settings + field->offset;
}

static size_t member_size(const PV_ROM pv_field *field)
{
    const PV_ROM pv_layout *layout = field->kind->layout;
    return layout->is_long ? layout->size + (size_t)field->maximum : layout->size;
}

int32_t pv_number(const PV_ROM pv_field *field, const void *settings)
{
    const uint8_t *from = const_member(field, settings);
    return field->kind->layout->size == 1 ? *from : *(const int32_t *)(const void *)from;
}

uint8_t *pv_member_bytes(const PV_ROM pv_field *field, void *settings)
{
    return member(field, settings) + field->kind->layout->prefix;
}

size_t pv_member_length(const PV_ROM pv_field *field, const void *settings)
{
    return *(const uint16_t *)(const void *)const_member(field, settings);
}

void pv_member_close(const PV_ROM pv_field *field, void *settings, size_t length)
{
    uint8_t *to = member(field, settings);
    if (field->kind->layout->prefix != 0) {
        *(uint16_t *)(void *)to = (uint16_t)length;
    } else {
        to[length] = 0;
    }
}

void pv_member_wipe(const PV_ROM pv_field *field, void *settings)
{
    pv_wipe(member(field, settings), member_size(field));
}

void pv_member_copy(const PV_ROM pv_field *field, void *to, const void *from)
{
    memcpy(member(field, to), const_member(field, from), member_size(field));
}

void pv_encode_value(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    field->kind->layout->put(to, field, settings);
}

uint8_t pv_decode_value(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                        void *settings)
{
    uint8_t major = from->major == PV_NEGATIVE ? PV_UINT : from->major;
    if (major != field->kind->major || (major == PV_SIMPLE && from->argument == PV_NULL)) {
        (void)pv_pass_value(from);
        return PV_REFUSE_WRONG_KIND;
    }
    return field->kind->layout->take(schema, field, from, settings);
}

/* ------------------------------------------------------------------ numbers */

void pv_put_number_member(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    pv_put_int(to, pv_number(field, settings));
}

uint8_t pv_take_number(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                           void *settings)
{
    int32_t value;
    uint8_t refusal;
    if (from->argument > INT32_MAX) {
        return field->kind->too_large;
    }
    value = from->major == PV_NEGATIVE ? -1 - (int32_t)from->argument : (int32_t)from->argument;
    refusal = field->kind->check(schema, field, NULL, value);
    if (refusal == 0) {
        *(int32_t *)(void *)member(field, settings) = value;
    }
    return refusal;
}

uint8_t pv_check_range(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field,
                           const uint8_t *bytes, int32_t value)
{
    (void)schema;
    (void)bytes;
    return value < field->minimum || value > field->maximum ? PV_REFUSE_RANGE : 0;
}

/* ------------------------------------------------------------------ yes-no, choice */

static void put_yes_no(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    pv_put_simple(to, (uint8_t)(PV_FALSE + pv_number(field, settings))); /* true is the next */
}

static uint8_t take_yes_no(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                           void *settings)
{
    (void)schema;
    *member(field, settings) = from->argument == PV_TRUE;
    return 0;
}

static void put_option(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    const PV_ROM char *name = field->names;
    uint8_t i;
    for (i = *const_member(field, settings); i != 0; i--) {
        name += pv_length(name) + 1;
    }
    pv_put_text(to, name);
}

static uint8_t take_option(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                           void *settings)
{
    char key[PV_MAX_OPTION_KEY];
    const PV_ROM char *name;
    uint8_t i = 0;
    (void)schema;
    if (from->argument > sizeof key) {
        (void)pv_read(from, NULL, from->argument);
        return PV_REFUSE_NO_SUCH_OPTION;
    }
    if (!pv_read(from, key, from->argument)) {
        return PV_REFUSE_NO_SUCH_OPTION;
    }
    for (name = field->names; *name != '\0'; name += pv_length(name) + 1) {
        if (pv_is_text(name, key, (size_t)from->argument)) {
            *member(field, settings) = i;
            return 0;
        }
        i++;
    }
    return PV_REFUSE_NO_SUCH_OPTION;
}

/* ------------------------------------------------------------------ text, bytes */

static void put_text(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    const uint8_t *bytes = const_member(field, settings);
    size_t size = strlen((const char *)bytes);
    pv_put_head(to, PV_TEXT, (uint32_t)size);
    pv_give(to, bytes, size);
}

static void put_bytes(pv_sink *to, const PV_ROM pv_field *field, const void *settings)
{
    pv_put_bytes(to, const_member(field, settings) + sizeof(uint16_t), pv_member_length(field, settings));
}

uint8_t pv_check_bytes(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes,
                       size_t size)
{
    if (size < (size_t)field->minimum || size > (size_t)field->maximum) {
        return PV_REFUSE_LENGTH;
    }
    return field->kind->check == NULL ? 0 : field->kind->check(schema, field, bytes, (int32_t)size);
}

static uint8_t take_bytes(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, pv_reader *from,
                          void *settings)
{
    size_t size = (size_t)from->argument; /* once it is no longer than the field */
    uint8_t *to = pv_member_bytes(field, settings);
    const uint8_t *bytes = from->at;
    bool in_memory = from->fetch == NULL;
    bool fits = from->argument <= (uint32_t)field->maximum;
    uint8_t refusal;
    if (!in_memory) {
        bytes = to;
    }
    if (!pv_read(from, in_memory || !fits ? NULL : to, from->argument) || !fits) {
        return PV_REFUSE_LENGTH;
    }
    refusal = pv_check_bytes(schema, field, bytes, size);
    if (refusal == 0) {
        if (in_memory) {
            pv_member_wipe(field, settings); /* the old value may be longer */
            memcpy(to, bytes, size);
        }
        pv_member_close(field, settings, size);
    }
    return refusal;
}

/* ------------------------------------------------------------------ characters */

bool pv_is_digit(uint32_t c)
{
    return c >= '0' && c <= '9';
}

bool pv_is_letter(uint32_t c)
{
    return (c | 0x20) >= 'a' && (c | 0x20) <= 'z'; /* the bit by which ASCII tells cases apart */
}

bool pv_is_hexadecimal(uint32_t c)
{
    return pv_is_digit(c) || ((c | 0x20) >= 'a' && (c | 0x20) <= 'f');
}

bool pv_is_ascii(uint32_t c)
{
    return c >= 0x20 && c <= 0x7E;
}

bool pv_is_all(bool (*is)(uint32_t c), const uint8_t *bytes, size_t size)
{
    while (size-- != 0) {
        if (!is(*bytes++)) {
            return false;
        }
    }
    return true;
}

/* ------------------------------------------------------------------ text [9.1] */

static bool admits(uint8_t characters, uint32_t c)
{
    switch (characters) {
    case PV_CHARACTERS_ASCII:
        return pv_is_ascii(c);
    case PV_CHARACTERS_WORD:
        return pv_is_letter(c) || pv_is_digit(c) || c == '.' || c == '_' || c == '-';
    case PV_CHARACTERS_DIGITS:
        return pv_is_digit(c);
    default:
        return c > 0x1F && (c < 0x7F || c > 0x9F) && c != PV_NO_CHARACTER;
    }
}

static uint8_t check_text(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field,
                          const uint8_t *bytes, int32_t size)
{
    const uint8_t *end = bytes + size;
    (void)schema;
    while (bytes != end) {
        if (!admits(field->detail, pv_next_character(&bytes, end))) {
            return PV_REFUSE_CHARACTERS;
        }
    }
    return 0;
}

/* ------------------------------------------------------------------ wireless networks [9.2] */

enum { KEY_DIGITS = PV_LENGTH_OF_KEY };

static uint8_t check_passphrase(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes,
                                int32_t size)
{
    (void)schema;
    (void)field;
    if (size == KEY_DIGITS) {
        return pv_is_all(pv_is_hexadecimal, bytes, KEY_DIGITS) ? 0
               : pv_is_utf8(bytes, KEY_DIGITS) ? PV_REFUSE_FORM /* parts may be anything [9.1] */
                                               : PV_REFUSE_CHARACTERS;
    }
    return pv_is_all(pv_is_ascii, bytes, (size_t)size) ? 0 : PV_REFUSE_CHARACTERS;
}

/* ------------------------------------------------------------------ IP addresses */

static uint8_t check_ip(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes, int32_t size)
{
    uint8_t family = size == 4 ? 1 : size == 16 ? 2 : 0;
    (void)schema;
    (void)bytes;
    return (field->detail & family) != 0 ? 0 : PV_REFUSE_LENGTH;
}

/* ------------------------------------------------------------------ the kinds
 * Each is an object of its own, so that the linker drops those that no field names, with their layouts
 * and checks. Those with much to check have files of their own: pv_decimal.c, pv_pins.c,
 * pv_host.c, pv_time_zone.c. */

const PV_ROM pv_layout pv_as_number = {sizeof(int32_t), 0, false, pv_put_number_member, pv_take_number, NULL};
const PV_ROM pv_layout pv_as_yes_no = {1, 0, false, put_yes_no, take_yes_no, NULL};
const PV_ROM pv_layout pv_as_option = {1, 0, false, put_option, take_option, NULL};
const PV_ROM pv_layout pv_as_text = {1, 0, true, put_text, take_bytes, NULL};
const PV_ROM pv_layout pv_as_bytes = {sizeof(uint16_t), sizeof(uint16_t), true, put_bytes, take_bytes, NULL};

const PV_ROM pv_value_kind pv_kind_text = {&pv_as_text, check_text, PV_TEXT, 0};
const PV_ROM pv_value_kind pv_kind_secret = {&pv_as_text, check_text, PV_TEXT, 0};
const PV_ROM pv_value_kind pv_kind_integer = {&pv_as_number, pv_check_range, PV_UINT, PV_REFUSE_RANGE};
const PV_ROM pv_value_kind pv_kind_port = {&pv_as_number, pv_check_range, PV_UINT, PV_REFUSE_RANGE};
const PV_ROM pv_value_kind pv_kind_duration = {&pv_as_number, pv_check_range, PV_UINT, PV_REFUSE_RANGE};
const PV_ROM pv_value_kind pv_kind_yes_no = {&pv_as_yes_no, NULL, PV_SIMPLE, 0};
const PV_ROM pv_value_kind pv_kind_choice = {&pv_as_option, NULL, PV_TEXT, 0};
const PV_ROM pv_value_kind pv_kind_network_name = {&pv_as_bytes, NULL, PV_BYTES, 0};
const PV_ROM pv_value_kind pv_kind_passphrase = {&pv_as_text, check_passphrase, PV_TEXT, 0};
const PV_ROM pv_value_kind pv_kind_ip = {&pv_as_bytes, check_ip, PV_BYTES, 0};
const PV_ROM pv_value_kind pv_kind_hex = {&pv_as_bytes, NULL, PV_BYTES, 0};
const PV_ROM pv_value_kind pv_kind_blob = {&pv_as_bytes, NULL, PV_BYTES, 0};
