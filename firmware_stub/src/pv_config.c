/* SPDX-License-Identifier: MIT */
/* Whether a configuration is within its limits: for while a firmware is written. Reads the config. */
#include "pv_internal.h"

/* Whether flash is divided as pv_flash says. */
static bool is_divided(const pv_flash *flash, const PV_ROM pv_store_kind *store)
{
    uint32_t unit = flash->program_unit;
    uint32_t rest;
    if (unit == 0 || unit > PV_MAX_PROGRAM_UNIT || (unit & (unit - 1)) != 0 || flash->erase_unit == 0 ||
        (flash->erase_unit & (unit - 1)) != 0 || flash->slot_size == 0) {
        return false;
    }
    for (rest = flash->slot_size; rest >= flash->erase_unit; rest -= flash->erase_unit) {
    }
    return rest == 0 && flash->slot_count >= store->least_slots && flash->slot_count <= store->most_slots;
}

/* Whether the store has what it writes to. */
static bool has_storage(const pv_config *config)
{
    const PV_ROM pv_store_kind *store = config->store;
    return store->most_slots == 0 ? config->platform != NULL
                                  : config->flash != NULL && config->unit != NULL && is_divided(config->flash, store);
}

/* Whether every value fits whole into the line, or may come in parts. */
static bool takes_values(const pv_config *config)
{
    return config->parts != NULL ||
           (config->schema->line_size != 0 && config->line_size >= config->schema->line_size);
}

/* Whether there is a slot to stage values in, beside those of two sets and of the commit. */
static bool keeps_values(const pv_config *config)
{
    return config->store->keeps_older && config->flash->slot_count >= PV_MIN_SLOTS_OF_KEPT;
}

bool pv_is_sound(const pv_config *config)
{
    return config->store != NULL && has_storage(config) && takes_values(config) &&
           (config->schema->kept == NULL || keeps_values(config)) && config->settings != NULL &&
           config->staged != NULL && config->line != NULL && config->write != NULL && config->clock != NULL &&
           config->line_size >= PV_MIN_BODY_LIMIT + PV_CHECK_SIZE &&
           config->line_size <= PV_MAX_BODY + PV_CHECK_SIZE && config->credit >= config->line_size + 3 &&
           config->unit_id != NULL && config->unit_id_size >= 1 && config->unit_id_size <= PV_MAX_UNIT_ID &&
           config->commit_time <= PV_MAX_STORE_TIME_MS && config->erase_time <= PV_MAX_STORE_TIME_MS &&
           config->apply_time <= PV_MAX_APPLY_TIME_MS && config->listens <= PV_MAX_LISTENING_MS;
}
