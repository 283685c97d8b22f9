# SPDX-License-Identifier: MIT
"""Answers from a file: what it may say, and that every mistake is named before anything is sent."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.contract.table import MessageType
from provision.link.connection import Connection
from provision.wizard.answers import AnswersError, AnswersFile, match, read_file, rehearse
from provision.wizard.dialog import meet, set_up_from_file
from provision.wizard.flow import Flow
from provision.wizard.questions import Given
from provision.wizard.result import DialogResult, ExitCode, Result
from tests.wizard.bench import ANSWERS, PASSPHRASE, SERVICE_KEY, Bench, bench
from tests.wizard.sample_schema import COMPLETE, SCHEMA, held

BARN = """
accept = ["door.relay"]
[network]
name = "Farm"
passphrase = "hayloft-2-left"
[door]
motor = true
relay = 4
contact = "P5"
code = { file = "code.txt" }
[lamp.3]
place = "gate"
colour = "Cold white"
"""

NO_FILE = "door.code: cannot be read from its file (No such file or directory)."
CAUTION = (
    "door.relay: carries a caution; read it, and list the key under `accept` to go on:"
    ' "The motor moves as soon as this is stored."'
)


def written(folder: Path, text: str) -> AnswersFile:
    """Return a file of answers, read."""
    path = folder / "barn.toml"
    path.write_text(text, encoding="utf-8")
    return read_file(path)


def problems(folder: Path, text: str) -> list[str]:
    """Return what is wrong with a file for a fresh barn, without the file's path before it."""
    try:
        answers = match(written(folder, text), SCHEMA)
    except AnswersError as error:
        found = list(error.problems)
    else:
        flow = Flow(SCHEMA, {}, keys=answers.given.keys(), removed=answers.removed)
        found, _ = rehearse(answers, flow, somebody_is_there=False)
    return [problem.removeprefix(f"{folder}/barn.toml: ") for problem in found]


def test_a_file_answers_with_texts_numbers_and_files(tmp_path: Path) -> None:
    """A choice by its label, a pin by its name, a secret from a file beside it."""
    (tmp_path / "code.txt").write_text("7391\n", encoding="utf-8")
    answers = match(written(tmp_path, BARN), SCHEMA)
    assert {key: given and given.value for key, given in answers.given.items()} == {
        "network.name": b"Farm",
        "network.passphrase": "hayloft-2-left",
        "door.motor": True,
        "door.relay": 4,
        "door.contact": 5,
        "door.code": "7391",
        "lamp.3.place": "gate",
        "lamp.3.colour": "cold",
    }
    assert problems(tmp_path, BARN) == []


def test_an_empty_passphrase_means_an_open_network(tmp_path: Path) -> None:
    """The network has none, and what was set is cleared."""
    answers = match(written(tmp_path, '[network]\nname = "Farm"\npassphrase = ""'), SCHEMA)
    assert answers.given["network.passphrase"] is None


def test_settings_and_instances_are_cleared(tmp_path: Path) -> None:
    """By listing them; what is not listed and not answered stays as it is on the board."""
    answers = match(written(tmp_path, 'clear = ["door.note", "lamp.2"]'), SCHEMA)
    stored = held({**COMPLETE, "door.note": "oil", "lamp.2.place": "gate", "lamp.2.colour": "cold"})
    flow = Flow(SCHEMA, stored, keys=answers.given.keys(), removed=answers.removed)
    assert rehearse(answers, flow, somebody_is_there=False) == ([], [])
    assert flow.changes() == {"door.note": None, "lamp.2.place": None, "lamp.2.colour": None}


def test_an_answer_that_is_not_asked_for_is_named(tmp_path: Path) -> None:
    """It is no mistake, but nobody may think that it was stored."""
    text = BARN.replace("motor = true", "motor = false").replace("{ file = 'code.txt' }", "'7391'")
    (tmp_path / "code.txt").write_text("7391", encoding="utf-8")
    answers = match(written(tmp_path, text), SCHEMA)
    flow = Flow(SCHEMA, {}, keys=answers.given)
    assert rehearse(answers, flow, somebody_is_there=False) == ([], ["door.relay"])


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        pytest.param(
            '[network]\nnaem = "Farm"',
            ["network.naem: the board has no such setting; the nearest is network.name."],
            id="unknown key",
        ),
        pytest.param(
            'network = "Farm"',
            ["network: the board has no such setting; the nearest is network.name."],
            id="a section is a table",
        ),
        pytest.param(
            '[lamp.9]\nplace = "x"\n[lamp.1]\ncolour = "blue"\n[door]\ncontact = 3\nmotor = "so"',
            [
                "lamp.9.place: the board has no such setting; the nearest is lamp.3.place.",
                "lamp.1.colour: must be one of: Warm white, Cold white.",
                "door.contact: must be another pin: the board needs this one for itself.",
                "door.motor: must be yes or no.",
            ],
            id="every mistake in one run",
        ),
        pytest.param(
            '[door]\nnote = true\ncontact = 2021-01-01\ncode = { file = "none" }',
            [
                "door.note: must be a text or a number, not true or false.",
                'door.contact: must be a text, a number, true, false or { file = "..." }.',
                NO_FILE,
            ],
            id="wrong types, and a file that is not there",
        ),
        pytest.param(
            'clear = ["door.contact", "door.note", "lamp.1"]\n[door]\nnote = "x"',
            [
                "clear: door.contact: is required and cannot be cleared.",
                "clear: door.note: also has an answer: give only one of the two.",
                "clear: lamp.1: the board has no such setting; the nearest is lamp.1.place.",
            ],
            id="what cannot be cleared",
        ),
        pytest.param("clear = [1]", ["clear: must list keys of settings, as texts."], id="lists"),
        pytest.param(
            'accept = ["door.rely"]',
            ["accept: door.rely: the board has no such setting; the nearest is door.relay."],
            id="accepting nothing",
        ),
        pytest.param(
            "[door]\nmotor = true",
            [
                "network.name: has no answer, and is required (Network, Network).",
                CAUTION,
                "door.contact: has no answer, and is required (Door, Pin of the contact).",
            ],
            id="required answers and cautions",
        ),
        pytest.param(
            'accept = ["door.relay"]\n[network]\nname = "F"\n[door]\nmotor = true\nrelay = 4\n'
            "contact = 4",
            ["door.contact: must be another pin: P4 is used: Door, Pin of the relay."],
            id="one pin for two",
        ),
    ],
)
def test_every_mistake_is_named_with_its_place(
    tmp_path: Path, text: str, expected: list[str]
) -> None:
    """One sentence each: which key, what is wrong, what would be right."""
    assert problems(tmp_path, text) == expected


@pytest.mark.parametrize(
    "content",
    [b"[network", b"\xff\xfe", b"a = 1\na = 2", b"a = " + b"[" * 100_000, b"#" * 2_000_000],
)
def test_what_is_no_file_of_answers_is_said_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    """Whatever is in it."""
    path = tmp_path / "bad.toml"
    path.write_bytes(content)
    with pytest.raises(AnswersError) as caught:
        read_file(path)
    (problem,) = caught.value.problems
    assert problem.startswith(f"{path}: ")
    assert problem.endswith(".")


def test_a_mistake_never_repeats_a_value(tmp_path: Path) -> None:
    """What stands in the wrong place may be a secret."""
    canary = "canary-secret-4711"
    texts = [
        f'[network]\npassphrase = "{canary}\\u0007"',
        f'[network]\npassphrase = ["{canary}"]',
        f'[network]\npassphrase = {{ fil = "{canary}" }}',
        f'[door]\ncode = "{canary}-{canary}"\nmotor = "{canary}"\ncontact = "{canary}"',
        f'[network]\npassphrase = "{canary}',
    ]
    for text in texts:
        try:
            found = problems(tmp_path, text)
        except AnswersError as error:
            found = list(error.problems)
        assert found
        assert canary not in "".join(found)
    assert canary not in repr(written(tmp_path, f'[network]\npassphrase = "{canary}"'))
    assert canary not in repr(Given(canary))


# -------------------------------------------------------------------------------- with a board


async def played(here: Bench, path: Path) -> tuple[DialogResult, list[str]]:
    """Set the demo's board up from a file; return how it ended, and what was said."""
    said: list[str] = []
    async with Connection(here.line) as board:
        met = await meet(board, here.cache, said.append)
        ending, _ = await set_up_from_file(
            board, met, read_file(path), said.append, cache=here.cache, ask_all=False
        )
    return ending, said


async def test_the_demo_s_answers_set_its_board_up() -> None:
    """What was asked and answered is said, secrets masked; the board holds it and works."""
    async with bench() as here:
        ending, said = await played(here, ANSWERS)
        assert (ending.code, ending.run) == (ExitCode.DONE, "proven")
        assert here.board.stored["network.passphrase"] == PASSPHRASE
        assert here.board.stored["probe.2.address"] == bytes.fromhex("28a15c07d6013ce9")
        assert here.board.stored["mast.alarm-below"] == 10
        assert "  Passphrase: ********" in said
        assert "  Time zone: Europe/Vienna" in said
        assert "  Fixed address: no (the firmware's default)" in said
        assert not [line for line in said if PASSPHRASE in line or SERVICE_KEY in line]


@pytest.mark.parametrize(
    ("last_words", "code", "result"),
    [
        ("To be stored: ", ExitCode.INTERRUPTED, Result.NOT_STORED),
        ("Sent.", ExitCode.DONE, Result.STORED),
        ("The settings are stored.", ExitCode.DONE, Result.STORED),
        ("  The board is ", ExitCode.DONE, Result.STORED),
    ],
)
async def test_whoever_is_told_may_go_and_the_ending_is_the_truth(
    last_words: str, code: ExitCode, result: Result
) -> None:
    """A terminal that is gone ends the telling; the code says what became of the settings."""

    def say(text: str) -> None:
        if text.startswith(last_words):
            raise OSError(5, "Input/output error")

    async with bench() as here, Connection(here.line) as board:
        met = await meet(board, here.cache, say)
        ending, _ = await set_up_from_file(
            board, met, read_file(ANSWERS), say, cache=here.cache, ask_all=False
        )
        assert (ending.code, ending.result) == (code, result)
        assert bool(here.board.stored) == (result is Result.STORED)


async def test_a_mistake_in_the_file_sends_nothing(tmp_path: Path) -> None:
    """Not even what is right in it."""
    path = tmp_path / "answers.toml"
    path.write_text(ANSWERS.read_text(encoding="utf-8").replace("pin = 26", ""), encoding="utf-8")
    async with bench() as here:
        with pytest.raises(AnswersError, match=r"probe\.1\.pin: has no answer"):
            await played(here, path)
        assert MessageType.SET_FIELD not in here.line.requests
        assert here.board.stored == {}


async def test_a_wrong_passphrase_in_the_file_ends_with_the_reason(tmp_path: Path) -> None:
    """There is nobody to ask for another one."""
    path = tmp_path / "answers.toml"
    text = ANSWERS.read_text(encoding="utf-8").replace(PASSPHRASE, "blossom-after-frost")
    path.write_text(text, encoding="utf-8")
    async with bench() as here:
        ending, _ = await played(here, path)
        assert (ending.code, ending.result) == (ExitCode.NOT_WORKING, Result.STORED)
        assert "did not take this passphrase" in ending.words
