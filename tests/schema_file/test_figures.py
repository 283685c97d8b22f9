# SPDX-License-Identifier: MIT
"""Sentences that state a limit, outside of the tables that are made, have its figure."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.contract.table import MAX_BLOB, MAX_FIELDS, MAX_KEY, MAX_TEXT, Kind
from provision.schema import table as limits
from provision.schema.table import KIND_LIMITS, LENGTH_OF_KEY
from provision.schema_file.c_names import RESERVED

ROOT = Path(__file__).parents[2]
FILE = (ROOT / "schemas" / "README.md").read_text(encoding="utf-8")
PROTOCOL = (ROOT / "shared" / "protocol.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "phrase",
    [
        f"Up to {limits.MAX_SECTIONS} of them, each with up to {limits.MAX_SECTION_FIELDS} fields.",
        f"The texts in a further language, up to {limits.MAX_TRANSLATIONS} of them",
        f"at most {MAX_TEXT} for text, secret and hex, {MAX_BLOB:,} for blob.",
        f"may state one, at most {limits.MAX_HOST} and {MAX_TEXT}, which",
        f"A key matches `[a-z][a-z0-9-]*`, at most {limits.MAX_KEY_PART} bytes.",
        f"The key of an option matches the same, at most {limits.MAX_OPTION_KEY} bytes.",
        f"A full key has at most {MAX_KEY} bytes.",
        f"There are at most {MAX_FIELDS}.",
        f"matching `{limits.LANGUAGE_PATTERN}`",
        f"A network name is 1 to {limits.MAX_NETWORK_NAME} octets of any value.",
        f"A passphrase is {KIND_LIMITS[Kind.PASSPHRASE][0]} to {LENGTH_OF_KEY - 1} characters",
        f"or exactly {LENGTH_OF_KEY} hexadecimal digits",
        f"- In {KIND_LIMITS[Kind.PASSPHRASE][0]} to {LENGTH_OF_KEY - 1} a character outside",
        f"- {LENGTH_OF_KEY} characters of which one is no hexadecimal digit",
        f"Where the field's `minimum` is {LENGTH_OF_KEY} [8.1]",
        f"It must have 1 to {limits.MAX_HOST} bytes, or what the field states",
        f"It must have 1 to {MAX_TEXT} bytes, or what the field states",
        f"It must have 1 to {limits.MAX_TIME_ZONE} bytes: else `length`.",
    ],
)
def test_a_sentence_has_the_figure(phrase: str) -> None:
    """It stands on its page with the figure that the code has."""
    assert phrase in FILE + PROTOCOL


def test_the_trial_is_as_long_as_the_page_says() -> None:
    """10 s to 1 h, written as times."""
    assert (limits.MIN_TRIAL, limits.MAX_TRIAL) == (10, 3600)
    assert '`"10 s"` to `"1 h"`' in FILE


def test_the_kinds_that_a_condition_names_values_of() -> None:
    """Those of the page, and no other."""
    kinds = {f"`{kind.name.lower().replace('_', '-')}`" for kind in limits.KINDS_IN_CONDITIONS}
    said = FILE.partition("values of a field of kind ")[2].partition(", and of any kind")[0]
    assert set(said.replace(" or ", ", ").split(", ")) == kinds


def test_words_of_c_cannot_be_keys() -> None:
    """The two that the page names are among them (C99 clause 6.4.1)."""
    assert {"default", "switch"} <= RESERVED
