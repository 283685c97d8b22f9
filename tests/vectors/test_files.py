# SPDX-License-Identifier: MIT
"""The files of shared/vectors are of their layout, and what they say of themselves is true.

The layout is a JSON Schema (draft 2020-12), judged by the package jsonschema.
"""

from __future__ import annotations

import copy
import json
import re
import tomllib
from collections.abc import Callable
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from scripts.derive.vectors import encoding
from tests.vectors.files import FOLDER, NAMES, Row, document, rows

LAYOUT = json.loads((FOLDER / "vectors.schema.json").read_text(encoding="utf-8"))
PAGE = (FOLDER.parent / "protocol.md").read_text(encoding="utf-8")


def validator(name: str) -> Draft202012Validator:
    """Return the judge of one file's layout."""
    return Draft202012Validator({**LAYOUT, "$ref": f"#/$defs/{name}"})


def test_the_layout_is_a_json_schema() -> None:
    """The layout itself is good, so that its verdicts mean something."""
    Draft202012Validator.check_schema(LAYOUT)


@pytest.mark.parametrize("name", NAMES)
def test_a_file_has_its_layout(name: str) -> None:
    """Each file is of the layout that any reader of the vectors may count on."""
    assert [error.message for error in validator(name).iter_errors(document(name))] == []


FAULTS: dict[str, tuple[str, Callable[[Row], Any]]] = {
    "a vector without a clause": ("lines", lambda file: file["vectors"][0].pop("clause")),
    "capitals in hex": ("lines", lambda file: file["vectors"][0].update(bytes="0A")),
    "an unknown event": ("lines", lambda file: file["vectors"][0].update(events=[{"other": 1}])),
    "an unknown result": ("messages", lambda file: file["vectors"][0].update(expected="good")),
    "a schema without fields": ("schemas", lambda file: file["vectors"][0].pop("fields")),
    "a value without source": ("values", lambda file: file["vectors"][0].pop("source")),
    "a step of two kinds": (
        "conversations",
        lambda file: file["vectors"][0]["steps"][0].update(wait=1),
    ),
    "a refusal with a value": (
        "typed",
        lambda file: file["vectors"][0].update(expected="form"),
    ),
    "a declaration without kind": ("typed", lambda file: file["fields"]["text"].pop("kind")),
    "a key that nobody reads": ("values", lambda file: file["vectors"][0].update(remark="")),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_layout_is_kept(fault: str) -> None:
    """What would mislead a reader is refused."""
    name, spoil = FAULTS[fault]
    spoilt = copy.deepcopy(document(name))
    spoil(spoilt)
    assert not validator(name).is_valid(spoilt)


@pytest.mark.parametrize("name", NAMES)
def test_ids_are_unique_and_clauses_exist(name: str) -> None:
    """An id names one vector; a clause is a heading of the page."""
    ids = [row["id"] for row in rows(name)]
    assert len({*ids}) == len(ids)
    headings = set(re.findall(r"^#+ ([0-9.]+?)\.? ", PAGE, re.MULTILINE))
    assert {row["clause"] for row in rows(name)} <= headings


@pytest.mark.parametrize("name", NAMES)
def test_flags_are_explained_and_used(name: str) -> None:
    """Each flag is explained in the head of its file, and sorts something."""
    used = {flag for row in rows(name) for flag in row.get("flags", [])}
    assert used == set(document(name).get("flags", {}))


@pytest.mark.parametrize("name", NAMES)
def test_one_vector_stands_in_one_line(name: str) -> None:
    """The files can be searched, compared and cut by line, and read by a small parser."""
    text = (FOLDER / f"{name}.json").read_text(encoding="ascii")
    starts = [line for line in text.splitlines() if line.startswith('{"id": ')]
    assert [json.loads(start.split(",")[0] + "}")["id"] for start in starts] == [
        row["id"] for row in rows(name)
    ]


def test_every_code_of_the_values_is_expected_somewhere() -> None:
    """Each refusal that a value alone can bring is the result of some vector."""
    codes = encoding.table().code_set("refusal").codes
    about_values = {code.name for code in codes if 9 <= code.code <= 17}
    assert {row["expected"] for row in rows("values")} == about_values | {"accepted"}


def test_every_kind_has_values() -> None:
    """Each kind of the page has a value that is accepted and one that is refused."""
    kinds = {
        f"{section['key']}.{field['key']}": field["kind"]
        for section in _declared()["section"]
        for field in section["field"]
    }
    found = {
        (kinds[row["field"]], row["expected"] == "accepted")
        for row in rows("values")
        if row["field"] in kinds
    }
    names = {code.name for code in encoding.table().code_set("kind").codes}
    assert found >= {(name, accepted) for name in names for accepted in (True, False)}


def test_every_kind_and_refusal_is_typed() -> None:
    """Each kind is typed well and badly; each refusal that typing alone can bring is there."""
    fields = document("typed")["fields"]
    found = {(fields[row["field"]]["kind"], row["expected"] == "accepted") for row in rows("typed")}
    names = {code.name for code in encoding.table().code_set("kind").codes}
    assert found == {(name, accepted) for name in names for accepted in (True, False)}
    codes = encoding.table().code_set("refusal").codes
    about_values = {code.name for code in codes if 9 <= code.code <= 17}
    never_typed = {"unknown-field", "wrong-kind"}
    assert {row["expected"] for row in rows("typed")} == about_values - never_typed | {"accepted"}


def test_every_declared_field_is_typed_into() -> None:
    """No declaration is without a vector."""
    assert {row["field"] for row in rows("typed")} == {*document("typed")["fields"]}


def _declared() -> dict[str, Any]:

    return tomllib.loads((FOLDER / "board.toml").read_text(encoding="utf-8"))


def test_every_request_and_refusal_comes_in_a_conversation() -> None:
    """Each request is answered in some conversation; each refusal in one or in the values."""
    notes = [step["note"] for row in rows("conversations") for step in row["steps"]]
    answered = {note.split(" ")[0] for note in notes if "-reply {" in note}
    assert answered >= {request.name for request in encoding.table().requests}
    refused = {
        match[1] for note in notes if (match := re.search(r"refusal \{code: ([a-z-]+)", note))
    }
    elsewhere = {
        "storage",  # needs flash that fails: tests of the stores
        "busy",  # no board of the project says it
        *(row["expected"] for row in rows("values")),  # refused there
    }
    names = {code.name for code in encoding.table().code_set("refusal").codes}
    assert names - refused <= elsewhere


def test_the_readme_names_every_file() -> None:
    """Whoever opens the folder finds each file explained."""
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    for path in FOLDER.iterdir():
        assert path.name == "README.md" or f"`{path.name}`" in page
