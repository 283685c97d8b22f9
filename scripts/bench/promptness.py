# SPDX-License-Identifier: MIT
"""How soon a person notices: a board that was unplugged, a port that is let go, the help."""

from __future__ import annotations

import asyncio
import contextlib
import io
import os
import statistics
import subprocess
import sys
import time
import tty
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from provision.link.connection import Connection
from provision.link.errors import LineLost
from provision.link.ports import open_stream
from scripts.bench.figures import Figure, Part

ROOT = Path(__file__).resolve().parents[2]
GOAL_HANG_UP_MS = 50.0
GOAL_CLOSE_S = 1.0
GOAL_HELP_MS = 150.0
HEAVY = ("prompt_toolkit", "cbor2", "serial", "asyncio")
"""Modules that help has no need of."""

_UNSENT = 60_000  # bytes: more than any port's buffer holds


def measure(*, repeats: int = 7) -> Part:
    """Measure each so many times."""
    part = "promptness"
    hang_up = statistics.median(_timed(_hang_up) for _ in range(repeats))
    stalled = statistics.median(_timed(_close_stalled) for _ in range(repeats))
    helped = statistics.median(_help() for _ in range(repeats))
    return Part(
        "5. Promptness",
        [
            Figure(part, "the board's end closes: until it is noticed", hang_up * 1000, "ms",
                   GOAL_HANG_UP_MS),
            Figure(part, "close() of a port that takes no bytes", stalled, "s", GOAL_CLOSE_S),
            Figure(part, "provision --help", helped * 1000, "ms", GOAL_HELP_MS),
            Figure(part, f"provision --help: of {', '.join(HEAVY)} imported", len(_imported()),
                   "modules", 0),
        ],
        [f"Real time, medians of {repeats}; the port is a pseudo-terminal."],
    )  # fmt: skip


@contextmanager
def _terminal() -> Iterator[tuple[io.FileIO, str]]:
    """Yield the board's end of a pseudo-terminal, and the name of the port."""
    end, port = os.openpty()
    tty.setraw(port)
    with io.FileIO(end) as board, io.FileIO(port):
        yield board, os.ttyname(port)


async def _hang_up(end: io.FileIO, connection: Connection) -> float:
    waiting = asyncio.ensure_future(connection.hello(None))
    await asyncio.sleep(0.05)  # until it waits
    began = time.monotonic()
    end.close()
    with contextlib.suppress(LineLost):
        await waiting
    took = time.monotonic() - began
    await connection.close()
    return took


async def _close_stalled(_: io.FileIO, connection: Connection) -> float:
    began = time.monotonic()
    await connection.close()
    return time.monotonic() - began


def _timed(action: Callable[[io.FileIO, Connection], Awaitable[float]]) -> float:
    async def run() -> float:
        with _terminal() as (end, name):
            stream = await open_stream(name, baud=115200, kind="unknown")
            if action is _close_stalled:
                stream.write(bytes(_UNSENT))
            return await action(end, Connection(stream))

    return asyncio.run(run())


def _help() -> float:
    began = time.monotonic()
    subprocess.run(
        [sys.executable, "-m", "provision", "--help"], cwd=ROOT, check=True, capture_output=True
    )
    return time.monotonic() - began


def _imported() -> list[str]:
    """Return which heavy modules the help imports."""
    program = (
        "import sys\n"
        "from provision.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        f"print('imported:', *sorted(set({HEAVY}) & sys.modules.keys()))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, check=True, capture_output=True, text=True
    )
    return done.stdout.splitlines()[-1].split()[1:]
