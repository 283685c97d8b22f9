# SPDX-License-Identifier: MIT
"""The same on real ports and a real clock: a flood as fast as the system carries it."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from provision.wizard.result import ExitCode
from tests.hostile.harness import HINTS, MIB
from tests.waiting import PATIENCE, until

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


def peak_resident(pid: int) -> int:
    """Return the most bytes that a process has held so far, 0 if it has ended (proc_pid_status(5)).

    What wait4() tells would be no less than what this process held when it started the other.
    """
    with suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    return 0


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no /proc to read memory from")
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
        resident = 0

        def has_ended() -> bool:
            nonlocal resident
            resident = max(resident, peak_resident(process.pid))
            return process.poll() is not None

        try:
            until(has_ended, "the command has given the port up", lambda: time.sleep(0.02))
        finally:
            process.kill()
            out, err = (stream.decode() for stream in process.communicate(timeout=PATIENCE))
    assert process.returncode == ExitCode.NO_BOARD, err
    assert out == ""
    last = [line for line in err.splitlines() if line not in HINTS]
    assert len(last) == 1
    assert last[0].startswith("Something speaks on this port")
    assert sent[0] > 4 * MIB
    assert 0 < resident <= MOST_RESIDENT
