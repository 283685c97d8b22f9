# SPDX-License-Identifier: MIT
"""Erasing everything that is set on a board, and looking whether anything is left.

What a board holds is looked at without its schema, so that a board whose schema cannot be used is
erased like any other.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from provision.catalogue import mark, ntr, tr
from provision.client.board_client import Event
from provision.client.changing import change_generation
from provision.client.sanitize import printable
from provision.contract.table import Capability, Held, Store
from provision.link.connection import Connection
from provision.link.errors import LinkError
from provision.link.replies import Hello
from provision.wizard.asking import Say
from provision.wizard.ending import Ending, ExitCode, Result, nothing_changed, unchanged
from provision.wizard.words import EVENTS

_AGAIN = mark("Plug it in again, and run `provision erase` once more.")


@dataclass(frozen=True, slots=True)
class ToErase:
    """A board as it is before it is erased."""

    hello: Hello
    held: int
    """How many settings are set."""

    def words(self) -> str:
        """Return what is to be erased, and from where, in sentences."""
        hello = self.hello
        who = tr(
            "{firmware} {version} on {board}, id {unit}",
            firmware=printable(hello.firmware, 32),
            version=printable(hello.firmware_version, 24),
            board=printable(hello.board, 32),
            unit=hello.unit.hex(),
        )
        said = ntr(
            "{who}: {count} setting set.", "{who}: {count} settings set.", self.held, who=who
        )
        lost = tr(
            "What is erased cannot be brought back, neither by this program nor by the board."
        )
        return f"{said} {lost}"


Agree = Callable[[ToErase], Awaitable[bool]]
"""Returns whether the person wants this board erased."""


async def erase(board: Connection, agree: Agree, say: Say, patience: float | None) -> Ending:
    """Erase a board if the person agrees. Raises LinkError while nothing was sent.

    patience: seconds that the board may take to answer, None for ever.
    """
    hello = await board.hello(patience)
    if Capability.ERASE not in hello.capabilities:
        said = nothing_changed(tr("The board's firmware does not offer to erase its settings."))
        return Ending(ExitCode.REFUSED, Result.NOT_STORED, said)
    before = ToErase(hello, len(await _set_keys(board)))
    if not await agree(before):
        return Ending(ExitCode.REFUSED, Result.NOT_STORED, nothing_changed())
    # The person took their time: a trial may have ended meanwhile (clause 5.3).
    now = await board.hello()
    if now.unit != hello.unit:
        raise LinkError(
            nothing_changed(tr("Another board answers on this port than the one that was shown."))
        )
    try:
        await change_generation(
            board,
            lambda: board.erase(now.generation),
            now.generation,
            lambda: say(tr(EVENTS[Event.PRESENCE])),
        )
    except (LinkError, asyncio.CancelledError) as error:
        return unchanged(error, tr(_AGAIN))
    try:
        return await _verified(board, before)
    except LinkError:
        said = tr(
            "The board has erased its settings, but no longer answers to show that none is left."
        )
        return Ending(ExitCode.UNKNOWN, Result.ERASED, f"{said} {tr(_AGAIN)}")


async def _verified(board: Connection, before: ToErase) -> Ending:
    """Look whether anything is left."""
    left = await _set_keys(board)
    status = await board.status()
    if left or status.store != Store.EMPTY or (await board.hello()).token is not None:
        return Ending(
            ExitCode.MISTAKES,
            Result.UNKNOWN,
            tr(
                "The board says that it has erased its settings, but still holds {left} of them:"
                " its firmware needs mending. Do not give it away.",
                left=len(left),
            ),
        )
    said = tr(
        "Erased: the board read back every place where settings were, and reports none as set."
    )
    if Capability.ERASE_NOT_PHYSICAL in before.hello.capabilities:
        said += " " + tr(
            "Its flash may keep old copies where no program reaches them: before you give it"
            " away, change the passwords and keys that it held."
        )
    return Ending(ExitCode.DONE, Result.ERASED, said)


async def _set_keys(board: Connection) -> list[str]:
    values = await board.values()
    return [key for key, value in values.items() if value.held != Held.UNSET]
