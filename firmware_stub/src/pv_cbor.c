/* SPDX-License-Identifier: MIT */
/*
 * CBOR (RFC 8949) in the profile of clause 3: written and read in the shortest form only.
 * Touches what it is handed, and of struct pv the sink and the chunk.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ writing */

pv_sink *pv_measure_begin(pv *p)
{
    p->out.take = NULL;
    p->out.size = 0;
    p->out.crc = PV_CRC_START;
    return &p->out;
}

void pv_give(pv_sink *to, const void *bytes, size_t size)
{
    to->size += (uint32_t)size;
    if (to->take != NULL) {
        to->take(to, bytes, size);
    } else {
        to->crc = pv_crc(to->crc, bytes, size);
    }
}

void pv_put_head(pv_sink *to, uint8_t major, uint32_t argument)
{
    uint8_t bytes[5];
    uint8_t size = argument < 24 ? 0 : argument <= 0xFF ? 1 : argument <= 0xFFFF ? 2 : 4; /* of the argument */
    uint8_t info = (uint8_t)(size == 0 ? argument : 24U + size / 2U); /* 1, 2, 4 bytes: 24, 25, 26 */
    uint8_t i;
    bytes[0] = (uint8_t)(major << 5 | info);
    for (i = size; i > 0; i--) {
        bytes[i] = (uint8_t)argument;
        argument >>= 8;
    }
    pv_give(to, bytes, size + 1U);
}

void pv_put_uint(pv_sink *to, uint32_t value)
{
    pv_put_head(to, PV_UINT, value);
}

void pv_put_int(pv_sink *to, int32_t value)
{
    if (value < 0) {
        pv_put_head(to, PV_NEGATIVE, ~(uint32_t)value); /* -1 - value */
    } else {
        pv_put_uint(to, (uint32_t)value);
    }
}

void pv_put_bytes(pv_sink *to, const void *bytes, size_t size)
{
    pv_put_head(to, PV_BYTES, (uint32_t)size);
    pv_give(to, bytes, size);
}

void pv_put_table(pv_sink *to, uint8_t major, const PV_ROM void *bytes, size_t size)
{
    const PV_ROM uint8_t *at = bytes;
    pv_put_head(to, major, (uint32_t)size);
    while (size-- != 0) {
        uint8_t byte = *at++;
        pv_give(to, &byte, 1);
    }
}

void pv_put_text(pv_sink *to, const PV_ROM char *text)
{
    pv_put_table(to, PV_TEXT, text, pv_length(text));
}

void pv_put_simple(pv_sink *to, uint8_t value)
{
    pv_put_head(to, PV_SIMPLE, value);
}

/* ------------------------------------------------------------------ text in tables */

size_t pv_length(const PV_ROM char *text)
{
    size_t length = 0;
    while (text[length] != '\0') {
        length++;
    }
    return length;
}

bool pv_is_text(const PV_ROM char *text, const void *bytes, size_t size)
{
    const char *at = bytes;
    while (size-- != 0) {
        if (*text == '\0' || *text++ != *at++) {
            return false;
        }
    }
    return *text == '\0';
}

/* ------------------------------------------------------------------ reading */

void pv_read_memory(pv_reader *from, const uint8_t *bytes, size_t size)
{
    memset(from, 0, sizeof *from);
    from->at = bytes;
    from->ready = (uint32_t)size;
}

static bool fetch_byte(pv_reader *from)
{
    from->p->chunk[0] = *from->table++;
    from->at = from->p->chunk;
    from->ready = 1;
    from->later--;
    return true;
}

void pv_read_table(pv_reader *from, pv *p, const PV_ROM uint8_t *bytes, size_t size)
{
    memset(from, 0, sizeof *from);
    from->fetch = fetch_byte;
    from->p = p;
    from->table = bytes;
    from->later = (uint32_t)size;
}

uint32_t pv_left(const pv_reader *from)
{
    return from->ready + from->later;
}

static bool fail(pv_reader *from)
{
    from->failed = true;
    from->ready = 0;
    from->later = 0;
    return false;
}

bool pv_read(pv_reader *from, void *to, uint32_t size)
{
    uint8_t *put = to;
    if (from->failed || size > pv_left(from)) {
        return fail(from);
    }
    while (size-- != 0) {
        if (from->ready == 0 && !from->fetch(from)) {
            return fail(from);
        }
        if (put != NULL) {
            *put++ = *from->at;
        }
        from->at++;
        from->ready--;
    }
    return true;
}

/* 0 if there is none; then the reader failed. */
static uint8_t read_byte(pv_reader *from)
{
    uint8_t byte = 0;
    (void)pv_read(from, &byte, 1);
    return byte;
}

bool pv_read_head(pv_reader *from)
{
    uint8_t first = read_byte(from);
    uint8_t info = first & 31;
    uint32_t argument = info;
    uint32_t least = 0; /* that needs so many bytes: what is below is not in its shortest form */
    from->major = first >> 5;
    if (info > 26) { /* above 2^32-1, reserved, or an indefinite length */
        return fail(from);
    }
    if (info >= 24) {
        uint32_t size = 1U << (info - 24);
        least = info == 24 ? 24 : (uint32_t)1 << (4 * size);
        argument = 0;
        while (size-- != 0) {
            argument = argument << 8 | read_byte(from);
        }
    }
    from->argument = argument;
    if (from->failed || argument < least || from->major == PV_TAG ||
        (from->major == PV_NEGATIVE && argument > INT32_MAX) ||
        (from->major == PV_SIMPLE && (argument < PV_FALSE || argument > PV_NULL))) {
        return fail(from);
    }
    return true;
}

bool pv_read_type(pv_reader *from, uint8_t major)
{
    return pv_read_head(from) && from->major == major;
}

/* ------------------------------------------------------------------ UTF-8 (RFC 3629) */

uint32_t pv_next_character(const uint8_t **bytes, const uint8_t *end)
{
    uint32_t character = *(*bytes)++;
    uint8_t more; /* bytes that follow */
    uint8_t i;
    if (character < 0x80) {
        return character;
    }
    if (character < 0xC2 || character > 0xF4) { /* 0xC0 and 0xC1 would begin what takes one byte */
        return PV_NO_CHARACTER;
    }
    more = character < 0xE0 ? 1 : character < 0xF0 ? 2 : 3;
    character &= 0x3FU >> more;
    for (i = 0; i < more; i++) {
        if (*bytes == end || (**bytes & 0xC0) != 0x80) {
            return PV_NO_CHARACTER;
        }
        character = character << 6 | (*(*bytes)++ & 0x3FU);
    }
    /* Overlong is what has no bit above the 11 that two bytes carry, or the 16 that three carry. */
    return character >> (5 * more + 1) == 0 || character > 0x10FFFF || character >> 11 == 0x1B /* a surrogate */
               ? PV_NO_CHARACTER
               : character;
}

bool pv_is_utf8(const uint8_t *bytes, size_t size)
{
    const uint8_t *end = bytes + size;
    while (bytes != end) {
        if (pv_next_character(&bytes, end) == PV_NO_CHARACTER) {
            return false;
        }
    }
    return true;
}

/* Passes over so many bytes of text. A piece at hand may end within a character, so each is put together
 * first. */
static bool pass_text(pv_reader *from, uint32_t size)
{
    uint8_t character[4] = {0};
    uint8_t length = 0;
    uint8_t byte;
    for (; size != 0; size--) {
        if (!pv_read(from, &byte, 1)) {
            return false;
        }
        if ((byte & 0xC0) != 0x80) { /* the first of another character */
            if (!pv_is_utf8(character, length)) {
                return false;
            }
            length = 0;
        }
        if (length == sizeof character) {
            return false;
        }
        character[length++] = byte;
    }
    return pv_is_utf8(character, length);
}

/* ------------------------------------------------------------------ items */

bool pv_pass_value(pv_reader *from)
{
    if (from->major == PV_TEXT) {
        return pass_text(from, from->argument);
    }
    return from->major != PV_BYTES || pv_read(from, NULL, from->argument);
}

/* An array or map that is not at its end: instead of recursion. */
typedef struct level {
    uint32_t key;       /* the last one: keys ascend */
    uint16_t left;      /* items to come; of a map: keys and values */
    bool is_map;
    bool has_key;
} level;

/* Counts an item within an array or map. False for a key that is none, or does not ascend. */
static bool count_item(level *in, const pv_reader *head)
{
    if (in->is_map && in->left % 2 == 0) {
        if (head->major != PV_UINT || (in->has_key && head->argument <= in->key)) {
            return false;
        }
        in->has_key = true;
        in->key = head->argument;
    }
    in->left--;
    return true;
}

bool pv_pass_item(pv_reader *from)
{
    level levels[PV_MAX_DEPTH + 1]; /* the first has the item itself, as an array of one would */
    level *in = levels;
    in->is_map = false;
    in->left = 1;
    do {
        if (!pv_read_head(from) || !count_item(in, from)) {
            return false;
        }
        if (from->major == PV_ARRAY || from->major == PV_MAP) {
            /* More items than bytes are not all there, and left stays small. */
            if (in == &levels[PV_MAX_DEPTH] || from->argument > pv_left(from)) {
                return false;
            }
            in++;
            in->is_map = from->major == PV_MAP;
            in->has_key = false;
            in->left = (uint16_t)(from->argument << in->is_map); /* of a map: keys and values */
        } else if (!pv_pass_value(from)) {
            return false;
        }
        while (in->left == 0 && in != levels) {
            in--;
        }
    } while (in->left != 0);
    return true;
}

bool pv_is_item(const uint8_t *bytes, size_t size)
{
    pv_reader from;
    pv_read_memory(&from, bytes, size);
    return size <= PV_LARGEST_ITEM && pv_pass_item(&from) && from.ready == 0;
}
