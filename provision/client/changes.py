# SPDX-License-Identifier: MIT
"""Turn values by full key into the changes sent to a board, after finding every fault."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from provision.client.snapshot import BoardSnapshot
from provision.client.typed import GivenValue, value_of
from provision.contract.messages import code_name
from provision.contract.table import Refusal
from provision.errors import ProvisionError
from provision.phrases import Phrase, joined, phrase
from provision.schema.constraints import active, make_keys, networks, whole_faults
from provision.schema.model import Schema, Value
from provision.schema.values import ValueProblem, refusal_words


@dataclass(frozen=True, slots=True)
class ValueFault:
    """What is wrong with one value: the setting, a code, and words to follow its label.

    The code is one of the contract's refusals (clause 7) as it is written there, such as "length";
    or "does-not-apply", where other settings decide that this one is not in use; or "caution".
    """

    key: str
    code: str
    words: Phrase


class ValuesError(ProvisionError):
    """Values cannot be stored, and nothing was sent. `faults` lists all that is wrong."""

    def __init__(self, faults: Collection[ValueFault]) -> None:
        lines = (joined("", (fault.key, ": ", fault.words, ".")) for fault in faults)
        super().__init__(joined("\n", lines))
        self.faults = tuple(faults)

    @property
    def parameters(self) -> Mapping[str, object]:
        """The code of each fault, by full key."""
        return {fault.key: fault.code for fault in self.faults}


def changes_of(
    met: BoardSnapshot, given: Mapping[str, GivenValue | None], accepted: Collection[str] = ()
) -> dict[str, Value | None]:
    """Return the changes that storing values makes on a board, by full key in schema order.

    Arguments:
        met: The board.
        given: Values in their Python types or as they are typed, by full key; None clears one.
        accepted: Full keys of the settings whose cautions a person has read.

    Values that the board holds already are left out. Raises ValuesError.
    """
    schema, stored = met.schema, met.stored
    values: dict[str, Value | None] = {}
    faults: list[ValueFault] = []
    for key, each in given.items():
        setting = schema.setting(key)
        if setting is None:
            faults.append(_fault(key, Refusal.UNKNOWN_FIELD, unknown_words(schema, key)))
            continue
        try:
            values[key] = None if each is None else value_of(setting.field, each, schema)
        except ValueProblem as problem:
            faults.append(_fault(key, problem.code, problem.words))
    changes = {
        key: value
        for key, value in values.items()
        if schema[key].field.is_opaque or stored.get(key) != value
    }
    _take_partners_along(schema, stored, changes)
    faults += _cautions(schema, changes, accepted)
    # One fault at a time where it would bring others along.
    if not faults:
        faults += _whole(schema, stored, changes)
    if faults:
        raise ValuesError(faults)
    make_keys(schema, stored, changes)
    return {s.key: changes[s.key] for s in schema.settings if s.key in changes}


def unknown_words(schema: Schema, key: str) -> Phrase:
    """Return that there is no such setting, and the nearest that there is."""
    keys = [setting.key for setting in schema.settings]
    nearest = difflib.get_close_matches(key, keys, n=1, cutoff=0.5)
    hint = phrase("; the nearest is {nearest}", nearest=nearest[0]) if nearest else ""
    return phrase("the board has no such setting{hint}", hint=hint)


def _cautions(
    schema: Schema, changes: Mapping[str, Value | None], accepted: Collection[str]
) -> Iterator[ValueFault]:
    for key, value in changes.items():
        cautions = () if value is None else schema.cautions(schema[key].field, value)
        if cautions and key not in accepted:
            said = phrase(
                'carries a caution, and nobody has accepted it: "{caution}"',
                caution=" ".join(cautions),
            )
            yield ValueFault(key, "caution", said)


def _whole(
    schema: Schema, stored: Mapping[str, Value], changes: Mapping[str, Value | None]
) -> Iterator[ValueFault]:
    """Yield what is wrong with what would be stored as a whole."""
    resulting = {k: v for k, v in {**stored, **changes}.items() if v is not None}
    applying = active(schema, resulting)
    for key, value in changes.items():
        if value is not None and key not in applying:
            words = phrase("does not apply with these settings")
            yield ValueFault(key, "does-not-apply", words)
    for fault in whole_faults(schema, stored, changes):
        words = refusal_words(schema[fault.field].field, fault.code)
        if fault.other is not None:
            words = joined("", (words, " (", fault.other, ")"))
        yield _fault(fault.field, fault.code, words)


def _take_partners_along(
    schema: Schema, stored: Mapping[str, Value], changes: dict[str, Value | None]
) -> None:
    """Send the name that is held along with a new passphrase (clause 9.6)."""
    for passphrase, name in networks(schema):
        if passphrase.key in changes and name not in changes and name in stored:
            changes[name] = stored[name]


def _fault(key: str, code: Refusal, words: Phrase) -> ValueFault:
    return ValueFault(key, code_name(code), words)
