# SPDX-License-Identifier: MIT
"""The page's contract and settings: their own tests in Node, and one judgement in three languages.

What Python, the page and the compiled stub make of values must be the same, and so must what Python
and the page make of what people type. The vectors and standards that all are held against by
themselves are those of the tests in Node.
"""

from __future__ import annotations

import shutil
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from provision.contract.line import clean_log
from provision.contract.profile import Item, ProfileError, decode, encode
from provision.contract.table import MAX_SCHEMA_DEPTH, Characters, Kind, Refusal
from provision.schema.codec import (
    InvalidSchemaError,
    NewerSchemaError,
    SchemaError,
    from_item,
    to_item,
)
from provision.schema.constraints import (
    active,
    check_whole,
    in_force,
    missing,
    pin_conflicts,
    staged_digest,
)
from provision.schema.languages import texts
from provision.schema.model import Field, Schema, Section, Translation, Value
from provision.schema.table import LENGTH_OF_KEY
from provision.schema.time_zones import is_tz_string, zones
from provision.schema.values import (
    ValueProblem,
    check_value,
    limits,
    parse,
    refusal_words,
    show,
)
from tests.page.core.judging import Judge, Ran
from tests.schema.test_constraints import ALARM, VALUES
from tests.schema.test_values import ANY_URL, FIELDS, FREE, RP2040, values_of
from tests.vectors.boards import CBoard, build, declaration
from tests.vectors.files import rows
from tests.vectors.talk import ask

pytestmark = pytest.mark.needs("node")


# ------------------------------------------------------------------------------ tests in Node


def test_every_test_of_the_page_s_core_passes(ran: list[Ran]) -> None:
    """Vectors, published examples, a reference for CBOR, hostile streams: see *.test.js here."""
    assert ran
    assert [f"{each.suite}: {each.name}: {each.failure}" for each in ran if each.failure] == []


@pytest.mark.parametrize("name", ["lines", "messages", "schemas", "values", "typed"])
def test_no_vector_is_left_out(name: str, ran: list[Ran]) -> None:
    """Each vector was a test."""
    names = [each.name for each in ran if each.suite == f"{name}.json"]
    assert names == [f"{vector['id']}: {vector['shows']}" for vector in rows(name)]


# ----------------------------------------------------------------------------------- log text

_PIECES = [
    *(f"{end}m" for end in ("\x1b[1", "\x1b]0;a\x07", "\x1b")),
    "~",
    "\t",
    "\x00",
    "frost 4.5 C ",
]
LOG = st.lists(
    st.sampled_from(_PIECES).map(str.encode)
    | st.from_regex(rb"[A-Za-z0-9_-]{14,17}", fullmatch=True)
    | st.sampled_from(["é", "\u202e", "\u2028", "\xa0", "\ufeff", "\U0001f34e"]).map(str.encode)
    | st.binary(max_size=3),
    max_size=8,
).map(b"".join)


@given(start=LOG, size=st.sampled_from([0, 0, 800, 930, 950]), end=LOG)
def test_log_text_is_cleaned_the_same(judge: Judge, start: bytes, size: int, end: bytes) -> None:
    """Marks, escapes and all, in lines that are cut too (clause 2.2)."""
    line = start + b" " * size + end
    assert judge.ask("log", line=line.hex()) == clean_log(line)


# ----------------------------------------------------------------------- fields of every kind

_MORE = (
    FREE,
    ANY_URL,
    Field("a", Kind.TEXT, "A", minimum=0, maximum=1),
    *(
        Field("a", kind, "A", maximum=9, characters=characters)
        for kind in (Kind.TEXT, Kind.SECRET)
        for characters in Characters
    ),
    Field("a", Kind.INTEGER, "A", unit="2x"),
    Field("a", Kind.DECIMAL, "A", digits=6),
    Field("a", Kind.DECIMAL, "A", digits=1, unit="m"),
    Field("a", Kind.HOST, "A", maximum=12),
    Field("a", Kind.URL, "A", maximum=30, schemes=("coap",)),
    Field("a", Kind.IP, "A", families=1),
    Field("a", Kind.IP, "A", families=2),
    Field("a", Kind.PASSPHRASE, "A", minimum=LENGTH_OF_KEY),
    Field("a", Kind.HEX, "A", minimum=1, maximum=1, secret=True),
)


def _schema() -> Schema:
    fields = [replace(field, key=f"f{at}") for at, field in enumerate((*FIELDS, *_MORE))]
    name = next(field.key for field in fields if field.kind is Kind.NETWORK_NAME)
    section = Section(
        "s",
        "S",
        tuple(
            replace(field, network=f"s.{name}") if field.kind is Kind.PASSPHRASE else field
            for field in fields
        ),
    )
    return Schema("T", (section,), RP2040.pins)


def _item(schema: Schema) -> str:
    return encode(to_item(schema), MAX_SCHEMA_DEPTH).hex()


SCHEMA = _schema()
SCHEMA_ITEM = _item(SCHEMA)
FIELD = {setting.key: setting.field for setting in SCHEMA.settings}
KEYS = st.sampled_from(sorted(FIELD))

# ------------------------------------------------------------------------------------- values

_VECTOR_VALUES = [
    value for vector in rows("values") if (value := decode(bytes.fromhex(vector["bytes"])))
]


@st.composite
def changed(draw: st.DrawFn, texts: st.SearchStrategy[str]) -> str:
    """Draw a text, and put another character into it, or take one away."""
    text: str = draw(texts)
    at = draw(st.integers(0, len(text)))
    more: str = draw(st.sampled_from(["", *"aZ09.-:/%#@<>+,MJ ~[_é\x00\x7f\U0001f34e"]))
    return text[:at] + more + text[at + draw(st.integers(0, 1)) :]


ITEMS: st.SearchStrategy[Any] = (
    st.sampled_from(_VECTOR_VALUES)
    | changed(st.sampled_from([each for each in _VECTOR_VALUES if isinstance(each, str)]))
    | st.booleans()
    | st.integers(-(2**31), 2**32 - 1)
    | st.integers(-600, 4100)
    | st.binary(max_size=40)
    | st.text(st.characters(codec="utf-8"), max_size=40)
    | st.text("af09.-:/%#@<>+,MJ ~é", max_size=70)
)


@given(key=KEYS, data=st.data())
def test_the_page_refuses_what_python_refuses(judge: Judge, key: str, data: st.DataObject) -> None:
    """A value of whatever kind for a field of whatever kind gets the same code, or none."""
    value = data.draw(ITEMS | values_of(FIELD[key]))
    got = judge.ask("check", schema=SCHEMA_ITEM, key=key, value=encode(value).hex())
    assert got == check_value(FIELD[key], value, SCHEMA)


@pytest.fixture(scope="module")
def stub(tmp_path_factory: pytest.TempPathFactory) -> CBoard:
    """Return the compiled stub with the schema of the vectors' board."""
    if shutil.which("gcc") is None:
        pytest.skip("needs `gcc`, which is not installed (Debian package gcc)")
    return CBoard("vector", {"board": build("board", tmp_path_factory.mktemp("board"))})


BOARD = declaration("board").schema
BOARD_ITEM = _item(BOARD)
BOARD_FIELD = {setting.key: setting.field for setting in BOARD.settings}
_WHOLE = 400  # bytes of a value that a line surely holds


@given(key=st.sampled_from(sorted(BOARD_FIELD)), value=ITEMS)
def test_page_python_and_stub_are_of_one_opinion(
    judge: Judge, stub: CBoard, key: str, value: Value
) -> None:
    """A value that one of the three refuses all refuse, with the same code."""
    item = encode(value)
    assume(len(item) <= _WHOLE)
    answer = ask(stub, "set-field", {1: key, 2: value})
    code = None if answer.refused is None else answer.body[1]
    assert code == check_value(BOARD_FIELD[key], value, BOARD)
    assert code == judge.ask("check", schema=BOARD_ITEM, key=key, value=item.hex())


def test_the_limits_of_fields_are_the_same(judge: Judge) -> None:
    """Those that a field states, and those of its kind."""
    for key, field in FIELD.items():
        assert tuple(judge.ask("limits", schema=SCHEMA_ITEM, key=key)) == limits(field)


# --------------------------------------------------------------------------- what people type

_NUMBERS = r" *[+-]?[0-9]{0,14}([.,][0-9]{0,7})? ?(km|°C|2x|m|ms|s|min|h|d)? *"
_DURATIONS = r"([0-9]{1,9}([.,][0-9]{1,3})? ?(ms|s|sec|min|m|hours?|h|days|d) ?){1,3}"
_ADDRESSES = r"([0-9a-fA-F]{0,4}:){1,8}([0-9a-f]{1,4}|192\.0\.2\.7)?"
_HEX = r"(HEX:)?\s?(0x)?([0-9a-fA-F]{2}[ :-]?){0,9}"

TYPED = (
    st.text(max_size=40)
    | st.text("0123456789.,:-+ hminsafxe", max_size=20)
    | st.sampled_from([_NUMBERS, _DURATIONS, _ADDRESSES, _HEX]).flatmap(
        lambda pattern: st.from_regex(pattern, fullmatch=True)
    )
    | changed(st.ip_addresses().map(str))
    | st.sampled_from(sorted(zones())).map(lambda name: name.replace("_", " ").upper())
    | changed(st.sampled_from(sorted(set(zones().values()))))
    | st.sampled_from(["YES", " no", "On", "o\ufb00", "TRUE", "y", "nein", "1", "0"])  # ff ligature
    | st.sampled_from(["\N{MINUS SIGN}3", "gp7", " GP29", "slow", "AS FAST AS IT CAN ", "Off"])
    | changed(st.sampled_from([each for each in _VECTOR_VALUES if isinstance(each, str)]))
)


@given(key=KEYS, typed=TYPED)
def test_what_is_typed_means_the_same(judge: Judge, key: str, typed: str) -> None:
    """It is the same wire value, or a problem of the same words and code."""
    expected: dict[str, Any]
    try:
        expected = {"value": encode(parse(FIELD[key], typed, SCHEMA)).hex()}
    except ValueProblem as problem:
        expected = {"words": problem.words, "code": problem.code}
    assert judge.ask("parse", schema=SCHEMA_ITEM, key=key, text=typed) == expected


@given(key=KEYS.filter(lambda key: not FIELD[key].is_secret), data=st.data())
def test_values_are_shown_the_same(judge: Judge, key: str, data: st.DataObject) -> None:
    """In the same words, to the letter."""
    value = data.draw(values_of(FIELD[key]))
    assume(check_value(FIELD[key], value, SCHEMA) is None)
    got = judge.ask("show", schema=SCHEMA_ITEM, key=key, value=encode(value).hex())
    assert got == show(FIELD[key], value)


def test_refusals_have_the_same_words(judge: Judge) -> None:
    """For every field and code, a code of a later version included."""
    for key, field in FIELD.items():
        for code in (*Refusal, 99):
            got = judge.ask("words", schema=SCHEMA_ITEM, key=key, code=int(code))
            assert got == refusal_words(field, code)


def test_the_time_zones_are_the_same(judge: Judge) -> None:
    """Every name that Python knows, and its TZ string."""
    assert judge.ask("zones") == [list(each) for each in sorted(zones().items())]


@given(text=changed(st.sampled_from(sorted(set(zones().values())))))
def test_a_tz_string_is_one_for_both(judge: Judge, text: str) -> None:
    """One character away from a good one, and still one or not."""
    assert judge.ask("isTz", text=text) is is_tz_string(text)


# ---------------------------------------------------------------------------------- the whole


# As shared/vectors has it after its update: pins on each other's defaults, defaults under cautions.
DRYER = declaration("dryer-2").schema
DRYER_VALUES: st.SearchStrategy[dict[str, Value]] = st.fixed_dictionaries(
    {},
    optional={
        setting.key: st.sampled_from([2, 5, 9, 14])
        if setting.field.kind is Kind.PIN
        else st.booleans()
        if setting.field.kind is Kind.YES_NO
        else st.sampled_from([45, 50])
        for setting in DRYER.settings
    },
)


@given(stored=VALUES, staged=VALUES, cleared=st.sets(st.sampled_from(ALARM.settings)))
def test_the_rules_of_the_whole_are_the_same(
    judge: Judge, stored: dict[str, Value], staged: dict[str, Value], cleared: set[Any]
) -> None:
    """What is in force, active, missing, at fault, and the digest of what is staged."""
    over: dict[str, Value | None] = {**staged, **{setting.key: None for setting in cleared}}
    compare_whole(judge, ALARM, stored, over)


@given(stored=DRYER_VALUES, staged=DRYER_VALUES)
def test_what_an_update_does_to_the_whole_is_the_same(
    judge: Judge, stored: dict[str, Value], staged: dict[str, Value]
) -> None:
    """Defaults that are only proposed, and every pair of settings that have one pin."""
    compare_whole(judge, DRYER, stored, {**staged})


def compare_whole(
    judge: Judge, schema: Schema, stored: dict[str, Value], over: dict[str, Value | None]
) -> None:
    """Compare what both say of a stored set, and of what is staged over it."""
    got = judge.ask(
        "whole",
        schema=_item(schema),
        stored=[[key, encode(value).hex()] for key, value in stored.items()],
        staged=[[key, encode(value).hex()] for key, value in over.items()],
    )
    fault = check_whole(schema, stored, over)
    assert got == {
        "fault": fault and {"code": int(fault.code), "field": fault.field, "other": fault.other},
        "missing": missing(schema, stored),
        "conflicts": [[each.field, each.other] for each in pin_conflicts(schema, stored)],
        "active": sorted(active(schema, stored)),
        "inForce": [[key, encode(value).hex()] for key, value in in_force(schema, stored).items()],
        "digest": staged_digest(schema, over),
    }


# ---------------------------------------------------------------------------- hostile schemas


def _schemas() -> list[bytes]:
    good = (row for row in rows("schemas") if row["expected"] == "accepted")
    inflated = (zlib.decompress(bytes.fromhex(row["bytes"]), -15) for row in good)
    return [item for item in inflated if len(item) < 4096]


@st.composite
def schema_items(draw: st.DrawFn) -> bytes:
    """Draw a good schema of the vectors of which some bytes were changed."""
    item = bytearray(draw(st.sampled_from(_schemas())))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(item) - 1))
        item[at] = draw(st.integers(0, 255)) if draw(st.booleans()) else item[at] ^ 1
    return bytes(item)


def _kind(item: bytes) -> str:
    """Return what Python makes of the bytes of an inflated schema."""
    try:
        schema = from_item(decode(item, MAX_SCHEMA_DEPTH))
    except (ProfileError, InvalidSchemaError):
        return "invalid"
    except NewerSchemaError:
        return "too-new"
    except SchemaError:
        raise AssertionError from None  # the digest is not looked at here
    return " ".join(setting.key for setting in schema.settings)


@pytest.mark.parametrize(
    "change",
    [lambda pair: [*pair, pair[1]], lambda pair: pair[:1], lambda pair: pair[0]],
    ids=["three", "one", "text"],
)
def test_a_translation_is_a_language_with_its_texts(
    judge: Judge, change: Callable[[list[Item]], Item]
) -> None:
    """An array of two, nothing more or less or else (clause 8.4; 7 is the key of translations)."""
    german = Translation("de", (None,) * len(texts(DRYER)))
    item = to_item(replace(DRYER, language="en", translations=(german,)))
    assert judge.ask("schema", item=encode(item, MAX_SCHEMA_DEPTH).hex()) != "invalid"
    assert isinstance(item, dict)
    changed = encode({**item, 7: [change(["de", [*german.texts]])]}, MAX_SCHEMA_DEPTH)
    assert judge.ask("schema", item=changed.hex()) == _kind(changed) == "invalid"


@given(item=schema_items())
def test_a_schema_that_was_changed_is_judged_the_same(judge: Judge, item: bytes) -> None:
    """It is taken with the same fields, is invalid for both, or too new for both."""
    assert judge.ask("schema", item=item.hex()) == _kind(item)
