/* SPDX-License-Identifier: MIT */
/*
 * A board for any schema, for those who have no firmware yet: it keeps settings and does nothing
 * with them. Built with PV_PROVEN as 1 it reports at once that they work, else that it does not
 * report.
 *
 * PV_HEADER is the generated header in quotes, PV_SCHEMA its schema and PV_SETTINGS its struct.
 */
#ifndef PV_HEADER
#define PV_HEADER "orchard_frost_alarm.h"
#define PV_SCHEMA orchard_frost_alarm_schema
#define PV_SETTINGS orchard_frost_alarm
#endif
#ifndef PV_PROVEN
#define PV_PROVEN 0
#endif

#include PV_HEADER
#include "port.h"

enum { ERASE_UNIT = 4096, PROGRAM_UNIT = 256, SLOTS = 4 };

static pv p;
static PV_SETTINGS settings, staged;
static uint8_t line[PV_MAX_BODY + 8], unit[PROGRAM_UNIT];

static void apply(void *context)
{
    (void)context;
    if (pv_store_state(&p) >= PV_STORE_COMPLETE) {
        pv_report(&p, PV_PROVEN ? PV_RUN_PROVEN : PV_RUN_NOT_REPORTED, PV_STEP_NONE,
                  PV_REASON_NONE);
    }
}

int main(int argc, char **argv)
{
    pv_flash flash = {
        .erase_unit = ERASE_UNIT,
        .program_unit = PROGRAM_UNIT,
        .slot_count = SLOTS,
        .read = port_flash_read,
        .program = port_flash_program,
        .erase = port_flash_erase,
    };
    const PV_ROM pv_request *requests[] = {
        &pv_request_undo, &pv_request_locate, &pv_request_restart, NULL, NULL,
    };
    pv_config config = {
        .schema = &PV_SCHEMA,
        .store = &pv_store_slots,
        .flash = &flash,
        .requests = requests,
        .parts = pv_parts,
        .settings = &settings,
        .staged = &staged,
        .line = line,
        .line_size = sizeof line,
        .unit = unit,
        .credit = sizeof line + 3 + PORT_BUFFERED,
        .commit_time = 2000,
        .erase_time = 8000,
        .apply_time = 1000,
        .unit_id = port_unit_id,
        .write = port_write,
        .clock = port_clock,
        .apply = apply,
        .restart = port_restart,
        .locate = port_locate,
    };
    int failed;
    /* A payload, and a unit each for header, seal and padding, in whole erase units. */
    flash.slot_size =
        (PV_SCHEMA.largest_payload + 3 * PROGRAM_UNIT + ERASE_UNIT - 1) / ERASE_UNIT * ERASE_UNIT;
    failed = port_begin(argc, argv, &flash);
    if (failed) {
        return failed;
    }
    config.capabilities = port_capabilities;
    config.unit_id_size = port_unit_id_size;
    config.boot_number = port_boot_number();
    config.survey = port_survey();
    if (config.survey != NULL) {
        requests[3] = &pv_request_survey;
    }
    if (!pv_is_sound(&config) || pv_start(&p, &config) != 0) {
        return 70;
    }
    while (port_is_on()) {
        uint8_t bytes[64];
        size_t size = port_read(bytes, sizeof bytes), taken = 0;
        do {
            taken += pv_feed(&p, bytes + taken, size - taken);
            pv_poll(&p);
        } while (taken < size);
    }
    return 0;
}
