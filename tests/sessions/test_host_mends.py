# SPDX-License-Identifier: MIT
"""What sessions over bad lines found in the host, each in the fewest steps that show it.

Every test names the seed of scripts/bad_lines.py that found it first; clauses are those of
shared/protocol.md.
"""

from __future__ import annotations

import random
from typing import Any

import pytest

from provision.contract.messages import Message
from provision.contract.table import MessageType, Refusal, Store
from provision.link import operations
from provision.link.errors import BoardRefused, NotWiped, Refused
from provision.link.operations import StagedChange
from provision.link.replies import Hello, NotStored, Stored
from tests.link.virtual import OLDER_TOKEN, SmallBoard, VirtualLine, lose


def greeted(board: SmallBoard, **options: Any) -> tuple[VirtualLine, Hello]:
    """Return a line whose board has been met."""
    line = VirtualLine(board, **options)
    return line, line.run(operations.greet(5.0))


def test_a_proven_trial_is_not_taken_for_the_undo_whose_request_was_lost() -> None:
    """Both raise the generation by one and end the trial; the set in force tells (6.7)."""
    board = SmallBoard(generation=6, store=Store.TRIAL, token=b"on-trial")
    line, _ = greeted(board, to_board=lose(2))

    def prove() -> None:
        board.generation, board.store = 7, Store.COMPLETE

    line.at = {3: prove}
    with pytest.raises(BoardRefused, match="start again"):
        line.run(operations.undo(6))


def test_an_undo_that_a_start_settled_is_done() -> None:
    """A start after a power cut writes the set once more: the generation grows by two (6.7)."""
    board = SmallBoard(generation=6, token=b"of-today")
    line, _ = greeted(board, to_host=lose(2))

    def settle() -> None:
        board.generation += 1

    line.at = {3: settle}
    assert line.run(operations.undo(6)) == 8


def test_a_trial_that_ended_badly_is_not_taken_for_a_confirm() -> None:
    """Moved-on, and no trial any more: but another set is in force (5.4, 6.7)."""
    board = SmallBoard(generation=6, store=Store.TRIAL, token=b"on-trial")
    line, _ = greeted(board, to_board=lose(2))

    def end_badly() -> None:
        board.generation, board.store, board.token = 7, Store.COMPLETE, OLDER_TOKEN

    line.at = {3: end_badly}
    with pytest.raises(BoardRefused):
        line.run(operations.confirm(6))


def test_an_erase_whose_reply_was_lost_is_asked_for_again() -> None:
    """That nothing is set shows only its first step; the reply means that all is wiped (6.7)."""
    board = SmallBoard(generation=6, token=b"of-today")
    line, _ = greeted(board, to_host=lose(1))
    assert line.run(operations.erase(6)) == 8
    assert board.store == Store.EMPTY


def test_an_erase_that_could_not_wipe_all_is_told() -> None:
    """Refused with storage, and nothing is set any more: what was set may still be there (6.7)."""
    board = SmallBoard(generation=6)

    def fail(_: Message) -> Refusal:
        board.generation, board.store = board.generation + 1, Store.EMPTY
        return Refusal.STORAGE

    board.instead[MessageType.ERASE] = fail
    line, _ = greeted(board)
    with pytest.raises(NotWiped, match="could not be wiped"):
        line.run(operations.erase(6))
    assert board.generation == 9


def test_a_commit_refused_with_storage_is_settled_by_hello() -> None:
    """A copy of it that was on its way may have been stored after the refusal (6.5)."""
    board = SmallBoard()
    line, hello = greeted(board)

    def fail_once(_: Message) -> Refusal:
        board.instead.clear()
        return Refusal.STORAGE

    board.instead[MessageType.COMMIT] = fail_once
    # The commit, the third line of the host, arrives twice.
    line.to_board = lambda number, data: data * 2 if number == 2 else data
    outcome = line.run(operations.store(hello, [("mast.probe-0", 1)], bytes(8)))
    assert outcome == Stored(1)
    board.instead[MessageType.COMMIT] = fail_once
    line.to_board = lambda _, data: data
    outcome = line.run(operations.store(hello, [("mast.probe-0", 2)], bytes(range(8))))
    assert outcome == NotStored(Refused(Refusal.STORAGE))


def test_a_line_that_loses_much_is_not_refused_for_good() -> None:
    """After a flight that came in damaged, values are sent first and the commit behind them."""
    chance = random.Random(7)
    line, hello = greeted(SmallBoard())
    line.to_board = lambda _, data: b"" if chance.random() < 0.3 else data
    changes: list[StagedChange] = [(f"mast.probe-{n}", n) for n in range(14)]
    for seed in range(20):
        chance.seed(seed)
        token = seed.to_bytes(8)
        assert isinstance(line.run(operations.store(hello, changes, token)), Stored)
