# SPDX-License-Identifier: MIT
"""The files of shared/vectors, read as any implementation would read them."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[2] / "shared" / "vectors"
NAMES = ("lines", "messages", "schemas", "values", "typed", "conversations")

Row = dict[str, Any]


@functools.cache
def document(name: str) -> Row:
    """One file as a whole."""
    content: Row = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return content


def rows(name: str) -> list[Row]:
    """The vectors of a file."""
    vectors: list[Row] = document(name)["vectors"]
    return vectors


def row(name: str, id_: str) -> Row:
    """The vector with this id."""
    return next(each for each in rows(name) if each["id"] == id_)


def each(name: str, where: Callable[[Row], bool] = lambda _: True) -> pytest.MarkDecorator:
    """Run a test for each vector of a file that it is about, by its id."""
    chosen = [one for one in rows(name) if where(one)]
    return pytest.mark.parametrize("vector", chosen, ids=[one["id"] for one in chosen])
