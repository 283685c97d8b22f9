/* SPDX-License-Identifier: MIT */
/* The C stub as a board of the sessions: a clock set by hand, the flash model that loses power, memory
 * full of garbage at every start. Its mirror is CUnit in units.py. */
#include <stdlib.h>
#include <string.h>

#include "flash_model.h"
#include "pv.h"
#include "session_board.h"

enum {
    SIZE = (int)SESSION_BOARD_SETTINGS_SIZE,
    OUTPUT = 65536,
    GARBAGE = 0xA5
};

typedef struct unit_options {
    uint16_t line;
    uint16_t credit;
    uint16_t commit_time;
    uint16_t erase_time;
    uint16_t capabilities;
    uint16_t trial; /* seconds; 0: none is offered */
    uint32_t apply_time;
    uint32_t seed;
    uint8_t unit_id[4];
    uint8_t digest[8]; /* of the schema, which the board hands out as these bytes */
    uint32_t deflated_size;
    const uint8_t *deflated;
    const uint8_t *image; /* of the settings area */
} unit_options;

/* What a test looks at. */
typedef struct unit_view {
    uint32_t generation;
    uint32_t operations; /* of the flash since the power came */
    uint32_t broken_rules;
    uint32_t applies;
    uint32_t restarts;
    uint8_t holds_set;
    uint8_t on_trial;
    uint8_t dead; /* the flash has lost power */
    uint8_t staged;
    uint8_t token[8];
} unit_view;

typedef struct unit {
    unit_options options;
    pv_schema schema;
    pv_config config;
    pv stub;
    session_board settings;
    session_board staged;
    uint8_t line[PV_MAX_BODY + 8];
    uint8_t unit[SESSION_BOARD_PROGRAM_UNIT];
    flash_model flash;
    uint32_t now;
    uint32_t applies;
    uint32_t restarts;
    uint8_t output[OUTPUT];
    size_t output_size;
} unit;

static int read_back(void *context, uint32_t offset, void *to, size_t size)
{
    return flash_read(&((unit *)context)->flash, offset, to, size);
}

static int program(void *context, uint32_t offset, const void *from, size_t size)
{
    return flash_program(&((unit *)context)->flash, offset, from, size);
}

static int erase(void *context, uint32_t offset)
{
    return flash_erase(&((unit *)context)->flash, offset);
}

/* A board without power says nothing. */
static void write_out(void *context, const uint8_t *bytes, size_t size)
{
    unit *u = context;
    if (u->flash.dead) {
        return;
    }
    if (size > OUTPUT - u->output_size) {
        abort(); /* more than any bad line makes a board say at once */
    }
    memcpy(u->output + u->output_size, bytes, size);
    u->output_size += size;
}

static uint32_t clock_ms(void *context)
{
    return ((unit *)context)->now;
}

static void apply(void *context)
{
    ++((unit *)context)->applies;
}

static void restart(void *context)
{
    ++((unit *)context)->restarts;
}

static const pv_flash flash = {SESSION_BOARD_ERASE_UNIT,
                               SESSION_BOARD_PROGRAM_UNIT,
                               SESSION_BOARD_SLOTS,
                               SESSION_BOARD_SLOT_SIZE,
                               read_back,
                               program,
                               erase};

/* Power comes, and the firmware starts. */
int unit_start(unit *u, uint32_t boot_number, uint32_t now)
{
    pv_config config;
    if (u->flash.dead) { /* else a reset: the flash has had power all the time */
        flash_power_on(&u->flash);
    }
    memset(&u->stub, GARBAGE, sizeof u->stub);
    memset(&u->settings, GARBAGE, sizeof u->settings);
    memset(&u->staged, GARBAGE, sizeof u->staged);
    memset(u->line, GARBAGE, sizeof u->line);
    memset(u->unit, GARBAGE, sizeof u->unit);
    memset(&config, 0, sizeof config);
    u->schema = session_board_schema;
    u->schema.trial_seconds = u->options.trial;
    u->schema.deflated = u->options.deflated;
    u->schema.deflated_size = u->options.deflated_size;
    memcpy(u->schema.digest, u->options.digest, sizeof u->schema.digest);
    config.schema = &u->schema;
    config.flash = &flash;
    config.context = u;
    config.settings = &u->settings;
    config.staged = &u->staged;
    config.line = u->line;
    config.line_size = (uint16_t)(u->options.line + 8);
    config.unit = u->unit;
    config.credit = u->options.credit;
    config.commit_time = u->options.commit_time;
    config.erase_time = u->options.erase_time;
    config.apply_time = u->options.apply_time;
    config.capabilities = u->options.capabilities;
    config.unit_id = u->options.unit_id;
    config.unit_id_size = sizeof u->options.unit_id;
    config.boot_number = boot_number;
    config.write = write_out;
    config.clock = clock_ms;
    config.apply = apply;
    config.restart = restart;
    u->config = config;
    u->now = now;
    u->output_size = 0;
    return pv_start(&u->stub, &u->config);
}

unit *unit_create(const unit_options *options)
{
    size_t at;
    unit *u = calloc(1, sizeof *u);
    if (u == NULL) {
        abort();
    }
    u->options = *options;
    flash_blank(&u->flash, (uint32_t)SIZE, SESSION_BOARD_ERASE_UNIT, SESSION_BOARD_PROGRAM_UNIT,
                options->seed);
    memcpy(u->flash.seen, options->image, (size_t)SIZE);
    for (at = 0; at < (size_t)SIZE; ++at) {
        if (u->flash.seen[at] != 0xFF) {
            u->flash.programmed[at / SESSION_BOARD_PROGRAM_UNIT] = 1;
        }
    }
    return u;
}

void unit_destroy(unit *u)
{
    free(u);
}

void unit_receive(unit *u, const uint8_t *bytes, size_t size, uint32_t now)
{
    size_t taken = 0;
    u->now = now;
    while (taken < size && !u->flash.dead) {
        taken += pv_feed(&u->stub, bytes + taken, size - taken);
        pv_poll(&u->stub);
    }
    if (!u->flash.dead) {
        pv_poll(&u->stub);
    }
}

void unit_tick(unit *u, uint32_t now)
{
    u->now = now;
    pv_poll(&u->stub);
}

void unit_report(unit *u, uint8_t run)
{
    pv_report(&u->stub, run, PV_STEP_REACH, run == PV_RUN_FAILED ? PV_REASON_UNREACHABLE : PV_REASON_NONE);
    pv_poll(&u->stub);
}

/* Power goes in the n-th operation from now on. */
void unit_cut(unit *u, uint32_t operations, uint32_t bytes, uint32_t tear)
{
    u->flash.cut_at = u->flash.operations + operations;
    u->flash.cut_bytes = bytes;
    u->flash.cut_tear = tear;
}

/* The n-th operation from now on, and the next `count`, fail and do nothing. */
void unit_fail(unit *u, uint32_t operations, uint32_t count)
{
    u->flash.fail_from = u->flash.operations + operations;
    u->flash.fail_to = u->flash.fail_from + count;
}

/* Power goes now, whatever the board does. */
void unit_switch_off(unit *u)
{
    u->flash.dead = true;
}

void unit_look(const unit *u, unit_view *to)
{
    uint16_t field;
    memset(to, 0, sizeof *to);
    to->generation = u->stub.storage.generation;
    to->operations = u->flash.operations;
    to->broken_rules = u->flash.broken_rules;
    to->applies = u->applies;
    to->restarts = u->restarts;
    to->holds_set = u->stub.storage.holds_set;
    to->on_trial = u->stub.storage.holds_set && u->stub.storage.starts_left != 0;
    to->dead = u->flash.dead;
    for (field = 0; field < session_board_schema.field_count; ++field) {
        to->staged = (uint8_t)(to->staged + ((u->staged.state[field] & PV_IS_STAGED) != 0));
    }
    memcpy(to->token, u->stub.storage.token, sizeof to->token);
}

size_t unit_output(unit *u, uint8_t *to)
{
    size_t size = u->output_size;
    memcpy(to, u->output, size);
    u->output_size = 0;
    return size;
}

/* Copies the settings area as this power cycle reads it. */
void unit_image(const unit *u, uint8_t *to)
{
    memcpy(to, u->flash.seen, (size_t)SIZE);
}
