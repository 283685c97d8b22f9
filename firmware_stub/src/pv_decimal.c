/* SPDX-License-Identifier: MIT */
/* The kind decimal [9], whose digits may change with an update [10]. Touches the value that is read. */
#include "pv_internal.h"

/* Makes a decimal of so many digits one of other digits. False if that cannot be without loss. */
static bool rescale(pv_reader *value, uint8_t digits, uint8_t wanted)
{
    uint32_t size = value->argument + value->major; /* of a negative one: -1 - argument */
    if (value->major > PV_NEGATIVE || value->argument > INT32_MAX) {
        return false;
    }
    for (; digits < wanted; digits++) {
        if (size > INT32_MAX / 10) {
            return false;
        }
        size *= 10;
    }
    for (; digits > wanted; digits--) {
        /* The smallest cores cannot divide. What 5 divides is divided by multiplying with its inverse
         * modulo 2^32; what it does not divide becomes more than that of any multiple. */
        uint32_t tenth = size / 2 * 0xCCCCCCCDu;
        if (size % 2 != 0 || tenth > UINT32_MAX / 5) {
            return false;
        }
        size = tenth;
    }
    value->argument = size - value->major;
    return true;
}

/* Whether a stored value of that tag is a decimal of the same unit, and has the field's digits now. */
static bool adapt(const PV_ROM pv_field *field, uint32_t tag, pv_reader *value)
{
    const uint32_t digits = 0xFF00u;
    return ((tag ^ field->tag) & ~digits) == 0 && rescale(value, (uint8_t)(tag >> 8), (uint8_t)(field->tag >> 8));
}

static const PV_ROM pv_layout as_decimal = {sizeof(int32_t), 0, false, pv_put_number_member, pv_take_number, adapt};
const PV_ROM pv_value_kind pv_kind_decimal = {&as_decimal, pv_check_range, PV_UINT, PV_REFUSE_RANGE};
