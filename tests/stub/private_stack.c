/* SPDX-License-Identifier: MIT */
/* The stub on a stack of its own, so that a test can look at what it left there. Flash and line are plain
 * memory: whatever a callback in Python did would lie over the traces that are looked for. */
#define _XOPEN_SOURCE 700 /* makecontext */
#include <string.h>
#include <ucontext.h>

#include "pv.h"

uint8_t lab_stack[32768];
uint8_t lab_flash[65536];
uint8_t lab_sent[4096];
uint32_t lab_sent_size;
uint32_t lab_now;
uint32_t lab_programs_left; /* from then on the flash takes nothing */

int lab_read(void *context, uint32_t offset, void *to, size_t size)
{
    (void)context;
    memcpy(to, lab_flash + offset, size);
    return 0;
}

int lab_program(void *context, uint32_t offset, const void *from, size_t size)
{
    (void)context;
    if (lab_programs_left == 0) {
        return -1;
    }
    lab_programs_left--;
    memcpy(lab_flash + offset, from, size);
    return 0;
}

int lab_erase(void *context, uint32_t offset)
{
    const pv_flash *flash = context;
    if (lab_programs_left == 0) {
        return -1;
    }
    memset(lab_flash + offset, 0xFF, flash->erase_unit);
    return 0;
}

void lab_write(void *context, const uint8_t *bytes, size_t size)
{
    (void)context;
    memcpy(lab_sent + lab_sent_size, bytes, size);
    lab_sent_size += (uint32_t)size;
}

uint32_t lab_clock(void *context)
{
    (void)context;
    return lab_now;
}

void lab_restart(void *context)
{
    (void)context;
}

/* The call to make there: one at a time. */
static struct {
    pv *p;
    const pv_config *config; /* of pv_start */
    const uint8_t *bytes;    /* of pv_feed */
    size_t size;
    size_t result;
} call;

static void enter(void)
{
    if (call.config != NULL) {
        call.result = (size_t)pv_start(call.p, call.config);
    } else if (call.bytes != NULL) {
        call.result = pv_feed(call.p, call.bytes, call.size);
    } else {
        pv_poll(call.p);
    }
}

static size_t run(pv *p, const pv_config *config, const uint8_t *bytes, size_t size)
{
    static ucontext_t here, there;
    call.p = p;
    call.config = config;
    call.bytes = bytes;
    call.size = size;
    (void)getcontext(&there);
    there.uc_stack.ss_sp = lab_stack;
    there.uc_stack.ss_size = sizeof lab_stack;
    there.uc_link = &here;
    makecontext(&there, enter, 0);
    (void)swapcontext(&here, &there);
    return call.result;
}

int lab_start(pv *p, const pv_config *config)
{
    return (int)run(p, config, NULL, 0);
}

size_t lab_feed(pv *p, const uint8_t *bytes, size_t size)
{
    return run(p, NULL, bytes, size);
}

void lab_poll(pv *p)
{
    (void)run(p, NULL, NULL, 0);
}
