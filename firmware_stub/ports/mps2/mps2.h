/* SPDX-License-Identifier: MIT */
/*
 * The registers of the machine mps2-an385 that the port uses. Addresses and clock: Arm application
 * note AN385, 3.4 and 4; UART and timer: Cortex-M System Design Kit Technical Reference Manual, 4.3
 * and 4.1; SysTick and system control: ARMv7-M Architecture Reference Manual, B3.2 and B3.3.
 */
#ifndef MPS2_H
#define MPS2_H

#include <stdint.h>

#define MPS2_REGISTER(address) (*(volatile uint32_t *)(uintptr_t)(address))

#define MPS2_CLOCK_KHZ 25000u

#define MPS2_UART_DATA MPS2_REGISTER(0x40004000u)
#define MPS2_UART_STATE MPS2_REGISTER(0x40004004u)
#define MPS2_UART_CONTROL MPS2_REGISTER(0x40004008u)
#define MPS2_UART_INTERRUPT MPS2_REGISTER(0x4000400Cu)
#define MPS2_UART_DIVIDER MPS2_REGISTER(0x40004010u)
enum { MPS2_UART_TX_FULL = 1, MPS2_UART_RX_FULL = 2 };                        /* STATE */
enum { MPS2_UART_TX = 1, MPS2_UART_RX = 2, MPS2_UART_RX_INTERRUPT = 8 };      /* CONTROL */
enum { MPS2_UART_RX_PENDING = 2 };                                            /* INTERRUPT */

/* Counts down by the clock of the system. */
#define MPS2_TIMER_CONTROL MPS2_REGISTER(0x40000000u)
#define MPS2_TIMER_VALUE MPS2_REGISTER(0x40000004u)
#define MPS2_TIMER_RELOAD MPS2_REGISTER(0x40000008u)

#define MPS2_TICK_CONTROL MPS2_REGISTER(0xE000E010u)
#define MPS2_TICK_RELOAD MPS2_REGISTER(0xE000E014u)
#define MPS2_TICK_VALUE MPS2_REGISTER(0xE000E018u)
enum { MPS2_TICK_ON = 7 }; /* with an interrupt, by the clock of the processor */

#define MPS2_INTERRUPTS_ON MPS2_REGISTER(0xE000E100u)
#define MPS2_RESET MPS2_REGISTER(0xE000ED0Cu)
#define MPS2_RESET_REQUEST 0x05FA0004u
#define MPS2_CCR MPS2_REGISTER(0xE000ED14u)
#define MPS2_CCR_UNALIGN_TRP (1u << 3)

/* The memory that the emulator keeps in a file plays the flash; behind it, what a laboratory would
 * have beside the board: a counter, and a relay in its supply. */
#define MPS2_FLASH ((volatile uint8_t *)(uintptr_t)0x21000000u)
#define MPS2_LAB_OFFSET 0x40000u

typedef volatile struct mps2_lab {
    uint32_t operations; /* programs and erases that were begun, in the life of the flash */
    uint32_t cut_at;     /* the power goes in the operation of that number; 0: in none */
    uint32_t cut_bytes;  /* of which so many bytes are done */
    uint32_t cuts;       /* how often it went */
    uint32_t boots;
    uint32_t faults;     /* exceptions that nobody expected */
    uint32_t rules;      /* times that the rules of flash were not kept */
    uint32_t unit_id[2];
} mps2_lab;

#define MPS2_LAB ((mps2_lab *)(uintptr_t)(0x21000000u + MPS2_LAB_OFFSET))

/* No more is done, and no power used. */
__attribute__((noreturn)) void mps2_halt(void);

/* Entries of the vector table. */
void mps2_reset(void);
void mps2_tick(void);
void mps2_uart_receive(void);

#endif
