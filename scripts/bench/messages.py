# SPDX-License-Identifier: MIT
"""What goes over the wire, by type of message, and what makes the schema as large as it is."""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Callable, Mapping
from enum import IntEnum
from typing import Any

import cbor2
import zopfli.zlib

from provision.contract.profile import decode
from provision.contract.table import MAX_SCHEMA_DEPTH, MESSAGES, MessageType
from provision.schema.table import FieldKey, PinKey, SchemaKey, SectionKey
from scripts.bench.demo import WITHOUT_TIME, demo, met_again
from scripts.bench.figures import Figure, Part
from scripts.bench.virtual import message_of, talk


def measure() -> Part:
    """Count the lines and bytes of setting up a board and meeting it again; weigh its schema."""
    part = "bytes"
    lines: Counter[MessageType | int] = Counter()
    out: Counter[MessageType | int] = Counter()
    back: Counter[MessageType | int] = Counter()
    for one in talk(demo(), met_again(), WITHOUT_TIME).exchanged:
        kind = message_of(one.request).type
        lines[kind] += 1
        out[kind] += len(one.request)
        back[kind] += len(one.reply)
    figures = [
        Figure(
            part,
            MESSAGES[kind].name,
            out[kind] + back[kind],
            "bytes",
            counts={"lines each way": lines[kind], "bytes out": out[kind], "back": back[kind]},
        )
        for kind in sorted(lines)
    ]
    total = Figure(
        part,
        "all",
        out.total() + back.total(),
        "bytes",
        counts={"lines each way": lines.total(), "bytes out": out.total(), "back": back.total()},
    )
    return Part(
        "2. Bytes on the wire: the demo's board, cold, and met again when it is set",
        [*figures, total, *_schema(part)],
        [
            "Keys as texts: each map key of the schema is its name of clause 8.1, not its number.",
            "Every repeated text once: from its second time on, a text is the number of its first.",
        ],
    )


def _schema(part: str) -> list[Figure]:
    packed = demo().packed
    inflated = zlib.decompress(packed.deflated, -zlib.MAX_WBITS)
    item = decode(inflated, MAX_SCHEMA_DEPTH)
    others: dict[str, Any] = {
        "keys as texts": _with_names(item),
        "no help and cautions": _without_help(item),
        "every repeated text once": _once(item, {}),
    }
    ratio = len(packed.deflated) / len(inflated)
    counts = {"bytes": len(inflated), "bytes deflated": len(packed.deflated)}
    return [
        Figure(part, "schema: deflated ÷ plain", ratio, counts=counts),
        *(
            Figure(
                part,
                f"schema, {name}: deflated ÷ ours deflated",
                len(deflated) / len(packed.deflated),
                counts={"bytes": len(plain), "bytes deflated": len(deflated)},
            )
            for name, other in others.items()
            for plain in [cbor2.dumps(other)]
            for deflated in [zopfli.zlib.compress(plain)[2:-4]]
        ),
    ]


def _with_names(item: Any) -> Any:
    return _mapped(item, lambda names, key: names[key].lower() if key in names else key)


def _without_help(item: Any) -> Any:
    unwanted = {"HELP", "CAUTION"}
    return _mapped(item, lambda names, key: None if names.get(key) in unwanted else key)


def _mapped(item: Any, rename: Callable[[Mapping[int, str], int], Any]) -> Any:
    """Return the schema with other keys in its maps; those that become None fall away."""

    def of(entry: dict[int, Any], keys: type[IntEnum]) -> dict[Any, Any]:
        names = {int(key): key.name for key in keys}
        renamed = {rename(names, key): value for key, value in entry.items()}
        renamed.pop(None, None)
        return renamed

    sections = [
        of(
            section
            | {SectionKey.FIELDS: [of(one, FieldKey) for one in section[SectionKey.FIELDS]]},
            SectionKey,
        )
        for section in item[SchemaKey.SECTIONS]
    ]
    pins = [of(pin, PinKey) for pin in item.get(SchemaKey.PINS, [])]
    return of(item | {SchemaKey.SECTIONS: sections, SchemaKey.PINS: pins}, SchemaKey)


def _once(item: Any, seen: dict[str, int]) -> Any:
    if isinstance(item, str):
        if item in seen:
            return seen[item]
        seen[item] = len(seen)
        return item
    if isinstance(item, list):
        return [_once(one, seen) for one in item]
    if isinstance(item, dict):
        return {key: _once(one, seen) for key, one in item.items()}
    return item
