# SPDX-License-Identifier: MIT
"""Every code of the contract has words, and a failure leads to a setting."""

from __future__ import annotations

from enum import IntEnum

import pytest

from provision.contract.table import Kind, Reason, Refusal, Run, Step, Store
from provision.link.errors import Refused
from provision.link.replies import Status
from provision.schema.model import Field, Schema, Section
from provision.wizard import status_text
from provision.wizard.screen import _WANTED
from tests.wizard.sample_schema import SCHEMA

EVERYTHING = frozenset(setting.key for setting in SCHEMA.settings)


@pytest.mark.parametrize(
    ("codes", "table"),
    [
        (Step, status_text.STEPS),
        (Reason, status_text.REASONS),
        (Run, status_text.RUNS),
        (Store, status_text.STORES),
        (Kind, _WANTED),
    ],
)
def test_every_code_has_words(codes: type[IntEnum], table: dict[int, object]) -> None:
    """A code without words would be a number on somebody's screen."""
    assert set(table) == set(codes)


def test_a_code_of_a_later_version_has_words_too() -> None:
    """A host takes a code that it does not know as something else (clause 4.2)."""
    assert "does not know" in status_text.reason_words(200)
    assert "does not know" in status_text.step_words(200)
    assert status_text.refused_words(SCHEMA, Refused(200)) == "The board refused (200)."


@pytest.mark.parametrize("code", Refusal)
def test_every_refusal_is_one_sentence(code: Refusal) -> None:
    """With a field that is known, one that is not, and none."""
    for field in ("door.contact", "no.such", None):
        said = status_text.refused_words(SCHEMA, Refused(code, field))
        assert said.endswith(".")
        assert "\n" not in said


@pytest.mark.parametrize(
    ("reason", "named", "key"),
    [
        (Reason.NETWORK_NOT_FOUND, None, "network.name"),
        (Reason.PASSPHRASE_WRONG, None, "network.passphrase"),
        (Reason.NO_ADDRESS, None, "network.name"),
        (Reason.KEY_REFUSED, None, "door.code"),
        (Reason.PIN_CONFLICT, None, "door.relay"),
        (Reason.PIN_CONFLICT, "door.contact", "door.contact"),
        (Reason.NO_RESPONSE, "no.such", "door.relay"),
        (Reason.NAME_NOT_RESOLVED, None, None),
        (Reason.OTHER, None, None),
        (200, "lamp.1.colour", "lamp.1.colour"),
        (None, None, None),
    ],
)
def test_a_failure_leads_to_the_setting_at_fault(
    reason: int | None, named: str | None, key: str | None
) -> None:
    """The one that the board names, else the first of the kind that such a failure is about."""
    assert status_text.key_at_fault(SCHEMA, EVERYTHING, reason, named) == key


def test_a_failure_never_leads_to_what_does_not_apply() -> None:
    """A setting whose condition does not hold cannot be mended."""
    applying = EVERYTHING - {"door.relay"}
    assert (
        status_text.key_at_fault(SCHEMA, applying, Reason.PIN_CONFLICT, "door.relay")
        == "door.contact"
    )


@pytest.mark.parametrize(
    ("reason", "named", "says"),
    [
        (
            Reason.OTHER,
            "door.relay",
            "wrong. The board names this setting: Door, Pin of the relay.",
        ),
        (
            Reason.OTHER,
            "lamp.2.place",
            "wrong. The board names this setting: Lamp 2, Where it hangs.",
        ),
        (None, "door.note", "no reason. The board names this setting: Door, Note."),
        (200, "door.note", "a newer version may. The board names this setting: Door, Note."),
        (
            Reason.NO_RESPONSE,
            "door.contact",
            "The board names this setting: Door, Pin of the contact.",
        ),
        (Reason.NO_RESPONSE, "door.relay", "Look at the wiring, and at the pin."),
        (Reason.PASSPHRASE_WRONG, "network.passphrase", "Capital letters count."),
        (Reason.OTHER, "no.such", "Something else went wrong."),
        (Reason.OTHER, None, "Something else went wrong."),
    ],
)
def test_a_setting_that_the_board_names_is_named(
    reason: int | None, named: str | None, says: str
) -> None:
    """Where the reason alone does not lead to it; one that the schema lacks may be anything."""
    status = Status(Store.COMPLETE, 0, Run.FAILED, 1, 1, reason=reason, field=named)
    assert status_text.why_words(SCHEMA, status).endswith(says)


@pytest.mark.parametrize("reason", [Reason.OTHER, Reason.NONE, None])
def test_a_setting_that_fails_for_no_reason_is_named_where_it_is_asked_for(
    reason: int | None,
) -> None:
    """By its label, in the sentence before the question."""
    said = status_text.fault_sentence("Note", status_text.fault_words(reason))
    assert said == "Note does not work, and the board does not say why."
    assert status_text.fault_words(Reason.TIME_OUT) == status_text.reason_words(Reason.TIME_OUT)


def test_a_key_that_is_refused_can_be_the_only_secret() -> None:
    """A passphrase is no service key."""
    fields = (
        Field("name", Kind.NETWORK_NAME, "N"),
        Field("phrase", Kind.PASSPHRASE, "P", network="s.name"),
    )
    schema = Schema("T", (Section("s", "S", fields),))
    keys = frozenset({"s.name", "s.phrase"})
    assert status_text.key_at_fault(schema, keys, Reason.KEY_REFUSED, None) is None
