# SPDX-License-Identifier: MIT
"""Many boards at once from one process, in real time; the boards are a process of their own."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import os
import socket
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack, ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from provision.link.connection import Connection
from provision.link.operations import StagedChange
from provision.link.streams import DescriptorStream
from scripts.bench.demo import WITHOUT_TIME, changes, demo, store
from scripts.bench.figures import Figure, Part
from scripts.bench.virtual import Conditions, Conversation, talk, talk_at_once

ROOT = Path(__file__).resolve().parents[2]
BAUD = 115200
GOALS = {64: 1.05, 256: 1.20}
"""By how many boards: their time, against one board's."""

_TRACED = 8  # boards; tracing memory is too slow for many


def measure(*, counts: Sequence[int] = (1, 8, 64, 256), repeats: int = 5) -> Part:
    """Provision so many boards at once, cold."""
    part = "boards"
    values = changes()
    recorded = talk(demo(), lambda board: _provision(board, values), WITHOUT_TIME)
    exchanges = len(recorded.exchanged)
    figures = []
    others = _Others()
    with _replaying(recorded, max(counts)) as replay:
        runs = {
            count: [asyncio.run(_at_once(replay.ends[:count], values)) for _ in range(repeats)]
            for count in counts
        }
        held = asyncio.run(_memory(replay.ends[:_TRACED], values))
    # The quickest run of each is the one that other programs disturbed least.
    best = {count: min(of_count, key=lambda run: run.seconds) for count, of_count in runs.items()}
    alone = best[counts[0]].seconds
    for count, run in best.items():
        if count > 1:
            figures.append(
                Figure(
                    part,
                    f"{count} boards: time ÷ one board's",
                    run.seconds / alone,
                    at_most=GOALS.get(count),
                    counts={
                        "ms": round(run.seconds * 1000),
                        "ms of processor": round(run.cpu * 1000),
                    },
                )
            )
    alone_virtual = _virtual(1, values, repeats)
    figures += [
        Figure(
            part,
            f"{count} boards, in virtual time: time ÷ one board's",
            seconds / alone_virtual,
            at_most=GOALS.get(count),
            counts={"ms": round(seconds * 1000)},
        )
        for count in counts
        if count > 1
        for seconds in [_virtual(count, values, repeats)]
    ]
    most = max(counts)
    cpu = best[most].cpu / most / exchanges
    name = f"{most} boards: host's processor time for an exchange"
    figures += [
        Figure(part, "one board: time ÷ limit", alone / recorded.seconds),
        Figure(part, name, cpu * 1e6, "µs", counts={"exchanges with a board": exchanges}),
        Figure(part, "host's memory for a board", held, "bytes"),
    ]
    return Part(
        f"4. Boards at once: real time, one process, {BAUD} baud each, over sockets",
        figures,
        [
            (
                "Hello, schema, values and status read, all stored; the boards replay a"
                " conversation of part 1 in packets of 62 bytes, at the pace of line and flash."
            ),
            (
                f"Of {replay.sent:,} packets the boards' process sent {replay.late:,} more than"
                f" 10 ms late; meanwhile other programs took {others.share():.0%} of the machine's"
                " processors."
            ),
            (
                "In virtual time nothing but the host's own processor time delays it. That comes in"
                " bursts: all start at once, so that a flight's lines are made for one board after"
                " the other, and the last one waits. No one thing takes it; most is encoding and"
                " checking. Real time adds the ports, the boards' process and other programs."
            ),
            f"Each the quickest of {repeats} runs.",
        ],
    )


class _Others:
    """What other programs take of the machine while this one measures, where the system tells."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._busy, self._ours = _busy(), _ours()

    def share(self) -> float:
        """Return their share of all processors since then; 0 where it is not known."""
        seconds = (time.monotonic() - self._began) * (os.cpu_count() or 1)
        return max(0.0, (_busy() - self._busy - (_ours() - self._ours)) / seconds)


def _busy() -> float:
    """Return the seconds that all processors were busy since the system began."""
    with contextlib.suppress(OSError, ValueError):
        # proc(5): user, nice, system, idle, iowait, irq, softirq, in ticks.
        ticks = [int(word) for word in Path("/proc/stat").read_text().split("\n")[0].split()[1:8]]
        return (sum(ticks) - ticks[3] - ticks[4]) / os.sysconf("SC_CLK_TCK")
    return 0.0


def _ours() -> float:
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


@dataclass(slots=True)
class _Run:
    seconds: float
    cpu: float


@dataclass(slots=True)
class _Replay:
    ends: Sequence[socket.socket]
    sent: int = 0
    late: int = 0


async def _provision(board: Connection, values: Sequence[StagedChange]) -> None:
    await board.read(await board.hello())
    await store(board, values)


def _virtual(count: int, values: Sequence[StagedChange], repeats: int) -> float:
    """Return the seconds until the last of so many boards is done, on a machine of our own."""
    return min(
        max(
            conversation.seconds
            for conversation in talk_at_once(
                demo(), lambda board: _provision(board, values), Conditions(), count
            )
        )
        for _ in range(min(repeats, 3))
    )


async def _at_once(ends: Sequence[socket.socket], values: Sequence[StagedChange]) -> _Run:
    async with AsyncExitStack() as stack:
        boards = [await stack.enter_async_context(_connect(end)) for end in ends]
        gc.collect()  # what other parts left is not these boards' to clear away
        began, cpu = time.monotonic(), time.process_time()
        await asyncio.gather(*(_provision(board, values) for board in boards))
        return _Run(time.monotonic() - began, time.process_time() - cpu)


async def _memory(ends: Sequence[socket.socket], values: Sequence[StagedChange]) -> float:
    """Return the bytes that a board takes which was provisioned and is still connected."""
    async with AsyncExitStack() as stack:
        gc.collect()
        tracemalloc.start()
        stack.callback(tracemalloc.stop)
        boards = [await stack.enter_async_context(_connect(end)) for end in ends]
        await asyncio.gather(*(_provision(board, values) for board in boards))
        gc.collect()
        held, _ = tracemalloc.get_traced_memory()
        return held / len(ends)


class _Port:
    """A socket, as far as a stream needs a port of the serial library."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end.dup()
        self.name = "the board"

    @property
    def is_open(self) -> bool:
        return self._end.fileno() >= 0

    def fileno(self) -> int:
        return self._end.fileno()

    def reset_output_buffer(self) -> None:
        """Drop nothing: a socket that is closed waits for nobody."""

    def close(self) -> None:
        self._end.close()


def _connect(end: socket.socket) -> Connection:
    return Connection(DescriptorStream(cast("Any", _Port(end))), baud=BAUD)


@contextmanager
def _replaying(recorded: Conversation, count: int) -> Iterator[_Replay]:
    """Start the boards; when they have ended, how many packets they sent is known."""
    with ExitStack() as stack:
        pairs = [socket.socketpair() for _ in range(count)]
        for pair in pairs:
            for end in pair:
                stack.enter_context(end)
                end.setblocking(False)
        process = stack.enter_context(
            subprocess.Popen(
                [sys.executable, "-m", "scripts.bench.replay"],
                cwd=ROOT,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                pass_fds=[board.fileno() for _, board in pairs],
            )
        )
        assert process.stdin is not None
        assert process.stdout is not None
        told = {
            "boards": [board.fileno() for _, board in pairs],
            "baud": BAUD,
            "exchanged": [
                (one.request.decode(), one.reply.decode(), one.flash) for one in recorded.exchanged
            ],
        }
        process.stdin.write(json.dumps(told) + "\n")
        process.stdin.flush()
        replay = _Replay([host for host, _ in pairs])
        yield replay  # at an error below, the end of its input ends the process as well
        process.stdin.close()
        ended = json.loads(process.stdout.readline())
    if ended["unknown"]:
        raise RuntimeError(f"The boards did not know {ended['unknown']} requests.")
    replay.sent, replay.late = ended["sent"], ended["late"]
