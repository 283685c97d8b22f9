/* SPDX-License-Identifier: MIT */
#include "practice_network.h"

#include <string.h>

static uint8_t running; /* PV_STEP_NONE, or what the firmware waits for */
static uint32_t due;

bool practice_is_done(uint8_t step, uint32_t ms)
{
    if (running != step) {
        running = step;
        due = port_clock(NULL) + ms;
    }
    if (practice_left(ms) > 0) {
        return false;
    }
    running = PV_STEP_NONE;
    return true;
}

uint32_t practice_left(uint32_t most)
{
    int32_t left = (int32_t)(due - port_clock(NULL));
    if (running == PV_STEP_NONE || left > (int32_t)most) {
        return most;
    }
    return left > 0 ? (uint32_t)left : 0;
}

void port_cancel(void)
{
    running = PV_STEP_NONE;
}

int port_address(uint8_t address[4])
{
    static const uint8_t given[4] = {198, 51, 100, 7}; /* RFC 5737: kept for documentation */
    if (!practice_is_done(PV_STEP_ADDRESS, 200)) {
        return PORT_BUSY;
    }
    memcpy(address, given, sizeof given);
    return PV_REASON_NONE;
}

int port_resolve(const char *host)
{
    static const char never[] = ".invalid"; /* RFC 6761 6.4 */
    size_t length = strlen(host), tail = sizeof never - 1;
    if (!practice_is_done(PV_STEP_RESOLVE, 100)) {
        return PORT_BUSY;
    }
    return length >= tail && memcmp(host + length - tail, never, tail) == 0
               ? PV_REASON_NAME_NOT_RESOLVED
               : PV_REASON_NONE;
}

int port_reach(const char *host, int32_t number)
{
    static const char never[] = "192.0.2."; /* RFC 5737: addresses of this block are not in use */
    (void)number;
    if (!practice_is_done(PV_STEP_REACH, 150)) {
        return PORT_BUSY;
    }
    return strlen(host) >= sizeof never - 1 && memcmp(host, never, sizeof never - 1) == 0
               ? PV_REASON_UNREACHABLE
               : PV_REASON_NONE;
}
