# SPDX-License-Identifier: MIT
"""A board on a line of some baud rate, in virtual time that the real time of both ends adds to.

The host is the product's own: its Connection runs in an event loop whose clock jumps over every
wait. What the host's code costs runs on that clock as it is spent; what the board's code costs
delays the board alone, since it has a processor of its own; what this model costs is not counted.
Both are processor time, so that other programs on the machine do not count.
"""

from __future__ import annotations

import asyncio
import re
import selectors
import time
from collections import deque
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from provision.board.engine import Board, Identity, Limits, settings_geometry
from provision.board.firmware import Device, Surroundings
from provision.board.flash import Faults, Flash, Operation, OperationKind, Tear
from provision.board.store import FlashStore
from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import Message, decode_message
from provision.link.connection import Connection
from provision.schema.codec import Packed, pack
from provision.schema.declaration import Declaration

BITS_PER_BYTE = 10  # a start bit, eight data bits, a stop bit
PACKET = 62  # bytes that a bridge hands over at once, of packets of 64 (common practice)

# Typical of serial NOR flash (common practice).
ERASE_S = 0.045  # for each 4 KiB
PROGRAM_S = 0.0004  # for each 256 bytes
ERASE_SIZE = 4096
PROGRAM_SIZE = 256

LINE = re.compile(rb"\n~[^\n]*\n")


class Clock:
    """Virtual seconds: the waits that were jumped over, and the time that code took."""

    def __init__(self, *, charged: bool) -> None:
        """charged: whether the time that the host's code takes counts."""
        self.charged = charged
        self._skipped = 0.0
        self._began = time.thread_time()
        self._stopped: float | None = None

    def now(self) -> float:
        """Return the virtual time."""
        if not self.charged:
            return self._skipped
        here = time.thread_time() if self._stopped is None else self._stopped
        return self._skipped + here - self._began

    def skip(self, seconds: float) -> None:
        """Let time pass in which nothing happens."""
        self._skipped += seconds

    @contextmanager
    def stopped(self) -> Iterator[None]:
        """Within it, code costs the host nothing."""
        if self._stopped is not None:
            yield
            return
        self._stopped = time.thread_time()
        try:
            yield
        finally:
            self._began += time.thread_time() - self._stopped
            self._stopped = None


class _Jumping(selectors.DefaultSelector):
    def __init__(self, clock: Clock) -> None:
        super().__init__()
        self._clock = clock

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = super().select(0)
        if not ready:
            if timeout is None:
                raise RuntimeError("host and board wait for each other")
            self._clock.skip(max(timeout, 0.0))
        return ready


class _VirtualLoop(asyncio.SelectorEventLoop):
    def __init__(self, clock: Clock) -> None:
        self._clock_of_its_own = clock
        super().__init__(_Jumping(clock))

    def time(self) -> float:
        return self._clock_of_its_own.now()


class FlashTime(Faults):
    """Nothing goes wrong with this flash; its operations take time."""

    def __init__(self) -> None:
        self._seconds = 0.0

    def changing(self, operation: Operation) -> Tear | None:
        """See Faults."""
        one, size = (
            (ERASE_S, ERASE_SIZE)
            if operation.change is OperationKind.ERASE
            else (PROGRAM_S, PROGRAM_SIZE)
        )
        self._seconds += one * -(-operation.size // size)
        return None

    def take(self) -> float:
        """Return the seconds since the last call."""
        seconds, self._seconds = self._seconds, 0.0
        return seconds


@dataclass(frozen=True, slots=True)
class Firmware:
    """What a board runs; its schema is packed once for all boards."""

    declaration: Declaration
    packed: Packed
    limits: Limits | None = None

    @classmethod
    def of(cls, declaration: Declaration, limits: Limits | None = None) -> Firmware:
        """Return the firmware of a declaration."""
        return cls(declaration, pack(declaration.schema), limits)

    def start(self) -> tuple[Device, FlashTime]:
        """Return a freshly flashed board that has started, and the time its flash takes."""
        declaration = self.declaration
        flash_time = FlashTime()
        flash = Flash(settings_geometry(declaration), faults=flash_time)
        board = Board(
            declaration.schema,
            Identity(
                declaration.firmware_name,
                declaration.firmware_version,
                declaration.board.name,
                unit=b"bench-01",
            ),
            FlashStore(flash, declaration.board.slots),
            boot_number=1,
            limits=self.limits,
            packed=self.packed,
        )
        flash_time.take()
        return Device(board, Surroundings()), flash_time


@dataclass(slots=True)
class Exchanged:
    """One request, its reply, the seconds that the board's flash took, and in which flight."""

    request: bytes
    reply: bytes
    flash: float
    flight: int


@dataclass(slots=True)
class Conversation:
    """What went over a line, and how long it took."""

    seconds: float = 0.0
    flights: int = 0
    """How often the host sent while nothing was on its way, as after a wait for replies."""

    exchanged: list[Exchanged] = field(default_factory=list, repr=False)
    device: Device | None = field(default=None, repr=False)

    @property
    def wire_bytes(self) -> int:
        """Bytes both ways."""
        return sum(len(one.request) + len(one.reply) for one in self.exchanged)


def message_of(line: bytes) -> Message:
    """Return the message of one line."""
    (frame,) = LineReceiver().feed(line)
    assert isinstance(frame, Frame)
    return decode_message(frame.item)


FrameSize = Callable[[bytes], int]
"""Returns the bytes that a line takes on the wire."""

Host = Callable[[Connection], Awaitable[None]]
"""What the host does with a connection."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """The line, and whether the time that both ends' code takes counts."""

    baud: int = 115200
    latency_ms: int = 0
    """The bridge's latency timer: how long it keeps what the board sent, for more to come.

    At 0 it hands over each line of the board as its last byte arrives."""

    charged: bool = True
    frame_size: FrameSize = len


class _Line:
    """The stream to a board, full duplex; the board acts as the last byte of a line arrives."""

    def __init__(
        self, firmware: Firmware, conditions: Conditions, clock: Clock, result: Conversation
    ) -> None:
        self._device, self._flash_time = firmware.start()
        self._clock = clock
        self._charged = conditions.charged
        self._byte = BITS_PER_BYTE / conditions.baud
        self._latency = conditions.latency_ms / 1000
        self._frame_size = conditions.frame_size
        self._result = result
        result.device = self._device
        self._loop = asyncio.get_running_loop()
        self._to_board_free = self._board_free = self._to_host_free = 0.0
        self._at_bridge: deque[tuple[float, int, bool]] = deque()  # when, byte, ends a line
        self._handing_over: asyncio.TimerHandle | None = None
        self._arrived = bytearray()
        self._arrival = asyncio.Event()
        self._on_their_way = 0

    def write(self, data: bytes) -> None:
        """See Stream."""
        with self._clock.stopped():
            now = self._loop.time()
            for line in LINE.findall(data):
                if not self._on_their_way:
                    self._result.flights += 1
                self._on_their_way += 1
                start = max(now, self._to_board_free)
                self._to_board_free = start + self._frame_size(line) * self._byte
                arrival = self._to_board_free
                self._loop.call_at(arrival, self._on_line, line, arrival, self._result.flights)

    async def read(self) -> bytes:
        """See Stream."""
        await self._arrival.wait()
        self._arrival.clear()
        data = bytes(self._arrived)
        self._arrived.clear()
        return data

    async def close(self) -> None:
        """See Stream."""
        if self._handing_over is not None:
            self._handing_over.cancel()

    def _on_line(self, line: bytes, arrived: float, flight: int) -> None:
        with self._clock.stopped():
            begins = max(arrived, self._board_free)
            before = time.thread_time()
            reply = self._device.receive(line, int(begins * 1000))
            took = time.thread_time() - before if self._charged else 0.0
            flash = self._flash_time.take()
            self._board_free = begins + took + flash
            self._result.exchanged.append(Exchanged(line, reply, flash, flight))
            start = max(self._board_free, self._to_host_free)
            step = self._frame_size(reply) * self._byte / len(reply)
            self._to_host_free = start + len(reply) * step
            for at, byte in enumerate(reply, start=1):
                self._at_bridge.append((start + at * step, byte, at == len(reply)))
            self._plan()

    def _plan(self) -> None:
        """Set the time of the next packet; one more byte at the bridge may bring it forward."""
        if self._handing_over is not None:
            self._handing_over.cancel()
            self._handing_over = None
        if self._at_bridge:
            self._handing_over = self._loop.call_at(self._packet()[0], self._hand_over)

    def _packet(self) -> tuple[float, int]:
        """Return when the next packet goes to the host, and its bytes as known now."""
        first = self._at_bridge[0][0]
        size = 0
        for at, _, ends_line in self._at_bridge:
            if self._latency and at > first + self._latency:
                return first + self._latency, size
            size += 1
            if size == PACKET or (not self._latency and ends_line):
                return at, size
        return first + self._latency, size

    def _hand_over(self) -> None:
        with self._clock.stopped():
            while self._at_bridge:
                due, size = self._packet()
                if due > self._loop.time() + 1e-9:  # the clock's resolution
                    break
                for _ in range(size):
                    _, byte, ends_line = self._at_bridge.popleft()
                    self._arrived.append(byte)
                    self._on_their_way -= ends_line
            self._plan()
        if self._arrived:
            self._arrival.set()


def talk(firmware: Firmware, host: Host, conditions: Conditions) -> Conversation:
    """Let a host talk to a fresh board over such a line."""
    (conversation,) = talk_at_once(firmware, host, conditions, 1)
    return conversation


def talk_at_once(
    firmware: Firmware, host: Host, conditions: Conditions, count: int
) -> list[Conversation]:
    """Let a host talk to so many fresh boards at once, each on a line of its own."""
    clock = Clock(charged=conditions.charged)
    results = [Conversation() for _ in range(count)]

    async def talk_to_one(line: _Line, result: Conversation, began: float) -> None:
        async with Connection(line, baud=conditions.baud) as connection:
            await host(connection)
            result.seconds = clock.now() - began

    async def run() -> None:
        with clock.stopped():
            lines = [_Line(firmware, conditions, clock, result) for result in results]
        began = clock.now()
        talks = (
            talk_to_one(line, result, began) for line, result in zip(lines, results, strict=True)
        )
        await asyncio.gather(*talks)

    with asyncio.Runner(loop_factory=lambda: _VirtualLoop(clock)) as runner:
        runner.run(run())
    return results
