/* SPDX-License-Identifier: MIT */
/* The C stub as a board in memory, for the tests: its clock is advanced by hand, its flash keeps the
 * rules of NOR flash and counts where they are broken, its memory holds garbage at every start. */
#include <stdlib.h>
#include <string.h>

#include "pv.h"
#include "vector_board.h"

enum {
    UNIT = (int)VECTOR_BOARD_PROGRAM_UNIT,
    ERASE = (int)VECTOR_BOARD_ERASE_UNIT,
    SIZE = (int)VECTOR_BOARD_SETTINGS_SIZE,
    OUTPUT = 65536,
    MOST_NETWORKS = 16,
    GARBAGE = 0xA5
};

/* As in c_board.py. */
typedef struct board_options {
    uint32_t boot_number;
    uint32_t apply_time;
    uint16_t line;
    uint16_t credit;
    uint16_t commit_time;
    uint16_t erase_time;
    uint16_t capabilities;
    uint8_t restarts; /* whether restart, survey, locate are offered, and presence demanded */
    uint8_t surveys;
    uint8_t locates;
    uint8_t wants_presence;
    uint8_t unit_id_size;
    uint8_t unit_id[16];
    uint32_t listens;
    uint32_t deflated_size;
    const uint8_t *deflated; /* as the board hands its schema out; of the same content and digest */
} board_options;

typedef struct c_board {
    board_options options;
    pv_schema schema;
    pv_config config;
    pv stub;
    vector_board settings;
    vector_board staged;
    uint8_t line[PV_MAX_BODY + 8];
    uint8_t unit[UNIT];

    uint8_t flash[SIZE];
    uint8_t programmed[SIZE / UNIT];
    uint32_t broken_rules;

    uint32_t now;
    bool present;
    uint32_t restarts;

    pv_network networks[MOST_NETWORKS];
    uint8_t network_count;
    bool scan_done;

    uint8_t output[OUTPUT];
    size_t output_size;
} c_board;

static int flash_read(void *context, uint32_t offset, void *to, size_t size)
{
    c_board *board = context;
    if (offset > SIZE || size > SIZE - offset) {
        ++board->broken_rules;
        return -1;
    }
    memcpy(to, board->flash + offset, size);
    return 0;
}

static int flash_program(void *context, uint32_t offset, const void *from, size_t size)
{
    c_board *board = context;
    const uint8_t *bytes = from;
    size_t at;
    if (size != UNIT || offset % UNIT != 0 || offset > SIZE - UNIT || board->programmed[offset / UNIT]) {
        ++board->broken_rules;
        return -1;
    }
    board->programmed[offset / UNIT] = 1;
    for (at = 0; at < size; ++at) {
        board->flash[offset + at] &= bytes[at];
    }
    return 0;
}

static int flash_erase(void *context, uint32_t offset)
{
    c_board *board = context;
    if (offset % ERASE != 0 || offset > SIZE - ERASE) {
        ++board->broken_rules;
        return -1;
    }
    memset(board->flash + offset, 0xFF, ERASE);
    memset(board->programmed + offset / UNIT, 0, ERASE / UNIT);
    return 0;
}

static void write_out(void *context, const uint8_t *bytes, size_t size)
{
    c_board *board = context;
    if (size > OUTPUT - board->output_size) {
        abort(); /* a test that asks for more than it reads */
    }
    memcpy(board->output + board->output_size, bytes, size);
    board->output_size += size;
}

static uint32_t clock_ms(void *context)
{
    return ((c_board *)context)->now;
}

static void apply(void *context)
{
    (void)context; /* the firmware reports when the test says so */
}

static void restart(void *context)
{
    ++((c_board *)context)->restarts;
}

static bool present(void *context)
{
    return ((c_board *)context)->present;
}

static void locate(void *context)
{
    (void)context; /* nobody looks */
}

static void survey_start(void *context)
{
    c_board *board = context;
    board->network_count = 0;
    board->scan_done = false;
}

static uint8_t survey_count(void *context, bool *done)
{
    const c_board *board = context;
    *done = board->scan_done;
    return board->network_count;
}

static void survey_get(void *context, uint8_t index, pv_network *to)
{
    *to = ((c_board *)context)->networks[index];
}

static const pv_survey survey = {survey_start, survey_count, survey_get};

static const pv_flash flash = {(uint32_t)ERASE,
                               (uint16_t)UNIT,
                               (uint8_t)VECTOR_BOARD_SLOTS,
                               (uint32_t)VECTOR_BOARD_SLOT_SIZE,
                               flash_read,
                               flash_program,
                               flash_erase};

int board_start(c_board *board, uint32_t boot_number)
{
    pv_config config;
    memset(&board->stub, GARBAGE, sizeof board->stub);
    memset(&board->settings, GARBAGE, sizeof board->settings);
    memset(&board->staged, GARBAGE, sizeof board->staged);
    memset(board->line, GARBAGE, sizeof board->line);
    memset(board->unit, GARBAGE, sizeof board->unit);
    memset(&config, 0, sizeof config);

    board->schema = vector_board_schema;
    board->schema.deflated = board->options.deflated;
    board->schema.deflated_size = board->options.deflated_size;

    config.schema = &board->schema;
    config.flash = &flash;
    config.context = board;
    config.settings = &board->settings;
    config.staged = &board->staged;
    config.line = board->line;
    config.line_size = (uint16_t)(board->options.line + 8);
    config.unit = board->unit;
    config.credit = board->options.credit;
    config.commit_time = board->options.commit_time;
    config.erase_time = board->options.erase_time;
    config.apply_time = board->options.apply_time;
    config.capabilities = board->options.capabilities;
    config.unit_id = board->options.unit_id;
    config.unit_id_size = board->options.unit_id_size;
    config.boot_number = boot_number;
    config.write = write_out;
    config.clock = clock_ms;
    config.apply = apply;
    config.restart = board->options.restarts ? restart : NULL;
    config.survey = board->options.surveys ? &survey : NULL;
    config.locate = board->options.locates ? locate : NULL;
    config.listens = board->options.listens;
    config.present = board->options.wants_presence ? present : NULL;

    board->config = config;
    board->present = false;
    board->output_size = 0;
    return pv_start(&board->stub, &board->config);
}

/* NULL if there is no memory; *result is that of pv_start. */
c_board *board_create(const board_options *options, int *result)
{
    c_board *board = malloc(sizeof *board);
    if (board == NULL) {
        return NULL;
    }
    memset(board, 0, sizeof *board);
    board->options = *options;
    memset(board->flash, 0xFF, sizeof board->flash);
    *result = board_start(board, options->boot_number);
    return board;
}

void board_destroy(c_board *board)
{
    free(board);
}

void board_receive(c_board *board, const uint8_t *bytes, size_t size)
{
    size_t taken = 0;
    while (taken < size) {
        taken += pv_feed(&board->stub, bytes + taken, size - taken);
        pv_poll(&board->stub);
    }
    pv_poll(&board->stub);
}

void board_advance(c_board *board, uint32_t ms)
{
    board->now += ms;
    pv_poll(&board->stub);
}

/* key: full key of the field at fault, or NULL. Returns whether there is such a field. */
int board_report(c_board *board, uint8_t run, uint8_t step, uint8_t reason, const char *key)
{
    uint16_t field = 0;
    if (key == NULL) {
        pv_report(&board->stub, run, step, reason);
        return 1;
    }
    while (field < vector_board_schema.field_count &&
           strcmp(vector_board_schema.fields[field].key, key) != 0) {
        ++field;
    }
    if (field == vector_board_schema.field_count) {
        return 0;
    }
    pv_report_field(&board->stub, run, step, reason, field);
    return 1;
}

void board_report_address(c_board *board, const uint8_t *address, uint8_t size)
{
    pv_report_address(&board->stub, address, size);
}

void board_present(c_board *board, int is_present)
{
    board->present = is_present != 0;
}

/* The scan that runs finds one network more. */
void board_found(c_board *board, const uint8_t *name, uint8_t length, int8_t signal, uint8_t security)
{
    pv_network *network = &board->networks[board->network_count];
    if (board->network_count == MOST_NETWORKS) {
        abort(); /* a vector with more than there is room for */
    }
    memcpy(network->name, name, length);
    network->length = length;
    network->signal = signal;
    network->security = security;
    ++board->network_count;
}

void board_scan_done(c_board *board)
{
    board->scan_done = true;
}

/* What the board has sent since it was last asked; copies it to `to`, which has room for OUTPUT. */
size_t board_output(c_board *board, uint8_t *to)
{
    size_t size = board->output_size;
    memcpy(to, board->output, size);
    board->output_size = 0;
    return size;
}

uint32_t board_broken_rules(const c_board *board)
{
    return board->broken_rules;
}

uint32_t board_restarts(const c_board *board)
{
    return board->restarts;
}

/* Copies the settings area's content; `to` has room for it. Returns its size. */
size_t board_flash(const c_board *board, uint8_t *to)
{
    memcpy(to, board->flash, SIZE);
    return SIZE;
}

/* Puts content into the settings area, SIZE bytes of it, as another firmware has left it. */
void board_load_flash(c_board *board, const uint8_t *from)
{
    size_t at;
    memcpy(board->flash, from, SIZE);
    for (at = 0; at < SIZE; ++at) {
        board->programmed[at / UNIT] |= from[at] != 0xFF;
    }
}
