# SPDX-License-Identifier: MIT
"""The commands that speak with a board, from the port to the ending."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn

from provision.catalogue import tr
from provision.client.board_client import FindAgain
from provision.client.cache import Cache, default_folder
from provision.client.discovery import Found, PortSearch
from provision.client.sanitize import printable
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Capability, Kind
from provision.link.connection import Connection
from provision.link.errors import LineLost
from provision.link.exchange import PATIENCE
from provision.link.known_secrets import KnownSecrets
from provision.link.ports import Port
from provision.link.streams import Stream
from provision.schema.model import Setting
from provision.wizard.answers import (
    AnswersAsker,
    AnswersFile,
    everything_in,
    no_answers,
    read_file,
)
from provision.wizard.dialog import (
    SetupOptions,
    introduction,
    meet,
    set_up,
    set_up_from_file,
    take_back,
    this_computers_zone,
)
from provision.wizard.erasing import ToErase, erase
from provision.wizard.finder import Finder
from provision.wizard.questions import Given, heading
from provision.wizard.result import DialogResult, ExitCode, Result, nothing_changed
from provision.wizard.show import value_words
from provision.wizard.ui import Asker, Say


@dataclass(frozen=True, slots=True)
class Person:
    """Who is there: whom to tell, and who answers."""

    say: Say
    asker: Asker | None = None
    """None: the answers come from `answers`, or none are needed."""
    answers: Path | AnswersFile | None = None
    """Answers that come first: in a file, or read already."""
    waits: bool = False
    """Whether somebody is there who can plug a board in, or press its button."""
    on_found: Callable[[Found], None] = lambda _: None
    """Told of the port and the connection that the command goes on with."""


async def set_up_at_port(
    place: PortSearch, person: Person, options: SetupOptions, only: Sequence[str] | None = None
) -> DialogResult:
    """Find a board, ask, store and follow. Raises LinkError, SchemaError, AnswersError.

    only: ask for these settings alone, by full key or the key of a section or instance; none: those
    that the person chooses. None: whatever the board needs.
    """
    answers = _answers(person)  # before the port is touched
    finder, found = await _find(place, person)
    return await _set_up(
        found.connection,
        person,
        cache=Cache(default_folder()),
        answers=answers,
        options=options,
        only=only,
        find_again=_again(finder, found, person),
    )


async def set_up_in_memory(stream: Stream, person: Person) -> DialogResult:
    """Do the same with a board behind a stream, of which nothing is remembered afterwards."""
    answers = _answers(person)
    board = Connection(stream)
    person.on_found(Found(Port("", "no port"), board))
    return await _set_up(board, person, cache=Cache(None), answers=answers, options=SetupOptions())


async def look_at_port(place: PortSearch, person: Person) -> BoardSnapshot:
    """Find a board and read what it holds. Raises LinkError and SchemaError."""
    _, found = await _find(place, person)
    async with found.connection as board:
        return await meet(board, Cache(default_folder()), person.say, _patience(person))


async def undo_at_port(place: PortSearch, person: Person, *, agreed: bool) -> DialogResult:
    """Put the settings before the present ones in force again. Raises LinkError and SchemaError.

    agreed: whether the person has said so already.
    """
    finder, found = await _find(place, person)
    board = found.connection
    try:
        met = await meet(board, Cache(default_folder()), person.say, _patience(person))
        person.say(introduction(met))
        if Capability.UNDO not in met.hello.capabilities:
            said = nothing_changed(tr("The board's firmware does not offer to go back."))
            return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, said)
        if met.hello.token is None:
            said = nothing_changed(tr("Nothing is set on this board that could be undone."))
            return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, said)
        title = tr(
            "The settings before the present ones come back; a second undo returns to these."
        )
        if not agreed and not await _told(person).agree(title, tr("Go back to them?")):
            return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, nothing_changed())
        ending, board = await take_back(
            board, met, _told(person), find_again=_again(finder, found, person)
        )
        return ending
    finally:
        await board.close()


async def erase_at_port(place: PortSearch, person: Person, *, agreed: bool) -> DialogResult:
    """Wipe every setting from a board, and look that none is left. Raises LinkError."""

    async def agree(before: ToErase) -> bool:
        person.say(before.words())
        return agreed or await _told(person).agree("", tr("Erase all of it?"))

    _, found = await _find(place, person)
    async with found.connection as board:
        return await erase(board, agree, person.say, _patience(person))


async def watch_log(place: PortSearch, person: Person, show: Callable[[str], None]) -> NoReturn:
    """Show each line that a board prints, cleaned, until the person leaves.

    What stands in the person's file of answers is blanked. Raises LinkError, AnswersError.
    """
    answers = _answers(person)
    known = None if answers is None else everything_in(answers)
    finder, found = await _find(place, person, show, known)
    person.say(tr("What the board at {device} prints (Ctrl-C leaves):", device=found.port.device))
    while True:
        try:
            async with found.connection as board:
                await board.until_lost()
        except LineLost:
            if not person.waits:
                raise
        person.say(tr("The board is gone: waiting until it is plugged in again. (Ctrl-C leaves.)"))
        found = await finder.reopen(found.port)


async def find_port(place: PortSearch, person: Person) -> str:
    """Return the port on which a board answers, let go of again. Raises LinkError."""
    _, found = await _find(place, person)
    await found.connection.close()
    return found.port.device


async def _find(
    place: PortSearch,
    person: Person,
    on_log: Callable[[str], None] | None = None,
    secrets: KnownSecrets | None = None,
) -> tuple[Finder, Found]:
    finder = Finder(
        place,
        person.say,
        waits=person.waits,
        asker=person.asker,
        on_log=on_log,
        secrets=secrets,
    )
    found = await finder.find()
    person.on_found(found)
    return finder, found


def _again(finder: Finder, found: Found, person: Person) -> FindAgain | None:
    """Return how the board is found again when it was unplugged, if somebody can plug it in."""

    async def find_again(unit: bytes) -> Connection:
        return await finder.find_again(found.port, unit)

    return find_again if person.waits else None


async def _set_up(
    board: Connection,
    person: Person,
    *,
    cache: Cache,
    answers: AnswersFile | None,
    options: SetupOptions,
    only: Sequence[str] | None = None,
    find_again: FindAgain | None = None,
) -> DialogResult:
    try:
        met = await meet(board, cache, person.say, _patience(person))
        person.say(introduction(met))
        if answers is not None:
            ending, board = await set_up_from_file(
                board,
                met,
                answers,
                person.say,
                cache=cache,
                ask_all=options.ask_all,
                person=person.asker,
                find_again=find_again,
                show_log=options.show_log,
            )
            return ending
        assert person.asker is not None, "nobody is there to answer"
        options = replace(options, proposals=_proposals(met))
        if only is not None:
            keys = await _wanted(met, only, person.asker)
            if isinstance(keys, DialogResult):
                return keys
            options = replace(options, keys=keys, only_keys=True)
        ending, board = await set_up(
            board, met, person.asker, cache=cache, options=options, find_again=find_again
        )
        return ending
    finally:
        await board.close()


async def _wanted(
    met: BoardSnapshot, names: Sequence[str], asker: Asker
) -> list[str] | DialogResult:
    """Return the full keys of what is to be changed, or why that cannot be."""
    settings = met.schema.settings
    used = met.active
    if not names:
        choices = [setting for setting in settings if setting.key in used]
        options = [
            f"{heading(setting)}, {setting.field.label}: {value_words(met, setting)}"
            for setting in choices
        ]
        chosen = await asker.choose_some(tr("What is to be changed?"), options)
        return [choices[number].key for number in chosen]
    keys: list[str] = []
    for name in names:
        meant = [setting for setting in settings if _is_meant(setting, name)]
        if not meant:
            known = [setting.key for setting in settings]
            nearest = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            hint = tr("; the nearest is {nearest}", nearest=nearest[0]) if nearest else ""
            said = nothing_changed(
                tr("The board has no setting {name}{hint}.", name=printable(name, 64), hint=hint)
            )
            return DialogResult(ExitCode.USAGE, Result.NOT_STORED, said)
        keys += [setting.key for setting in meant]
    idle = [s for s in settings if s.key in keys and s.key not in used and s.instance is None]
    if len(idle) == len(keys):
        said = nothing_changed(
            tr(
                "{label} does not apply as the board is set now: another setting decides whether it"
                " is asked for.",
                label=idle[0].field.label,
            )
        )
        return DialogResult(ExitCode.USAGE, Result.NOT_STORED, said)
    return keys


def _is_meant(setting: Setting, name: str) -> bool:
    """Whether a setting is what a full key names, or in the section or instance that it names."""
    return setting.key == name or setting.key.startswith(f"{name}.")


def _told(person: Person) -> Asker:
    """Return who is told, and asked if there is anybody."""
    return person.asker or AnswersAsker(no_answers(), person.say)


def _answers(person: Person) -> AnswersFile | None:
    return read_file(person.answers) if isinstance(person.answers, Path) else person.answers


def _patience(person: Person) -> float | None:
    return None if person.waits else PATIENCE


def _proposals(met: BoardSnapshot) -> dict[Kind, Given]:
    """Return what this computer proposes; finding its zone takes time, where none is asked for."""
    if all(setting.field.kind is not Kind.TIME_ZONE for setting in met.schema.settings):
        return {}
    zone = this_computers_zone()
    return {} if zone is None else {Kind.TIME_ZONE: zone}
