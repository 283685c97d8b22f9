/* SPDX-License-Identifier: MIT */
/*
 * The board of the tests of the store, which are below the messages. Its schemas are written by hand,
 * so that they share one settings struct: version 1, and 2 and 3 that follow it as updates.
 */
#ifndef STORE_BOARD_H
#define STORE_BOARD_H

#include "board.h"

/* The firmware that starts, by its schema: versions 1 to 3, 1 with trials, 1 with a wrong size. */
enum { FIRST, SECOND, THIRD, TRIAL, WRONG_SIZE };

/* Fields by number, the same in each version as far as it has them. */
enum { NAME, DEPTH, KEY, CERT, MODE, HEIGHT, FIELDS };

typedef struct certificate {
    uint16_t length;
    uint8_t bytes[64];
} certificate;

/* State first, then the members of every version: those that a version lacks stay empty. */
typedef struct settings {
    uint8_t state[FIELDS];
    char name[17];
    int32_t depth;
    char key[25];
    certificate cert;
    uint8_t mode;
    int32_t height;
} settings;

board *store_board(uint8_t slots, uint32_t slot_size, uint32_t erase_unit, uint16_t program_unit,
                   uint32_t seed);

/* A start of that firmware. */
int store_board_start(board *b, unsigned firmware);

/* Makes a blank board one that was erased when it had got to that generation. */
void store_board_age(board *b, uint32_t generation);

/* All that a host is told, in a form to compare. The generation is not in it: a start may raise it. */
typedef struct board_told {
    uint8_t holds_set;
    uint8_t starts_left;
    uint8_t token[8];
    settings settings;
} board_told;
void store_board_tell(const board *b, board_told *to);

#endif
