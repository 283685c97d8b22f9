/* SPDX-License-Identifier: MIT */
/*
 * From reset to main, and the functions of <string.h> that a compiler or the stub asks for.
 *
 * Vector table and exceptions: ARMv7-M Architecture Reference Manual, B1.5. The numbers of the
 * machine's interrupts: Arm application note AN385, 3.8.
 */
#include <stdint.h>
#include <string.h>

#include "mps2.h"

extern uint32_t stack_top[], data_begin[], data_end[], data_source[], bss_begin[], bss_end[];

int main(int argc, char **argv);


void mps2_reset(void)
{
    memcpy(data_begin, data_source, (uintptr_t)data_end - (uintptr_t)data_begin);
    memset(bss_begin, 0, (uintptr_t)bss_end - (uintptr_t)bss_begin);
    /* Unaligned accesses fault, as they do on the smallest cores of this family. */
    MPS2_CCR |= MPS2_CCR_UNALIGN_TRP;
    (void)main(0, NULL);
    mps2_halt();
}

static void fault(void)
{
    MPS2_LAB->faults++;
    mps2_halt();
}

void mps2_halt(void)
{
    __asm volatile("cpsid i");
    for (;;) {
        __asm volatile("wfi");
    }
}

typedef void (*vector)(void);

__attribute__((section(".vectors"), used)) static const vector vectors[16 + 1] = {
    (vector)(uintptr_t)stack_top,
    mps2_reset,
    fault, /* NMI */
    fault, /* HardFault, to which the others escalate */
    fault, fault, fault, 0, 0, 0, 0, fault, fault, 0, fault,
    mps2_tick,        /* SysTick */
    mps2_uart_receive /* IRQ 0: UART 0 has received */
};

/* The compiler may make a call of memcpy() of the loop in memcpy(). */
#define PLAIN __attribute__((optimize("no-tree-loop-distribute-patterns")))

PLAIN void *memcpy(void *restrict to, const void *restrict from, size_t size)
{
    uint8_t *put = to;
    const uint8_t *take = from;
    while (size-- > 0) {
        *put++ = *take++;
    }
    return to;
}

PLAIN void *memmove(void *to, const void *from, size_t size)
{
    uint8_t *put = to;
    const uint8_t *take = from;
    if ((uintptr_t)to < (uintptr_t)from) {
        return memcpy(to, from, size);
    }
    while (size-- > 0) {
        put[size] = take[size];
    }
    return to;
}

PLAIN void *memset(void *to, int value, size_t size)
{
    uint8_t *put = to;
    while (size-- > 0) {
        *put++ = (uint8_t)value;
    }
    return to;
}

int memcmp(const void *one, const void *other, size_t size)
{
    const uint8_t *a = one, *b = other;
    for (; size > 0; size--, a++, b++) {
        if (*a != *b) {
            return *a < *b ? -1 : 1;
        }
    }
    return 0;
}

PLAIN size_t strlen(const char *text)
{
    const char *end = text;
    while (*end != '\0') {
        end++;
    }
    return (size_t)(end - text);
}

char *strchr(const char *text, int wanted)
{
    while (*text != (char)wanted) {
        if (*text++ == '\0') {
            return NULL;
        }
    }
    return (char *)(uintptr_t)text;
}
