# SPDX-License-Identifier: MIT
"""Schemas that a board hands out, by clauses 6.2, 8 and 9.5 of shared/protocol.md, by hand.

Each is a map by number, encoded by cbor2 and stored, not compressed, unless it is about deflate.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from scripts.derive.vectors import boards, encoding

FLAGS = {
    "valid": "a schema that a host must take",
    "board": "the schema of a board of the vectors",
    "deflate": "a deflate stream that is damaged, or holds more than a schema may",
    "digest": "a schema that is not the one announced",
    "profile": "CBOR outside the profile",
    "growth": "what a later version may add must be skipped, or told to the person",
    "form": "a map that lacks a key, or has a value outside its type, size or range",
    "context": "a rule that more than one place decides, which no grammar can say",
}

Map = dict[int, Any]
Texts = dict[str, list[str]]
"""What a host shows of each text, in the order of clause 8.4, by language."""

_TEXT, _SECRET, _INTEGER, _DECIMAL, _YES_NO, _CHOICE, _PIN, _NETWORK, _PASSPHRASE = range(1, 10)
_HOST, _URL, _IP, _PORT, _ZONE, _DURATION, _HEX, _BLOB = range(10, 18)
_OPTIONS = [["slow", "Slow"], ["fast", "Fast", "Twice as fast."]]


def board_schema_id(file: str) -> str:
    """The id of a board's schema in schemas.json."""
    return file.removesuffix(".toml")


class Case(NamedTuple):
    """A schema as a map or as bytes; result is accepted, damaged, invalid or too-new."""

    id: str
    shows: str
    clause: str
    flags: tuple[str, ...]
    schema: Map | bytes
    expected: str
    fields: tuple[str, ...] = ()
    texts: Texts | None = None


class Stream(NamedTuple):
    """A deflate stream with a digest, by themselves."""

    id: str
    shows: str
    clause: str
    flags: tuple[str, ...]
    deflated: bytes
    digest: bytes
    expected: str
    fields: tuple[str, ...] = ()
    texts: Texts | None = None


def field(kind: int, key: str = "f", **more: Any) -> Map:
    """A field with what every field needs; more keys as `_8=20`."""
    numbered = {int(name[1:]): value for name, value in more.items()}
    return {1: key, 2: kind, 3: "F", **numbered}


def section(*fields: Map, key: str = "s", **more: Any) -> Map:
    """A section."""
    return {1: key, 2: "S", 5: list(fields), **{int(n[1:]): value for n, value in more.items()}}


def schema(*sections: Map, **more: Any) -> Map:
    """A schema."""
    return {1: 1, 2: "T", 3: list(sections), **{int(n[1:]): value for n, value in more.items()}}


def without(entries: Map, key: int) -> Map:
    """A map that lacks one key."""
    return {other: value for other, value in entries.items() if other != key}


_ONE = schema(section(field(_YES_NO)))
_ONE_BYTES = encoding.item(_ONE)
_PIN_TABLE = [
    {1: 2, 3: 3},
    {1: 3, 3: 3, 4: "console"},
    {1: 26, 3: 7, 2: "A0", 5: "Near the radio."},
]
_NET = section(field(_NETWORK, "name"), field(_PASSPHRASE, "key", _16="net.name"), key="net")

# One field of every kind with what it needs, then with all that it may have.
_BARE: list[tuple[str, Map]] = [
    ("text", field(_TEXT, _8=20)),
    ("secret", field(_SECRET, _8=20)),
    ("integer", field(_INTEGER)),
    ("decimal", field(_DECIMAL, _10=1)),
    ("yes-no", field(_YES_NO)),
    ("choice", field(_CHOICE, _13=_OPTIONS)),
    ("pin", field(_PIN, _14=2)),
    ("network-name", field(_NETWORK)),
    ("host", field(_HOST)),
    ("url", field(_URL, _19=["https"])),
    ("ip", field(_IP)),
    ("port", field(_PORT)),
    ("time-zone", field(_ZONE)),
    ("duration", field(_DURATION, _9="s")),
    ("hex", field(_HEX, _8=16)),
    ("blob", field(_BLOB, _8=16_384)),
]
_FULL: list[tuple[str, Map]] = [
    ("text", field(_TEXT, _5=True, _6="abc", _7=3, _8=255, _11="Care.", _17=["s.old"], _18=1)),
    ("secret", field(_SECRET, _4="Help.", _5=True, _7=8, _8=255, _18=2)),
    ("integer", field(_INTEGER, _6=-3, _7=-(2**31), _8=2**31 - 1, _9="°C")),
    ("decimal", field(_DECIMAL, _6=25, _7=-400, _8=400, _9="°C", _10=6)),
    ("yes-no", field(_YES_NO, _5=True, _6=True)),
    ("choice", field(_CHOICE, _6="fast", _13=_OPTIONS)),
    ("pin", field(_PIN, _6=2, _14=2, _15=True)),
    ("network-name", field(_NETWORK, _5=True, _6=b"orchard")),
    ("host", field(_HOST, _6="weather.example.net", _8=64)),
    ("url", field(_URL, _6="https://example.net/", _8=64, _19=["https", "http"])),
    ("ip", field(_IP, _6=bytes(4), _21=1)),
    ("port", field(_PORT, _6=8883)),
    ("time-zone", field(_ZONE, _6="UTC0")),
    ("duration", field(_DURATION, _6=90, _7=0, _8=2**31 - 1, _9="ms")),
    ("hex", field(_HEX, _6=bytes(4), _7=4, _8=255)),
    ("blob", field(_BLOB, _7=1, _8=600, _20=True)),
]


def _kinds() -> Iterator[Case]:
    for name, bare in _BARE:
        yield Case(
            f"{name}-bare",
            f"a field of kind {name} with what it needs",
            "8.1",
            ("valid",),
            schema(section(bare)),
            "accepted",
            ("s.f",),
        )
    for name, full in _FULL:
        yield Case(
            f"{name}-full",
            f"a field of kind {name} with all that it may have",
            "8.1",
            ("valid",),
            schema(section(full), _4=_PIN_TABLE),
            "accepted",
            ("s.f",),
        )


def _one(
    id_: str,
    shows: str,
    bad: Map,
    flag: str = "form",
    clause: str = "8.1",
) -> Case:
    return Case(id_, shows, clause, (flag,), schema(section(bad), _4=_PIN_TABLE), "invalid")


def _two(
    id_: str,
    shows: str,
    *fields: Map,
    expected: str = "invalid",
    clause: str = "9.5",
    flag: str = "context",
) -> Case:
    keys = tuple(f"s.{each[1]}" for each in fields) if expected == "accepted" else ()
    return Case(
        id_,
        shows,
        clause,
        ("valid",) if keys else (flag,),
        schema(section(*fields)),
        expected,
        keys,
    )


# Every text that clause 8.4 knows, and some that it does not: a unit that is a code, a pin's name.
_TOLD = schema(
    {
        1: "s",
        2: "Siren",
        3: "It is loud.",
        5: [
            field(_DURATION, "a", _4="How long.", _9="s"),
            field(_INTEGER, "b", _9="calls", _11="It wakes people."),
            field(_CHOICE, "c", _13=_OPTIONS),
        ],
    },
    _4=[{1: 2, 2: "A0", 3: 3, 4: "console", 5: "Near the radio."}],
    _6="en",
)
_ENGLISH = [
    *("T", "Siren", "It is loud.", "F", "How long.", "F", "calls", "It wakes people."),
    *("F", "Slow", "Fast", "Twice as fast.", "console", "Near the radio."),
]
_GERMAN: list[str | None] = [
    *("Titel", "Sirene", None, "Dauer", "Wie lange.", "Anzahl", "Anrufe", "Das weckt Leute."),
    *("Tempo", "Langsam", None, "Doppelt so schnell.", "Konsole", "Nahe am Funk."),
]


def _translated(
    id_: str, shows: str, translations: Any, flag: str = "context", base: Map | None = None
) -> Case:
    whole = {**(_TOLD if base is None else base), 7: translations}
    return Case(id_, shows, "8.4", (flag,), whole, "invalid")


_CASES: list[Case] = [
    Case(
        "translated",
        "every text in two languages, two of them without translation",
        "8.4",
        ("valid",),
        {**_TOLD, 7: [["de", _GERMAN]]},
        "accepted",
        ("s.a", "s.b", "s.c"),
        {"en": _ENGLISH, "de": [ours or own for ours, own in zip(_GERMAN, _ENGLISH, strict=True)]},
    ),
    Case(
        "language-alone",
        "a language, and no translations",
        "8.4",
        ("valid",),
        {**_ONE, 6: "zh-Hant-TW"},
        "accepted",
        ("s.f",),
        {"zh-Hant-TW": ["T", "S", "F"]},
    ),
    Case(
        "translations-8",
        "eight translations, none with a text",
        "8.4",
        ("valid",),
        {**_ONE, 6: "en", 7: [[f"q{c}", [None] * 3] for c in "abcdefgh"]},
        "accepted",
        ("s.f",),
        {"qh": ["T", "S", "F"]},
    ),
    Case(
        "translations-9",
        "nine translations",
        "8.1",
        ("form",),
        {**_ONE, 6: "en", 7: [[f"q{c}", [None] * 3] for c in "abcdefghi"]},
        "invalid",
    ),
    Case("language-form", "no language tag", "8.4", ("form",), {**_ONE, 6: "EN"}, "invalid"),
    Case(
        "language-long",
        "a tag of four parts",
        "8.4",
        ("form",),
        {**_ONE, 6: "zh-Hant-TW-x1"},
        "invalid",
    ),
    _translated("translations-empty", "an empty array", [], "form"),
    _translated("translation-text", "a text for a translation", ["de"], "form"),
    _translated("translation-no-texts", "a language without texts", [["de"]], "form"),
    _translated("translation-tag", "no language tag", [["de_AT", _GERMAN]], "form"),
    _translated("translation-number", "a number for a text", [["de", [*_GERMAN[:-1], 1]]], "form"),
    _translated("translation-blank", "an empty text", [["de", ["", *_GERMAN[1:]]]], "form"),
    _translated("translation-short", "a text too few", [["de", _GERMAN[:-1]]]),
    _translated("translation-over", "a text too many", [["de", [*_GERMAN, None]]]),
    _translated("translation-long", "a label of 41 bytes", [["de", ["T", "S" * 41, *_GERMAN[2:]]]]),
    _translated("translation-twice", "a language twice", [["de", _GERMAN], ["de", _GERMAN]]),
    _translated(
        "translation-case",
        "a language twice but for letter case",
        [["pt-BR", _GERMAN], ["pt-br", _GERMAN]],
    ),
    _translated("translation-own", "the schema's own language", [["en", _GERMAN]]),
    _translated(
        "translation-of-none",
        "a translation of texts in no language",
        [["de", [None] * 3]],
        base=_ONE,
    ),
    Case("least", "the least schema there can be", "8.1", ("valid",), _ONE, "accepted", ("s.f",)),
    *_kinds(),
    Case(
        "network",
        "a passphrase and its network",
        "8.1",
        ("valid",),
        schema(_NET),
        "accepted",
        ("net.name", "net.key"),
    ),
    Case(
        "pins-none",
        "an empty pin table",
        "8.1",
        ("valid",),
        schema(section(field(_YES_NO)), _4=[]),
        "accepted",
        ("s.f",),
    ),
    Case("trial", "the shortest trial", "8.1", ("valid",), {**_ONE, 5: 10}, "accepted", ("s.f",)),
    Case(
        "repeat",
        "instance by instance, each with all its fields",
        "8.3",
        ("valid",),
        schema(
            section(field(_YES_NO, "a"), field(_YES_NO, "b"), _4=[0, 2]),
            section(field(_PORT), key="t"),
        ),
        "accepted",
        ("s.1.a", "s.1.b", "s.2.a", "s.2.b", "t.f"),
    ),
    Case(
        "most-fields",
        "512 fields",
        "8.3",
        ("valid",),
        schema(section(*[field(_YES_NO, f"f{n}") for n in range(32)], _4=[0, 16])),
        "accepted",
        tuple(f"s.{i}.f{n}" for i in range(1, 17) for n in range(32)),
    ),
    Case(
        "too-many-fields",
        "513 fields",
        "8.3",
        ("context",),
        schema(
            section(*[field(_YES_NO, f"f{n}") for n in range(32)], _4=[0, 16]),
            section(field(_PORT), key="t"),
        ),
        "invalid",
    ),
    Case(
        "longest-texts",
        "title, labels, help and caution as long as they may be",
        "8.1",
        ("valid",),
        {
            1: 1,
            2: "T" * 40,
            3: [
                {
                    1: "s",
                    2: "S" * 40,
                    3: "h" * 400,
                    5: [{**field(_YES_NO), 3: "F" * 40, 4: "h" * 400, 11: "c" * 300}],
                }
            ],
        },
        "accepted",
        ("s.f",),
    ),
    Case(
        "longest-keys",
        "keys of 20 and of 11 bytes: a full key of 32",
        "8.2",
        ("valid",),
        schema(section(field(_YES_NO, "k" * 11), key="s" * 20)),
        "accepted",
        ("s" * 20 + "." + "k" * 11,),
    ),
    Case(
        "full-key-33",
        "a full key of 33 bytes",
        "8.2",
        ("context",),
        schema(section(field(_YES_NO, "k" * 12), key="s" * 20)),
        "invalid",
    ),
    Case(
        "full-key-33-by-instance",
        "a full key of 33 bytes in instance 10 alone",
        "8.2",
        ("context",),
        schema(section(field(_YES_NO, "k" * 9), key="s" * 20, _4=[0, 10])),
        "invalid",
    ),
    # ---- growth
    Case(
        "skip-64",
        "keys from 64 up in every map",
        "8.1",
        ("valid", "growth"),
        {
            **schema(
                {**section({**field(_PIN, _14=2), 64: [1]}), 100: None}, _4=[{1: 2, 3: 2, 64: "x"}]
            ),
            2**32 - 1: {1: 2},
        },
        "accepted",
        ("s.f",),
    ),
    Case("format-2", "a later format", "8.1", ("growth",), {**_ONE, 1: 2}, "too-new"),
    Case(
        "schema-key-63",
        "a key of the schema that must be known",
        "8.1",
        ("growth",),
        {**_ONE, 63: 0},
        "too-new",
    ),
    Case(
        "section-key-6",
        "a key of a section that must be known",
        "8.1",
        ("growth",),
        schema(section(field(_YES_NO), _6=0)),
        "too-new",
    ),
    Case(
        "field-key-22",
        "a key of a field that must be known",
        "8.1",
        ("growth",),
        schema(section(field(_YES_NO, _22=0))),
        "too-new",
    ),
    Case(
        "pin-key-6",
        "a key of a pin that must be known",
        "8.1",
        ("growth",),
        schema(section(field(_YES_NO)), _4=[{1: 2, 3: 2, 6: 0}]),
        "too-new",
    ),
    Case(
        "kind-18",
        "a kind of a later version",
        "8.1",
        ("growth",),
        schema(section(field(18))),
        "too-new",
    ),
    Case(
        "characters-4",
        "characters of a later version",
        "8.1",
        ("growth",),
        schema(section(field(_TEXT, _8=9, _18=4))),
        "too-new",
    ),
    Case(
        "ability-later",
        "an ability of a later version is compared alone",
        "8.1",
        ("valid", "growth"),
        schema(section(field(_PIN, _14=64)), _4=[{1: 2, 3: 64}]),
        "accepted",
        ("s.f",),
    ),
    Case(
        "defaults-spelt-out",
        "optional keys with the value that their absence means",
        "8.1",
        ("valid",),
        schema(
            section(
                field(_TEXT, "a", _5=False, _7=1, _8=20, _18=0),
                field(_PIN, "b", _14=0, _15=False),
                field(_BLOB, "c", _8=20, _20=False),
                field(_IP, "d", _21=3),
            )
        ),
        "accepted",
        ("s.a", "s.b", "s.c", "s.d"),
    ),
    # ---- the schema's own keys
    Case("no-format", "no format", "8.1", ("form",), without(_ONE, 1), "invalid"),
    Case("no-title", "no title", "8.1", ("form",), without(_ONE, 2), "invalid"),
    Case("no-sections", "no sections", "8.1", ("form",), without(_ONE, 3), "invalid"),
    Case("sections-empty", "an empty array of sections", "8.1", ("form",), schema(), "invalid"),
    Case(
        "sections-33",
        "33 sections",
        "8.1",
        ("form",),
        schema(*[section(field(_YES_NO), key=f"s{n}") for n in range(33)]),
        "invalid",
    ),
    Case("title-empty", "an empty title", "8.1", ("form",), {**_ONE, 2: ""}, "invalid"),
    Case("title-41", "a title of 41 bytes", "8.1", ("form",), {**_ONE, 2: "T" * 41}, "invalid"),
    Case(
        "title-bytes", "a byte string for a title", "8.1", ("form",), {**_ONE, 2: b"T"}, "invalid"
    ),
    Case("trial-9", "a trial of 9 seconds", "8.1", ("form",), {**_ONE, 5: 9}, "invalid"),
    Case("trial-3601", "a trial of 3,601 seconds", "8.1", ("form",), {**_ONE, 5: 3601}, "invalid"),
    Case(
        "an-array",
        "an array for the schema",
        "8.1",
        ("form",),
        encoding.item([1, "T", []]),
        "invalid",
    ),
    # ---- pins
    Case(
        "pins-descend",
        "pins out of order",
        "8.1",
        ("context",),
        schema(section(field(_YES_NO)), _4=[{1: 3, 3: 1}, {1: 2, 3: 1}]),
        "invalid",
    ),
    Case(
        "pin-twice",
        "a pin twice",
        "8.1",
        ("context",),
        schema(section(field(_YES_NO)), _4=[{1: 2, 3: 1}, {1: 2, 3: 1}]),
        "invalid",
    ),
    Case(
        "pin-256",
        "a pin number above 255",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO)), _4=[{1: 256, 3: 1}]),
        "invalid",
    ),
    Case(
        "pin-no-abilities",
        "a pin without abilities",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO)), _4=[{1: 2}]),
        "invalid",
    ),
    Case(
        "pin-taken-empty",
        "an empty text for what a pin is taken for",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO)), _4=[{1: 2, 3: 1, 4: ""}]),
        "invalid",
    ),
    Case(
        "pins-129",
        "129 pins",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO)), _4=[{1: n, 3: 1} for n in range(129)]),
        "invalid",
    ),
    Case(
        "pin-names-repeat",
        "two pins with one name",
        "8.1",
        ("valid",),
        schema(section(field(_YES_NO)), _4=[{1: 2, 2: "A", 3: 1}, {1: 3, 2: "A", 3: 1}]),
        "accepted",
        ("s.f",),
    ),
    Case(
        "pin-abilities-65536",
        "abilities beyond 16 bits",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO)), _4=[{1: 2, 3: 65_536}]),
        "invalid",
    ),
    # ---- sections
    Case("section-no-fields", "an empty section", "8.1", ("form",), schema(section()), "invalid"),
    Case(
        "section-65",
        "65 fields in a section",
        "8.1",
        ("form",),
        schema(section(*[field(_YES_NO, f"f{n}") for n in range(65)])),
        "invalid",
    ),
    Case(
        "section-no-label",
        "a section without label",
        "8.1",
        ("form",),
        schema(without(section(field(_YES_NO)), 2)),
        "invalid",
    ),
    Case(
        "section-help-401",
        "a help of 401 bytes",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO), _3="h" * 401)),
        "invalid",
    ),
    Case(
        "section-twice",
        "two sections with one key",
        "8.2",
        ("context",),
        schema(section(field(_YES_NO)), section(field(_YES_NO))),
        "invalid",
    ),
    Case(
        "repeat-reversed",
        "least above most",
        "8.1",
        ("context",),
        schema(section(field(_YES_NO), _4=[3, 2])),
        "invalid",
    ),
    Case(
        "repeat-none",
        "most is 0",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO), _4=[0, 0])),
        "invalid",
    ),
    Case(
        "repeat-17",
        "most is 17",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO), _4=[0, 17])),
        "invalid",
    ),
    Case(
        "repeat-three",
        "an array of three",
        "8.1",
        ("form",),
        schema(section(field(_YES_NO), _4=[0, 1, 2])),
        "invalid",
    ),
    # ---- keys
    *(
        Case(
            f"key-{name}",
            f"{shows} for a key",
            "8.2",
            ("form",),
            schema(section(field(_YES_NO, key))),
            "invalid",
        )
        for name, shows, key in (
            ("empty", "an empty text", ""),
            ("capital", "a capital", "Relay"),
            ("digit", "a digit first", "1st"),
            ("hyphen", "a hyphen first", "-a"),
            ("dot", "a dot", "a.b"),
            ("underscore", "an underscore", "a_b"),
            ("21", "21 bytes", "k" * 21),
            ("line-feed", "a line feed at the end", "a\n"),
            ("wide", "a letter beyond ASCII", "é"),
        )
    ),
    _two("field-twice", "two fields with one key", field(_YES_NO), field(_PORT), clause="8.2"),
    # ---- fields
    _one("field-no-kind", "no kind", without(field(_YES_NO), 2)),
    _one("field-no-label", "no label", without(field(_YES_NO), 3)),
    _one("field-required-1", "a number for a truth", field(_YES_NO, _5=1)),
    _one("field-caution-301", "a caution of 301 bytes", field(_YES_NO, _11="c" * 301)),
    _one("was-empty", "no older key", field(_YES_NO, _17=[])),
    _one("was-9", "nine older keys", field(_YES_NO, _17=[f"s.k{n}" for n in range(9)])),
    _one("was-short", "an older key without its section", field(_YES_NO, _17=["old"])),
    _one("text-no-maximum", "a text without maximum", field(_TEXT)),
    _one("secret-no-maximum", "a secret without maximum", field(_SECRET)),
    _one("hex-no-maximum", "a hex without maximum", field(_HEX)),
    _one("blob-no-maximum", "a blob without maximum", field(_BLOB)),
    _one("text-256", "a text of up to 256 bytes", field(_TEXT, _8=256)),
    _one("hex-256", "a hex of up to 256 bytes", field(_HEX, _8=256)),
    _one("blob-16385", "a blob of up to 16,385 bytes", field(_BLOB, _8=16_385)),
    _one("host-254", "a host of up to 254 bytes", field(_HOST, _8=254)),
    _one("url-256", "a URL of up to 256 bytes", field(_URL, _8=256, _19=["https"])),
    _one("text-reversed", "minimum above maximum", field(_TEXT, _7=9, _8=8), "context"),
    _one("text-negative", "a length below zero", field(_TEXT, _7=-1, _8=8)),
    _one("integer-reversed", "smallest above largest", field(_INTEGER, _7=1, _8=0), "context"),
    _one("integer-wide", "a largest value beyond 32 bits with sign", field(_INTEGER, _8=2**31)),
    _one("duration-negative", "a duration below zero", field(_DURATION, _7=-1, _9="s")),
    _one("duration-no-unit", "a duration without unit", field(_DURATION)),
    _one("duration-minutes", "a duration in minutes", field(_DURATION, _9="min")),
    _one("unit-9", "a unit of 9 bytes", field(_INTEGER, _9="u" * 9)),
    _one("unit-of-text", "a unit of a text", field(_TEXT, _8=8, _9="m")),
    _one("decimal-no-digits", "a decimal without digits", field(_DECIMAL)),
    _one("decimal-0", "a decimal with no digit", field(_DECIMAL, _10=0)),
    _one("decimal-7", "a decimal with 7 digits", field(_DECIMAL, _10=7)),
    _one("integer-digits", "digits of an integer", field(_INTEGER, _10=1)),
    _one("choice-no-options", "a choice without options", field(_CHOICE)),
    _one("choice-empty", "a choice of nothing", field(_CHOICE, _13=[])),
    _one("choice-33", "33 options", field(_CHOICE, _13=[[f"o{n}", "O"] for n in range(33)])),
    _one(
        "choice-twice",
        "an option twice",
        field(_CHOICE, _13=[["a", "A"], ["a", "B"]]),
        "context",
        "8.2",
    ),
    _one("option-no-label", "an option without label", field(_CHOICE, _13=[["a"]])),
    _one("option-label-41", "an option label of 41 bytes", field(_CHOICE, _13=[["a", "A" * 41]])),
    _one("option-help-401", "an option help of 401", field(_CHOICE, _13=[["a", "A", "h" * 401]])),
    _one(
        "option-key-17",
        "an option key of 17 bytes",
        field(_CHOICE, _13=[["k" * 17, "A"]]),
        clause="8.2",
    ),
    _one("pin-no-needs", "a pin without needs", field(_PIN)),
    _one("pin-needs-65536", "needs beyond 16 bits", field(_PIN, _14=65_536)),
    _one("pin-minimum", "a smallest pin", field(_PIN, _7=1, _14=2)),
    _one("shares-of-text", "shares of a text", field(_TEXT, _8=8, _15=True)),
    _one("url-no-schemes", "a URL without schemes", field(_URL)),
    _one("url-schemes-empty", "a URL of no scheme", field(_URL, _19=[])),
    _one("url-scheme-capitals", "a scheme in capitals", field(_URL, _19=["HTTPS"])),
    _one("url-scheme-13", "a scheme of 13 bytes", field(_URL, _19=["s" * 13])),
    _one("secret-of-text", "a text that is secret by a flag", field(_TEXT, _8=8, _20=True)),
    _one("families-0", "an address of no family", field(_IP, _21=0)),
    _one("families-4", "an address of a family that is none", field(_IP, _21=4)),
    _one("secret-default", "a secret with a default", field(_SECRET, _6="12345678", _8=20)),
    _one(
        "hex-secret-default",
        "a secret hex with a default",
        field(_HEX, _6=bytes(4), _8=20, _20=True),
    ),
    # ---- passphrases
    Case(
        "passphrase-required-false",
        "the key for required, though false, with a passphrase",
        "8.1",
        ("form",),
        schema(
            section(
                field(_NETWORK, "name"),
                field(_PASSPHRASE, "key", _5=False, _16="net.name"),
                key="net",
            )
        ),
        "invalid",
    ),
    Case(
        "passphrase-required",
        "a passphrase that is required",
        "8.1",
        ("form",),
        schema(
            section(
                field(_NETWORK, "name"),
                field(_PASSPHRASE, "key", _5=True, _16="net.name"),
                key="net",
            )
        ),
        "invalid",
    ),
    Case(
        "passphrase-default",
        "a passphrase with a default",
        "8.1",
        ("form",),
        schema(
            section(
                field(_NETWORK, "name"),
                field(_PASSPHRASE, "key", _6="12345678", _16="net.name"),
                key="net",
            )
        ),
        "invalid",
    ),
    Case(
        "passphrase-key-only",
        "a passphrase field that takes nothing but the key",
        "8.1",
        ("valid",),
        schema(
            section(
                field(_NETWORK, "name"),
                field(_PASSPHRASE, "key", _7=64, _16="net.name"),
                key="net",
            )
        ),
        "accepted",
        ("net.name", "net.key"),
    ),
    Case(
        "passphrase-least-length",
        "a passphrase with another least length than the key's",
        "8.1",
        ("form",),
        schema(
            section(
                field(_NETWORK, "name"),
                field(_PASSPHRASE, "key", _7=16, _16="net.name"),
                key="net",
            )
        ),
        "invalid",
    ),
    Case(
        "passphrase-no-network",
        "a passphrase without network",
        "8.1",
        ("form",),
        schema(section(field(_NETWORK, "name"), field(_PASSPHRASE, "key"), key="net")),
        "invalid",
    ),
    Case(
        "passphrase-of-nothing",
        "a passphrase of a field that is not there",
        "8.1",
        ("context",),
        schema(section(field(_PASSPHRASE, "key", _16="net.name"), key="net")),
        "invalid",
    ),
    Case(
        "passphrase-of-text",
        "a passphrase of a field that is no network name",
        "8.1",
        ("context",),
        schema(
            section(
                field(_TEXT, "name", _8=32), field(_PASSPHRASE, "key", _16="net.name"), key="net"
            )
        ),
        "invalid",
    ),
    Case(
        "passphrase-elsewhere",
        "a passphrase of a network of another section",
        "8.1",
        ("context",),
        schema(
            section(field(_NETWORK, "name"), key="net"),
            section(field(_PASSPHRASE, "key", _16="net.name")),
        ),
        "invalid",
    ),
    # ---- defaults: refused as a value would be
    _one("default-kind", "a default of another type", field(_INTEGER, _6="7")),
    _one("default-range", "a default above the largest", field(_INTEGER, _6=8, _8=7), "context"),
    _one("default-length", "a default that is too long", field(_TEXT, _6="abcd", _8=3), "context"),
    _one(
        "default-characters",
        "a default with a character that is not admitted",
        field(_TEXT, _6="a b", _8=8, _18=2),
        "context",
    ),
    _one(
        "default-option",
        "a default that is no option",
        field(_CHOICE, _6="medium", _13=_OPTIONS),
        "context",
    ),
    _one(
        "default-pin-unknown",
        "a default pin that is not there",
        field(_PIN, _6=9, _14=1),
        "context",
    ),
    _one("default-pin-taken", "a default pin that is taken", field(_PIN, _6=3, _14=1), "context"),
    _one("default-pin-unfit", "a default pin that cannot", field(_PIN, _6=2, _14=4), "context"),
    _one(
        "default-zone",
        "a default that is no time zone",
        field(_ZONE, _6="Europe/London"),
        "context",
    ),
    _one("default-port", "port 0 for a default", field(_PORT, _6=0)),
    _one("default-ip", "an address of five bytes for a default", field(_IP, _6=bytes(5))),
    _one(
        "default-family",
        "an IPv6 address for a default of IPv4",
        field(_IP, _6=bytes(16), _21=1),
        "context",
    ),
    _one("default-array", "an array for a default", field(_INTEGER, _6=[7])),
    # ---- conditions
    _two(
        "condition-yes",
        "a condition on yes",
        field(_YES_NO, "a"),
        field(_PORT, "b", _12=["s.a", [True]]),
        expected="accepted",
    ),
    _two(
        "condition-option",
        "a condition on options",
        field(_CHOICE, "a", _13=_OPTIONS),
        field(_PORT, "b", _12=["s.a", ["slow", "fast"]]),
        expected="accepted",
    ),
    _two(
        "condition-any",
        "a condition on any value of a secret",
        field(_SECRET, "a", _8=20),
        field(_PORT, "b", _12=["s.a", []]),
        expected="accepted",
    ),
    Case(
        "condition-elsewhere",
        "a condition on a field of an earlier section",
        "9.5",
        ("valid",),
        schema(
            section(field(_YES_NO)), section(field(_PORT, _12=["s.f", [True]]), key="t", _4=[0, 2])
        ),
        "accepted",
        ("s.f", "t.1.f", "t.2.f"),
    ),
    Case(
        "condition-in-instance",
        "a condition on a field of the same instance",
        "9.5",
        ("valid",),
        schema(section(field(_YES_NO, "a"), field(_PORT, "b", _12=["s.a", [True]]), _4=[1, 1])),
        "accepted",
        ("s.1.a", "s.1.b"),
    ),
    _two(
        "condition-later",
        "a condition on a later field",
        field(_PORT, "b", _12=["s.a", [True]]),
        field(_YES_NO, "a"),
    ),
    _two("condition-itself", "a condition on itself", field(_YES_NO, "a", _12=["s.a", [True]])),
    _two(
        "condition-nowhere",
        "a condition on a field that is not there",
        field(_YES_NO, "a"),
        field(_PORT, "b", _12=["s.c", [True]]),
    ),
    Case(
        "condition-later-section",
        "a condition on a field of a later section",
        "9.5",
        ("context",),
        schema(section(field(_PORT, _12=["t.f", [True]])), section(field(_YES_NO), key="t")),
        "invalid",
    ),
    Case(
        "condition-on-repeating",
        "a condition on a field of another section that repeats",
        "9.5",
        ("context",),
        schema(
            section(field(_YES_NO), _4=[1, 2]), section(field(_PORT, _12=["s.f", [True]]), key="t")
        ),
        "invalid",
    ),
    _two(
        "condition-on-text",
        "a list of values of a text",
        field(_TEXT, "a", _8=20),
        field(_PORT, "b", _12=["s.a", ["x"]]),
    ),
    _two(
        "condition-on-pin",
        "a list of values of a port",
        field(_PORT, "a"),
        field(_PORT, "b", _12=["s.a", [80]]),
    ),
    _two(
        "condition-33",
        "a condition with 33 values",
        field(_INTEGER, "a"),
        field(_PORT, "b", _12=["s.a", [*range(33)]]),
        flag="form",
    ),
    _two(
        "condition-never",
        "a condition on a value that the field never has",
        field(_INTEGER, "a", _8=7),
        field(_PORT, "b", _12=["s.a", [8]]),
    ),
    _two(
        "condition-short",
        "a condition without values",
        field(_YES_NO, "a"),
        field(_PORT, "b", _12=["s.a"]),
        flag="form",
    ),
    _two(
        "condition-bare",
        "a condition that is not an array",
        field(_YES_NO, "a"),
        field(_PORT, "b", _12="s.a"),
        flag="form",
    ),
]


class _Bits:
    """A deflate stream, bit by bit (RFC 1951 clause 3.1)."""

    def __init__(self) -> None:
        self._bits: list[int] = []

    def number(self, value: int, width: int) -> None:
        """A number, least significant bit first."""
        self._bits += [value >> place & 1 for place in range(width)]

    def symbol(self, value: int) -> None:
        """A literal or length of the fixed code (clause 3.2.6), most significant bit first."""
        if value < 144:
            width, code = 8, 0x30 + value
        elif value < 256:
            width, code = 9, 0x190 + value - 144
        elif value < 280:
            width, code = 7, value - 256
        else:
            width, code = 8, 0xC0 + value - 280
        self._bits += [code >> place & 1 for place in reversed(range(width))]

    def bytes(self) -> bytes:
        """The stream, its last byte filled with zeros."""
        bits = self._bits + [0] * (-len(self._bits) % 8)
        return bytes(
            sum(bit << place for place, bit in enumerate(bits[at : at + 8]))
            for at in range(0, len(bits), 8)
        )


def fixed(data: bytes, zeros: int = 0) -> bytes:
    """A raw deflate stream of one block with the fixed code: data, then zeros by repetition."""
    bits = _Bits()
    bits.number(0b011, 3)
    repeats, single = divmod(max(zeros - 1, 0), 258)
    for byte in data + bytes(single + bool(zeros)):
        bits.symbol(byte)
    for _ in range(repeats):
        bits.symbol(285)  # length 258
        bits.number(0, 5)  # distance 1
    bits.symbol(256)
    return bits.bytes()


def _large(size: int) -> tuple[bytes, int]:
    """A good schema of this size: its bytes up to the zeros, and how many zeros follow."""
    head = encoding.item({**_ONE, 64: b""})[:-1] + b"\x5a" + bytes(4)
    zeros = size - len(head)
    return head[:-4] + zeros.to_bytes(4, "big"), zeros


def _inflated(size: int) -> bytes:
    head, zeros = _large(size)
    return head + bytes(zeros)


_GOOD = boards.stored(_ONE_BYTES)
_DIGEST = boards.digest(_ONE_BYTES)
_NESTED = encoding.item({**_ONE, 64: 0})[:-1]  # up to the value of a key that is skipped


def _deep(depth: int) -> bytes:
    """The least schema with arrays in each other below a key that is skipped."""
    return _NESTED + b"\x81" * (depth - 2) + b"\x80"


_STREAMS: list[Stream] = [
    Stream(
        "stored",
        "a stored block",
        "6.2",
        ("valid", "deflate"),
        _GOOD,
        _DIGEST,
        "accepted",
        ("s.f",),
    ),
    Stream(
        "fixed",
        "a block with the fixed code",
        "6.2",
        ("valid", "deflate"),
        fixed(_ONE_BYTES),
        _DIGEST,
        "accepted",
        ("s.f",),
    ),
    Stream(
        "empty-blocks",
        "empty blocks before",
        "6.2",
        ("valid", "deflate"),
        b"\x00\x00\x00\xff\xff" * 3 + _GOOD,
        _DIGEST,
        "accepted",
        ("s.f",),
    ),
    Stream("cut", "the last byte is missing", "6.2", ("deflate",), _GOOD[:-1], _DIGEST, "damaged"),
    Stream(
        "cut-at-end",
        "all bytes are there, the end of the block is not",
        "6.2",
        ("deflate",),
        b"\x00" + _GOOD[1:],
        _DIGEST,
        "damaged",
    ),
    Stream("nothing", "no bytes", "6.2", ("deflate",), b"", _DIGEST, "damaged"),
    Stream(
        "trailing", "a byte after the end", "6.2", ("deflate",), _GOOD + b"\0", _DIGEST, "damaged"
    ),
    Stream("twice", "the stream twice", "6.2", ("deflate",), _GOOD * 2, _DIGEST, "damaged"),
    Stream(
        "block-type-3",
        "a block of the type that is none",
        "6.2",
        ("deflate",),
        b"\x07" + _GOOD[1:],
        _DIGEST,
        "damaged",
    ),
    Stream(
        "stored-length",
        "a stored block whose two lengths differ",
        "6.2",
        ("deflate",),
        _GOOD[:3] + b"\0\0" + _GOOD[5:],
        _DIGEST,
        "damaged",
    ),
    Stream(
        "distance",
        "a repetition of what is before the beginning",
        "6.2",
        ("deflate",),
        bytes.fromhex("030002"),
        _DIGEST,
        "damaged",
    ),
    Stream(
        "zlib-header",
        "a zlib stream (RFC 1950)",
        "6.2",
        ("deflate",),
        b"\x78\x01" + _GOOD,
        _DIGEST,
        "damaged",
    ),
    Stream(
        "not-deflated", "the schema as it is", "6.2", ("deflate",), _ONE_BYTES, _DIGEST, "damaged"
    ),
    Stream(
        "bit-flipped",
        "one bit of the schema differs",
        "6.2",
        ("digest",),
        boards.stored(_ONE_BYTES[:-1] + bytes([_ONE_BYTES[-1] ^ 1])),
        _DIGEST,
        "damaged",
    ),
    Stream(
        "digest-lies",
        "a good schema under another digest",
        "6.2",
        ("digest",),
        _GOOD,
        bytes(8),
        "damaged",
    ),
    Stream(
        "digest-last-byte",
        "a digest whose last byte differs",
        "6.2",
        ("digest",),
        _GOOD,
        _DIGEST[:7] + bytes([_DIGEST[7] ^ 1]),
        "damaged",
    ),
    Stream(
        "bomb",
        "a million zeros in some kilobytes",
        "6.2",
        ("deflate",),
        fixed(b"", 1_000_000),
        boards.digest(bytes(1_000_000)),
        "invalid",
    ),
    Stream(
        "largest",
        "as large as a schema may be",
        "6.2",
        ("valid", "deflate"),
        fixed(*_large(262_144)),
        boards.digest(_inflated(262_144)),
        "accepted",
        ("s.f",),
    ),
    Stream(
        "too-large",
        "one byte more",
        "6.2",
        ("deflate",),
        fixed(*_large(262_145)),
        boards.digest(_inflated(262_145)),
        "invalid",
    ),
    *(
        Stream(
            id_,
            shows,
            "3",
            ("profile",),
            boards.stored(inflated),
            boards.digest(inflated),
            "invalid",
        )
        for id_, shows, inflated in (
            ("depth-11", "one deeper than a schema may be", _deep(11)),
            ("depth-5000", "far deeper", _deep(5000)),
            ("item-trailing", "a byte after the item", _ONE_BYTES + b"\0"),
            ("item-cut", "the item is cut", _ONE_BYTES[:-1]),
            ("empty", "no item", b""),
            (
                "indefinite",
                "an array of indefinite length",
                _ONE_BYTES.replace(b"\x03\x81", b"\x03\x9f") + b"\xff",
            ),
            ("key-twice", "a key twice", b"\xa4\x01\x01" + _ONE_BYTES[1:]),
            (
                "long-head",
                "a number in a longer head than needed",
                b"\xa3\x01\x18\x01" + _ONE_BYTES[3:],
            ),
            ("utf8", "a title that is no UTF-8", _ONE_BYTES.replace(b"\x02\x61T", b"\x02\x61\xff")),
            (
                "float",
                "a floating-point number for the format",
                b"\xa3\x01\xf9\x3c\x00" + _ONE_BYTES[3:],
            ),
        )
    ),
    Stream(
        "depth-10",
        "as deep as a schema may be",
        "3",
        ("valid",),
        boards.stored(_deep(10)),
        boards.digest(_deep(10)),
        "accepted",
        ("s.f",),
    ),
]


def _rows() -> Iterator[dict[str, Any]]:
    for name in (
        "board.toml",
        "trial-board.toml",
        "smallest-board.toml",
        "dryer-1.toml",
        "dryer-2.toml",
    ):
        board = boards.load(name)
        yield _row(
            Stream(
                board_schema_id(name),
                f"the schema of {name}",
                "8",
                ("valid", "board"),
                board.deflated,
                board.digest,
                "accepted",
                board.fields,
            )
        )
    for case in _CASES:
        inflated = case.schema if isinstance(case.schema, bytes) else encoding.item(case.schema)
        yield _row(
            Stream(
                case.id,
                case.shows,
                case.clause,
                case.flags,
                boards.stored(inflated),
                boards.digest(inflated),
                case.expected,
                case.fields,
                case.texts,
            )
        )
    yield from map(_row, _STREAMS)


def _row(stream: Stream) -> dict[str, Any]:
    row: dict[str, Any] = {
        "id": stream.id,
        "shows": stream.shows,
        "clause": stream.clause,
        "flags": stream.flags,
        "bytes": stream.deflated.hex(),
        "digest": stream.digest.hex(),
        "expected": stream.expected,
    }
    if stream.expected == "accepted":
        row["fields"] = stream.fields
    if stream.texts is not None:
        row["texts"] = stream.texts
    return row


def document() -> bytes:
    """The file shared/vectors/schemas.json."""
    return encoding.document(
        "Schemas as a board hands them out, and what a host makes of them",
        "schemas.py",
        _rows(),
        flags=FLAGS,
    )
