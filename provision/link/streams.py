# SPDX-License-Identifier: MIT
"""Byte streams under a connection: a port's descriptor, a transport, or memory.

Reading raises LineLost once the other end is gone; closing is bounded in time, whatever the peer
does.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from typing import Any, Protocol

import serial
import serial_asyncio

from provision.link.errors import LineLost
from provision.phrases import phrase

# The serial library's exceptions are OSErrors; what termios raises, and it lets through, is none.
PORT_ERRORS: tuple[type[Exception], ...] = (OSError,)

try:
    import fcntl
    import termios
except ImportError:  # Windows, where no stream reads a descriptor
    pass
else:
    PORT_ERRORS = (OSError, termios.error)

_DRAIN_TIME = 0.5  # seconds that closing waits for what is written to go out
_ABORT_TIME = 0.3  # seconds that an aborted transport may take to say so
_DRAIN_STEP = 0.01
_READ_SIZE = 65536
_MOST_UNSENT = 65536  # bytes; credit keeps a conversation far below, a dead port does not


class Stream(Protocol):
    """The bytes to and from one board."""

    def write(self, data: bytes) -> None:
        """Send bytes, or keep them until the port takes them; LineLost if it never will."""

    async def read(self) -> bytes:
        """Wait for bytes and return what there is, never none; LineLost at the end."""

    async def close(self) -> None:
        """Let go of the port, within a second. May be called again."""


class _Inbox:
    """What has arrived and was not read yet, and the end of it."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._arrival = asyncio.Event()
        self.lost: LineLost | None = None

    def put(self, data: bytes) -> None:
        self._held += data
        self._arrival.set()

    def lose(self, error: LineLost) -> None:
        self.lost = self.lost or error
        self._arrival.set()

    async def get(self) -> bytes:
        # Nothing is taken before the wait is over, so that cancelling it loses nothing.
        await self._arrival.wait()
        if not self._held:
            assert self.lost is not None
            raise self.lost
        data = bytes(self._held)
        self._held.clear()
        if self.lost is None:
            self._arrival.clear()
        return data


def _gone(name: str) -> LineLost:
    return LineLost(
        phrase(
            "The port {name} is gone: plug the board in again (or start it again), and try again.",
            name=name,
        )
    )


def let_go(port: Any) -> None:
    """Close a port that open_stream() opened, so that whoever comes next may open it at once."""
    # What is left would make the system wait for it at close, up to half a minute.
    with contextlib.suppress(*PORT_ERRORS):
        port.reset_output_buffer()
    # Where somebody else has the terminal open as well, it would stay closed to all others.
    if os.name == "posix":
        with contextlib.suppress(*PORT_ERRORS):
            fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
    port.close()


class DescriptorStream:
    """A port that was opened by the serial library, its descriptor read by the event loop."""

    def __init__(self, port: serial.Serial) -> None:
        """port: open and configured; the stream closes it."""
        self._port = port
        self._fd = port.fileno()
        self._unsent = bytearray()
        self._inbox = _Inbox()
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self._fd, self._on_readable)

    def write(self, data: bytes) -> None:
        """Send bytes, or keep them until the port takes them. Raises LineLost."""
        if self._inbox.lost:
            raise self._inbox.lost
        self._unsent += data
        if len(self._unsent) > _MOST_UNSENT:
            self._lose(
                LineLost(
                    phrase(
                        "The port {name} no longer takes data: press the board's reset button.",
                        name=self._port.name,
                    )
                )
            )
        elif len(self._unsent) == len(data):
            self._on_writable()

    async def read(self) -> bytes:
        """Wait for bytes and return them, never none. Raises LineLost at the end."""
        return await self._inbox.get()

    async def close(self) -> None:
        """Close the port within a second; may be called again."""
        if not self._port.is_open:
            return
        try:
            self._loop.remove_reader(self._fd)
            deadline = self._loop.time() + _DRAIN_TIME
            # No event tells when the system's own buffer has run empty.
            while self._loop.time() < deadline and self._has_unsent():  # noqa: ASYNC110
                await asyncio.sleep(_DRAIN_STEP)
        finally:
            self._loop.remove_writer(self._fd)
            self._inbox.lose(_gone(str(self._port.name)))
            let_go(self._port)

    def _has_unsent(self) -> bool:
        try:
            return self._inbox.lost is None and bool(self._unsent or self._port.out_waiting)
        except AttributeError:  # the port of a socket URL does not count
            return bool(self._unsent)
        except PORT_ERRORS:
            return False

    def _on_readable(self) -> None:
        try:
            data = os.read(self._fd, _READ_SIZE)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:  # EIO: hung up
            data = b""
        if data:
            self._inbox.put(data)
        else:  # a line that hung up reads as empty for ever
            self._lose(_gone(str(self._port.name)))

    def _on_writable(self) -> None:
        try:
            sent = os.write(self._fd, self._unsent)
        except (BlockingIOError, InterruptedError):
            sent = 0
        except OSError:
            self._lose(_gone(str(self._port.name)))
            return
        del self._unsent[:sent]
        if self._unsent:
            self._loop.add_writer(self._fd, self._on_writable)
        else:
            self._loop.remove_writer(self._fd)

    def _lose(self, error: LineLost) -> None:
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        self._inbox.lose(error)


class _Watched:
    """A port as its transport sees it: what fails ends the stream and raises nothing.

    The transport would log a traceback, and would keep a lost line open for what is unsent.
    """

    def __init__(self, port: Any, on_lost: Any) -> None:
        self._port = port
        self._on_lost = on_lost
        port.timeout = port.write_timeout = 0
        # The socket URL's close() leaves its socket open if the peer has gone before.
        self._socket = getattr(port, "_socket", None)

    def fileno(self) -> int:
        return int(self._port.fileno())

    def read(self, size: int) -> bytes:
        return bytes(self._guard(lambda: self._port.read(size), b""))

    def write(self, data: bytes) -> int:
        return int(self._guard(lambda: self._port.write(data), len(data)))

    @property
    def in_waiting(self) -> int:
        return int(self._guard(lambda: self._port.in_waiting, 0))

    @property
    def out_waiting(self) -> int:
        return int(self._guard(lambda: self._port.out_waiting, 0))

    def flush(self) -> None:
        """Do nothing: the transport calls this when it ends, and the port could block in it."""

    def close(self) -> None:
        let_go(self._port)
        if self._socket is not None:
            self._socket.close()

    def _guard(self, action: Any, otherwise: Any) -> Any:
        try:
            return action()
        except (BlockingIOError, InterruptedError):
            raise
        except PORT_ERRORS:
            self._on_lost()
            return otherwise


class TransportStream(asyncio.Protocol):
    """A port of any platform, or any URL that has a descriptor, under an asyncio transport."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._inbox = _Inbox()
        self._made = asyncio.Event()
        self._ended = asyncio.Event()
        self._transport: Any = None

    @classmethod
    async def over(cls, port: Any) -> TransportStream:
        """Return a stream over a port that the serial library opened; the stream closes it."""
        stream = cls(str(port.port))
        watched = _Watched(port, stream._lose)
        loop = asyncio.get_running_loop()
        transport, _ = await serial_asyncio.connection_for_serial(loop, lambda: stream, watched)
        try:
            await stream._made.wait()  # the call above returns before the transport is ready
        except asyncio.CancelledError:
            transport.abort()
            raise
        return stream

    def connection_made(self, transport: Any) -> None:
        """Keep the transport, as asyncio calls this."""
        self._transport = transport
        self._made.set()

    def data_received(self, data: bytes) -> None:
        """Keep what has arrived, as asyncio calls this."""
        self._inbox.put(data)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - the base's signature
        """Note that the port is lost, as asyncio calls this."""
        self._inbox.lose(_gone(self._name))
        self._ended.set()

    def write(self, data: bytes) -> None:
        """Send bytes, or keep them until the port takes them. Raises LineLost."""
        if self._inbox.lost:
            raise self._inbox.lost
        if data:
            self._transport.write(data)
        if self._transport.get_write_buffer_size() > _MOST_UNSENT:
            self._lose()

    async def read(self) -> bytes:
        """Wait for bytes and return them, never none. Raises LineLost at the end."""
        return await self._inbox.get()

    async def close(self) -> None:
        """Close the port within a second; may be called again."""
        try:
            if not self._transport.is_closing():
                self._transport.close()
            # Before Python 3.11.3 timeout() does not serve in a task that was cancelled, which may
            # close a port all the same; wait_for() does.
            await asyncio.wait_for(self._ended.wait(), _DRAIN_TIME)
        except TimeoutError:
            self._transport.abort()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._ended.wait(), _ABORT_TIME)
        except asyncio.CancelledError:
            self._transport.abort()
            raise

    def _lose(self) -> None:
        self._inbox.lose(_gone(self._name))
        if not self._ended.is_set():
            self._transport.abort()


class MemoryStream:
    """One end of a line in memory; see pair()."""

    def __init__(self, reads: _Inbox, feeds: _Inbox) -> None:
        self._reads = reads
        self._feeds = feeds

    @classmethod
    def pair(cls) -> tuple[MemoryStream, MemoryStream]:
        """Return both ends of a line; closing one is the end for the other."""
        one, other = _Inbox(), _Inbox()
        return cls(one, other), cls(other, one)

    def write(self, data: bytes) -> None:
        """Send bytes, or keep them until the port takes them. Raises LineLost."""
        if self._reads.lost:
            raise self._reads.lost
        if data:
            self._feeds.put(data)

    async def read(self) -> bytes:
        """Wait for bytes and return them, never none. Raises LineLost at the end."""
        return await self._reads.get()

    async def close(self) -> None:
        """Close the port within a second; may be called again."""
        for inbox in (self._reads, self._feeds):
            inbox.lose(LineLost(phrase("The other end of the line was closed.")))
