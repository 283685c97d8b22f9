# SPDX-License-Identifier: MIT
"""The page about the schema file has the figures that its reader goes by."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.contract.table import MAX_BLOB
from provision.settings import file
from provision.settings import table as limits
from provision.settings.c_names import RESERVED

PAGE = (Path(__file__).parents[2] / "schemas" / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "phrase",
    [
        f"a person calls the thing, up to {limits.MAX_LABEL} bytes",
        f"`name` (up to {limits.MAX_NAME} bytes) and `version` (up to {limits.MAX_VERSION}, in any",
        f"Needs at least {limits.MIN_SLOTS_OF_OLDER} slots",
        f"a power of two, {file.PROGRAM_UNITS[0]} to {file.PROGRAM_UNITS[-1]}",
        f"slots it is divided, {limits.MIN_SLOTS} to {limits.MAX_SLOTS}, default 4",
        f"of the serial port, {limits.MIN_BAUD} to {limits.MAX_BAUD:,}, default 115200",
        f"Numbers go from 0 to {limits.MAX_PIN}; a board has up to {limits.MAX_PINS} pins",
        f"as printed on the board, up to {limits.MAX_PIN_NAME} bytes",
        f"the board itself uses the pin for, up to {limits.MAX_LABEL} bytes",
        f"`caution` | up to {limits.MAX_CAUTION} bytes; shown, and asked about, before",
        f"`caution` | up to {limits.MAX_CAUTION} bytes; shown, and asked about, where",
        f"Up to {limits.MAX_SECTIONS} of them, each with",
        f"each with up to {limits.MAX_SECTION_FIELDS} fields",
        f"beginning with a letter; up to {limits.MAX_KEY_PART}.",
        f"`label`, `help` | up to {limits.MAX_LABEL} and {limits.MAX_HELP} bytes",
        f"is there so many times, up to {limits.MAX_INSTANCES}.",
        f"`is` takes up to {limits.MAX_CONDITION_VALUES} values",
        f"Up to {limits.MAX_OLDER_KEYS}. A key that stands here",
        f"`unit` (up to {limits.MAX_UNIT} bytes)",
        f"`digits` (needed, {limits.MIN_DIGITS} to {limits.MAX_DIGITS})",
        f"up to {limits.MAX_OPTIONS} of `{{ key, label, help }}`",
        f"up to {limits.MAX_SCHEMES} of up to {limits.MAX_SCHEME} letters",
        f"as `hex`, up to {MAX_BLOB:,}",
    ],
)
def test_a_limit_is_that_of_the_reader(phrase: str) -> None:
    """The sentence stands on the page with the figure that the code has."""
    assert phrase in PAGE


def test_the_trial_is_as_long_as_the_page_says() -> None:
    """10 s to 1 h, written as times."""
    assert (limits.MIN_TRIAL, limits.MAX_TRIAL) == (10, 3600)
    assert '`"10 s"` to `"1 h"`' in PAGE


def test_the_kinds_that_a_condition_names_values_of() -> None:
    """Those of the page, and no other."""
    kinds = {f"`{kind.name.lower().replace('_', '-')}`" for kind in limits.KINDS_IN_CONDITIONS}
    said = PAGE.partition("values of a field of kind ")[2].partition(", and of any kind")[0]
    assert set(said.replace(" or ", ", ").split(", ")) == kinds


def test_words_of_c_cannot_be_keys() -> None:
    """The two that the page names are among them (C99 clause 6.4.1)."""
    assert {"default", "switch"} <= RESERVED
