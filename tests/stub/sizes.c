/* SPDX-License-Identifier: MIT */
/* What c_stub.py wants to know of the compiler: sizes, to compare its mirrors with and to make room. */
#include "pv.h"

const uint32_t test_sizes[] = {
    (uint32_t)sizeof(pv),        (uint32_t)sizeof(pv_field), (uint32_t)sizeof(pv_condition),
    (uint32_t)sizeof(pv_pin),    (uint32_t)sizeof(pv_schema), (uint32_t)sizeof(pv_flash),
    (uint32_t)sizeof(pv_config), (uint32_t)sizeof(pv_network), (uint32_t)sizeof(pv_survey),
};
