/* SPDX-License-Identifier: MIT */
/* The orchard lantern. It runs on a computer by the port of the stub's folder; on the board the
 * drivers of the board stand in the place of port_... */
#include "orchard_lantern.h"
#include "port.h"

#define SENSOR_FAMILY 0x28 /* the first byte of the address of every sensor that it can read */

static pv p;
static orchard_lantern settings, staged;
static uint8_t line[ORCHARD_LANTERN_LINE_SIZE], unit[ORCHARD_LANTERN_PROGRAM_UNIT];

/* The stub calls this when other settings came into force, or none are left. */
static void apply(void *context)
{
    (void)context;
    if (!pv_has(&p, ORCHARD_LANTERN_LAMP_1_PIN)) {
        port_log("dark: no lamp is set"); /* nothing to report: no set is in force */
        return;
    }
    if (pv_has(&p, ORCHARD_LANTERN_SENSOR_ADDRESS) &&
        settings.sensor.address.bytes[0] != SENSOR_FAMILY) {
        /* The dialog leads the person back to this very setting. */
        pv_report_field(&p, PV_RUN_FAILED, PV_STEP_HARDWARE, PV_REASON_NO_RESPONSE,
                        ORCHARD_LANTERN_SENSOR_ADDRESS);
        return;
    }
    port_log(settings.lantern.name);
    pv_report(&p, PV_RUN_PROVEN, PV_STEP_HARDWARE, PV_REASON_NONE);
}

int main(int argc, char **argv)
{
    static const pv_flash flash = {
        .erase_unit = ORCHARD_LANTERN_ERASE_UNIT,
        .program_unit = ORCHARD_LANTERN_PROGRAM_UNIT,
        .slot_count = ORCHARD_LANTERN_SLOTS,
        .slot_size = ORCHARD_LANTERN_SLOT_SIZE,
        .read = port_flash_read,
        .program = port_flash_program,
        .erase = port_flash_erase,
    };
    static const PV_ROM pv_request *const requests[] = {&pv_request_undo, &pv_request_restart, NULL};
    pv_config config = {
        .schema = &orchard_lantern_schema,
        .store = &ORCHARD_LANTERN_STORE,
        .flash = &flash,
        .requests = requests,
        .settings = &settings,
        .staged = &staged,
        .line = line,
        .line_size = sizeof line,
        .unit = unit,
        .credit = sizeof line + 3 + PORT_BUFFERED,
        .commit_time = 1000,
        .erase_time = 4000,
        .apply_time = 1000,
        .unit_id = port_unit_id,
        .write = port_write,
        .clock = port_clock,
        .apply = apply,
        .restart = port_restart,
    };
    int failed = port_begin(argc, argv, &flash);
    if (failed) {
        return failed;
    }
    config.capabilities = port_capabilities;
    config.unit_id_size = port_unit_id_size;
    config.boot_number = port_boot_number();
    if (!pv_is_sound(&config) || pv_start(&p, &config) != 0) {
        return 1;
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
