# SPDX-License-Identifier: MIT
"""The JSON Schema of schema files: it takes what `provision check` takes, and refuses what it can.

The judge is the `jsonschema` library, which knows nothing of this project.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from provision.schema_file.fields import KINDS
from provision.schema_file.load import FileMistakes, read_declaration
from scripts.derive import json_schema, source

ROOT = Path(__file__).parents[2]
MADE = json_schema.json_schema(source.load(ROOT / "shared"))
CHECKED_IN = ROOT / "schemas" / "schema-file.json"
SCHEMA_FILES = sorted(
    path
    for folder in ("schemas", "shared/vectors", "tests")
    for path in (ROOT / folder).rglob("*.toml")
    if not path.name.endswith(".answers.toml")
)

TOP = """\
format = 1
title = "Cider press"
[firmware]
name = "cider-press"
version = "1"
[board]
name = "press board"
flash-size = "1 MiB"
erase-unit = "4 KiB"
program-unit = 256
settings-at = "960 KiB"
settings-size = "64 KiB"
"""
PINS = "[[pin]]\nnumbers = '2-5'\ncan = ['in', 'out', 'analog']\n"


@pytest.fixture(scope="module")
def judge() -> Draft7Validator:
    """Return the judge, which reads the file that is checked in, as an editor does."""
    return Draft7Validator(json.loads(CHECKED_IN.read_text(encoding="utf-8")))


def refused(judge: Draft7Validator, text: str) -> list[str]:
    """Return where and why the judge refuses a file."""
    return [
        f"{error.json_path}: {error.message}" for error in judge.iter_errors(tomllib.loads(text))
    ]


def has_mistakes(text: str) -> bool:
    """Return whether `provision check` names a mistake."""
    try:
        read_declaration(text, "press.toml")
    except FileMistakes:
        return True
    return False


def section(*fields: str, more: str = "key = 's'") -> str:
    """Return a section, each field as its lines."""
    return f"[[section]]\nlabel = 'S'\n{more}\n" + "".join(
        f"[[section.field]]\n{each}\n" for each in fields
    )


def field(kind: str, more: str = "", key: str = "f") -> str:
    """Return the lines of a field."""
    return f"key = '{key}'\nkind = '{kind}'\nlabel = 'L'\n{more}"


def with_field(kind: str, more: str = "") -> str:
    """Return a whole file with a field."""
    return TOP + PINS + section(field("network-name", key="n"), field(kind, more))


def in_top(lines: str) -> str:
    """Return a whole file with lines before its tables."""
    return f"{lines}\n{TOP}" + section(field("yes-no"))


def in_board(old: str, new: str) -> str:
    """Return a whole file with a part of its head replaced."""
    assert old in TOP
    return TOP.replace(old, new) + section(field("yes-no"))


def with_pin(lines: str) -> str:
    """Return a whole file with a pin."""
    return f"{TOP}[[pin]]\n{lines}\n" + section(field("yes-no"))


def test_it_is_a_schema_of_its_draft() -> None:
    """It conforms to the meta-schema of draft-07, which the library brings along."""
    Draft7Validator.check_schema(MADE)


def test_files_of_every_kind_were_found() -> None:
    """The samples below are not an empty list, and have both files of the demo among them."""
    names = {path.name for path in SCHEMA_FILES}
    assert names >= {"orchard-frost-alarm.toml", "orchard-gate-lamp.toml", "every-kind.toml"}


@pytest.mark.parametrize("path", SCHEMA_FILES, ids=lambda path: str(path.stem))
def test_what_provision_check_takes_is_taken(judge: Draft7Validator, path: Path) -> None:
    """Every schema file of the project is taken if it has no mistakes, else refused."""
    text = path.read_text(encoding="utf-8")
    assert bool(refused(judge, text)) == has_mistakes(text)


# -------------------------------------------------------------------------------------- mistakes

EXPRESSIBLE = {
    # unknown keys
    "unknown key of the top": in_top("name = 'x'"),
    "unknown key of the board": in_board("[board]", "[board]\nsize = 5"),
    "unknown key of a section": TOP + section(field("yes-no"), more="key = 's'\ntitle = 'x'"),
    "unknown key of a field": with_field("yes-no", "units = 4"),
    "unknown key of an option": with_field(
        "choice", "options = [{ key = 'a', label = 'A', helps = 'H' }]"
    ),
    "unknown key of a condition": with_field("yes-no", "asked-if = { field = 'n', was = 1 }"),
    "unknown key of a repeat": TOP
    + section(field("yes-no"), more="key = 's'\nrepeat = { least = 1, most = 2, times = 2 }"),
    # missing keys
    "no title": in_board('title = "Cider press"\n', ""),
    "no format": in_board("format = 1\n", ""),
    "no version": in_board('version = "1"\n', ""),
    "no erase unit": in_board('erase-unit = "4 KiB"\n', ""),
    "no section": TOP,
    "section without field": TOP + section(),
    "field without kind": TOP + section("key = 'f'\nlabel = 'L'"),
    "field without label": TOP + section("key = 'f'\nkind = 'yes-no'"),
    "option without label": with_field("choice", "options = [{ key = 'a' }]"),
    "repeat without most": TOP + section(field("yes-no"), more="key = 's'\nrepeat = { least = 1 }"),
    "pin without number": with_pin("can = ['in']"),
    "pin without can": with_pin("number = 1"),
    "condition without field": with_field("yes-no", "asked-if = { is = true }"),
    # wrong types
    "title no text": in_board('"Cider press"', "1979-05-27"),
    "format no number": in_board("format = 1", "format = true"),
    "firmware no table": "firmware = 1.5\n"
    + TOP.replace('[firmware]\nname = "cider-press"\nversion = "1"\n', "")
    + section(field("yes-no")),
    "section no array": TOP + "[section]\nkey = 's'",
    "size no size": in_board('"1 MiB"', "true"),
    "size without its unit": in_board("program-unit = 256", "program-unit = '256'"),
    "required no flag": with_field("yes-no", "required = 'yes'"),
    "default of another type": with_field("integer", "default = '1'"),
    "default of a flag as number": with_field("yes-no", "default = 1"),
    "can no list": with_pin("number = 1\ncan = 'in'"),
    "condition no table": with_field("yes-no", "asked-if = 'n'"),
    # words
    "unknown kind": with_field("number"),
    "unknown ability": with_field("pin", "needs = ['shine']"),
    "unknown characters": with_field("text", "maximum = 9\ncharacters = 'latin'"),
    "unknown unit of time": with_field("duration", "unit = 'h'"),
    "IP version that is none": with_field("ip", "families = [5]"),
    "scheme in capitals": with_field("url", "schemes = ['HTTP']"),
    "time in unknown units": with_field("duration", "unit = 's'\ndefault = '5 weeks'"),
    # keys of kinds
    "minimum of a host": with_field("host", "minimum = 3"),
    "options of a text": with_field("text", "maximum = 9\noptions = []"),
    "default of a secret": with_field("secret", "maximum = 9\ndefault = 'x'"),
    "default of a passphrase": with_field("passphrase", "network = 'n'\ndefault = 'x'"),
    "default of secret bytes": with_field("hex", "maximum = 9\nsecret = true\ndefault = '00'"),
    "required passphrase": with_field("passphrase", "network = 'n'\nrequired = true"),
    "number and numbers": with_pin("number = 1\nnumbers = '2-3'\ncan = ['in']"),
    # bounds
    "other format": in_board("format = 1", "format = 2"),
    "blank title": in_board("Cider press", " "),
    "title with a control character": in_board("Cider press", "a\\u0007b"),
    "title too long": in_board("Cider press", "x" * 41),
    "help too long": with_field("yes-no", f"help = '{'x ' * 400}x'"),
    "trial too short": in_top("trial = 5"),
    "trial with two slots": in_top("trial = 60").replace("[board]", "[board]\nslots = 2"),
    "too many slots": in_board("[board]", "[board]\nslots = 9"),
    "size of nothing": in_board('"1 MiB"', '"0 KiB"'),
    "size beyond 32 bits": in_board('"1 MiB"', "4294967296"),
    "program unit no power of two": in_board("program-unit = 256", "program-unit = 24"),
    "pin number beyond 255": with_pin("number = 256\ncan = ['in']"),
    "pin numbers beyond 255": with_pin("numbers = '0-256'\ncan = ['in']"),
    "ability twice": with_pin("number = 1\ncan = ['in', 'in']"),
    "repeat beyond 16": TOP
    + section(field("yes-no"), more="key = 's'\nrepeat = { least = 1, most = 17 }"),
    "length beyond 255": with_field("text", "maximum = 256"),
    "seven digits": with_field("decimal", "digits = 7"),
    "port 0": with_field("port", "default = 0"),
    "integer beyond 32 bits": with_field("integer", "default = 3000000000"),
    "decimal beyond 32 bits": with_field("decimal", "digits = 2\ndefault = 21474836.48"),
    "no options": with_field("choice", "options = []"),
    "too many options": with_field(
        "choice", "options = [" + "{ key = 'k', label = 'L' }, " * 33 + "]"
    ),
    "too many sections": TOP
    + "".join(section(field("yes-no"), more=f"key = 's{i}'") for i in range(33)),
    "too many fields": TOP + section(*(field("yes-no", key=f"f{i}") for i in range(65))),
    # patterns
    "section key of a digit": TOP + section(field("yes-no"), more="key = '9'"),
    "section key too long": TOP + section(field("yes-no"), more="key = 'a-key-of-many-letters'"),
    "section key taken in C": TOP + section(field("yes-no"), more="key = 'state'"),
    "field key taken in C": TOP + section(field("yes-no", key="int")),
    "field key in capitals": TOP + section(field("yes-no", key="Relay")),
    "option key too long": with_field(
        "choice", "options = [{ key = 'a-key-of-17-bytes', label = 'L' }]"
    ),
    "older key that is none": with_field("yes-no", "was = ['s..b']"),
    "default no address": with_field("ip", "default = '1.2.3'"),
    "default of the other family": with_field("ip", "families = [4]\ndefault = '::1'"),
    "default no hexadecimal text": with_field("hex", "maximum = 4\ndefault = 'xyz'"),
    "default no host": with_field("host", "default = '-a-'"),
    "default of other characters": with_field(
        "text", "maximum = 9\ncharacters = 'word'\ndefault = 'a b'"
    ),
}
"""Files with a mistake that a JSON Schema can express."""

CALCULATES = "needs calculating with what the file says"
ELSEWHERE = "depends on what another place of the file says"
COMPARES = "compares two values, for which there is no keyword"
BYTES = "counts bytes of UTF-8, and JSON Schema counts characters"

INEXPRESSIBLE = {
    "text of many bytes": (in_board("Cider press", "ü" * 21), BYTES),
    "default of many bytes": (with_field("network-name", f"default = '{'ü' * 17}'"), BYTES),
    "format character": (
        in_board("Cider press", "a\\u202eb"),
        "which characters are format characters changes with the version of Unicode",
    ),
    "whole number with a point": (
        with_field("integer", "default = 1.0"),
        "1.0 is a whole number in JSON Schema (draft-07 6.1.1), as in JSON it has no other type",
    ),
    "no finite number": (
        with_field("decimal", "digits = 1\ndefault = nan"),
        "JSON has no such number, so that no keyword is about it",
    ),
    "too many digits": (
        with_field("decimal", "digits = 2\ndefault = 0.001"),
        "multipleOf 0.01 is decided in binary fractions, by which 0.07 is none",
    ),
    "trial too long as text": (in_top("trial = '2 h'"), CALCULATES),
    "size beyond 32 bits as text": (in_board('"1 MiB"', '"4096 MiB"'), CALCULATES),
    "area beyond the flash": (in_board("960 KiB", "1000 KiB"), CALCULATES),
    "area off the grid": (in_board("64 KiB", "63 KiB"), CALCULATES),
    "erase unit no multiple": (in_board('"4 KiB"', "96"), CALCULATES),
    "area too small for the slots": (in_board("64 KiB", "8 KiB"), CALCULATES),
    "largest set too large": (
        in_board("64 KiB", "16 KiB") + "[[section.field]]\n" + field("blob", "maximum = 9999", "g"),
        CALCULATES,
    ),
    "no whole number of the unit": (
        with_field("duration", "unit = 's'\ndefault = '1500 ms'"),
        CALCULATES,
    ),
    "minimum above maximum": (with_field("integer", "minimum = 5\nmaximum = 4"), COMPARES),
    "least above most": (
        TOP + section(field("yes-no"), more="key = 's'\nrepeat = { least = 3, most = 2 }"),
        COMPARES,
    ),
    "default beyond the limits": (with_field("integer", "maximum = 5\ndefault = 6"), COMPARES),
    "range that goes down": (with_pin("numbers = '5-2'\ncan = ['in']"), COMPARES),
    "several pins of one name": (
        with_pin("numbers = '2-3'\nname = 'D'\ncan = ['in']"),
        "whether a text means one pin or several compares two numbers in it",
    ),
    "default of no option": (
        with_field("choice", "options = [{ key = 'a', label = 'A' }]\ndefault = 'b'"),
        ELSEWHERE,
    ),
    "default of another scheme": (
        with_field("url", "schemes = ['https']\ndefault = 'http://a'"),
        ELSEWHERE,
    ),
    "default of a pin that is none": (with_field("pin", "needs = ['in']\ndefault = 9"), ELSEWHERE),
    "need that no pin meets": (with_field("pin", "needs = ['pwm']"), ELSEWHERE),
    "pin twice": (with_pin("numbers = '1, 1'\ncan = ['in']"), ELSEWHERE),
    "too many pins": (with_pin("numbers = '0-128'\ncan = ['in']"), CALCULATES),
    "field key twice": (TOP + section(field("yes-no"), field("yes-no")), ELSEWHERE),
    "option key twice": (
        with_field("choice", "options = [{ key = 'a', label = 'A' }, { key = 'a', label = 'B' }]"),
        ELSEWHERE,
    ),
    "full key too long": (
        TOP + section(field("yes-no", key="k" * 20), more=f"key = '{'s' * 20}'"),
        ELSEWHERE,
    ),
    "same name in C": (
        TOP + section(field("yes-no"), more="key = 'settings'").replace("'f'", "'at'"),
        ELSEWHERE,
    ),
    "older key that is declared": (with_field("yes-no", "was = ['n']"), ELSEWHERE),
    "condition on no field": (with_field("yes-no", "asked-if = { field = 'm' }"), ELSEWHERE),
    "condition on itself": (with_field("yes-no", "asked-if = { field = 'f' }"), ELSEWHERE),
    "condition that never holds": (
        with_field("yes-no", "asked-if = { field = 'n', is = 'x' }"),
        ELSEWHERE,
    ),
    "passphrase of no network": (with_field("passphrase", "network = 'm'"), ELSEWHERE),
    "zone that does not exist": (
        with_field("time-zone", "default = 'Mars/Base'"),
        "the list of zones changes with the version of the time zone data base",
    ),
}
"""Files whose only mistake is left to `provision check`, and why."""


@pytest.mark.parametrize("mistake", EXPRESSIBLE)
def test_a_mistake_that_can_be_expressed_is_refused(judge: Draft7Validator, mistake: str) -> None:
    """What `provision check` names, an editor shows too."""
    text = EXPRESSIBLE[mistake]
    assert has_mistakes(text)
    assert refused(judge, text)


@pytest.mark.parametrize("mistake", INEXPRESSIBLE)
def test_other_mistakes_are_left_to_provision_check(judge: Draft7Validator, mistake: str) -> None:
    """What no JSON Schema can express is named by `provision check` alone; the reason says why."""
    text, reason = INEXPRESSIBLE[mistake]
    assert reason
    assert has_mistakes(text)
    assert refused(judge, text) == []


# ------------------------------------------------------------- each key, and each limit, of the two

ANY = "'a'"
SAMPLES = {
    "default": {
        **dict.fromkeys(("text", "host"), "'a'"),
        **dict.fromkeys(("integer", "decimal", "port", "pin", "duration"), "2"),
        "yes-no": "true",
        "choice": "'a'",
        "network-name": "'a'",
        "url": "'https://a'",
        "ip": "'192.0.2.1'",
        "time-zone": "'UTC0'",
        **dict.fromkeys(("hex", "blob"), "'00'"),
    },
    "minimum": dict.fromkeys(KINDS, "1"),
    "maximum": dict.fromkeys(KINDS, "9"),
    "unit": {**dict.fromkeys(KINDS, "'m'"), "duration": "'s'"},
    "digits": dict.fromkeys(KINDS, "1"),
    "characters": dict.fromkeys(KINDS, "'word'"),
    "options": dict.fromkeys(KINDS, "[{ key = 'a', label = 'A' }]"),
    "needs": dict.fromkeys(KINDS, "['in']"),
    "shares": dict.fromkeys(KINDS, "true"),
    "network": dict.fromkeys(KINDS, "'n'"),
    "schemes": dict.fromkeys(KINDS, "['https']"),
    "families": dict.fromkeys(KINDS, "[4]"),
    "secret": dict.fromkeys(KINDS, "false"),
}
NEEDED = {
    **{kind: ["maximum"] for kind in ("text", "secret", "hex", "blob")},
    "decimal": ["digits"],
    "choice": ["options"],
    "pin": ["needs"],
    "passphrase": ["network"],
    "url": ["schemes"],
    "duration": ["unit"],
}


def lines_of(kind: str, names: list[str]) -> str:
    """Return lines with a sample for each key."""
    return "\n".join(f"{name} = {SAMPLES[name].get(kind, ANY)}" for name in names)


@pytest.mark.parametrize("kind", KINDS)
def test_both_say_the_same_of_every_key_of_a_kind(judge: Draft7Validator, kind: str) -> None:
    """Which keys a kind must, may and must not have is asked of both, key by key."""
    needed = NEEDED.get(kind, [])
    for left_out in needed:
        rest = [name for name in needed if name != left_out]
        assert refused(judge, with_field(kind, lines_of(kind, rest)))
    for more in [None, *(name for name in SAMPLES if name not in needed)]:
        names = needed if more is None else [*needed, more]
        text = with_field(kind, lines_of(kind, names))
        assert bool(refused(judge, text)) == has_mistakes(text), (more, refused(judge, text))
        assert more is not None or not has_mistakes(text)


LIMITS: dict[str, tuple[str, int, int]] = {
    "slots": (in_board("[board]", "[board]\nslots = {}"), 2, 8),
    "baud": (in_board("[board]", "[board]\nbaud = {}"), 300, 4_000_000),
    "trial": (in_top("trial = {}"), 10, 3600),
    "pin number": (with_pin("number = {}\ncan = ['in']"), 0, 255),
    "digits": (with_field("decimal", "digits = {}"), 1, 6),
    "length of text": (with_field("text", "maximum = {}"), 1, 255),
    "least length of text": (with_field("text", "maximum = 255\nminimum = {}"), 0, 255),
    "length of a host": (with_field("host", "maximum = {}"), 1, 253),
    "length of a blob": (with_field("blob", "maximum = {}"), 1, 16_384),
    "integer": (with_field("integer", "default = {}"), -(2**31), 2**31 - 1),
    "duration": (with_field("duration", "unit = 'ms'\nmaximum = {}"), 0, 2**31 - 1),
    "port": (with_field("port", "default = {}"), 1, 65535),
}
ROOMY = ("960 KiB", "640 KiB"), ("64 KiB", "384 KiB")


@pytest.mark.parametrize("limit", LIMITS)
def test_both_have_the_same_limits(judge: Draft7Validator, limit: str) -> None:
    """At each limit both take the last value, and refuse the next."""
    text, least, most = LIMITS[limit]
    for old, new in ROOMY:
        text = text.replace(old, new)
    for value, is_taken in ((least - 1, False), (least, True), (most, True), (most + 1, False)):
        # Not str.format(): the rest of the file has braces too.
        written = text.replace("{}", str(value))
        assert (not has_mistakes(written), not refused(judge, written)) == (is_taken, is_taken)


LENGTHS: dict[str, tuple[str, int]] = {
    "title": (in_board("Cider press", "{}"), 40),
    "name of the firmware": (in_board("cider-press", "{}"), 32),
    "version": (in_board('version = "1"', 'version = "{}"'), 24),
    "name of a pin": (with_pin("number = 1\ncan = ['in']\nname = '{}'"), 16),
    "taken": (with_pin("number = 1\ntaken = '{}'"), 40),
    "caution of a pin": (with_pin("number = 1\ncan = ['in']\ncaution = '{}'"), 300),
    "key": (TOP + section("key = '{}'\nkind = 'yes-no'\nlabel = 'L'"), 20),
    "help": (with_field("yes-no", "help = '{}'"), 400),
    "caution": (with_field("yes-no", "caution = '{}'"), 300),
    "unit": (with_field("integer", "unit = '{}'"), 8),
    "key of an option": (with_field("choice", "options = [{ key = '{}', label = 'L' }]"), 16),
    "scheme": (with_field("url", "schemes = ['{}']"), 12),
    "network": (with_field("network-name", "default = '{}'"), 32),
}


@pytest.mark.parametrize("length", LENGTHS)
def test_both_have_the_same_lengths(judge: Draft7Validator, length: str) -> None:
    """Of every text both take the longest, and refuse one that is longer by one."""
    text, most = LENGTHS[length]
    for size, is_taken in ((1, True), (most, True), (most + 1, False)):
        written = text.replace("{}", "x" * size)
        assert (not has_mistakes(written), not refused(judge, written)) == (is_taken, is_taken)


COUNTS: dict[str, tuple[str, str, int]] = {
    "older keys": (with_field("yes-no", "was = [{}]"), "'k{}'", 8),
    "schemes": (with_field("url", "schemes = [{}]"), "'s{}'", 8),
    "options": (with_field("choice", "options = [{}]"), "{ key = 'k{}', label = 'L' }", 32),
    "values of a condition": (
        TOP
        + section(
            field("integer", key="n"), field("yes-no", "asked-if = { field = 'n', is = [{}] }")
        ),
        "{}",
        32,
    ),
}


@pytest.mark.parametrize("count", COUNTS)
def test_both_have_the_same_counts(judge: Draft7Validator, count: str) -> None:
    """Of every list both take the longest, and refuse one with an item more; and an empty one."""
    text, item, most = COUNTS[count]
    for size, is_taken in ((0, False), (1, True), (most, True), (most + 1, False)):
        written = text.replace(
            "[{}]", f"[{', '.join(item.replace('{}', str(i)) for i in range(size))}]"
        )
        assert (not has_mistakes(written), not refused(judge, written)) == (is_taken, is_taken)


# ----------------------------------------------------------------------------------- any value

PLAIN = st.characters(codec="utf-8", exclude_characters="\x7f", exclude_categories=["Cc", "Cs"])
VALUES = st.one_of(
    st.integers(-(2**32), 2**33),
    st.booleans(),
    st.floats(-3000, 3000).map(lambda number: round(number, 3)),
    st.text(PLAIN, max_size=50),
    st.from_regex(r"[a-z][a-z0-9-]{0,21}", fullmatch=True),
    st.from_regex(r"[0-9]{1,4} ?(ms|s|min|h|d|B|KiB|MiB)", fullmatch=True),
    st.from_regex(r"[0-9]{1,3}( *[-,] *[0-9]{1,3}){0,3}", fullmatch=True),
    st.from_regex(r"https?://[a-z.]{1,9}(:[0-9]{1,5})?/?", fullmatch=True),
    st.sampled_from(["192.0.2.1", "::1", "2001:db8::7", "00 ff", "a\n b", "Europe/Vienna", "UTC0"]),
    st.lists(st.sampled_from(["in", "out", "pwm", 4, 6, "https", "k"]), max_size=4),
)
PLACES = ["title", "trial", "version", "flash-size", "program-unit", "slots", "baud", "help", "was"]


def toml(value: Any) -> str:
    """Return a value as TOML writes it; JSON's texts, lists and numbers are TOML's too."""
    return json.dumps(value)


@settings(max_examples=300)
@given(kind=st.sampled_from(sorted(KINDS)), name=st.sampled_from(sorted(SAMPLES)), value=VALUES)
def test_whatever_value_of_a_field_is_right_is_taken(kind: str, name: str, value: object) -> None:
    """A file in which `provision check` finds no mistake is never refused: keys of fields."""
    names = [each for each in NEEDED.get(kind, []) if each != name]
    text = with_field(kind, f"{lines_of(kind, names)}\n{name} = {toml(value)}")
    assert has_mistakes(text) or not refused(Draft7Validator(MADE), text)


@settings(max_examples=200)
@given(place=st.sampled_from(PLACES), value=VALUES)
def test_whatever_value_of_the_rest_is_right_is_taken(place: str, value: object) -> None:
    """A file in which `provision check` finds no mistake is never refused: the other keys."""
    line = f"{place} = {toml(value)}"
    if place in ("help", "was"):
        text = with_field("yes-no", line)
    elif f"\n{place} = " in TOP:
        lines = [line if old.startswith(f"{place} = ") else old for old in TOP.splitlines()]
        text = "\n".join(lines) + "\n" + section(field("yes-no"))
    else:
        text = in_top(line) if place == "trial" else in_board("[board]", f"[board]\n{line}")
    assert has_mistakes(text) or not refused(Draft7Validator(MADE), text)
