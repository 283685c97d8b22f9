# SPDX-License-Identifier: MIT
"""The tables of messages and of the schema as typed rows, refused when they contradict themselves.

Nothing here imports `provision`: a generator that needs its own output could not mend it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

Type = dict[str, Any]
"""The form of one value, as the table writes it: `{"is": "uint", "min": 0, "max": 255}`.

For a bound the tables may write the name of a limit, and `"below"` for what is one less than a
limit; here it is the number.
"""


class TableError(ValueError):
    """A table contradicts itself; the text says where."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A bound that both sides keep."""

    name: str
    value: int
    unit: str
    means: str


@dataclass(frozen=True, slots=True)
class Code:
    """One member of a code set; `editor` is how an editor of schema files explains it."""

    code: int
    name: str
    means: str
    editor: str = ""


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
class Kind:
    """What a field can hold: smallest and largest number, or shortest and longest length."""

    code: int
    name: str
    means: str
    requirement: str
    cbor: str
    min: int
    max: int
    checks: str
    secret: str
    in_conditions: bool
    keys: Mapping[str, bool]
    """Its keys that not every kind has, and whether it must have them."""

    types: Mapping[str, Type]
    """The types of those keys that differ from what they are elsewhere."""

    editor: str
    """In words, what it is to who writes a schema file."""

    file_keys: str
    """In words, what a schema file says of a field of it, and how it writes its values."""

    file_values: str


@dataclass(frozen=True, slots=True)
class SchemaKey:
    """One key of a map of the schema; `there` says when it is, where that is not always."""

    key: int
    name: str
    type: Type
    there: str
    means: str
    editor: str = ""


@dataclass(frozen=True, slots=True)
class Form:
    """A text of certain characters, as a pattern that bounds its length or that of its parts."""

    name: str
    says: str
    pattern: str
    max: int


@dataclass(frozen=True, slots=True)
class Schema:
    """What a schema is made of."""

    limits: tuple[Limit, ...]
    file_limits: tuple[Limit, ...]
    """Those of the schema file alone."""

    forms: tuple[Form, ...]
    kinds: tuple[Kind, ...]
    maps: Mapping[str, tuple[SchemaKey, ...]]
    file: Mapping[str, Mapping[str, str]]
    """What the keys of a schema file are, in words, by table and key."""

    @property
    def own_keys(self) -> tuple[SchemaKey, ...]:
        """The keys of a field that not every kind has."""
        owned = {name for kind in self.kinds for name in kind.keys}
        return tuple(key for key in self.maps["field"] if key.name in owned)


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
    schema: Schema

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


def load(folder: Path) -> Table:
    """Read messages.json and schema.json; `TableError` when they contradict themselves."""
    document, declared = (
        json.loads((folder / name).read_text(encoding="utf-8"))
        for name in ("messages.json", "schema.json")
    )
    limits = [*document["limits"], *declared["limits"], *declared["file-limits"]]
    _unique("limit", [row["name"] for row in limits])
    named = {row["name"]: row["value"] for row in limits}
    document, declared = _resolved(document, named), _resolved(declared, named)
    names = ("code", "name", "means")
    kinds = [{name: row[name] for name in names} for row in declared["kinds"]]
    codes = {**document["codes"], **declared["codes"], "kind": kinds}
    if {row["name"] for row in document["code-sets"]} != codes.keys():
        raise TableError("`code-sets` and `codes` do not name the same sets")
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
                codes=tuple(Code(**code) for code in codes[row["name"]]),
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
        schema=_schema(declared),
    )
    _check(table)
    return table


def _resolved(item: Any, limits: Mapping[str, int]) -> Any:
    """Return a part of a table with numbers for names of limits: as bounds, and in braces."""

    def number(name: str) -> int:
        if name not in limits:
            raise TableError(f"there is no limit {name}")
        return limits[name]

    if isinstance(item, dict):
        bounds = {
            key: number(item[key]) for key in ("min", "max") if isinstance(item.get(key), str)
        }
        if "below" in item:
            bounds["max"] = number(item.pop("below")) - 1
        return {key: _resolved(value, limits) for key, value in item.items()} | bounds
    if isinstance(item, list):
        return [_resolved(value, limits) for value in item]
    if isinstance(item, str):
        return re.sub(r"\{([a-z]+-[a-z-]+)\}", lambda name: f"{number(name[1]):,}", item)
    return item


def _schema(document: dict[str, Any]) -> Schema:
    forms: dict[str, Form] = {}
    for row in document["forms"]:
        pattern = "[.]".join(forms[part].pattern for part in row.get("parts", ()))
        pattern = pattern or re.sub(r"\*$", f"{{0,{row['max'] - 1}}}", row["pattern"])
        forms[row["name"]] = Form(row["name"], row["says"], pattern, row["max"])
    return Schema(
        limits=tuple(Limit(**row) for row in document["limits"]),
        file_limits=tuple(Limit(**row) for row in document["file-limits"]),
        forms=tuple(forms.values()),
        kinds=tuple(_kind(row) for row in document["kinds"]),
        maps={
            row["name"]: tuple(SchemaKey(**{"there": "", **key}) for key in row["keys"])
            for row in document["maps"]
        },
        file={
            name: {row["key"]: row["words"] for row in rows}
            for name, rows in document["file"].items()
        },
    )


def _kind(row: dict[str, Any]) -> Kind:
    row = {"secret": "no", "in-conditions": False, "types": {}, **row}
    return Kind(
        in_conditions=row.pop("in-conditions"),
        file_keys=row.pop("file-keys"),
        file_values=row.pop("file-values"),
        keys={name: there == "must" for name, there in row.pop("keys").items()},
        checks=row.pop("checks").format(min=row["min"], max=row["max"]),
        **row,
    )


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
    _check_schema(table.schema)


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


def _check_schema(schema: Schema) -> None:
    for name, keys in schema.maps.items():
        _unique(f"name in {name}", [key.name for key in keys])
        if [key.key for key in keys] != list(range(1, len(keys) + 1)):
            raise TableError(f"{name}: keys count from 1 without a gap")
    for kind in schema.kinds:
        unknown = kind.keys.keys() - {key.name for key in schema.maps["field"]}
        if unknown or kind.types.keys() - kind.keys.keys():
            raise TableError(f"{kind.name}: has a key or a type of one that no field has")


def _unique(what: str, values: list[Any]) -> None:
    twice = sorted({value for value in values if values.count(value) > 1})
    if twice:
        raise TableError(f"{what} used twice: {', '.join(map(str, twice))}")
