# SPDX-License-Identifier: MIT
"""How much room settings take: stored in a slot of the flash, and in the firmware's memory.

The form of a stored record is that of firmware_stub/STORAGE.md: a header, the payload and a seal,
each from a program unit on; the payload is a CBOR sequence of [full key, tag, value].
"""

from __future__ import annotations

from collections.abc import Callable

from provision.contract.profile import Item, encode
from provision.contract.table import MAX_BODY, MIN_BODY_LIMIT, Kind, MessageType, SetFieldKey
from provision.schema.migration import tag
from provision.schema.model import Field, Schema, Setting
from provision.schema.table import KIND_LIMITS, VALUE_TYPES
from provision.schema.values import limits

_CHECK_SIZE = 8
LONGEST_LINE = MAX_BODY + _CHECK_SIZE
"""Characters that a board's buffer holds of the longest line: BODY and CHECK (clause 2.1)."""

HEADER_SIZE = 48
SEAL_SIZE = 8
KEPT_SIZE = 8
"""The struct's member of a value that is kept in flash: its length, and where it is."""

TEXT_KINDS = {kind for kind, of in VALUE_TYPES.items() if of is str} - {Kind.CHOICE}
BYTE_KINDS = {kind for kind, of in VALUE_TYPES.items() if of is bytes}
_ONE_BYTE_KINDS = frozenset({Kind.YES_NO, Kind.CHOICE})


def number_limits(field: Field) -> tuple[int, int]:
    """Return the smallest and largest value or length in bytes; of a choice, option numbers."""
    return (0, len(field.options) - 1) if field.kind is Kind.CHOICE else limits(field)


def largest_payload(schema: Schema) -> int:
    """Return the size in bytes of the payload when every field has its largest value."""
    return sum(_largest_entry(setting) for setting in schema.settings)


def whole_line(schema: Schema) -> int | None:
    """Return how long a board's line buffer must be for every value to come whole (clause 6.4).

    In characters, CHECK with them; None where the longest line is too short for one.
    """
    longest = max((_largest_request(setting) for setting in schema.settings), default=0)
    size = max(-(-longest * 4 // 3), MIN_BODY_LIMIT) + _CHECK_SIZE
    return size if size <= LONGEST_LINE else None


def record_size(payload: int, program_unit: int) -> int:
    """Return how many bytes of a slot a record takes."""
    return sum(
        -(-part // program_unit) * program_unit for part in (HEADER_SIZE, payload, SEAL_SIZE)
    )


def struct_size(schema: Schema) -> int:
    """Return the size in bytes of the settings struct in C, integers aligned to their size."""
    # The members: one byte of state for each field, then one struct for each section.
    size, alignment = len(schema.settings), 1
    for section in schema.sections:
        end, around = 0, 1
        for field in section.fields:
            width, own = _member(field)
            end = _aligned(end, own) + width
            around = max(around, own)
        size = _aligned(size, around)
        size += _aligned(end, around) * (section.repeat.most if section.repeat else 1)
        alignment = max(alignment, around)
    return _aligned(size, alignment)


def member_length(field: Field) -> int:
    """Return how many bytes of a text or byte string a field's member holds.

    That of an address holds either family, so that all addresses have one type.
    """
    return KIND_LIMITS[Kind.IP][1] if field.kind is Kind.IP else limits(field)[1]


def _member(field: Field) -> tuple[int, int]:
    """Return size and alignment of a field's member in the settings struct."""
    if field.kept:
        return KEPT_SIZE, 4
    longest = member_length(field)
    if field.kind in TEXT_KINDS:
        return longest + 1, 1
    if field.kind in BYTE_KINDS:
        return _aligned(2 + longest, 2), 2
    return (1, 1) if field.kind in _ONE_BYTE_KINDS else (4, 4)


def _aligned(offset: int, alignment: int) -> int:
    return -(-offset // alignment) * alignment


def _largest_entry(setting: Setting) -> int:
    return _largest(setting.field, lambda value: [setting.key, tag(setting.field), value])


def _largest_request(setting: Setting) -> int:
    """Return the size of the longest set-field that sets a value whole, in bytes."""
    longest_id = 0xFFFF

    def request(value: Item) -> Item:
        body = {int(SetFieldKey.FIELD): setting.key, int(SetFieldKey.VALUE): value}
        return [1, int(MessageType.SET_FIELD), longest_id, body]

    return _largest(setting.field, request)


def _largest(field: Field, item: Callable[[Item], Item]) -> int:
    """Return the size of an item made of a field's value, where that is largest, in bytes."""
    least, most = limits(field)
    values: list[Item]
    if field.kind in TEXT_KINDS:
        values = ["x" * most]
    elif field.kind in BYTE_KINDS:
        values = [bytes(most)]
    elif field.kind is Kind.YES_NO:
        values = [False]
    elif field.kind is Kind.CHOICE:
        values = [option.key for option in field.options]
    else:
        values = [least, most]  # of the integers between, none has a longer form
    return max(len(encode(item(value))) for value in values)
