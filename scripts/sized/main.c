/* SPDX-License-Identifier: MIT */
/* A firmware for scripts/footprint.py: what it names is linked, what is the port's is not there.
 * HEADER, SETTINGS, SCHEMA and STORE are the firmware's; REQUESTS and PARTS what it offers. */
#include HEADER

extern int port_read(void *context, uint32_t offset, void *to, size_t size);
extern int port_program(void *context, uint32_t offset, const void *from, size_t size);
extern int port_erase(void *context, uint32_t offset);
extern uint32_t port_size(void *context);
extern int port_append(void *context, const void *bytes, size_t size);
extern int port_finish(void *context, bool whole);
extern void port_write(void *context, const uint8_t *bytes, size_t size);
extern uint32_t port_clock(void *context);
extern void port_apply(void *context);
extern void port_do(void *context);
extern const pv_survey port_survey;
extern size_t port_receive(uint8_t *bytes);

pv state;
SETTINGS settings, staged;
uint8_t line[PV_MAX_BODY + 8], unit[256];

int main(void)
{
    static const uint8_t unit_id[8];
    static const PV_ROM pv_request *const requests[] = {REQUESTS NULL};
    static const pv_flash flash = {4096, 256, SLOTS, 8192, port_read, port_program, port_erase};
    static const pv_platform platform = {port_size, port_read, port_append, port_finish};
    static const pv_config config = {
        .schema = &SCHEMA,
        .store = &STORE,
        .flash = SLOTS == 0 ? NULL : &flash,
        .platform = SLOTS == 0 ? &platform : NULL,
        .requests = requests,
        .parts = PARTS,
        .settings = &settings,
        .staged = &staged,
        .line = line,
        .line_size = sizeof line,
        .unit = unit,
        .credit = 2000,
        .unit_id = unit_id,
        .unit_id_size = sizeof unit_id,
        .write = port_write,
        .clock = port_clock,
        .apply = port_apply,
        .restart = port_do,
        .locate = port_do,
        .survey = &port_survey,
    };
    if (IS_SOUND && pv_start(&state, &config) == 0) {
        for (;;) {
            uint8_t bytes[64];
            (void)pv_feed(&state, bytes, port_receive(bytes));
            pv_poll(&state);
            pv_report(&state, PV_RUN_PROVEN, PV_STEP_HARDWARE, PV_REASON_NONE);
            pv_report_address(&state, unit_id, pv_has(&state, 0) ? 4 : 0);
        }
    }
    return 0;
}
