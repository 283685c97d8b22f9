/* SPDX-License-Identifier: MIT */
/* The demo's firmware in C++ on a stream class, over the pty port: see test_stream.py. */
#include "pv_stream.hpp"

extern "C" {
#include "orchard_frost_alarm.h"
#include "port.h"
}

namespace {

uint8_t held[256];
size_t held_from, held_to;

int hold()
{
    if (held_from == held_to) {
        held_from = 0;
        held_to = port_read(held, sizeof held);
    }
    return static_cast<int>(held_to - held_from);
}

/* Takes a few bytes at a time, now and then none, and promises a byte that is not there. */
class Reluctant {
public:
    int available()
    {
        const int count = hold();
        return count == 0 && ++calls_ % 3 == 0 ? 1 : count;
    }

    int read() { return held_from == held_to ? -1 : held[held_from++]; }

    size_t write(const uint8_t *bytes, size_t size)
    {
        const size_t some = ++calls_ % 4 == 0 ? 0 : size < 7 ? size : 7;
        port_write(nullptr, bytes, some);
        return some;
    }

private:
    unsigned calls_ = 0;
};

/* Has a write of one byte only; available() and the count are of other types. */
class ByteWise {
public:
    unsigned available() { return static_cast<unsigned>(hold()); }

    int read() { return held_from == held_to ? -1 : held[held_from++]; }

    int write(uint8_t byte)
    {
        port_write(nullptr, &byte, 1);
        return 1;
    }
};

/* Fails to write while nobody listens, as a native USB port does: for its first second. */
class Deaf {
public:
    int available() { return hold(); }

    int read() { return held_from == held_to ? -1 : held[held_from++]; }

    int write(const uint8_t *bytes, size_t size)
    {
        if (since_ == 0) {
            since_ = port_clock(nullptr) | 1;
        }
        if (port_clock(nullptr) - since_ < 1000) {
            return -1;
        }
        port_write(nullptr, bytes, size);
        return static_cast<int>(size);
    }

private:
    uint32_t since_ = 0;
};

uint32_t milliseconds() { return port_clock(nullptr); }

pv p;
orchard_frost_alarm settings, staged;
uint8_t line[PV_MAX_BODY + 8], unit[ORCHARD_FROST_ALARM_PROGRAM_UNIT];

template <class Stream> int run(int argc, char **argv)
{
    static Stream port;
    static pv_stream<Stream> stream(port, milliseconds);
    static pv_flash flash;
    flash.erase_unit = ORCHARD_FROST_ALARM_ERASE_UNIT;
    flash.program_unit = ORCHARD_FROST_ALARM_PROGRAM_UNIT;
    flash.slot_count = ORCHARD_FROST_ALARM_SLOTS;
    flash.slot_size = ORCHARD_FROST_ALARM_SLOT_SIZE;
    flash.read = port_flash_read;
    flash.program = port_flash_program;
    flash.erase = port_flash_erase;
    static pv_config config;
    const int failed = port_begin(argc, argv, &flash);
    if (failed != 0) {
        return failed;
    }
    config.schema = &orchard_frost_alarm_schema;
    config.store = &ORCHARD_FROST_ALARM_STORE;
    config.flash = &flash;
    config.parts = pv_parts;
    config.context = &stream;
    config.settings = &settings;
    config.staged = &staged;
    config.line = line;
    config.line_size = sizeof line;
    config.unit = unit;
    config.credit = sizeof line + 3 + sizeof held;
    config.commit_time = 2000;
    config.erase_time = 8000;
    config.apply_time = 1000;
    config.unit_id = port_unit_id;
    config.unit_id_size = port_unit_id_size;
    config.boot_number = port_boot_number();
    config.write = stream.write;
    config.clock = port_clock;
    if (!pv_is_sound(&config) || pv_start(&p, &config) != 0) {
        return 70;
    }
    while (port_is_on()) {
        stream.poll(&p);
    }
    return 0;
}

} // namespace

#ifndef STREAM
#define STREAM Reluctant
#endif

int main(int argc, char **argv) { return run<STREAM>(argc, argv); }
