# SPDX-License-Identifier: MIT
"""What goes wrong on the way between host and board, by name and repeatable.

    device = FaultyLine(device, LoseReply(3), Echo())

A fault sees each request that the host sends and each reply that the board sends, counted from 1.
What it does depends on those alone, and where it draws, on its seed.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Mapping
from types import MappingProxyType

from provision.board.firmware import Running

_MESSAGE = re.compile(rb"\n~[^\n]*\n")


class InjectedFault:
    """One way to go wrong. This one: none; derive from it the others."""

    def to_board(self, request: bytes, number: int) -> bytes:
        """Return what reaches the board of the host's request with this number."""
        del number
        return request

    def echoed(self, data: bytes) -> bytes:
        """Return what comes back to the host of what it sent, before any reply."""
        del data
        return b""

    def to_host(self, reply: bytes, number: int) -> bytes:
        """Return what reaches the host of the board's reply with this number."""
        del number
        return reply

    def resets_after(self, number: int) -> bool:
        """Whether the board is reset right after the reply with this number."""
        del number
        return False

    def on_the_way(self, data: bytes) -> bytes:
        """Return what reaches the host of all that the board sends."""
        return data


class LoseReply(InjectedFault):
    """The reply with this number never comes."""

    def __init__(self, number: int) -> None:
        self._number = number

    def to_host(self, reply: bytes, number: int) -> bytes:
        """Return what the host gets in place of this reply."""
        return b"" if number == self._number else reply


class RepeatReply(InjectedFault):
    """The reply with this number comes twice."""

    def __init__(self, number: int) -> None:
        self._number = number

    def to_host(self, reply: bytes, number: int) -> bytes:
        """Return what the host gets in place of this reply."""
        return reply * 2 if number == self._number else reply


class DamageReply(InjectedFault):
    """One character of the reply with this number is another one, drawn with the seed."""

    def __init__(self, number: int, seed: int = 0) -> None:
        self._number = number
        self._random = random.Random(seed)  # noqa: S311 - repeatable on purpose

    def to_host(self, reply: bytes, number: int) -> bytes:
        """Return what the host gets in place of this reply."""
        if number != self._number:
            return reply
        at = self._random.randrange(2, len(reply) - 1)
        return reply[:at] + bytes([reply[at] ^ 1]) + reply[at + 1 :]


class CutByLog(InjectedFault):
    """A line of log text cuts into the reply with this number."""

    def __init__(self, number: int, text: bytes = b"frost watch: 1.5 C\r\n") -> None:
        self._number = number
        self._text = text

    def to_host(self, reply: bytes, number: int) -> bytes:
        """Return what the host gets in place of this reply."""
        half = len(reply) // 2
        return reply[:half] + self._text + reply[half:] if number == self._number else reply


class ResetAfter(InjectedFault):
    """The board is reset right after the reply with this number, which is lost if `loses` is."""

    def __init__(self, number: int, *, loses: bool = False) -> None:
        self._number = number
        self._loses = loses

    def to_host(self, reply: bytes, number: int) -> bytes:
        """Return what the host gets in place of this reply."""
        return b"" if self._loses and number == self._number else reply

    def resets_after(self, number: int) -> bool:
        """Return whether the board is reset after this reply."""
        return number == self._number


class LoseRequest(InjectedFault):
    """The request with this number never reaches the board."""

    def __init__(self, number: int) -> None:
        self._number = number

    def to_board(self, request: bytes, number: int) -> bytes:
        """Return what the board gets in place of these bytes."""
        return b"" if number == self._number else request


class RepeatRequests(InjectedFault):
    """Every request reaches the board twice."""

    def to_board(self, request: bytes, number: int) -> bytes:
        """Return what the board gets in place of these bytes."""
        del number
        return b"\n".join((request, request))


class Echo(InjectedFault):
    """A console sends back to the host what it types."""

    def echoed(self, data: bytes) -> bytes:
        """Return what comes back of these bytes."""
        return data


class CrLf(InjectedFault):
    """A console turns every LF that the board sends into CR LF."""

    def on_the_way(self, data: bytes) -> bytes:
        """Return what becomes of these bytes on the way."""
        return data.replace(b"\n", b"\r\n")


FAULTS: Mapping[str, Callable[[int], InjectedFault]] = MappingProxyType(
    {
        "lose-reply": LoseReply,
        "repeat-reply": RepeatReply,
        "damage-reply": DamageReply,
        "cut-by-log": CutByLog,
        "reset-after": ResetAfter,
        "reset-and-lose-reply": lambda number: ResetAfter(number, loses=True),
        "lose-request": LoseRequest,
        "repeat-requests": lambda _number: RepeatRequests(),
        "echo": lambda _number: Echo(),
        "cr-lf": lambda _number: CrLf(),
    }
)
"""Name of a fault to what makes it, given the number of the reply or request that it strikes."""


class FaultyLine:
    """A board that runs, at the far end of a line on which these faults happen, in their order."""

    def __init__(self, device: Running, *faults: InjectedFault) -> None:
        self.device = device
        self._faults = faults
        self._requests = 0
        self._replies = 0
        self._held = b""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes from the host; return what reaches it."""
        reached = b"".join(fault.echoed(data) for fault in self._faults)
        *lines, self._held = (self._held + data).split(b"\n")
        for line in lines:  # one by one, since a reset in between loses the rest
            sent = self.device.receive(self._request(line) + b"\n", now_ms)
            reached += self._on_the_way(
                _MESSAGE.sub(lambda reply: self._reply(reply[0], now_ms), sent)
            )
        return reached

    def tick(self, now_ms: int) -> bytes:
        """Let time pass; return what reaches the host."""
        return self._on_the_way(self.device.tick(now_ms))

    def reset(self, now_ms: int) -> None:
        """Press reset."""
        self.device.reset(now_ms)

    def _request(self, line: bytes) -> bytes:
        if line.startswith(b"~"):
            self._requests += 1
            for fault in self._faults:
                line = fault.to_board(line, self._requests)
        return line

    def _reply(self, reply: bytes, now_ms: int) -> bytes:
        self._replies += 1
        for fault in self._faults:
            reply = fault.to_host(reply, self._replies)
        if any(fault.resets_after(self._replies) for fault in self._faults):
            self.device.reset(now_ms)
        return reply

    def _on_the_way(self, data: bytes) -> bytes:
        for fault in self._faults:
            data = fault.on_the_way(data)
        return data
