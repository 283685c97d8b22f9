# SPDX-License-Identifier: MIT
"""Running what holds a port, so that it is let go of whichever way the program ends.

A terminal keeps it in mind that one program has it for itself (TIOCEXCL) until the last one who has
it open closes it, and somebody else may hold it open as well. So a program that a signal ended
would leave it closed to everybody but root.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Coroutine
from typing import Any, TypeVar

_Result = TypeVar("_Result")

# Those that end a program and leave it time; Ctrl-C is asyncio's.
_ENDING = () if sys.platform == "win32" else (signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)


def run(work: Coroutine[Any, Any, _Result]) -> _Result:
    """Run a coroutine as asyncio.run() does; the signals that end a program act as Ctrl-C does.

    Each cancels the coroutine, once: a terminal that is closed sends the same signal twice. One
    that is ignored stays so, as under nohup. Call it in the main thread, which gets the signals.
    Raises KeyboardInterrupt where the coroutine ends cancelled.
    """
    try:
        return asyncio.run(_cancelled_by_signals(work))
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None


async def _cancelled_by_signals(work: Coroutine[Any, Any, _Result]) -> _Result:
    task = asyncio.current_task()
    assert task is not None
    told = False

    def end() -> None:
        nonlocal told
        if not told:
            told = True
            task.cancel()

    for number in _ENDING:
        if signal.getsignal(number) is signal.SIG_DFL:
            asyncio.get_running_loop().add_signal_handler(number, end)
    return await work
