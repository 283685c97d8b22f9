# SPDX-License-Identifier: MIT
"""What a board holds, on a screen and for programs; and what a board may not hold."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import replace

import pytest

from provision.client.held import HeldSetting, held_settings
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Ability, Held, Kind, Reason, Run, Store
from provision.link.replies import HeldValue, Hello, Status
from provision.schema.codec import SchemaError
from provision.schema.model import Field, Pin, Schema, Section, Value
from provision.wizard import show
from provision.wizard.dialog import meet
from tests.wizard.bench import PASSPHRASE, SERVICE_KEY, Bench, bench, first_time
from tests.wizard.sample_schema import COMPLETE, SCHEMA


async def met(here: Bench) -> BoardSnapshot:
    """Return the board as it is met now."""
    board = here.connect()
    try:
        return await meet(board, here.cache, lambda _: None)
    finally:
        await board.close()


async def test_what_a_board_holds_is_shown_without_a_secret() -> None:
    """Set values in words, what is not set with its default, secrets as set; each fits a line."""
    async with bench() as here:
        fresh = "\n".join(show.lines(await met(here)))
        assert "nothing is stored" in fresh
        assert "  Time between readings: not set: 1 min by default" in fresh
        await here.set_up(*first_time(), "\r")
        board = await met(here)
        text = "\n".join(show.lines(board))
        for line in (
            "  it works with the settings",
            "  Network: Orchard Gate",
            "  Passphrase: set, not shown",
            "  Alarm below: 1.5 °C",
            "  Sort of probe: Analog",
            "  Certificate: not set",
        ):
            assert f"{line}\n" in text
        said = [line for line in show.lines(board) if line]
        headings = [line for line in said[1:] if not line.startswith(" ")]
        assert headings == list(dict.fromkeys(headings)), "a section has its heading once"
        assert {"Network", "Probe 1", "Siren"} <= {*headings}
        assert "Probe 2" not in text
        assert "Address" not in text  # applies only to a fixed one
        found = show.as_json(board)
        assert found["settings"]["network.name"] == {"held": "set", "value": "Orchard Gate"}
        assert found["settings"]["service.key"] == {"held": "set"}
        assert found["settings"]["mast.alarm-below"] == {"held": "set", "value": "1.5"}
        assert found["settings"]["siren.fitted"] == {"held": "set", "value": True}
        assert found["run"] == "proven"
        everything = text + json.dumps(found)
        assert PASSPHRASE not in everything
        assert SERVICE_KEY not in everything


def test_a_value_of_a_secret_reaches_no_output_whoever_kept_it() -> None:
    """What a board gives of one is dropped when it is met; what shows it does not rely on that."""

    async def play() -> BoardSnapshot:
        async with bench() as here:
            return await met(here)

    found = asyncio.run(play())
    told = replace(found, held={**found.held, "service.key": HeldSetting(Held.SET, SERVICE_KEY)})
    assert show.as_json(told)["settings"]["service.key"] == {"held": "set"}
    assert SERVICE_KEY not in json.dumps(show.as_json(told))
    assert SERVICE_KEY not in "\n".join(show.lines(told))


def values(changed: dict[str, HeldValue]) -> dict[str, HeldValue]:
    """Return what a barn's board tells, with some of it changed."""
    told = {s.key: HeldValue(Held.UNSET) for s in SCHEMA.settings}
    told |= {key: HeldValue(Held.SET, value) for key, value in COMPLETE.items()}
    return told | changed


def test_a_value_that_a_board_gives_of_a_secret_is_dropped() -> None:
    """A board must never send one; if it does, it goes no further."""
    told = values({"door.code": HeldValue(Held.SET, "canary-4711")})
    assert held_settings(SCHEMA, told)["door.code"].value is None


def test_a_code_that_nobody_knows_counts_as_nothing_held() -> None:
    """It is asked for again, which mends it."""
    told = values({"door.note": HeldValue(77)})
    assert held_settings(SCHEMA, told)["door.note"].held is Held.UNSET


@pytest.mark.parametrize(
    "changed",
    [
        {"door.note": HeldValue(Held.SET, 5)},
        {"door.note": HeldValue(Held.SET, "x\x1b[2J")},
        {"door.note": HeldValue(Held.SET, [1])},
        {"door.note": HeldValue(Held.SET)},
        {"door.contact": HeldValue(Held.SET, 3)},
        {"lamp.1.colour": HeldValue(Held.SET, "blue")},
        {"no.such": HeldValue(Held.UNSET)},
    ],
)
def test_a_board_that_contradicts_its_own_schema_is_not_believed(
    changed: dict[str, HeldValue],
) -> None:
    """With one sentence that says whose fault it is."""
    with pytest.raises(SchemaError, match="needs fixing"):
        held_settings(SCHEMA, values(changed))


def test_a_pin_is_shown_by_its_name() -> None:
    """With its number where another pin has that name, by its number alone without a name."""
    fields = tuple(Field(key, Kind.PIN, key.upper()) for key in ("a", "b", "c"))
    pins = (
        Pin(2, Ability.OUT, "D2"),
        Pin(3, Ability.OUT, "LED"),
        Pin(4, Ability.OUT, "LED"),
        Pin(5, Ability.OUT),
    )
    schema = Schema("T", (Section("s", "S", fields),), pins)
    told = {
        f"s.{key}": HeldValue(Held.SET, number) for key, number in (("a", 2), ("b", 4), ("c", 5))
    }
    hello = replace(asyncio.run(_hello()), token=bytes(8))
    status = Status(Store.COMPLETE, 0, Run.PROVEN, 1, 1)
    board = BoardSnapshot(hello, schema, held_settings(schema, told), status)
    assert list(show.lines(board))[-3:] == ["  A: D2", "  B: LED (pin 4)", "  C: pin 5"]
    found = show.as_json(board)["settings"]
    assert [found[key]["value"] for key in told] == [2, 4, 5]  # programs read the number


async def test_a_default_pin_is_shown_by_its_name() -> None:
    """What is not set is told with what the firmware takes instead."""
    async with bench() as here:
        text = "\n".join(show.lines(await met(here)))
        assert re.search(r": not set; GPIO[0-9]+ is proposed, with a caution$", text, re.MULTILINE)


async def _hello() -> Hello:
    async with bench() as here:
        return (await met(here)).hello


def test_a_setting_that_the_board_names_as_failing_is_named() -> None:
    """Also where the board says no more than that something else went wrong."""
    told = held_settings(SCHEMA, values({}))
    status = Status(Store.COMPLETE, 0, Run.FAILED, 1, 1, reason=Reason.OTHER, field="door.contact")
    text = "\n".join(show.lines(BoardSnapshot(asyncio.run(_hello()), SCHEMA, told, status)))
    assert "The board names this setting: Door, Pin of the contact." in text


def test_of_a_blob_the_length_is_shown() -> None:
    """It is all that a board tells."""
    fields = (Field("file", Kind.BLOB, "File", maximum=100),)
    schema = Schema("T", (Section("s", "S", fields),))
    held = held_settings(schema, {"s.file": HeldValue(Held.SET, 17)})
    assert held["s.file"].value == 17
    with pytest.raises(SchemaError):
        held_settings(schema, {"s.file": HeldValue(Held.SET, b"content")})
    wrong: Value = "seventeen"
    with pytest.raises(SchemaError):
        held_settings(schema, {"s.file": HeldValue(Held.SET, wrong)})
