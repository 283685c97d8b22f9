# SPDX-License-Identifier: MIT
"""A board whose firmware was updated under its settings: what a person is told and asked.

The two versions are those of shared/vectors: a fruit dryer whose heater's default becomes the pin
that the fan was set to, and whose limit carries a caution now (shared/protocol.md, clause 9.6).
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from provision.board.engine import from_declaration, settings_geometry
from provision.board.firmware import Device, Surroundings
from provision.board.flash import Flash
from provision.board.loopback import Loopback
from provision.board.store import FlashStore, pack_values
from provision.client.cache import Cache
from provision.contract.table import Store
from provision.schema.model import Value
from provision.schema_file.load import load_declaration
from provision.wizard import show
from provision.wizard.answers import AnswersError, read_file
from provision.wizard.dialog import meet, set_up_from_file
from provision.wizard.result import DialogResult, ExitCode
from tests.wizard.bench import CTRL_U, RETURN, Bench, Line, typed

VECTORS = Path(__file__).parents[2] / "shared" / "vectors"
BEFORE, AFTER = (
    load_declaration(VECTORS / "dryer-1.toml"),
    load_declaration(VECTORS / "dryer-2.toml"),
)

ON_ONE_PIN: Mapping[str, Value] = {"dryer.fan": 14, "dryer.limit": 50, "dryer.lit": False}
FELL_BACK: Mapping[str, Value] = {"dryer.fan": 2, "dryer.heater": 6, "dryer.limit": 75}


@asynccontextmanager
async def updated(values: Mapping[str, Value], cache: Path | None = None) -> AsyncIterator[Bench]:
    """Yield a board with the newer firmware, after the older one has stored these values."""
    flash = Flash(settings_geometry(BEFORE))
    slots = FlashStore(flash, BEFORE.board.slots)
    slots.boot(offers_trial=False)
    slots.commit(pack_values(BEFORE.schema, values), b"\1" * 8, bytes(8), on_trial=False)
    device = Device(from_declaration(AFTER, flash=flash), Surroundings())
    async with Loopback(device) as loopback:
        yield Bench(device, Line(loopback), Cache(cache))


async def test_both_settings_on_one_pin_are_asked_for_and_why() -> None:
    """The first keeps its pin at a Return; for the other one that pin is no answer any more."""
    async with updated(ON_ONE_PIN) as here:
        assert here.board.store_state is Store.INCOMPLETE
        # The mist nozzle is new, and comes last.
        ending = await here.set_up(RETURN, typed("14"), CTRL_U, typed("15"), RETURN, RETURN)
        assert ending.code is ExitCode.DONE
        assert here.board.stored["dryer.fan"] == 14
        assert here.board.stored["dryer.heater"] == 15
    screen = " ".join(here.screen.split())
    assert (
        "The board does not work until this is answered: Dryer, Pin of the heater and Dryer,"
        " Pin of the fan have the same pin."
    ) in screen
    assert "is used twice: by this setting and by Dryer, Pin of the heater." in screen
    assert "is used twice: by this setting and by Dryer, Pin of the fan." in screen
    assert "is used: Dryer, Pin of the fan" in screen


async def test_a_value_that_fell_back_under_a_caution_is_asked_for_with_it() -> None:
    """Even of a computer that remembers that everything was asked; a no asks again."""
    async with updated(FELL_BACK) as here:
        ending = await here.set_up(typed("", "n", "", "y", "5", "", "", ""))
        assert ending.code is ExitCode.DONE
        assert here.board.stored["dryer.limit"] == 45
    screen = " ".join(here.screen.split())
    assert "until this is answered: Dryer, Warmest air has no value." in screen
    assert "This firmware no longer takes the stored value." in screen
    assert screen.count("Dry fruit can catch fire") == 2  # with the question, each time


async def test_show_names_what_keeps_a_board_from_working() -> None:
    """On the screen and for programs."""
    for values, words, missing, conflict in (
        (
            ON_ONE_PIN,
            "Dryer, Pin of the heater and Dryer, Pin of the fan have the same pin.",
            None,
            ["dryer.heater", "dryer.fan"],
        ),
        (FELL_BACK, "Dryer, Warmest air has no value.", "dryer.limit", []),
    ):
        async with updated(values) as here:
            board = here.connect()
            met = await meet(board, here.cache, lambda _: None)
            await board.close()
        text = "\n".join(show.lines(met))
        assert f"  settings: incomplete, so that the board does not work\n    {words}\n" in text
        told = show.as_json(met)
        assert (told["store"], told["missing"]) == ("incomplete", missing)
        assert told["conflict"] == conflict


async def answer(here: Bench, file: Path) -> DialogResult:
    """Answer from a file."""
    connection = here.connect()
    try:
        met = await meet(connection, here.cache, here.said.append)
        ending, _ = await set_up_from_file(
            connection,
            met,
            read_file(file),
            here.said.append,
            cache=here.cache,
            ask_all=False,
        )
    finally:
        await connection.close()
    return ending


@pytest.mark.parametrize(
    ("values", "text", "problem"),
    [
        # What a file does not mention is not moved silently.
        (ON_ONE_PIN, "[dryer]\nmist = 5\n", "dryer.heater: "),
        (FELL_BACK, "[dryer]\nmist = 5\n", "dryer.limit: carries a caution; read it, and list"),
    ],
)
async def test_an_answers_file_that_leaves_it_open_stores_nothing(
    tmp_path: Path, values: Mapping[str, Value], text: str, problem: str
) -> None:
    """It says which setting lacks an answer."""
    async with updated(values) as here:
        (tmp_path / "dryer.toml").write_text(text, encoding="utf-8")
        with pytest.raises(AnswersError) as error:
            await answer(here, tmp_path / "dryer.toml")
        assert any(problem in each for each in error.value.problems), error.value.problems
        assert here.board.generation == 1


@pytest.mark.parametrize(
    ("values", "text"),
    [
        (ON_ONE_PIN, "[dryer]\nheater = 15\n"),
        (ON_ONE_PIN, "[dryer]\nfan = 15\nheater = 14\n"),
        (FELL_BACK, 'accept = ["dryer.limit"]\n[dryer]\nlimit = 50\n'),
        (FELL_BACK, 'accept = ["dryer.limit"]\n[dryer]\nalarm = 5\n'),
    ],
)
async def test_an_answers_file_that_settles_it_is_stored(
    tmp_path: Path, values: Mapping[str, Value], text: str
) -> None:
    """One answer suffices: the other setting keeps what it has."""
    async with updated(values) as here:
        (tmp_path / "dryer.toml").write_text(text, encoding="utf-8")
        assert (await answer(here, tmp_path / "dryer.toml")).code is ExitCode.DONE
        assert here.board.store_state is Store.COMPLETE
