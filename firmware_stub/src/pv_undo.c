/* SPDX-License-Identifier: MIT */
/* The request undo [6.7], on pv_store_slots. Touches what pv_slots.c does. */
#include "pv_internal.h"

uint8_t pv_put_back(pv *p)
{
    void *to = pv_slots_room(p);
    uint8_t slot = pv_slots_older(p);
    bool is_read;
    if (slot == PV_NO_SLOT) {
        return PV_REFUSE_NO_OLDER_SET;
    }
    is_read = pv_slot_load(p, slot, to);
    if (is_read && pv_judge(p, to, NULL).field != PV_NO_FIELD) {
        (void)pv_slots_take_up(p, to, false);
        return PV_REFUSE_NO_OLDER_SET; /* it is incomplete under this firmware */
    }
    return pv_slots_take_up(p, to, is_read && pv_slots_republish(p, slot, true, 0, to));
}

static uint8_t undo(pv *p)
{
    return pv_generation_changed(p, pv_put_back(p));
}

static const PV_ROM pv_request_key keys[] = {PV_KEYS_OF_UNDO};
const PV_ROM pv_request pv_request_undo = {PV_RULES_OF_UNDO, PV_COUNT(keys), keys, undo, pv_put_generation};
