# SPDX-License-Identifier: MIT
"""Many boards at once from one process, in real time; the boards are a process of their own."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import os
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator, Sequence
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from provision.link.connection import Connection
from provision.link.ports import open_stream
from provision.link.procedures import Change
from scripts.bench.demo import WITHOUT_TIME, changes, demo, store
from scripts.bench.figures import Figure, Part
from scripts.bench.virtual import Conversation, talk

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
            count: [asyncio.run(_at_once(replay.ports[:count], values)) for _ in range(repeats)]
            for count in counts
        }
        held = asyncio.run(_memory(replay.ports[:_TRACED], values))
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
    most = max(counts)
    cpu = best[most].cpu / most / exchanges
    name = f"{most} boards: host's processor time for an exchange"
    figures += [
        Figure(part, "one board: time ÷ limit", alone / recorded.seconds),
        Figure(part, name, cpu * 1e6, "µs", counts={"exchanges with a board": exchanges}),
        Figure(part, "host's memory for a board", held, "bytes"),
    ]
    return Part(
        f"4. Boards at once: real time, one process, {BAUD} baud each, over pseudo-terminals",
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
                "What limits many boards is the host's processor time, in bursts: all start at"
                " once, so that a flight's lines are made for one board after the other, and the"
                " last one waits. No one thing takes that time; most is encoding and checking."
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
    ports: Sequence[str]
    sent: int = 0
    late: int = 0


async def _provision(board: Connection, values: Sequence[Change]) -> None:
    await board.read(await board.hello())
    await store(board, values)


async def _at_once(ports: Sequence[str], values: Sequence[Change]) -> _Run:
    async with AsyncExitStack() as stack:
        boards = [await stack.enter_async_context(await _connect(port)) for port in ports]
        gc.collect()  # what other parts left is not these boards' to clear away
        began, cpu = time.monotonic(), time.process_time()
        await asyncio.gather(*(_provision(board, values) for board in boards))
        return _Run(time.monotonic() - began, time.process_time() - cpu)


async def _memory(ports: Sequence[str], values: Sequence[Change]) -> float:
    """Return the bytes that a board takes which was provisioned and is still connected."""
    async with AsyncExitStack() as stack:
        gc.collect()
        tracemalloc.start()
        stack.callback(tracemalloc.stop)
        boards = [await stack.enter_async_context(await _connect(port)) for port in ports]
        await asyncio.gather(*(_provision(board, values) for board in boards))
        gc.collect()
        held, _ = tracemalloc.get_traced_memory()
        return held / len(ports)


async def _connect(port: str) -> Connection:
    return Connection(await open_stream(port, baud=BAUD, kind="unknown"), baud=BAUD)


@contextmanager
def _replaying(recorded: Conversation, boards: int) -> Iterator[_Replay]:
    """Start the boards; when they have ended, how many packets they sent is known."""
    told = {
        "boards": boards,
        "baud": BAUD,
        "exchanged": [
            (one.request.decode(), one.reply.decode(), one.flash) for one in recorded.exchanged
        ],
    }
    with subprocess.Popen(
        [sys.executable, "-m", "scripts.bench.replay"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            process.stdin.write(json.dumps(told) + "\n")
            process.stdin.flush()
            replay = _Replay(json.loads(process.stdout.readline()))
            yield replay
            process.stdin.close()
            ended = json.loads(process.stdout.readline())
        finally:
            if process.poll() is None and not process.stdin.closed:
                process.kill()
    if ended["unknown"]:
        raise RuntimeError(f"The boards did not know {ended['unknown']} requests.")
    replay.sent, replay.late = ended["sent"], ended["late"]
