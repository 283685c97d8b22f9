# SPDX-License-Identifier: MIT
"""Requests that change what is in force on a board: waiting for its button, and what came of one.

What was asked for and never answered is settled by the generation, which grows with every change
(shared/protocol.md, clause 6.7).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

from provision.contract.table import Held, Refusal, Store
from provision.link.connection import Connection
from provision.link.errors import BoardRefused, LinkError
from provision.phrases import phrase

_PRESENCE_PAUSE = 1.0  # seconds between tries while the button is waited for
_PRESENCE_PATIENCE = 120  # tries
SETTLE_TIME = 10.0
"""Seconds that finding out what came of a request may take."""

_Result = TypeVar("_Result")


class OutcomeUnknown(LinkError):  # noqa: N818 - as every LinkError it says what is wrong
    """The board no longer answers, and has not said whether it carried out the request."""

    def __init__(self) -> None:
        super().__init__(
            phrase("The board no longer answers, and has not said whether it did this.")
        )


class StillHeld(LinkError):  # noqa: N818
    """The board says that it has erased its settings, but still holds `left` of them."""

    def __init__(self, left: int) -> None:
        super().__init__(
            phrase(
                "The board says that it has erased its settings, but still holds {left} of them:"
                " its firmware needs fixing. Do not give it away.",
                left=left,
            )
        )
        self.left = left


class ErasedUnseen(LinkError):  # noqa: N818
    """The board has erased its settings, but no longer answers to show that none is left."""

    def __init__(self) -> None:
        super().__init__(
            phrase(
                "The board has erased its settings, but no longer answers to show that none is"
                " left."
            )
        )


async def with_presence(
    call: Callable[[], Awaitable[_Result]], on_presence: Callable[[], None]
) -> _Result:
    """Repeat a request while the board waits for its button to be pressed.

    on_presence: called once, when somebody has to press it. Raises BoardRefused after two minutes.
    """
    for tries in range(_PRESENCE_PATIENCE):
        try:
            return await call()
        except BoardRefused as error:
            if error.refused.code != Refusal.PRESENCE:
                raise
        if tries == 0:
            on_presence()
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
    on_presence: Callable[[], None],
) -> int:
    """Make an undo, a confirm or an erase; return the new generation.

    before: the generation that it acts on. Raises BoardRefused; OutcomeUnknown; and LinkError or
    CancelledError where it turned out that nothing was changed.
    """
    try:
        return await with_presence(call, on_presence)
    except BoardRefused:
        raise
    except (LinkError, asyncio.CancelledError):
        stay()
        try:
            async with asyncio.timeout(SETTLE_TIME):
                now = (await board.hello()).generation
        except (LinkError, TimeoutError):
            raise OutcomeUnknown from None
        if now != before:
            return now
        raise


async def held_keys(board: Connection) -> list[str]:
    """Return the full keys of what a board holds, by its own list, without its schema."""
    values = await board.values()
    return [key for key, value in values.items() if value.held != Held.UNSET]


async def erase(board: Connection, generation: int, on_presence: Callable[[], None]) -> int:
    """Erase every setting, check that none is left, and return the new generation.

    Raises as change_generation() does; and StillHeld, and ErasedUnseen.
    """
    now = await change_generation(board, lambda: board.erase(generation), generation, on_presence)
    try:
        left = await held_keys(board)
        status = await board.status()
        token = (await board.hello()).token
    except (LinkError, asyncio.CancelledError):
        stay()
        raise ErasedUnseen from None
    if left or status.store != Store.EMPTY or token is not None:
        raise StillHeld(len(left))
    return now
