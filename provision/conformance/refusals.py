# SPDX-License-Identifier: MIT
"""The keys that belong to a refusal: clause 7.2."""

from __future__ import annotations

from collections.abc import Mapping

from provision.conformance.shown import code_words
from provision.contract.messages import (
    Message,
)
from provision.contract.table import (
    MessageType,
    Refusal,
    RefusalKey,
)

_DETAILS: Mapping[int, frozenset[int]] = {
    Refusal.UNSUPPORTED_VERSION: frozenset({RefusalKey.SUPPORTED}),
    Refusal.UNKNOWN_TYPE: frozenset({RefusalKey.SUPPORTED}),
    Refusal.MOVED_ON: frozenset({RefusalKey.DETAIL}),
    Refusal.OUT_OF_BOUNDS: frozenset({RefusalKey.DETAIL}),
    Refusal.GAP: frozenset({RefusalKey.DETAIL, RefusalKey.FIELD}),
    Refusal.MISSING: frozenset({RefusalKey.FIELD}),
    Refusal.PARTNER: frozenset({RefusalKey.FIELD, RefusalKey.OTHER}),
    Refusal.PIN_CONFLICT: frozenset({RefusalKey.FIELD, RefusalKey.OTHER}),
}


def wrong_details(refusal: Message, type_: int) -> str:
    """Return what is wrong with the keys of a refusal (clause 7.2); empty if nothing is."""
    code = refusal.body[RefusalKey.CODE]
    if not isinstance(code, int) or code not in tuple(Refusal):
        return f"the refusal has {code_words(code)}, which version 1 does not have"
    due = _DETAILS.get(code, frozenset())
    if type_ == MessageType.SET_FIELD and Refusal.UNKNOWN_FIELD <= code <= Refusal.GAP:
        due = due | {RefusalKey.FIELD}
    found = {key for key in refusal.body if key in tuple(RefusalKey)} - {RefusalKey.CODE}
    wrong = [f"lacks `{_name(key)}`" for key in sorted(due - found)]
    wrong += [f"has `{_name(key)}`, which does not belong there" for key in sorted(found - due)]
    return f"the refusal {code_words(code)} {', and '.join(wrong)}" if wrong else ""


def _name(key: int) -> str:
    return RefusalKey(key).name.lower()
