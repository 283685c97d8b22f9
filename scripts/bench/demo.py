# SPDX-License-Identifier: MIT
"""The conversations that are measured: the demo's board, met and given the demo's answers."""

from __future__ import annotations

import functools
import tempfile
from collections.abc import Sequence
from pathlib import Path

from provision.client.cache import Cache
from provision.link.connection import Connection
from provision.link.operations import StagedChange
from provision.link.replies import Stored
from provision.schema_file.load import load_declaration
from provision.wizard.answers import read_file
from provision.wizard.dialog import meet, set_up_from_file
from provision.wizard.result import Result
from scripts.bench.virtual import Conditions, Conversation, Firmware, Host, talk

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas"
TOKEN = b"bench 01"

WITHOUT_TIME = Conditions(charged=False)
"""115,200 baud, a bridge that keeps nothing back, host and board that take no time."""


@functools.cache
def demo() -> Firmware:
    """Return the demo's firmware."""
    return Firmware.of(load_declaration(SCHEMAS / "orchard-frost-alarm.toml"))


@functools.cache
def changes() -> tuple[StagedChange, ...]:
    """Return what `provision setup --answers` stores with the demo's answers."""
    device = set_up(WITHOUT_TIME).device
    assert device is not None
    return tuple(device.board.stored.items())


def cold() -> Host:
    """Return the host that meets a board of which nothing is known, and stores."""
    stored = changes()
    return lambda connection: meet_and_store(connection, Cache(None), stored)


def known() -> Host:
    """Return the host that meets a board whose schema is in its cache already, and stores."""
    folder, stored = _cached_schema(), changes()
    return lambda connection: meet_and_store(connection, Cache(folder), stored)


def met_again() -> Host:
    """Return the host that does what cold() does, and then meets the board once more."""
    stored = changes()

    async def host(connection: Connection) -> None:
        with tempfile.TemporaryDirectory(prefix="provision-bench-") as folder:
            cache = Cache(Path(folder))
            await meet_and_store(connection, cache, stored)
            await meet(connection, cache, say=lambda _: None)

    return host


async def meet_and_store(
    connection: Connection, cache: Cache, changes: Sequence[StagedChange]
) -> None:
    """Do what the dialog does but ask: meet the board, and store."""
    await meet(connection, cache, say=lambda _: None)
    await store(connection, changes)


async def store(connection: Connection, changes: Sequence[StagedChange]) -> None:
    """Store, which the board does."""
    outcome = await connection.store(changes, token=TOKEN)
    assert isinstance(outcome, Stored), outcome


def set_up(conditions: Conditions) -> Conversation:
    """Let the whole command `provision setup --answers` set up a fresh board."""
    answers = read_file(SCHEMAS / "orchard-frost-alarm.answers.toml")

    async def host(connection: Connection) -> None:
        met = await meet(connection, Cache(None), say=lambda _: None)
        ending, _ = await set_up_from_file(
            connection, met, answers, lambda _: None, cache=Cache(None), ask_all=False
        )
        if ending.result is not Result.STORED:
            raise RuntimeError(ending.words)

    return talk(demo(), host, conditions)


@functools.cache
def _cached_schema() -> Path:
    folder = tempfile.TemporaryDirectory(prefix="provision-bench-")
    _FOLDERS.append(folder)  # until the program ends
    path = Path(folder.name)
    Cache(path).keep_schema(demo().packed.digest, demo().packed.deflated)
    return path


_FOLDERS: list[tempfile.TemporaryDirectory[str]] = []
