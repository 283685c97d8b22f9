# SPDX-License-Identifier: MIT
"""The rules that look at more than one setting (clauses 8.3, 9.5, 9.6).

`stored` holds, by full key, what is stored and passes the checks of this schema: the rest counts as
not stored. The values of secrets matter to no rule, so that for a secret that is only known to be
held any value may stand. Keys that the schema does not have are left aside.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from provision.contract.line import crc32c
from provision.contract.profile import encode
from provision.contract.table import Kind, Refusal
from provision.schema.model import Schema, Setting, Value
from provision.schema.values import is_key_only, network_key


@dataclass(frozen=True, slots=True)
class Violation:
    """Why a whole is refused, as a refusal says it (clause 7): full keys of one field or two."""

    code: Refusal
    field: str
    other: str | None = None


def key_beside(setting: Setting, base_key: str) -> str:
    """Return the full key of the field that a setting names by base key.

    In its own section that is the field of the same instance (clauses 9.5 and 8.1, key 16).
    """
    section, _, field = base_key.partition(".")
    if setting.instance is not None and section == setting.section.key:
        return f"{section}.{setting.instance}.{field}"
    return base_key


def in_force(schema: Schema, stored: Mapping[str, Value]) -> dict[str, Value]:
    """Return the values in force, by full key: what is stored, else the default, active or not.

    A default that carries a caution is only proposed: it is not in force by itself.
    """
    values: dict[str, Value] = {}
    for setting in schema.settings:
        value = stored.get(setting.key, schema.default_in_force(setting.field))
        if value is not None:
            values[setting.key] = value
    return values


def active(schema: Schema, stored: Mapping[str, Value]) -> frozenset[str]:
    """Return the full keys of the fields that are active (clause 9.5)."""
    values = in_force(schema, stored)
    used = {(s.section.key, s.instance) for s in schema.settings if s.key in stored}
    found: set[str] = set()
    # A condition names an earlier field, so that one pass in schema order knows it already.
    for setting in schema.settings:
        repeat, instance = setting.section.repeat, setting.instance
        in_use = repeat is None or instance is None or instance <= repeat.least
        in_use = in_use or (setting.section.key, instance) in used
        if in_use and _condition_holds(setting, values, found):
            found.add(setting.key)
    return frozenset(found)


def _condition_holds(setting: Setting, values: Mapping[str, Value], found: set[str]) -> bool:
    condition = setting.field.condition
    if condition is None:
        return True
    key = key_beside(setting, condition.base_key)
    if key not in found or key not in values:
        return False
    return not condition.values or values[key] in condition.values


def all_missing(schema: Schema, stored: Mapping[str, Value]) -> Iterator[str]:
    """Yield the full keys of the active fields that need a value and have none."""
    values = in_force(schema, stored)
    applying = active(schema, stored)
    for setting in schema.settings:
        lacks = setting.key in applying and setting.key not in values
        if lacks and schema.needs_value(setting.field):
            yield setting.key


def missing(schema: Schema, stored: Mapping[str, Value]) -> str | None:
    """Return the first of all_missing(), None if there is none."""
    return next(all_missing(schema, stored), None)


def defects(schema: Schema, stored: Mapping[str, Value]) -> Iterator[Violation]:
    """Yield what keeps a stored set from being put into use; nothing if it is complete."""
    for key in all_missing(schema, stored):
        yield Violation(Refusal.MISSING, key)
    yield from pin_conflicts(schema, stored)


def defect(schema: Schema, stored: Mapping[str, Value]) -> Violation | None:
    """Return the first of defects(), None if there is none."""
    return next(defects(schema, stored), None)


def whole_faults(
    schema: Schema, stored: Mapping[str, Value], staged: Mapping[str, Value | None]
) -> Iterator[Violation]:
    """Yield the faults of what would be stored with what is staged over it (clause 9.6).

    A board tells the first. A staged None clears the field.
    """
    whole = {**stored, **staged}
    resulting = {key: value for key, value in whole.items() if value is not None}
    yield from _lacking_partners(schema, staged)
    yield from defects(schema, resulting)


def check_whole(
    schema: Schema, stored: Mapping[str, Value], staged: Mapping[str, Value | None]
) -> Violation | None:
    """Return the first of whole_faults(), None if there is none."""
    return next(whole_faults(schema, stored, staged), None)


def _lacking_partners(schema: Schema, staged: Mapping[str, Value | None]) -> Iterator[Violation]:
    """Yield each pair of network name and passphrase of which only one is staged."""
    for setting in schema.settings:
        if setting.field.network is None:
            continue
        network = key_beside(setting, setting.field.network)
        if setting.key in staged and network not in staged:
            yield Violation(Refusal.PARTNER, setting.key, network)
        elif network in staged and setting.key not in staged:
            yield Violation(Refusal.PARTNER, network, setting.key)


def pin_conflicts(schema: Schema, stored: Mapping[str, Value]) -> Iterator[Violation]:
    """Yield each pair of active fields with the same pin, unless both share it."""
    values = in_force(schema, stored)
    applying = active(schema, stored)
    pins = [
        setting
        for setting in schema.settings
        if setting.field.kind is Kind.PIN and setting.key in applying and setting.key in values
    ]
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            both_share = later.field.shares and earlier.field.shares
            if values[later.key] == values[earlier.key] and not both_share:
                yield Violation(Refusal.PIN_CONFLICT, later.key, earlier.key)


def staged_digest(schema: Schema, staged: Mapping[str, Value | None]) -> int:
    """Return the digest of the staged set that commit carries (clause 6.5)."""
    keys = [setting.key for setting in schema.settings if setting.key in staged]
    return crc32c(b"".join(encode([key, staged[key]]) for key in keys))


def networks(schema: Schema) -> Iterator[tuple[Setting, str]]:
    """Yield each passphrase, and the full key of its network's name."""
    for setting in schema.settings:
        if setting.field.network is not None:
            yield setting, key_beside(setting, setting.field.network)


def make_keys(
    schema: Schema, stored: Mapping[str, Value], changes: dict[str, Value | None]
) -> None:
    """Make a network's key where the board takes nothing but that (clause 9.2)."""
    for passphrase, name in networks(schema):
        typed, network = changes.get(passphrase.key), changes.get(name, stored.get(name))
        if is_key_only(passphrase.field) and isinstance(typed, str) and isinstance(network, bytes):
            changes[passphrase.key] = network_key(typed, network)
