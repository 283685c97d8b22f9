# SPDX-License-Identifier: MIT
"""How time and bytes grow with the number of settings and the length of a value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from provision.board.engine import Limits
from provision.client.cache import Cache
from provision.contract.table import LINE_OVERHEAD, MIN_BODY_LIMIT
from provision.link.connection import Connection
from provision.link.operations import StagedChange
from provision.schema_file.load import read_declaration
from scripts.bench.demo import WITHOUT_TIME, changes, demo, meet_and_store
from scripts.bench.figures import Figure, Part
from scripts.bench.line import GOAL_RATIO, median_seconds
from scripts.bench.virtual import Conditions, Conversation, Firmware, Host, talk

GOAL_GROWTH = 1.10
"""What a field of the largest schema may take, or a byte of the longest value, against the
smallest."""

_FIELDS_IN_SECTION = 25
_ENTRY = 96  # bytes that a field may take in the flash, and a little
_ERASE_UNIT = 4096
_LEAST_SLOT = 2 * _ERASE_UNIT


def measure(
    *,
    fields: Sequence[int] = (10, 30, 100, 300),
    blobs: Sequence[int] = (256, 1024, 4096),
    repeats: int = 3,
) -> Part:
    """Measure schemas of so many fields, all of which are stored, and values of so many bytes."""
    part = "growth"
    figures = []
    by_fields = {}
    for count in fields:
        values = [(key, f"reading of probe {key[-3:]}") for key in _keys(count)]
        by_fields[count] = _converse(
            Firmware.of(read_declaration(_schema(count), "growth")), values, repeats
        )
    figures += _of_all(part, "fields", by_fields)
    blob = Firmware.of(read_declaration(_blob_schema(max(blobs)), "growth"))
    by_size = {
        size: _converse(blob, [("service.certificate", bytes(range(256)) * (size // 256))], repeats)
        for size in blobs
    }
    figures += _of_all(part, "bytes of a value", by_size)
    figures += _shortest_line(part, repeats)
    return Part(
        "6. Growth: 115,200 baud, latency timer 1 ms, cold",
        figures,
        [
            (
                "Each field is a text with help, for which 20 characters are stored; a slot of the"
                " flash is as large as the largest set needs, and at least 8 KiB."
            ),
            (
                "The fixed cost of a session is shared out: below 1 means that it is spread over"
                " more, above 1 that growth costs more than its share."
            ),
        ],
    )


def _converse(firmware: Firmware, values: Sequence[StagedChange], repeats: int) -> Conversation:
    """Return a conversation without time of code, its seconds the median of some with it."""
    host = _cold(values)
    conversation = talk(firmware, host, WITHOUT_TIME)
    conversation.seconds = median_seconds(firmware, host, Conditions(latency_ms=1), repeats=repeats)
    return conversation


def _cold(values: Sequence[StagedChange]) -> Host:
    async def host(connection: Connection) -> None:
        await meet_and_store(connection, Cache(None), values)

    return host


def _of_all(part: str, unit: str, of: dict[int, Conversation]) -> list[Figure]:
    figures = [
        Figure(
            part,
            f"{count} {unit}: time for each",
            1000 * conversation.seconds / count,
            "ms",
            counts={
                "ms": round(1000 * conversation.seconds),
                "bytes on the wire": conversation.wire_bytes,
                "flights": conversation.flights,
            },
        )
        for count, conversation in of.items()
    ]
    least, most = of[min(of)], of[max(of)]
    scale = max(of) / min(of)
    time_ratio = most.seconds / least.seconds / scale
    byte_ratio = most.wire_bytes / least.wire_bytes / scale
    between = f"{unit}, {max(of)} ÷ {min(of)}"
    return [
        *figures,
        Figure(part, f"{between}: time for each", time_ratio, at_most=GOAL_GROWTH),
        Figure(part, f"{between}: wire bytes for each", byte_ratio, at_most=GOAL_GROWTH),
    ]


def _shortest_line(part: str, repeats: int) -> list[Figure]:
    """Measure the demo on a board with the shortest line, and a credit of one such line."""
    limits = Limits(line=MIN_BODY_LIMIT, credit=MIN_BODY_LIMIT + LINE_OVERHEAD)
    firmware = replace(demo(), limits=limits)
    host = _cold(changes())
    limit = talk(firmware, host, WITHOUT_TIME)
    figures = []
    for latency_ms, goal in ((1, GOAL_RATIO), (16, None)):
        seconds = median_seconds(firmware, host, Conditions(latency_ms=latency_ms), repeats=repeats)
        name = f"demo, lines of {MIN_BODY_LIMIT} characters, credit of one, latency timer"
        figures.append(
            Figure(
                part,
                f"{name} {latency_ms} ms: time ÷ limit",
                seconds / limit.seconds,
                at_most=goal,
                counts={"ms": round(1000 * seconds), "flights": limit.flights},
            )
        )
    return figures


def _keys(count: int) -> list[str]:
    return [f"mast-{at // _FIELDS_IN_SECTION}.probe-{at:03}" for at in range(count)]


def _schema(count: int) -> str:
    """Return a schema file with so many texts."""
    out = [_head(count * _ENTRY)]
    for at, key in enumerate(_keys(count)):
        section, _, name = key.partition(".")
        if at % _FIELDS_IN_SECTION == 0:
            label = f"Mast {at // _FIELDS_IN_SECTION}"
            out.append(f'[[section]]\nkey = "{section}"\nlabel = "{label}"')
        out.append(
            f'[[section.field]]\nkey = "{name}"\nkind = "text"\nlabel = "Place of probe {at}"\n'
            f'help = "Where probe {at} hangs, in words that whoever mends it understands."\n'
            "maximum = 40"
        )
    return "\n\n".join(out)


def _blob_schema(size: int) -> str:
    """Return a schema file with one blob of so many bytes at the most."""
    return (
        _head(size) + '\n[[section]]\nkey = "service"\nlabel = "Weather service"\n'
        '[[section.field]]\nkey = "certificate"\nkind = "blob"\nlabel = "Certificate"\n'
        f"maximum = {size}\n"
    )


def _head(payload: int) -> str:
    units = -(-(payload + 1024) // _ERASE_UNIT)
    slot = max(_LEAST_SLOT, units * _ERASE_UNIT)
    return (
        'format = 1\ntitle = "Orchard masts"\n\n[firmware]\nname = "orchard-masts"\n'
        'version = "1.0.0"\n\n[board]\nname = "orchard mast board"\nflash-size = "2 MiB"\n'
        'erase-unit = "4 KiB"\nprogram-unit = 256\nsettings-at = "1024 KiB"\n'
        f'settings-size = "{4 * slot // 1024} KiB"\nslots = 4\nbaud = 115200\n'
    )
