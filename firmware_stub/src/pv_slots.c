/* SPDX-License-Identifier: MIT */
/*
 * Which slot of three or more is written, and which record counts: STORAGE.md, Starting and Requests.
 * Touches the slots through pv_flash.c, and of struct pv the storage, the record and the notes on slots.
 */
#include <string.h>

#include "pv_internal.h"

/* ------------------------------------------------------------------ choosing slots */

/* Several slots are a set of bits. */
static uint8_t bit(uint8_t slot)
{
    return (uint8_t)(1u << slot); /* of PV_NO_SLOT none */
}

static uint8_t slot_count(const pv *p)
{
    return p->flash->slot_count;
}

/* The slots that have all of these flags. */
static uint8_t having(const pv *p, uint8_t flags)
{
    uint8_t found = 0;
    uint8_t slot;
    for (slot = 0; slot < slot_count(p); slot++) {
        if ((p->slots[slot] & flags) == flags) {
            found |= bit(slot);
        }
    }
    return found;
}

/* The valid ones whose generation is newer than this. */
static uint8_t above(const pv *p, uint32_t generation)
{
    uint8_t found = 0;
    uint8_t slot;
    for (slot = 0; slot < slot_count(p); slot++) {
        if (pv_is_newer(p->generations[slot], generation)) {
            found |= bit(slot);
        }
    }
    return found & having(p, PV_VALID);
}

uint8_t pv_slots_confirmed(const pv *p)
{
    return pv_choose_slot(p, 0xFF, PV_VALID | PV_CONFIRMED, false);
}

uint8_t pv_slots_older(const pv *p)
{
    uint8_t others = 0;
    uint8_t slot;
    if (p->starts_left > 0) {
        return pv_slots_confirmed(p);
    }
    for (slot = 0; slot < slot_count(p); slot++) {
        if (p->holds_set && p->set_numbers[slot] != p->set_number) {
            others |= bit(slot); /* not a copy of the set in force */
        }
    }
    return pv_choose_slot(p, others, PV_VALID | PV_HOLDS_SET, false);
}

/* What no ordinary write takes: the record in force, what undo or a bad end of the trial needs, and where
 * values are staged. */
static uint8_t kept(const pv *p)
{
    return bit(p->slot) | bit(pv_slots_older(p)) | bit(p->staging);
}

/* The slot to write next, beside those that are kept: one that holds nothing, else the oldest, so that
 * the slots wear evenly. */
static uint8_t pick(const pv *p, uint8_t keep)
{
    uint8_t open = (uint8_t)((1u << slot_count(p)) - 1u) & (uint8_t)~keep;
    uint8_t sound = open & (uint8_t)~having(p, PV_WORN);
    uint8_t blank;
    if (sound != 0) {
        open = sound;
    }
    blank = open & (uint8_t)~having(p, PV_VALID);
    return pv_choose_slot(p, blank != 0 ? blank : open, 0, true);
}

uint8_t pv_slots_spare(const pv *p)
{
    return pick(p, kept(p));
}

/* Takes records back: from here on these slots hold none. */
static void forget(pv *p, uint8_t slots)
{
    uint8_t slot;
    for (slot = 0; slot < slot_count(p); slot++) {
        if ((slots & bit(slot)) != 0) {
            p->slots[slot] &= PV_WORN;
        }
    }
}

/* ------------------------------------------------------------------ putting a record in force */

/* Writes p->record to a slot that is not to be kept, with the next generation, so that it is the one in
 * force. Where a slot does not take it, another may. */
static bool publish(pv *p, uint8_t source, uint8_t keep, void *settings)
{
    pv_record record;
    uint8_t slot;
    p->record.generation = pv_next_generation(p);
    if (p->record.set_number == 0) {
        p->record.set_number = p->record.generation;
    }
    record = p->record;
    keep |= bit(source);
    while ((slot = pick(p, keep)) != PV_NO_SLOT) {
        p->record = record;
        if (pv_slot_write(p, slot, source) && (settings == NULL || pv_slot_load(p, slot, settings))) {
            pv_adopt(p, slot);
            return true;
        }
        /* It may still read as valid at the next start, and would be in force then. */
        (void)pv_slot_void(p, slot);
        p->slots[slot] |= PV_WORN;
        keep |= bit(slot);
    }
    return false;
}

bool pv_slots_republish(pv *p, uint8_t slot, bool as_new, uint8_t starts_left, void *settings)
{
    uint8_t keep = kept(p);
    if (!pv_slot_look(p, slot)) {
        return false;
    }
    if (as_new) {
        p->record.set_number = 0;
    }
    p->record.starts_left = starts_left;
    return publish(p, slot, keep, settings);
}

/* ------------------------------------------------------------------ at a start: settling */

/* The slots whose record is that one but for the generation: copies of it, and itself. */
static uint8_t copies_of(pv *p, uint8_t slot)
{
    const size_t at = offsetof(pv_record, set_number), size = offsetof(pv_record, crc) - at;
    uint8_t found = bit(slot);
    uint8_t other;
    pv_record record;
    if (!pv_header_read(p, slot)) {
        return found;
    }
    record = p->record;
    for (other = 0; other < slot_count(p); other++) {
        if ((having(p, PV_VALID) & bit(other)) != 0 && pv_header_read(p, other) &&
            memcmp((const uint8_t *)&record + at, (const uint8_t *)&p->record + at, size) == 0) {
            found |= bit(other);
        }
    }
    return found;
}

/* After an erase many slots hold the record in force. One that reads as sealed stays valid, so that
 * those of its generation that do not need no settling, only mending. */
static void forget_twins(pv *p)
{
    uint8_t slot;
    uint8_t other;
    for (slot = 0; slot < slot_count(p); slot++) {
        for (other = 0; other < slot_count(p); other++) {
            if ((p->slots[slot] & PV_SEALED) == 0 && (p->slots[other] & PV_SEALED) != 0 &&
                p->generations[other] == p->generations[slot]) {
                forget(p, bit(slot));
            }
        }
    }
}

/* Sees to it that the newest record is sealed, and will be at every later start. One whose seal does not
 * read right may never have been written whole, and be unreadable the next time; or it may have read as
 * sealed at an earlier start, which somebody was told of. So it is written anew: over neither itself,
 * nor a copy that an interrupted settling left, nor what is in force if all of them vanish. */
void pv_slots_settle(pv *p)
{
    forget_twins(p);
    for (;;) {
        uint8_t stored = above(p, 0); /* what only fills a slot is not in question */
        uint8_t newest = pv_choose_slot(p, stored, PV_VALID, false);
        uint8_t copies;
        uint8_t next;
        uint8_t keep;
        uint8_t source;
        if (newest == PV_NO_SLOT) {
            return;
        }
        copies = copies_of(p, newest);
        next = pv_choose_slot(p, stored & (uint8_t)~copies, PV_VALID, false);
        if (next != PV_NO_SLOT) {
            copies = (copies & above(p, p->generations[next])) | bit(newest);
        }
        if ((copies & ~having(p, PV_SEALED)) == 0) {
            return;
        }
        keep = bit(next) | bit(pv_choose_slot(p, stored & (uint8_t)~copies, PV_VALID | PV_CONFIRMED, false));
        source = pv_choose_slot(p, copies, 0, true);
        if (pick(p, keep | copies) == PV_NO_SLOT) { /* pick takes a copy only if there is no other */
            uint8_t sealed = pv_choose_slot(p, copies, PV_SEALED, false);
            if (sealed != PV_NO_SLOT) {
                source = sealed;
            } else if (pick(p, keep | bit(source)) == PV_NO_SLOT) {
                forget(p, copies);
                continue;
            }
        }
        if (pv_slot_look(p, source)) {
            (void)publish(p, source, keep, NULL);
            return;
        }
    }
}

/* ------------------------------------------------------------------ at a start: mending */

/* Whether a slot holds, sealed, the void record in force: the one that was first, or a copy. */
static bool holds_void(const pv *p, uint8_t slot)
{
    return (p->slots[slot] & (PV_SEALED | PV_HOLDS_SET)) == PV_SEALED &&
           p->generations[slot] == p->generation;
}

/* After an erase that was cut short, puts a void record of this power cycle in force before mend()
 * copies it. A void record that is alone may have a torn seal; a copy that is cut short too could then
 * not be told from it, and settling might keep the one that vanishes. Where two hold the record, the
 * first had been written whole. */
static void renew_void(pv *p)
{
    uint8_t holding = 0;
    uint8_t slot;
    for (slot = 0; slot < slot_count(p); slot++) {
        holding = (uint8_t)(holding + holds_void(p, slot));
    }
    if (!p->holds_set && p->generation > 0 && holding == 1) {
        (void)pv_slots_republish(p, p->slot, false, 0, NULL);
    }
}

/* Wipes what a write that was cut short left in the other slots, and after an erase what that erase is
 * to wipe. False if a slot could not be written. */
static bool mend(pv *p)
{
    uint8_t keep = kept(p);
    bool whole = true;
    uint8_t slot;
    for (slot = 0; slot < slot_count(p); slot++) {
        /* After an erase every slot has the void record in force. */
        bool is_right = p->holds_set ? (p->slots[slot] & PV_SEALED) != 0 : holds_void(p, slot);
        if ((bit(slot) & keep) == 0 && !is_right && !pv_slot_void(p, slot)) {
            whole = false;
        }
    }
    return whole;
}

/* ------------------------------------------------------------------ the interface */

static int start_slots(pv *p)
{
    if (!pv_flash_begin(p)) {
        return PV_ERROR_SPACE;
    }
    pv_slots_settle(p);
    pv_choose(p);
    renew_void(p);
    (void)mend(p);
    if (p->starts_left > 0) {
        if ((p->capabilities & PV_CAN_TRIAL) != 0) {
            p->schema->trial->count_start(p);
        } else { /* a firmware that has no trials keeps the set */
            (void)pv_slots_republish(p, p->slot, false, 0, NULL);
        }
    }
    pv_load_in_force(p);
    return 0;
}

static uint8_t commit_slots(pv *p, const uint8_t token[8])
{
    pv_record_of_commit(p, token);
    return p->record.length <= pv_room(p->flash) && publish(p, PV_NO_SLOT, kept(p), NULL)
               ? 0
               : PV_REFUSE_STORAGE;
}

static uint8_t erase_slots(pv *p)
{
    pv_record_of_void(p);
    if (!publish(p, PV_NO_SLOT, kept(p), NULL)) {
        return PV_REFUSE_STORAGE;
    }
    /* From here on nothing is in force at any later start, and each start goes on wiping. */
    pv_settings_reset(p, p->settings);
    pv_judge_settings(p);
    return mend(p) ? 0 : PV_REFUSE_STORAGE;
}

const PV_ROM pv_store_kind pv_store_slots = {PV_MIN_SLOTS_OF_OLDER, PV_MAX_SLOTS, true, start_slots, commit_slots, erase_slots, pv_flash_read};

/* ------------------------------------------------------------------ for undo and trials */

void *pv_slots_room(const pv *p)
{
    bool is_free = pv_staged_count(p) == 0 && p->part_field == PV_NO_FIELD;
    return is_free ? p->staged : p->settings;
}

uint8_t pv_slots_take_up(pv *p, void *loaded, bool done)
{
    const pv_config *config = p->config;
    size_t size = (size_t)config->schema->settings_size;
    if (loaded == config->settings && !done) {
        pv_load_in_force(p); /* again */
    }
    if (loaded == config->staged) {
        if (done) {
            memcpy(config->settings, loaded, size);
        }
        pv_wipe(loaded, size);
    }
    pv_judge_settings(p);
    return done ? 0 : PV_REFUSE_STORAGE;
}
