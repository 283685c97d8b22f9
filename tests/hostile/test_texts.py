# SPDX-License-Identifier: MIT
"""Whatever text a board sends, wherever a text can stand, what reaches a terminal is printable.

The commands are real, and what they write is looked at byte by byte.
"""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from provision.contract.table import Ability, Kind, MessageType, Refusal, Run, Step
from provision.link.connection import Connection
from provision.link.errors import BoardFault
from provision.link.streams import MemoryStream
from provision.schema.codec import to_item
from provision.schema.model import Condition, Field, Option, Pin, Repeat, Schema, Section
from provision.wizard.questions import shown_value
from provision.wizard.result import ExitCode
from tests.hostile.cases import hello_with, refuses, status_with
from tests.hostile.harness import (
    ANSWERS,
    MIB,
    HostileBoard,
    check_display,
    check_ending,
    check_untouched,
    honest_board,
    run,
)
from tests.hostile.virtual_loop import VirtualLoop, virtual_time
from tests.link.virtual import SmallBoard

# Control characters and sequences of ECMA-48 and ISO 6429, and the characters that Unicode calls
# Bidi_Control and Default_Ignorable_Code_Point; the choice is from memory.
TEXTS = {
    "escape sequences": "\x1b[35;5mA\x1b[2J\x1b[9A\x1b]0;title\x07\x1bP1$r\x1b\\\x1bc",
    "control characters": "\x00\x01\x07\x08\x0b\x0c\x0e\x0f\x11\x13\x18\x1a\x7fB",
    "line ends": "one\ntwo\rthree\r\nfour\x85five",
    "controls of eight bits": "\x9b35;5mC\x9d0;title\x9c\x90\x84\x8d\x98\x9e",
    "turned writing": "\u202eD\u202d\u2066\u2067\u2068\u2069\u061c\u200e\u200f",
    "invisible characters": "\u200b\u200c\u200d\u2060\ufeff\u00ad\U000e0041\u180eE",
    "line separators": "F\u2028G\u2029H",
    "private and unassigned": "\ue000\U0010fffd\u0378\uffff\ufffeI",
    "stacked accents": "Z" + "\u0334\u0335\u0316\u0301" * 40,
    "markup": "<b>&amp;</b> [red]x[/red] <style fg='red'>y</style> %s {0} $HOME `id` \\x1b[31m",
    "our own screens": "> q\r\nTo be stored\r\nEverything is stored; nothing was changed.",
    "frames": "\n~hAEBB6AKJIDNK@E\n~AAAA",
    "wide characters": "\u6807\u7b7e" * 60 + "\U0001f525" * 20,
}


def fit(text: str, size: int) -> str:
    """Return as much of a text, repeated, as fits into so many bytes of UTF-8."""
    repeated = (text * (size // len(text.encode()) + 1)).encode()[:size]
    return repeated.decode("utf-8", "ignore") or "x"


def schema_of(text: str) -> Schema:
    """Return a schema that has the text in every place that a text can stand."""
    label, help_, caution, unit = fit(text, 40), fit(text, 400), fit(text, 300), fit(text, 8)
    fields = (
        Field("name", Kind.NETWORK_NAME, label, help=help_, caution=caution),
        Field("phrase", Kind.PASSPHRASE, label, help=help_, network="all.name"),
        Field("text", Kind.TEXT, label, help=help_, maximum=255, default="plain"),
        Field("code", Kind.SECRET, label, help=help_, maximum=20),
        Field("count", Kind.INTEGER, label, help=help_, unit=unit, maximum=9, minimum=1),
        Field("level", Kind.DECIMAL, label, help=help_, unit=unit, digits=2, default=150),
        Field("wait", Kind.DURATION, label, help=help_, unit="s", default=90),
        Field(
            "kind",
            Kind.CHOICE,
            label,
            help=help_,
            default="a",
            options=tuple(Option(key, label, help_) for key in "abc"),
        ),
        Field("pin", Kind.PIN, label, help=help_, needs=Ability.IN, default=4),
        Field("page", Kind.URL, label, help=help_, schemes=("https",)),
        Field("raw", Kind.HEX, label, help=help_, maximum=8),
        Field("file", Kind.BLOB, label, help=help_, maximum=2048),
    )
    pins = (
        Pin(3, Ability.IN, fit(text, 16), taken=label),
        Pin(4, Ability.IN, fit(text, 16), caution=caution),
        Pin(5, Ability.IN, fit(text, 16)),
    )
    again = Section("again", label, (fields[2],), help=help_, repeat=Repeat(0, 2))
    return Schema(label, (Section("all", label, fields, help=help_), again), pins)


def board_of(text: str) -> HostileBoard:
    """Return a board that says this text wherever it can."""
    board = honest_board()
    board.declare(schema_of(text))
    printable = "".join(c for c in text if not (c < " " or "\x7f" <= c <= "\x9f"))
    board.stored = {
        "all.name": fit(text, 32).encode(),
        "all.text": fit(printable, 255),
        "all.raw": fit(text, 8).encode()[:8],
        "all.kind": "b",
    }
    hello_with(firmware=fit(text, 32), firmware_version=fit(text, 24), board=fit(text, 32))(board)
    status_with(run=int(Run.FAILED), step=int(Step.REACH), reason=10, field=fit(text, 32))(board)
    return board


F1, RETURN, CTRL_C, CTRL_U = "\x1bOP", "\r", "\x03", "\x15"

WALK: Sequence[str] = [
    *(F1, RETURN) * 3,  # the network and its passphrase; what is asked after a caution
    *("y" + RETURN, F1, "?" + RETURN, "xx" + RETURN, CTRL_U + RETURN) * 12,
    CTRL_C,
]
"""Keystrokes of somebody who asks for help everywhere, types nonsense, and stores what comes."""


@pytest.mark.parametrize("name", TEXTS)
def test_hostile_texts_are_shown_clean(name: str, tmp_path: Path) -> None:
    """`show`: line by line, no more lines than the schema makes."""
    ran = run(board_of(TEXTS[name]), "show", folder=tmp_path)
    check_ending(ran, ExitCode.DONE)
    plain = run(board_of("plain"), "show", folder=tmp_path)
    assert len(ran.out.splitlines()) == len(plain.out.splitlines())
    assert ran.err == ""
    check_untouched(ran)


@pytest.mark.parametrize("name", TEXTS)
def test_hostile_texts_are_clean_for_programs(name: str, tmp_path: Path) -> None:
    """`show --json`: it is ASCII, and whoever prints a text from it prints no control character.

    A value is exact, whatever else is in it: it may be stored elsewhere. All else is printable.
    """
    board = board_of(TEXTS[name])
    ran = run(board, "show", "--json", folder=tmp_path)
    check_ending(ran, ExitCode.DONE)
    assert ran.out.isascii()
    told = json.loads(ran.out)
    assert told["settings"]["all.text"].pop("value") == board.stored["all.text"]
    texts = list(_texts(told))
    assert len(texts) > 20
    assert [text for text in texts if not text.isprintable()] == []


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for each in value.values():
            yield from _texts(each)
    elif isinstance(value, list):
        for each in value:
            yield from _texts(each)


@pytest.mark.parametrize("name", TEXTS)
def test_hostile_texts_are_asked_clean(name: str, tmp_path: Path) -> None:
    """The dialog, its help, cautions, completions and complaints."""
    ran = run(
        board_of(TEXTS[name]), "setup", "--ask-all", folder=tmp_path, keys=WALK, measured=False
    )
    check_ending(ran, ExitCode.NOT_WORKING, "it failed at reaching the service.")
    assert "To be stored" in ran.screen
    assert "\x1b[35;5m" not in ran.screen
    assert "\x1b]" not in ran.screen
    assert "\x1bP" not in ran.screen
    assert "\x07" not in ran.screen


@pytest.mark.parametrize("name", TEXTS)
def test_hostile_texts_are_answered_clean_from_a_file(name: str, tmp_path: Path) -> None:
    """What is said on standard error about questions, answers and refusals."""
    board = board_of(TEXTS[name])
    refuses(
        MessageType.SET_FIELD, int(Refusal.RANGE), field="all.text", other=fit(TEXTS[name], 32)
    )(board)
    path = tmp_path / "answers.toml"
    path.write_text('accept = ["all.pin"]\n[all]\ntext = "new"\ncode = "7391"\n', encoding="utf-8")
    ran = run(board, "setup", "--answers", str(path), folder=tmp_path)
    check_ending(ran, ExitCode.REFUSED, "Nothing was changed on the board.")
    check_untouched(ran)


CANARY = "gate-by-the-creek"
"""The passphrase among the answers, which the board gives back wherever a key can stand."""

NAMES_THE_SECRET = {
    "a refused value": refuses(MessageType.SET_FIELD, int(Refusal.RANGE), field=CANARY),
    "a refused value, of another version": refuses(MessageType.SET_FIELD, 99, field=CANARY),
    "a refused commit": refuses(
        MessageType.COMMIT, int(Refusal.PIN_CONFLICT), field=CANARY, other=CANARY
    ),
    "the other field": refuses(
        MessageType.COMMIT, int(Refusal.PIN_CONFLICT), field="door.contact", other=CANARY
    ),
    "a failure": status_with(
        after_commit=True, run=int(Run.FAILED), step=int(Step.REACH), reason=10, field=CANARY
    ),
    "what is missing": status_with(after_commit=True, missing=CANARY, field=CANARY),
}


@pytest.mark.parametrize("name", NAMES_THE_SECRET)
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_key_that_a_board_makes_up_is_not_repeated(
    name: str, more: Sequence[str], tmp_path: Path
) -> None:
    """It may be the secret that it was just sent; that its schema lacks it is said instead."""
    board = honest_board()
    NAMES_THE_SECRET[name](board)
    path = tmp_path / "answers.toml"
    path.write_text(ANSWERS, encoding="utf-8")
    ran = run(board, "setup", "--answers", str(path), *more, folder=tmp_path)
    everything = ran.out + ran.err
    assert CANARY not in everything
    assert "Traceback" not in everything
    if name != "what is missing":
        assert ran.code in (ExitCode.REFUSED, ExitCode.NOT_WORKING)
    if name not in ("the other field", "what is missing"):
        assert "a field that its schema does not have" in everything
        assert not more or json.loads(ran.out)["field"] is None
    for command in (("show",), ("show", "--json"), ("diagnose",)):
        shown = run(board, *command, folder=tmp_path)
        assert CANARY not in shown.out + shown.err
        check_display(shown)


def test_the_check_of_displays_can_fail(tmp_path: Path) -> None:
    """Each hostile text would be found if it came through."""
    ran = run(honest_board(), "show", folder=tmp_path)
    for name in list(TEXTS)[:8]:
        ran.out = TEXTS[name]
        with pytest.raises(AssertionError):
            check_display(ran)
    ran.out, ran.texts = "", "\x1b]0;title\x07"
    with pytest.raises(AssertionError):
        check_display(ran)


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1"])
@pytest.mark.parametrize("command", [("show",), ("show", "--json")])
def test_text_that_the_terminal_cannot_write_is_no_traceback(
    encoding: str, command: Sequence[str], tmp_path: Path
) -> None:
    """On a terminal that is not in UTF-8 a mark stands for the character."""
    board = board_of(TEXTS["wide characters"])
    ran = run(board, *command, folder=tmp_path, encoding=encoding)
    check_ending(ran, ExitCode.DONE)
    assert "?" in ran.out or "\\u6807" in ran.out


# ----------------------------------------------------------------------------------- at the limits


def _word(draw: random.Random, size: int) -> str:
    return "".join(draw.choices("abcdefghijklmnopqrstuvwxyz ", k=size - 1)) + "x"


def largest_schema() -> Schema:
    """Return 512 fields with help texts that fill the largest schema, all optional, all asked."""
    draw = random.Random(7)
    sections = []
    for number in range(32):
        fields: list[Field] = []
        for place in range(16):
            key, label, help_ = f"f{place}", _word(draw, 40), _word(draw, 400)
            if place % 4 == 3:
                fields.append(
                    Field(key, Kind.PIN, label, help=help_, needs=Ability.IN, shares=True)
                )
            else:
                before = Condition(f"s{number}.f{place - 1}") if place % 4 == 1 else None
                fields.append(
                    Field(key, Kind.TEXT, label, help=help_, maximum=99, condition=before)
                )
        sections.append(Section(f"s{number}", _word(draw, 40), tuple(fields)))
    pins = tuple(Pin(n, Ability.IN, _word(draw, 16)) for n in range(128))
    return Schema("Everything", tuple(sections), pins)


def largest_board() -> HostileBoard:
    """Return a board with the largest schema, on which nothing is set."""
    board = honest_board()
    board.declare(largest_schema())
    board.stored = {}
    return board


def test_the_largest_schema_is_shown(tmp_path: Path) -> None:
    """512 fields with maximal texts and 128 pins, in bounded memory."""
    ran = run(largest_board(), "show", folder=tmp_path)
    check_ending(ran, ExitCode.DONE, "Everything")
    assert len(ran.out.splitlines()) == 5 + 32 * (2 + 12)  # a fourth of the fields does not apply
    assert ran.peak <= 16 * MIB, ran.peak / MIB


def test_the_largest_schema_is_asked_in_bounded_memory(tmp_path: Path) -> None:
    """Its first questions, and leaving."""
    ran = run(largest_board(), "setup", folder=tmp_path, keys=[RETURN * 40, CTRL_C])
    check_ending(ran, ExitCode.INTERRUPTED, "Nothing was changed on the board.")
    assert "40 of 384" in ran.screen
    assert ran.peak <= 24 * MIB, ran.peak / MIB
    check_untouched(ran)


@pytest.mark.timeout(300)
def test_the_largest_schema_is_asked_to_its_end(tmp_path: Path) -> None:
    """Return all the way: nothing to change."""
    board = largest_board()
    ran = run(board, "setup", folder=tmp_path, keys=[RETURN * 384], measured=False)
    check_ending(ran, ExitCode.DONE, "Everything that this firmware asks for is set")
    assert "384 of 384" in ran.screen
    check_untouched(ran)


# ------------------------------------------------------------------------------------ log, survey


def _in_virtual_time(coroutine: Any) -> tuple[Any, float]:
    with virtual_time() as loops:
        result = asyncio.run(coroutine)
    assert isinstance(loops[0], VirtualLoop)
    return result, loops[0].time()


async def _connected(board: SmallBoard, then: Any, log: list[str] | None = None) -> Any:
    near, far = MemoryStream.pair()

    async def serve() -> None:
        while True:
            far.write(board.receive(await far.read()))

    serving = asyncio.ensure_future(serve())
    try:
        async with Connection(near, on_log=log.append if log is not None else None) as connection:
            await connection.hello()
            return await then(connection, far)
    finally:
        serving.cancel()


@pytest.mark.parametrize("name", TEXTS)
def test_hostile_log_text_is_kept_clean(name: str) -> None:
    """What is handed on of the board's log is printable, line by line, of bounded length."""

    async def talk(connection: Connection, far: MemoryStream) -> None:
        far.write((TEXTS[name] + "\n").encode("utf-8", "surrogatepass"))
        far.write(TEXTS[name].encode("utf-16") + b"\n" + TEXTS[name].encode() * 500 + b"\n")
        await connection.status()

    log: list[str] = []
    _in_virtual_time(_connected(SmallBoard(), talk, log))
    assert log
    assert [line for line in log if not line.isprintable()] == []
    assert max(map(len, log)) <= 1100


@pytest.mark.parametrize("name", TEXTS)
def test_hostile_network_names_of_a_survey_are_shown_clean(name: str) -> None:
    """A network's name is octets that whoever set it up chose; shown as any value is."""
    octets = TEXTS[name].encode()[:32]
    board = SmallBoard()
    board.instead[MessageType.SURVEY] = lambda m: {
        1: 5,
        2: True,
        3: 2,
        4: (first := int(str(m.body.get(2, 0)))),
        5: [[octets, -40, 200], [b"\xff" * 32, -128, 3]][first:],
    }

    async def look(connection: Connection, _far: MemoryStream) -> Any:
        return await connection.survey()

    found, _ = _in_virtual_time(_connected(board, look))
    assert [network.name for network in found] == [octets, b"\xff" * 32]
    declared = Field("name", Kind.NETWORK_NAME, "Network")
    for network in found:
        shown = shown_value(declared, network.name)
        assert shown.isprintable()
        assert len(shown) <= 255


def _scan(**other: Any) -> Any:
    body = {"scan": 5, "done": False, "count": 1, "first": 0, "networks": []} | other
    return lambda _: dict(enumerate(body.values(), start=1))


@pytest.mark.parametrize(
    "answer",
    [
        _scan(networks=[[b"a", -1, 0]] * 2),
        _scan(first=9, networks=[[b"a", -1, 0]]),
        lambda m: _scan(scan=5 if 1 not in m.body else 6)(m),
    ],
    ids=["more than counted", "from elsewhere", "of another scan"],
)
def test_a_survey_that_contradicts_itself_ends(answer: Any) -> None:
    """In one sentence."""
    board = SmallBoard()
    board.instead[MessageType.SURVEY] = answer

    async def look(connection: Connection, _far: MemoryStream) -> Any:
        with pytest.raises(BoardFault, match="contradicts itself"):
            await connection.survey()

    _in_virtual_time(_connected(board, look))


def test_a_survey_that_never_ends_is_given_up() -> None:
    """After a minute without news, with what was found."""
    board = SmallBoard()
    board.instead[MessageType.SURVEY] = _scan(count=255)

    async def look(connection: Connection, _far: MemoryStream) -> Any:
        return await connection.survey()

    found, seconds = _in_virtual_time(_connected(board, look))
    assert found == []
    assert 59 < seconds < 62


def test_a_schema_item_of_hostile_texts_is_within_the_limits() -> None:
    """The texts above are what the contract admits: nothing was refused before it was cleaned."""
    for text in TEXTS.values():
        assert to_item(schema_of(text))
