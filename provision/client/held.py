# SPDX-License-Identifier: MIT
"""What a board holds for each setting, checked against the schema that it sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import cast

from provision.contract.table import Held
from provision.link.replies import HeldValue
from provision.phrases import phrase
from provision.schema.codec import SchemaError
from provision.schema.model import Schema, Setting, Value
from provision.schema.values import check_value


@dataclass(frozen=True, slots=True)
class HeldSetting:
    """What a board holds for one setting; of secrets never a value, of blobs the length."""

    held: Held
    value: Value | None = field(default=None, repr=False)


def held_settings(schema: Schema, values: Mapping[str, HeldValue] | None) -> dict[str, HeldSetting]:
    """Return what a board holds. Raises SchemaError if that does not fit its own schema.

    values: as it lists them; None for a board that holds nothing.
    A code that nobody here knows counts as nothing held, and a value of a secret, which a board
    must never send, is dropped.
    """
    if values is None:
        return {setting.key: HeldSetting(Held.UNSET, None) for setting in schema.settings}
    if values.keys() != {setting.key for setting in schema.settings}:
        raise SchemaError(
            phrase(
                "The board's list of values does not fit its list of settings: its firmware needs"
                " mending."
            )
        )
    return {setting.key: _held(setting, values[setting.key], schema) for setting in schema.settings}


def _held(setting: Setting, entry: HeldValue, schema: Schema) -> HeldSetting:
    held = entry.held if isinstance(entry.held, Held) else Held.UNSET
    value = None if setting.field.is_secret else cast("Value | None", entry.value)
    if setting.field.is_opaque:
        fits = value is None or type(value) is int  # the length of a blob
    elif value is None:
        fits = held is not Held.SET
    else:
        fits = check_value(setting.field, value, schema) is None
    if not fits:
        raise SchemaError(
            phrase(
                "The board holds for {key} what its own firmware does not admit: the firmware needs"
                " mending.",
                key=setting.key,
            )
        )
    return HeldSetting(held, value)


def declared_key(schema: Schema, named: str | None) -> str | None:
    """Return the key that a board named, None unless it is one of its schema's settings.

    Nothing else that a board gives for a key is repeated, neither to people nor to programs.
    """
    return None if named is None or schema.setting(named) is None else named
