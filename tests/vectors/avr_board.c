/* SPDX-License-Identifier: MIT */
/*
 * The C stub as firmware of an 8-bit AVR, for the tests: does what avr_emulator.c says, byte by
 * byte over one register, and asks it for all that a board has around the stub.
 */
#include <avr/io.h>
#include <string.h>

#include "pv.h"
#include "vector_board.h"

enum { MOST_FED = 64, RESTARTS = 1, SURVEYS = 2, LOCATES = 4, WANTS_PRESENCE = 8 };

/* Not cleared at a start: the laboratory fills memory with garbage before. */
#define MEMORY __attribute__((section(".noinit")))

static pv stub MEMORY;
static vector_board settings MEMORY;
static vector_board staged MEMORY;
static uint8_t line[PV_MAX_BODY + 8] MEMORY;
static uint8_t unit[VECTOR_BOARD_PROGRAM_UNIT] MEMORY;

static uint8_t unit_id[16];
static pv_config config;

/* ------------------------------------------------------------------ the laboratory */

static void give(uint8_t byte)
{
    GPIOR0 = byte;
}

static void give_number(uint32_t number, uint8_t bytes)
{
    while (bytes-- != 0) {
        give((uint8_t)number);
        number >>= 8;
    }
}

static uint8_t take(void)
{
    return GPIOR0;
}

static uint32_t take_number(uint8_t bytes)
{
    uint32_t number = 0;
    uint8_t i;
    for (i = 0; i < bytes; i++) {
        number |= (uint32_t)take() << 8 * i;
    }
    return number;
}

static void take_bytes(void *to, size_t size)
{
    uint8_t *bytes = to;
    while (size-- != 0) {
        *bytes++ = take();
    }
}

/* ------------------------------------------------------------------ what the stub has around it */

static int flash_read(void *context, uint32_t offset, void *to, size_t size)
{
    (void)context;
    give('r');
    give_number(offset, 4);
    give_number(size, 2);
    if (take() != 0) {
        return -1;
    }
    take_bytes(to, size);
    return 0;
}

static int flash_program(void *context, uint32_t offset, const void *from, size_t size)
{
    const uint8_t *bytes = from;
    (void)context;
    give('p');
    give_number(offset, 4);
    give_number(size, 2);
    while (size-- != 0) {
        give(*bytes++);
    }
    return take() != 0 ? -1 : 0;
}

static int flash_erase(void *context, uint32_t offset)
{
    (void)context;
    give('e');
    give_number(offset, 4);
    return take() != 0 ? -1 : 0;
}

static const pv_flash flash = {VECTOR_BOARD_ERASE_UNIT, VECTOR_BOARD_PROGRAM_UNIT, VECTOR_BOARD_SLOTS,
                               VECTOR_BOARD_SLOT_SIZE,  flash_read,                flash_program,
                               flash_erase};

static void write_out(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    give('w');
    give_number(size, 2);
    while (size-- != 0) {
        give(*bytes++);
    }
}

static uint32_t clock_ms(void *context)
{
    (void)context;
    give('c');
    return take_number(4);
}

static void restart(void *context)
{
    (void)context;
    give('x');
}

static bool present(void *context)
{
    (void)context;
    give('h');
    return take() != 0;
}

static void locate(void *context)
{
    (void)context; /* nobody looks */
}

static void apply(void *context)
{
    (void)context; /* the firmware reports when the test says so */
}

static void survey_start(void *context)
{
    (void)context;
    give('s');
}

static uint8_t survey_count(void *context, bool *done)
{
    (void)context;
    give('n');
    *done = take() != 0;
    return take();
}

static void survey_get(void *context, uint8_t index, pv_network *to)
{
    (void)context;
    give('g');
    give(index);
    take_bytes(to->name, sizeof to->name);
    to->length = take();
    to->signal = (int8_t)take();
    to->security = take();
}

static const pv_survey survey = {survey_start, survey_count, survey_get};

/* ------------------------------------------------------------------ what it is told to do */

static int start(void)
{
    static const PV_ROM pv_request *requests[5];
    const PV_ROM pv_request **next = requests;
    uint8_t offers;
    config.schema = &vector_board_schema;
    config.store = &pv_store_slots;
    config.flash = &flash;
    config.requests = requests;
    config.parts = pv_parts;
    config.settings = &settings;
    config.staged = &staged;
    config.line = line;
    config.unit = unit;
    config.unit_id = unit_id;
    config.write = write_out;
    config.clock = clock_ms;
    config.apply = apply;
    config.boot_number = take_number(4);
    config.apply_time = take_number(4);
    config.listens = take_number(4);
    config.line_size = (uint16_t)take_number(2);
    config.credit = (uint16_t)take_number(2);
    config.commit_time = (uint16_t)take_number(2);
    config.erase_time = (uint16_t)take_number(2);
    config.capabilities = (uint16_t)take_number(2);
    offers = take();
    config.restart = (offers & RESTARTS) != 0 ? restart : NULL;
    config.survey = (offers & SURVEYS) != 0 ? &survey : NULL;
    config.locate = (offers & LOCATES) != 0 ? locate : NULL;
    if ((config.capabilities & PV_CAN_UNDO) != 0) {
        *next++ = &pv_request_undo;
    }
    if (config.restart != NULL) {
        *next++ = &pv_request_restart;
    }
    if (config.survey != NULL) {
        *next++ = &pv_request_survey;
    }
    if (config.locate != NULL) {
        *next++ = &pv_request_locate;
    }
    config.present = (offers & WANTS_PRESENCE) != 0 ? present : NULL;
    config.unit_id_size = take();
    take_bytes(unit_id, sizeof unit_id);
    return pv_start(&stub, &config);
}

static uint16_t obey(uint8_t order)
{
    uint8_t bytes[MOST_FED];
    uint8_t run, step, reason;
    switch (order) {
    case 'S':
        return (uint16_t)start();
    case 'F':
        run = take();
        take_bytes(bytes, run);
        return (uint16_t)pv_feed(&stub, bytes, run);
    case 'P':
        pv_poll(&stub);
        return 0;
    case 'R':
        run = take();
        step = take();
        reason = take();
        pv_report_field(&stub, run, step, reason, (uint16_t)take_number(2));
        return 0;
    case 'A':
        run = take();
        take_bytes(bytes, run);
        pv_report_address(&stub, bytes, run);
        return 0;
    default:
        return UINT16_MAX;
    }
}

int main(void)
{
    for (;;) {
        uint16_t result = obey(take());
        give('d');
        give_number(result, 2);
    }
}
