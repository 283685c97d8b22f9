# SPDX-License-Identifier: MIT
"""The schema on the line (clauses 6.2 and 8): packed, read strictly, and hostile ones refused."""

from __future__ import annotations

import hashlib
import re
import tracemalloc
import zlib
from dataclasses import replace
from typing import cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.profile import Item, encode
from provision.contract.table import Ability, Characters, Kind
from provision.schema import languages
from provision.schema.codec import (
    DamagedSchemaError,
    InvalidSchemaError,
    NewerSchemaError,
    SchemaError,
    from_item,
    pack,
    to_item,
    unpack,
)
from provision.schema.model import (
    Condition,
    Field,
    Option,
    Pin,
    Repeat,
    Schema,
    Section,
    Translation,
)

Entries = dict[int, Item]

# ------------------------------------------------------------------- items written by hand

SSID: Entries = {1: "name", 2: 8, 3: "Name"}
PASS: Entries = {1: "pass", 2: 9, 3: "Passphrase", 16: "net.name"}
COUNT: Entries = {1: "count", 2: 3, 3: "Count"}
LEAST: dict[Kind, Entries] = {  # what a kind needs beside key, kind and label
    **{kind: {} for kind in Kind},
    Kind.TEXT: {8: 12},
    Kind.SECRET: {8: 12},
    Kind.DECIMAL: {10: 1},
    Kind.CHOICE: {13: [["slow", "Slow"], ["fast", "Fast", "As fast as it can"]]},
    Kind.PIN: {14: 2},
    Kind.URL: {19: ["https"]},
    Kind.DURATION: {9: "s"},
    Kind.HEX: {8: 8},
    Kind.BLOB: {8: 600},
}


def of_kind(kind: Kind, **entries: Item) -> Item:
    """Return a schema with one field of a kind, and entries such as k8=12 over those it needs."""
    field: Entries = {1: "a", 2: int(kind), 3: "A", **LEAST[kind]}
    field |= {int(key[1:]): value for key, value in entries.items()}
    return with_fields(field)


def with_fields(*fields: Item, repeat: Item = None, **top: Item) -> Item:
    """Return a schema with one section `net` of these fields."""
    return with_sections(section("net", *fields, repeat=repeat), **top)


def with_sections(*sections: Item, **top: Item) -> Item:
    """Return a schema of these sections."""
    return {1: 1, 2: "Alarm", 3: [*sections], **{int(key[1:]): each for key, each in top.items()}}


def section(key: str, *fields: Item, repeat: Item = None) -> Item:
    """Return a section of these fields."""
    entries: Entries = {1: key, 2: "Label", 5: [*fields]}
    return entries if repeat is None else {**entries, 4: repeat}


def without(item: Item, key: int) -> Item:
    """Return a map without one of its keys."""
    return {k: value for k, value in cast(Entries, item).items() if k != key}


def numbered(count: int) -> list[Item]:
    """Return fields with keys of their own."""
    return [{**COUNT, 1: f"count-{number}"} for number in range(count)]


LONG = "é" * 20  # 40 bytes
PIN: Entries = {1: 4, 3: 31}


@pytest.mark.parametrize(
    "item",
    [
        with_fields(SSID, PASS),
        with_fields(PASS, SSID),  # a passphrase may stand before its network
        with_fields(SSID, PASS, repeat=[0, 1]),
        with_fields(COUNT, repeat=[16, 16]),
        with_fields(COUNT, k2=LONG, k5=10),
        with_fields(COUNT, k5=3600, k4=[]),
        with_fields(COUNT, k4=[{**PIN, 1: number} for number in range(128)]),
        with_fields(COUNT, k4=[{**PIN, 2: "D" * 16, 4: LONG, 5: "x" * 300}]),
        with_fields(COUNT, k4=[{**PIN, 3: 0xFFFF}]),  # abilities of later versions
        with_sections(*(section(f"s{n}", *numbered(16)) for n in range(32))),  # 512 fields
        with_fields(*numbered(64), repeat=[0, 8]),  # 512 fields
        with_fields({**COUNT, 1: "k" * 20, 3: LONG, 4: "x" * 400, 11: "x" * 300}),
        with_fields({**COUNT, 1: "k" * 20, 17: ["a.b"] * 8}),
        with_fields({**COUNT, 17: ["a" * 11 + "." + "b" * 20]}),
        with_fields({**COUNT, 5: True, 6: 7, 7: 7, 8: 7, 9: "x" * 8}),
        with_fields({**COUNT, 5: False, 64: None, 4294967295: [{1: b""}]}, k64=1),
        {**cast(Entries, with_fields(COUNT)), 100: {0: None}},
        of_kind(Kind.TEXT, k8=255, k7=0, k18=3, k6=""),
        of_kind(Kind.TEXT, k8=255, k7=255),
        of_kind(Kind.INTEGER, k7=-(2**31), k8=2**31 - 1),
        of_kind(Kind.DECIMAL, k10=6, k9="°C", k6=-5),
        of_kind(Kind.YES_NO, k6=False),
        of_kind(Kind.CHOICE, k6="fast"),
        of_kind(Kind.CHOICE, k13=[[f"o{number}", LONG, "x" * 400] for number in range(32)]),
        of_kind(Kind.CHOICE, k13=[["o" * 16, "A"]]),
        of_kind(Kind.PIN, k14=0, k15=True),
        of_kind(Kind.NETWORK_NAME, k6=b"\xff"),
        of_kind(Kind.HOST, k8=253, k6="example.org"),
        of_kind(Kind.URL, k8=255, k6="coap+tcp://a", k19=["https", "coap+tcp"]),
        of_kind(Kind.URL, k19=["x" * 12] * 8),
        of_kind(Kind.IP, k21=1, k6=bytes(4)),
        of_kind(Kind.PORT, k6=1883),
        of_kind(Kind.TIME_ZONE, k6="UTC0"),
        of_kind(Kind.DURATION, k9="ms", k7=0, k8=2**31 - 1),
        of_kind(Kind.HEX, k20=True),
        of_kind(Kind.BLOB, k8=16384, k6=b"x", k20=False),
        with_fields(SSID, {**COUNT, 12: ["net.name", []]}),
        with_fields(COUNT, {**SSID, 12: ["net.count", [-1, 2**31 - 1] * 16]}),
        with_fields(COUNT, {**SSID, 12: ["net.count", [1]]}, repeat=[0, 2]),
    ],
)
def test_every_limit_is_itself_admitted(item: Item) -> None:
    """What clause 8 just admits is read, and comes back as it was."""
    schema = from_item(item)
    assert from_item(to_item(schema)) == schema


@pytest.mark.parametrize(
    ("item", "where"),
    [
        (None, "the schema: it is not a map"),
        ([1], "the schema: it is not a map"),
        ({}, "the schema: format is missing"),
        (with_fields(COUNT, k1=True), "the schema, format: it is not an integer"),
        (without(with_fields(COUNT), 2), "the schema: title is missing"),
        (with_fields(COUNT, k2=""), "title: it is not a text of 1 to 40 bytes"),
        (with_fields(COUNT, k2=LONG + "x"), "title: it is not a text of 1 to 40 bytes"),
        (with_fields(COUNT, k2=b"Alarm"), "title: it is not a text"),
        (with_fields(COUNT, k3=[]), "sections: it is not an array of 1 to 32 items"),
        (with_fields(COUNT, k3={}), "sections: it is not an array of 1 to 32 items"),
        (
            with_sections(*(section(f"s{n}", COUNT) for n in range(33))),
            "not an array of 1 to 32 items",
        ),
        (with_fields(COUNT, k5=9), "trial: it is not an integer from 10 to 3600"),
        (with_fields(COUNT, k5=3601), "trial: it is not an integer from 10 to 3600"),
        (with_fields(COUNT, k5=None), "trial: it is not an integer from 10 to 3600"),
        (with_fields(COUNT, k4=None), "pins: it is not an array of 0 to 128 items"),
        (with_fields(COUNT, k4=[PIN] * 129), "pins: it is not an array of 0 to 128 items"),
        (with_fields(COUNT, k4=[PIN, PIN]), "pins: their numbers do not ascend"),
        (with_fields(COUNT, k4=[{**PIN, 1: 5}, PIN]), "pins: their numbers do not ascend"),
        (with_fields(COUNT, k4=[{**PIN, 1: 256}]), "pins, item 1, number: it is not an integer"),
        (with_fields(COUNT, k4=[{**PIN, 3: 65536}]), "abilities: it is not an integer"),
        (with_fields(COUNT, k4=[{1: 4}]), "pins, item 1: abilities is missing"),
        (with_fields(COUNT, k4=[{**PIN, 2: "D" * 17}]), "name: it is not a text of 1 to 16 bytes"),
        (with_fields(COUNT, k4=[{**PIN, 4: LONG + "x"}]), "taken: it is not a text of 1 to 40"),
        (with_fields(COUNT, k4=[{**PIN, 5: "x" * 301}]), "caution: it is not a text of 1 to 300"),
        (with_sections(7), "sections, item 1: it is not a map"),
        (with_sections(without(section("a", COUNT), 1)), "item 1: key is missing"),
        (with_sections(without(section("a", COUNT), 2)), "item 1: label is missing"),
        (with_sections(without(section("a", COUNT), 5)), "item 1: fields is missing"),
        (with_sections(section("a")), "fields: it is not an array of 1 to 64 items"),
        (with_sections(section("a", *numbered(65))), "fields: it is not an array of 1 to 64 items"),
        (with_sections(section("", COUNT)), "key: it is no key of at most 20 bytes"),
        (with_sections(section("A", COUNT)), "key: it is no key of at most 20 bytes"),
        (with_sections(section("1a", COUNT)), "key: it is no key of at most 20 bytes"),
        (with_sections(section("a_b", COUNT)), "key: it is no key of at most 20 bytes"),
        (with_sections(section("a\n", COUNT)), "key: it is no key of at most 20 bytes"),
        (with_sections(section("a" * 21, COUNT)), "key: it is no key of at most 20 bytes"),
        (with_sections(section("a", COUNT), section("a", SSID)), "two sections have the same key"),
        (with_fields(COUNT, COUNT), "section net: two fields have the same key"),
        (
            with_sections(section("a" * 12, {**COUNT, 1: "b" * 20})),
            "its full key is longer than 32 bytes",
        ),
        (
            # the key of instance 10 is the first that is too long
            with_sections(section("a" * 9, {**COUNT, 1: "b" * 20}, repeat=[0, 10])),
            f"field {'a' * 9}.10.{'b' * 20}: its full key is longer than 32 bytes",
        ),
        (with_fields(COUNT, repeat=[2, 1]), "repeat: it is not [least, most]"),
        (with_fields(COUNT, repeat=[0, 0]), "repeat: it is not [least, most]"),
        (with_fields(COUNT, repeat=[0, 17]), "repeat, item 2: it is not an integer from 0 to 16"),
        (with_fields(COUNT, repeat=[1]), "repeat: it is not an array of 2 to 2 items"),
        (with_fields(*numbered(33), repeat=[0, 16]), "it has 528 fields, and 512 is the limit"),
        (with_fields(7), "fields, item 1: it is not a map"),
        (with_fields(without(COUNT, 1)), "fields, item 1: key is missing"),
        (with_fields(without(COUNT, 2)), "fields, item 1: kind is missing"),
        (with_fields(without(COUNT, 3)), "fields, item 1: label is missing"),
        (with_fields({**COUNT, 2: "text"}), "kind: it is not an integer from 0 to 255"),
        (with_fields({**COUNT, 2: 256}), "kind: it is not an integer from 0 to 255"),
        (with_fields({**COUNT, 4: "x" * 401}), "help: it is not a text of 1 to 400 bytes"),
        (with_fields({**COUNT, 5: 1}), "required: it is neither true nor false"),
        (with_fields({**COUNT, 6: [1]}), "default: it is not a value"),
        (with_fields({**COUNT, 6: None}), "default: it is not a value"),
        (with_fields({**COUNT, 6: True}), "its default is refused (wrong-kind)"),
        (with_fields({**COUNT, 6: 2**31}), "its default is refused (range)"),
        (with_fields({**COUNT, 7: 2**31}), "minimum: it is not an integer from -2147483648"),
        (with_fields({**COUNT, 7: 5, 8: 4}), "its limits are not in order"),
        (with_fields({**COUNT, 9: ""}), "unit: it is not a text of 1 to 8 bytes"),
        (with_fields({**COUNT, 9: "°" * 4 + "C"}), "unit: it is not a text of 1 to 8 bytes"),
        (with_fields({**COUNT, 11: "x" * 301}), "caution: it is not a text of 1 to 300 bytes"),
        (with_fields({**COUNT, 17: []}), "was: it is not an array of 1 to 8 items"),
        (with_fields({**COUNT, 17: ["a.b"] * 9}), "was: it is not an array of 1 to 8 items"),
        (with_fields({**COUNT, 17: ["a.1.b"]}), "was, item 1: it is no base key"),
        (with_fields({**COUNT, 17: ["a"]}), "was, item 1: it is no base key"),
        (with_fields({**COUNT, 17: ["a." + "b" * 21]}), "was, item 1: it is no base key"),
        (with_fields({**COUNT, 17: ["a" * 12 + "." + "b" * 20]}), "was, item 1: it is no base"),
        (of_kind(Kind.TEXT, k8=256), "its limits are not in order, or not within 0 to 255"),
        (of_kind(Kind.TEXT, k8=0), "its limits are not in order"),  # 1 is the default minimum
        (of_kind(Kind.TEXT, k7=-1), "its limits are not in order"),
        (of_kind(Kind.TEXT, k7=13), "its limits are not in order"),
        (of_kind(Kind.TEXT, k6="a\n"), "its default is refused (characters)"),
        (of_kind(Kind.TEXT, k6="\ud800"), "its default is refused (characters)"),
        (of_kind(Kind.SECRET, k6="apple"), "a secret has no default"),
        (of_kind(Kind.HEX, k20=True, k6=b"apple"), "a secret has no default"),
        (of_kind(Kind.BLOB, k8=16385), "not within 0 to 16384"),
        (of_kind(Kind.HOST, k8=254), "not within 1 to 253"),
        (of_kind(Kind.HOST, k8=0), "not within 1 to 253"),
        (of_kind(Kind.URL, k8=256), "not within 1 to 255"),
        (of_kind(Kind.URL, k19=[]), "schemes: it is not an array of 1 to 8 items"),
        (of_kind(Kind.URL, k19=["a"] * 9), "schemes: it is not an array of 1 to 8 items"),
        (of_kind(Kind.URL, k19=["HTTPS"]), "schemes, item 1: it is no scheme in lower case"),
        (of_kind(Kind.URL, k19=["x" * 13]), "schemes, item 1: it is no scheme in lower case"),
        (of_kind(Kind.DECIMAL, k10=0), "digits: it is not an integer from 1 to 6"),
        (of_kind(Kind.DECIMAL, k10=7), "digits: it is not an integer from 1 to 6"),
        (of_kind(Kind.DURATION, k9="min"), "its unit is neither ms nor s"),
        (of_kind(Kind.DURATION, k7=-1), "its limits are not in order, or not within 0 to"),
        (of_kind(Kind.CHOICE, k13=[]), "options: it is not an array of 1 to 32 items"),
        (
            of_kind(Kind.CHOICE, k13=[["a", "A"]] * 33),
            "options: it is not an array of 1 to 32 items",
        ),
        (of_kind(Kind.CHOICE, k13=[["a", "A"]] * 2), "two options have the same key"),
        (of_kind(Kind.CHOICE, k13=[["a"]]), "options, item 1: it is not an array of 2 to 3 items"),
        (of_kind(Kind.CHOICE, k13=[["a", "A", "h", 1]]), "it is not an array of 2 to 3 items"),
        (of_kind(Kind.CHOICE, k13=[["a" * 17, "A"]]), "it is no key of an option of at most 16"),
        (
            of_kind(Kind.CHOICE, k13=[["a", LONG + "x"]]),
            "item 1: it is not a text of 1 to 40 bytes",
        ),
        (of_kind(Kind.CHOICE, k13=[["a", "A", ""]]), "item 1: it is not a text of 1 to 400 bytes"),
        (of_kind(Kind.CHOICE, k6="medium"), "its default is refused (no-such-option)"),
        (of_kind(Kind.PIN, k14=65536), "needs: it is not an integer from 0 to 65535"),
        (of_kind(Kind.PIN, k15=1), "shares: it is neither true nor false"),
        (of_kind(Kind.PIN, k6=4), "its default is refused (pin-unfit)"),
        (
            with_fields(
                {1: "a", 2: 7, 3: "A", 6: 4, 14: 2},
                k4=[{**PIN, 4: "console"}],
            ),
            "its default is refused (pin-taken)",
        ),
        (of_kind(Kind.IP, k21=0), "families: it is not an integer from 1 to 3"),
        (of_kind(Kind.IP, k21=4), "families: it is not an integer from 1 to 3"),
        (of_kind(Kind.IP, k21=2, k6=bytes(4)), "its default is refused (length)"),
        (of_kind(Kind.TEXT, k18="ascii"), "characters: it is not an integer from 0 to 255"),
        (with_fields(PASS), "field net.pass, network: it names no network-name of its section"),
        (with_fields(COUNT, {**PASS, 16: "net.count"}), "it names no network-name of its section"),
        (
            with_sections(section("wifi", SSID), section("net", {**PASS, 16: "wifi.name"})),
            "it names no network-name of its section",
        ),
        (with_fields(SSID, {**PASS, 5: False}), "a field of kind passphrase has no required"),
        (with_fields(SSID, {**PASS, 16: "name"}), "network: it is no base key"),
        (with_fields(SSID, {**COUNT, 12: ["net.name"]}), "condition: it is not an array of 2 to 2"),
        (with_fields(SSID, {**COUNT, 12: [b"", []]}), "condition: it is no base key"),
        (
            with_fields(SSID, {**COUNT, 12: ["net.name", 1]}),
            "condition: it is not an array of 0 to 32",
        ),
        (
            with_fields(COUNT, {**SSID, 12: ["net.count", [1] * 33]}),
            "condition: it is not an array of 0 to 32 items",
        ),
        (with_fields(COUNT, {**SSID, 12: ["net.count", [b""]]}), "item 1: it is not a value"),
        (with_fields({**COUNT, 12: ["net.count", []]}), "it names no earlier field"),
        (with_fields({**COUNT, 12: ["net.name", []]}, SSID), "it names no earlier field"),
        (with_fields({**COUNT, 12: ["attic.box", []]}), "it names no earlier field"),
        (
            with_sections(
                section("probe", COUNT, repeat=[0, 2]),
                section("net", {**SSID, 12: ["probe.count", [1]]}),
            ),
            "it names no earlier field of the section, or of one that does not repeat",
        ),
        (
            with_fields(SSID, {**COUNT, 12: ["net.name", ["orchard"]]}),
            "it lists values of a field that is not a yes-no, choice, integer or duration",
        ),
        (
            with_fields(COUNT, {**SSID, 12: ["net.count", [True]]}),
            "it lists a value that the field can never have",
        ),
        (
            with_fields({**COUNT, 8: 9}, {**SSID, 12: ["net.count", [10]]}),
            "it lists a value that the field can never have",
        ),
    ],
)
def test_what_breaks_a_rule_is_refused(item: Item, where: str) -> None:
    """What clause 8 does not admit is refused in one sentence that says where and what."""
    with pytest.raises(InvalidSchemaError) as caught:
        from_item(item)
    words = str(caught.value)
    assert where in words
    assert re.fullmatch(r"The firmware declares its settings wrongly, [ -~]+\.", words)


NOT_FOR: dict[int, set[Kind]] = {
    7: {Kind.INTEGER, Kind.DECIMAL, Kind.DURATION, Kind.TEXT, Kind.SECRET, Kind.HEX, Kind.BLOB},
    9: {Kind.INTEGER, Kind.DECIMAL, Kind.DURATION},
    10: {Kind.DECIMAL},
    13: {Kind.CHOICE},
    14: {Kind.PIN},
    15: {Kind.PIN},
    16: {Kind.PASSPHRASE},
    18: {Kind.TEXT, Kind.SECRET},
    19: {Kind.URL},
    20: {Kind.HEX, Kind.BLOB},
    21: {Kind.IP},
}
NOT_FOR[8] = NOT_FOR[7] | {Kind.HOST, Kind.URL}


@pytest.mark.parametrize(("key", "kinds"), NOT_FOR.items())
def test_a_key_that_a_kind_does_not_have_is_refused(key: int, kinds: set[Kind]) -> None:
    """The table of clause 8.1 says which keys are of which kinds only."""
    samples: Entries = {9: "s", 13: [["a", "A"]], 15: True, 16: "net.name", 19: ["a"], 20: True}
    sample = samples.get(key, 1)
    for kind in set(Kind) - kinds - {Kind.PASSPHRASE}:
        with pytest.raises(InvalidSchemaError, match=r"a field of kind [a-z-]+ has no [a-z]+\.$"):
            from_item(of_kind(kind, **{f"k{key}": sample}))


@pytest.mark.parametrize("kind", [kind for kind in Kind if LEAST[kind]])
def test_a_key_that_a_kind_must_have_is_missed(kind: Kind) -> None:
    """The table of clause 8.1 says which keys a kind must have."""
    for key in LEAST[kind]:
        field: Entries = {1: "a", 2: int(kind), 3: "A", **LEAST[kind]}
        with pytest.raises(
            InvalidSchemaError, match=r"a field of kind [a-z-]+ must have [a-z]+\.$"
        ):
            from_item(with_fields(without(field, key)))


@pytest.mark.parametrize(
    "item",
    [
        with_fields(COUNT, k1=2),
        with_fields(COUNT, k8=1),
        with_fields(COUNT, k63=None),
        with_fields({**COUNT, 22: 1}),
        with_fields({**COUNT, 0: 1}),
        with_fields({**COUNT, 2: 18}),
        with_fields({**COUNT, 2: 0}),
        of_kind(Kind.TEXT, k18=4),
        with_fields(COUNT, k4=[{**PIN, 6: 1}]),
        with_sections({**cast(Entries, section("a", COUNT)), 6: 1}),
    ],
)
def test_what_a_later_version_has_is_told_from_a_mistake(item: Item) -> None:
    """A key below 64, a kind or a format that is not known asks for a newer program (8.1)."""
    with pytest.raises(
        NewerSchemaError, match="This firmware needs a newer version of this program: "
    ):
        from_item(item)


# ------------------------------------------------------------------- whole schemas, generated

TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), min_size=1, max_size=10)
PINS = tuple(
    Pin(n, Ability(31), f"D{n}", caution="Look out." if n == 3 else None) for n in range(9)
)


@st.composite
def fields(draw: st.DrawFn, key: str) -> Field:
    """Return a field of any kind but passphrase, with limits, and a default where it may."""
    kind = draw(st.sampled_from([each for each in Kind if each is not Kind.PASSPHRASE]))
    low = draw(st.integers(0, 4))
    own: dict[Kind, dict[str, object]] = {
        Kind.TEXT: {"minimum": low, "maximum": 9, "characters": draw(st.sampled_from(Characters))},
        Kind.SECRET: {"maximum": 255, "characters": draw(st.sampled_from(Characters))},
        Kind.INTEGER: {"minimum": -low, "default": draw(st.none() | st.integers(0, 99))},
        Kind.DECIMAL: {"digits": low + 1, "unit": "°C", "maximum": 99},
        Kind.YES_NO: {"default": draw(st.none() | st.booleans())},
        Kind.CHOICE: {
            "options": tuple(
                Option(f"o{n}", draw(TEXTS), draw(st.none() | TEXTS)) for n in range(3)
            ),
            "default": draw(st.sampled_from([None, "o0", "o2"])),
        },
        Kind.PIN: {"needs": Ability(low), "shares": draw(st.booleans()), "default": low},
        Kind.URL: {"schemes": ("https", "http")[: low % 2 + 1]},
        Kind.IP: {"families": low % 3 + 1},
        Kind.DURATION: {"unit": ("ms", "s")[low % 2], "minimum": low, "default": low},
        Kind.HEX: {"maximum": 8, "secret": draw(st.booleans())},
        Kind.BLOB: {"maximum": 16384, "secret": draw(st.booleans())},
    }
    return Field(
        key,
        kind,
        draw(TEXTS),
        help=draw(st.none() | TEXTS),
        required=draw(st.booleans()),
        caution=draw(st.none() | TEXTS),
        was=draw(st.sampled_from([(), ("old.key", "older.key")])),
        **own.get(kind, {}),  # type: ignore[arg-type]
    )


@st.composite
def schemas(draw: st.DrawFn) -> Schema:
    """Return any schema that clause 8 admits, in which each rule finds something to look at."""
    sections = []
    for number in range(draw(st.integers(1, 3))):
        key = f"s{number}"
        members = [draw(fields(f"f{place}")) for place in range(draw(st.integers(1, 4)))]
        members += [
            Field("name", Kind.NETWORK_NAME, "Name"),
            Field("pass", Kind.PASSPHRASE, "Passphrase", network=f"{key}.name"),
        ]
        first = members[0]
        values: dict[Kind, tuple[int | bool | str, ...]] = {
            Kind.CHOICE: ("o1",),
            Kind.YES_NO: (True,),
            Kind.INTEGER: (0, 1),
        }
        condition = Condition(f"{key}.{first.key}", values.get(first.kind, ()))
        members.append(Field("more", Kind.PORT, "More", condition=condition))
        repeat = draw(st.none() | st.builds(Repeat, st.integers(0, 2), st.integers(2, 4)))
        sections.append(Section(key, draw(TEXTS), tuple(members), draw(st.none() | TEXTS), repeat))
    trial = draw(st.none() | st.integers(10, 3600))
    schema = Schema(draw(TEXTS), tuple(sections), PINS, trial, draw(st.sampled_from([None, "en"])))
    if schema.language is None or not draw(st.booleans()):
        return schema
    count = len(languages.texts(schema))
    texts = draw(st.lists(st.none() | st.just("ü"), min_size=count, max_size=count))
    return replace(schema, translations=(Translation("de", tuple(texts)),))


@given(schemas())
def test_a_schema_comes_back_as_it_was(schema: Schema) -> None:
    """Packing and unpacking change nothing, and packing again gives the same bytes."""
    packed = pack(schema)
    assert unpack(packed.deflated, packed.digest) == schema
    assert pack(unpack(packed.deflated, packed.digest)) == packed


def changed(item: Item, path: list[int], junk: Item) -> Item:
    """Return an item with one part of it, found by walking a path, replaced."""
    if not path or not isinstance(item, list | dict) or not item:
        return junk
    place = path[0] % len(item)
    if isinstance(item, list):
        return [changed(e, path[1:], junk) if n == place else e for n, e in enumerate(item)]
    key = [*item][place]
    return {k: changed(e, path[1:], junk) if k == key else e for k, e in item.items()}


JUNK = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**31), 2**32 - 1)
    | st.binary(max_size=40)
    | st.text(st.characters(codec="utf-8"), max_size=40)
    | st.sampled_from(["name", "s0.name", "o1", "ms", 1, 17, 64]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.integers(0, 66), inner, max_size=3)
    ),
    max_leaves=5,
)


def announced(schema: Schema) -> tuple[bytes, bytes]:
    """Return what a board sends of a schema: its bytes, and their digest."""
    packed = pack(schema)
    return packed.deflated, packed.digest


@given(schemas(), st.lists(st.integers(0, 50), max_size=7), JUNK)
def test_a_damaged_schema_is_taken_or_refused_in_words(
    schema: Schema, path: list[int], junk: Item
) -> None:
    """One part replaced by anything: a schema comes out that a board can hold, or a refusal."""
    item = changed(to_item(schema), path, junk)
    try:
        taken = from_item(item)
    except SchemaError as error:
        assert str(error).endswith(".")  # noqa: PT017 - either outcome is right
    else:
        assert unpack(*announced(taken)) == taken


# ------------------------------------------------------------------------- bytes off the line

SMALL = Schema("Alarm", (Section("net", "Network", (Field("count", Kind.INTEGER, "Count"),)),))


def deflate(data: bytes) -> bytes:
    """Return raw deflate (RFC 1951)."""
    compressor = zlib.compressobj(9, zlib.DEFLATED, -15)
    return compressor.compress(data) + compressor.flush()


def digest(data: bytes) -> bytes:
    """Return the first 8 bytes of SHA-256."""
    return hashlib.sha256(data).digest()[:8]


def test_a_packed_schema_is_its_cbor_deflated() -> None:
    """The item, byte by byte, raw deflate, and the digest over what comes before deflating."""
    by_hand = bytes.fromhex("a3 01 01 02 65") + b"Alarm" + bytes.fromhex("03 81 a3 01 63") + b"net"
    by_hand += bytes.fromhex("02 67") + b"Network" + bytes.fromhex("05 81 a3 01 65") + b"count"
    by_hand += bytes.fromhex("02 03 03 65") + b"Count"
    packed = pack(SMALL)
    assert zlib.decompress(packed.deflated, -15) == by_hand
    assert packed.inflated_size == len(by_hand)
    assert packed.digest == digest(by_hand)


@pytest.mark.parametrize(
    "deflated",
    [
        b"",
        pack(SMALL).deflated[:-1],  # the stream does not end
        pack(SMALL).deflated + b"\0",  # something follows its end
        deflate(b"something else"),
        b"\xff" * 40,  # no deflate stream: reserved block type
        zlib.compress(b"\xa0"),  # with the header of RFC 1950
    ],
)
def test_bytes_that_are_not_what_was_announced(deflated: bytes) -> None:
    """A stream that is cut, longer, or of another digest is damage, and nothing is believed."""
    with pytest.raises(DamagedSchemaError, match="arrived damaged"):
        unpack(deflated, pack(SMALL).digest)


@pytest.mark.parametrize(
    ("inflated", "where"),
    [
        (b"", "the input ends within an item"),
        (b"\xa0\xa0", "1 bytes follow the item"),
        (b"\xbf\xff", "the head at byte 0"),
        (b"\x81" * 10 + b"\x80", "the item is nested deeper than 10"),
        (b"\x81" * 100_000 + b"\x80", "the item is nested deeper than 10"),
        (b"\xa1\x01\x01", "the schema: title is missing"),
    ],
)
def test_bytes_that_are_no_schema(inflated: bytes, where: str) -> None:
    """What arrived whole and is none of the profile's items, or no schema, is refused in words."""
    with pytest.raises(SchemaError) as caught:
        unpack(deflate(inflated), digest(inflated))
    assert where in str(caught.value)


def test_the_largest_schema_and_one_byte_more() -> None:
    """Up to 262,144 bytes are inflated; of what is larger no more than that is ever held."""
    largest = encode(b"x" * (262_144 - 5))
    assert len(largest) == 262_144
    with pytest.raises(InvalidSchemaError, match="the schema: it is not a map"):
        unpack(deflate(largest), digest(largest))
    with pytest.raises(InvalidSchemaError, match="it is larger than 262144 bytes"):
        unpack(deflate(largest + b"x"), digest(largest + b"x"))


def test_a_bomb_is_held_in_bounds() -> None:
    """64 MiB of zeros in 64 KiB: what is held of them stays within a few times the limit."""
    bomb = deflate(bytes(1 << 26))
    tracemalloc.start()
    try:
        with pytest.raises(InvalidSchemaError, match="it is larger than 262144 bytes"):
            unpack(bomb, bytes(8))
        assert tracemalloc.get_traced_memory()[1] < 4 * 262_144
    finally:
        tracemalloc.stop()


@given(st.binary(max_size=300), st.booleans())
def test_unpacking_takes_any_bytes(data: bytes, as_announced: bool) -> None:
    """Whatever a board sends, with any digest, is a schema or a refusal in words."""
    for deflated in (data, deflate(data)):
        with pytest.raises(SchemaError):
            unpack(deflated, digest(data) if as_announced else b"")


@pytest.mark.parametrize(
    ("schema", "words"),
    [
        (Schema("Alarm", ()), "sections: it is not an array of 1 to 32 items"),
        (Schema("\ud800", SMALL.sections), "a text is no Unicode text"),
        (
            Schema(
                "Alarm",
                tuple(
                    Section(
                        f"s{number}",
                        "S",
                        tuple(
                            Field(f"f{n}", Kind.INTEGER, "F", help="é" * 200, caution="é" * 150)
                            for n in range(16)
                        ),
                    )
                    for number in range(32)
                ),
            ),
            "it is larger than 262144 bytes",
        ),
    ],
)
def test_a_schema_that_no_host_would_take_is_not_packed(schema: Schema, words: str) -> None:
    """An author hears of it before a board does."""
    with pytest.raises(InvalidSchemaError, match=words):
        pack(schema)


def test_values_are_read_with_their_types() -> None:
    """A condition and a default keep true apart from 1."""
    fitted = Field("fitted", Kind.YES_NO, "Fitted", default=True)
    relay = Field("relay", Kind.PORT, "Relay", condition=Condition("siren.fitted", (True,)))
    packed = pack(Schema("Alarm", (Section("siren", "Siren", (fitted, relay)),)))
    fields_read = unpack(packed.deflated, packed.digest).sections[0].fields
    assert fields_read[0].default is True
    assert fields_read[1].condition is not None
    assert fields_read[1].condition.values[0] is True
