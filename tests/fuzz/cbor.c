/* SPDX-License-Identifier: MIT */
/*
 * Fuzz target: the CBOR scanner and reader of the stub (shared/protocol.md, clause 3), and the values
 * of every kind (clause 9).
 *
 * Input: a byte that chooses a field, then an item.
 *
 * Invariants:
 *  1. Nothing is read outside of the item, nor written outside of a settings struct (address sanitizer).
 *  2. The scanner takes exactly the items that reference.c takes, and none that is longer than a line
 *     can carry.
 *  3. A value that a field takes is encoded as the bytes that came, and taken again; a value refused
 *     leaves the struct as it was. From a source that is no memory the verdict is the same.
 */
#include <stdlib.h>
#include <string.h>

#include "board.h"
#include "fuzz_board.h"
#include "reference.h"

/* As from storage: a byte at a time, and not where it stays. */
static bool hand_out(pv_reader *self)
{
    static uint8_t byte;
    byte = *self->table++;
    self->at = &byte;
    self->ready = 1;
    self->later--;
    return true;
}

static void try_value(const pv_field *field, const uint8_t *item, size_t size)
{
    static fuzz_board settings, before, other;
    const pv_schema *schema = &fuzz_board_schema;
    pv_reader from;
    pv_reader storage;
    uint8_t refusal;
    if ((field->flags & PV_KEPT) != 0) {
        return; /* it is read from a record only, and staged otherwise: stub.c */
    }
    memset(&settings, 0x5A, sizeof settings);
    pv_member_wipe(field, &settings);
    before = settings;
    other = settings;

    pv_read_memory(&from, item, size);
    PROMISE(pv_read_head(&from));
    if (from.major == PV_ARRAY || from.major == PV_MAP) {
        return;
    }
    refusal = pv_decode_value(schema, field, &from, &settings);
    pv_read_table(&storage, NULL, item, size);
    storage.fetch = hand_out;
    PROMISE(pv_read_head(&storage));
    PROMISE(pv_decode_value(schema, field, &storage, &other) == refusal);
    if (refusal == 0) {
        collector again;
        pv_encode_value(collector_begin(&again), field, &settings);
        PROMISE(again.size == size && memcmp(again.bytes, item, size) == 0);
        PROMISE(memcmp(&settings, &other, sizeof settings) == 0);
        pv_member_wipe(field, &settings);
        PROMISE(memcmp(&settings, &before, sizeof settings) == 0); /* it wrote its member only */
    } else {
        PROMISE(memcmp(&settings, &before, sizeof settings) == 0);
        pv_member_wipe(field, &other);
        PROMISE(memcmp(&other, &before, sizeof other) == 0);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    uint8_t choice;
    uint8_t *item;
    bool whole;
    if (size == 0 || size > 4096) {
        return 0;
    }
    choice = *data++;
    size--;
    item = malloc(size != 0 ? size : 1);
    PROMISE(item != NULL);
    memcpy(item, data, size);
    whole = pv_is_item(item, size);
    PROMISE(whole == (size <= PV_LARGEST_ITEM && reference_is_item(item, size, PV_MAX_DEPTH)));
    if (whole) {
        try_value(&fuzz_board_schema.fields[choice % fuzz_board_schema.field_count], item, size);
    }
    free(item);
    return 0;
}
