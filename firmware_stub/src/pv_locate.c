/* SPDX-License-Identifier: MIT */
/* The request locate [6.9]. Touches nothing. */
#include "pv_internal.h"

static uint8_t locate(pv *p)
{
    p->config->locate(p->config->context);
    return 0;
}

const PV_ROM pv_request pv_request_locate = {PV_RULES_OF_LOCATE, 0, NULL, locate, pv_put_nothing};
