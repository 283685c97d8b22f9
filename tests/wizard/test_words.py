# SPDX-License-Identifier: MIT
"""Every code of the contract has words, and a failure leads to a setting."""

from __future__ import annotations

from enum import IntEnum

import pytest

from provision.contract.table import Kind, Reason, Refusal, Run, Step, Store
from provision.link.errors import Refused
from provision.settings.model import Field, Schema, Section
from provision.wizard import words
from provision.wizard.screen import _WANTED
from tests.wizard.barn import SCHEMA

EVERYTHING = frozenset(setting.key for setting in SCHEMA.settings)


@pytest.mark.parametrize(
    ("codes", "table"),
    [
        (Step, words.STEPS),
        (Reason, words.REASONS),
        (Run, words.RUNS),
        (Store, words.STORES),
        (Kind, _WANTED),
    ],
)
def test_every_code_has_words(codes: type[IntEnum], table: dict[int, object]) -> None:
    """A code without words would be a number on somebody's screen."""
    assert set(table) == set(codes)


def test_a_code_of_a_later_version_has_words_too() -> None:
    """A host takes a code that it does not know as something else (clause 4.2)."""
    assert "does not know" in words.reason_words(200)
    assert "does not know" in words.step_words(200)
    assert words.refused_words(SCHEMA, Refused(200)) == "The board refused (200)."


@pytest.mark.parametrize("code", Refusal)
def test_every_refusal_is_one_sentence(code: Refusal) -> None:
    """With a field that is known, one that is not, and none."""
    for field in ("door.contact", "no.such", None):
        said = words.refused_words(SCHEMA, Refused(code, field))
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
    assert words.key_at_fault(SCHEMA, EVERYTHING, reason, named) == key


def test_a_failure_never_leads_to_what_does_not_apply() -> None:
    """A setting whose condition does not hold cannot be mended."""
    applying = EVERYTHING - {"door.relay"}
    assert words.key_at_fault(SCHEMA, applying, Reason.PIN_CONFLICT, "door.relay") == "door.contact"


def test_a_key_that_is_refused_can_be_the_only_secret() -> None:
    """A passphrase is no service key."""
    fields = (
        Field("name", Kind.NETWORK_NAME, "N"),
        Field("phrase", Kind.PASSPHRASE, "P", network="s.name"),
    )
    schema = Schema("T", (Section("s", "S", fields),))
    keys = frozenset({"s.name", "s.phrase"})
    assert words.key_at_fault(schema, keys, Reason.KEY_REFUSED, None) is None
