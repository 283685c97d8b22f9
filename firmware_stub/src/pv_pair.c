/* SPDX-License-Identifier: MIT */
/*
 * The store on two slots: the record in force, and the one that is written next. It withstands one
 * power cut, and keeps no older set (STORAGE.md, Promises).
 * Touches the slots through pv_flash.c, and of struct pv the storage, the record and the notes on slots.
 */
#include "pv_internal.h"

/* The slot that is not in force. */
static uint8_t spare(const pv *p)
{
    return p->slot == 0 ? 1 : 0;
}

/* Writes p->record to the spare slot as the next, so that it is in force. */
static bool publish(pv *p)
{
    uint8_t slot = spare(p);
    p->record.generation = pv_next_generation(p);
    p->record.set_number = p->record.generation;
    if (!pv_slot_write(p, slot, PV_NO_SLOT)) {
        (void)pv_slot_void(p, slot); /* it may still read as valid at the next start */
        return false;
    }
    pv_adopt(p, slot);
    return true;
}

/* Wipes what a write that was cut short left, and after an erase what that erase is to wipe. False if a
 * slot could not be written. */
static bool mend(pv *p)
{
    bool whole = true;
    uint8_t slot;
    for (slot = 0; slot < 2; slot++) {
        /* After an erase both slots have the void record in force. */
        bool is_right = p->holds_set ? (p->slots[slot] & PV_VALID) != 0
                                             : (p->slots[slot] & (PV_SEALED | PV_HOLDS_SET)) == PV_SEALED &&
                                                   p->generations[slot] == p->generation;
        if (slot != p->slot && !is_right && !pv_slot_void(p, slot)) {
            whole = false;
        }
    }
    return whole;
}

static int start_pair(pv *p)
{
    if (!pv_flash_begin(p)) {
        return PV_ERROR_SPACE;
    }
    pv_choose(p);
    (void)mend(p);
    pv_load_in_force(p);
    return 0;
}

static uint8_t commit_pair(pv *p, const uint8_t token[8])
{
    pv_record_of_commit(p, token);
    return p->record.length <= pv_room(p->flash) && publish(p) ? 0 : PV_REFUSE_STORAGE;
}

static uint8_t erase_pair(pv *p)
{
    pv_record_of_void(p);
    if (!publish(p)) {
        return PV_REFUSE_STORAGE;
    }
    pv_settings_reset(p, p->settings);
    pv_judge_settings(p);
    return mend(p) ? 0 : PV_REFUSE_STORAGE;
}

const PV_ROM pv_store_kind pv_store_pair = {2, 2, false, start_pair, commit_pair, erase_pair, pv_flash_read};
