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
    uint8_t size = 0; /* of the argument behind the first byte */
    uint8_t i;
    bytes[0] = (uint8_t)argument;
    if (argument >= 24) {
        size = argument <= 0xFF ? 1 : argument <= 0xFFFF ? 2 : 4;
        bytes[0] = (uint8_t)(24 + size / 2); /* 1, 2, 4: 24, 25, 26 */
    }
    bytes[0] = (uint8_t)(bytes[0] | major << 5);
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

bool pv_read_head(pv_reader *from)
{
    uint8_t byte;
    uint8_t info;
    if (!pv_read(from, &byte, 1)) {
        return false;
    }
    from->major = byte >> 5;
    info = byte & 31;
    from->argument = info;
    if (info >= 24) {
        uint8_t size;
        uint8_t i;
        if (info > 26) { /* above 2^32-1, reserved, or an indefinite length */
            return fail(from);
        }
        size = (uint8_t)(1U << (info - 24));
        from->argument = 0;
        for (i = 0; i < size; i++) {
            if (!pv_read(from, &byte, 1)) {
                return false;
            }
            from->argument = from->argument << 8 | byte;
        }
        /* Not the shortest form, if half of the bytes would do. */
        if (from->argument < 24 || (size > 1 && from->argument >> (size * 4) == 0)) {
            return fail(from);
        }
    }
    if ((from->major == PV_NEGATIVE && from->argument > INT32_MAX) || from->major == PV_TAG ||
        (from->major == PV_SIMPLE && (info < PV_FALSE || info > PV_NULL))) {
        return fail(from);
    }
    return true;
}

bool pv_read_this(pv_reader *from, uint8_t major, uint32_t least, uint32_t most)
{
    return pv_read_head(from) && from->major == major && from->argument >= least && from->argument <= most;
}

bool pv_pass_value(pv_reader *from)
{
    if (from->major == PV_TEXT) {
        return pv_pass_text(from, from->argument);
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
    level levels[PV_MAX_DEPTH];
    uint8_t depth = 0;
    do {
        if (!pv_read_head(from) || (depth != 0 && !count_item(&levels[depth - 1], from))) {
            return false;
        }
        if (from->major == PV_ARRAY || from->major == PV_MAP) {
            level *in = &levels[depth];
            /* More items than bytes are not all there, and left stays small. */
            if (depth++ == PV_MAX_DEPTH || from->argument > pv_left(from)) {
                return false;
            }
            in->is_map = from->major == PV_MAP;
            in->has_key = false;
            in->left = (uint16_t)(in->is_map ? from->argument * 2 : from->argument);
        } else if (!pv_pass_value(from)) {
            return false;
        }
        while (depth != 0 && levels[depth - 1].left == 0) {
            depth--;
        }
    } while (depth != 0);
    return true;
}

bool pv_is_item(const uint8_t *bytes, size_t size)
{
    pv_reader from;
    pv_read_memory(&from, bytes, size);
    return size <= PV_LARGEST_ITEM && pv_pass_item(&from) && from.ready == 0;
}

/* ------------------------------------------------------------------ UTF-8 (RFC 3629) */

uint32_t pv_read_character(pv_reader *from)
{
    uint8_t byte = 0;
    uint32_t character;
    uint32_t smallest = 0x80; /* that takes so many bytes: what is below is overlong */
    uint8_t more = 1;         /* bytes that follow */
    (void)pv_read(from, &byte, 1);
    if (byte < 0x80) {
        return byte;
    }
    if (byte < 0xC0 || byte > 0xF4) {
        return PV_NO_CHARACTER;
    }
    if (byte >= 0xE0) {
        more = byte < 0xF0 ? 2 : 3;
        smallest = byte < 0xF0 ? 0x800 : 0x10000;
    }
    character = byte & 0x3FU >> more;
    while (more-- != 0) {
        if (!pv_read(from, &byte, 1) || (byte & 0xC0) != 0x80) {
            return PV_NO_CHARACTER;
        }
        character = character << 6 | (byte & 0x3FU);
    }
    return character < smallest || character > 0x10FFFF || character >> 11 == 0x1B /* a surrogate */
               ? PV_NO_CHARACTER
               : character;
}

bool pv_pass_text(pv_reader *from, uint32_t size)
{
    uint32_t end;
    if (size > pv_left(from)) {
        return false;
    }
    end = pv_left(from) - size;
    while (pv_left(from) > end) {
        if (pv_read_character(from) == PV_NO_CHARACTER) {
            return false;
        }
    }
    return !from->failed && pv_left(from) == end; /* the last character ended where the text does */
}
