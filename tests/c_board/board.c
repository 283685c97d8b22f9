/* SPDX-License-Identifier: MIT */
#include "board.h"

#include <stdlib.h>
#include <string.h>

#ifndef GUARD
#define GUARD 32 /* bytes around each memory of the stub; 0 where the address sanitizer looks */
#endif
enum { GARBAGE = 0xA5 };

/* ------------------------------------------------------------------ callbacks */

static int read_flash(void *context, uint32_t offset, void *to, size_t size)
{
    return flash_read(&((board *)context)->flash, offset, to, size);
}

static void note_change(board *b)
{
    if (b->sent_size > b->sent_at_change) {
        b->sent_at_change = b->sent_size;
    }
}

static int program_flash(void *context, uint32_t offset, const void *from, size_t size)
{
    note_change(context);
    return flash_program(&((board *)context)->flash, offset, from, size);
}

static int erase_flash(void *context, uint32_t offset)
{
    note_change(context);
    return flash_erase(&((board *)context)->flash, offset);
}

/* Power goes, or a failure is told, as in flash: appending and finishing are operations. */
static int change_platform(board *b)
{
    flash_model *flash = &b->flash;
    uint32_t operation = flash->operations++;
    if (flash->dead || operation == flash->cut_at) {
        flash->dead = true;
        return -1;
    }
    return operation >= flash->fail_from && operation < flash->fail_to ? -1 : 0;
}

static uint32_t size_of_platform(void *context)
{
    return ((board *)context)->kept_size;
}

static int read_platform(void *context, uint32_t offset, void *to, size_t size)
{
    board *b = context;
    return offset + size > b->kept_size ? -1 : flash_read(&b->flash, offset, to, size);
}

static int append_to_platform(void *context, const void *bytes, size_t size)
{
    board *b = context;
    note_change(b);
    if (change_platform(b) != 0 || size > sizeof b->next - b->next_size) {
        return -1;
    }
    memcpy(b->next + b->next_size, bytes, size);
    b->next_size += (uint32_t)size;
    return 0;
}

/* One that loses power keeps the old record, or the new one if cut_bytes says so. */
static int finish_platform(void *context, bool whole)
{
    board *b = context;
    int result = change_platform(b);
    note_change(b);
    if (whole && (result == 0 || (b->flash.operations == b->flash.cut_at + 1 && b->flash.cut_bytes > 0))) {
        memset(b->flash.seen, 0xFF, b->flash.size);
        memcpy(b->flash.seen, b->next, b->next_size);
        b->kept_size = b->next_size;
    }
    memset(b->next, 0, sizeof b->next);
    b->next_size = 0;
    return result;
}

static const pv_platform platform = {size_of_platform, read_platform, append_to_platform, finish_platform};

static void write_line(void *context, const uint8_t *bytes, size_t size)
{
    board *b = context;
    if (b->flash.dead && !b->speaks_without_power) {
        return;
    }
    if (size > sizeof b->sent - b->sent_size) {
        abort(); /* more than any test asks for at once */
    }
    memcpy(b->sent + b->sent_size, bytes, size);
    b->sent_size += (uint32_t)size;
}

static uint32_t clock_ms(void *context)
{
    return ((board *)context)->now;
}

static void apply(void *context)
{
    board *b = context;
    b->applies++;
    b->sent_at_apply = b->sent_size;
}

static void ask_restart(void *context)
{
    ((board *)context)->restarts++;
}

bool board_is_present(void *context)
{
    return ((board *)context)->present;
}

static void locate(void *context)
{
    ((board *)context)->locates++;
}

static void begin_scan(void *context)
{
    board *b = context;
    b->scans++;
    b->network_count = 0;
    b->scan_done = false;
}

static uint8_t count_networks(void *context, bool *done)
{
    *done = ((board *)context)->scan_done;
    return ((board *)context)->network_count;
}

static void get_network(void *context, uint8_t index, pv_network *to)
{
    if (index >= ((board *)context)->network_count) {
        abort();
    }
    *to = ((board *)context)->networks[index];
}

static const pv_survey survey = {begin_scan, count_networks, get_network};

void board_found(board *b, const uint8_t *name, uint8_t length, int8_t signal, uint8_t security)
{
    pv_network *network = &b->networks[b->network_count];
    if (b->network_count == BOARD_NETWORKS || length > sizeof network->name) {
        abort();
    }
    memset(network, 0, sizeof *network);
    memcpy(network->name, name, length);
    network->length = length;
    network->signal = signal;
    network->security = security;
    b->network_count++;
}

/* ------------------------------------------------------------------ making */

static void *give(board *b, int which, size_t size)
{
    uint8_t *all = malloc(size + 2 * GUARD);
    if (all == NULL) {
        abort();
    }
    memset(all, GARBAGE, size + 2 * GUARD);
    b->memory[which].at = all + GUARD;
    b->memory[which].size = (uint32_t)size;
    memset(all + GUARD, 0, size);
    return all + GUARD;
}

board *board_new(const pv_schema *schema, const pv_flash *geometry, uint16_t line_size, uint32_t seed)
{
    board *b = calloc(1, sizeof *b);
    if (b == NULL) {
        abort();
    }
    b->geometry = *geometry;
    b->geometry.read = read_flash;
    b->geometry.program = program_flash;
    b->geometry.erase = erase_flash;
    flash_blank(&b->flash, (geometry->slot_count == 0 ? 1U : geometry->slot_count) * geometry->slot_size,
                geometry->erase_unit, geometry->program_unit, seed);
    b->stub = give(b, MEMORY_STATE, sizeof *b->stub);
    b->unit_id[0] = 1;
    b->config.schema = schema;
    b->config.store = geometry->slot_count == 0   ? &pv_store_platform
                      : geometry->slot_count == 2 ? &pv_store_pair
                                                  : &pv_store_slots;
    b->config.requests = b->offers;
    b->config.flash = geometry->slot_count == 0 ? NULL : &b->geometry;
    b->config.platform = geometry->slot_count == 0 ? &platform : NULL;
    b->config.context = b;
    b->config.settings = give(b, MEMORY_SETTINGS, schema->settings_size);
    b->config.staged = give(b, MEMORY_STAGED, schema->settings_size);
    b->config.line = give(b, MEMORY_LINE, line_size);
    b->config.line_size = line_size;
    b->config.unit = give(b, MEMORY_UNIT, geometry->program_unit);
    b->config.credit = 2048;
    b->config.commit_time = 1000;
    b->config.erase_time = 2000;
    b->config.apply_time = 10000;
    b->config.capabilities = PV_CAN_UNDO | PV_CAN_RECEIVES_WHILE_STORING;
    b->config.unit_id = b->unit_id;
    b->config.unit_id_size = 1;
    b->config.boot_number = 1;
    b->config.write = write_line;
    b->config.clock = clock_ms;
    b->config.apply = apply;
    b->config.restart = ask_restart;
    b->config.locate = locate;
    b->config.survey = &survey;
    return b;
}

void board_free(board *b)
{
    for (int i = 0; i < MEMORIES; i++) {
        free(b->memory[i].at - GUARD);
    }
    free(b);
}

void board_copy(board *to, const board *from)
{
    for (int i = 0; i < MEMORIES; i++) {
        memcpy(to->memory[i].at, from->memory[i].at, from->memory[i].size);
    }
    if (to->stub->config != NULL) {
        to->stub->config = &to->config;
    }
    to->stub->flash = from->config.flash == NULL ? NULL : &to->geometry;
    to->stub->settings = to->memory[MEMORY_SETTINGS].at;
    to->stub->staged = to->memory[MEMORY_STAGED].at;
    to->config = from->config;
    memcpy(to->offers, from->offers, sizeof to->offers);
    to->config.requests = to->offers;
    to->config.flash = from->config.flash == NULL ? NULL : &to->geometry;
    to->config.context = to;
    to->config.settings = to->memory[MEMORY_SETTINGS].at;
    to->config.staged = to->memory[MEMORY_STAGED].at;
    to->config.line = to->memory[MEMORY_LINE].at;
    to->config.unit = to->memory[MEMORY_UNIT].at;
    to->config.unit_id = to->unit_id;
    to->geometry = from->geometry;
    memcpy(to->unit_id, from->unit_id, sizeof to->unit_id);
    flash_copy(&to->flash, &from->flash);
    memcpy(&to->now, &from->now, offsetof(board, networks) - offsetof(board, now));
    memcpy(to->networks, from->networks, from->network_count * sizeof from->networks[0]);
    to->sent_size = from->sent_size;
    memcpy(to->sent, from->sent, from->sent_size);
}

bool board_is_whole(const board *b)
{
    for (int i = 0; i < MEMORIES; i++) {
        const uint8_t *before = b->memory[i].at - GUARD;
        const uint8_t *behind = b->memory[i].at + b->memory[i].size;
        for (int at = 0; at < GUARD; at++) {
            if (before[at] != GARBAGE || behind[at] != GARBAGE) {
                return false;
            }
        }
    }
    return true;
}

int board_start(board *b)
{
    pv_config *config = &b->config;
    const pv_request **next = b->offers;
    config->parts = (config->capabilities & PV_CAN_WHOLE_VALUES) != 0 ? NULL : pv_parts;
    memset(b->offers, 0, sizeof b->offers);
    if ((config->capabilities & PV_CAN_UNDO) != 0) {
        *next++ = &pv_request_undo;
    }
    if (config->survey != NULL) {
        *next++ = &pv_request_survey;
    }
    if (config->locate != NULL) {
        *next++ = &pv_request_locate;
    }
    if (config->restart != NULL) {
        *next++ = &pv_request_restart;
    }
    return pv_is_sound(config) ? pv_start(b->stub, config) : PV_ERROR_CONFIG;
}

int board_start_anew(board *b)
{
    for (int i = 0; i < MEMORIES; i++) {
        memset(b->memory[i].at, GARBAGE, b->memory[i].size);
    }
    b->present = b->scan_done = false;
    b->network_count = 0;
    b->sent_size = 0;
    return board_start(b);
}

/* ------------------------------------------------------------------ below the messages */

static const pv_field *field_of(const board *b, uint16_t field)
{
    return &b->config.schema->fields[field];
}

void board_stage_bytes(board *b, uint16_t field, const uint8_t *bytes, size_t size)
{
    memcpy(pv_member_bytes(field_of(b, field), b->config.staged), bytes, size);
    pv_member_close(field_of(b, field), b->config.staged, size);
    PV_STATE(b->config.staged, field) = PV_STAGED_VALUE;
}

void board_stage_parts(board *b, uint16_t field, const uint8_t *bytes, size_t size)
{
    memcpy(pv_member_bytes(field_of(b, field), b->config.staged), bytes, size);
    b->stub->part_field = field;
    b->stub->part_held = (uint16_t)size;
    b->stub->part_total = (uint16_t)field_of(b, field)->maximum;
}

void board_stage_number(board *b, uint16_t field, int32_t number)
{
    uint8_t *member = (uint8_t *)b->config.staged + field_of(b, field)->offset;
    if (field_of(b, field)->kind->layout->size == 1) {
        *member = (uint8_t)number;
    } else {
        memcpy(member, &number, sizeof number);
    }
    PV_STATE(b->config.staged, field) = PV_STAGED_VALUE;
}

void board_stage_clear(board *b, uint16_t field)
{
    pv_fall_back(b->stub, b->config.staged, field);
    PV_STATE(b->config.staged, field) |= PV_IS_STAGED;
}

int board_commit(board *b, const uint8_t *token)
{
    int refusal = b->config.store->commit(b->stub, token);
    if (refusal == 0) {
        pv_settings_overlay(b->stub);
    }
    pv_drop_staged(b->stub);
    return refusal;
}

int board_erase(board *b)
{
    return b->config.store->erase(b->stub);
}

/* ------------------------------------------------------------------ for tests in C */

static void collect(pv_sink *self, const uint8_t *bytes, size_t size)
{
    collector *to = (collector *)(void *)self;
    if (size > sizeof to->bytes - to->size) {
        abort();
    }
    memcpy(to->bytes + to->size, bytes, size);
    to->size += (uint32_t)size;
}

pv_sink *collector_begin(collector *c)
{
    memset(c, 0, sizeof *c);
    c->sink.take = collect;
    return &c->sink;
}
