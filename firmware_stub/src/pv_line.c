/* SPDX-License-Identifier: MIT */
/*
 * The line [2]: framing, base64url, CRC-32C; and memory that must be overwritten.
 * Touches the line buffer, and of struct pv what sends and receives: out, chunk, bits, fill, receiving.
 */
#include "pv_internal.h"

void pv_wipe(void *memory, size_t size)
{
    volatile uint8_t *at = memory; /* a store to volatile is never optimised away */
    while (size-- != 0) {
        *at++ = 0;
    }
}

/* ------------------------------------------------------------------ CRC-32C */

/* Bit by bit: a table of sixteen entries would take half the time, and some 70 bytes more. */
uint32_t pv_crc(uint32_t crc, const void *bytes, size_t size)
{
    const uint8_t *at = bytes;
    while (size-- != 0) {
        uint8_t bit;
        crc ^= *at++;
        for (bit = 0; bit < 8; bit++) {
            crc = (crc & 1) != 0 ? crc >> 1 ^ 0x82F63B78u : crc >> 1;
        }
    }
    return crc;
}

/* ------------------------------------------------------------------ sending */

static void flush(pv *p)
{
    p->config->write(p->config->context, p->chunk, p->chunk_fill);
    p->chunk_fill = 0;
}

static void send_raw(pv *p, uint8_t character)
{
    p->chunk[p->chunk_fill++] = character;
    if (p->chunk_fill == sizeof p->chunk) {
        flush(p);
    }
}

/* The character of the alphabet of RFC 4648, table 2. */
static uint8_t base64url(uint8_t value)
{
    value &= 63;
    return (uint8_t)(value < 26    ? 'A' + value
                     : value < 52  ? 'a' + (value - 26)
                     : value < 62  ? '0' + (value - 52)
                     : value == 62 ? '-'
                                   : '_');
}

static void send_sextet(pv *p, uint8_t value)
{
    uint8_t character = base64url(value);
    p->out.crc = pv_crc(p->out.crc, &character, 1);
    send_raw(p, character);
}

static void send_bytes(pv_sink *self, const uint8_t *bytes, size_t size)
{
    pv *p = (pv *)(void *)self;
    while (size-- != 0) {
        /* Six bits go as soon as they are there; at most six bits wait. */
        p->bits = (uint16_t)(p->bits << 8 | *bytes++);
        p->bit_count = (uint8_t)(p->bit_count + 8);
        while (p->bit_count >= 6) {
            p->bit_count = (uint8_t)(p->bit_count - 6);
            send_sextet(p, (uint8_t)(p->bits >> p->bit_count));
        }
    }
}

pv_sink *pv_line_begin(pv *p)
{
    (void)pv_measure_begin(p);
    p->out.take = send_bytes;
    p->bit_count = 0;
    send_raw(p, '\n');
    send_raw(p, '~');
    return &p->out;
}

void pv_line_end(pv *p)
{
    uint32_t crc;
    uint8_t i;
    if (p->bit_count != 0) {
        send_sextet(p, (uint8_t)(p->bits << (6 - p->bit_count)));
    }
    crc = ~p->out.crc;
    for (i = 0; i < PV_CHECK_SIZE; i++) {
        send_raw(p, (uint8_t)('@' + (crc >> 28)));
        crc <<= 4;
    }
    send_raw(p, '\n');
    /* There is a rest: base64url without padding has 0, 2 or 3 characters beyond a multiple of four,
     * and a line 11 more, so that no line is a multiple of a chunk. */
    flush(p);
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
    unsigned unused = 0; /* of the last character: bits that no byte has taken yet */
    size_t i;
    for (i = 0; i < length; i++) {
        uint8_t value = sextet(body[i]);
        if (value > 63) {
            return 0;
        }
        bits = bits << 6 | value;
        unused = 6U - 2U * (i & 3); /* four characters are three bytes */
        if (unused < 6) {
            body[size++] = (uint8_t)(bits >> unused);
        }
    }
    return unused == 6 || (bits & ((1U << unused) - 1)) != 0 ? 0 : size;
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
        if (line[length + i] != '@' + (crc >> 28)) {
            return 0;
        }
        crc <<= 4;
    }
    return decode(line, length);
}
