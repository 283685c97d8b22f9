/* SPDX-License-Identifier: MIT */
/* What the stub takes from the C library (C99 7.21), for a build that has none; start.c has it. */
#ifndef STRING_H
#define STRING_H

#include <stddef.h>

void *memcpy(void *restrict to, const void *restrict from, size_t size);
void *memmove(void *to, const void *from, size_t size);
void *memset(void *to, int value, size_t size);
int memcmp(const void *one, const void *other, size_t size);
size_t strlen(const char *text);
char *strchr(const char *text, int wanted);

#endif
