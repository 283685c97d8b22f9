/* SPDX-License-Identifier: MIT */
#include "reference.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void reference_broken(const char *condition, const char *file, int line)
{
    fprintf(stderr, "promise broken: %s (%s:%d)\n", condition, file, line);
    abort();
}

/* ------------------------------------------------------------------ the line */

void reference_check(const uint8_t *body, size_t size, uint8_t check[8])
{
    uint32_t crc = 0xFFFFFFFFu;
    for (size_t i = 0; i < size; i++) {
        crc ^= body[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = crc & 1 ? crc >> 1 ^ 0x82F63B78u : crc >> 1; /* 0x1EDC6F41, its bits reversed */
        }
    }
    crc ^= 0xFFFFFFFFu;
    for (int i = 0; i < 8; i++) {
        check[i] = (uint8_t)(0x40 + (crc >> (28 - 4 * i) & 0xF));
    }
}

static const char alphabet[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";

size_t reference_encode(const uint8_t *item, size_t size, uint8_t *to)
{
    size_t length = 0;
    for (size_t bit = 0; bit < size * 8; bit += 6) {
        uint8_t value = 0;
        for (size_t i = bit; i < bit + 6; i++) {
            uint8_t one = (uint8_t)(i < size * 8 ? item[i / 8] >> (7 - i % 8) & 1 : 0);
            value = (uint8_t)(value << 1 | one);
        }
        to[length++] = (uint8_t)alphabet[value];
    }
    reference_check(to, length, to + length);
    return length + 8;
}

bool reference_is_line(const uint8_t *line, size_t length, const uint8_t *item, size_t size)
{
    uint8_t wire[2048];
    size_t wire_size = reference_encode(item, size, wire);
    return length == wire_size + 3 && memcmp(line, "\n~", 2) == 0 && line[length - 1] == '\n' &&
           memcmp(line + 2, wire, wire_size) == 0;
}

size_t reference_decode(const uint8_t *wire, size_t length, uint8_t *to)
{
    size_t body = length - 8;
    size_t size = body * 6 / 8;
    memset(to, 0, size + 1);
    for (size_t i = 0; i < body; i++) {
        const char *at = strchr(alphabet, wire[i]);
        uint8_t value = (uint8_t)(at - alphabet);
        for (size_t bit = 0; bit < 6; bit++) {
            size_t into = i * 6 + bit;
            to[into / 8] = (uint8_t)(to[into / 8] | (value >> (5 - bit) & 1) << (7 - into % 8));
        }
    }
    return size;
}

bool reference_is_message(const uint8_t *wire, size_t length)
{
    uint8_t item[1024];
    uint8_t again[1024];
    if (length < 9) {
        return false;
    }
    for (size_t i = 0; i < length - 8; i++) {
        if (wire[i] == 0 || strchr(alphabet, wire[i]) == NULL) {
            return false;
        }
    }
    if ((length - 8) % 4 == 1) {
        return false;
    }
    /* Right if it is what its item is sent as: the CHECK, and unused bits that are zero. */
    return reference_encode(item, reference_decode(wire, length, item), again) == length &&
           memcmp(again, wire, length) == 0;
}

/* ------------------------------------------------------------------ the profile */

typedef struct rest {
    const uint8_t *at;
    size_t left;
} rest;

/* A head in its shortest form, of a type that the profile has. */
static bool head(rest *from, unsigned *major, uint64_t *argument)
{
    unsigned info;
    size_t more;
    if (from->left == 0) {
        return false;
    }
    *major = *from->at >> 5;
    info = *from->at & 31;
    more = info < 24 ? 0 : (size_t)1 << (info - 24);
    if (info > 27 || more + 1 > from->left) {
        return false;
    }
    *argument = more == 0 ? info : 0;
    for (size_t i = 1; i <= more; i++) {
        *argument = *argument << 8 | from->at[i];
    }
    from->at += more + 1;
    from->left -= more + 1;
    return *argument >= (more == 0   ? 0u
                         : more == 1 ? 24u
                         : more == 2 ? 0x100u
                         : more == 4 ? 0x10000u
                                     : UINT64_C(0x100000000));
}

/* RFC 3629, table of section 4. */
static bool is_utf8(const uint8_t *at, size_t size)
{
    const uint8_t *end = at + size;
    while (at < end) {
        uint8_t first = *at++;
        uint8_t low = 0x80;
        uint8_t high = 0xBF;
        int tail = first < 0x80 ? 0 : first < 0xC2 ? -1 : first < 0xE0 ? 1 : first < 0xF0 ? 2 : first < 0xF5 ? 3 : -1;
        low = first == 0xE0 ? 0xA0 : first == 0xF0 ? 0x90 : low;
        high = first == 0xED ? 0x9F : first == 0xF4 ? 0x8F : high;
        if (tail < 0 || tail > end - at) {
            return false;
        }
        for (; tail > 0; tail--, at++) {
            if (*at < low || *at > high) {
                return false;
            }
            low = 0x80;
            high = 0xBF;
        }
    }
    return true;
}

static bool item(rest *from, unsigned depth)
{
    unsigned major;
    uint64_t argument;
    bool first = true;
    uint64_t last = 0;
    if (!head(from, &major, &argument)) {
        return false;
    }
    switch (major) {
    case 0:
        return argument <= 0xFFFFFFFFu;
    case 1:
        return argument <= 0x7FFFFFFFu;
    case 2:
    case 3:
        if (argument > from->left || (major == 3 && !is_utf8(from->at, (size_t)argument))) {
            return false;
        }
        from->at += argument;
        from->left -= (size_t)argument;
        return true;
    case 4:
        for (; argument > 0; argument--) {
            if (depth < 2 ? (from->left == 0 || *from->at >> 5 == 4 || *from->at >> 5 == 5 || !item(from, 0))
                          : !item(from, depth - 1)) {
                return false;
            }
        }
        return true;
    case 5:
        for (; argument > 0; argument--) {
            uint64_t key;
            if (!head(from, &major, &key) || major != 0 || key > 0xFFFFFFFFu || (!first && key <= last)) {
                return false;
            }
            first = false;
            last = key;
            if (depth < 2 ? (from->left == 0 || *from->at >> 5 == 4 || *from->at >> 5 == 5 || !item(from, 0))
                          : !item(from, depth - 1)) {
                return false;
            }
        }
        return true;
    case 7:
        return argument >= 20 && argument <= 22;
    default:
        return false;
    }
}

bool reference_is_item(const uint8_t *bytes, size_t size, unsigned depth)
{
    rest from = {bytes, size};
    return item(&from, depth) && from.left == 0;
}
