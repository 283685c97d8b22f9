/* SPDX-License-Identifier: MIT */
/* The request restart [6.7]. Touches what is staged. */
#include "pv_internal.h"

static uint8_t restart(pv *p)
{
    pv_reply(p, pv_put_nothing);
    pv_drop_staged(p);
    p->config->restart(p->config->context);
    return 0;
}

static const PV_ROM pv_request_key keys[] = {PV_KEYS_OF_RESTART};
const PV_ROM pv_request pv_request_restart = {PV_RULES_OF_RESTART, PV_COUNT(keys), keys, restart, NULL};
