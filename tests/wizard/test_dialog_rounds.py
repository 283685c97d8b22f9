# SPDX-License-Identifier: MIT
"""Meeting a board that lies, and what a trial does to a dialog."""

from __future__ import annotations

import asyncio
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import cast

import pytest

from provision.board.engine import Board, from_declaration
from provision.board.firmware import Device
from provision.board.server import serve_pty
from provision.cli import main
from provision.client import board_client
from provision.contract.profile import Item, encode
from provision.contract.table import MessageType, Run
from provision.link.connection import Connection
from provision.schema.codec import DIGEST_SIZE, Packed, pack
from provision.schema.time_zones import zones
from provision.wizard import dialog
from provision.wizard.dialog import SetupOptions
from provision.wizard.result import ExitCode, Result
from tests.wizard.bench import CTRL_C, DEMO, PASSPHRASE, bench, first_time, typed
from tests.wizard.test_dialog import EXPECTED


@contextmanager
def served(device: Device) -> Iterator[str]:
    """Serve a board from another thread; yield its port."""
    port: list[str] = []
    ready, ended = threading.Event(), threading.Event()

    async def serve() -> None:
        async with serve_pty(device) as path:
            port.append(path)
            ready.set()
            await asyncio.to_thread(ended.wait)

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    try:
        assert ready.wait(timeout=20)
        yield port[0]
    finally:
        ended.set()
        thread.join(timeout=20)


HONEST = pack(DEMO.schema)


def packed(inflated: bytes, *, digest: bytes | None = None) -> Packed:
    """Return bytes as a board would send them for a schema."""
    import hashlib  # noqa: PLC0415

    deflate = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    deflated = deflate.compress(inflated) + deflate.flush()
    right = hashlib.sha256(inflated).digest()[:DIGEST_SIZE]
    return Packed(deflated, len(inflated), digest or right)


def nested(depth: int) -> Item:
    """Return an array in an array, and so on."""
    item: Item = []
    for _ in range(depth):
        item = [item]
    return item


@pytest.mark.parametrize(
    "lie",
    [
        pytest.param(replace(HONEST, digest=bytes(8)), id="digest"),
        pytest.param(replace(HONEST, deflated=HONEST.deflated[:-3]), id="cut"),
        pytest.param(replace(HONEST, deflated=HONEST.deflated + b"x"), id="bytes after"),
        pytest.param(replace(HONEST, deflated=b"\xff" * 100), id="no deflate stream"),
        pytest.param(packed(bytes(8 * 1024 * 1024)), id="megabytes"),
        pytest.param(packed(encode(nested(11), 12)), id="too deep"),
        pytest.param(packed(encode({1: 2}, 2)), id="another form"),
        pytest.param(packed(b"\xff"), id="no CBOR"),
    ],
)
def test_a_board_whose_schema_cannot_be_used(
    lie: Packed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its own exit code and one clear sentence; nothing of it is kept, nothing is changed."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    honest = from_declaration(DEMO)
    board = Board(honest.schema, honest.identity, honest.store, 1, packed=lie)
    with served(Device(board)) as port:
        assert main(["show", "--port", port]) == ExitCode.SCHEMA
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.endswith("Nothing was changed on the board.\n")
    assert len(said.err.splitlines()) == 1
    assert not list(tmp_path.rglob("*.deflated"))


def changed_on_a_complete_board(passphrase: str) -> list[str]:
    """Return keystrokes that change passphrase and mast's name, and keep everything else."""
    before, after = ["", passphrase, ""], ["", "", "", "", ""]
    measuring, probe = ["", "", ""], ["", "", "", "", "n"]
    siren, orchard = ["", "", "", "", ""], ["Upper orchard", "", ""]
    return [typed(*before, *after, *measuring, *probe, *siren, *orchard)]


async def test_a_trial_that_ended_meanwhile_loses_no_answer() -> None:
    """All that this dialog changed goes once more, not only what was mended."""
    async with bench() as here:
        await here.set_up(*first_time(), "\r")

        def end_trial(request: MessageType | int) -> None:
            failed = here.board._report.run is Run.FAILED
            if request is MessageType.HELLO and failed and here.board.store.current.on_trial:
                here.board._end_trial()

        here.line.on_request = end_trial
        keys = changed_on_a_complete_board("blossom-after-frost")
        ending = await here.set_up(
            *keys, "\r", typed(PASSPHRASE), "\r", options=SetupOptions(ask_all=True)
        )
        assert ending.code is ExitCode.DONE
        assert here.board.stored == {**EXPECTED, "orchard.name": "Upper orchard"}
        assert not here.board.store.current.on_trial


async def test_a_board_that_goes_back_to_older_settings_is_found_out() -> None:
    """That it works is true of the older set, and not what was asked for."""
    async with bench() as here:
        await here.set_up(*first_time(), "\r")

        def end_trial(request: MessageType | int) -> None:
            if request is MessageType.STATUS and here.board.store.current.on_trial:
                here.board._end_trial()

        here.line.on_request = end_trial
        keys = changed_on_a_complete_board("blossom-after-frost")
        ending = await here.set_up(*keys, "\r", options=SetupOptions(ask_all=True))
        assert (ending.code, ending.result) == (ExitCode.NOT_WORKING, Result.NOT_STORED)
        assert "to the previous ones by itself" in ending.words
        assert here.board.stored == EXPECTED


@pytest.mark.parametrize(("answer", "kept"), [("y", True), ("n", False)])
async def test_where_the_firmware_cannot_tell_the_person_ends_the_trial(
    answer: str, kept: bool
) -> None:
    """Confirmed if they see it work; else the board goes back by itself."""
    async with bench(surroundings=None) as here:

        def report(request: MessageType | int) -> None:
            if request is MessageType.STATUS and here.board.stored:
                here.board.report(Run.NOT_REPORTED)

        here.line.on_request = report
        await here.set_up(*first_time(), "\r")
        keys = changed_on_a_complete_board(PASSPHRASE)
        ending = await here.set_up(*keys, "\r", typed(answer), options=SetupOptions(ask_all=True))
        assert ending.code is ExitCode.DONE
        assert here.board.store.current.on_trial is not kept


async def test_time_runs_out_where_nothing_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stored, and not shown to work: the code says so."""
    monkeypatch.setattr(board_client, "_FOLLOW_GRACE", -9.8)
    async with bench(surroundings=None) as here:
        ending = await here.set_up(*first_time(), "\r")
        assert (ending.code, ending.result) == (ExitCode.NOT_WORKING, Result.STORED)
        assert "has not said within" in ending.words


async def test_another_board_on_the_same_port_gets_nothing() -> None:
    """The answers were for the board that was asked about."""
    async with bench() as here:

        def swap(request: MessageType | int) -> None:
            if request is MessageType.STATUS:
                here.board.identity = replace(here.board.identity, unit=b"\x02")

        here.line.on_request = swap
        ending = await here.set_up(*first_time(), "\r")
        assert (ending.code, ending.result) == (ExitCode.NO_BOARD, Result.NOT_STORED)
        assert "is not the one that was asked about" in ending.words
        assert here.board.stored == {}


@pytest.mark.parametrize(
    ("variable", "name"),
    [("Europe/Vienna", "Europe/Vienna"), (":Asia/Kathmandu", "Asia/Kathmandu"), ("UTC0", "UTC0")],
)
def test_this_computer_s_zone_is_proposed(
    variable: str, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By its name on the screen, as a TZ string for the board."""
    monkeypatch.setenv("TZ", variable)
    zone = dialog.this_computers_zone()
    assert zone is not None
    assert (zone.written, zone.value) == (name, zones().get(name, name))


async def test_an_unfinished_dialog_says_once_how_to_leave() -> None:
    """And names the firmware that asks."""
    async with bench() as here:
        await here.set_up(typed("Orchard Gate"), CTRL_C)
        assert here.screen.count("Ctrl-C leaves the board as it is") == 1


def test_a_board_that_stays_silent_is_waited_for_with_a_hint(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whoever forgot to plug it in sees what is waited for; it is greeted when it comes."""
    monkeypatch.setattr(dialog, "_HINT_AFTER", 0.01)
    said: list[str] = []

    async def greet() -> None:
        plugged_in = asyncio.Event()

        class Sleeping:
            async def hello(self, _: float | None) -> None:
                await plugged_in.wait()

        def say(text: str) -> None:
            said.append(text)
            plugged_in.set()

        await dialog._greet(cast("Connection", Sleeping()), say, None)

    asyncio.run(greet())
    assert said == [
        "Waiting for the board: plug it in, or press its reset button. (Ctrl-C leaves.)"
    ]
