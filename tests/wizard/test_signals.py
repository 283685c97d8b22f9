# SPDX-License-Identifier: MIT
"""The program is ended while what it was told lies staged on the board: it is dropped there.

The compiled stub behind a line that loses every commit, so that the program is ended in between.
"""

from __future__ import annotations

import asyncio
import os
import select
import signal
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import decode_message
from provision.contract.table import MessageType
from provision.link.connection import Connection
from provision.link.ports import open_stream
from provision.link.replies import Status
from provision.wizard.result import ExitCode
from tests.wizard.bench import first_time
from tests.wizard.test_compiled_board import BOARD, board
from tests.wizard.test_terminal import Terminal, terminal

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
    pytest.mark.skipif(
        not BOARD.exists(),
        reason="needs the compiled stub, firmware_stub/build/board_pty (make stub)",
    ),
]


class Line:
    """A line to a board on which every commit is lost."""

    def __init__(self, port: str) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.name = os.ttyname(self._slave)
        self.commit_lost = threading.Event()
        self._board = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._board)
        self._over, self._end = os.pipe()
        self._thread = threading.Thread(target=self._carry)
        self._thread.start()

    def _carry(self) -> None:
        pending = b""
        while True:
            ready, _, _ = select.select([self.master, self._board, self._over], [], [])
            if self._over in ready:
                return
            if self._board in ready:
                os.write(self.master, os.read(self._board, 4096))
            if self.master in ready:
                *lines, pending = (pending + os.read(self.master, 4096)).split(b"\n")
                for line in lines:
                    if _is_commit(line):
                        self.commit_lost.set()
                    else:
                        os.write(self._board, line + b"\n")

    def close(self) -> None:
        """Let go of both ends."""
        os.close(self._end)
        self._thread.join(timeout=30)
        for descriptor in (self.master, self._slave, self._board, self._over):
            os.close(descriptor)


def _is_commit(line: bytes) -> bool:
    events = LineReceiver().feed(line + b"\n")
    return any(
        isinstance(event, Frame) and decode_message(event.item).type == MessageType.COMMIT
        for event in events
    )


@contextmanager
def staged(port: str) -> Iterator[Terminal]:
    """Yield the program on its terminal, all settings sent, the commit lost."""
    line = Line(port)
    try:
        with terminal("setup", "--port", line.name) as here:
            here.wait_for("1 of 23")
            here.type(*first_time())
            here.wait_for("Return stores this")
            here.type("\r")
            assert line.commit_lost.wait(timeout=30)  # else it never sends one
            yield here
    finally:
        line.close()


async def look(port: str) -> Status:
    """Ask how many fields are staged, and drop nothing."""
    async with Connection(await open_stream(port, baud=115200)) as connection:
        await connection.hello()
        return await connection.status()


@pytest.mark.parametrize("told", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_program_that_is_ended_leaves_nothing_staged(
    tmp_path: Path, told: signal.Signals
) -> None:
    """By Ctrl-C, by kill, or by closing its terminal: passphrase and key are not left behind."""
    with board(tmp_path) as (port, _):
        with staged(port) as here:
            here.process.send_signal(told)
            assert here.end() == ExitCode.INTERRUPTED
            assert "Nothing was changed on the board." in " ".join(here.text.split())
        assert asyncio.run(look(port)).staged == 0


def test_a_program_that_is_killed_leaves_what_it_staged(tmp_path: Path) -> None:
    """Nobody is left who could drop it: shared/security.md says so."""
    with board(tmp_path) as (port, _):
        with staged(port) as here:
            here.process.kill()
            here.process.wait(timeout=30)
        assert asyncio.run(look(port)).staged > 0
