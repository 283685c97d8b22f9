/* SPDX-License-Identifier: MIT */
#include "proving.h"

#include "port.h"

/* The step that the firmware is at with the set in force; PV_STEP_NONE: nothing to do. */
static uint8_t step;

static void go_to(pv *p, uint8_t next)
{
    step = next;
    port_cancel();
    pv_report(p, PV_RUN_APPLYING, step, PV_REASON_NONE);
}

void proving_begin(pv *p)
{
    step = PV_STEP_NONE;
    port_cancel();
    if (pv_store_state(p) >= PV_STORE_COMPLETE) {
        go_to(p, PV_STEP_JOIN);
    } else {
        port_log("waiting for settings");
    }
}

/* PORT_BUSY, PV_REASON_NONE, or why the step failed. */
static int try_step(pv *p, const orchard_frost_alarm *settings)
{
    uint8_t address[4];
    int result;
    switch (step) {
    case PV_STEP_JOIN:
        return port_join(settings->network.name.bytes, settings->network.name.length,
                         settings->network.passphrase);
    case PV_STEP_ADDRESS:
        result = port_address(address);
        if (result == PV_REASON_NONE) {
            bool fixed = pv_has(p, ORCHARD_FROST_ALARM_NETWORK_ADDRESS);
            pv_report_address(p, fixed ? settings->network.address.bytes : address, sizeof address);
        }
        return result;
    case PV_STEP_RESOLVE:
        return port_resolve(settings->service.host);
    case PV_STEP_REACH:
        return port_reach(settings->service.host, settings->service.port);
    default:
        return port_authorize(settings->service.key);
    }
}

/* The setting that a person has to look at. */
static uint16_t field_at_fault(int reason)
{
    switch (reason) {
    case PV_REASON_NETWORK_NOT_FOUND:
        return ORCHARD_FROST_ALARM_NETWORK_NAME;
    case PV_REASON_PASSPHRASE_WRONG:
        return ORCHARD_FROST_ALARM_NETWORK_PASSPHRASE;
    case PV_REASON_NAME_NOT_RESOLVED:
    case PV_REASON_UNREACHABLE:
        return ORCHARD_FROST_ALARM_SERVICE_HOST;
    case PV_REASON_KEY_REFUSED:
        return ORCHARD_FROST_ALARM_SERVICE_KEY;
    default:
        return PV_NO_FIELD;
    }
}

void proving_poll(pv *p, const orchard_frost_alarm *settings)
{
    int result = step == PV_STEP_NONE ? PORT_BUSY : try_step(p, settings);
    if (result == PORT_BUSY) {
        return;
    }
    if (result != PV_REASON_NONE) {
        port_log("this does not work");
        pv_report_field(p, PV_RUN_FAILED, step, (uint8_t)result, field_at_fault(result));
        step = PV_STEP_NONE;
    } else if (step == PV_STEP_AUTHORIZE) {
        port_log("all works");
        pv_report(p, PV_RUN_PROVEN, step, PV_REASON_NONE);
        step = PV_STEP_NONE;
    } else {
        go_to(p, (uint8_t)(step + 1)); /* the steps are numbered in their order */
    }
}
