# SPDX-License-Identifier: MIT
"""How a vector becomes bytes: by cbor2, by base64 and by the package crc, not by this project.

Names of messages, body keys and codes become numbers by shared/messages.json and schema.json.
"""

from __future__ import annotations

import base64
import functools
import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import cbor2
from crc import Calculator, Configuration

from scripts.derive import source

VECTORS = Path(__file__).parents[3] / "shared" / "vectors"

# CRC-32/ISCSI of the catalogue of parametrised CRC algorithms.
_CRC32C = Calculator(
    Configuration(
        width=32,
        polynomial=0x1EDC6F41,
        init_value=0xFFFFFFFF,
        final_xor_value=0xFFFFFFFF,
        reverse_input=True,
        reverse_output=True,
    ),
    optimized=True,
)

# A carriage of an item: clause 2.3.
LONGEST_BODY = 655
LONGEST_ITEM = LONGEST_BODY * 6 // 8


class VectorError(ValueError):
    """A case contradicts itself, or cannot be put into bytes; the text says where."""


@functools.cache
def table() -> source.Table:
    """The tables of messages and of the schema."""
    return source.load(VECTORS.parent)


def crc32c(data: bytes) -> int:
    """CRC-32C, clause 2.1."""
    return int(_CRC32C.checksum(data))


def item(value: Any) -> bytes:
    """An item in deterministic encoding (RFC 8949 clause 4.2.1)."""
    return cbor2.dumps(value, canonical=True)


def body(encoded: bytes) -> bytes:
    """The BODY that carries an item: RFC 4648 clause 5, without padding."""
    return base64.urlsafe_b64encode(encoded).rstrip(b"=")


def check(characters: bytes) -> bytes:
    """The CHECK of a BODY, or of anything that stands in its place."""
    return bytes(0x40 + int(digit, 16) for digit in f"{crc32c(characters):08x}")


def frame(characters: bytes) -> bytes:
    """A BODY, or anything in its place, between tilde and its right CHECK."""
    return b"~" + characters + check(characters)


def line(encoded: bytes) -> bytes:
    """The whole line that carries an item."""
    return b"\n" + frame(body(encoded)) + b"\n"


def message(kind: str | int, id_: int, content: Mapping[int, Any], version: int = 1) -> bytes:
    """The item of a message, by the name or the number of its type."""
    number = kind if isinstance(kind, int) else table().message(kind).number
    return item([version, number, id_, dict(content)])


def numbered(kind: str | int, named: Mapping[Any, Any]) -> dict[int, Any]:
    """A body by numbers: keys and codes by their names in the table, numbers as they are."""
    if isinstance(kind, int):
        return dict(named)
    row = table().message(kind)
    content: dict[int, Any] = {}
    for name, value in named.items():
        if isinstance(name, int):
            content[name] = value
        else:
            known = row.key(name)
            content[known.key] = _code(known.type, value)
    return content


def _code(shape: source.Type, value: Any) -> Any:
    if shape["is"] != "code" or isinstance(value, int):
        return value
    names = [value] if isinstance(value, str) else value
    return sum(code(shape["of"], name) for name in names)


def code(set_name: str, name: str) -> int:
    """The number of a code."""
    return next(each.code for each in table().code_set(set_name).codes if each.name == name)


def diagnostic(value: Any) -> str:
    """An item in diagnostic notation (RFC 8949 clause 8), for readers."""
    if isinstance(value, bytes):
        return f"h'{value.hex()}'"
    if isinstance(value, dict):
        pairs = (f"{diagnostic(key)}: {diagnostic(value[key])}" for key in value)
        return "{" + ", ".join(pairs) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(diagnostic, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def named(kind: str | int, content: Mapping[int, Any]) -> str:
    """A body in diagnostic notation, for readers: with the names of its keys and codes."""
    known = {} if isinstance(kind, int) else {row.key: row for row in table().message(kind).body}
    return (
        "{"
        + ", ".join(
            f"{known[key].name if key in known else key}: {_shown(known.get(key), value)}"
            for key, value in sorted(content.items())
        )
        + "}"
    )


def _shown(known: source.BodyKey | None, value: Any) -> str:
    if known is not None and known.type["is"] == "code" and isinstance(value, int):
        codes = table().code_set(known.type["of"])
        fitting = [
            each.name
            for each in codes.codes
            if (each.code & value if codes.bits else each.code == value)
        ]
        return " + ".join(fitting) or str(value)
    return diagnostic(value)


def slug(*texts: str) -> str:
    """An id made of what a case shows."""
    plain = "-".join(texts).lower().replace("é", "e").replace("ö", "o")
    return re.sub(r"[^a-z0-9.]+", "-", plain).strip("-")


def document(
    title: str, made_from: str, rows: Iterable[Mapping[str, Any]], **more: Mapping[str, Any]
) -> bytes:
    """A file of vectors: one row a line, and of a conversation one step a line."""
    rows = list(rows)
    ids = [row["id"] for row in rows]
    twice = sorted({each for each in ids if ids.count(each) > 1})
    if twice:
        raise VectorError(f"{title}: an id is used twice: {', '.join(twice)}")
    made_by = f"scripts/regenerate.py from scripts/derive/vectors/{made_from}; change it there"
    parts = [f'"title": {_json(title)}', f'"made-by": {_json(made_by)}']
    for name, entries in more.items():
        lines = ",\n".join(f"{_json(key)}: {_json(value)}" for key, value in entries.items())
        parts.append(f'"{name}": {{\n{lines}\n}}')
    parts.append('"vectors": [\n' + ",\n".join(map(_row, rows)) + "\n]")
    text = "{\n" + ",\n".join(parts) + "\n}\n"
    json.loads(text)
    return text.encode()


def _row(row: Mapping[str, Any]) -> str:
    if "steps" not in row:
        return _json(row)
    head = _json({name: value for name, value in row.items() if name != "steps"})
    return head[:-1] + ', "steps": [\n' + ",\n".join(map(_json, row["steps"])) + "\n]}"


def _json(value: object) -> str:
    """JSON in ASCII, so that no reader's idea of a line end or of a character matters."""
    return json.dumps(value, ensure_ascii=True)
