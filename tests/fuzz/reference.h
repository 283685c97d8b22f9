/* SPDX-License-Identifier: MIT */
/* Clauses 2 and 3 of shared/protocol.md once more, written for the fuzz targets without a look at the
 * stub's code: slow, plain, and recursive where that is plainest. */
#ifndef REFERENCE_H
#define REFERENCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Ends the run; unlike assert() it is there whatever NDEBUG says. */
#define PROMISE(condition) ((condition) ? (void)0 : reference_broken(#condition, __FILE__, __LINE__))
void reference_broken(const char *condition, const char *file, int line);

/* The eight characters of CHECK [2.1]. */
void reference_check(const uint8_t *body, size_t size, uint8_t check[8]);

/* BODY and CHECK of an item; returns their length. `to` has room for 4/3 of the size, and 10 more. */
size_t reference_encode(const uint8_t *item, size_t size, uint8_t *to);

/* Whether LF, tilde, BODY, CHECK, LF are the line of this item. */
bool reference_is_line(const uint8_t *line, size_t length, const uint8_t *item, size_t size);

/* Whether what stands behind a tilde is BODY and CHECK [2.2]. */
bool reference_is_message(const uint8_t *wire, size_t length);

/* The item of BODY and CHECK that are known to be right; returns its size. */
size_t reference_decode(const uint8_t *wire, size_t length, uint8_t *to);

/* Whether the bytes are exactly one item in the profile [3], at most so deep. */
bool reference_is_item(const uint8_t *bytes, size_t size, unsigned depth);

#endif
