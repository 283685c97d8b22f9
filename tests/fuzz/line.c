/* SPDX-License-Identifier: MIT */
/*
 * Fuzz target: the line receiver and sender of the stub (shared/protocol.md, clause 2).
 *
 * Input: a byte of options, then bytes. Either they are what arrives, cut into pieces; or they are
 * the BODY of one line, to which this file puts the CHECK, since no mutation finds a CRC.
 *
 * Invariants:
 *  1. Whatever arrives, nothing is written outside of the receive buffer (address sanitizer).
 *  2. A line is taken exactly if it is the one that its item is sent as: BODY and CHECK made from the
 *     item that was decoded, by the code below, are the characters that came.
 *  3. An item sent by the stub is that line as well, and is taken again as the same item.
 *  4. After pv_line_done nothing of the line is left in the buffer.
 */
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "fuzz_board.h"
#include "reference.h"

enum { SMALL = PV_MIN_BODY_LIMIT + PV_CHECK_SIZE, LARGE = PV_MAX_BODY + PV_CHECK_SIZE };

/* A board with that receive buffer, of which nothing has come yet. */
static board *board_of(uint16_t line_size)
{
    static const pv_flash geometry = {.erase_unit = FUZZ_BOARD_ERASE_UNIT,
                                      .program_unit = FUZZ_BOARD_PROGRAM_UNIT,
                                      .slot_count = FUZZ_BOARD_SLOTS,
                                      .slot_size = FUZZ_BOARD_SLOT_SIZE};
    static board *boards[2];
    board **b = &boards[line_size == LARGE];
    if (*b == NULL) {
        *b = board_new(&fuzz_board_schema, &geometry, line_size, 1);
    }
    memset((*b)->stub, 0, sizeof *(*b)->stub);
    memset((*b)->config.line, 0, line_size);
    (*b)->stub->config = &(*b)->config;
    return *b;
}

/* Takes the line that waits; wire: what came behind the tilde. */
static void look(board *b, const uint8_t *wire, size_t wire_size)
{
    uint8_t item[LARGE];
    pv *p = b->stub;
    size_t i;
    size_t size = pv_line_take(p);
    PROMISE(size <= PV_LARGEST_ITEM);
    memcpy(item, p->config->line, size);
    if (size != 0) {
        pv_sink *to = pv_line_begin(p);
        pv_give(to, item, size);
        pv_line_end(p);
        PROMISE(reference_is_line(b->sent, b->sent_size, item, size));
        PROMISE(b->sent_size == wire_size + 3 && memcmp(b->sent + 2, wire, wire_size) == 0);
    } else {
        PROMISE(!reference_is_message(wire, wire_size));
    }
    pv_line_done(p);
    for (i = 0; i < p->config->line_size; i++) {
        PROMISE(p->config->line[i] == 0);
    }
    b->sent_size = 0;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    board *b;
    uint8_t framed[LARGE + 3];
    uint8_t wire[LARGE];
    size_t wire_size = 0;
    bool in_message = false;
    bool at_start = true;
    uint8_t options;
    if (size == 0) {
        return 0;
    }
    options = *data++;
    size--;
    b = board_of(options & 1 ? SMALL : LARGE);

    if (options & 2) {
        size_t body = size < PV_MAX_BODY ? size : PV_MAX_BODY;
        memcpy(framed, "\n~", 2);
        memcpy(framed + 2, data, body);
        reference_check(data, body, framed + 2 + body);
        framed[2 + body + PV_CHECK_SIZE] = '\n';
        data = framed;
        size = body + 3 + PV_CHECK_SIZE;
    }
    while (size != 0) {
        size_t piece = 1 + (options >> 2) * (size_t)7 % size;
        size_t taken = pv_feed(b->stub, data, piece);
        size_t i;
        PROMISE(taken != 0 && taken <= piece);
        for (i = 0; i < taken; i++) {
            /* What a receiver of clause 2.2 holds, kept here by itself. */
            if (data[i] == '\n' || data[i] == '\r') {
                if (in_message) {
                    PROMISE(pv_line_waits(b->stub) && i == taken - 1);
                    look(b, wire, wire_size);
                }
                in_message = false;
                at_start = true;
            } else if (at_start) {
                at_start = false;
                in_message = data[i] == '~';
                wire_size = 0;
            } else if (in_message && wire_size == b->config.line_size) {
                in_message = false; /* too long: dropped up to its end */
            } else if (in_message) {
                wire[wire_size++] = data[i];
            }
        }
        PROMISE(!pv_line_waits(b->stub));
        data += taken;
        size -= taken;
    }
    return 0;
}
