# SPDX-License-Identifier: MIT
"""An event loop in virtual time: where it would wait for a clock, the clock jumps.

Whole commands run under it, so that a wait of ten minutes is seen in milliseconds, and its length
is exact on every machine.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Iterator
from contextlib import contextmanager

_STUCK_AFTER = 10.0  # real seconds in which nothing can happen any more


class _JumpingSelector(selectors.DefaultSelector):
    """Looks at descriptors as they are, and lets time pass at once."""

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0
        self.waits = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        self.waits += 1
        if ready or (timeout is not None and timeout <= 0):
            return ready
        if timeout is None:
            ready = super().select(_STUCK_AFTER)
            assert ready, "the program waits for what will never happen"
            return ready
        self.now += timeout
        return ready


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock is its own."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        """Return the virtual time in seconds since the loop began."""
        return self._jumping.now

    @property
    def turns(self) -> int:
        """How often the loop has gone round."""
        return self._jumping.waits


class _Policy(asyncio.DefaultEventLoopPolicy):
    def __init__(self) -> None:
        super().__init__()
        self.made: list[VirtualLoop] = []

    def new_event_loop(self) -> asyncio.AbstractEventLoop:
        loop = VirtualLoop()
        self.made.append(loop)
        return loop


@contextmanager
def virtual_time() -> Iterator[list[VirtualLoop]]:
    """Let asyncio.run() run in virtual time; yields the loops that were made, for their times."""
    before = asyncio.get_event_loop_policy()
    policy = _Policy()
    asyncio.set_event_loop_policy(policy)
    try:
        yield policy.made
    finally:
        asyncio.set_event_loop_policy(before)
