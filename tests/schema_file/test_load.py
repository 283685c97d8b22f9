# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - what is said about a mistake stands in one line, as its author sees it
"""The schema file: every mistake is named, with its place and what would be right, in one run."""

from __future__ import annotations

import hashlib
import random
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from provision.contract.table import Ability, Characters, Kind
from provision.schema.codec import pack, unpack
from provision.schema.declaration import BoardDeclaration
from provision.schema.model import Condition, Field, Option, Pin, Repeat
from provision.schema_file.load import FileMistakes, load_declaration, read_declaration

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data" / "schema_files"
MISTAKES = Path(__file__).with_name("mistakes.txt")
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"

TOP = """\
format = 1
title = "Cider press"
firmware.name = "cider-press"
firmware.version = "1"
board.name = "press board"
board.flash-size = "1 MiB"
board.erase-unit = "4 KiB"
board.program-unit = 256
board.settings-at = "960 KiB"
board.settings-size = "64 KiB"
"""

PINS = """
[[pin]]
numbers = "2-3"
can = ["in", "out"]
[[pin]]
number = 4
can = ["in", "out", "analog"]
[[pin]]
number = 5
can = ["analog"]
taken = "battery voltage"
"""


def section(key: str, *fields: str, more: str = "") -> str:
    """Return a section as a schema file has it, each field as lines or as one line with commas."""
    head = f'[[section]]\nkey = "{key}"\nlabel = "Section"\n{more}\n'
    return head + "".join(f"[[section.field]]\n{lines}\n" for lines in fields)


def field(key: str, kind: str, more: str = "") -> str:
    """Return the lines of a field."""
    return f'key = "{key}"\nkind = "{kind}"\nlabel = "Label"\n{more}\n'


ON = field("on", "yes-no")
"""A field with which nothing is wrong."""


def reported(text: str) -> list[str]:
    """Return what is said about a file, without lines and columns."""
    with pytest.raises(FileMistakes) as caught:
        read_declaration(text, "press.toml")
    return [f"{m.where}: {m.wrong}; {m.fix}" for m in caught.value.mistakes]


def read_field(more: str, kind: str, pins: str = "") -> Field:
    """Return the one field of a file without mistakes."""
    declaration = read_declaration(TOP + pins + section("s", field("f", kind, more)), "press.toml")
    return declaration.schema.settings[0].field


# ------------------------------------------------------------------------------- files that are right


def test_the_demo_declares_what_the_scenario_needs() -> None:
    """The demo's file has the orchard frost alarm's settings, over at least four sections."""
    declaration = load_declaration(DEMO)
    schema = declaration.schema
    assert declaration.firmware_name == "orchard-frost-alarm"
    assert len(schema.sections) >= 4
    assert sum(len(each.fields) for each in schema.sections) >= 14
    kinds = {setting.field.kind for setting in schema.settings}
    assert kinds >= {
        *(Kind.NETWORK_NAME, Kind.PASSPHRASE, Kind.SECRET, Kind.PIN, Kind.TIME_ZONE),
        *(Kind.CHOICE, Kind.DECIMAL, Kind.DURATION, Kind.BLOB, Kind.URL, Kind.IP),
    }
    relay = schema.setting("siren.relay")
    assert relay is not None
    assert "local codes" in (relay.field.caution or "")
    assert relay.field.condition == Condition("siren.fitted", (True,))
    alarm_below = schema.setting("mast.alarm-below")
    assert alarm_below is not None
    assert (alarm_below.field.default, alarm_below.field.unit) == (15, "°C")


def test_the_demo_board_has_the_pins_of_the_rp2040() -> None:
    """GPIO 0 to 29, of which 26 to 29 are analog (RP2040 data sheet, 1.4.3 GPIO functions)."""
    pins = load_declaration(DEMO).schema.pins
    assert [pin.number for pin in pins] == list(range(30))
    assert [pin.number for pin in pins if Ability.ANALOG in pin.abilities] == [26, 27, 28, 29]


def test_a_file_is_read_as_its_author_wrote_it() -> None:
    """Each part of a file ends up where the model has it; limits and defaults become wire values."""
    schema = load_declaration(DATA / "every-kind.toml").schema
    fields = {setting.key: setting.field for setting in schema.settings}
    assert schema.trial == 60
    assert schema.pins[0] == Pin(0, Ability.IN | Ability.ANALOG | Ability.PULL_UP, "A0")
    assert schema.pins[4] == Pin(
        7, Ability.IN | Ability.OUT | Ability.PWM, "D7 */", None, "Ends a comment: */ ??/"
    )
    assert schema.pins[5] == Pin(9, schema.pins[0].abilities, "A9")
    assert schema.pins[6] == Pin(12, Ability(0), None, "lamp */ \\")
    assert schema.sections[0].help == (
        "Was das heißt ???/ — a trigraph at the end ??/ and a second line \\"
    )
    assert [each.repeat for each in schema.sections] == [
        *(None, Repeat(0, 3), Repeat(2, 2), Repeat(1, 2))
    ]
    assert fields["a-1.note"].minimum == 0
    assert fields["a-1.pass-word"] == Field(
        *("pass-word", Kind.SECRET, "Secret"),
        required=True,
        minimum=4,
        maximum=32,
        characters=Characters.ASCII,
    )
    assert fields["a-1.count"].default == -(2**31)
    assert fields["a-1.count"].was == ("a-1.counter", "old-part.count")
    assert (fields["a-1.share"].default, fields["a-1.share"].minimum) == (2**31 - 1, -500_000)
    assert fields["a-1.way"].options == (
        *(Option("short-way", "Short */"), Option("long-way", "Long", "Longer ??/ \\")),
    )
    assert (fields["a-1.output"].needs, fields["a-1.output"].shares) == (Ability.OUT, True)
    assert fields["a-1.net"].default == '??/ " \\ münze'.encode()
    assert fields["a-1.phrase"].network == "a-1.net"
    assert fields["a-1.where"].schemes == ("mqtts", "https")
    assert fields["a-1.address"].families == 3
    assert fields["a-1.address"].default == b"\x20\x01\x0d\xb8" + bytes(11) + b"\x01"
    assert fields["a-1.zone"].default == "<+0545>-5:45"  # RFC 9636 footer of Asia/Kathmandu
    assert (fields["a-1.pause"].default, fields["a-1.pause"].maximum) == (60_000, 86_400_000)
    assert fields["a-1.code"].is_secret
    assert fields["a-1.root"].default == b"\x00\xff\x7f"
    assert fields["a-1.mark"].condition == Condition("a-1.note")
    assert fields["part.3.size"].condition == Condition("part.sort", ("a", "b"))
    assert fields["part.1.late"].condition == Condition("a-1.pause", (60_000, 500))
    assert fields["part.1.late"].families == 2


def test_what_the_board_does_not_say_is_what_most_boards_have() -> None:
    """Without slots and baud a board has four slots, which share the area, and 115200 baud."""
    board = read_declaration(TOP + section("s", ON), "press.toml").board
    assert board == BoardDeclaration(
        "press board", 2**20, 4096, 256, 960 * 1024, 64 * 1024, slots=4, baud=115200
    )
    assert board.slot_size == 16 * 1024


def test_a_slot_is_whole_erase_units() -> None:
    """An area that does not divide evenly leaves its rest unused."""
    assert BoardDeclaration("b", 2**20, 4096, 256, 0, 40960, slots=4).slot_size == 8192


@pytest.mark.parametrize(
    ("written", "unit", "means"),
    [
        ('"90 s"', "s", 90),
        ('"1min"', "s", 60),
        ('"2 h"', "s", 7200),
        ('"1 d"', "s", 86400),
        ('"1500 ms"', "ms", 1500),
        ('"2000 ms"', "s", 2),
        ("45", "s", 45),
    ],
)
def test_times_become_numbers_of_the_unit(written: str, unit: str, means: int) -> None:
    """A time is written with its unit, and counts in that of the field."""
    assert read_field(f'unit = "{unit}"\ndefault = {written}', "duration").default == means


@pytest.mark.parametrize(
    ("written", "means"),
    [
        ("1.25", 125),
        ("-0.05", -5),
        ("3", 300),
        ("1e3", 100_000),
        ("0.10000", 10),
        ("0e-999999999", 0),
        ("21474836.47", 2**31 - 1),
    ],
)
def test_decimals_are_scaled_exactly(written: str, means: int) -> None:
    """A decimal is its number times 10^digits, with no rounding on the way."""
    assert read_field(f"digits = 2\ndefault = {written}", "decimal").default == means


def test_a_byte_order_mark_and_carriage_returns_are_no_mistakes(tmp_path: Path) -> None:
    """A file that an editor saved with either is read like any other, and has the same places."""
    text = TOP + section("s", ON)
    path = tmp_path / "press.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load_declaration(path) == read_declaration(text, "press.toml")
    path.write_bytes(text.replace("\n", "\r\n").replace('"Label"', "5").encode())
    with pytest.raises(FileMistakes, match=r"^press.toml:18:1: section s, field on, label: "):
        load_declaration(path)


# ------------------------------------------------------------------------------------ many mistakes


def test_all_mistakes_of_a_file_are_named_in_one_run() -> None:
    """A file with a mistake on nearly every line has them all named, in the order of the lines."""
    with pytest.raises(FileMistakes) as caught:
        load_declaration(DATA / "many-mistakes.toml")
    expected = (DATA / "many-mistakes.txt").read_text(encoding="utf-8").splitlines()
    assert str(caught.value).splitlines() == expected
    places = [(mistake.line, mistake.column) for mistake in caught.value.mistakes]
    assert places == sorted(places)


# ------------------------------------------------------------------------------- one mistake at a time


def as_file(lines: Iterable[str]) -> str:
    """Return the schema file of a case of mistakes.txt."""
    head, pins, sections = TOP.splitlines(), "", ""
    has_section = False
    for line in lines:
        key, _, more = line.partition(" ")
        if line == "PINS":
            pins = PINS
        elif key == "-":
            key, kind, more = f"{more}  ".split(" ", 2) if more[0] != "." else ("", "", more[1:])
            more = more.strip().replace("; ", "\n")
            sections += "[[section.field]]\n" + (field(key, kind, more) if key else more + "\n")
        elif key.startswith("["):
            sections += "\n" + section(key[1:-1], more=more)
        else:
            head = [each for each in head if not each.startswith((f"{key} ", f"{key}."))]
            head += [line] if more != "=" else []
        has_section |= key.startswith(("[", "section"))
    return "\n".join(head) + f"\n{pins}\n{sections}\n" + ("" if has_section else section("s", ON))


def mistakes() -> Iterator[tuple[str, tuple[str, list[str]]]]:
    """Yield the name of each case of mistakes.txt, its file, and what is said about it."""
    _, _, cases = MISTAKES.read_text(encoding="utf-8").partition("\n\n")
    for case in re.split(r"\n(?=\S)", cases):
        name, *lines = (line.strip() for line in case.splitlines())
        said = [line[2:] for line in lines if line.startswith("! ")]
        yield name, (as_file(line for line in lines if line[0] != "!"), said)


def repeat(least: int, most: int) -> str:
    """Return what has a section repeat."""
    return f"repeat = {{ least = {least}, most = {most} }}"


LONG_TEXTS = [hashlib.sha512(bytes([number])).hexdigest() for number in range(25)]
YES_NO = [field(f"f{number}", "yes-no") for number in range(65)]
CASES = {
    **dict(mistakes()),
    "schema too large for the flash": (
        as_file(
            [
                *(
                    'board.flash-size = "9 KiB"',
                    "board.erase-unit = 1024",
                    "board.program-unit = 8",
                ),
                *("board.settings-at = 0", 'board.settings-size = "8 KiB"', "[s]"),
                *(f"- f{number} yes-no help = '{text}'" for number, text in enumerate(LONG_TEXTS)),
            ]
        ),
        [
            "board, flash-size: the schema takes 2,021 bytes of flash, deflated; shorten its texts, or take a board with more flash"
        ],
    ),
    "too many sections": (
        TOP + "".join(section(f"s{i}", ON) for i in range(33)),
        ["section s32: the file has 33 sections; join some, to have 32 at most"],
    ),
    "too many fields": (
        TOP + section("s", *YES_NO),
        ["section s, field f64: the section has 65 fields; divide it, for 64 at most"],
    ),
    "too many settings": (
        TOP + "".join(section(f"s{i}", *YES_NO[:18], more=repeat(1, 15)) for i in range(2)),
        [
            "section s1: up to here the file has 540 fields, instances counted; repeat or declare fewer, 512 at most"
        ],
    ),
    "too many instances": (
        TOP + "".join(section(f"s{i}", ON, more=repeat(0, 16)) for i in range(16)),
        [
            "section s15: up to here 256 instances of sections may be out of use; repeat fewer, for 255 at most"
        ],
    ),
    "schema too large": (
        TOP
        + "".join(
            section(
                f"s{i}", *(f + f"help = '{400 * c}'\ncaution = '{300 * c}'" for f in YES_NO[:23])
            )
            for i, c in enumerate("abcdefghijklmnopqrstuv")
        ),
        [
            "file: the schema has 366,000 bytes; shorten its texts, since a host reads 262,144 at most"
        ],
    ),
}


@pytest.mark.parametrize(("text", "expected"), CASES.values(), ids=CASES)
def test_a_mistake_is_named_with_what_would_be_right(text: str, expected: list[str]) -> None:
    """Each mistake is told with what is wrong and what would be right; no more is told than that."""
    assert reported(text) == expected


def test_pins_go_where_they_are_needed_most() -> None:
    """A field that any pin can serve does not take the only pin that another can use."""
    fields = (
        field("a", "pin", 'needs = ["in"]\nrequired = true'),
        field("b", "pin", 'needs = ["in"]\nrequired = true'),
        field("c", "pin", 'needs = ["analog"]\nrequired = true'),
        field("d", "pin", 'needs = ["analog"]\nrequired = true\nshares = true'),
    )
    assert read_declaration(TOP + PINS + section("s", *fields), "press.toml").schema.settings


def test_pins_of_fields_that_are_not_always_asked_are_not_counted() -> None:
    """Fields with conditions may have the same default, and more of them than there are pins."""
    fields = [ON, field("off", "yes-no")]
    for number, other in enumerate(("on", "off")):
        condition = f'asked-if = {{ field = "{other}", is = true }}'
        fields += [
            field(f"p{number}{i}", "pin", f'needs = ["in"]\nrequired = true\n{condition}')
            for i in range(3)
        ]
        fields.append(field(f"q{number}", "pin", f'needs = ["in"]\ndefault = 2\n{condition}'))
    assert read_declaration(TOP + PINS + section("s", *fields), "press.toml").schema.settings


def test_pins_that_share_may_have_one_default() -> None:
    """Fields that all share a pin may have it as their default, in each instance too."""
    pin = 'needs = ["in"]\nshares = true\ndefault = 2'
    text = section("s", field("a", "pin", pin), field("b", "pin", pin))
    text += section("r", field("c", "pin", pin), more="repeat = { least = 2, most = 2 }")
    assert read_declaration(TOP + PINS + text, "press.toml").schema.settings


def test_a_pin_that_cannot_be_read_is_not_blamed_on_the_fields() -> None:
    """Where the pins are not all known, no field is told that its pin is not there."""
    text = TOP + PINS.replace("number = 4", 'number = "four"')
    text += section("s", field("f", "pin", 'needs = ["pwm"]\ndefault = 4'))
    assert reported(text) == [
        "pin four, number: `number` is text; write a whole number, without quotes"
    ]


def test_mistakes_about_one_line_are_told_once() -> None:
    """A field whose kind or key is wrong is not also missed by those that name it."""
    text = section("s", field("n", "network"), field("p", "passphrase", 'network = "n"'))
    (only,) = reported(TOP + text)
    assert only.startswith("section s, field n, kind: `kind` has no word `network`; perhaps")


# --------------------------------------------------------------------------- files that cannot be read


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "format = 1\ntitle =\n",
            "2:8: file: it is not TOML: invalid value; fix this place first.",
        ),
        ("a = 1\na = 2", "2:6: file: it is not TOML: cannot overwrite a value; fix"),
        ("format = 1\nx = [1,", "2:8: file: it is not TOML: invalid value; fix this place first."),
        (
            "x = " + "9" * 5000,
            "1:1: file: it is not TOML: it has a number with thousands of digits;",
        ),
        ("x = " + "[" * 5000, "1:1: file: it is nested too deep; write it without nesting."),
    ],
)
def test_what_is_no_toml_has_one_mistake_with_its_place(text: str, said: str) -> None:
    """What tomllib does not take is told with the place that it names."""
    with pytest.raises(FileMistakes) as caught:
        read_declaration(text, "press.toml")
    assert str(caught.value).startswith(f"press.toml:{said}")
    assert len(caught.value.mistakes) == 1


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    """A wrong file name is no traceback."""
    with pytest.raises(FileMistakes, match=r"^press.toml:1:1: file: there is no such file; check"):
        load_declaration(tmp_path / "press.toml")


def test_a_folder_is_told(tmp_path: Path) -> None:
    """What the system says about a file that cannot be read is passed on."""
    with pytest.raises(FileMistakes, match=r"file: it cannot be read \(is a directory\); give a"):
        load_declaration(tmp_path)


def test_a_huge_file_is_told(tmp_path: Path) -> None:
    """A file beyond all reason is not read to its end."""
    path = tmp_path / "press.toml"
    path.write_bytes(b"#" * (1024 * 1024 + 1))
    with pytest.raises(FileMistakes, match=r"file: it is larger than 1 MiB; give a schema file"):
        load_declaration(path)


def test_a_file_in_another_encoding_is_told_with_the_place(tmp_path: Path) -> None:
    """The first character that is not in UTF-8 is named by line and column."""
    path = tmp_path / "press.toml"
    path.write_bytes('format = 1\ntitle = "ü'.encode() + b"\xfc" + b'"\n')
    with pytest.raises(FileMistakes, match=r"^press.toml:2:11: file: it is not in UTF-8; save it"):
        load_declaration(path)


# -------------------------------------------------------------------------------- files gone wrong

OTHER_VALUES = (
    *('"x"', "5", "-1", "true", "[]", "{}", "1.5", '"on"', "[1]", "{a=1}", "1979-05-27", '"5 min"'),
    *('""', "[[1]]", '["in"]', "99999999999", "nan", '"a.b"'),
)


@pytest.mark.parametrize("seed", range(8))
def test_a_file_gone_wrong_is_told_or_whole(seed: int) -> None:
    """However a file is mangled, its mistakes are told; what passes is a schema that hosts take.

    What hosts take is the judgement of unpack(), which checks every rule of clause 8 by itself.
    """
    repeatable = random.Random(seed)
    sources = [path.read_text(encoding="utf-8") for path in (DEMO, *DATA.glob("*.toml"))]
    for _ in range(40):
        lines = repeatable.choice(sources).split("\n")
        for _ in range(repeatable.randint(1, 4)):
            mangle(lines, repeatable)
        try:
            schema = read_declaration("\n".join(lines), "press.toml").schema
        except FileMistakes:
            continue
        packed = pack(schema)
        assert unpack(packed.deflated, packed.digest) == schema


def mangle(lines: list[str], repeatable: random.Random) -> None:
    """Change a value, leave a line out, repeat one, exchange two, or change a character."""
    at = repeatable.randrange(len(lines))
    other = repeatable.randrange(len(lines))
    line = lines[at]
    what = repeatable.choice(("value", "value", "leave", "repeat", "exchange", "character"))
    if what == "value" and "=" in line:
        lines[at] = f"{line.split('=')[0]}= {repeatable.choice(OTHER_VALUES)}"
    elif what == "leave":
        del lines[at]
    elif what == "repeat":
        lines.insert(at, lines[other])
    elif what == "exchange":
        lines[at], lines[other] = lines[other], line
    elif line:
        middle = repeatable.randrange(len(line))
        strange = repeatable.choice("\"[]{}=.#\\'\n\x00é")
        lines[at] = line[:middle] + strange + line[middle + 1 :]
