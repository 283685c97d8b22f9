/* SPDX-License-Identifier: MIT */
/* Trials [5.4], and the request confirm [6.7], on pv_store_slots. Touches what pv_slots.c does, and of
 * struct pv what the firmware reported, and the times. */
#include "pv_internal.h"

/* Ends a trial badly. With nothing to go back to the set is kept. */
static bool go_back(pv *p, void *settings)
{
    uint8_t slot = pv_slots_confirmed(p);
    return pv_slots_republish(p, slot != PV_NO_SLOT ? slot : p->slot, false, 0, settings);
}

static void count_start(pv *p)
{
    uint8_t left = (uint8_t)(p->starts_left - 1);
    if (pv_slots_confirmed(p) == PV_NO_SLOT || left == 0) {
        (void)go_back(p, NULL);
    } else {
        (void)pv_slots_republish(p, p->slot, false, left, NULL);
    }
}

uint8_t pv_keep_trial(pv *p)
{
    return pv_slots_republish(p, p->slot, false, 0, NULL) ? 0 : PV_REFUSE_STORAGE;
}

uint8_t pv_end_trial(pv *p)
{
    void *to = pv_slots_room(p);
    return pv_slots_take_up(p, to, go_back(p, to));
}

static void watch(pv *p)
{
    bool proven = p->reported.run == PV_RUN_PROVEN;
    if (!pv_on_trial(p) || (!p->confirm_due && pv_trial_left(p) != 0)) {
        return;
    }
    p->confirm_due = false;
    if ((proven ? pv_keep_trial(p) : pv_end_trial(p)) != 0) {
        p->in_force = pv_now(p); /* again after a while: each try wears the flash */
        return;
    }
    p->done = 0;
    if (!proven) {
        pv_came_into_force(p); /* before a request is answered */
    }
}

static uint8_t confirm(pv *p)
{
    return pv_generation_changed(p, pv_keep_trial(p));
}

static const PV_ROM pv_request_key keys[] = {PV_KEYS_OF_CONFIRM};
static const PV_ROM pv_request request_confirm = {PV_RULES_OF_CONFIRM, PV_COUNT(keys), keys, confirm, pv_put_generation};
const PV_ROM pv_trial pv_trials = {&request_confirm, count_start, watch};
