# SPDX-License-Identifier: MIT
"""The stub on a microcontroller, as far as an emulator is one: provisioned, cut off, updated.

The firmware runs without operating system and C library on the machine mps2-an385 of QEMU. Its
flash driver keeps the rules of NOR flash and counts; a relay in its supply, which the flash driver
obeys, cuts the power in the operation that a test says, and after the bytes that it says.
"""

from __future__ import annotations

import asyncio
import subprocess
import time
from collections.abc import Callable, Coroutine, Iterator
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from provision import cli
from provision.client.cache import Cache
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Held, Store
from provision.link.connection import Connection
from provision.link.errors import LinkError
from provision.link.ports import open_stream
from provision.link.replies import CommitOutcome, Stored
from provision.schema.model import Value
from provision.wizard.dialog import meet
from provision.wizard.result import ExitCode
from scripts.emulated_board import (
    FLASH_SIZE,
    LAB,
    MEMORY_SIZE,
    EmulatedBoard,
    EmulatorMissingError,
    FlashFile,
    why_not,
)
from tests.wizard.bench import RETURN, SCHEMAS, first_time, play_on, typed
from tests.wizard.test_compiled_board import assert_holds_what_was_answered

STUB = Path(__file__).parents[2] / "firmware_stub"
DEMO = SCHEMAS / "orchard-frost-alarm.toml"
LAB_END = FLASH_SIZE + LAB.size
MOST_AT_A_START = 3  # operations: none where nothing is to be mended
DELAYS = [0.01 + 0.004 * step for step in range(24)]  # seconds

pytestmark = [
    pytest.mark.needs("arm-none-eabi-gcc", "make"),
    pytest.mark.skipif(why_not() is not None, reason=why_not() or ""),
]


def build(folder: Path, *arguments: str) -> Path:
    """Compile a firmware by the stub's own Makefile."""
    command = ["make", "-s", "-C", str(STUB), "PORT=mps2", f"BUILD={folder}", *arguments]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, timeout=300)
    return folder


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the example firmware, the same main.c as on the pseudo-terminal."""
    return build(tmp_path_factory.mktemp("firmware")) / "board.elf"


@pytest.fixture
def flash(tmp_path: Path) -> Iterator[FlashFile]:
    """Return the flash of a board just flashed; afterwards it kept the rules and never faulted."""
    file = FlashFile(tmp_path / "flash")
    yield file
    lab = file.lab()
    assert (lab.faults, lab.rules) == (0, 0)


async def look(path: str) -> BoardSnapshot:
    """Return the board as it is met."""
    async with Connection(await open_stream(path, baud=115200)) as connection:
        return await meet(connection, Cache(None), lambda _: None)


async def keep(path: str) -> None:
    """Confirm the set that is on trial, if one is: the third start would end the trial [5.4]."""
    async with Connection(await open_stream(path, baud=115200)) as connection:
        await connection.hello()
        status = await connection.status()
        if status.store is Store.TRIAL:
            await connection.confirm(status.generation)


def flash_of(image: bytes, path: Path) -> FlashFile:
    """Return a copy of a flash, with the counters beside it."""
    with path.open("wb") as file:
        file.write(image)
        file.truncate(MEMORY_SIZE)
    return FlashFile(path)


def set_values(met: BoardSnapshot) -> dict[str, Value]:
    """Return what is set and may be told."""
    return {
        key: entry.value
        for key, entry in met.held.items()
        if entry.held is Held.SET and entry.value is not None
    }


async def store(path: str, values: dict[str, Value], token: bytes) -> CommitOutcome | None:
    """Store these values; return what came of it, None where no board answers any more."""
    async with Connection(await open_stream(path, baud=115200)) as connection:
        await connection.hello()
        try:
            return await connection.store([*values.items()], token=token)
        except LinkError:
            return None


def has_lost_power(flash: FlashFile) -> bool:
    """Whether the power has gone in the operation that was said."""
    return flash.lab().cuts == 1


def is_past(end: float) -> bool:
    """Whether that time has come, in seconds of the monotonic clock."""
    return time.monotonic() > end


async def store_until(
    ends: Callable[[], bool], storing: Coroutine[Any, Any, CommitOutcome | None]
) -> CommitOutcome | None:
    """Store, and give up as soon as the board's life ends."""
    task = asyncio.ensure_future(storing)
    while not task.done() and not ends():
        await asyncio.wait([task], timeout=0.01)
    await asyncio.wait([task], timeout=0.05)  # what the board said before is still on its way
    task.cancel()
    with suppress(asyncio.CancelledError):
        return await task
    return None


FIRST: dict[str, Value] = {
    "network.name": b"Orchard Gate",
    "network.passphrase": "blossom-before-frost",
    "service.key": "w7-Zephyr.0419",
    "probe.1.pin": 26,
    "siren.relay": 15,  # its default carries a caution
    "orchard.zone": "UTC0",
}


def test_the_dialog_provisions_a_board_just_flashed(firmware: Path, flash: FlashFile) -> None:
    """By hand, to a board that works; and what was acknowledged is there after a kill."""
    with EmulatedBoard(flash, firmware) as board:

        async def by_hand() -> None:
            connection = Connection(await open_stream(board.path, baud=115200))
            ending, screen = await play_on(connection, Cache(None), (*first_time(), RETURN))
            assert (ending.code, ending.run) == (ExitCode.DONE, "proven"), screen

        asyncio.run(by_hand())
        board.switch_off()
        board.switch_on()
        assert_holds_what_was_answered(asyncio.run(look(board.path)))


def test_it_passes_the_kit(
    firmware: Path, flash: FlashFile, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every clause that applies to it."""
    with EmulatedBoard(flash, firmware) as board:
        code = cli.main(["conform", "--port", board.path, "--may-change-settings"])
    told = capsys.readouterr().out
    assert code == ExitCode.DONE, told
    assert ", 0 not met," in told


SECOND: dict[str, Value] = {
    "service.host": "frost.example.org",
    "orchard.name": "Packing house",
    "orchard.height": 312,
}


def test_cut_anywhere_in_a_commit_it_holds_the_old_set_or_the_new(
    firmware: Path, flash: FlashFile, tmp_path: Path
) -> None:
    """In each of its operations, before, in the middle and behind its bytes; then never a mixture.

    Where the board said that it had stored the set, it is the new one [5.3].
    """
    with EmulatedBoard(flash, firmware) as board:
        assert isinstance(asyncio.run(store(board.path, FIRST, b"token 01")), Stored)
        old = set_values(asyncio.run(look(board.path)))
    image, began = flash.path.read_bytes()[:LAB_END], flash.lab().operations
    with EmulatedBoard(flash, firmware) as board:
        assert isinstance(asyncio.run(store(board.path, SECOND, b"token 02")), Stored)
        new = set_values(asyncio.run(look(board.path)))
    needed = flash.lab().operations - began
    assert new == old | SECOND
    assert needed > MOST_AT_A_START
    seen = set()
    for operation in range(1, needed + 1):
        for done in (0, 100, 4096):  # a program is 256 bytes, an erase 4096
            fresh = flash_of(image, tmp_path / f"{operation}-{done}")
            fresh.cut(began + operation, done)
            with EmulatedBoard(fresh, firmware) as board:
                storing = store(board.path, SECOND, b"token 02")
                told = asyncio.run(store_until(partial(has_lost_power, fresh), storing))
                assert fresh.lab().cuts == 1
                board.switch_off()
                board.switch_on()
                held = set_values(asyncio.run(look(board.path)))
            assert held in (old, new), (operation, done)
            assert not isinstance(told, Stored) or held == new, (operation, done)
            assert (fresh.lab().faults, fresh.lab().rules) == (0, 0)
            seen.add(held == new)
            fresh.path.unlink()
    assert seen == {False, True}


def test_killed_at_any_moment_it_holds_the_old_set_or_the_new(
    firmware: Path, flash: FlashFile
) -> None:
    """The emulator is killed so long after the host set out to store, as by a pulled plug."""
    with EmulatedBoard(flash, firmware) as board:
        assert isinstance(asyncio.run(store(board.path, FIRST, b"token 01")), Stored)
        old = set_values(asyncio.run(look(board.path)))
        for number, delay in enumerate(DELAYS):
            wanted = old | {"orchard.height": number}

            storing = store(board.path, {"orchard.height": number}, b"token%3d" % number)
            end = time.monotonic() + delay
            told = asyncio.run(store_until(partial(is_past, end), storing))
            board.switch_off()
            board.switch_on()
            held = set_values(asyncio.run(look(board.path)))
            assert held in (old, wanted), delay
            assert not isinstance(told, Stored) or held == wanted, delay
            asyncio.run(keep(board.path))
            old = held


NEWER = """
[[section.field]]
key = "rows"
kind = "integer"
label = "Rows of trees"
required = true
minimum = 1
maximum = 400
"""


def test_newer_firmware_keeps_what_was_set_and_asks_what_is_new(
    firmware: Path, flash: FlashFile, tmp_path: Path
) -> None:
    """The update renames a setting and adds one; the dialog asks for the latter alone."""
    cache = Cache(tmp_path / "cache")
    declared = DEMO.read_text(encoding="utf-8")
    renamed = declared.replace('key = "height"', 'key = "altitude"\nwas = ["height"]')
    renamed = renamed.replace("orchard.height.label", "orchard.altitude.label")
    assert renamed != declared
    (tmp_path / "newer.toml").write_text(renamed.replace("1.4.0", "1.5.0") + NEWER)
    assert cli.main(["generate", str(tmp_path / "newer.toml"), "--out", str(tmp_path)]) == 0
    (source,) = tmp_path.glob("*.c")
    newer = build(tmp_path / "build", "generic", f"SCHEMA_C={source}", "PV_PROVEN=1") / (
        "board_generic"
    )

    async def dialog(path: str, *keys: str) -> str:
        connection = Connection(await open_stream(path, baud=115200))
        ending, screen = await play_on(connection, cache, keys)
        assert ending.code is ExitCode.DONE, screen
        return screen

    with EmulatedBoard(flash, firmware) as board:
        asyncio.run(dialog(board.path, *first_time(), RETURN))
        asyncio.run(store(board.path, {"orchard.height": 312}, b"token 02"))
        before = set_values(asyncio.run(look(board.path)))
    with EmulatedBoard(flash, newer) as board:
        screen = asyncio.run(dialog(board.path, typed("24"), RETURN))
        after = set_values(asyncio.run(look(board.path)))
    assert "Rows of trees" in screen
    assert "Name of the mast" not in screen
    before["orchard.altitude"] = before.pop("orchard.height")
    assert after == before | {"orchard.rows": 24}


def test_eight_at_once(firmware: Path, tmp_path: Path) -> None:
    """Each is provisioned with what is its own, at the same time as the seven others."""
    flashes = [FlashFile(tmp_path / f"{number}") for number in range(8)]
    with ExitStack() as stack:
        boards = [stack.enter_context(EmulatedBoard(each, firmware)) for each in flashes]

        async def all_of_them() -> list[CommitOutcome | None]:
            return await asyncio.gather(
                *(
                    store(board.path, FIRST | {"orchard.height": number}, b"token %02d" % number)
                    for number, board in enumerate(boards)
                )
            )

        assert all(isinstance(each, Stored) for each in asyncio.run(all_of_them()))
        for number, board in enumerate(boards):
            assert set_values(asyncio.run(look(board.path)))["orchard.height"] == number
    assert len({each.lab().unit_id for each in flashes}) == 8


def test_without_an_emulator_the_script_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In one sentence."""
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(EmulatorMissingError, match="qemu-system-arm"):
        EmulatedBoard(FlashFile(tmp_path / "flash")).__enter__()
