# SPDX-License-Identifier: MIT
"""Whatever a board's author wrote is as harmless on the page as in a terminal (CWE-150)."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from provision.client.sanitize import clean_schema, printable, visible
from provision.schema.model import Schema
from provision.schema.table import MAX_HELP
from tests.client.test_sanitize import HOSTILE, hostile_schema
from tests.page.wizard.lockstep import Page
from tests.schema.test_codec import schemas
from tests.wizard import sample_schema

pytestmark = pytest.mark.needs("node")

# Characters that Python's edition of Unicode does not know may be known to the browser's, which
# shows them then. Those that are none in any edition are added again.
TEXTS = st.text(
    st.characters(exclude_categories=["Cn"]) | st.sampled_from("\ufdd0\uffff\U0010ffff \t\x1c\x85"),
    max_size=30,
)


@given(text=TEXTS, limit=st.integers(3, 20))
@example(HOSTILE, MAX_HELP)
@example("Blüte  bei\n-2 °C, 開花", MAX_HELP)
@example("  two  spaces ", MAX_HELP)
@example("x" * 500, MAX_HELP)
@example(" " * 100 + "x", 20)  # what is cut off before anything else
@example("\U0001f33c" * 21, 20)  # two units of UTF-16 each, and one character
def test_both_clean_a_text_alike(page: Page, text: str, limit: int) -> None:
    """Characters, not units of UTF-16, are counted."""
    assert page.say("printable", text, limit) == printable(text, limit)
    assert page.say("visible", text, limit) == visible(text, limit)


def texts_of(value: Any) -> list[str]:
    """Return every text of a schema in the order of its fields, as Python's dataclasses have it."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, tuple):
        return [text for item in value for text in texts_of(item)]
    if dataclasses.is_dataclass(value):
        names = [each.name for each in dataclasses.fields(value)]
        return [text for name in names for text in texts_of(getattr(value, name))]
    return []


def texts_in(value: Any) -> list[str]:
    """Return every text of a schema as the page has it."""
    if isinstance(value, str):
        return [value]
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [text for item in inner for text in texts_in(item)]


@given(schemas())
@example(sample_schema.SCHEMA)
@example(hostile_schema())
def test_both_clean_the_same_texts_of_a_schema(page: Page, schema: Schema) -> None:
    """Every text of it, and neither keys nor values; in its settings as in its sections."""
    theirs = page.take(schema)
    mine = clean_schema(schema)
    assert set(texts_in(theirs["sections"])) == set(texts_of(mine.sections))
    assert sorted(texts_in(theirs["pins"])) == sorted(texts_of(mine.pins))
    assert theirs["title"] == mine.title
    for setting in theirs["settings"]:
        section = next(s for s in theirs["sections"] if s["key"] == setting["section"]["key"])
        assert setting["section"] == section
        assert setting["field"] in section["fields"]
