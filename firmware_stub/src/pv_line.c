/* SPDX-License-Identifier: MIT */
/* The line [2]: framing, base64url, CRC-32C; and memory that must be overwritten. */
#include "pv_internal.h"

void pv_wipe(void *memory, size_t size)
{
    volatile uint8_t *at = memory; /* a store to volatile is never optimised away */
    while (size-- != 0) {
        *at++ = 0;
    }
}

/* ------------------------------------------------------------------ CRC-32C */

/* Sixteen entries: 64 bytes of flash and two look-ups a byte. A table of 256 would take 1,024 bytes for
 * half the time; no table would save 64 bytes, and take four times as long over a slot of kilobytes. */
uint32_t pv_crc(uint32_t crc, const uint8_t *bytes, size_t size)
{
    static const uint32_t of_nibble[16] = {
        0x00000000u, 0x105EC76Fu, 0x20BD8EDEu, 0x30E349B1u, 0x417B1DBCu, 0x5125DAD3u,
        0x61C69362u, 0x7198540Du, 0x82F63B78u, 0x92A8FC17u, 0xA24BB5A6u, 0xB21572C9u,
        0xC38D26C4u, 0xD3D3E1ABu, 0xE330A81Au, 0xF36E6F75u,
    };
    while (size-- != 0) {
        crc ^= *bytes++;
        crc = crc >> 4 ^ of_nibble[crc & 15];
        crc = crc >> 4 ^ of_nibble[crc & 15];
    }
    return crc;
}

/* ------------------------------------------------------------------ sinks */

static void count(pv_sink *self, const uint8_t *bytes, size_t size)
{
    (void)bytes;
    ((pv_counter *)self)->size += (uint32_t)size;
}

void pv_count_begin(pv_counter *counter)
{
    counter->sink.take = count;
    counter->size = 0;
}

static void digest(pv_sink *self, const uint8_t *bytes, size_t size)
{
    pv_digester *digester = (pv_digester *)self;
    digester->crc = pv_crc(digester->crc, bytes, size);
}

void pv_digest_begin(pv_digester *digester)
{
    digester->sink.take = digest;
    digester->crc = PV_CRC_START;
}

/* ------------------------------------------------------------------ sending */

static void send_raw(pv_line_out *out, uint8_t character)
{
    out->chunk[out->fill++] = character;
    if (out->fill == sizeof out->chunk) {
        out->config->write(out->config->context, out->chunk, out->fill);
        out->fill = 0;
    }
}

/* The character of the alphabet of RFC 4648, table 2. */
static uint8_t base64url(uint32_t value)
{
    value &= 63;
    return (uint8_t)(value < 26    ? 'A' + value
                     : value < 52  ? 'a' + (value - 26)
                     : value < 62  ? '0' + (value - 52)
                     : value == 62 ? '-'
                                   : '_');
}

static void send_body(pv_line_out *out, uint32_t value)
{
    uint8_t character = base64url(value);
    out->crc = pv_crc(out->crc, &character, 1);
    send_raw(out, character);
}

static void send_bytes(pv_sink *self, const uint8_t *bytes, size_t size)
{
    pv_line_out *out = (pv_line_out *)self;
    while (size-- != 0) {
        /* Six bits go as soon as they are there; at most six bits wait. */
        out->bits = out->bits << 8 | *bytes++;
        out->bit_count = (uint8_t)(out->bit_count + 8);
        while (out->bit_count >= 6) {
            out->bit_count = (uint8_t)(out->bit_count - 6);
            send_body(out, out->bits >> out->bit_count);
        }
    }
}

pv_sink *pv_line_begin(pv *p)
{
    pv_line_out *out = &p->out;
    out->sink.take = send_bytes;
    out->config = p->config;
    out->crc = PV_CRC_START;
    out->bits = 0;
    out->bit_count = 0;
    out->fill = 0;
    send_raw(out, '\n');
    send_raw(out, '~');
    return &out->sink;
}

void pv_line_end(pv *p)
{
    pv_line_out *out = &p->out;
    uint8_t shift = 32;
    if (out->bit_count != 0) {
        send_body(out, out->bits << (6 - out->bit_count));
    }
    while (shift != 0) {
        shift = (uint8_t)(shift - 4);
        send_raw(out, (uint8_t)('@' + (~out->crc >> shift & 15)));
    }
    send_raw(out, '\n');
    /* There is a rest: base64url without padding has 0, 2 or 3 characters beyond a multiple of four,
     * and a line 11 more, so that no line is a multiple of a chunk. */
    out->config->write(out->config->context, out->chunk, out->fill);
}

/* ------------------------------------------------------------------ receiving */

enum { AT_LINE_START, IN_MESSAGE, IN_OTHER_TEXT, WHOLE };

size_t pv_feed(pv *p, const uint8_t *bytes, size_t size)
{
    size_t taken = 0;
    while (taken < size && p->receiving != WHOLE) {
        uint8_t character = bytes[taken++];
        if (character == '\n' || character == '\r') {
            p->receiving = p->receiving == IN_MESSAGE ? WHOLE : AT_LINE_START;
        } else if (p->receiving == AT_LINE_START) {
            p->receiving = character == '~' ? IN_MESSAGE : IN_OTHER_TEXT;
        } else if (p->receiving == IN_MESSAGE) {
            if (p->fill < p->config->line_size) {
                p->config->line[p->fill++] = character;
            } else {
                pv_line_done(p);
                p->receiving = IN_OTHER_TEXT;
            }
        }
    }
    return taken;
}

bool pv_line_waits(const pv *p)
{
    return p->receiving == WHOLE;
}

void pv_line_done(pv *p)
{
    pv_wipe(p->config->line, p->fill); /* even a damaged line may hold a secret */
    p->fill = 0;
    p->receiving = AT_LINE_START;
}

/* The inverse of base64url(); 64 for a character that is not in the alphabet. */
static uint8_t sextet(uint8_t character)
{
    return (uint8_t)(character >= 'A' && character <= 'Z'   ? character - 'A'
                     : character >= 'a' && character <= 'z' ? character - 'a' + 26
                     : character >= '0' && character <= '9' ? character - '0' + 52
                     : character == '-'                     ? 62
                     : character == '_'                     ? 63
                                                            : 64);
}

/* Decodes in place; 0 if it is no base64url without padding and with zero pad bits. */
static size_t decode(uint8_t *body, size_t length)
{
    size_t size = 0;
    uint32_t bits = 0;
    uint8_t bit_count = 0;
    size_t i;
    for (i = 0; i < length; i++) {
        uint8_t value = sextet(body[i]);
        if (value > 63) {
            return 0;
        }
        bits = bits << 6 | value;
        bit_count = (uint8_t)(bit_count + 6);
        if (bit_count >= 8) {
            bit_count = (uint8_t)(bit_count - 8);
            body[size++] = (uint8_t)(bits >> bit_count);
        }
    }
    if (bit_count == 6 || (bits & ((1U << bit_count) - 1)) != 0) {
        return 0;
    }
    return size;
}

size_t pv_line_take(const pv *p)
{
    uint8_t *line = p->config->line;
    size_t length;
    uint32_t crc;
    size_t i;
    if (p->fill <= PV_CHECK_SIZE) {
        return 0;
    }
    length = (size_t)p->fill - PV_CHECK_SIZE;
    crc = ~pv_crc(PV_CRC_START, line, length);
    for (i = 0; i < PV_CHECK_SIZE; i++) {
        if (line[length + i] != '@' + (crc >> (28 - 4 * i) & 15)) {
            return 0;
        }
    }
    return decode(line, length);
}
