# SPDX-License-Identifier: MIT
"""The commands that speak with a board, from the port to the ending."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from provision.contract.table import Kind
from provision.link.connection import Connection
from provision.link.exchange import PATIENCE
from provision.link.streams import Stream
from provision.wizard.answers import AnswersFile, read_file
from provision.wizard.asking import Asker
from provision.wizard.cache import Cache, default_folder
from provision.wizard.conduct import (
    FindAgain,
    Met,
    Say,
    Wishes,
    introduction,
    meet,
    set_up,
    set_up_from_file,
    this_computers_zone,
)
from provision.wizard.ending import Ending
from provision.wizard.finding import Finder, Place
from provision.wizard.questions import Given


@dataclass(frozen=True, slots=True)
class Person:
    """Who is there: whom to tell, and who answers."""

    say: Say
    asker: Asker | None = None
    """None: the answers come from `answers`, or none are needed."""
    answers: Path | None = None
    waits: bool = False
    """Whether somebody is there who can plug a board in, or press its button."""


async def set_up_at_port(place: Place, person: Person, *, ask_all: bool) -> Ending:
    """Find a board, ask, store and follow. Raises LinkError, SchemaError, AnswersError."""
    answers = _answers(person)  # before the port is touched
    finder = Finder(place, person.say, waits=person.waits, asker=person.asker)
    found = await finder.find()

    async def find_again(unit: bytes) -> Connection:
        return await finder.find_again(found.port, unit)

    return await _set_up(
        found.connection,
        person,
        cache=Cache(default_folder()),
        answers=answers,
        ask_all=ask_all,
        find_again=find_again if person.waits else None,
    )


async def set_up_in_memory(stream: Stream, person: Person) -> Ending:
    """Do the same with a board behind a stream, of which nothing is remembered afterwards."""
    answers = _answers(person)
    return await _set_up(
        Connection(stream), person, cache=Cache(None), answers=answers, ask_all=False
    )


async def look_at_port(place: Place, person: Person) -> Met:
    """Find a board and read what it holds. Raises LinkError and SchemaError."""
    found = await Finder(place, person.say, waits=person.waits, asker=person.asker).find()
    async with found.connection as board:
        return await meet(board, Cache(default_folder()), person.say, _patience(person))


async def _set_up(
    board: Connection,
    person: Person,
    *,
    cache: Cache,
    answers: AnswersFile | None,
    ask_all: bool,
    find_again: FindAgain | None = None,
) -> Ending:
    try:
        met = await meet(board, cache, person.say, _patience(person))
        person.say(introduction(met))
        if answers is not None:
            return await set_up_from_file(
                board, met, answers, person.say, cache=cache, ask_all=ask_all
            )
        assert person.asker is not None, "nobody is there to answer"
        wishes = Wishes(ask_all=ask_all, proposals=_proposals(met))
        ending, board = await set_up(
            board, met, person.asker, cache=cache, wishes=wishes, find_again=find_again
        )
        return ending
    finally:
        await board.close()


def _answers(person: Person) -> AnswersFile | None:
    return None if person.answers is None else read_file(person.answers)


def _patience(person: Person) -> float | None:
    return None if person.waits else PATIENCE


def _proposals(met: Met) -> dict[Kind, Given]:
    """Return what this computer proposes; finding its zone takes time, where none is asked for."""
    if all(setting.field.kind is not Kind.TIME_ZONE for setting in met.schema.settings):
        return {}
    zone = this_computers_zone()
    return {} if zone is None else {Kind.TIME_ZONE: zone}
