/* SPDX-License-Identifier: MIT */
/* The stub on a stack of its own, so that a test can look at what it left there. */
#define _XOPEN_SOURCE 700 /* makecontext */
#include <ucontext.h>

#include "board.h"

uint8_t private_stack[32768];

/* The call to make there: one at a time. */
static struct {
    board *b;
    const uint8_t *bytes; /* of pv_feed */
    size_t size;
    size_t result;
} call;

static void start(void)
{
    call.result = (size_t)board_start(call.b);
}

static void feed(void)
{
    call.result = pv_feed(call.b->stub, call.bytes, call.size);
}

static void poll(void)
{
    pv_poll(call.b->stub);
}

static void run(void (*what)(void), board *b)
{
    static ucontext_t here, there;
    call.b = b;
    (void)getcontext(&there);
    there.uc_stack.ss_sp = private_stack;
    there.uc_stack.ss_size = sizeof private_stack;
    there.uc_link = &here;
    makecontext(&there, what, 0);
    (void)swapcontext(&here, &there);
}

int private_start(board *b)
{
    run(start, b);
    return (int)call.result;
}

size_t private_feed(board *b, const uint8_t *bytes, size_t size)
{
    call.bytes = bytes;
    call.size = size;
    run(feed, b);
    return call.result;
}

void private_poll(board *b)
{
    run(poll, b);
}
