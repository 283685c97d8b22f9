# SPDX-License-Identifier: MIT
"""Where the pages of a board's list of values are likely to begin (shared/protocol.md, clause 6.3).

A host that knows the schema asks for all of them in one flight. It is a guess, since how long the
values are only the board knows: too early a start lets a few entries come twice, too late a one
costs a flight.
"""

from __future__ import annotations

from provision.contract.line import MAX_BODY
from provision.contract.profile import encode
from provision.contract.table import Held, Kind
from provision.schema.model import Schema, Setting
from provision.schema.values import limits

_ITEM = MAX_BODY * 3 // 4  # bytes that the longest line carries
_AROUND = 20  # bytes of envelope, keys, numbers and array head, each at its longest
_USUAL_LENGTH = 16  # of text and byte strings that people enter; common practice


def page_starts(schema: Schema) -> tuple[int, ...]:
    """Return the numbers of the entries with which pages after the first are likely to begin."""
    starts = []
    room = _ITEM - _AROUND
    for setting in schema.settings:
        size = len(encode([setting.key, Held.SET])) + _likely_value_size(setting)
        if size > room:
            starts.append(setting.number)
            room = _ITEM - _AROUND
        room -= size
    return tuple(starts)


def _likely_value_size(setting: Setting) -> int:
    """Return how many bytes a setting's value is likely to take in its entry."""
    field = setting.field
    if field.is_secret:
        return 0
    longest = limits(field)[1]
    if field.kind is Kind.BLOB:
        return len(encode(longest))  # its length stands for it
    if field.default is not None:
        return len(encode(field.default))
    return 1 + min(longest, _USUAL_LENGTH)
