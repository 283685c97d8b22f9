/* SPDX-License-Identifier: MIT */
/* Values by kind [9]: how they look in a settings struct and on the line, and what they must be. */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ members of a settings struct */

uint8_t pv_kind_of(const pv_field *field)
{
    return (uint8_t)field->tag;
}

bool pv_is_secret(const pv_field *field)
{
    uint8_t kind = pv_kind_of(field);
    return kind == PV_KIND_SECRET || kind == PV_KIND_PASSPHRASE || (field->flags & PV_SECRET) != 0;
}

static void *member(const pv_field *field, void *settings)
{
    return (uint8_t *)settings + field->offset;
}

static const void *const_member(const pv_field *field, const void *settings)
{
    return (const uint8_t *)settings + field->offset;
}

/* The length of a byte member stands before its bytes. */
enum { LENGTH_SIZE = sizeof(uint16_t) };

static size_t member_size(const pv_field *field)
{
    switch (field->kind->layout) {
    case PV_AS_NUMBER:
        return sizeof(int32_t);
    case PV_AS_TEXT:
        return (size_t)field->maximum + 1;
    case PV_AS_BYTES:
        return (size_t)field->maximum + LENGTH_SIZE;
    default:
        return 1;
    }
}

bool pv_has_number(const pv_field *field)
{
    return field->kind->layout < PV_AS_TEXT;
}

int32_t pv_number(const pv_field *field, const void *settings)
{
    const void *from = const_member(field, settings);
    if (field->kind->layout == PV_AS_NUMBER) {
        return *(const int32_t *)from;
    }
    return *(const uint8_t *)from;
}

uint8_t *pv_member_bytes(const pv_field *field, void *settings)
{
    return (uint8_t *)member(field, settings) + (field->kind->layout == PV_AS_BYTES ? LENGTH_SIZE : 0);
}

size_t pv_member_length(const pv_field *field, const void *settings)
{
    return *(const uint16_t *)const_member(field, settings);
}

void pv_member_close(const pv_field *field, void *settings, size_t length)
{
    if (field->kind->layout == PV_AS_BYTES) {
        *(uint16_t *)member(field, settings) = (uint16_t)length;
    } else {
        ((uint8_t *)member(field, settings))[length] = 0;
    }
}

void pv_member_wipe(const pv_field *field, void *settings)
{
    pv_wipe(member(field, settings), member_size(field));
}

void pv_member_copy(const pv_field *field, void *to, const void *from)
{
    memcpy(member(field, to), const_member(field, from), member_size(field));
}

/* ------------------------------------------------------------------ on the line and in storage */

void pv_encode_value(pv_sink *to, const pv_field *field, const void *settings)
{
    switch (field->kind->layout) {
    case PV_AS_NUMBER:
        pv_put_int(to, pv_number(field, settings));
        break;
    case PV_AS_YES_NO:
        pv_put_simple(to, pv_number(field, settings) != 0 ? PV_TRUE : PV_FALSE);
        break;
    case PV_AS_OPTION:
        pv_put_text(to, field->names[pv_number(field, settings)]);
        break;
    case PV_AS_TEXT:
        pv_put_text(to, const_member(field, settings));
        break;
    default:
        pv_put_bytes(to, (const uint8_t *)const_member(field, settings) + LENGTH_SIZE,
                     pv_member_length(field, settings));
        break;
    }
}

uint8_t pv_check_bytes(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, size_t size)
{
    if (size < (size_t)field->minimum || size > (size_t)field->maximum) {
        return PV_REFUSE_LENGTH;
    }
    return field->kind->check == NULL ? 0 : field->kind->check(schema, field, bytes, (int32_t)size);
}

static uint8_t decode_bytes(const pv_schema *schema, const pv_field *field, pv_reader *from,
                            uint32_t announced, void *settings)
{
    size_t size = (size_t)announced; /* once it is no longer than the field */
    uint8_t *to = pv_member_bytes(field, settings);
    const uint8_t *in_memory = from->memory;
    uint8_t refusal;
    if (announced > (uint32_t)field->maximum) {
        (void)pv_read(from, NULL, announced);
        return PV_REFUSE_LENGTH;
    }
    if (!pv_read(from, in_memory != NULL ? NULL : to, announced)) {
        return PV_REFUSE_LENGTH;
    }
    refusal = pv_check_bytes(schema, field, in_memory != NULL ? in_memory : to, size);
    if (refusal == 0) {
        if (in_memory != NULL) {
            pv_member_wipe(field, settings); /* the old value may be longer */
            memcpy(to, in_memory, size);
        }
        pv_member_close(field, settings, size);
    }
    return refusal;
}

static uint8_t decode_option(const pv_field *field, pv_reader *from, uint32_t size, void *settings)
{
    char key[16]; /* the longest key of an option [8.2] */
    uint8_t i;
    if (size > sizeof key) {
        (void)pv_read(from, NULL, size);
        return PV_REFUSE_NO_SUCH_OPTION;
    }
    if (!pv_read(from, key, size)) {
        return PV_REFUSE_NO_SUCH_OPTION;
    }
    for (i = 0; field->names[i] != NULL; i++) {
        if (strlen(field->names[i]) == size && memcmp(field->names[i], key, (size_t)size) == 0) {
            *(uint8_t *)member(field, settings) = i;
            return 0;
        }
    }
    return PV_REFUSE_NO_SUCH_OPTION;
}

static uint8_t decode_integer(const pv_schema *schema, const pv_field *field, const pv_head *head,
                              void *settings)
{
    int32_t value;
    uint8_t refusal;
    if (head->argument > INT32_MAX) {
        return field->kind->too_large;
    }
    value = head->major == PV_NEGATIVE ? -1 - (int32_t)head->argument : (int32_t)head->argument;
    refusal = field->kind->check(schema, field, NULL, value);
    if (refusal == 0) {
        *(int32_t *)member(field, settings) = value;
    }
    return refusal;
}

uint8_t pv_decode_value(const pv_schema *schema, const pv_field *field, pv_reader *from, void *settings)
{
    pv_head head;
    if (!pv_read_head(from, &head)) {
        return PV_REFUSE_WRONG_KIND;
    }
    if ((head.major == PV_NEGATIVE ? PV_UINT : head.major) != field->kind->major) {
        if (head.major == PV_BYTES || head.major == PV_TEXT) {
            (void)pv_read(from, NULL, head.argument);
        }
        return PV_REFUSE_WRONG_KIND;
    }
    switch (field->kind->layout) {
    case PV_AS_NUMBER:
        return decode_integer(schema, field, &head, settings);
    case PV_AS_YES_NO:
        if (head.argument == PV_NULL) {
            return PV_REFUSE_WRONG_KIND;
        }
        *(uint8_t *)member(field, settings) = head.argument == PV_TRUE;
        return 0;
    case PV_AS_OPTION:
        return decode_option(field, from, head.argument, settings);
    default:
        return decode_bytes(schema, field, from, head.argument, settings);
    }
}

/* ------------------------------------------------------------------ characters */

static bool is_digit(uint32_t c)
{
    return c >= '0' && c <= '9';
}

static bool is_letter(uint32_t c)
{
    return (c | 0x20) >= 'a' && (c | 0x20) <= 'z'; /* the bit by which ASCII tells cases apart */
}

static bool is_hexadecimal(uint32_t c)
{
    return is_digit(c) || ((c | 0x20) >= 'a' && (c | 0x20) <= 'f');
}

static bool is_one_of(const char *set, uint8_t c)
{
    return c != 0 && strchr(set, c) != NULL;
}

static bool is_all(bool (*is)(uint32_t c), const uint8_t *bytes, size_t size)
{
    while (size-- != 0) {
        if (!is(*bytes++)) {
            return false;
        }
    }
    return true;
}

static bool is_ascii(uint32_t c)
{
    return c >= 0x20 && c <= 0x7E;
}

/* ------------------------------------------------------------------ integers, pins */

static uint8_t check_range(const pv_schema *schema, const pv_field *field, const uint8_t *bytes,
                           int32_t value)
{
    (void)schema;
    (void)bytes;
    return value < field->minimum || value > field->maximum ? PV_REFUSE_RANGE : 0;
}

static uint8_t check_pin(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, int32_t value)
{
    uint8_t i;
    (void)bytes;
    for (i = 0; i < schema->pin_count; i++) {
        const pv_pin *pin = &schema->pins[i];
        if (pin->number == value) {
            return pin->taken ? PV_REFUSE_PIN_TAKEN
                   : (field->detail & ~pin->abilities) != 0 ? PV_REFUSE_PIN_UNFIT
                                                            : 0;
        }
    }
    return PV_REFUSE_PIN_UNFIT;
}

/* ------------------------------------------------------------------ text [9.1] */

static bool admits(uint8_t characters, uint32_t c)
{
    switch (characters) {
    case PV_CHARACTERS_ASCII:
        return is_ascii(c);
    case PV_CHARACTERS_WORD:
        return is_letter(c) || is_digit(c) || c == '.' || c == '_' || c == '-';
    case PV_CHARACTERS_DIGITS:
        return is_digit(c);
    default:
        return c > 0x1F && (c < 0x7F || c > 0x9F) && c != PV_NO_CHARACTER;
    }
}

static uint8_t check_text(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, int32_t size)
{
    const uint8_t *end = bytes + size;
    (void)schema;
    while (bytes != end) {
        if (!admits(field->detail, pv_utf8_next(&bytes, end))) {
            return PV_REFUSE_CHARACTERS;
        }
    }
    return 0;
}

/* ------------------------------------------------------------------ wireless networks [9.2] */

enum { KEY_DIGITS = PV_LENGTH_OF_KEY };

static uint8_t check_passphrase(const pv_schema *schema, const pv_field *field, const uint8_t *bytes,
                                int32_t size)
{
    (void)schema;
    (void)field;
    if (size == KEY_DIGITS) {
        return is_all(is_hexadecimal, bytes, KEY_DIGITS)  ? 0
               : pv_is_utf8(bytes, KEY_DIGITS) ? PV_REFUSE_FORM /* parts may be anything [9.1] */
                                               : PV_REFUSE_CHARACTERS;
    }
    return is_all(is_ascii, bytes, (size_t)size) ? 0 : PV_REFUSE_CHARACTERS;
}

/* ------------------------------------------------------------------ IP addresses */

static uint8_t check_ip(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, int32_t size)
{
    uint8_t family = size == 4 ? 1 : size == 16 ? 2 : 0;
    (void)schema;
    (void)bytes;
    return (field->detail & family) != 0 ? 0 : PV_REFUSE_LENGTH;
}

/* ------------------------------------------------------------------ host names and URLs [9.3] */

enum { LONGEST_LABEL = 63 };

static bool is_host_character(uint32_t c)
{
    return is_letter(c) || is_digit(c) || c == '-' || c == '.';
}

/* Four numbers 0...255 of one to three digits without leading zeros. Labels are known not to be empty. */
static bool is_ipv4(const uint8_t *bytes, size_t size)
{
    uint8_t dots = 0;
    bool begun = false;
    uint16_t number = 0;
    size_t i;
    for (i = 0; i < size; i++) {
        if (bytes[i] == '.') {
            dots++;
            begun = false;
            number = 0;
        } else {
            if (!is_digit(bytes[i]) || (begun && number == 0)) {
                return false;
            }
            begun = true;
            number = (uint16_t)(number * 10U + (uint16_t)(bytes[i] - '0'));
            if (number > 255) {
                return false;
            }
        }
    }
    return dots == 3;
}

/* The rules of a host beyond its length and characters. */
static bool is_host(const uint8_t *bytes, size_t size)
{
    size_t label = 0; /* its first character */
    size_t i;
    for (i = 0;; i++) {
        if (i == size || bytes[i] == '.') {
            if (i == label || i - label > LONGEST_LABEL || bytes[label] == '-' || bytes[i - 1] == '-') {
                return false;
            }
            if (i == size) {
                break;
            }
            label = i + 1;
        }
    }
    return !is_all(is_digit, bytes + label, size - label) || is_ipv4(bytes, size);
}

static uint8_t check_host(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, int32_t size)
{
    (void)schema;
    (void)field;
    return !is_all(is_host_character, bytes, (size_t)size) ? PV_REFUSE_CHARACTERS
           : is_host(bytes, (size_t)size)                  ? 0
                                                           : PV_REFUSE_FORM;
}

/* RFC 3986 §2.2 and §2.3 without the brackets, and the percent sign. */
static bool is_url_character(uint32_t c)
{
    return is_letter(c) || is_digit(c) || (c < 0x7F && is_one_of("-._~:/?#@!$&'()*+,;=%", (uint8_t)c));
}

/* The length of `scheme://` if the URL begins with one of the field's schemes, else 0. */
static size_t scheme_length(const pv_field *field, const uint8_t *bytes, size_t size)
{
    const char *const *scheme;
    for (scheme = field->names; *scheme != NULL; scheme++) {
        size_t length = strlen(*scheme);
        if (size >= length + 3 && memcmp(bytes, *scheme, length) == 0 &&
            memcmp(bytes + length, "://", 3) == 0) {
            return length + 3;
        }
    }
    return 0;
}

/* What stands behind the colon: 1 to 5 digits, 1...65535. */
static bool is_port(const uint8_t *bytes, size_t size)
{
    uint32_t number = 0;
    size_t i;
    if (size > 5 || !is_all(is_digit, bytes, size)) {
        return false;
    }
    for (i = 0; i < size; i++) {
        number = number * 10 + (uint32_t)(bytes[i] - '0');
    }
    return number >= 1 && number <= 65535;
}

static uint8_t check_url(const pv_schema *schema, const pv_field *field, const uint8_t *bytes, int32_t length)
{
    size_t size = (size_t)length;
    size_t start;
    size_t host_end;
    size_t authority_end;
    size_t i;
    bool fragment = false;
    (void)schema;
    if (!is_all(is_url_character, bytes, size)) {
        return PV_REFUSE_CHARACTERS;
    }
    start = scheme_length(field, bytes, size);
    if (start == 0) {
        return PV_REFUSE_FORM;
    }
    for (i = start; i < size && !is_one_of(":/?#", bytes[i]); i++) {
    }
    host_end = i;
    while (i < size && !is_one_of("/?#", bytes[i])) {
        i++;
    }
    authority_end = i;
    /* A user's name, a bracket or a percent sign has no place in either part of the authority. */
    if (!is_all(is_host_character, bytes + start, host_end - start) ||
        !is_host(bytes + start, host_end - start) ||
        (host_end != authority_end && !is_port(bytes + host_end + 1, authority_end - host_end - 1))) {
        return PV_REFUSE_FORM;
    }
    for (; i < size; i++) {
        if (bytes[i] == '#') {
            if (fragment) {
                return PV_REFUSE_FORM;
            }
            fragment = true;
        }
        if (bytes[i] == '%' && (size - i < 3 || !is_all(is_hexadecimal, bytes + i + 1, 2))) {
            return PV_REFUSE_FORM;
        }
    }
    return 0;
}

/* ------------------------------------------------------------------ time zones [9.4] */

/* What is left of a TZ string. */
typedef struct cursor {
    const uint8_t *at;
    const uint8_t *end;
} cursor;

static bool take(cursor *c, uint8_t character)
{
    if (c->at != c->end && *c->at == character) {
        c->at++;
        return true;
    }
    return false;
}

/* Digits, at least one and at most so many, and the number in its range. */
static bool take_number(cursor *c, uint8_t digits, uint16_t smallest, uint16_t largest)
{
    const uint8_t *start = c->at;
    uint16_t number = 0;
    while (c->at != c->end && is_digit(*c->at) && c->at - start < digits) {
        number = (uint16_t)(number * 10U + (uint16_t)(*c->at++ - '0'));
    }
    return c->at != start && number >= smallest && number <= largest;
}

/* `:MM`, exactly two digits. */
static bool take_sixtieths(cursor *c)
{
    const uint8_t *start = c->at;
    return take_number(c, 2, 0, 59) && c->at - start == 2;
}

/* [+-]H[:MM[:SS]] */
static bool take_time(cursor *c, uint8_t digits, uint16_t most_hours)
{
    if (!take(c, '+')) {
        (void)take(c, '-');
    }
    if (!take_number(c, digits, 0, most_hours)) {
        return false;
    }
    return !take(c, ':') || (take_sixtieths(c) && (!take(c, ':') || take_sixtieths(c)));
}

static bool take_offset(cursor *c)
{
    return take_time(c, 2, 24);
}

static bool take_name(cursor *c)
{
    bool quoted = take(c, '<');
    const uint8_t *start = c->at;
    while (c->at != c->end &&
           (is_letter(*c->at) || (quoted && (is_digit(*c->at) || *c->at == '+' || *c->at == '-')))) {
        c->at++;
    }
    return c->at - start >= 3 && (!quoted || take(c, '>'));
}

/* `,` date [`/` time] */
static bool take_rule(cursor *c)
{
    if (!take(c, ',')) {
        return false;
    }
    if (take(c, 'M')) {
        if (!take_number(c, 2, 1, 12) || !take(c, '.') || !take_number(c, 1, 1, 5) || !take(c, '.') ||
            !take_number(c, 1, 0, 6)) {
            return false;
        }
    } else if (take(c, 'J')) {
        if (!take_number(c, 3, 1, 365)) {
            return false;
        }
    } else if (!take_number(c, 3, 0, 365)) {
        return false;
    }
    return !take(c, '/') || take_time(c, 3, 167);
}

static bool is_graphic(uint32_t c)
{
    return c > 0x20 && is_ascii(c);
}

static uint8_t check_time_zone(const pv_schema *schema, const pv_field *field, const uint8_t *bytes,
                               int32_t size)
{
    cursor c;
    (void)schema;
    (void)field;
    if (!is_all(is_graphic, bytes, (size_t)size)) {
        return PV_REFUSE_CHARACTERS;
    }
    c.at = bytes;
    c.end = bytes + size;
    if (!take_name(&c) || !take_offset(&c)) {
        return PV_REFUSE_FORM;
    }
    if (c.at == c.end) {
        return 0;
    }
    if (!take_name(&c) || (c.at != c.end && *c.at != ',' && !take_offset(&c)) || !take_rule(&c) ||
        !take_rule(&c) || c.at != c.end) {
        return PV_REFUSE_FORM;
    }
    return 0;
}

/* ------------------------------------------------------------------ the kinds
 * Each is an object of its own, so that the linker drops those that no field names, with their checks. */

#define INTEGERS(check, too_large) {check, PV_UINT, PV_AS_NUMBER, too_large}
#define TEXTS(check) {check, PV_TEXT, PV_AS_TEXT, 0}
#define BYTES(check) {check, PV_BYTES, PV_AS_BYTES, 0}

const pv_value_kind pv_kind_text = TEXTS(check_text);
const pv_value_kind pv_kind_secret = TEXTS(check_text);
const pv_value_kind pv_kind_integer = INTEGERS(check_range, PV_REFUSE_RANGE);
const pv_value_kind pv_kind_decimal = INTEGERS(check_range, PV_REFUSE_RANGE);
const pv_value_kind pv_kind_yes_no = {NULL, PV_SIMPLE, PV_AS_YES_NO, 0};
const pv_value_kind pv_kind_choice = {NULL, PV_TEXT, PV_AS_OPTION, 0};
const pv_value_kind pv_kind_pin = INTEGERS(check_pin, PV_REFUSE_PIN_UNFIT);
const pv_value_kind pv_kind_network_name = BYTES(NULL);
const pv_value_kind pv_kind_passphrase = TEXTS(check_passphrase);
const pv_value_kind pv_kind_host = TEXTS(check_host);
const pv_value_kind pv_kind_url = TEXTS(check_url);
const pv_value_kind pv_kind_ip = BYTES(check_ip);
const pv_value_kind pv_kind_port = INTEGERS(check_range, PV_REFUSE_RANGE);
const pv_value_kind pv_kind_time_zone = TEXTS(check_time_zone);
const pv_value_kind pv_kind_duration = INTEGERS(check_range, PV_REFUSE_RANGE);
const pv_value_kind pv_kind_hex = BYTES(NULL);
const pv_value_kind pv_kind_blob = BYTES(NULL);
