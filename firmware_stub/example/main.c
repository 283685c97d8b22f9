/* SPDX-License-Identifier: MIT */
/* The orchard frost alarm, as far as its settings go: all that integrating the stub takes.
 * README.md beside this folder walks through it. */
#include "orchard_frost_alarm.h"
#include "port.h"
#include "proving.h"

static pv p;
static orchard_frost_alarm settings, staged;
static uint8_t line[PV_MAX_BODY + 8], unit[ORCHARD_FROST_ALARM_PROGRAM_UNIT];

/* The stub calls this when another set came into force, or none is left. */
static void apply(void *context)
{
    (void)context;
    proving_begin(&p);
}

int main(int argc, char **argv)
{
    static const pv_flash flash = {
        .erase_unit = ORCHARD_FROST_ALARM_ERASE_UNIT,
        .program_unit = ORCHARD_FROST_ALARM_PROGRAM_UNIT,
        .slot_count = ORCHARD_FROST_ALARM_SLOTS,
        .slot_size = ORCHARD_FROST_ALARM_SLOT_SIZE,
        .read = port_flash_read,
        .program = port_flash_program,
        .erase = port_flash_erase,
    };
    const PV_ROM pv_request *requests[] = {
        &pv_request_undo, &pv_request_locate, &pv_request_restart, NULL, NULL,
    };
    pv_config config = {
        .schema = &orchard_frost_alarm_schema,
        .store = &ORCHARD_FROST_ALARM_STORE,
        .flash = &flash,
        .requests = requests,
        .parts = pv_parts,
        .settings = &settings,
        .staged = &staged,
        .line = line,
        .line_size = sizeof line,
        .unit = unit,
        .credit = sizeof line + 3 + PORT_BUFFERED,
        .commit_time = 2000, /* two erases of up to 400 ms, and 18 programs */
        .erase_time = 8000,
        .apply_time = 15000,
        .unit_id = port_unit_id,
        .write = port_write,
        .clock = port_clock,
        .apply = apply,
        .restart = port_restart,
        .locate = port_locate,
    };
    int failed = port_begin(argc, argv, &flash);
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
        proving_poll(&p, &settings);
    }
    return 0;
}
