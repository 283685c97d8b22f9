# SPDX-License-Identifier: MIT
"""What is promised of the terminal's dialog is promised of the page's, example by example."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest

from provision.wizard.questions import AnotherInstance, Move, Question
from tests.page.wizard.twin import Page, Twin
from tests.wizard import test_flow
from tests.wizard.barn import COMPLETE, SCHEMA, held

pytestmark = pytest.mark.needs("node")

EXAMPLES = [each for name, each in vars(test_flow).items() if name.startswith("test_")]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.__name__[5:])
def test_both_dialogs_keep_to_the_example(
    example: Callable[[], None], page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each example of tests/wizard/test_flow.py, with two dialogs that have to agree."""
    monkeypatch.setattr(test_flow, "Flow", partial(Twin, page))
    example()


# Ways that somebody who only tries things at random hardly ever takes.


def asked(twin: Twin) -> Question:
    """Return the question that both ask now."""
    step = twin.next()
    assert isinstance(step, Question)
    return step


def type_in(twin: Twin, text: str) -> None:
    """Type an answer to the question that both ask now."""
    twin.answer(twin.read(asked(twin), text))


def test_the_name_that_is_set_typed_again_is_no_change(page: Page) -> None:
    """Octets are compared by what they are."""
    twin = Twin(page, SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    type_in(twin, "Farm")
    assert asked(twin).key == "network.passphrase"
    twin.answer(Move.KEEP)
    assert twin.next() is None
    assert twin.changes() == {}


def test_a_passphrase_typed_after_one_was_kept_serves_another_network(page: Page) -> None:
    """Only the kept one is asked for again when the network changes after all."""
    twin = Twin(page, SCHEMA, held(COMPLETE), keys=["network.name"], only_keys=True)
    twin.answer(Move.KEEP)
    twin.answer(Move.KEEP)
    twin.back()
    type_in(twin, "hayloft-2-left")
    twin.back()
    twin.back()
    type_in(twin, "Barn")
    assert asked(twin).key == "network.passphrase"  # gone back to, so that it comes by itself
    twin.answer(Move.KEEP)
    twin.change("network.name")
    type_in(twin, "Stable")
    assert twin.next() is None
    assert twin.changes() == {"network.name": b"Stable", "network.passphrase": "hayloft-2-left"}


def test_who_wants_one_more_after_all_is_offered_the_next_as_well(page: Page) -> None:
    """A no that was taken back closes nothing."""
    twin = Twin(page, SCHEMA, held(COMPLETE), ask_all=True)
    while not isinstance(twin.next(), AnotherInstance):
        twin.answer(Move.KEEP if asked(twin).current is not None else Move.CLEAR)
    twin.answer_another(False)
    assert twin.next() is None
    twin.back()
    twin.answer_another(True)
    type_in(twin, "yard")
    type_in(twin, "warm")
    step = twin.next()
    assert isinstance(step, AnotherInstance)
    assert step.instance == 3
