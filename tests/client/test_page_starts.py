# SPDX-License-Identifier: MIT
"""Reading what a board holds takes one flight, which its schema makes possible."""

from __future__ import annotations

from itertools import pairwise

import pytest

from provision.client.page_starts import page_starts
from provision.contract.table import GetValuesKey, MessageType
from provision.schema_file.load import load_declaration
from scripts.bench.demo import SCHEMAS, WITHOUT_TIME, cold, demo, known, met_again
from scripts.bench.virtual import message_of, talk


@pytest.mark.parametrize("file", ["orchard-frost-alarm.toml", "orchard-gate-lamp.toml"])
def test_pages_begin_within_the_schema_one_after_the_other(file: str) -> None:
    """Whatever the guess, it is one that a board can answer (clause 6.3)."""
    schema = load_declaration(SCHEMAS / file).schema
    starts = page_starts(schema)
    assert all(one < next_ for one, next_ in pairwise((0, *starts, len(schema.settings))))


def test_a_board_that_is_set_is_met_in_two_flights() -> None:
    """Its schema being known: hello, then all pages of its values with the status (5.3)."""
    talked = talk(demo(), met_again(), WITHOUT_TIME)
    assert talked.flights - talk(demo(), cold(), WITHOUT_TIME).flights == 2
    asked = [
        (one.flight, message_of(one.request).body[GetValuesKey.FIRST])
        for one in talked.exchanged
        if message_of(one.request).type == MessageType.GET_VALUES
    ]
    assert len(asked) >= 2
    assert len({flight for flight, _ in asked}) == 1


def test_an_empty_board_is_not_asked_what_it_holds() -> None:
    """Its hello has no token: nothing is stored (6.1)."""
    for host in (cold(), known()):
        types = {message_of(one.request).type for one in talk(demo(), host, WITHOUT_TIME).exchanged}
        assert MessageType.GET_VALUES not in types
