# SPDX-License-Identifier: MIT
"""Whatever a board does, a command ends in time, in bounded memory, and says what is wrong.

The cases stand in cases.py and line_cases.py. PROVISION_FIGURES=FILE writes what each one took.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from itertools import count
from pathlib import Path

import pytest

from provision.contract.profile import Item
from provision.contract.table import HelloReplyKey, MessageType
from provision.wizard.result import ExitCode
from tests.hostile import line_cases  # noqa: F401 - registers its cases
from tests.hostile.cases import CASES, SETUP, Case, answers
from tests.hostile.harness import (
    ANSWERS,
    MIB,
    STORED,
    HostileBoard,
    Ran,
    check_ending,
    check_untouched,
    honest_board,
    run,
)
from tests.wizard.bench import CTRL_C, RETURN

_MOST_LINES = 40  # on standard error, of all that a board can make a command say
_MOST_TURNS = 200_000  # of the event loop: more would be spinning


@pytest.fixture(scope="module", autouse=True)
def _imported(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Import what commands import, so that no case is charged for it."""
    for command in ("show", "setup"):
        folder = tmp_path_factory.mktemp(command)
        assert meet(honest_board(), command, folder).code == ExitCode.DONE


def meet(board: object, command: str, folder: Path) -> Ran:
    """Run a command against a board, without a terminal."""
    more: tuple[str, ...] = ()
    if command == SETUP:
        (folder / "answers.toml").write_text(ANSWERS, encoding="utf-8")
        more = ("--answers", str(folder / "answers.toml"))
    return run(board, command, *more, folder=folder)  # type: ignore[arg-type]


def test_the_honest_board_is_shown_and_set_up(tmp_path: Path) -> None:
    """The board that every case starts from works, so that what fails is what the case changed."""
    shown = meet(honest_board(), "show", tmp_path)
    check_ending(shown, ExitCode.DONE, "Passphrase: set, not shown")
    check_untouched(shown)
    done = meet(honest_board(), "setup", tmp_path)
    check_ending(done, ExitCode.DONE, "The settings are stored, and the board works with them.")
    assert done.board.stored == STORED | {
        "network.name": b"Orchard",
        "network.passphrase": "gate-by-the-creek",
        "door.note": "squeaks",
    }


def test_every_case_has_a_name_of_its_own() -> None:
    """A failing case is found by its name."""
    names = [case.name for case in CASES]
    assert len(set(names)) == len(names)
    assert len(names) >= 60


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_hostile_board(case: Case, tmp_path: Path) -> None:
    """A clear error or a clean display, the bounds kept, the stored settings as they were."""
    board = honest_board()
    case.change(board)
    ran = meet(board, case.command, tmp_path)
    _record(case, ran)
    says = next((words for words in case.says.split("|") if words in ran.out + ran.err), case.says)
    check_ending(ran, case.code, says)
    if not case.commits:
        check_untouched(ran)
    if case.command != SETUP:
        assert not board.was_committed
    assert len(ran.err.splitlines()) <= _MOST_LINES
    if case.command != SETUP and case.code is not ExitCode.DONE:
        assert len(ran.last_words.splitlines()) == 1, ran.err
        assert ran.last_words.endswith(".")
        assert ran.out == ""
    assert ran.seconds <= case.seconds, ran.seconds
    assert ran.turns <= _MOST_TURNS, ran.turns
    assert ran.peak <= case.mib * MIB, ran.peak / MIB


def _another_unit(board: HostileBoard, number: int) -> dict[int, Item]:
    return {**board.hello_body(), HelloReplyKey.UNIT: number.to_bytes(8)}


def _another_schema(board: HostileBoard, number: int) -> dict[int, Item]:
    return {
        **board.hello_body(),
        HelloReplyKey.SCHEMA_DIGEST: b"the-next" if number else board.digest,
    }


@pytest.mark.parametrize(
    ("hello", "says"),
    [
        (_another_unit, "The board on this port is not the one"),
        (_another_schema, "has changed meanwhile"),
    ],
    ids=["another unit id at every hello", "another schema at the second hello"],
)
def test_a_board_that_is_another_when_the_person_has_answered(
    hello: Callable[[HostileBoard, int], dict[int, Item]], says: str, tmp_path: Path
) -> None:
    """Answers take their time, so that hello is said again before anything is sent (5.3)."""
    board = honest_board()
    numbers = count()
    answers(board, MessageType.HELLO, lambda _: hello(board, next(numbers)))
    keys = ["Orchard" + RETURN, "gate-by-the-creek" + RETURN, *[RETURN] * 12, CTRL_C]
    ran = run(board, "setup", "--ask-all", folder=tmp_path, keys=keys, measured=False)
    check_ending(ran, ExitCode.NO_BOARD, says)
    check_untouched(ran)


def _record(case: Case, ran: Ran) -> None:
    path = os.environ.get("PROVISION_FIGURES")
    if path:
        with Path(path).open("a", encoding="utf-8") as file:
            file.write(f"{ran.peak / MIB:.2f} MiB\t{ran.seconds:.1f} s\t{case.name}\n")
