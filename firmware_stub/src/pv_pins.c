/* SPDX-License-Identifier: MIT */
/* The kind pin, and the rule that no two fields have one pin [9.6]. Reads what it is handed, touches
 * nothing. */
#include "pv_internal.h"

static uint8_t check_pin(const PV_ROM pv_schema *schema, const PV_ROM pv_field *field, const uint8_t *bytes, int32_t value)
{
    uint8_t i;
    (void)bytes;
    for (i = 0; i < schema->pin_count; i++) {
        const PV_ROM pv_pin *pin = &schema->pins[i];
        if (pin->number == value) {
            return pin->taken ? PV_REFUSE_PIN_TAKEN
                   : (field->detail & ~pin->abilities) != 0 ? PV_REFUSE_PIN_UNFIT
                                                            : 0;
        }
    }
    return PV_REFUSE_PIN_UNFIT;
}

const PV_ROM pv_value_kind pv_kind_pin = {&pv_as_number, check_pin, PV_UINT, PV_REFUSE_PIN_UNFIT};

/* The pin of an active pin field, -1 if it is none or has none. */
static int32_t pin_of(const pv_view *view, uint16_t i)
{
    return pv_kind_of(&view->schema->fields[i]) == PV_KIND_PIN && pv_applies(view, i) ? pv_number_of(view, i) : -1;
}

/* The earlier field that has the pin of this one, without both of them sharing it. */
uint16_t pv_pin_conflict(const pv_view *view, uint16_t i)
{
    const PV_ROM pv_field *fields = view->schema->fields;
    int32_t pin = pin_of(view, i);
    uint16_t k;
    for (k = 0; pin >= 0 && k < i; k++) {
        if (pin_of(view, k) == pin && (fields[i].flags & fields[k].flags & PV_SHARES) == 0) {
            return k;
        }
    }
    return PV_NO_FIELD;
}
