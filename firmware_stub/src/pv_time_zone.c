/* SPDX-License-Identifier: MIT */
/* The kind time-zone [9.4]. Reads what it is handed, touches nothing. */
#include "pv_internal.h"

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
    while (c->at != c->end && pv_is_digit(*c->at) && c->at - start < digits) {
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
           (pv_is_letter(*c->at) || (quoted && (pv_is_digit(*c->at) || *c->at == '+' || *c->at == '-')))) {
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
    return c > 0x20 && pv_is_ascii(c);
}

static uint8_t check_time_zone(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes,
                               int32_t size)
{
    cursor c;
    (void)schema;
    (void)field;
    if (!pv_is_all(is_graphic, bytes, (size_t)size)) {
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

const PV_ROM pv_value_kind pv_kind_time_zone = {&pv_as_text, check_time_zone, PV_TEXT, 0};
