# SPDX-License-Identifier: MIT
"""A flash written by the board in Python loads in the C stub, and the other way round."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from provision.board.flash import Flash
from provision.contract.table import (
    ConfirmKey,
    EraseKey,
    GetValuesKey,
    MessageType,
    SetFieldKey,
    UndoKey,
)
from tests.c_board.board import build
from tests.stub.lockstep import Lockstep, in_lockstep


def step(both: Lockstep, drawn: random.Random, number: int) -> None:
    """Let one thing happen to both boards; each reply of one is that of the other."""
    generation = both.board.generation
    match drawn.randrange(8):
        case 0 | 1 | 2:
            level = {SetFieldKey.FIELD: "lamp.level", SetFieldKey.VALUE: drawn.randrange(10)}
            both.ask(MessageType.SET_FIELD, level)  # type: ignore[arg-type]
            both.commit(bytes([number] * 8))
        case 3:
            both.ask(MessageType.UNDO, {UndoKey.GENERATION: generation})
        case 4 | 5:
            both.ask(MessageType.CONFIRM, {ConfirmKey.GENERATION: generation})
        case 6:
            both.restart()
        case _ if drawn.random() < 0.3:
            both.ask(MessageType.ERASE, {EraseKey.GENERATION: generation})


def exchange_flash(both: Lockstep) -> None:
    """Give each board the other's flash, and start both."""
    flash = both.board.store.flash
    assert isinstance(flash, Flash)
    content = flash.content
    flash.__init__(flash.geometry, both.stub.content)  # type: ignore[misc]
    both.stub.load(content)
    both.restart()


@pytest.mark.needs("gcc")
def test_each_board_goes_on_from_the_other_one_s_flash(tmp_path: Path) -> None:
    """Through commits, trials, undo, erase and starts, in 60 stories of 12 steps."""
    library = build(tmp_path)
    for seed in range(60):
        drawn = random.Random(seed)
        both = in_lockstep(library, "trial-board")
        for number in range(1, 13):
            step(both, drawn, number)
            if drawn.random() < 0.4:
                exchange_flash(both)
            both.ask(MessageType.HELLO)
            both.ask(MessageType.STATUS)
            both.ask(MessageType.GET_VALUES, {GetValuesKey.FIRST: 0})
