/* SPDX-License-Identifier: MIT */
/*
 * The stub on any C++ stream class that has
 *
 *     available()            how many bytes can be read now, 0 or less if none
 *     read()                 the next byte, or a negative number if there is none after all
 *     write(bytes, size)     sends bytes and returns how many it took; or
 *     write(byte)            sends one byte and returns 1, or 0 if it took none
 *
 * Use, with a stream `port` that is open:
 *
 *     static pv_stream<decltype(port)> stream(port, milliseconds);
 *     config.context = &stream;
 *     config.write = stream.write;
 *     ...
 *     stream.poll(&p);       // in the loop, in place of pv_feed and pv_poll
 *
 * The other callbacks get the same context. C++11 or later; no allocation, no exceptions.
 */
#ifndef PV_STREAM_HPP
#define PV_STREAM_HPP

#include <stddef.h>
#include <stdint.h>

#include "pv.h"

template <class Stream> class pv_stream {
public:
    /* How long a stream may take no byte at all before the rest of a line is dropped: a native USB
     * port takes none while nobody listens. The host asks again for a line that it did not get. */
    static const uint32_t patience_ms = 250;

    /* clock: milliseconds that count up and wrap. Both must outlive the object. */
    pv_stream(Stream &stream, uint32_t (*clock)()) : stream_(stream), clock_(clock) {}

    pv_stream(const pv_stream &) = delete;
    pv_stream &operator=(const pv_stream &) = delete;

    /* For pv_config, with this object as the context. */
    static void write(void *context, const uint8_t *bytes, size_t size)
    {
        static_cast<pv_stream *>(context)->send(bytes, size);
    }

    /* Takes what the stream holds, and lets the stub work. Returns soon, as pv_poll does. */
    void poll(pv *p)
    {
        uint8_t bytes[64];
        size_t size = 0, taken = 0;
        while (size < sizeof bytes && stream_.available() > 0) {
            const int byte = stream_.read();
            if (byte < 0) {
                break; /* available() promised too much */
            }
            bytes[size++] = static_cast<uint8_t>(byte);
        }
        do {
            taken += pv_feed(p, bytes + taken, size - taken);
            pv_poll(p);
        } while (taken < size);
    }

private:
    void send(const uint8_t *bytes, size_t size)
    {
        uint32_t began = clock_();
        while (size != 0) {
            const size_t took = write_some(stream_, bytes, size, 0);
            if (took != 0) {
                bytes += took;
                size -= took;
                began = clock_();
            } else if (clock_() - began >= patience_ms) {
                return;
            }
        }
    }

    /* The stream's write as it has one: of several bytes if it can, else of one. */
    template <class S>
    static auto write_some(S &stream, const uint8_t *bytes, size_t size, int)
        -> decltype(stream.write(bytes, size), size_t())
    {
        const auto took = stream.write(bytes, size);
        if (took <= 0) {
            return 0; /* an error is no byte taken */
        }
        return static_cast<size_t>(took) < size ? static_cast<size_t>(took) : size;
    }

    template <class S>
    static size_t write_some(S &stream, const uint8_t *bytes, size_t, long)
    {
        return stream.write(*bytes) > 0 ? 1 : 0;
    }

    Stream &stream_;
    uint32_t (*clock_)();
};

#endif
