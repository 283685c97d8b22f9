# SPDX-License-Identifier: MIT
"""The dialog, keystrokes in, against the compiled stub on its pty: the board that people will have.

The stub really joins a network: by the credentials that stand in the demo's file of networks.
"""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.client.cache import Cache
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Held
from provision.link.connection import Connection
from provision.link.ports import open_stream
from provision.wizard.dialog import meet
from provision.wizard.result import DialogResult, ExitCode, Result
from tests.waiting import next_line
from tests.wizard.bench import (
    CTRL_C,
    PASSPHRASE,
    RETURN,
    SCHEMAS,
    SERVICE_KEY,
    first_time,
    play_on,
    typed,
)
from tests.wizard.test_dialog import EXPECTED

BOARD = Path(__file__).parents[2] / "firmware_stub" / "build" / "board_pty"
SECRETS = frozenset({"network.passphrase", "service.key"})

pytestmark = pytest.mark.skipif(
    not BOARD.exists(), reason="needs the compiled stub, firmware_stub/build/board_pty (make stub)"
)


@contextmanager
def board(folder: Path, *options: str) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Run the compiled board, its flash in the folder; yield its port and its process."""
    port = folder / "port"
    process = subprocess.Popen(
        [
            str(BOARD),
            "--flash",
            str(folder / "flash.bin"),
            "--link",
            str(port),
            "--networks",
            str(SCHEMAS / "orchard.networks"),
            "--log",
            *options,
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert next_line(process)  # it says where it is once it can be spoken to
        yield str(port), process
    finally:
        process.kill()
        process.wait(timeout=20)
        assert process.stdout is not None
        process.stdout.close()


async def set_up(port: str, *keys: str) -> tuple[DialogResult, str]:
    """Go through the dialog with these keystrokes; return how it ended, and the screen."""
    connection = Connection(await open_stream(port, baud=115200))
    return await play_on(connection, Cache(None), keys)


async def look(port: str) -> BoardSnapshot:
    """Return the board as it is met."""
    async with Connection(await open_stream(port, baud=115200)) as connection:
        return await meet(connection, Cache(None), lambda _: None)


def assert_holds_what_was_answered(met: BoardSnapshot) -> None:
    """Compare what the board tells with the answers; of secrets it tells that they are set."""
    told = {key: entry for key, entry in met.held.items() if entry.held is Held.SET}
    assert told.keys() == EXPECTED.keys()
    for key, value in EXPECTED.items():
        assert told[key].value == (None if key in SECRETS else value)


def test_the_first_provisioning_survives_a_cut_of_power(tmp_path: Path) -> None:
    """What was acknowledged is there after kill -9 and a restart, and agrees with the answers."""
    with board(tmp_path) as (port, process):
        ending, screen = asyncio.run(set_up(port, *first_time(), RETURN))
        assert (ending.code, ending.run) == (ExitCode.DONE, "proven"), screen
        process.kill()
        process.wait(timeout=20)
    with board(tmp_path) as (port, _):
        assert_holds_what_was_answered(asyncio.run(look(port)))


def test_a_wrong_passphrase_leads_back_to_it_and_then_the_board_works(tmp_path: Path) -> None:
    """Only the field at fault is asked again, with the reason."""
    with board(tmp_path) as (port, _):
        wrong = first_time(passphrase="blossom-after-frost")
        ending, screen = asyncio.run(set_up(port, *wrong, RETURN, typed(PASSPHRASE), RETURN))
        assert (ending.code, ending.run) == (ExitCode.DONE, "proven"), screen
        assert "The network did not take this passphrase." in screen
        assert_holds_what_was_answered(asyncio.run(look(port)))


@pytest.mark.parametrize("after", [0, 3, 6])
def test_leaving_before_it_is_sent_leaves_the_board_as_it_was(tmp_path: Path, after: int) -> None:
    """Nothing is stored, nothing is staged, and it is said."""
    with board(tmp_path) as (port, _):
        ending, _ = asyncio.run(set_up(port, *first_time()[:after], CTRL_C))
        assert (ending.code, ending.result) == (ExitCode.INTERRUPTED, Result.NOT_STORED)
        met = asyncio.run(look(port))
        assert {entry.held for entry in met.held.values()} == {Held.UNSET}
        assert (met.hello.generation, met.status.staged) == (0, 0)


def test_a_certificate_goes_in_parts(tmp_path: Path) -> None:
    """Its length is what the board tells of it afterwards."""
    (tmp_path / "authority.pem").write_bytes(bytes(range(256)) * 8)
    keys = list(first_time())
    keys[1] = typed("", "", SERVICE_KEY, f"{tmp_path}/authority.pem", "")
    with board(tmp_path) as (port, _):
        ending, screen = asyncio.run(set_up(port, *keys, RETURN))
        assert ending.code is ExitCode.DONE, screen
        assert asyncio.run(look(port)).held["service.certificate"].value == 2048
