/* SPDX-License-Identifier: MIT */
/*
 * The port to the emulated machine mps2-an385: a Cortex-M without an operating system or a C library.
 * Bytes are received by interrupt into a ring; the processor sleeps until one comes or something is
 * due. Its radio is the practice network's, where every name and key will do.
 */
#include "mps2.h"
#include "practice_network.h"

#include <string.h>

enum { LONGEST_SLEEP_MS = 250 };

const uint16_t port_capabilities = PV_CAN_RECEIVES_WHILE_STORING; /* the interrupt goes on */
uint8_t port_unit_id[16], port_unit_id_size;

static uint32_t flash_size, erase_unit;
static uint16_t program_unit;

/* ------------------------------------------------------------------ time */

/* The timer wraps after 171 s; port_read(), which sleeps for less, asks it often enough. */
uint32_t port_clock(void *context)
{
    static uint32_t ms, counted; /* what the timer has come to, in whole milliseconds */
    uint32_t passed = (~MPS2_TIMER_VALUE - counted) / MPS2_CLOCK_KHZ;
    (void)context;
    counted += passed * MPS2_CLOCK_KHZ;
    ms += passed;
    return ms;
}

void mps2_tick(void)
{
    MPS2_TICK_CONTROL = 0; /* it has woken the processor */
}

static void sleep_at_most(uint32_t ms)
{
    MPS2_TICK_RELOAD = ms * MPS2_CLOCK_KHZ; /* 24 bits: 671 ms */
    MPS2_TICK_VALUE = 0;
    MPS2_TICK_CONTROL = MPS2_TICK_ON;
    __asm volatile("wfi");
}

/* ------------------------------------------------------------------ the serial port */

static uint8_t ring[PORT_BUFFERED];
static volatile uint32_t received, taken; /* modulo 2^32, of which the ring's size is a divisor */

void mps2_uart_receive(void)
{
    MPS2_UART_INTERRUPT = MPS2_UART_RX_PENDING;
    while (MPS2_UART_STATE & MPS2_UART_RX_FULL) {
        uint8_t byte = (uint8_t)MPS2_UART_DATA;
        if (received - taken < sizeof ring) { /* else it is lost, as nothing holds the sender back */
            ring[received % sizeof ring] = byte;
            received++;
        }
    }
}

size_t port_read(uint8_t *to, size_t size)
{
    uint32_t left = practice_left(LONGEST_SLEEP_MS);
    size_t got = 0;
    /* An interrupt that came between looking and sleeping is pending, and wakes at once. */
    __asm volatile("cpsid i" ::: "memory");
    if (received == taken && left > 0) {
        sleep_at_most(left);
    }
    __asm volatile("cpsie i" ::: "memory");
    while (got < size && taken != received) {
        to[got++] = ring[taken % sizeof ring];
        taken++;
    }
    return got;
}

void port_write(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    for (size_t i = 0; i < size; i++) {
        while (MPS2_UART_STATE & MPS2_UART_TX_FULL) {
        }
        MPS2_UART_DATA = bytes[i];
    }
}

void port_log(const char *line)
{
    port_write(NULL, (const uint8_t *)line, strlen(line));
    port_write(NULL, (const uint8_t *)"\r\n", 2);
}

/* ------------------------------------------------------------------ flash: memory with its rules */

static bool is_inside(uint32_t offset, size_t size)
{
    return offset <= flash_size && size <= flash_size - offset;
}

static int broken_rule(void)
{
    MPS2_LAB->rules++;
    return -1;
}

/* Sets bytes, those of `from` or erased ones. The laboratory may cut the power in between. */
static void change(uint32_t offset, const uint8_t *from, size_t size)
{
    uint32_t number = ++MPS2_LAB->operations;
    bool is_cut = number == MPS2_LAB->cut_at;
    if (is_cut && MPS2_LAB->cut_bytes < size) {
        size = MPS2_LAB->cut_bytes;
    }
    for (size_t i = 0; i < size; i++) {
        MPS2_FLASH[offset + i] = from == NULL ? 0xFF : from[i];
    }
    if (is_cut) {
        MPS2_LAB->cuts++;
        mps2_halt();
    }
}

int port_flash_read(void *context, uint32_t offset, void *to, size_t size)
{
    uint8_t *put = to;
    (void)context;
    if (!is_inside(offset, size)) {
        return broken_rule();
    }
    for (size_t i = 0; i < size; i++) {
        put[i] = MPS2_FLASH[offset + i];
    }
    return 0;
}

int port_flash_program(void *context, uint32_t offset, const void *from, size_t size)
{
    (void)context;
    if (size != program_unit || offset % program_unit != 0 || !is_inside(offset, size)) {
        return broken_rule();
    }
    for (size_t i = 0; i < size; i++) {
        if (MPS2_FLASH[offset + i] != 0xFF) {
            return broken_rule(); /* a unit is programmed once between erases */
        }
    }
    change(offset, from, size);
    return 0;
}

int port_flash_erase(void *context, uint32_t offset)
{
    (void)context;
    if (offset % erase_unit != 0 || !is_inside(offset, erase_unit)) {
        return broken_rule();
    }
    change(offset, NULL, erase_unit);
    return 0;
}

/* ------------------------------------------------------------------ start and end */

int port_begin(int argc, char **argv, const pv_flash *flash)
{
    (void)argc;
    (void)argv;
    flash_size = flash->slot_count * flash->slot_size;
    erase_unit = flash->erase_unit;
    program_unit = flash->program_unit;
    if (flash_size > MPS2_LAB_OFFSET) {
        return -1;
    }
    MPS2_LAB->boots++;
    port_unit_id_size = sizeof MPS2_LAB->unit_id;
    for (uint8_t i = 0; i < port_unit_id_size; i++) {
        port_unit_id[i] = (uint8_t)(MPS2_LAB->unit_id[i / 4] >> 8 * (i % 4));
    }
    MPS2_TIMER_RELOAD = UINT32_MAX;
    MPS2_TIMER_VALUE = UINT32_MAX;
    MPS2_TIMER_CONTROL = 1;
    MPS2_UART_DIVIDER = MPS2_CLOCK_KHZ * 1000u / 115200u;
    MPS2_UART_CONTROL = MPS2_UART_TX | MPS2_UART_RX | MPS2_UART_RX_INTERRUPT;
    /* Clears what came too early; the emulator goes on receiving only when somebody has read. */
    (void)MPS2_UART_DATA;
    MPS2_INTERRUPTS_ON = 1;
    port_log("the firmware starts");
    return 0;
}

bool port_is_on(void)
{
    return true;
}

void port_restart(void *context)
{
    (void)context;
    port_log("restarting");
    MPS2_RESET = MPS2_RESET_REQUEST;
    mps2_halt();
}

/* The machine has no source of randomness; a board that counts its starts needs none. */
uint32_t port_boot_number(void)
{
    return MPS2_LAB->boots;
}

void port_locate(void *context)
{
    (void)context;
    port_log("here I am: the lamp blinks");
}

const pv_survey *port_survey(void)
{
    return NULL;
}

/* ------------------------------------------------------------------ the network */

int port_join(const uint8_t *name, size_t length, const char *passphrase)
{
    (void)name;
    (void)length;
    (void)passphrase;
    return practice_is_done(PV_STEP_JOIN, 600) ? PV_REASON_NONE : PORT_BUSY;
}

int port_authorize(const char *key)
{
    (void)key;
    return practice_is_done(PV_STEP_AUTHORIZE, 200) ? PV_REASON_NONE : PORT_BUSY;
}
