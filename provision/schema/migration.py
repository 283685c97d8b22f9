# SPDX-License-Identifier: MIT
"""What a firmware's update does to a stored value: found by which keys, and whether it still fits.

Boards decide in the same way (clause 10). Options travel by their key, so that a choice needs no
conversion; whether its option is still there is check_value()'s to say, as for every value.
"""

from __future__ import annotations

from provision.contract.line import crc32c
from provision.contract.table import MAX_KEY, Kind
from provision.schema.model import Field, Setting, Value

_MOST_DIGITS = 6  # of a decimal (clause 8.1, key 10)


def tag(field: Field) -> int:
    """Return what is stored beside a value so that a later firmware can tell what it means.

    That is kind + 256 * digits + 65536 * hash of the unit, which is the low 16 bits of the CRC-32C
    of its UTF-8 bytes, 0 without a unit.
    """
    unit = crc32c(field.unit.encode()) & 0xFFFF if field.unit else 0
    return field.kind + (field.digits or 0) * 0x100 + unit * 0x10000


def older_keys(setting: Setting) -> tuple[str, ...]:
    """Return the full keys under which a value may still be stored, in the order of search.

    The setting's own full key comes before them all. A section that began or ceased to repeat had
    its first instance under the key without a number, or with the number 1.
    """
    keys: list[str] = []
    for base_key in (setting.base_key, *setting.field.was):
        keys += _full_keys(base_key, setting.instance)
    possible = (key for key in keys if key != setting.key and len(key) <= MAX_KEY)
    return tuple(dict.fromkeys(possible))


def former_keys(setting: Setting) -> tuple[str, ...]:
    """Return the full keys that a field had before, in the order of search.

    Those with an instance put in or left out, which older_keys() has as well, are not among them.
    """
    return tuple(_full_keys(was, setting.instance)[0] for was in setting.field.was)


def _full_keys(base_key: str, instance: int | None) -> list[str]:
    section, _, field = base_key.partition(".")
    first = f"{section}.1.{field}"
    if instance is None:
        return [base_key, first]
    return [first, base_key] if instance == 1 else [f"{section}.{instance}.{field}"]


def convert(old_tag: int, field: Field, value: Value) -> Value | None:
    """Return what a value stored under a tag is in a field of today, None if it does not fit.

    It fits if the tags are equal. A decimal fits also with another number of digits, if it can be
    written with them exactly. check_value() still has to say whether the field takes it.
    """
    new_tag = tag(field)
    if old_tag == new_tag:
        return value
    # All but the digits must be equal.
    if field.kind is not Kind.DECIMAL or (old_tag ^ new_tag) & ~0xFF00:
        return None
    old_digits, new_digits = old_tag >> 8 & 0xFF, new_tag >> 8 & 0xFF
    # Storage may hold anything that a former firmware wrote.
    if type(value) is not int or not 1 <= old_digits <= _MOST_DIGITS:
        return None
    scaled, rest = divmod(value * 10**new_digits, 10**old_digits)
    return None if rest else scaled
