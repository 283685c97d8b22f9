# SPDX-License-Identifier: MIT
"""Whatever a board does, the page's session ends in time, in bounded memory, and with words.

The boards are those of tests/hostile, where each case states what the documents promise of it. What
is decided above the session (whether values fit their schema, what is asked of a person) is not
seen here, and ends without an error; how a schema's fault is put is the affair of who reads it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from typing import Any, cast

import pytest

from provision.contract.profile import Item
from provision.contract.table import Run
from provision.link.errors import LineLost
from provision.link.streams import Stream
from provision.wizard.result import ExitCode
from tests.hostile import line_cases  # noqa: F401 - registers its cases
from tests.hostile.cases import CASES, NOT_ADMITTED, NOT_FITTING, SETUP, Case
from tests.hostile.harness import MIB, STORED, HostileBoard, honest_board
from tests.page.link.player import Player

pytestmark = pytest.mark.needs("node")

CHANGES: list[tuple[str, Item]] = [
    ("network.name", b"Orchard"),
    ("network.passphrase", "gate-by-the-creek"),
    ("door.note", "squeaks"),
]
ERRORS = {
    ExitCode.NO_BOARD: {
        "BoardFault",
        "NoReply",
        "SpeaksElse",
        "WrongVersion",
    },
    ExitCode.PORT: {"LineLost", "OtherReader"},
    ExitCode.REFUSED: {"BoardRefused"},
}


@pytest.fixture(scope="module")
def host() -> Iterator[Player]:
    """One process for all cases: what one leaves behind would meet the next."""
    with Player() as one:
        yield one


def play(host: Player, board: HostileBoard, command: str) -> dict[str, Any]:
    """Let the page's session meet a board, and set it up if the case says so."""

    def answer(data: bytes, _now: int) -> tuple[list[bytes], bool]:
        if board.hangs_up():
            return [], True
        sent = board.twist(board.receive(data))
        return [sent], board.hangs_up()

    babble = None if board.babble is None else _chunks(board)
    return host.play("set up" if command == SETUP else "meet", answer, CHANGES, babble)


class _OneWrite:
    """A stream that takes one chunk and hangs up: what babbles goes on with the next at a call."""

    def __init__(self) -> None:
        self.written = b""

    def write(self, data: bytes) -> None:
        """See Stream."""
        self.written = data
        raise LineLost("One chunk at a time.")


def _chunks(board: HostileBoard) -> Callable[[], bytes]:
    def chunk() -> bytes:
        assert board.babble is not None
        line = _OneWrite()
        asyncio.run(board.babble(cast("Stream", line)))
        return line.written

    return chunk


def test_the_honest_board_is_met_and_set_up(host: Player) -> None:
    """The board that every case starts from works, so that what fails is what the case changed."""
    met = play(host, honest_board(), "show")
    assert met["values"] == list(honest_board().keys)
    board = honest_board()
    done = play(host, board, SETUP)
    assert (done["outcome"], done["followed"]) == ({"type": "stored", "generation": 4}, Run.PROVEN)
    assert board.stored == STORED | dict(CHANGES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_hostile_board(case: Case, host: Player) -> None:
    """An error with words or a clean end, the bounds kept, the stored settings as they were."""
    board = honest_board()
    case.change(board)
    ran = play(host, board, case.command)
    error: Any = ran.get("error")
    assert error is None or error["kind"] != "fault", error
    outcome = ran.get("outcome", {}).get("type")
    if case.command == SETUP:
        if case.code in (ExitCode.DONE, ExitCode.NOT_WORKING):
            assert outcome == "stored", ran
        elif case.code is ExitCode.UNKNOWN:
            assert outcome == "unknown", ran
        else:
            assert outcome == "not-stored" or error["kind"] in ERRORS[case.code], ran
    elif case.code is ExitCode.SCHEMA and case.says not in (NOT_FITTING, NOT_ADMITTED):
        assert error["kind"] == "SchemaError"
    elif case.code in ERRORS:
        assert error["kind"] in ERRORS[case.code], error
        assert any(words in error["words"] for words in case.says.split("|")), error
    else:
        assert error is None, error
    if error is not None:
        assert error["words"].endswith(".")
    if not case.commits:
        assert (board.commits, board.stored) == (0, STORED)
    assert len(ran["notices"]) <= 4
    assert ran["seconds"] <= case.seconds, ran["seconds"]
    assert ran["held"] <= case.mib * MIB, ran["held"] / MIB
