/* SPDX-License-Identifier: MIT */
#include "wpa_key.h"

#include <string.h>

enum { BLOCK = 64, HASH = 20, ROUNDS = 4096 };

/* SHA-1 (FIPS 180-4) of short messages, which is all that PBKDF2 hashes. */
typedef struct sha1 {
    uint32_t state[5];
    uint8_t block[BLOCK];
    size_t size;
} sha1;

static uint32_t rotate(uint32_t word, unsigned by)
{
    return word << by | word >> (32 - by);
}

static void begin(sha1 *hash)
{
    static const uint32_t start[5] = {0x67452301, 0xEFCDAB89, 0x98BADCFE, 0x10325476, 0xC3D2E1F0};
    memset(hash, 0, sizeof *hash);
    memcpy(hash->state, start, sizeof start);
}

static void mix(sha1 *hash)
{
    uint32_t words[80], v[5];
    memcpy(v, hash->state, sizeof v);
    for (size_t i = 0; i < 16; i++) {
        const uint8_t *from = hash->block + 4 * i;
        words[i] =
            (uint32_t)from[0] << 24 | (uint32_t)from[1] << 16 | (uint32_t)from[2] << 8 | from[3];
    }
    for (size_t i = 16; i < 80; i++) {
        words[i] = rotate(words[i - 3] ^ words[i - 8] ^ words[i - 14] ^ words[i - 16], 1);
    }
    for (size_t i = 0; i < 80; i++) {
        uint32_t f = i < 20   ? ((v[1] & v[2]) | (~v[1] & v[3])) + 0x5A827999
                     : i < 40 ? (v[1] ^ v[2] ^ v[3]) + 0x6ED9EBA1
                     : i < 60 ? ((v[1] & v[2]) | (v[1] & v[3]) | (v[2] & v[3])) + 0x8F1BBCDC
                              : (v[1] ^ v[2] ^ v[3]) + 0xCA62C1D6;
        uint32_t next = rotate(v[0], 5) + f + v[4] + words[i];
        v[4] = v[3];
        v[3] = v[2];
        v[2] = rotate(v[1], 30);
        v[1] = v[0];
        v[0] = next;
    }
    for (size_t i = 0; i < 5; i++) {
        hash->state[i] += v[i];
    }
}

static void add(sha1 *hash, const void *bytes, size_t size)
{
    const uint8_t *from = bytes;
    for (size_t i = 0; i < size; i++) {
        hash->block[hash->size++ % BLOCK] = from[i];
        if (hash->size % BLOCK == 0) {
            mix(hash);
        }
    }
}

static void end(sha1 *hash, uint8_t out[HASH])
{
    size_t bits = hash->size * 8;
    uint8_t pad = 0x80;
    do {
        add(hash, &pad, 1);
        pad = 0;
    } while (hash->size % BLOCK != BLOCK - 8);
    for (int shift = 56; shift >= 0; shift -= 8) {
        uint8_t byte = (uint8_t)((uint64_t)bits >> shift);
        add(hash, &byte, 1);
    }
    for (size_t i = 0; i < HASH; i++) {
        out[i] = (uint8_t)(hash->state[i / 4] >> (24 - 8 * (i % 4)));
    }
}

/* HMAC (RFC 2104) with a key of at most one block: a passphrase has at most 63 characters. */
static void hmac(const char *key, const uint8_t *bytes, size_t size, const uint8_t *more,
                 size_t more_size, uint8_t out[HASH])
{
    uint8_t inner[BLOCK] = {0}, outer[BLOCK], middle[HASH];
    sha1 hash;
    size_t length = strlen(key);
    memcpy(inner, key, length < BLOCK ? length : BLOCK);
    for (size_t i = 0; i < BLOCK; i++) {
        outer[i] = inner[i] ^ 0x5C;
        inner[i] ^= 0x36;
    }
    begin(&hash);
    add(&hash, inner, BLOCK);
    add(&hash, bytes, size);
    add(&hash, more, more_size);
    end(&hash, middle);
    begin(&hash);
    add(&hash, outer, BLOCK);
    add(&hash, middle, HASH);
    end(&hash, out);
}

void wpa_key(const char *passphrase, const uint8_t *name, size_t length, uint8_t key[32])
{
    /* PBKDF2 (RFC 8018 5.2): two blocks of 20 bytes, of which 32 are the key. */
    for (uint8_t number = 1; number <= 2; number++) {
        const uint8_t index[4] = {0, 0, 0, number};
        uint8_t round[HASH], sum[HASH];
        size_t at = number == 1 ? 0 : HASH;
        hmac(passphrase, name, length, index, sizeof index, round);
        memcpy(sum, round, HASH);
        for (int i = 1; i < ROUNDS; i++) {
            hmac(passphrase, round, HASH, NULL, 0, round);
            for (size_t k = 0; k < HASH; k++) {
                sum[k] ^= round[k];
            }
        }
        memcpy(key + at, sum, number == 1 ? HASH : 32 - HASH);
    }
}
