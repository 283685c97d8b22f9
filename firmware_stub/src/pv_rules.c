/* SPDX-License-Identifier: MIT */
/* When a field applies: instances [8.3] and conditions [9.5]. Reads the set that it is handed. */
#include "pv_internal.h"

/* Whether the instance that a field belongs to is in use: any of its fields is set. */
bool pv_in_use(const pv_view *view, uint16_t i)
{
    const PV_ROM pv_field *fields = view->schema->fields;
    uint16_t k;
    for (k = 0; k < view->schema->field_count; k++) {
        if (fields[k].instance == fields[i].instance && (pv_holder(view, k)[k] & PV_IS_SET) != 0) {
            return true;
        }
    }
    return false;
}

/* Whether the condition of a field holds, which names an earlier field. */
bool pv_holds(const pv_view *view, uint16_t i)
{
    const PV_ROM pv_condition *condition = view->schema->fields[i].condition;
    uint8_t k;
    if (!pv_applies(view, condition->field) || condition->count == 0) {
        return pv_applies(view, condition->field);
    }
    for (k = 0; k < condition->count; k++) {
        if (condition->values[k] == pv_number_of(view, condition->field)) {
            return true;
        }
    }
    return false;
}
