# SPDX-License-Identifier: MIT
"""Requests that change what is in force on a board: waiting for its button, and what came of one.

What was asked for and never answered is settled by the generation, which grows with every change
(shared/protocol.md, clause 6.7).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from provision.catalogue import tr
from provision.contract.table import Refusal
from provision.link.connection import Connection
from provision.link.errors import BoardRefused, LinkError
from provision.wizard.ending import Ending, ExitCode, Result

_PRESENCE_PAUSE = 1.0  # seconds between tries while the button is waited for
_PRESENCE_PATIENCE = 120  # tries
_SETTLE_TIME = 10.0  # seconds that finding out what came of a request may take

Say = Callable[[str], None]

_Result = TypeVar("_Result")


def nothing_changed(said: object = "") -> str:
    """Return what was said, and after it that nothing was changed."""
    return f"{said} {tr('Nothing was changed on the board.')}".strip()


async def with_presence(call: Callable[[], Awaitable[_Result]], say: Say) -> _Result:
    """Make a request again and again while the board wants its button pressed for it."""
    for tries in range(_PRESENCE_PATIENCE):
        try:
            return await call()
        except BoardRefused as error:
            if error.refused.code != Refusal.PRESENCE:
                raise
        if tries == 0:
            say(tr("The board wants somebody present: press its button now."))
        await asyncio.sleep(_PRESENCE_PAUSE)
    return await call()


def stay() -> None:
    """Take this task's cancellation back: it stays, to leave the board in a known state.

    In a task that counts as cancelled, timeout() cancels instead of raising TimeoutError before
    Python 3.11.3.
    """
    task = asyncio.current_task()
    assert task is not None
    while task.cancelling():
        task.uncancel()


async def change_generation(
    board: Connection,
    call: Callable[[], Awaitable[int]],
    before: int,
    say: Say,
    look: str,
) -> int | Ending:
    """Make an undo or an erase; return the new generation, or how it ends without one.

    before: the generation that it acts on. look: the sentence that says how to find out later.
    """
    try:
        return await with_presence(call, say)
    except BoardRefused as error:
        said = str(error)
        if error.refused.code != Refusal.STORAGE:
            said = nothing_changed(said)
        return Ending(ExitCode.REFUSED, Result.NOT_STORED, said)
    except (LinkError, asyncio.CancelledError) as error:
        interrupted = isinstance(error, asyncio.CancelledError)
        stay()
        try:
            async with asyncio.timeout(_SETTLE_TIME):
                now = (await board.hello()).generation
        except (LinkError, TimeoutError):
            said = tr(
                "The board no longer answers, and has not said whether it did this. {look}",
                look=look,
            )
            return Ending(ExitCode.UNKNOWN, Result.UNKNOWN, said)
        if now != before:
            return now
        if interrupted:
            return Ending(ExitCode.INTERRUPTED, Result.NOT_STORED, nothing_changed())
        return Ending(ExitCode.NO_BOARD, Result.NOT_STORED, nothing_changed(error))
