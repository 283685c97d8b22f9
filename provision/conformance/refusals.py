# SPDX-License-Identifier: MIT
"""The keys that belong to a refusal: clauses 7.1 and 7.2."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from provision.conformance.shown import code_words
from provision.contract.messages import Message
from provision.contract.table import MessageType, Refusal, RefusalKey

_CODE, _FIELD, _OTHER, _NO_OTHER = "7.1.1", "7.1.2", "7.1.3", "7.2.4"
_DETAIL: Mapping[int, str] = {
    Refusal.MOVED_ON: "7.2.1",
    Refusal.OUT_OF_BOUNDS: "7.2.2",
    Refusal.GAP: "7.2.3",
}
_OF_THE_WHOLE = frozenset({Refusal.MISSING, Refusal.PARTNER, Refusal.PIN_CONFLICT})
_OF_TWO = frozenset({Refusal.PARTNER, Refusal.PIN_CONFLICT})

REFUSAL_NUMBERS = (
    *(_NO_OTHER, _CODE, _FIELD, _OTHER),
    *_DETAIL.values(),
)
"""The requirements that wrong_details() looks at."""


def wrong_details(refusal: Message, type_: int) -> Iterator[tuple[str, str]]:
    """Yield what is wrong with the keys of a refusal: the requirement's number, and in words."""
    code = refusal.body[RefusalKey.CODE]
    if not isinstance(code, int) or code not in tuple(Refusal):
        yield _CODE, f"the refusal has {code_words(code)}, which version 1 does not have"
        return
    due = dict(_due(code, type_))
    found = {key for key in refusal.body if key in tuple(RefusalKey)} - {RefusalKey.CODE}
    name = f"the refusal {code_words(code)}"
    for key in sorted(due.keys() - found):
        yield due[key], f"{name} lacks `{_name(key)}`"
    for key in sorted(found - due.keys()):
        yield _NO_OTHER, f"{name} has `{_name(key)}`, which does not belong there"


def _due(code: int, type_: int) -> Iterator[tuple[int, str]]:
    """Yield the keys that must be there, each with the requirement that says so."""
    of_set_field = type_ == MessageType.SET_FIELD and (
        Refusal.UNKNOWN_FIELD <= code <= Refusal.GAP or code == Refusal.STORAGE
    )
    if of_set_field or code in _OF_THE_WHOLE:
        yield RefusalKey.FIELD, _FIELD
    if code in _OF_TWO:
        yield RefusalKey.OTHER, _OTHER
    if code in _DETAIL:
        yield RefusalKey.DETAIL, _DETAIL[code]


def _name(key: int) -> str:
    return RefusalKey(key).name.lower()
