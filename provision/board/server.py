# SPDX-License-Identifier: MIT
"""The ports that a board in Python is served on: a pty, or TCP on this machine. POSIX only.

    async with serve_pty(device) as path: ...
    async with serve_tcp(device) as (host, port): ...

The device is a firmware.Device, or one behind a faults.FaultyLine. Whatever opens and closes the
port, the board runs on, as it does on a cable.
"""

from __future__ import annotations

import asyncio
import fcntl
import os
import socket
import tty
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack, asynccontextmanager, contextmanager, suppress
from pathlib import Path
from types import TracebackType

from provision.board.firmware import Running
from provision.board.flash import ERASED, Flash, Geometry
from provision.board.loopback import TICK_S, Clock

_MOST_UNSENT = 64 * 1024  # bytes; a UART whose far end does not listen loses them as well
_CHUNK = 4096


class FrontError(Exception):
    """The board cannot be served; str() is what to tell the person."""


class FileFlash(Flash):
    """A flash that a file holds, so that it outlives the process; only its owner may read it."""

    def __init__(self, path: Path, geometry: Geometry) -> None:
        """Open the file, or make one of erased flash. Raises FrontError."""
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise FrontError(f"The flash file {path} cannot be opened: {error.strerror}.") from None
        with ExitStack() as stack:
            stack.callback(os.close, self._file)
            super().__init__(geometry, _flash_content(self._file, path, geometry.size))
            stack.pop_all()  # all went well: close() is for later

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._file)

    def _keep(self, offset: int, content: bytes) -> None:
        os.pwrite(self._file, content, offset)


def _flash_content(file: int, path: Path, size: int) -> bytes:
    """Lock a flash file and return its content; of a new one, that of erased flash."""
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise FrontError(f"Another board runs on the flash file {path}.") from None
    content = os.pread(file, size + 1, 0)
    if not content:
        content = bytes([ERASED]) * size
        os.pwrite(file, content, 0)
    if len(content) != size:
        raise FrontError(
            f"The flash file {path} is of another board: that of this one has {size} bytes."
        )
    return content


@asynccontextmanager
async def serve_pty(device: Running, link: Path | None = None) -> AsyncIterator[str]:
    """Serve a board on a pseudo-terminal; yields its path.

    link: a symbolic link to it that shall be there meanwhile; one that is left over is replaced.
    Raises FrontError if the link cannot be made.
    """
    near, far = os.openpty()
    try:
        # A fresh pty echoes, and turns LF into CRLF. The far end stays open here, so that a host
        # may hang up and come back.
        tty.setraw(far)
        os.set_blocking(near, False)
        path = os.ttyname(far)
        with _linked(path, link):
            async with _Pump(device, near):
                yield path
    finally:
        os.close(far)
        os.close(near)


@asynccontextmanager
async def serve_tcp(device: Running, port: int = 0) -> AsyncIterator[tuple[str, int]]:
    """Serve a board on a TCP port of this machine alone; yields host and port (0: a free one).

    There is one line to a board: whoever connects second is turned away. Raises FrontError if the
    port cannot be had.
    """
    listener = socket.socket()
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", port))
        except OSError as error:
            raise FrontError(f"TCP port {port} cannot be had: {error.strerror}.") from None
        listener.listen()
        listener.setblocking(False)
        async with _Pump(device) as pump:
            accepting = asyncio.create_task(_accept(listener, pump))
            try:
                yield listener.getsockname()
            finally:
                accepting.cancel()
                with suppress(asyncio.CancelledError):
                    await accepting
                pump.hang_up()
    finally:
        listener.close()


async def _accept(listener: socket.socket, pump: _Pump) -> None:
    loop = asyncio.get_running_loop()
    while True:
        connection, _ = await loop.sock_accept(listener)
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if pump.is_connected:
            connection.close()
        else:
            pump.connect(connection.detach(), owned=True)


class _Pump:
    """Carries bytes between a board and a non-blocking descriptor, and lets the board's time pass.

    While no descriptor is connected, what the board sends is lost.
    """

    def __init__(self, device: Running, descriptor: int | None = None) -> None:
        self._device = device
        self._loop = asyncio.get_running_loop()
        self._clock = Clock()
        self._unsent = bytearray()
        self._descriptor: int | None = None
        self._owned = False
        self._ticking = self._loop.create_task(self._tick())
        if descriptor is not None:
            self.connect(descriptor, owned=False)

    async def __aenter__(self) -> _Pump:
        return self

    async def __aexit__(
        self,
        _type: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.hang_up()
        self._ticking.cancel()
        with suppress(asyncio.CancelledError):
            await self._ticking

    @property
    def is_connected(self) -> bool:
        return self._descriptor is not None

    def connect(self, descriptor: int, *, owned: bool) -> None:
        """Take a descriptor, and close it at the end if it is owned."""
        self._descriptor, self._owned = descriptor, owned
        self._loop.add_reader(descriptor, self._read)

    def hang_up(self) -> None:
        """Let go of the descriptor; what is unsent is lost."""
        if self._descriptor is not None:
            self._loop.remove_reader(self._descriptor)
            self._loop.remove_writer(self._descriptor)
            if self._owned:
                os.close(self._descriptor)
        self._descriptor = None
        self._unsent.clear()

    def _read(self) -> None:
        assert self._descriptor is not None
        try:
            data = os.read(self._descriptor, _CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if data:
            self._send(self._device.receive(data, self._clock.now()))
        else:
            self.hang_up()

    def _send(self, data: bytes) -> None:
        if self._descriptor is None or len(self._unsent) + len(data) > _MOST_UNSENT:
            return
        self._unsent += data
        self._write()

    def _write(self) -> None:
        assert self._descriptor is not None
        try:
            sent = os.write(self._descriptor, self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError:
            self.hang_up()
            return
        del self._unsent[:sent]
        if self._unsent:
            self._loop.add_writer(self._descriptor, self._write)
        else:
            self._loop.remove_writer(self._descriptor)

    async def _tick(self) -> None:
        while True:
            self._send(self._device.tick(self._clock.now()))
            await asyncio.sleep(TICK_S)


@contextmanager
def _linked(path: str, link: Path | None) -> Iterator[None]:
    """Within it, a symbolic link leads to the path; without a name for it there is none."""
    if link is None:
        yield
        return
    try:
        if link.is_symlink():
            link.unlink()
        link.symlink_to(path)
    except OSError as error:
        raise FrontError(f"The link {link} cannot be made: {error.strerror}.") from None
    try:
        yield
    finally:
        # Somebody may have put another link there since.
        if link.is_symlink() and str(link.readlink()) == path:
            link.unlink()
