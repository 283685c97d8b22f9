# SPDX-License-Identifier: MIT
"""What is promised of the terminal's dialog is promised of the page's, example by example."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from provision.wizard.questions import AnotherInstance, Move, Question
from tests.page.wizard.lockstep import Lockstep, Page
from tests.wizard import test_flow
from tests.wizard.sample_schema import COMPLETE, SCHEMA, held

pytestmark = pytest.mark.needs("node")

EXAMPLES = [each for name, each in vars(test_flow).items() if name.startswith("test_")]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.__name__[5:])
def test_both_dialogs_keep_to_the_example(
    example: Callable[[], None], page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each example of tests/wizard/test_flow.py, with two dialogs that have to agree."""
    monkeypatch.setattr(test_flow, "Flow", partial(Lockstep, page))
    example()


# Ways that somebody who only tries things at random hardly ever takes.


def asked(both: Lockstep) -> Question:
    """Return the question that both ask now."""
    step = both.next()
    assert isinstance(step, Question)
    return step


def type_in(both: Lockstep, text: str) -> None:
    """Type an answer to the question that both ask now."""
    both.answer(both.read(asked(both), text))


def test_the_name_that_is_set_typed_again_is_no_change(page: Page) -> None:
    """Octets are compared by what they are."""
    both = Lockstep(page, SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    type_in(both, "Farm")
    assert asked(both).key == "network.passphrase"
    both.answer(Move.KEEP)
    assert both.next() is None
    assert both.changes() == {}


def test_a_passphrase_typed_after_one_was_kept_serves_another_network(page: Page) -> None:
    """Only the kept one is asked for again when the network changes after all."""
    both = Lockstep(page, SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    both.answer(Move.KEEP)
    both.answer(Move.KEEP)
    both.back()
    type_in(both, "hayloft-2-left")
    both.back()
    both.back()
    type_in(both, "Barn")
    assert asked(both).key == "network.passphrase"  # gone back to, so that it comes by itself
    both.answer(Move.KEEP)
    both.change("network.name")
    type_in(both, "Stable")
    assert both.next() is None
    assert both.changes() == {"network.name": b"Stable", "network.passphrase": "hayloft-2-left"}


def test_who_wants_one_more_after_all_is_offered_the_next_as_well(page: Page) -> None:
    """A no that was taken back closes nothing."""
    both = Lockstep(page, SCHEMA, held(COMPLETE), ask_all=True)
    while not isinstance(both.next(), AnotherInstance):
        both.answer(Move.KEEP if asked(both).current is not None else Move.CLEAR)
    both.answer_another(False)
    assert both.next() is None
    both.back()
    both.answer_another(True)
    type_in(both, "yard")
    type_in(both, "warm")
    step = both.next()
    assert isinstance(step, AnotherInstance)
    assert step.instance == 3
