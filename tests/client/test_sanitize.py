# SPDX-License-Identifier: MIT
"""Text from a board is harmless on a screen (CWE-150)."""

from __future__ import annotations

import dataclasses
import unicodedata
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.board.engine import from_declaration
from provision.board.firmware import Device
from provision.board.loopback import Loopback
from provision.client.cache import Cache
from provision.client.sanitize import clean_schema, printable, visible
from provision.contract.table import Kind
from provision.schema.model import Field, Option, Schema, Section
from provision.schema.table import MAX_HELP
from provision.wizard import show
from provision.wizard.dialog import introduction, meet
from tests.wizard.bench import CTRL_C, DEMO, Bench, Line, typed
from tests.wizard.sample_schema import SCHEMA

# What a terminal may act on, and what turns or hides text: BEL, the C1 form of ESC [, a title by
# OSC, a right-to-left override, a zero-width joiner, a soft hyphen, a line separator.
HOSTILE = "a\x07b\x9b31mc\x1b]0;owned\x07d\u202ee\u200df\u00adg\u2028h\r\nX\x08\x08"
DANGEROUS = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def is_harmless(text: str) -> bool:
    """Whether every character is printable by its Unicode category."""
    return not [c for c in text if unicodedata.category(c) in DANGEROUS]


@given(st.text())
def test_whatever_comes_is_printable_and_bounded(text: str) -> None:
    """Categories are those of the Unicode character database, as Python has it."""
    for cleaned in (printable(text, 40), visible(text, 40)):
        assert is_harmless(cleaned)
        assert len(cleaned) <= 40


def test_what_is_harmless_stays() -> None:
    """Accents, other scripts and signs are nobody's attack; white space becomes one space."""
    assert printable("Blüte  bei\n-2 °C, 開花") == "Blüte bei -2 °C, 開花"
    assert visible("  two  spaces ") == "  two  spaces "


def test_a_long_text_is_cut_where_it_can_be_seen() -> None:
    """Whoever reads it knows that there was more."""
    assert printable("x" * 500) == "x" * (MAX_HELP - 3) + "..."


def texts_of(value: Any) -> Iterator[str]:
    """Yield every text in a schema."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from texts_of(item)
    elif dataclasses.is_dataclass(value):
        for each in dataclasses.fields(value):
            yield from texts_of(getattr(value, each.name))


def hostile_schema() -> Schema:
    """Return a schema with a hostile text wherever a text can stand."""
    field = Field(
        "one",
        Kind.CHOICE,
        HOSTILE,
        help=HOSTILE,
        caution=HOSTILE,
        options=(Option("x", HOSTILE, HOSTILE), Option("y", "Y")),
        required=True,
    )
    number = Field("two", Kind.INTEGER, HOSTILE, unit="\x1b[31m")
    text = Field("three", Kind.TEXT, HOSTILE, maximum=200, default="\u202edefault")
    pin = Field("four", Kind.PIN, HOSTILE)
    pins = (
        replace(SCHEMA.pins[0], name="\x9bname", taken=HOSTILE, caution=HOSTILE),
        replace(SCHEMA.pins[2], name="\x07", caution=HOSTILE),
    )
    section = Section("s", HOSTILE, (field, number, text, pin), help=HOSTILE)
    return Schema(HOSTILE, (section,), pins)


def test_every_text_of_a_schema_is_cleaned() -> None:
    """But for values, which are cleaned when they are shown."""
    cleaned = clean_schema(hostile_schema())
    left = [text for text in texts_of(cleaned) if not is_harmless(text)]
    assert set(left) == {"\u202edefault"}  # in the section, and in its settings


@pytest.mark.parametrize("keys", ["?", "<", typed("x", "y"), typed("?", "?")])
async def test_a_hostile_board_gets_nothing_past_the_dialog(keys: str) -> None:
    """Of all that its firmware says of itself, no character reaches the screen uncleaned."""
    declaration = replace(
        DEMO,
        schema=hostile_schema(),
        firmware_name="f\x1b[2J",
        firmware_version="\u202e1",
        board=replace(DEMO.board, name="\x9b5n\x07"),
    )
    device = Device(from_declaration(declaration))
    async with Loopback(device) as loopback:
        here = Bench(device, Line(loopback), Cache(None))
        await here.set_up(keys, "\r", CTRL_C)
        shown = here.screen.replace("\r", "").replace("\n", "").replace("\x08", "")
        assert is_harmless(shown), [c for c in shown if not is_harmless(c)]
        assert "owned" in shown  # its letters are there, and only letters
        connection = here.connect()
        try:
            met = await meet(connection, Cache(None), lambda _: None)
        finally:
            await connection.close()
        assert is_harmless(introduction(met) + "".join(show.lines(met)))
