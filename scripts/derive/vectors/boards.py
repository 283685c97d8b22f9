# SPDX-License-Identifier: MIT
"""The schemas of shared/vectors/*.toml as bytes: read, numbered and packed here, by clause 8.

Nothing of this project's own reading, encoding or packing is used, so that it can be held against
the result. The files are known to be good; what is wrong in one of them is found there, not here.
"""

from __future__ import annotations

import functools
import hashlib
import tomllib
from dataclasses import dataclass
from typing import Any

from scripts.derive.vectors import encoding

Entries = dict[str, Any]

# A stored block of RFC 1951 clause 3.2.4 has at most this many bytes.
_LARGEST_BLOCK = 65535


@dataclass(frozen=True, slots=True)
class BoardSchema:
    """A board's schema: its item, the item's bytes, and full keys of the fields in schema order."""

    declared: Entries
    item: dict[int, Any]
    inflated: bytes
    fields: tuple[str, ...]

    @property
    def deflated(self) -> bytes:
        """What the board hands out."""
        return stored(self.inflated)

    @property
    def digest(self) -> bytes:
        """The first 8 bytes of SHA-256 over the inflated schema."""
        return digest(self.inflated)


def stored(data: bytes) -> bytes:
    """A raw deflate stream (RFC 1951) of one stored block.

    Its bytes do not depend on the version of a compressor, as those of any other block would.
    """
    if len(data) > _LARGEST_BLOCK:
        raise encoding.VectorError("A stored block has at most 65,535 bytes.")
    size = len(data).to_bytes(2, "little")
    return b"\x01" + size + bytes(0xFF - byte for byte in size) + data


def digest(inflated: bytes) -> bytes:
    """The digest of clause 6.2."""
    return hashlib.sha256(inflated).digest()[:8]


@functools.cache
def load(name: str) -> BoardSchema:
    """The schema of a file in shared/vectors."""
    declared = tomllib.loads((encoding.VECTORS / name).read_text(encoding="utf-8"))
    schema = {
        1: 1,
        2: declared["title"],
        3: [_section(section) for section in declared["section"]],
        4: _pins(declared.get("pin", [])),
        5: declared.get("trial"),
    }
    if not schema[4]:
        del schema[4]
    numbered = _present(schema)
    return BoardSchema(declared, numbered, encoding.item(numbered), tuple(_fields(declared)))


def _present(entries: dict[int, Any]) -> dict[int, Any]:
    return {key: value for key, value in entries.items() if value is not None}


def _fields(declared: Entries) -> list[str]:
    keys = []
    for section in declared["section"]:
        most = section["repeat"]["most"] if "repeat" in section else 0
        infixes = [f"{number}." for number in range(1, most + 1)] or [""]
        keys += [
            f"{section['key']}.{infix}{field['key']}"
            for infix in infixes
            for field in section["field"]
        ]
    return keys


def _sum(set_name: str, names: list[str]) -> int:
    return sum(encoding.code(set_name, name) for name in names)


def _pins(rows: list[Entries]) -> list[dict[int, Any]]:
    pins = []
    for row in rows:
        first, last = map(int, row["numbers"].split("-"))
        pins += [
            _present(
                {
                    1: number,
                    3: _sum("ability", row["can"]),
                    4: row.get("taken"),
                    5: row.get("caution"),
                }
            )
            for number in range(first, last + 1)
        ]
    return pins


def _section(section: Entries) -> dict[int, Any]:
    repeat = section.get("repeat")
    return _present(
        {
            1: section["key"],
            2: section["label"],
            4: [repeat["least"], repeat["most"]] if repeat else None,
            5: [_field(field, section["key"]) for field in section["field"]],
        }
    )


def _field(field: Entries, section: str) -> dict[int, Any]:
    kind = field["kind"]
    # Decimals are scaled; in the files they are written with no more digits than they may have.
    scale = 10 ** field["digits"] if kind == "decimal" else 1
    characters = field.get("characters")
    return _present(
        {
            1: field["key"],
            2: encoding.code("kind", kind),
            3: field["label"],
            5: field.get("required"),
            6: field.get("default"),
            7: _scaled(field.get("minimum"), scale),
            8: _scaled(field.get("maximum"), scale),
            9: field.get("unit"),
            10: field.get("digits"),
            11: field.get("caution"),
            12: _condition(field.get("asked-if"), section),
            13: [[option["key"], option["label"]] for option in field.get("options", [])] or None,
            14: _sum("ability", field["needs"]) if kind == "pin" else None,
            15: field.get("shares"),
            16: f"{section}.{field['network']}" if "network" in field else None,
            18: encoding.code("characters", characters) if characters else None,
            19: field.get("schemes"),
            20: field.get("secret"),
            21: sum({4: 1, 6: 2}[family] for family in field["families"])
            if "families" in field
            else None,
        }
    )


def _scaled(number: float | None, scale: int) -> int | None:
    return None if number is None else round(number * scale)


def _condition(condition: Entries | None, section: str) -> list[Any] | None:
    if condition is None:
        return None
    value = condition.get("is")
    values = [] if value is None else value if isinstance(value, list) else [value]
    named = condition["field"]
    return [named if "." in named else f"{section}.{named}", values]
