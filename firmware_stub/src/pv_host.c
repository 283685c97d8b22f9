/* SPDX-License-Identifier: MIT */
/* The kinds host and url [9.3]. Reads what it is handed, touches nothing. */
#include <string.h>

#include "pv_internal.h"

enum { LONGEST_LABEL = 63 };

static bool is_host_character(uint32_t c)
{
    return pv_is_letter(c) || pv_is_digit(c) || c == '-' || c == '.';
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
            if (!pv_is_digit(bytes[i]) || (begun && number == 0)) {
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
    return !pv_is_all(pv_is_digit, bytes + label, size - label) || is_ipv4(bytes, size);
}

static uint8_t check_host(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes, int32_t size)
{
    (void)schema;
    (void)field;
    return !pv_is_all(is_host_character, bytes, (size_t)size) ? PV_REFUSE_CHARACTERS
           : is_host(bytes, (size_t)size)                  ? 0
                                                           : PV_REFUSE_FORM;
}

const PV_ROM pv_value_kind pv_kind_host = {&pv_as_text, check_host, PV_TEXT, 0};

/* ------------------------------------------------------------------ URLs */

static bool is_one_of(const char *set, uint8_t c)
{
    return c != 0 && strchr(set, c) != NULL;
}

/* RFC 3986 §2.2 and §2.3 without the brackets, and the percent sign. */
static bool is_url_character(uint32_t c)
{
    return pv_is_letter(c) || pv_is_digit(c) || (c < 0x7F && is_one_of("-._~:/?#@!$&'()*+,;=%", (uint8_t)c));
}

/* The length of `scheme://` if the URL begins with one of the field's schemes, else 0. */
static size_t scheme_length(const PV_ROM pv_field *field, const uint8_t *bytes, size_t size)
{
    const PV_ROM char *scheme;
    for (scheme = field->names; *scheme != '\0'; scheme += pv_length(scheme) + 1) {
        size_t length = pv_length(scheme);
        if (size >= length + 3 && pv_is_text(scheme, bytes, length) &&
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
    if (size > 5 || !pv_is_all(pv_is_digit, bytes, size)) {
        return false;
    }
    for (i = 0; i < size; i++) {
        number = number * 10 + (uint32_t)(bytes[i] - '0');
    }
    return number >= 1 && number <= 65535;
}

static uint8_t check_url(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes, int32_t length)
{
    size_t size = (size_t)length;
    size_t start;
    size_t host_end;
    size_t authority_end;
    size_t i;
    bool fragment = false;
    (void)schema;
    if (!pv_is_all(is_url_character, bytes, size)) {
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
    if (!pv_is_all(is_host_character, bytes + start, host_end - start) ||
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
        if (bytes[i] == '%' && (size - i < 3 || !pv_is_all(pv_is_hexadecimal, bytes + i + 1, 2))) {
            return PV_REFUSE_FORM;
        }
    }
    return 0;
}

const PV_ROM pv_value_kind pv_kind_url = {&pv_as_text, check_url, PV_TEXT, 0};
