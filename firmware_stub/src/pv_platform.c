/* SPDX-License-Identifier: MIT */
/*
 * The store of a platform that keeps a record by itself and replaces it whole or not at all: a key with
 * its value, a file that is renamed. It keeps no older set (STORAGE.md, On a platform's own store).
 * Touches what the platform keeps, and of struct pv the record, the one in force, and out.
 */
#include <string.h>

#include "pv_internal.h"

static bool read_platform(pv *p, uint32_t at, void *to, size_t size)
{
    return p->config->platform->read(p->config->context, at, to, size) == 0;
}

/* Loads what is kept. False if that is no record, or does not read right. */
static bool load(pv *p)
{
    const pv_config *config = p->config;
    pv_record *record = &p->record;
    pv_reader payload;
    uint32_t size = config->platform->size(config->context);
    if (size < sizeof *record || !read_platform(p, 0, record, sizeof *record) || !pv_record_is_right(p) ||
        record->length != size - sizeof *record) {
        return false;
    }
    pv_payload_open(p, &payload, sizeof *record, record->length);
    pv_payload_load(&payload, p->settings);
    pv_settings_complete(p, p->settings);
    return pv_payload_is_right(&payload, record->payload_crc);
}

static int start_platform(pv *p)
{
    if (!load(p) && !load(p)) {
        memset(&p->record, 0, sizeof p->record);
        pv_settings_reset(p, p->settings);
    }
    pv_adopt(p, PV_NO_SLOT);
    pv_judge_settings(p);
    return 0;
}

static void append_bytes(pv_sink *self, const uint8_t *bytes, size_t size)
{
    pv *p = (pv *)(void *)self;
    if (!p->write_failed) {
        p->write_failed = p->config->platform->append(p->config->context, bytes, size) != 0;
    }
}

/* Has the platform keep p->record and its payload in place of what it keeps. 0, or
 * PV_REFUSE_STORAGE. */
static uint8_t publish(pv *p)
{
    const pv_config *config = p->config;
    pv_record *record = &p->record;
    record->generation = pv_generation_after(p->generation);
    record->set_number = record->generation;
    record->crc = pv_record_crc(p);
    p->write_failed = false;
    p->out.take = append_bytes;
    pv_give(&p->out, record, sizeof *record);
    if (record->kind == PV_KIND_OF_SET) {
        pv_payload_put(p, &p->out);
    }
    if (config->platform->finish(config->context, !p->write_failed) != 0 || p->write_failed) {
        return PV_REFUSE_STORAGE;
    }
    pv_adopt(p, PV_NO_SLOT);
    return 0;
}

static uint8_t commit_platform(pv *p, const uint8_t token[8])
{
    pv_record_of_commit(p, token);
    return publish(p);
}

static uint8_t erase_platform(pv *p)
{
    uint8_t refusal;
    pv_record_of_void(p);
    refusal = publish(p);
    if (refusal == 0) {
        pv_settings_reset(p, p->settings);
        pv_judge_settings(p);
    }
    return refusal;
}

const PV_ROM pv_store_kind pv_store_platform = {0, 0, false, start_platform, commit_platform, erase_platform, read_platform};
