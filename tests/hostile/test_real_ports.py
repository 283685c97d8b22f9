# SPDX-License-Identifier: MIT
"""The same on real ports and a real clock: a flood as fast as the system carries it."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from provision.wizard.ending import ExitCode
from tests.hostile.harness import HINTS, MIB

ROOT = Path(__file__).parents[2]
MOST_RESIDENT = 128 * MIB  # the interpreter and what it imports are some 40 of them


@contextmanager
def flooding(chunk: bytes) -> Iterator[tuple[str, list[int]]]:
    """Send the same to whoever connects until they hang up; yield the URL, and how much went."""
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(60)
    sent = [0]

    def flood() -> None:
        with suppress(OSError):
            connection, _ = listener.accept()
            with connection:
                while True:
                    connection.sendall(chunk)
                    sent[0] += len(chunk)

    thread = threading.Thread(target=flood)
    thread.start()
    try:
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}", sent
    finally:
        listener.close()
        thread.join(timeout=60)


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@pytest.mark.parametrize(
    "chunk", [b"x" * 65536, b"frost watch: 1.5 C\n" * 3000], ids=["no line ends", "lines"]
)
def test_a_flood_ends_with_one_sentence_in_bounded_memory(driver: str, chunk: bytes) -> None:
    """Code 4 after the ten seconds that a board has, however much came in the meantime."""
    with flooding(chunk) as (url, sent):
        process = subprocess.Popen(
            [sys.executable, "-m", "provision", "show", "--port", url, "--driver", driver],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert process.stdout is not None
        assert process.stderr is not None
        out, err = process.stdout.read(), process.stderr.read().decode()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        process.stdout.close()
        process.stderr.close()
    assert process.returncode == ExitCode.NO_BOARD, err
    assert out == b""
    last = [line for line in err.splitlines() if line not in HINTS]
    assert len(last) == 1
    assert last[0].startswith("Something speaks on this port")
    assert sent[0] > 4 * MIB
    assert usage.ru_maxrss * 1024 <= MOST_RESIDENT, usage.ru_maxrss
