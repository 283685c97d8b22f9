# SPDX-License-Identifier: MIT
"""`provision stand-in` as a process: it announces its port, serves, and ends when told to."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.board.server import FrontError
from provision.board.stand_in import StandInOptions, run_stand_in
from provision.contract.profile import Item
from provision.contract.table import MessageType, Run
from provision.schema.constraints import staged_digest
from provision.schema.declaration import BoardDeclaration, Declaration
from tests.board.host import NET, ORCHARD, TOKENS, Answer, answers, request_line
from tests.waiting import next_line, until

ROOT = Path(__file__).parents[2]
MAST = Declaration(
    ORCHARD, "frost-alarm", "1.2", BoardDeclaration("mast", 65536, 512, 16, 61440, 4096, slots=4)
)
# A program of its own, so that signals and a hard end are real. It takes the options as Python.
PROGRAM = """
from pathlib import Path
from provision.board.stand_in import StandInOptions, run_stand_in
from tests.board.test_stand_in import MAST
run_stand_in(MAST, StandInOptions({options}), lambda text: print(text, flush=True))
"""


@contextmanager
def stand_in(options: str = "") -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Run a stand-in; yields its process and its port. Ends it if it still runs."""
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM.format(options=options)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            announced = next_line(process)
            assert announced.startswith("The board is on "), announced
            yield process, announced.removeprefix("The board is on ").rstrip(".\n")
        finally:
            if process.poll() is None:
                process.kill()


class Port:
    """An open port; `ask` waits for one answer."""

    def __init__(self, path: str) -> None:
        self._descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)

    def ask(self, request: MessageType, **body: Item) -> Answer:
        """Send a request; return the answer to it."""
        os.write(self._descriptor, request_line(request, **body))
        received = b""
        while received.count(b"\n") < 2:
            ready, _, _ = select.select([self._descriptor], [], [], 20)
            assert ready, "the board does not answer"
            received += os.read(self._descriptor, 4096)
        (answer,) = answers(received)
        return answer

    def close(self) -> None:
        """Hang up."""
        os.close(self._descriptor)


def end(process: subprocess.Popen[str], told: signal.Signals) -> None:
    """Tell a stand-in to end; it does, without complaint."""
    process.send_signal(told)
    assert process.wait(20) == 0


@pytest.mark.parametrize("told", [signal.SIGTERM, signal.SIGINT])
def test_it_serves_until_it_is_told_to_end(tmp_path: Path, told: signal.Signals) -> None:
    """By the link that was asked for, which is gone afterwards."""
    link = tmp_path / "board"
    with stand_in(f"link=Path({str(link)!r})") as (process, path):
        assert path == str(link)
        port = Port(path)
        assert port.ask(MessageType.HELLO).body["firmware"] == "frost-alarm"
        port.close()
        end(process, told)
    assert not link.is_symlink()


def test_what_was_acknowledged_survives_a_hard_end(tmp_path: Path) -> None:
    """The flash file has it; the unit id stays, the boot number changes."""
    networks = tmp_path / "networks"
    networks.write_text("orchard\tblossom-in-may\t-50\n", encoding="utf-8")
    options = f"flash=Path({str(tmp_path / 'flash')!r}), networks=Path({str(networks)!r})"
    with stand_in(options) as (process, path):
        port = Port(path)
        before = port.ask(MessageType.HELLO).body
        for key, value in NET.items():
            assert port.ask(MessageType.SET_FIELD, field=key, value=value).code is None
        digest = staged_digest(ORCHARD, NET)
        commit = port.ask(MessageType.COMMIT, count=2, digest=digest, token=TOKENS[1])
        assert commit.body == {"generation": 1}
        process.kill()
        port.close()
    with stand_in(options) as (process, path):
        port = Port(path)
        after = port.ask(MessageType.HELLO).body
        assert (after["token"], after["unit"]) == (TOKENS[1], before["unit"])
        assert after["boot"] != before["boot"]
        until(
            lambda: port.ask(MessageType.STATUS).body["run"] != Run.APPLYING,
            "the firmware has tried the settings",
            lambda: time.sleep(0.01),
        )
        assert port.ask(MessageType.STATUS).body["run"] == Run.PROVEN
        port.close()
        end(process, signal.SIGTERM)


def test_it_serves_on_tcp() -> None:
    """On a free port of this machine, announced as a URL that hosts open."""
    with stand_in("tcp=0, log=True") as (process, url):
        host, _, number = url.removeprefix("socket://").partition(":")
        with socket.create_connection((host, int(number)), timeout=20) as connection:
            connection.sendall(request_line(MessageType.HELLO))
            received = bytearray()
            until(
                lambda: b"~" in received,
                "the board has answered",
                lambda: received.extend(connection.recv(4096)),
            )
        end(process, signal.SIGTERM)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (None, "cannot be read"),
        (b"\xff\xfe", "no text in UTF-8"),
        (b"service key\norchard\n", "Line 2 is neither a network"),
    ],
)
def test_a_file_of_networks_that_does_not_serve(
    tmp_path: Path, content: bytes | None, sentence: str
) -> None:
    """One sentence that names the file."""
    path = tmp_path / "networks"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(FrontError, match=sentence) as raised:
        run_stand_in(MAST, StandInOptions(networks=path), print)
    assert str(path) in str(raised.value)
