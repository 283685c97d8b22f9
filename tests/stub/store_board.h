/* SPDX-License-Identifier: MIT */
/* The board of store_board.c, for Python by ctypes and for other test programs in C. */
#ifndef STORE_BOARD_H
#define STORE_BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

typedef struct board board;

/* The firmware that starts, by its schema: versions 1 to 3, 1 with trials, 1 with a wrong size. */
enum { FIRST, SECOND, THIRD, TRIAL, WRONG_SIZE };

/* Fields by number, the same in each version as far as it has them. */
enum { NAME, DEPTH, KEY, CERT, MODE, HEIGHT, FIELDS };

/* State first, then the members of every version: those that a version lacks stay empty. */
typedef struct settings {
    uint8_t state[FIELDS];
    char name[17];
    int32_t depth;
    char key[25];
    struct {
        uint16_t length;
        uint8_t bytes[64];
    } certificate;
    uint8_t mode;
    int32_t height;
} settings;

board *board_new(uint8_t slots, uint32_t slot_size, uint32_t erase_unit, uint16_t program_unit,
                 uint32_t seed);
void board_free(board *b);
void board_copy(board *to, const board *from);

int board_start(board *b, unsigned schema);
void board_power(board *b);
void board_power_as(board *b, uint32_t happened);

void board_stage_bytes(board *b, uint16_t field, const uint8_t *bytes, size_t size);
void board_stage_parts(board *b, uint16_t field, const uint8_t *bytes, size_t size);
void board_stage_number(board *b, uint16_t field, int32_t number);
void board_stage_clear(board *b, uint16_t field);
int board_commit(board *b, const uint8_t token[8]);
int board_undo(board *b);
int board_confirm(board *b);
int board_end_trial(board *b);
int board_erase(board *b);

const settings *board_settings(const board *b);
uint32_t board_generation(const board *b);
uint16_t board_missing(const board *b);
uint16_t board_capabilities(const board *b);
uint8_t *board_image(board *b);
uint32_t board_torn(const board *b);
void board_durable(const board *b, uint8_t *to);
uint32_t board_erases(const board *b, uint32_t erase_unit);
uint32_t board_operations(const board *b);
uint32_t board_operation_size(const board *b, uint32_t operation);
uint32_t board_broken_rules(const board *b);
bool board_is_dead(const board *b);

void board_cut(board *b, uint32_t operation, uint32_t bytes, uint32_t tear);
void board_fail(board *b, uint32_t from, uint32_t to);
void board_silence(board *b, uint32_t operation);
void board_spoil(board *b, uint32_t operation, uint32_t at);
void board_fail_reads(board *b, uint32_t after);
void board_misread(board *b, uint32_t read, uint32_t bit);
uint32_t board_reads(const board *b);
uint32_t board_misread_size(const board *b);
bool board_same(const board *one, const board *other);
void board_age(board *b, uint32_t generation);

/* All that a host is told, in a form to compare: whether a set is held, starts left, token,
 * settings. The generation is not in it: a start may raise it. Returns the size. */
size_t board_told(const board *b, uint8_t *to);

long board_find_in_ram(const board *b, const uint8_t *bytes, size_t size);

#endif
