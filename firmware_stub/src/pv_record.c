/* SPDX-License-Identifier: MIT */
/*
 * The header of a record, which every store writes before a payload: STORAGE.md, Format.
 * Touches of struct pv the record and the storage.
 */
#include <string.h>

#include "pv_internal.h"

enum { TRIAL_STARTS = 3 /* the third start ends a trial badly [5.4] */ };

#define MAGIC 0x31525650u /* PVR1 */

PV_STATIC_ASSERT(record_has_no_padding, sizeof(pv_record) == 48);

uint32_t pv_record_crc(const pv *p)
{
    return ~pv_crc(PV_CRC_START, &p->record, offsetof(pv_record, crc));
}

bool pv_record_is_right(const pv *p)
{
    const pv_record *record = &p->record;
    return record->magic == MAGIC && record->crc == pv_record_crc(p) &&
           (record->kind == PV_KIND_OF_SET || record->kind == PV_KIND_OF_VOID);
}

void pv_record_of_void(pv *p)
{
    pv_record *record = &p->record;
    uint8_t i;
    memset(record, 0, sizeof *record); /* right for a payload of no bytes, its CRC too */
    record->magic = MAGIC;
    record->kind = PV_KIND_OF_VOID;
    for (i = 0; i < sizeof record->digest; i++) {
        record->digest[i] = p->schema->digest[i];
    }
}

void pv_record_of_commit(pv *p, const uint8_t token[8])
{
    pv_record *record = &p->record;
    pv_sink *payload = pv_measure_begin(p);
    pv_payload_put(p, payload);
    pv_record_of_void(p);
    record->kind = PV_KIND_OF_SET;
    memcpy(record->token, token, sizeof record->token);
    record->length = payload->size;
    record->payload_crc = ~payload->crc;
    if ((p->capabilities & PV_CAN_TRIAL) != 0 && p->holds_set) {
        record->starts_left = TRIAL_STARTS;
    }
}

/* Generations are serial numbers (RFC 1982) that wrap from 2^32-1 to 1: of two of them the newer one is
 * less than 2^31 ahead. 0 is older than all: nothing was stored. */
bool pv_is_newer(uint32_t one, uint32_t other)
{
    return one != 0 && (other == 0 || one - other - 1 < INT32_MAX);
}

uint32_t pv_generation_after(uint32_t generation)
{
    return generation == UINT32_MAX ? 1 : generation + 1;
}

void pv_adopt(pv *p, uint8_t slot)
{
    const pv_record *record = &p->record;
    p->slot = slot;
    p->generation = record->generation;
    p->set_number = record->set_number;
    memcpy(p->token, record->token, sizeof p->token);
    p->holds_set = record->kind == PV_KIND_OF_SET;
    p->starts_left = record->starts_left;
}
