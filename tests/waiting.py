# SPDX-License-Identifier: MIT
"""How tests wait: never without a bound, and with a reason where it was in vain.

tests/test_waiting.py looks that every other way to wait has a bound, too.
"""

from __future__ import annotations

import asyncio
import subprocess
import threading
import time
from collections.abc import Callable, Coroutine
from typing import IO, Any, AnyStr, TypeVar

import pytest

PATIENCE = 60.0
"""Seconds that anything may take which takes a moment; a loaded machine has many of them."""

LONG = 300.0
"""Seconds that a compiler, a package manager, or one test's coroutine may take."""

T = TypeVar("T")


def next_line(process: subprocess.Popen[AnyStr], stream: IO[AnyStr] | None = None) -> AnyStr:
    """Return the next line that a program prints, an empty one at the end.

    stream: its standard output, unless named otherwise. One that prints none is killed.
    """
    source = stream or process.stdout
    assert source is not None
    lines: list[AnyStr] = []
    reading = threading.Thread(target=lambda: lines.append(source.readline()), daemon=True)
    reading.start()
    reading.join(PATIENCE)
    if reading.is_alive():
        process.kill()
        pytest.fail(f"{process.args!r} has not printed a line in {PATIENCE} s")
    return lines[0]


def join(thread: threading.Thread) -> None:
    """Wait until a thread has ended."""
    thread.join(PATIENCE)
    assert not thread.is_alive(), f"{thread} has not ended in {PATIENCE} s"


def until(holds: Callable[[], bool], what: str, wait: Callable[[], object]) -> None:
    """Wait until something holds. what: that, in words; wait: between two looks."""
    deadline = time.monotonic() + PATIENCE
    while not holds():
        assert time.monotonic() < deadline, f"after {PATIENCE} s not yet: {what}"
        wait()


async def wait_until(holds: Callable[[], bool], what: str) -> None:
    """Wait in a coroutine until something holds that has no event. what: that, in words."""
    deadline = time.monotonic() + PATIENCE
    while not holds():
        assert time.monotonic() < deadline, f"after {PATIENCE} s not yet: {what}"
        await asyncio.sleep(0.005)


def bounded(run: Callable[..., T]) -> Callable[..., T]:
    """Return an asyncio.run() that fails after LONG, and says where each task was waiting.

    The bound is in real time, whatever the clock of the loop is.
    """

    def bounded_run(work: Coroutine[Any, Any, T], **options: Any) -> T:
        waiting: list[str] = []

        async def watched() -> T:
            loop, task = asyncio.get_running_loop(), asyncio.current_task()
            assert task is not None

            def give_up() -> None:
                waiting.extend(f"{each.get_name()}: {_place(each)}" for each in asyncio.all_tasks())
                task.cancel()

            timer = threading.Timer(LONG, loop.call_soon_threadsafe, [give_up])
            timer.daemon = True
            timer.start()
            try:
                return await work
            finally:
                timer.cancel()

        try:
            return run(watched(), **options)
        finally:
            if waiting:
                pytest.fail("\n".join([f"still waiting after {LONG} s:", *waiting]))

    return bounded_run


def _place(task: asyncio.Task[Any]) -> str:
    """Return what a task awaits, from the outside in."""
    places = []
    at: Any = task.get_coro()
    while (frame := getattr(at, "cr_frame", None)) is not None:
        places.append(f"{frame.f_code.co_qualname} line {frame.f_lineno}")
        at = at.cr_await
    return " > ".join(places)
