# SPDX-License-Identifier: MIT
"""What people type (shared/vectors/typed.json): the host makes of it what the vectors say.

Values and codes were written by hand from the sources that each vector names, none by running our
code. tests/page/core runs the same in Node, tests/page/browser in a browser.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import cbor2
import pytest

from provision import catalogue
from provision.contract.table import Ability, Characters, Kind
from provision.schema.model import Field, Option, Pin, Schema
from provision.schema.values import ValueProblem, parse
from provision.wizard.questions import yes_and_no
from scripts.derive.vectors import encoding
from tests.vectors.files import Row, document, each


def name(text: str) -> str:
    """Return a name of the page as the table has it."""
    return text.upper().replace("-", "_")


def abilities(names: Iterable[str]) -> Ability:
    """Return the sum of abilities."""
    return Ability(sum(Ability[name(each)] for each in names))


def field(declared: Row) -> Field:
    """Return the field of a declaration: its keys are those of the page (clause 8.1)."""
    made: dict[str, Any] = {
        "key": "a",
        "label": "A",
        **declared,
        "kind": Kind[name(declared["kind"])],
    }
    if "characters" in made:
        made["characters"] = Characters[name(made["characters"])]
    if "options" in made:
        made["options"] = tuple(Option(*option) for option in made["options"])
    if "needs" in made:
        made["needs"] = abilities(made["needs"])
    return Field(**made)


FIELDS = {key: field(declared) for key, declared in document("typed")["fields"].items()}
BOARD = Schema(
    "Board",
    (),
    tuple(
        Pin(**{**pin, "abilities": abilities(pin["abilities"])})
        for pin in document("typed")["board"]["pins"]
    ),
)


@pytest.fixture
def _back_to_english() -> Iterator[None]:
    yield
    catalogue.use(())


@pytest.mark.usefixtures("_back_to_english")
@each("typed")
def test_what_is_typed_is_read_as_the_vectors_say(vector: Row) -> None:
    """The value, to the byte and of its CBOR type; or the code of the refusal."""
    catalogue.use([vector["language"]])
    field = FIELDS[vector["field"]]
    try:
        got = cbor2.dumps(parse(field, vector["typed"], BOARD, yes_and_no())).hex()
    except ValueProblem as problem:
        got = problem.code.name.lower().replace("_", "-")
    assert got == vector.get("bytes", vector["expected"])


@each("typed")
def test_the_value_is_written_for_readers_as_well(vector: Row) -> None:
    """Bytes and diagnostic notation (RFC 8949 section 8) are the same value, or there is none."""
    accepted = vector["expected"] == "accepted"
    assert ("bytes" in vector) == ("value" in vector) == accepted
    if accepted:
        item = cbor2.loads(bytes.fromhex(vector["bytes"]))
        assert encoding.diagnostic(item) == vector["value"]
