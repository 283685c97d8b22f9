# SPDX-License-Identifier: MIT
"""shared/protocol.cddl, judged by cddl-verifier: an implementation of RFC 8610 that is not ours.

The check of bodies in Python and the grammar are derived from the table on separate ways; here they
are held against each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cddl_verifier import Validator
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.messages import Message, MessageError, check_body, encode_message
from provision.contract.profile import encode
from provision.contract.table import MESSAGES, MessageType
from tests.contract.samples import BAD, GOOD

GRAMMAR = Path(__file__).parents[2] / "shared" / "protocol.cddl"
VALIDATOR = Validator(GRAMMAR.read_text(encoding="utf-8"))

# What may stand as the value of an entry, and what may not.
VALUES: list[Any] = [None, 1, "x", b"x", True, [], {}]

# One of every type of item, and the values beside every bound of the table.
ITEMS: list[Any] = [
    *(None, False, True, [], [0], {}, {0: 0}, b"", "", "ü" * 16, "ü" * 17, b"\x00" * 8),
    *(-(2**31), -129, -128, -1, 0, 1, 7, 8, 127, 128, 138, 139, 254, 255, 256, 470, 471, 511, 512),
    *(513, 655, 656, 60_000, 60_001, 65_535, 65_536, 262_143, 262_144, 262_145, 600_000, 600_001),
    *(3_600_000, 3_600_001, 2**31, 2**32 - 1),
    *(b"x" * size for size in (1, 4, 5, 16, 17, 470, 471)),
    *("x" * size for size in (1, 24, 25, 32, 33, 256)),
    *([1] * size for size in (8, 9, 32, 33)),
    *([[b"o", signal, 1]] for signal in (-129, -128, 0, 1)),
    *([["a.b", 1, value]] for value in VALUES),
]


def grammar_admits(type_: MessageType, body: dict[int, Any]) -> bool:
    """Tell whether the grammar's rule for this type admits a message with this body."""
    item = encode_message(Message(1, type_, 7, body))
    return bool(VALIDATOR.validate(item, root_type=MESSAGES[type_].name).valid)


def we_admit(type_: MessageType, body: dict[int, Any]) -> bool:
    """Tell whether our own check admits this body."""
    try:
        check_body(Message(1, type_, 7, body))
    except MessageError:
        return False
    return True


def mutations(body: dict[int, Any]) -> Iterator[dict[int, Any]]:
    """Yield the body without each key, and with every item at each key and at some new ones."""
    for key in body:
        yield {other: item for other, item in body.items() if other != key}
    for key in sorted({*body, *range(1, 7), 0, 63, 64, 2**32 - 1}):
        for item in ITEMS:
            yield {**body, key: item}


@pytest.mark.parametrize(("type_", "body"), GOOD, ids=str)
def test_the_grammar_admits_every_sample(type_: MessageType, body: dict[int, Any]) -> None:
    """A sample is a message of its type, and of the grammar's first rule."""
    assert grammar_admits(type_, body)
    assert VALIDATOR.validate(encode_message(Message(1, type_, 7, body))).valid


@pytest.mark.parametrize(("type_", "body"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_the_grammar_refuses_every_fault(type_: MessageType, body: dict[int, Any]) -> None:
    """What our check refuses for a named fault, the grammar refuses too."""
    assert not grammar_admits(type_, body)


@pytest.mark.parametrize(("type_", "body"), GOOD, ids=str)
def test_our_check_and_the_grammar_agree(type_: MessageType, body: dict[int, Any]) -> None:
    """Whatever is done to one key of a sample, both admit it or both refuse it."""
    for mutant in mutations(body):
        assert we_admit(type_, mutant) == grammar_admits(type_, mutant), mutant


@given(
    st.sampled_from(MessageType),
    st.dictionaries(st.integers(0, 18) | st.sampled_from([63, 64]), st.sampled_from(ITEMS)),
)
def test_they_agree_on_any_body(type_: MessageType, body: dict[int, Any]) -> None:
    """Both admit, or both refuse, a body put together from anything."""
    assert we_admit(type_, body) == grammar_admits(type_, body)


@pytest.mark.parametrize(
    "envelope",
    [
        [0, 11, 7, {}],
        [256, 11, 7, {}],
        [1, 27, 7, {}],
        [1, 11, 65_536, {}],
        [1, 11, 7, []],
        [1, 11, 7],
        [1, 11, 7, {}, 0],
    ],
    ids=str,
)
def test_the_grammar_refuses_another_envelope(envelope: list[Any]) -> None:
    """Version, type, id and body have the bounds of clause 4.1."""
    assert not VALIDATOR.validate(encode(envelope)).valid


def field(kind: int, **more: Any) -> dict[int, Any]:
    """Return a field of a schema, with what every kind needs; more keys as `_8=20`."""
    return {1: "relay", 2: kind, 3: "Relay", **{int(key[1:]): item for key, item in more.items()}}


def schema_valid(*fields: dict[int, Any], **more: Any) -> bool:
    """Tell whether the grammar admits a schema with these fields."""
    schema = {
        1: 1,
        2: "Orchard frost alarm",
        3: [{1: "mast", 2: "Sensor mast", 3: "Where it stands.", 4: [1, 4], 5: list(fields)}],
        4: [{1: 15, 2: "D15", 3: 3, 5: "Low at start."}, {1: 16, 3: 1, 4: "status light"}],
        5: 60,
        **{int(key[1:]): item for key, item in more.items()},
    }
    return bool(VALIDATOR.validate(encode(schema, max_depth=10), root_type="schema").valid)


GOOD_FIELDS = [
    field(1, _8=40, _7=0, _6="mast", _18=2, _5=True, _4="Help.", _11="Careful.", _17=["a.b"]),
    field(2, _8=64),
    field(3, _6=-5, _7=-(2**31), _8=2**31 - 1, _9="m", _12=["mast.siren", [True, 3, "a"]]),
    field(4, _10=2, _6=-250),
    field(5, _6=False, _12=["mast.siren", []]),
    field(6, _13=[["a", "A"], ["b", "B", "Help."]], _6="b"),
    field(7, _14=2, _15=True, _6=15),
    field(8, _6=b"\xff"),
    field(9, _16="net.name"),
    field(10, _8=253, _6="frost.example"),
    field(11, _19=["https", "mqtts"], _6="https://frost.example/"),
    field(12, _21=1, _6=bytes(4)),
    field(13, _6=65_535),
    field(14, _6="GMT0BST,M3.5.0/1,M10.5.0"),
    field(15, _9="s", _6=600, _7=0, _8=86_400),
    field(16, _8=16, _6=b"\x01", _20=False),
    field(16, _8=16, _20=True),
    field(17, _8=16_384, _20=True),
    field(13, _64="from a later version"),
]

BAD_FIELDS = [
    ("text without a maximum", field(1)),
    ("a maximum above 255", field(1, _8=256)),
    ("a secret with a default", field(2, _8=64, _6="orchard")),
    ("an integer of 33 bits", field(3, _8=2**31)),
    ("decimal without digits", field(4)),
    ("digits of an integer", field(3, _10=2)),
    ("no option", field(6, _13=[])),
    ("an option without a label", field(6, _13=[["a"]])),
    ("an option's key in capitals", field(6, _13=[["A", "A"]])),
    ("a pin that needs nothing said", field(7)),
    ("a passphrase without its network", field(9)),
    ("a passphrase that is required", field(9, _16="net.name", _5=True)),
    ("a passphrase with a default", field(9, _16="net.name", _6="orchard1")),
    ("a URL without schemes", field(11)),
    ("an address of five bytes", field(12, _6=bytes(5))),
    ("port 0", field(13, _6=0)),
    ("a duration in minutes", field(15, _9="min")),
    ("a secret byte string with a default", field(16, _8=16, _20=True, _6=b"\x01")),
    ("a blob above its bound", field(17, _8=16_385)),
    ("a kind of a later version", field(18)),
    ("a key that a host must know", field(13, _63=0)),
    ("a field's key in capitals", {**field(13), 1: "Relay"}),
    ("a field's key of 21 bytes", {**field(13), 1: "r" * 21}),
    ("an older key without its section", field(13, _17=["relay"])),
    ("a label of 41 bytes", {**field(13), 3: "r" * 41}),
]


@pytest.mark.parametrize("good", GOOD_FIELDS, ids=str)
def test_the_grammar_admits_a_schema(good: dict[int, Any]) -> None:
    """Each kind of field may have what clause 8.1 gives it."""
    assert schema_valid(good)


@pytest.mark.parametrize("bad", [row[1] for row in BAD_FIELDS], ids=[row[0] for row in BAD_FIELDS])
def test_the_grammar_refuses_a_schema(bad: dict[int, Any]) -> None:
    """What clause 8.1 forbids a field, the grammar refuses, and for that reason alone."""
    assert not schema_valid(bad)
    assert schema_valid(GOOD_FIELDS[0])


def test_the_bounds_of_a_schema() -> None:
    """Format, title, pins and trial have the bounds of clause 8.1."""
    good = GOOD_FIELDS[0]
    faults: list[tuple[str, Any]] = [
        *(("_1", 2), ("_2", ""), ("_3", []), ("_5", 9), ("_5", 3601), ("_63", 0)),
        *(("_4", [{1: 256, 3: 1}]), ("_4", [{1: 1}])),
    ]
    for key, wrong in faults:
        assert not schema_valid(good, **{key: wrong})
    assert schema_valid(good, _4=[], _64=None)
    assert not schema_valid()
    assert not schema_valid(*[good] * 65)
