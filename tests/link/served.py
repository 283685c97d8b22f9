# SPDX-License-Identifier: MIT
"""A small board behind a pseudo-terminal or a TCP port of this computer's own loopback."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import struct
import sys
import tty
from collections.abc import AsyncIterator, Callable
from pathlib import Path

Answer = Callable[[bytes], bytes]

# Whether a terminal is somebody's alone: <asm-generic/ioctls.h> of Linux, _IOR('T', 0x40, int).
_TIOCGEXCL = 0x80045440


def is_free(device: str) -> bool:
    """Whether a terminal lets anybody open it. Root may open one that is not, so it is asked."""
    try:
        descriptor = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        if not sys.platform.startswith("linux"):
            return True
        (exclusive,) = struct.unpack("i", fcntl.ioctl(descriptor, _TIOCGEXCL, bytes(4)))
        return not exclusive
    finally:
        os.close(descriptor)


class Terminal:
    """A pseudo-terminal: the host opens `name`, the board's side is `master`."""

    def __init__(self, answer: Answer | None = None) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self._slave)
        self.received = bytearray()
        self._answer = answer
        self._loop = asyncio.get_running_loop()
        if answer:
            self._loop.add_reader(self.master, self._on_readable)

    def _on_readable(self) -> None:
        with contextlib.suppress(OSError):
            data = os.read(self.master, 65536)
            self.received += data
            assert self._answer is not None
            self.say(self._answer(data))

    def say(self, data: bytes) -> None:
        """Send bytes to the host."""
        while data:
            data = data[os.write(self.master, data) :]

    def hang_up(self) -> None:
        """Let the board's side go, as if it were unplugged."""
        if self.master >= 0:
            self._loop.remove_reader(self.master)
            os.close(self.master)
            os.close(self._slave)
            self.master = -1


@contextlib.asynccontextmanager
async def terminal(answer: Answer | None = None) -> AsyncIterator[Terminal]:
    """Yield a pseudo-terminal with something behind it, or nothing that reads."""
    served = Terminal(answer)
    try:
        yield served
    finally:
        served.hang_up()


@contextlib.asynccontextmanager
async def tcp(answer: Answer | None) -> AsyncIterator[str]:
    """Yield the URL of a TCP port of the loopback with something behind it."""
    writers = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        with contextlib.suppress(ConnectionError):
            while answer and (data := await reader.read(65536)):
                writer.write(answer(data))

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        host, port = server.sockets[0].getsockname()
        yield f"socket://{host}:{port}"
    finally:
        server.close()
        for writer in writers:
            writer.transport.abort()
        await server.wait_closed()
        await asyncio.sleep(0)


def descriptors() -> int | None:
    """Return how many files this process has open, where the system tells."""
    folder = Path("/proc/self/fd")
    return len(list(folder.iterdir())) if folder.exists() else None
