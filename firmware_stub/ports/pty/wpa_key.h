/* SPDX-License-Identifier: MIT */
#ifndef WPA_KEY_H
#define WPA_KEY_H

#include <stddef.h>
#include <stdint.h>

/* The key that a passphrase means for a network of that name: PBKDF2 with HMAC-SHA1, 4,096 rounds
 * (IEEE 802.11-2016 J.4). */
void wpa_key(const char *passphrase, const uint8_t *name, size_t length, uint8_t key[32]);

#endif
