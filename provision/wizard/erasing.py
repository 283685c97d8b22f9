# SPDX-License-Identifier: MIT
"""Erasing everything that is set on a board, and looking whether anything is left.

What a board holds is looked at without its schema, so that a board whose schema cannot be used is
erased like any other.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from provision.catalogue import mark, ntr, spoken, tr
from provision.client.board_client import Event
from provision.client.changing import ErasedUnseen, StillHeld, held_keys
from provision.client.changing import erase as wipe
from provision.client.sanitize import printable
from provision.contract.table import Capability
from provision.link.connection import Connection
from provision.link.errors import LinkError
from provision.link.replies import Hello
from provision.wizard.failures import unchanged
from provision.wizard.result import (
    DialogResult,
    ExitCode,
    Result,
    nothing_changed,
)
from provision.wizard.status_text import EVENTS
from provision.wizard.ui import Say

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


async def erase(board: Connection, agree: Agree, say: Say, patience: float | None) -> DialogResult:
    """Erase a board if the person agrees. Raises LinkError while nothing was sent.

    patience: seconds that the board may take to answer, None for ever.
    """
    hello = await board.hello(patience)
    if Capability.ERASE not in hello.capabilities:
        said = nothing_changed(tr("The board's firmware does not offer to erase its settings."))
        return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, said)
    before = ToErase(hello, len(await held_keys(board)))
    if not await agree(before):
        return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, nothing_changed())
    # The person took their time: a trial may have ended meanwhile (clause 5.3).
    now = await board.hello()
    if now.unit != hello.unit:
        raise LinkError(
            nothing_changed(tr("Another board answers on this port than the one that was shown."))
        )
    try:
        await wipe(board, now.generation, lambda: say(tr(EVENTS[Event.PRESENCE])))
    except StillHeld as error:
        return DialogResult(ExitCode.MISTAKES, Result.UNKNOWN, spoken(error))
    except ErasedUnseen as error:
        return DialogResult(ExitCode.UNKNOWN, Result.ERASED, f"{spoken(error)} {tr(_AGAIN)}")
    except (LinkError, asyncio.CancelledError) as error:
        return unchanged(error, tr(_AGAIN))
    said = tr(
        "Erased: the board read back every place where settings were, and reports none as set."
    )
    if Capability.ERASE_NOT_PHYSICAL in hello.capabilities:
        said += " " + tr(
            "Its flash may keep old copies where no program reaches them: before you give it"
            " away, change the passwords and keys that it held."
        )
    return DialogResult(ExitCode.DONE, Result.ERASED, said)
