/* SPDX-License-Identifier: MIT */
/*
 * An emulated 8-bit AVR with 16 KB of memory that runs the image named: what its firmware writes to one
 * register goes to standard output, what it reads there comes from standard input. Memory is full of
 * garbage when it starts. At the end of the input it says on standard error how far the stack has come
 * down, in bytes.
 */
#include <simavr/sim_avr.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    REGISTER = 0x3E, /* among the data: GPIOR0, which is free for any use */
    STACK_LOW = 0x5D,
    STACK_HIGH = 0x5E,
    MEMORY = 0x100, /* behind the registers */
    GARBAGE = 0xA5,
    LARGEST_IMAGE = 128 * 1024
};

/* Instructions without a word to the outside, after which it has lost its way: some minutes of its life. */
static const unsigned long LONGEST = 1000000000;

static unsigned char input[4096], output[4096], image[LARGEST_IMAGE];
static size_t input_size, input_taken, output_size;
static unsigned lowest_stack = 0xFFFF;
static unsigned long silent; /* instructions since the last word */

static void flush(void)
{
    size_t done = 0;
    while (done < output_size) {
        ssize_t written = write(STDOUT_FILENO, output + done, output_size - done);
        if (written <= 0) {
            exit(1);
        }
        done += (size_t)written;
    }
    output_size = 0;
}

static void on_write(avr_t *avr, avr_io_addr_t address, uint8_t value, void *parameter)
{
    (void)avr;
    (void)address;
    (void)parameter;
    silent = 0;
    output[output_size++] = value;
    if (output_size == sizeof output) {
        flush();
    }
}

static uint8_t on_read(avr_t *avr, avr_io_addr_t address, void *parameter)
{
    (void)address;
    (void)parameter;
    silent = 0;
    if (input_taken == input_size) {
        ssize_t got;
        flush();
        got = read(STDIN_FILENO, input, sizeof input);
        if (got <= 0) {
            fprintf(stderr, "%u\n", avr->ramend - lowest_stack);
            exit(got == 0 ? 0 : 1);
        }
        input_size = (size_t)got;
        input_taken = 0;
    }
    return input[input_taken++];
}

int main(int argc, char **argv)
{
    avr_t *avr = avr_make_mcu_by_name("atmega1284p");
    FILE *file = argc == 2 ? fopen(argv[1], "rb") : NULL;
    size_t size;
    if (avr == NULL || file == NULL) {
        return 2;
    }
    size = fread(image, 1, sizeof image, file);
    fclose(file);
    avr_init(avr);
    avr->frequency = 16000000;
    avr_loadcode(avr, image, (uint32_t)size, 0);
    avr->codeend = avr->flashend;
    memset(avr->data + MEMORY, GARBAGE, (size_t)avr->ramend + 1 - MEMORY);
    avr_register_io_write(avr, REGISTER, on_write, NULL);
    avr_register_io_read(avr, REGISTER, on_read, NULL);
    while (++silent < LONGEST) {
        int state = avr_run(avr);
        unsigned stack = avr->data[STACK_LOW] | (unsigned)avr->data[STACK_HIGH] << 8;
        if (state == cpu_Done || state == cpu_Crashed) {
            return 3;
        }
        if (stack > MEMORY && stack < lowest_stack) { /* at its very start it has none */
            lowest_stack = stack;
        }
    }
    return 4;
}
