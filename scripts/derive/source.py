# SPDX-License-Identifier: MIT
"""The table of messages as typed rows, refused when it contradicts itself.

Nothing here imports `provision`: a generator that needs its own output could not mend it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Type = dict[str, Any]
"""The form of one value, as the table writes it: `{"is": "uint", "min": 0, "max": 255}`."""


class TableError(ValueError):
    """The table contradicts itself; the text says where."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A bound that both sides keep."""

    name: str
    value: int
    unit: str
    means: str


@dataclass(frozen=True, slots=True)
class Code:
    """One member of a code set."""

    code: int
    name: str
    means: str


@dataclass(frozen=True, slots=True)
class CodeSet:
    """An enumeration, or a set of bits; `max` bounds the codes of later versions too."""

    name: str
    max: int
    means: str
    bits: bool
    codes: tuple[Code, ...]


@dataclass(frozen=True, slots=True)
class BodyKey:
    """One key of a message's body."""

    key: int
    name: str
    type: Type
    means: str
    required: bool


@dataclass(frozen=True, slots=True)
class MessageRow:
    """One type of message; a reply has no meaning of its own and is legal where its request is."""

    number: int
    name: str
    is_request: bool
    since: int
    means: str
    stores: tuple[str, ...]
    staged: tuple[bool, ...]
    needs: str | None
    changes: bool
    one_of: tuple[tuple[str, ...], ...]
    body: tuple[BodyKey, ...]

    def key(self, name: str) -> BodyKey:
        """The body key of this name."""
        return next(key for key in self.body if key.name == name)


@dataclass(frozen=True, slots=True)
class Transition:
    """What leads from states to another: a message, or (is_message false) an event.

    A state is what is stored (its name), or whether anything is staged.
    """

    origins: tuple[str | bool, ...]
    cause: str
    is_message: bool
    offers: str | None
    """The capability without which it does not happen."""

    to: str | bool


@dataclass(frozen=True, slots=True)
class Table:
    """The whole table."""

    title: str
    protocol_version: int
    skippable_from: int
    limits: tuple[Limit, ...]
    code_sets: tuple[CodeSet, ...]
    transitions: tuple[Transition, ...]
    messages: tuple[MessageRow, ...]

    def message(self, name: str) -> MessageRow:
        """The message of this name."""
        return next(row for row in self.messages if row.name == name)

    def code_set(self, name: str) -> CodeSet:
        """The code set of this name."""
        return next(codes for codes in self.code_sets if codes.name == name)

    @property
    def requests(self) -> tuple[MessageRow, ...]:
        """The messages that a host sends."""
        return tuple(row for row in self.messages if row.is_request)


def load(path: Path) -> Table:
    """Read the table; `TableError` when it contradicts itself."""
    document = json.loads(path.read_text(encoding="utf-8"))
    if [row["name"] for row in document["code-sets"]] != list(document["codes"]):
        raise TableError("`code-sets` and `codes` do not name the same sets in the same order")
    table = Table(
        title=document["title"],
        protocol_version=document["protocol-version"],
        skippable_from=document["skippable-from"],
        limits=tuple(Limit(**row) for row in document["limits"]),
        code_sets=tuple(
            CodeSet(
                name=row["name"],
                max=row["max"],
                means=row["means"],
                bits=row.get("bits", False),
                codes=tuple(Code(**code) for code in document["codes"][row["name"]]),
            )
            for row in document["code-sets"]
        ),
        transitions=tuple(
            Transition(
                origins=tuple(row["from"]),
                cause=row.get("message") or row["event"],
                is_message="message" in row,
                offers=row.get("offers"),
                to=row["to"],
            )
            for row in document["transitions"]
        ),
        messages=tuple(_message(row) for row in document["messages"]),
    )
    _check(table)
    return table


def _message(row: dict[str, Any]) -> MessageRow:
    legal = row.get("legal", {"store": [], "staged": []})
    return MessageRow(
        number=row["number"],
        name=row["name"],
        is_request=row["direction"] == "request",
        since=row["since"],
        means=row.get("means", ""),
        stores=tuple(legal["store"]),
        staged=tuple(legal["staged"]),
        needs=row.get("needs"),
        changes=row.get("changes", False),
        one_of=tuple(tuple(names) for names in row.get("one-of", ())),
        body=tuple(
            BodyKey(key["key"], key["name"], key["type"], key["means"], key.get("required", True))
            for key in row["body"]
        ),
    )


def _check(table: Table) -> None:
    _unique("limit", [limit.name for limit in table.limits])
    for codes in table.code_sets:
        _unique(f"code of {codes.name}", [code.code for code in codes.codes])
        _unique(f"name in {codes.name}", [code.name for code in codes.codes])
        for code in codes.codes:
            if not 0 <= code.code <= codes.max:
                raise TableError(f"{codes.name}.{code.name} is beyond its set's max")
            if codes.bits and code.code.bit_count() != 1:
                raise TableError(f"{codes.name}.{code.name} is not a single bit")
    _unique("message number", [row.number for row in table.messages])
    _unique("message name", [row.name for row in table.messages])
    for row in table.messages:
        _check_body(table, row)
    for row in table.requests:
        _check_request(table, row)
    for transition in table.transitions:
        _check_transition(table, transition)


def _check_request(table: Table, row: MessageRow) -> None:
    names = {reply.number: reply.name for reply in table.messages}
    if names.get(row.number + 1) != f"{row.name}-reply" or row.number % 2 != 1:
        raise TableError(f"{row.name}: a request is odd, and its reply is the next number")
    if not row.means or not row.stores or not row.staged:
        raise TableError(f"{row.name}: a request has a meaning and says where it is legal")
    if not set(row.stores) <= _names(table, "store"):
        raise TableError(f"{row.name}: legal in a store state that is not declared")
    if row.needs is not None and row.needs not in _names(table, "capability"):
        raise TableError(f"{row.name}: needs a capability that is not declared")


def _check_transition(table: Table, transition: Transition) -> None:
    states = {transition.to, *transition.origins}
    if not (states <= _names(table, "store") or states <= {False, True}):
        raise TableError(f"a transition by {transition.cause} has a state that is none")
    if transition.offers is not None and transition.offers not in _names(table, "capability"):
        raise TableError(f"a transition by {transition.cause} needs a capability that is none")
    if transition.is_message:
        row = table.message(transition.cause)
        if not set(transition.origins) <= {*row.stores, *row.staged}:
            raise TableError(f"{row.name} leads from a state where it is not legal")


def _names(table: Table, code_set: str) -> set[str]:
    return {code.name for code in table.code_set(code_set).codes}


def _check_body(table: Table, row: MessageRow) -> None:
    keys = [key.key for key in row.body]
    _unique(f"key of {row.name}", keys)
    _unique(f"name in {row.name}", [key.name for key in row.body])
    if keys != sorted(keys) or any(not 0 < key < table.skippable_from for key in keys):
        raise TableError(f"{row.name}: keys ascend from 1 and stay below skippable-from")
    for names in row.one_of:
        if any(row.key(name).required for name in names):
            raise TableError(f"{row.name}: a key of an alternative cannot be required by itself")


def _unique(what: str, values: list[Any]) -> None:
    twice = sorted({value for value in values if values.count(value) > 1})
    if twice:
        raise TableError(f"{what} used twice: {', '.join(map(str, twice))}")
