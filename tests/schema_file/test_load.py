# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - what is said about a mistake stands in one line, as its author sees it
"""The schema file: every mistake is named, with its place and what would be right, in one run."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest

from provision.contract.table import Ability, Characters, Kind
from provision.schema.codec import pack, unpack
from provision.schema.declaration import BoardDeclaration
from provision.schema.model import Condition, Field, Option, Pin, Repeat
from provision.schema_file.load import FileMistakes, load_declaration, read_declaration

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data" / "schema_files"
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"

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

SMALL_FLASH = """\
format = 1
title = "Cider press"
firmware = { name = "cider-press", version = "1" }
board.name = "press board"
board.flash-size = "9 KiB"
board.erase-unit = 1024
board.program-unit = 8
board.settings-at = 0
board.settings-size = "8 KiB"
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
    with pytest.raises(FileMistakes, match=r"^press.toml:20:1: section s, field on, label: "):
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

MISTAKES = [
    pytest.param(
        TOP.replace('title = "Cider press"\n', "") + section("s", ON),
        [
            "file: `title` is missing; add `title`, what a person calls the thing",
        ],
        id="no title",
    ),
    pytest.param(
        TOP.replace("format = 1", "format = true") + section("s", ON),
        [
            "format: `format` is true or false; write a whole number, without quotes",
        ],
        id="not format 1",
    ),
    pytest.param(
        TOP.replace("Cider press", " ") + section("s", ON),
        [
            "title: `title` is blank; write what a person is to read",
        ],
        id="blank title",
    ),
    pytest.param(
        TOP.replace('"Cider press"', "1979-05-27") + section("s", ON),
        [
            "title: `title` is a date or time; write text, in quotes",
        ],
        id="title no text",
    ),
    pytest.param(
        "format = 1\ntitle = 'T'\n" + TOP[TOP.index("[board]") :] + section("s", ON),
        [
            "file: `firmware` is missing; add a table [firmware] with `name` and `version`",
        ],
        id="no firmware",
    ),
    pytest.param(
        "firmware = 1.5\n"
        + TOP.replace('[firmware]\nname = "cider-press"\nversion = "1"\n', "")
        + section("s", ON),
        [
            "firmware: `firmware` is a number with a decimal point; write a table, { … } or with a header in brackets",
        ],
        id="firmware no table",
    ),
    pytest.param(
        TOP + "[section]\nkey = 's'",
        [
            "section: `section` is a table; begin each one with [[section]]",
        ],
        id="section no array",
    ),
    pytest.param(
        "section = [1]\n" + TOP,
        [
            "section #1: `section` is a whole number; write a table, { … } or with a header in brackets",
        ],
        id="sections of numbers",
    ),
    pytest.param(
        TOP + "[[section.field]]\nkey = 's'",
        [
            "section: `section` is a table; begin each one with [[section]]",
        ],
        id="field before section",
    ),
    pytest.param(
        TOP,
        [
            "file: `section` is missing; add at least one [[section]]",
        ],
        id="no section",
    ),
    pytest.param(
        TOP + "[[section]]\nkey = 's'\nlabel = 'L'",
        [
            "section s: `field` is missing; add a [[section.field]] below the section",
        ],
        id="section without field",
    ),
    pytest.param(
        "trial = 5\n" + TOP + section("s", ON),
        [
            "trial: a trial of 5 seconds; it can last 10 s to 1 h",
        ],
        id="trial too short",
    ),
    pytest.param(
        "trial = 'soon'\n" + TOP + section("s", ON),
        [
            'trial: `trial` is `soon`; write a whole number of s, or a time as in "90 s" or "5 min"',
        ],
        id="trial no time",
    ),
    pytest.param(
        "trial = 60\n" + TOP + "slots = 2\n" + section("s", ON),
        [
            "trial: a trial needs a third slot, and the board has 2; raise `slots` to 3 or 4, or leave `trial` out",
        ],
        id="trial with two slots",
    ),
    pytest.param(
        TOP.replace('"1 MiB"', "true") + section("s", ON),
        [
            'board, flash-size: `flash-size` is true or false; write bytes, or a size as in "4 KiB"',
        ],
        id="size no size",
    ),
    pytest.param(
        TOP.replace("1 MiB", "4096 MiB") + section("s", ON),
        [
            "board, flash-size: `flash-size` is 4,294,967,296 bytes; write 0 to 4,294,967,295",
        ],
        id="size too large",
    ),
    pytest.param(
        TOP.replace("program-unit = 256", "program-unit = 0") + section("s", ON),
        [
            "board, program-unit: `program-unit` is 0; write a size, as in 256",
        ],
        id="size zero",
    ),
    pytest.param(
        "section = []\n" + TOP,
        ["section: `section` is an empty list; begin at least one with [[section]]"],
        id="no section in a list",
    ),
    pytest.param(
        TOP + section("s", more="field = []"),
        ["section s, field: `field` is an empty list; begin at least one with [[section.field]]"],
        id="no field in a list",
    ),
    pytest.param(
        TOP + section("s", field("a", "ip", 'default = "fe80::1%eth0"')),
        [
            "section s, field a, default: `fe80::1%eth0` is no IP address; write one as in 192.0.2.1 or 2001:db8::1"
        ],
        id="address with a zone",
    ),
    pytest.param(
        TOP.replace("960 KiB", "1000 KiB") + section("s", ON),
        [
            "board, settings-at: the settings end at 1,089,536, beyond the flash of 1,048,576 bytes; let them end within it",
        ],
        id="area beyond flash",
    ),
    pytest.param(
        TOP.replace("64 KiB", "63 KiB") + section("s", ON),
        [
            "board, settings-size: `settings-size` is off the grid of erase units; write a multiple of 4,096",
        ],
        id="area off grid",
    ),
    pytest.param(
        TOP.replace("64 KiB", "8 KiB") + section("s", ON),
        [
            "board, settings-size: 4 slots do not fit, each of a whole erase unit; write 16,384 at least",
        ],
        id="area too small for slots",
    ),
    pytest.param(
        TOP.replace('"4 KiB"', "96") + section("s", ON),
        [
            "board, erase-unit: `erase-unit` is no multiple of `program-unit`, 256; write both as in the data sheet of the flash",
        ],
        id="erase unit no multiple",
    ),
    pytest.param(
        TOP.replace("64 KiB", "16 KiB") + section("s", field("f", "blob", "maximum = 4096")),
        [
            "board, settings-size: the largest set takes 4,864 bytes, and a slot has 4,096; give the settings 32,768 bytes, or fewer and shorter fields",
        ],
        id="largest set too large",
    ),
    pytest.param(
        SMALL_FLASH
        + section(
            "s",
            *(
                field(f"f{i}", "yes-no", f"help = '{hashlib.sha512(bytes([i])).hexdigest()}'")
                for i in range(25)
            ),
        ),
        [
            "board, flash-size: the schema takes 2,021 bytes of flash, deflated; shorten its texts, or take a board with more flash",
        ],
        id="schema too large for the flash",
    ),
    pytest.param(
        TOP
        + "[[pin]]\nnumbers = '5-2'\ncan = ['in']\n[[pin]]\nnumbers = 7\ncan = ['in']\n[[pin]]\nnumber = 256\ncan = ['in']\n[[pin]]\nnumber = 1\nnumbers = '2'\ncan = ['in']\n[[pin]]\ncan = []\n"
        + section("s", ON),
        [
            'pin 5-2, numbers: `5-2` is no list of pins; write numbers and ranges from 0 to 255, as in "0-5, 8, 10-12"',
            'pin 7, numbers: `numbers` is a whole number; write numbers and ranges from 0 to 255, as in "0-5, 8, 10-12"',
            "pin 256, number: `number` is 256; write 0 to 255",
            "pin 1, numbers: a pin has both `number` and `numbers`; leave one of them out",
            'pin #5: `number` is missing; add a `number`, or several as in `numbers = "2-9"`',
            "pin #5, can: `can` has 0 items; write 1 to 5",
        ],
        id="pin numbers",
    ),
    pytest.param(
        TOP + "[[pin]]\nnumber = 1\n" + section("s", ON),
        [
            'pin 1: `can` is missing; add what it can do, as in `can = ["in", "out"]`',
        ],
        id="pin without can",
    ),
    pytest.param(
        TOP
        + "[[pin]]\nnumber = 1\ncan = 'in'\n[[pin]]\nnumber = 2\ncan = ['in', 5, 'in']\n"
        + section("s", ON),
        [
            "pin 1, can: `can` is text; write a list, with [ and ]",
            "pin 2, can #2: `can` is a whole number; write one of `in`, `out`, `analog`, `pwm`, `pull-up`, in quotes",
            "pin 2, can #3: this is in the list twice; leave one of the two out",
        ],
        id="pin abilities",
    ),
    pytest.param(
        TOP + "[[pin]]\nnumbers = '0-128'\ncan = ['in']\n" + section("s", ON),
        [
            "pin: the board has 129 pins; declare 128 at most",
        ],
        id="too many pins",
    ),
    pytest.param(
        TOP + PINS + section("s", field("f", "pin", "needs = ['pwm', 'in']")),
        [
            "section s, field f, needs: no free pin of the board has `in`, `pwm`; ask for less, or declare a [[pin]] that can serve",
        ],
        id="pin need that no pin meets",
    ),
    pytest.param(
        TOP
        + PINS.replace(', "analog"', "")
        + section("s", field("f", "pin", "needs = ['analog']")),
        [
            "section s, field f, needs: no free pin of the board has `analog`; ask for less, or declare a [[pin]] that can serve",
        ],
        id="pin need that only a taken pin meets",
    ),
    pytest.param(
        TOP + section("s", field("f", "pin", "needs = ['in']")),
        [
            "section s, field f, needs: no free pin of the board has `in`; ask for less, or declare a [[pin]] that can serve",
        ],
        id="pin without pins",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            field("a", "pin", "needs = ['in']\nrequired = true"),
            field("b", "pin", "needs = ['analog']\nrequired = true"),
            field("c", "pin", "needs = ['out']\nrequired = true"),
            field("d", "pin", "needs = ['out']\nrequired = true"),
        ),
        [
            "section s, field d, needs: no pin is left for this field when all required fields before it have one; let fields share a pin, require fewer of them, or free a pin",
        ],
        id="more pin fields than pins",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            field("a", "pin", "needs = ['in']\nrequired = true"),
            more="repeat = { least = 4, most = 5 }",
        ),
        [
            "section s, field a, needs: no pin is left for this field when all required fields before it have one; let fields share a pin, require fewer of them, or free a pin",
        ],
        id="more instances than pins",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            field("a", "pin", "needs = ['in']\ndefault = 9"),
            field("b", "pin", "needs = ['in']\ndefault = 5"),
            field("c", "pin", "needs = ['analog']\ndefault = 2"),
        ),
        [
            "section s, field a, default: the field does not take its own default; it must be a pin of this board with digital input",
            "section s, field b, default: the field does not take its own default; it must be another pin: the board needs this one for itself",
            "section s, field c, default: the field does not take its own default; it must be a pin of this board with analog input",
        ],
        id="default pins",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            field("a", "pin", "needs = ['in']\ndefault = 2"),
            field("b", "pin", "needs = ['in']\ndefault = 2\nshares = true"),
        ),
        [
            "section s, field b, default: the pin is the default of `s.a` too; choose another pin, or let both share it (`shares = true`)",
        ],
        id="same default pin",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            field("x", "yes-no", "default = true"),
            field("y", "yes-no", "default = true"),
            field("z", "yes-no", "default = false"),
            field("a", "pin", "needs = ['in']\ndefault = 2\nasked-if = { field = 'x', is = true }"),
            field("b", "pin", "needs = ['in']\ndefault = 2\nasked-if = { field = 'y', is = true }"),
            field("c", "pin", "needs = ['in']\ndefault = 2\nasked-if = { field = 'z', is = true }"),
        ),
        [
            "section s, field b, default: the pin is the default of `s.a` too, and by their defaults both are asked; choose another pin, or let both share it (`shares = true`)",
        ],
        id="same default pin under conditions that hold by default",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            field("a", "pin", "needs = ['in']\ndefault = 2"),
            more="repeat = { least = 1, most = 2 }",
        ),
        [
            "section s, field a, default: every instance of the section would get the same pin; leave `default` out, or let the fields share it (`shares = true`)",
        ],
        id="default pin in a section that repeats",
    ),
    pytest.param(
        TOP
        + section("s", ON)
        + section("s", ON)
        + section("state", ON)
        + section("9", ON)
        + section("a-key-of-many-letters", ON),
        [
            "section s, key: the section `s` is there already; give it another key",
            "section state, key: `state` is taken in C, where the section becomes a struct member; choose another key, for example one of two words",
            "section 9, key: `9` is no key; begin with a to z and go on with a to z, 0 to 9 and hyphens",
            "section a-key-of-many-letters, key: the key `a-key-of-many-letters` has 21 characters; use 20 at most",
        ],
        id="section keys",
    ),
    pytest.param(
        TOP + section("class", ON.replace("on", "int"), ON.replace("on", "and")),
        [
            "section class, key: `class` is taken in C, where the section becomes a struct member; choose another key, for example one of two words",
            "section class, field int, key: `int` is taken in C, where the field becomes a struct member; choose another key, for example one of two words",
            "section class, field and, key: `and` is taken in C, where the field becomes a struct member; choose another key, for example one of two words",
        ],
        id="reserved names",
    ),
    pytest.param(
        TOP
        + section(
            "a-long-section-key",
            field("a-long-key", "yes-no"),
            field("a-longer-key", "yes-no"),
            more="repeat = { least = 1, most = 12 }",
        ),
        [
            "section a-long-section-key, field a-longer-key, key: the full key `a-long-section-key.12.a-longer-key` has 34 characters; shorten a part of it, for 32 at most",
        ],
        id="full key too long",
    ),
    pytest.param(
        TOP
        + section("s", ON, more="repeat = { least = 1, most = 17 }")
        + section("r", ON, more="repeat = { times = 2 }")
        + section("q", ON, more="repeat = 3"),
        [
            "section s, repeat, most: `most` is 17; write 1 to 16",
            "section r, repeat: `least` is missing; add `least`, such as `least = 1`",
            "section r, repeat: `most` is missing; add `most`, such as `most = 4`",
            "section r, repeat, times: there is no key `times` here; write one of `least`, `most`",
            "section q, repeat: `repeat` is a whole number; write a table, { … } or with a header in brackets",
        ],
        id="repeat",
    ),
    pytest.param(
        TOP
        + section("a-b", field("c", "yes-no"))
        + section("a", field("b-c", "yes-no"), more="repeat = { least = 1, most = 2 }")
        + section(
            "a-1",
            field("b-c", "choice", "options = [{ key = 'x', label = 'X' }]"),
            field("b-c-x", "yes-no"),
        )
        + section("settings", field("at", "yes-no")),
        [
            "section a-1, field b-c: the field gets the name of the field a.1.b-c in C; change one of the keys by more than a hyphen",
            "section a-1, field b-c: the option x gets the name of the field a-1.b-c-x in C; change one of the keys by more than a hyphen",
            "section settings, field at: the field gets the name of a constant of every generated header in C; change one of the keys by more than a hyphen",
        ],
        id="same name in c",
    ),
    pytest.param(
        TOP + section("s", "key = 'f'\nlabel = 'L'\nunits = 4"),
        [
            "section s, field f: `kind` is missing; add one of the kinds `text`, `secret`, `integer`, `decimal`, `yes-no`, `choice`, `pin`, `network-name`, `passphrase`, `host`, `url`, `ip`, `port`, `time-zone`, `duration`, `hex`, `blob`",
            "section s, field f, units: there is no key `units` here; perhaps `unit` was meant",
        ],
        id="kind is missing",
    ),
    pytest.param(
        TOP + section("s", "key = 'f'\nlabel = 'L'\nkind = 5"),
        [
            "section s, field f, kind: `kind` is a whole number; write one of `text`, `secret`, `integer`, `decimal`, `yes-no`, `choice`, `pin`, `network-name`, `passphrase`, `host`, `url`, `ip`, `port`, `time-zone`, `duration`, `hex`, `blob`, in quotes",
        ],
        id="kind no text",
    ),
    pytest.param(
        TOP + section("s", "kind = 'yes-no'\nlabel = 'L'\nwas = ['g']"),
        [
            'section s, field #1: `key` is missing; add a key, such as `key = "relay"`',
        ],
        id="key is missing",
    ),
    pytest.param(
        TOP + section("s", "key = 5\nkind = 'yes-no'\nlabel = 5\nhelp = 5"),
        [
            "section s, field 5, key: `key` is a whole number; write a key, in quotes",
            "section s, field 5, label: `label` is a whole number; write text, in quotes",
            "section s, field 5, help: `help` is a whole number; write text, in quotes",
        ],
        id="key no text",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            *(
                field(kind, kind)
                for kind in (
                    "text",
                    "secret",
                    "decimal",
                    "choice",
                    "pin",
                    "passphrase",
                    "url",
                    "duration",
                    "hex",
                    "blob",
                )
            ),
        ),
        [
            "section s, field text: `maximum` is missing; add `maximum`, the longest length in bytes, at most 255",
            "section s, field secret: `maximum` is missing; add `maximum`, the longest length in bytes, at most 255",
            "section s, field decimal: `digits` is missing; add `digits`, 1 to 6 of them",
            "section s, field choice: `options` is missing; add `options = [ { key = …, label = … }, … ]`",
            'section s, field pin: `needs` is missing; add what the pin must do, as in `needs = ["out"]`',
            "section s, field passphrase: `network` is missing; add `network`, the key of its network-name field",
            'section s, field url: `schemes` is missing; add `schemes`, as in `schemes = ["https"]`',
            "section s, field duration: `unit` is missing; add the unit in which it counts, `ms` or `s`",
            "section s, field hex: `maximum` is missing; add `maximum`, the longest length in bytes, at most 255",
            "section s, field blob: `maximum` is missing; add `maximum`, the longest length in bytes, at most 16,384",
        ],
        id="missing attributes",
    ),
    pytest.param(
        TOP + section("s", field("f", "yes-no", "xyzzy = 1")),
        [
            "section s, field f, xyzzy: there is no key `xyzzy` here; write one of `key`, `kind`, `label`, `help`, `required`, `caution`, `asked-if`, `was`, `default`",
        ],
        id="unknown key without a near one",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("a", "integer", "default = '1'"),
            field("b", "yes-no", "default = 1"),
            field("c", "port", "default = 0"),
            field("d", "ip", "default = '1.2.3'"),
            field("e", "ip", "families = [4]\ndefault = '::1'"),
            field("f", "hex", "maximum = 4\ndefault = 'xyz'"),
            field("g", "time-zone", "default = 'Mars/Base'"),
            field("h", "host", "default = '-a-'"),
            field("i", "url", "schemes = ['https']\ndefault = 'http://a'"),
            field("j", "text", "maximum = 2\ndefault = 'abc'"),
            field("k", "integer", "default = 3000000000"),
        ),
        [
            "section s, field a, default: `default` is text; write a whole number, without quotes",
            "section s, field b, default: `default` is a whole number; write true or false, without quotes",
            "section s, field c, default: `default` is 0; write 1 to 65,535",
            "section s, field d, default: `1.2.3` is no IP address; write one as in 192.0.2.1 or 2001:db8::1",
            "section s, field e, default: the field does not take its own default; it must be an IPv4 address, such as 192.0.2.7",
            'section s, field f, default: `default` is no hexadecimal text; write two digits for each byte, as in "0a ff"',
            "section s, field g, default: the field does not take its own default; it must be a time zone, such as Europe/London",
            "section s, field h, default: the field does not take its own default; it must be a host name such as alarm.example.org, or an IPv4 address such as 192.0.2.7",
            "section s, field i, default: the field does not take its own default; it must be an address that begins with https://, without a name or password in it",
            "section s, field j, default: the field does not take its own default; it must have 1 to 2 characters (letters with accents count as two or more)",
            "section s, field k, default: `default` is 3,000,000,000; write -2,147,483,648 to 2,147,483,647",
        ],
        id="default no value",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("f", "secret", "maximum = 9\ndefault = 'x'"),
            field("g", "hex", "maximum = 9\ndefault = '00'\nsecret = true"),
        ),
        [
            "section s, field f, default: a field of kind `secret` has a default; leave it out, since every copy of the firmware would have it, for all to read",
            "section s, field g, default: a secret has a default; leave it out, since every copy of the firmware would have it, for all to read",
        ],
        id="secret default",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            *(
                field(f"f{i}", "decimal", f"digits = 2\ndefault = {v}")
                for i, v in enumerate(
                    (
                        "0.001",
                        "1e99",
                        "1e-99",
                        "nan",
                        "1e99999999999999999999",
                        "21474836.48",
                        "'1'",
                    )
                )
            ),
            field("g", "decimal", "digits = 7\ndefault = 1.5"),
        ),
        [
            "section s, field f0, default: `default` is 0.001, with more decimal digits than the field's 2; round it to 2, or raise `digits`",
            "section s, field f1, default: `default` is a number of more than 15 digits; write -21,474,836.48 to 21,474,836.47 with 2 digits",
            "section s, field f2, default: `default` is 1E-99, with more decimal digits than the field's 2; round it to 2, or raise `digits`",
            "section s, field f3, default: `default` is no finite number; write a number as in 1.5",
            "section s, field f4, default: `default` is no finite number; write a number as in 1.5",
            "section s, field f5, default: `default` is 21,474,836.48; write -21,474,836.48 to 21,474,836.47 with 2 digits",
            "section s, field f6, default: `default` is text; write a number, without quotes",
            "section s, field g, digits: `digits` is 7; write 1 to 6",
        ],
        id="decimals",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            *(
                field(f"f{i}", "duration", f"unit = 's'\ndefault = {v}")
                for i, v in enumerate(("'1500 ms'", "'90'", "1.5", "-1", "'9999999 d'"))
            ),
        ),
        [
            "section s, field f0, default: `default` is `1500 ms`, no whole number of s; the field counts in s: choose a whole number of them, or the unit `ms`",
            'section s, field f1, default: `default` is `90`; write a whole number of s, or a time as in "90 s" or "5 min"',
            'section s, field f2, default: `default` is a number with a decimal point; write a whole number of s, or a time as in "90 s" or "5 min"',
            "section s, field f3, default: `default` is -1; write 0 to 2,147,483,647",
            "section s, field f4, default: `default` is 863,999,913,600; write 0 to 2,147,483,647",
        ],
        id="durations",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("a", "integer", "minimum = 5\nmaximum = 4\ndefault = 9"),
            field("b", "text", "minimum = -1\nmaximum = 256"),
            field("c", "host", "maximum = 254"),
            field("d", "host", "minimum = 3"),
            field("e", "blob", "maximum = 0"),
        ),
        [
            "section s, field a, minimum: `minimum` is above `maximum`; exchange them, or mend one",
            "section s, field b, minimum: `minimum` is -1; write 0 to 255",
            "section s, field b, maximum: `maximum` is 256; write 1 to 255",
            "section s, field c, maximum: `maximum` is 254; write 1 to 253",
            "section s, field d, minimum: `minimum` does not belong to kind `host`; leave it out, since it belongs to `text`, `secret`, `integer`, `decimal`, `duration`, `hex`, `blob`",
            "section s, field e, maximum: `maximum` is 0; write 1 to 16,384",
        ],
        id="limits",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("a", "url", "schemes = ['https', 'HTTP', 5]"),
            field("b", "ip", "families = [5]"),
            field("c", "ip", "families = []"),
        ),
        [
            "section s, field a, schemes #2: `HTTP` is no scheme; write one of at most 12 small letters, as in https",
            "section s, field a, schemes #3: `schemes` is a whole number; write text, in quotes",
            "section s, field b, families #1: there is no IP version 5 here; write 4 or 6",
            "section s, field c, families: `families` has 0 items; write 1 to 2",
        ],
        id="schemes and families",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("a", "choice", "options = []"),
            field("b", "choice", "options = 'x'"),
            field(
                "c",
                "choice",
                "options = ['x', { key = 'a-key-of-17-bytes', label = 'L', helps = 'H' }]",
            ),
        ),
        [
            "section s, field a, options: the choice has 0 options; give it 1 to 32",
            "section s, field b, options: `options` is text; write a list, [ { key = …, label = … }, … ]",
            "section s, field c, option #1: `options` is text; write a table, { … } or with a header in brackets",
            "section s, field c, option a-key-of-17-bytes, key: the key `a-key-of-17-bytes` has 17 characters; use 16 at most",
            "section s, field c, option a-key-of-17-bytes, helps: there is no key `helps` here; perhaps `help` was meant",
        ],
        id="options",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("n", "network-name"),
            field("p", "passphrase", "network = 'n'"),
            field("q", "passphrase", "network = 'n'"),
            field("r", "passphrase", "network = 'm'"),
            field("t", "yes-no"),
            field("u", "passphrase", "network = 't'"),
        ),
        [
            "section s, field q, network: `s.p` is the passphrase of `s.n` already; declare a network-name field for each passphrase",
            "section s, field r, network: `s.m` is no network-name field of this section; write one of `n`",
            "section s, field u, network: `s.t` is no network-name field of this section; write one of `n`",
        ],
        id="passphrases",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("a", "yes-no", "was = ['A', 's..b', 5]"),
            field("b", "yes-no", "was = ['b']"),
            field("c", "yes-no", "was = ['x', 'x']"),
        ),
        [
            "section s, field a, was #1: `A` is no key; begin with a to z and go on with a to z, 0 to 9 and hyphens",
            "section s, field a, was #2: `s.` is no key; begin with a to z and go on with a to z, 0 to 9 and hyphens",
            'section s, field a, was #3: `was` is a whole number; write a key, as in `was = ["old-key"]`',
            "section s, field b, was #1: `s.b` is a field of this file; give that field a new key, since one that `was` names is never declared again",
            "section s, field c, was #2: this is in the list twice; leave one of the two out",
        ],
        id="older keys",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            ON,
            field("f", "yes-no", "asked-if = { is = true }"),
            field("g", "yes-no", "asked-if = 'on'"),
            field("h", "yes-no", "asked-if = { field = 'om', was = 1 }"),
            field("i", "yes-no", "asked-if = { field = 1 }"),
        ),
        [
            'section s, field f, asked-if: `field` is missing; add the field that decides, as in `field = "fitted"`',
            "section s, field g, asked-if: `asked-if` is text; write a table, { … } or with a header in brackets",
            "section s, field h, asked-if, field: there is no field `om`; name an earlier field, as `key` or `section.key`",
            "section s, field h, asked-if, was: there is no key `was` here; write one of `field`, `is`",
            "section s, field i, asked-if, field: `field` is a whole number; write text, in quotes",
        ],
        id="condition without field",
    ),
    pytest.param(
        TOP
        + section("s", ON, more="repeat = { least = 1, most = 2 }")
        + section("r", field("f", "yes-no", "asked-if = { field = 's.on', is = true }")),
        [
            "section r, field f, asked-if, field: `s.on` is in another section that repeats; name a field of the same section, or of one that does not repeat",
        ],
        id="condition in another section that repeats",
    ),
    pytest.param(
        TOP + section("s", field("f", "yes-no", "asked-if = { field = 'f', is = true }")),
        [
            "section s, field f, asked-if: the conditions go in a circle: s.f → s.f; let one of these fields be asked without a condition",
        ],
        id="condition on itself",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("z", "yes-no", "asked-if = { field = 'c', is = true }"),
            field("a", "yes-no", "asked-if = { field = 'b', is = true }"),
            field("b", "yes-no", "asked-if = { field = 'c', is = true }"),
            field("c", "yes-no", "asked-if = { field = 'a', is = true }"),
        ),
        [
            "section s, field z, asked-if, field: `s.c` comes later, and would be asked after this one; move that field before this one",
            "section s, field c, asked-if: the conditions go in a circle: s.c → s.a → s.b → s.c; let one of these fields be asked without a condition",
        ],
        id="condition on a circle",
    ),
    pytest.param(
        TOP
        + PINS
        + section(
            "s",
            ON,
            field("n", "integer", "maximum = 5"),
            field("d", "duration", "unit = 's'"),
            field("p", "pin", "needs = ['in']"),
            field("t", "text", "maximum = 'x'"),
            field("a", "yes-no", "asked-if = { field = 'on', is = 'yes' }"),
            field("b", "yes-no", "asked-if = { field = 'n', is = [1, 6, 1] }"),
            field("c", "yes-no", "asked-if = { field = 'd', is = '5 parsecs' }"),
            field("e", "yes-no", "asked-if = { field = 'p', is = 2 }"),
            field("g", "yes-no", "asked-if = { field = 'on', is = [] }"),
            field("h", "yes-no", "asked-if = { field = 't' }"),
        ),
        [
            "section s, field t, maximum: `maximum` is text; write a whole number, without quotes",
            "section s, field a, asked-if, is: `is` is text; write true or false, without quotes",
            "section s, field b, asked-if, is #2: the condition never holds, since that field never has this value; it must be between -2147483648 and 5",
            "section s, field b, asked-if, is #3: this is in the list twice; leave one of the two out",
            'section s, field c, asked-if, is: `is` is `5 parsecs`; write a whole number of s, or a time as in "90 s" or "5 min"',
            "section s, field e, asked-if, is: `s.p` is of a kind whose values no condition can name; leave `is` out to ask when it has a value, or name a field of kind `integer`, `yes-no`, `choice`, `duration`",
            "section s, field g, asked-if, is: `is` has 0 items; write 1 to 32",
        ],
        id="condition on values",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            "key = 'k'\nlabel = 'L'\nkind = 'x'",
            field("f", "yes-no", "asked-if = { field = 'k', is = true }"),
            field("n", "passphrase", "network = 'k'"),
        ),
        [
            "section s, field k, kind: `kind` has no word `x`; write one of `text`, `secret`, `integer`, `decimal`, `yes-no`, `choice`, `pin`, `network-name`, `passphrase`, `host`, `url`, `ip`, `port`, `time-zone`, `duration`, `hex`, `blob`",
        ],
        id="condition on a field of no kind",
    ),
    pytest.param(
        TOP
        + section(
            "s",
            field("n", "integer", "maximum = true"),
            field("f", "yes-no", "asked-if = { field = 'n', is = 9 }"),
        ),
        [
            "section s, field n, maximum: `maximum` is true or false; write a whole number, without quotes",
        ],
        id="condition with limits that are wrong",
    ),
    pytest.param(
        TOP + "".join(section(f"s{i}", ON) for i in range(33)),
        [
            "section s32: the file has 33 sections; join some, to have 32 at most",
        ],
        id="too many sections",
    ),
    pytest.param(
        TOP + section("s", *(field(f"f{i}", "yes-no") for i in range(65))),
        [
            "section s, field f64: the section has 65 fields; divide it, for 64 at most",
        ],
        id="too many fields",
    ),
    pytest.param(
        TOP
        + "".join(
            section(
                f"s{i}",
                *(field(f"f{j}", "yes-no") for j in range(18)),
                more="repeat = { least = 1, most = 15 }",
            )
            for i in range(2)
        ),
        [
            "section s1: up to here the file has 540 fields, instances counted; repeat or declare fewer, 512 at most",
        ],
        id="too many settings",
    ),
    pytest.param(
        TOP
        + "".join(
            section(f"s{i}", ON, more="repeat = { least = 0, most = 16 }") for i in range(16)
        ),
        [
            "section s15: up to here 256 instances of sections may be out of use; repeat fewer, for 255 at most",
        ],
        id="too many instances",
    ),
    pytest.param(
        TOP.replace("1 MiB", "8 MiB").replace("64 KiB", "4 MiB")
        + section(
            "s", field("f", "blob", "maximum = 16384"), more="repeat = { least = 1, most = 4 }"
        ),
        [
            "file: all values together take 65,548 bytes of the firmware's memory; make texts and blobs shorter, for 65,535 at most",
        ],
        id="too much memory",
    ),
    pytest.param(
        TOP
        + "".join(
            section(
                f"s{i}",
                *(
                    field(
                        f"f{j}",
                        "yes-no",
                        f"help = '{400 * chr(97 + i)}'\ncaution = '{300 * chr(97 + i)}'",
                    )
                    for j in range(23)
                ),
            )
            for i in range(22)
        ),
        [
            "file: the schema has 366,000 bytes; shorten its texts, since a host reads 262,144 at most",
        ],
        id="schema too large",
    ),
]


@pytest.mark.parametrize(("text", "expected"), MISTAKES)
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
            "2:8: file: it is no TOML: invalid value; mend this place first.",
        ),
        ("a = 1\na = 2", "2:6: file: it is no TOML: cannot overwrite a value; mend"),
        ("format = 1\nx = [1,", "2:8: file: it is no TOML: invalid value; mend this place first."),
        ("x = " + "9" * 5000, "1:1: file: it is no TOML: it has a number of thousands of digits;"),
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
    with pytest.raises(FileMistakes, match=r"^press.toml:1:1: file: there is no such file; look"):
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
