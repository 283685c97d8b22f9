# SPDX-License-Identifier: MIT
"""A board in the same process, behind the byte stream that a port would have.

async with Loopback(device) as line:
    line.send(request)
    reply = await line.receive()
"""

from __future__ import annotations

import asyncio
from contextlib import suppress
from types import TracebackType

from provision.board.firmware import Running

TICK_S = 0.02
"""How often time passes for a board that nobody talks to, in seconds."""


class Clock:
    """Milliseconds since the board was put on its port."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._began = self._loop.time()

    def now(self) -> int:
        """Return the time."""
        return int((self._loop.time() - self._began) * 1000)


class Loopback:
    """The byte stream to a board in the same process."""

    def __init__(self, device: Running) -> None:
        self._device = device
        self._arrived: asyncio.Queue[bytes] = asyncio.Queue()

    async def __aenter__(self) -> Loopback:
        self._clock = Clock()
        self._ticking = asyncio.create_task(self._tick())
        return self

    async def __aexit__(
        self,
        _type: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self._ticking.cancel()
        with suppress(asyncio.CancelledError):
            await self._ticking

    def send(self, data: bytes) -> None:
        """Send bytes to the board."""
        self._put(self._device.receive(data, self._clock.now()))

    async def receive(self) -> bytes:
        """Wait for bytes from the board; at least one."""
        return await self._arrived.get()

    def _put(self, data: bytes) -> None:
        if data:
            self._arrived.put_nowait(data)

    async def _tick(self) -> None:
        while True:
            self._put(self._device.tick(self._clock.now()))
            await asyncio.sleep(TICK_S)
