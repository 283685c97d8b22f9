# SPDX-License-Identifier: MIT
"""The time that provisioning takes on a line, against the least that the line allows."""

from __future__ import annotations

import statistics
import zlib
from collections.abc import Sequence
from dataclasses import replace

from provision.contract.line import Frame, LineReceiver
from provision.contract.table import MessageType
from provision.link.connection import Connection
from scripts.bench.demo import (
    WITHOUT_TIME,
    changes,
    cold,
    demo,
    known,
    met_again,
    set_up,
    store,
)
from scripts.bench.figures import Figure, Part
from scripts.bench.virtual import Conditions, Conversation, Firmware, Host, message_of, talk

GOAL_RATIO = 1.05  # at 115,200 baud, with a latency timer of 1 ms at the most
GOAL_KNOWN = 0.50
GOAL_FLIGHTS = 3
_BAUD = 115200
_SLOW_BRIDGE_MS = 16


def measure(
    *,
    bauds: Sequence[int] = (115200, 921600),
    latencies_ms: Sequence[int] = (0, 1, 16),
    repeats: int = 5,
) -> Part:
    """Measure the demo's board, cold and with its schema known, on each line."""
    part = "line"
    figures = []
    times: dict[tuple[int, int, str], float] = {}
    hosts: dict[str, Host] = {"cold": cold(), "known schema": known()}
    for baud in bauds:
        for name, host in hosts.items():
            limit = talk(demo(), host, replace(WITHOUT_TIME, baud=baud))
            for latency_ms in latencies_ms:
                seconds = median_seconds(
                    demo(), host, Conditions(baud, latency_ms), repeats=repeats
                )
                times[baud, latency_ms, name] = seconds
                goal = None
                if baud == _BAUD:
                    flights = min(limit.flights, GOAL_FLIGHTS)
                    slow = 1 + latency_ms / 1000 * flights / limit.seconds
                    goal = slow if latency_ms == _SLOW_BRIDGE_MS else GOAL_RATIO
                figures.append(
                    Figure(
                        part,
                        f"{name}, {baud} baud, latency timer {latency_ms} ms: time ÷ limit",
                        seconds / limit.seconds,
                        at_most=goal,
                        counts={"ms": round(seconds * 1000), "ms limit": _ms(limit)},
                    )
                )
            if baud == _BAUD:
                figures.append(
                    Figure(
                        part,
                        f"{name}: flights to meet and store",
                        limit.flights,
                        "flights",
                        GOAL_FLIGHTS,
                        {"lines out": len(limit.exchanged), "bytes": limit.wire_bytes},
                    )
                )
    for latency_ms in latencies_ms:
        ratio = times[_BAUD, latency_ms, "known schema"] / times[_BAUD, latency_ms, "cold"]
        name = f"known schema ÷ cold, {_BAUD} baud, latency timer {latency_ms} ms"
        figures.append(Figure(part, name, ratio, at_most=GOAL_KNOWN))
    again = talk(demo(), met_again(), WITHOUT_TIME).flights
    again -= talk(demo(), cold(), WITHOUT_TIME).flights
    name = "known schema, a board that is set: flights to read what it holds"
    figures.append(Figure(part, name, again, "flights", GOAL_FLIGHTS - 1))
    figures.append(_against_binary(part))
    stored_in = [
        one.flight
        for one in set_up(WITHOUT_TIME).exchanged
        if message_of(one.request).type == MessageType.COMMIT
    ]
    name = "provision setup --answers: flights until it is stored"
    figures.append(Figure(part, name, stored_in[-1], "flights", GOAL_FLIGHTS))
    return Part(
        "1. The line: time to provision a board",
        figures,
        [
            (
                "The limit is the same lines and flights with no time spent in host or board and"
                " no latency timer; the flash takes as long in both: 45 ms to erase 4 KiB, 0.4 ms"
                " to program 256 bytes."
            ),
            f"Medians of {repeats} runs; what host's and board's code costs is processor time.",
            (
                "Known ÷ cold: the demo's schema, deflated, is small beside the values stored and"
                " the erasing of a slot, which both have, so that leaving it out saves less."
            ),
        ],
    )


def median_seconds(
    firmware: Firmware, host: Host, conditions: Conditions, *, repeats: int
) -> float:
    """Return the median time of so many conversations, each with a fresh board."""
    return statistics.median(talk(firmware, host, conditions).seconds for _ in range(repeats))


def binary_size(line: bytes) -> int:
    """Return the bytes of the same message as a binary frame.

    Its item, 4 bytes of CRC, a byte at each end, and one of byte stuffing for every 254 begun.
    """
    (frame,) = LineReceiver().feed(line)
    assert isinstance(frame, Frame)
    size = len(frame.item) + 4
    return size + 2 + -(-size // 254)


def _against_binary(part: str) -> Figure:
    """Compare our limit with that of binary frames, and a schema that is not compressed."""
    stored = changes()

    async def host(connection: Connection) -> None:
        await connection.read(await connection.hello(), values=False)
        await store(connection, stored)

    ours = talk(demo(), host, WITHOUT_TIME)
    packed = demo().packed
    inflated = zlib.decompress(packed.deflated, -zlib.MAX_WBITS)
    plain = replace(demo(), packed=replace(packed, deflated=inflated))
    theirs = talk(plain, host, replace(WITHOUT_TIME, frame_size=binary_size))
    return Figure(
        part,
        "cold, limit ÷ limit in binary frames without compression",
        ours.seconds / theirs.seconds,
        at_most=1.0,
        counts={"ms": _ms(ours), "ms in binary": _ms(theirs)},
    )


def _ms(conversation: Conversation) -> int:
    return round(conversation.seconds * 1000)
