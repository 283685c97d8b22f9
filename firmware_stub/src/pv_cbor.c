/* SPDX-License-Identifier: MIT */
/* CBOR (RFC 8949) in the profile of clause 3: written and read in the shortest form only. */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ writing */

void pv_put_head(pv_sink *to, uint8_t major, uint32_t argument)
{
    uint8_t bytes[5];
    size_t size = 1;
    uint8_t info;
    if (argument < 24) {
        info = (uint8_t)argument;
    } else {
        uint8_t shift;
        info = argument <= 0xFF ? 24 : argument <= 0xFFFF ? 25 : 26;
        for (shift = (uint8_t)(8U << (info - 24)); shift != 0;) {
            shift = (uint8_t)(shift - 8);
            bytes[size++] = (uint8_t)(argument >> shift);
        }
    }
    bytes[0] = (uint8_t)(major << 5 | info);
    to->take(to, bytes, size);
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
        pv_put_head(to, PV_UINT, (uint32_t)value);
    }
}

void pv_put_bytes(pv_sink *to, const void *bytes, size_t size)
{
    pv_put_head(to, PV_BYTES, (uint32_t)size);
    to->take(to, bytes, size);
}

void pv_put_text(pv_sink *to, const char *text)
{
    size_t size = strlen(text);
    pv_put_head(to, PV_TEXT, (uint32_t)size);
    to->take(to, (const uint8_t *)text, size);
}

void pv_put_simple(pv_sink *to, uint8_t value)
{
    pv_put_head(to, PV_SIMPLE, value);
}

/* ------------------------------------------------------------------ reading */

void pv_read_memory(pv_reader *from, const uint8_t *bytes, size_t size)
{
    from->read = NULL;
    from->memory = bytes;
    from->left = (uint32_t)size;
    from->failed = false;
}

static bool fail(pv_reader *from)
{
    from->failed = true;
    from->left = 0;
    return false;
}

bool pv_read(pv_reader *from, void *to, uint32_t size)
{
    if (from->failed || size > from->left) {
        return fail(from);
    }
    if (from->read == NULL) {
        if (to != NULL) {
            memcpy(to, from->memory, (size_t)size);
        }
        from->memory += size;
    } else if (!from->read(from, to, size)) {
        return fail(from);
    }
    from->left -= size;
    return true;
}

bool pv_read_head(pv_reader *from, pv_head *head)
{
    uint8_t bytes[4];
    uint8_t info;
    if (!pv_read(from, bytes, 1)) {
        return false;
    }
    head->major = bytes[0] >> 5;
    info = bytes[0] & 31;
    head->argument = info;
    if (info >= 24) {
        uint8_t size;
        uint8_t i;
        if (info > 26) { /* above 2^32-1, reserved, or an indefinite length */
            return fail(from);
        }
        size = (uint8_t)(1U << (info - 24));
        if (!pv_read(from, bytes, size)) {
            return false;
        }
        head->argument = 0;
        for (i = 0; i < size; i++) {
            head->argument = head->argument << 8 | bytes[i];
        }
        /* Not the shortest form, if half of the bytes would do. */
        if (head->argument < 24 || (size > 1 && head->argument >> (size * 4) == 0)) {
            return fail(from);
        }
    }
    if ((head->major == PV_NEGATIVE && head->argument > INT32_MAX) || head->major == PV_TAG ||
        (head->major == PV_SIMPLE && (info < PV_FALSE || info > PV_NULL))) {
        return fail(from);
    }
    return true;
}

bool pv_skip_value(pv_reader *from)
{
    uint32_t items = 1; /* to come: they nest, but nobody here asks how */
    pv_head head;
    while (items != 0) {
        if (!pv_read_head(from, &head)) {
            return false;
        }
        items--;
        if (head.major == PV_BYTES || head.major == PV_TEXT) {
            if (!pv_read(from, NULL, head.argument)) {
                return false;
            }
        } else if (head.major == PV_ARRAY || head.major == PV_MAP) {
            /* Each takes a byte at least: what cannot all be there is none, and the sum stays small. */
            uint32_t each = head.major == PV_MAP ? 2 : 1;
            if (items > from->left || head.argument > (from->left - items) / each) {
                return fail(from);
            }
            items += head.argument * each;
        }
    }
    return true;
}

/* An array or map that is not at its end: instead of recursion. */
typedef struct level {
    uint16_t left;      /* items to come; of a map: keys and values */
    bool is_map;
    bool has_key;
    uint32_t key;       /* the last one: keys ascend */
} level;

bool pv_is_item(const uint8_t *bytes, size_t size)
{
    level levels[PV_MAX_DEPTH];
    size_t depth = 0;
    pv_reader from;
    pv_head head;
    if (size > PV_LARGEST_ITEM) {
        return false;
    }
    pv_read_memory(&from, bytes, size);
    do {
        if (!pv_read_head(&from, &head)) {
            return false;
        }
        if (depth != 0) {
            level *in = &levels[depth - 1];
            if (in->is_map && in->left % 2 == 0) {
                if (head.major != PV_UINT || (in->has_key && head.argument <= in->key)) {
                    return false;
                }
                in->has_key = true;
                in->key = head.argument;
            }
            in->left--;
        }
        switch (head.major) {
        case PV_TEXT:
        case PV_BYTES:
            if (head.argument > from.left ||
                (head.major == PV_TEXT && !pv_is_utf8(from.memory, (size_t)head.argument))) {
                return false;
            }
            (void)pv_read(&from, NULL, head.argument);
            break;
        case PV_ARRAY:
        case PV_MAP:
            /* More items than bytes are not all there, and left stays small. */
            if (depth == PV_MAX_DEPTH || head.argument > from.left) {
                return false;
            }
            levels[depth].is_map = head.major == PV_MAP;
            levels[depth].left = (uint16_t)(head.major == PV_MAP ? head.argument * 2 : head.argument);
            levels[depth].has_key = false;
            depth++;
            break;
        default:
            break;
        }
        while (depth != 0 && levels[depth - 1].left == 0) {
            depth--;
        }
    } while (depth != 0);
    return from.left == 0;
}

/* ------------------------------------------------------------------ UTF-8 (RFC 3629) */

uint32_t pv_utf8_next(const uint8_t **at, const uint8_t *end)
{
    const uint8_t *next = *at;
    uint32_t character = *next++;
    if (character >= 0x80) {
        uint8_t more;          /* bytes that follow */
        uint32_t smallest;     /* that takes so many: what is below is overlong */
        if (character < 0xC0 || character > 0xF4) {
            return PV_NO_CHARACTER;
        }
        more = character < 0xE0 ? 1 : character < 0xF0 ? 2 : 3;
        smallest = more == 1 ? 0x80 : more == 2 ? 0x800 : 0x10000;
        character &= 0x3FU >> more;
        while (more-- != 0) {
            if (next == end || (*next & 0xC0) != 0x80) {
                return PV_NO_CHARACTER;
            }
            character = character << 6 | (*next++ & 0x3FU);
        }
        if (character < smallest || character > 0x10FFFF ||
            (character >= 0xD800 && character <= 0xDFFF)) { /* a surrogate */
            return PV_NO_CHARACTER;
        }
    }
    *at = next;
    return character;
}

bool pv_is_utf8(const uint8_t *bytes, size_t size)
{
    const uint8_t *end = bytes + size;
    while (bytes != end) {
        if (pv_utf8_next(&bytes, end) == PV_NO_CHARACTER) {
            return false;
        }
    }
    return true;
}
