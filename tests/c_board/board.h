/* SPDX-License-Identifier: MIT */
/*
 * The C stub as a board in memory, which all tests of the stub drive, in C and in Python: flash that
 * keeps the rules of NOR flash and loses power, fails or lies where a test says so; a line whose other
 * end is the test; a clock that the test sets; and a firmware that counts what it is told.
 *
 * This header is the interface. Python reads it, and those of the stub, as they stand (abi.py): each
 * struct member and each prototype has a declaration by itself.
 */
#ifndef BOARD_H
#define BOARD_H

#include "flash.h"
#include "pv_internal.h"

enum { BOARD_RECORD = 8192, BOARD_NETWORKS = 80, BOARD_SENT = 65536 };

/* Memory that the stub is given, each piece by itself. */
enum { MEMORY_STATE, MEMORY_SETTINGS, MEMORY_STAGED, MEMORY_LINE, MEMORY_UNIT, MEMORIES };
typedef struct board_memory {
    uint8_t *at;
    uint32_t size;
} board_memory;

enum { BOARD_OFFERS = 5 };

/* What of the config a test may change before a start: numbers, callbacks (what has none is not offered),
 * and with capabilities whether undo is offered. The rest follows from the geometry. */
typedef struct board {
    pv_config config;
    const pv_request *offers[BOARD_OFFERS];
    pv_flash geometry;
    pv *stub;
    board_memory memory[MEMORIES];
    uint8_t unit_id[16];
    flash_model flash;

    uint32_t now; /* milliseconds */
    uint32_t kept_size; /* of a board with a platform's own store: its record is where flash would be */
    uint32_t next_size;
    uint8_t next[BOARD_RECORD];
    uint32_t applies;
    uint32_t restarts;
    uint32_t locates;
    uint32_t scans;
    uint32_t sent_at_apply;  /* bytes that had been sent when apply was called */
    uint32_t sent_at_change; /* at most, when an operation of the flash began */
    bool present;
    bool scan_done;
    bool speaks_without_power; /* what is sent after a cut counts; else it is lost */
    uint8_t network_count;
    pv_network networks[BOARD_NETWORKS];
    uint32_t sent_size;
    uint8_t sent[BOARD_SENT];
} board;

/* A board whose flash is blank (of no slots: one with a platform's own store, empty), and that offers all but trial and presence; never started. The seed is
 * that of what is random in the flash. */
board *board_new(const pv_schema *schema, const pv_flash *geometry, uint16_t line_size, uint32_t seed);
void board_free(board *b);

/* Another board, made alike, in the same state, in the middle of a power cycle or not. */
void board_copy(board *to, const board *from);

/* Whether nothing was written around the memory that the stub was given. With the address sanitizer
 * nothing is around it, and the sanitizer says so itself. */
bool board_is_whole(const board *b);

/* The firmware starts: on what memory holds, as after a reset; or with garbage there, and nothing else
 * of an earlier life, as after a loss of power. The results are those of pv_start. */
int board_start(board *b);
int board_start_anew(board *b);

/* For config.present of a board that demands presence. */
bool board_is_present(void *context);

/* The scan that runs finds one network more. */
void board_found(board *b, const uint8_t *name, uint8_t length, int8_t signal, uint8_t security);

/* ------------------------------------------------------------------ below the messages
 * So a test reaches every operation of the store in any state. */

void board_stage_bytes(board *b, uint16_t field, const uint8_t *bytes, size_t size);
void board_stage_number(board *b, uint16_t field, int32_t number);
void board_stage_clear(board *b, uint16_t field);
/* Bytes of a value whose other parts are still to come. */
void board_stage_parts(board *b, uint16_t field, const uint8_t *bytes, size_t size);

/* As pv.c commits: what is staged goes over what is stored once it is durable. */
int board_commit(board *b, const uint8_t *token);
int board_erase(board *b);

/* ------------------------------------------------------------------ for tests in C */

/* A sink that keeps what it takes. */
typedef struct collector {
    pv_sink sink;
    uint32_t size;
    uint8_t bytes[1024];
} collector;
pv_sink *collector_begin(collector *c);

#endif
