# SPDX-License-Identifier: MIT
"""Every wait in the tests has a bound, so that a run ends, and says what it waited for."""

from __future__ import annotations

import ast
import asyncio
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import waiting
from tests.waiting import bounded, join, next_line, until

HERE = Path(__file__).parent
EXAMPLES = HERE.parent / "firmware_stub" / "example"

RUNS = {"run", "call", "check_call", "check_output"}  # of subprocess
WAITS = {"wait", "join", "result", "communicate"}  # of processes, threads, futures


def unbounded(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield line and name of each call that may wait for ever.

    What is awaited is bounded by waiting.bounded(), and not looked at.
    """
    awaited = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Await)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
            continue
        if id(node) in awaited:
            continue
        of, name = ast.unparse(node.func.value), node.func.attr
        timed = any(word.arg in ("timeout", None) for word in node.keywords)
        if (
            (of == "subprocess" and name in RUNS and not timed)
            or (name in WAITS and not node.args and not timed)
            or (name == "readline" and ("process" in of or "stdout" in of or "stderr" in of))
            or (of == "select" and name == "select" and len(node.args) < 4)
        ):
            yield node.lineno, f"{of}.{name}"


# Where a bound would be wrong, by file and call, and why.
ADMITTED = {
    # A run of the session that has finished: nothing is waited for.
    ("link/test_session.py", "run.result"),
    ("link/test_session.py", "storing.result"),
    ("link/virtual.py", "run.result"),
    ("sessions/simulated_link.py", "run.result"),
    # A thread that serves until it is told to end, which join() waits for.
    ("page/browser/serial_lab.py", "select.select"),
    ("wizard/test_signals.py", "select.select"),
}


def test_every_wait_has_a_bound() -> None:
    """By the words of the tests and of the examples' own; what is admitted is there."""
    found = set()
    for path in [*HERE.rglob("*.py"), *EXAMPLES.glob("*/tests/**/*.py")]:
        for line, call in unbounded(ast.parse(path.read_text(encoding="utf-8"))):
            place = path.relative_to(HERE if path.is_relative_to(HERE) else EXAMPLES).as_posix()
            if (place, call) in ADMITTED:
                found.add((place, call))
            else:
                pytest.fail(f"{place}:{line}: {call} has no bound: see tests/waiting.py")
    assert found == ADMITTED


@pytest.mark.parametrize(
    "waits",
    [
        "subprocess.run(command)",
        "process.wait()",
        "thread.join()",
        "process.communicate()",
        "future.result()",
        "process.stdout.readline()",
        "select.select([port], [], [])",
    ],
)
def test_the_search_finds(waits: str) -> None:
    """Each way to wait for ever."""
    assert list(unbounded(ast.parse(waits)))


def test_each_helper_says_what_it_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """In the failure, once its bound is over."""
    monkeypatch.setattr(waiting, "PATIENCE", 0.05)
    monkeypatch.setattr(waiting, "LONG", 0.05)
    with pytest.raises(AssertionError, match="not yet: the frost has come"):
        until(lambda: False, "the frost has come", lambda: None)
    command = [sys.executable, "-c", "import time; time.sleep(60)"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        with pytest.raises(pytest.fail.Exception, match="has not printed a line"):
            next_line(process)
        process.wait(timeout=20)
    ending = threading.Event()
    thread = threading.Thread(target=ending.wait, args=(20,))
    thread.start()
    with pytest.raises(AssertionError, match="has not ended"):
        join(thread)
    ending.set()

    async def frost() -> None:
        await asyncio.Event().wait()

    with pytest.raises(pytest.fail.Exception, match=r"frost line [0-9]+ > Event\.wait"):
        bounded(asyncio.run)(frost())
