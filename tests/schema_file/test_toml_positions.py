# SPDX-License-Identifier: MIT
"""Places in a TOML text: checked against what tomllib finds there."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.schema_file.toml_positions import Path as TomlPath
from provision.schema_file.toml_positions import Places, Position

ROOT = Path(__file__).parents[2]
FILES = [
    *sorted((ROOT / "schemas").glob("*.toml")),
    *sorted((ROOT / "tests" / "data" / "schema_files").glob("*.toml")),
    ROOT / "pyproject.toml",
]

EVERY_FORM = '''\
# [not.a.header]
"quoted key" = "a # no comment, \\" no end"
'literal key' = 'C:\\'   # a comment with = and [
dotted.key.one = 1
dotted.key."two" = 2
text = """
[[section]]
key = "in a text" \\""" not yet the end"""""
raw = \'\'\'
raw = 1\'\'\'\'
list = [ 1, [2, 3], # with a comment, ]
  { a = 1, "b" = [ ] },
  1979-05-27 07:32:00,
]
inline = { x.y = 1, z = { w = "}" } }
empty = {}
  [ table . sub ]
    key   =   -1e9
[[list-of.tables]]
[[list-of.tables]]
a = true
[list-of.tables.inner]
b = inf
[[list-of.tables.deep]]
c = 07:32:00
'''


def paths(value: object, path: TomlPath = ()) -> Iterator[tuple[TomlPath, object]]:
    """Yield the path of everything in a document, as tomllib has it."""
    yield path, value
    if isinstance(value, dict):
        for key, inside in value.items():
            yield from paths(inside, (*path, key))
    elif isinstance(value, list):
        for position, inside in enumerate(value):
            yield from paths(inside, (*path, position))


def at(text: str, place: Position) -> str:
    """Return what stands at a place."""
    return text.splitlines()[place.line - 1][place.column - 1 :]


@pytest.mark.parametrize(
    "text",
    [EVERY_FORM, *(path.read_text(encoding="utf-8") for path in FILES)],
    ids=["every form", *(path.name for path in FILES)],
)
def test_everything_that_tomllib_finds_has_its_place(text: str) -> None:
    """A key's place begins with its name, that of a table in a list with its header or brace."""
    places = Places(text)
    for path, value in paths(tomllib.loads(text)):
        if not path:
            assert places.of(path) == Position(1, 1)
            continue
        found = at(text, places.of(path))
        if isinstance(path[-1], int):
            if isinstance(value, dict):
                assert found.startswith(("[[", "{"))
            elif isinstance(value, str):
                assert found[1:].startswith(value[:10])
        else:
            assert path[-1] in found


@pytest.mark.parametrize(
    ("path", "line", "column"),
    [
        (("quoted key",), 2, 1),
        (("dotted",), 4, 1),
        (("dotted", "key", "two"), 5, 1),
        (("raw",), 9, 1),
        (("list", 1, 1), 11, 17),
        (("list", 2), 12, 3),
        (("list", 2, "b"), 12, 12),
        (("list", 3), 13, 3),
        (("inline", "x", "y"), 15, 12),
        (("inline", "z", "w"), 15, 27),
        (("empty",), 16, 1),
        (("table", "sub"), 17, 3),
        (("table", "sub", "key"), 18, 5),
        (("list-of", "tables", 0), 19, 1),
        (("list-of", "tables", 1, "a"), 21, 1),
        (("list-of", "tables", 1, "inner", "b"), 23, 1),
        (("list-of", "tables", 1, "deep", 0, "c"), 25, 1),
    ],
)
def test_a_place_is_a_line_and_a_column(path: TomlPath, line: int, column: int) -> None:
    """Lines and columns count from 1, as editors show them; counted by hand here."""
    assert Places(EVERY_FORM).of(path) == Position(line, column)


def test_what_is_not_there_is_placed_around_its_absence() -> None:
    """The place of a key that is missing is that of the table in which it is missing."""
    places = Places(EVERY_FORM)
    assert places.of(("table", "sub", "none", 3)) == places.of(("table", "sub"))
    assert places.of(("none",)) == Position(1, 1)
