# SPDX-License-Identifier: MIT
"""The page has the terminal's words for every code, known or not."""

from __future__ import annotations

import itertools
from dataclasses import asdict

import pytest

from provision.contract.table import Reason, Refusal, Run, Step, Store
from provision.link.errors import Refused
from provision.link.replies import Status
from provision.wizard import status_text
from tests.page.wizard.lockstep import Page
from tests.wizard.sample_schema import SCHEMA

pytestmark = pytest.mark.needs("node")

UNKNOWN = 200


@pytest.mark.parametrize("name", ["STEPS", "REASONS"])
def test_both_have_the_same_words_for_codes(page: Page, name: str) -> None:
    """Of the terminal's it is tested that they are those of all codes."""
    mine = {str(int(code)): text for code, text in getattr(status_text, name).items()}
    assert page.say("table", name) == mine


def test_both_say_the_same_of_why_it_is_asked(page: Page) -> None:
    """Where that is not plain."""
    mine = {why.name.lower().replace("_", "-"): text for why, text in status_text.WHYS.items()}
    assert page.say("table", "WHYS") == mine


@pytest.mark.parametrize("code", [*Step, UNKNOWN, None])
def test_both_say_the_same_of_a_step(page: Page, code: int | None) -> None:
    """Alone, and as what a failure is told by."""
    assert page.say("stepWords", code) == status_text.step_words(code)
    for done in (status_text.STORED, status_text.TAKEN_BACK):
        assert page.say("failureSentence", done, code) == status_text.failure_sentence(done, code)


@pytest.mark.parametrize("code", [*Reason, UNKNOWN, None])
def test_both_say_the_same_of_a_failure_and_lead_to_the_same_setting(
    page: Page, code: int | None
) -> None:
    """The one that the board names, else the first of a kind that applies."""
    page.take(SCHEMA)
    assert page.say("reasonWords", code) == status_text.reason_words(code)
    everything = frozenset(setting.key for setting in SCHEMA.settings)
    some = everything - {"door.relay", "network.name"}
    for applying, named in itertools.product((everything, some), (None, "door.relay", "no.such")):
        key = status_text.key_at_fault(SCHEMA, applying, code, named)
        assert page.say("keyAtFault", applying, code, named) == key
    assert page.say("faultWords", code) == status_text.fault_words(code)
    for field in (None, "door.relay", "door.note", "network.passphrase", "no.such"):
        status = Status(Store.COMPLETE, 0, Run.FAILED, 1, 1, reason=code, field=field)
        said = page.say("whyWords", {"reason": code, "field": field})
        assert said == status_text.why_words(SCHEMA, status)


@pytest.mark.parametrize("code", [*Refusal, UNKNOWN])
def test_both_say_the_same_of_a_refusal(page: Page, code: Refusal | int) -> None:
    """With a field that is known, one that is not, and none."""
    page.take(SCHEMA)
    for field in ("door.contact", "no.such", None):
        refused = Refused(code, field)
        assert page.say("refusedWords", asdict(refused)) == status_text.refused_words(
            SCHEMA, refused
        )


def test_both_say_the_same_where_no_refusal_came(page: Page) -> None:
    """A hello alone showed then that nothing was stored."""
    assert page.say("refusedWords", None) == status_text.refused_words(SCHEMA, None)


@pytest.mark.parametrize("said", ["needs a value", "The network did not take it.", "ähnlich", ""])
def test_both_make_the_same_sentence_of_a_fault(page: Page, said: str) -> None:
    """Words in lower case follow the label; others are a sentence already."""
    assert page.say("faultSentence", "Key", said) == status_text.fault_sentence("Key", said)
