# SPDX-License-Identifier: MIT
"""What the rules that look at more than one field make of a whole, by clauses 8.3, 9.5 and 9.6.

Written from the page, sentence by sentence, and sharing nothing with the host's own rules: an error
of the host must not become a fault of the boards that are held against the page. A whole is given
by full key; None stands for a field that is cleared.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from provision.contract.table import Kind, Refusal
from provision.schema.model import Condition, Field, Schema, Setting, Value

Whole = Mapping[str, Value | None]


@dataclass(frozen=True, slots=True)
class Due:
    """The refusal of a commit that is due, with the full keys that it names."""

    code: Refusal
    field: str
    other: str | None = None


def named_by(setting: Setting, base_key: str) -> str:
    """Return the full key of the field that another names by base key (clauses 8.1, 9.5).

    A field of the same section is that of the same instance.
    """
    section, field = base_key.split(".")
    if section == setting.section.key and setting.instance is not None:
        return f"{section}.{setting.instance}.{field}"
    return base_key


def is_proposed(field: Field, schema: Schema) -> bool:
    """Whether a field's default carries a caution: its own, or that of the pin that it is (9.6)."""
    if field.default is None:
        return False
    cautious = {pin.number for pin in schema.pins if pin.caution is not None}
    return field.caution is not None or (field.kind is Kind.PIN and field.default in cautious)


def default_in_force(field: Field, schema: Schema) -> Value | None:
    """Return a field's value in force where nothing is stored: a default that is not proposed."""
    return None if is_proposed(field, schema) else field.default


def needs_value(field: Field, schema: Schema) -> bool:
    """Whether a field must have a value in force while it is active (9.6)."""
    return field.required or is_proposed(field, schema)


def in_force(setting: Setting, schema: Schema, whole: Whole) -> Value | None:
    """Return a field's value in force (9.6): that of the whole, else its default, else None."""
    value = whole.get(setting.key)
    return default_in_force(setting.field, schema) if value is None else value


def is_in_use(setting: Setting, schema: Schema, whole: Whole) -> bool:
    """Whether the instance of a field is in use (clause 8.3)."""
    repeat = setting.section.repeat
    if repeat is None or setting.instance is None or setting.instance <= repeat.least:
        return True
    return any(
        whole.get(other.key) is not None
        for other in schema.settings
        if (other.section.key, other.instance) == (setting.section.key, setting.instance)
    )


def is_active(setting: Setting, schema: Schema, whole: Whole) -> bool:
    """Whether a field is active (clause 9.5)."""
    if not is_in_use(setting, schema, whole):
        return False
    condition = setting.field.condition
    if condition is None:
        return True
    asked = schema.setting(named_by(setting, condition.base_key))
    if asked is None or not is_active(asked, schema, whole):
        return False
    return holds_of(condition, in_force(asked, schema, whole))


def holds_of(condition: Condition, value: Value | None) -> bool:
    """Whether a condition is content with the value in force of the field that it names."""
    if not condition.values:
        return value is not None
    return any(type(value) is type(listed) and value == listed for listed in condition.values)


def first_missing(schema: Schema, whole: Whole) -> str | None:
    """Return the first field, in schema order, that is missing (clause 9.6)."""
    for setting in schema.settings:
        lacks = needs_value(setting.field, schema) and in_force(setting, schema, whole) is None
        if lacks and is_active(setting, schema, whole):
            return setting.key
    return None


def first_conflict(schema: Schema, whole: Whole) -> tuple[str, str] | None:
    """Return the first later and earlier field that have the same pin in force (clause 9.6)."""
    pins = [
        setting
        for setting in schema.settings
        if setting.field.kind is Kind.PIN
        and in_force(setting, schema, whole) is not None
        and is_active(setting, schema, whole)
    ]
    for later_at, later in enumerate(pins):
        for earlier in pins[:later_at]:
            if later.field.shares and earlier.field.shares:
                continue
            if in_force(later, schema, whole) == in_force(earlier, schema, whole):
                return later.key, earlier.key
    return None


def _without_partner(schema: Schema, staged: Whole) -> Iterator[Due]:
    for setting in schema.settings:
        if setting.field.network is None:
            continue
        name = named_by(setting, setting.field.network)
        if (setting.key in staged) and (name not in staged):
            yield Due(Refusal.PARTNER, setting.key, name)
        if (name in staged) and (setting.key not in staged):
            yield Due(Refusal.PARTNER, name, setting.key)


def commit_refusal(schema: Schema, stored: Whole, staged: Whole) -> Due | None:
    """Return what a commit of `staged` over `stored` is refused with; None where it is done."""
    for fault in _without_partner(schema, staged):
        return fault
    return first_defect(schema, {**stored, **staged})


def first_defect(schema: Schema, whole: Whole) -> Due | None:
    """Return the first rule that must hold for whatever is in force, and does not (clause 9.6)."""
    missing = first_missing(schema, whole)
    if missing is not None:
        return Due(Refusal.MISSING, missing)
    conflict = first_conflict(schema, whole)
    if conflict is not None:
        return Due(Refusal.PIN_CONFLICT, *conflict)
    return None
