# SPDX-License-Identifier: MIT
"""What comes out is what went in: from one board through a file to the next, byte for byte."""

from __future__ import annotations

import asyncio
import json
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from provision.board.engine import from_declaration
from provision.board.firmware import Device, Surroundings
from provision.board.loopback import Loopback
from provision.client.cache import Cache
from provision.client.held import held_settings
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Ability, Characters, Held, Kind
from provision.link.connection import Connection
from provision.output import as_json
from provision.schema.declaration import BoardDeclaration, Declaration
from provision.schema.model import Field, Option, Pin, Repeat, Schema, Section, Value
from provision.schema.time_zones import zones
from provision.schema.values import check_value, limits, parse
from provision.wizard import show
from provision.wizard.answers import match, read_file
from provision.wizard.dialog import (
    meet,
    set_up_from_file,
)
from provision.wizard.export import answers_file
from provision.wizard.questions import typed_value
from provision.wizard.result import Result
from tests.wizard.bench import Line

OPTIONS = (Option("slow", "Slow"), Option("fast", "Slow"), Option("o-1", "1"))
FIELDS = (
    Field("text", Kind.TEXT, "Text", maximum=255, caution="Read this."),
    Field("ascii", Kind.TEXT, "Text", maximum=255, characters=Characters.ASCII),
    Field("digits", Kind.TEXT, "Digits", maximum=20, characters=Characters.DIGITS),
    Field("whole", Kind.INTEGER, "Whole", unit="°C \u00ad#"),
    Field("point", Kind.DECIMAL, "Decimal", digits=1, unit="5"),
    Field("tiny", Kind.DECIMAL, "Decimal", digits=6, unit="mm"),
    Field("flag", Kind.YES_NO, "Flag"),
    Field("choice", Kind.CHOICE, "Choice", options=OPTIONS),
    Field("pin", Kind.PIN, "Pin", needs=Ability.IN),
    Field("host", Kind.HOST, "Host"),
    Field("url", Kind.URL, "Address", maximum=255, schemes=("https", "mqtt")),
    Field("ip", Kind.IP, "Address"),
    Field("port", Kind.PORT, "Port"),
    Field("zone", Kind.TIME_ZONE, "Zone"),
    Field("seconds", Kind.DURATION, "Time", unit="s"),
    Field("ms", Kind.DURATION, "Time", unit="ms"),
    Field("hex", Kind.HEX, "Octets", maximum=255),
    Field("secret-hex", Kind.HEX, "Octets", maximum=255, secret=True),
    Field("blob", Kind.BLOB, "File", maximum=300),
    Field("code", Kind.SECRET, "Code", maximum=255),
)
NETWORK = (
    Field("name", Kind.NETWORK_NAME, "Network"),
    Field("phrase", Kind.PASSPHRASE, "Passphrase", network="net.name"),
)
# Fields whose keys have a meaning of their own elsewhere in an answers file.
PLACES = (Field("file", Kind.TEXT, "File", maximum=9), Field("ask", Kind.YES_NO, "Ask"))
SCHEMA = Schema(
    "Exact",
    (
        Section("all", "All", FIELDS),
        Section("net", "Network", NETWORK),
        Section("place", "Place", PLACES, repeat=Repeat(0, 2)),
        Section("clear", "Place", PLACES),
    ),
    tuple(Pin(number, Ability.IN, f"GPIO{number + 1}") for number in range(4)),
)
DECLARATION = Declaration(
    SCHEMA, "exact", "1", BoardDeclaration("made up", 1 << 20, 4096, 256, 0, 1 << 15)
)

# Characters that are legal in a text and that nobody sees, or that TOML and JSON escape.
UNSEEN = "\u00a0\u00ad\u200b\u200d\u2028\u202e\u2066\ufeff\U000e0041\ue000\U0010ffff\u0378"
PRINTABLE = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc"]) | st.sampled_from(f"{UNSEEN}  \"\\'#"),
    min_size=1,
    max_size=255,
).filter(lambda text: len(text.encode()) <= 255)
LABEL = st.from_regex(r"[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?", fullmatch=True)
OF_URL = "".join(set(string.printable) - set('"<>\\^`{|}[] \t\n\r\x0b\x0c#%'))


def values_of(field: Field) -> st.SearchStrategy[Value]:
    """Return the values that a board takes for a field, and some that it does not."""
    least, most = limits(field)
    strategies: dict[Kind, st.SearchStrategy[Value]] = {
        Kind.YES_NO: st.booleans(),
        Kind.CHOICE: st.sampled_from([option.key for option in OPTIONS]),
        Kind.PIN: st.sampled_from([pin.number for pin in SCHEMA.pins]),
        Kind.HOST: st.lists(LABEL, min_size=1, max_size=4).map(".".join),
        Kind.URL: st.builds(
            "{}://{}/{}".format,
            st.sampled_from(["https", "mqtt"]),
            LABEL,
            st.text(OF_URL, max_size=180),
        ),
        Kind.IP: st.binary(min_size=4, max_size=4)
        | st.binary(min_size=16, max_size=16)
        | st.binary(min_size=4, max_size=4).map(lambda four: bytes(10) + b"\xff\xff" + four),
        Kind.TIME_ZONE: st.sampled_from([*zones().values(), "EST5EDT,0/0,J365/25", "<-02>2"]),
        Kind.PASSPHRASE: st.text(string.printable[:95], min_size=8, max_size=63)
        | st.text("0123456789abcdefABCDEF", min_size=64, max_size=64),
        Kind.SECRET: PRINTABLE,
        Kind.TEXT: st.text(string.printable[:95], min_size=1, max_size=most)
        if field.characters is Characters.ASCII
        else st.text(string.digits, min_size=1, max_size=most)
        if field.characters is Characters.DIGITS
        else PRINTABLE,
    }
    octets = st.binary(min_size=least, max_size=min(most, 300))
    if field.kind is Kind.NETWORK_NAME:
        octets |= PRINTABLE.map(lambda text: text.encode()[:32])
        octets |= st.sampled_from([b"hex:41", b"HEX:", b" a  b ", "caf\u00e9\u200d".encode()])
    is_octets = field.kind in (Kind.HEX, Kind.BLOB, Kind.NETWORK_NAME)
    return strategies.get(field.kind, octets if is_octets else st.integers(least, most))


@st.composite
def sets_of_values(draw: st.DrawFn) -> dict[str, Value]:
    """Draw a set of values that a board stores, by full key, some of them or all."""
    values: dict[str, Value] = {}
    for setting in SCHEMA.settings:
        if draw(st.booleans()):
            value = draw(values_of(setting.field))
            assume(check_value(setting.field, value, SCHEMA) is None)
            values[setting.key] = value
    if "net.name" not in values:
        values.pop("net.phrase", None)
    assume(values)
    return values


class Owner:
    """Whoever has the exported file, and what no board gives away."""

    def __init__(self, folder: Path, values: dict[str, Value]) -> None:
        self.folder = folder
        self.values = values

    def fill_in(self, exported: str) -> str:
        """Do to the file what it says can be done: each mark makes room for an answer."""
        lines, section = [], ""
        for line in exported.replace("# accept = ", "accept = ").split("\n"):
            if header := re.fullmatch(r"\[(.+)\]", line):
                section = header[1]
            if mark := re.match(r"(\S+) = \{ ask = true \}", line):
                line = f"{mark[1]} = {self._answer(f'{section}.{mark[1]}')}"  # noqa: PLW2901
            lines.append(line)
        return "\n".join(lines)

    def _answer(self, key: str) -> str:
        value = self.values[key]
        if isinstance(value, str):
            return '"' + "".join(f"\\U{ord(character):08x}" for character in value) + '"'
        assert isinstance(value, bytes)
        if key == "all.secret-hex":
            return f'"{value.hex()}"'
        (self.folder / key).write_bytes(value)
        return f'{{ file = "{key}" }}'


class Boards:
    """Two boards of one firmware, which are erased before each use; made once, for speed."""

    def __init__(self) -> None:
        self._runner = asyncio.Runner()
        self._devices = [
            Device(from_declaration(DECLARATION, unit=bytes([number])), Surroundings())
            for number in range(2)
        ]
        self._lines = [Loopback(device) for device in self._devices]
        self._runner.run(self._open())

    async def _open(self) -> None:
        for line in self._lines:
            await line.__aenter__()

    async def _close(self) -> None:
        for line in self._lines:
            await line.__aexit__(None, None, None)

    def close(self) -> None:
        """Let them go."""
        self._runner.run(self._close())
        self._runner.close()

    def export(self, values: dict[str, Value]) -> tuple[BoardSnapshot, str]:
        """Store a set on one board; return the board as it is met then, and its export."""
        return self._runner.run(self._export(values))

    def set_up_next(self, file: Path) -> dict[str, object]:
        """Set the other board up from a file of answers; return what it then holds."""
        return self._runner.run(self._set_up_next(file))

    async def _erased(self, number: int) -> Connection:
        board = Connection(Line(self._lines[number]))
        await board.erase((await board.hello()).generation)
        return board

    async def _export(self, values: dict[str, Value]) -> tuple[BoardSnapshot, str]:
        board = await self._erased(0)
        try:
            changes = [(s.key, values.get(s.key)) for s in SCHEMA.settings]
            await board.store(changes, token=b"token-01")
            assert self._devices[0].board.stored == values
            met = await meet(board, Cache(None), lambda _: None)
        finally:
            await board.close()
        return met, answers_file(met)

    async def _set_up_next(self, file: Path) -> dict[str, object]:
        board = await self._erased(1)
        try:
            met = await meet(board, Cache(None), lambda _: None)
            ending, board = await set_up_from_file(
                board, met, read_file(file), lambda _: None, cache=Cache(None), ask_all=False
            )
        finally:
            await board.close()
        assert ending.result is Result.STORED, ending
        return dict(self._devices[1].board.stored)


@pytest.fixture(scope="module")
def boards() -> Iterator[Boards]:
    """Two boards."""
    here = Boards()
    yield here
    here.close()


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
@given(sets_of_values())
def test_an_exported_set_is_the_same_on_the_next_board(
    boards: Boards, tmp_path_factory: pytest.TempPathFactory, values: dict[str, Value]
) -> None:
    """Any legal value of any kind: stored, exported, read, and stored again, byte for byte."""
    folder = tmp_path_factory.mktemp("owner", numbered=True)
    met, text = boards.export(values)
    told = json.loads(as_json(show.as_json(met)))["settings"]
    for setting in SCHEMA.settings:
        if "value" in told[setting.key]:
            value = told[setting.key]["value"]
            typed = value if isinstance(value, str) else json.dumps(value)
            assert parse(setting.field, typed, SCHEMA) == values[setting.key]
    file = folder / "exported.toml"
    file.write_bytes(Owner(folder, values).fill_in(text).encode())
    assert boards.set_up_next(file) == values


@pytest.mark.parametrize(
    ("value", "line"),
    [
        ("  two  spaces  ", r'text = "  two  spaces  "'),
        ("soft\u00adhyphen \u200d\ufeff", r'text = "soft\u00adhyphen \u200d\ufeff"'),
        ('"quoted" \\', r'text = "\"quoted\" \\"'),
        ("\U000e0041\U0001f525", 'text = "\\U000e0041\U0001f525"'),
        ("x" * 255, f'text = "{"x" * 255}"'),
    ],
)
def test_a_text_is_exported_whole_and_what_is_unseen_is_escaped(
    boards: Boards, value: str, line: str
) -> None:
    """The escapes are those of TOML 1.0, "String"; an eye sees every character that is there."""
    _, text = boards.export({"all.text": value})
    assert line in text.splitlines()


def test_an_export_is_the_same_in_every_language(boards: Boards, tmp_path: Path) -> None:
    """Units may be translated: they stand behind the value, for the eye, and are not read."""
    met, text = boards.export({"all.tiny": -1, "all.whole": 7, "all.blob": b"abc"})
    assert "tiny = -0.000001  # mm\n" in text
    assert "blob = { ask = true }  # 3 bytes\n" in text
    file = tmp_path / "answers.toml"
    file.write_text(Owner(tmp_path, {"all.blob": b"abc"}).fill_in(text), encoding="utf-8")
    others = tuple(
        Section(
            "all",
            "Alles",
            tuple(
                Field(f.key, f.kind, "F", unit="Einheit", digits=f.digits, maximum=f.maximum)
                for f in FIELDS
                if f.key in ("tiny", "whole", "blob")
            ),
        )
        for _ in range(1)
    )
    given = match(read_file(file), Schema("Genau", others)).given
    assert {key: answer.value for key, answer in given.items() if answer} == {
        "all.tiny": -1,
        "all.whole": 7,
        "all.blob": b"abc",
    }
    assert met.held["all.tiny"].held is Held.SET


def test_what_is_shown_to_people_is_cleaned_all_the_same(boards: Boards) -> None:
    """Exactness is for programs; nothing that an eye reads has become raw."""
    met, text = boards.export({"all.text": "a\u202eb\u00ad", "all.whole": 1})
    shown = "\n".join(show.lines(met))
    assert "Text: a?b?" in shown
    everything = shown + text + as_json(show.as_json(met))
    assert all(character.isprintable() or character == "\n" for character in everything)
    assert held_settings(SCHEMA, None)["all.text"].held is Held.UNSET


SECRET = "blossom-before-frost"


@pytest.mark.parametrize(
    "declared",
    [
        Field("a", Kind.SECRET, "A", maximum=20),
        Field("a", Kind.PASSPHRASE, "A", network="a.b"),
        Field("a", Kind.HEX, "A", maximum=20, secret=True),
        Field("a", Kind.BLOB, "A", maximum=20),
    ],
)
def test_what_is_never_shown_is_not_offered_for_editing_either(declared: Field) -> None:
    """Up puts the answer of before where it can be edited: of these there is none."""
    value = SECRET if declared.kind in (Kind.SECRET, Kind.PASSPHRASE) else SECRET.encode()
    assert typed_value(declared, value) == ""
    assert typed_value(declared, value, SECRET) == ""
