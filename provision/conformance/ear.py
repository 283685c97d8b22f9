# SPDX-License-Identifier: MIT
"""Takes what comes from a board apart into lines, and notes what is wrong with their form.

Log text is left alone: the port may carry it. Whatever begins with a tilde wants to be a message,
unless it is an echo of what was sent: a console may echo, and messages of odd types are ignored
(clause 2.2).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from provision.conformance.damage import LOG_WITHIN, why_no_message
from provision.contract import profile
from provision.contract.line import MAX_BODY, Frame, LineReceiver
from provision.contract.messages import Message, MessageError, decode_message

_LONGEST_HELD = 65536  # bytes of a line without an end
_ECHOES_AWAITED = 512  # lines that were sent and may come back
_LINE_END = re.compile(rb"[\r\n]")


@dataclass(frozen=True, slots=True)
class Wrong:
    """Something that is wrong with the form of a line."""

    number: str
    """Of the requirement that it breaks."""

    words: str
    figures: str = ""
    """What is true of this line only."""


@dataclass(frozen=True, slots=True)
class Came:
    """One line of a board that begins with a tilde; message is None where it is none."""

    raw: bytes
    message: Message | None
    item: bytes | None
    wrong: tuple[Wrong, ...]


@dataclass(frozen=True, slots=True)
class Logged:
    """One line of log text, as it came."""

    raw: bytes


class LineListener:
    """Splits what a board sends into lines, and leaves the echoes of what was sent aside."""

    def __init__(self) -> None:
        self.echoes = 0
        """Lines that were sent and came back."""

        self.odd_types = 0
        """Other messages that have an odd type, which a host ignores."""

        self._held = b""
        self._last_end = b""
        self._after_message = False
        self._sending = b""
        self._awaited: deque[bytes] = deque(maxlen=_ECHOES_AWAITED)

    def sent(self, data: bytes) -> None:
        """Note what was sent, since it may come back."""
        *lines, self._sending = _LINE_END.split(self._sending + data)
        self._sending = self._sending[:_LONGEST_HELD]
        self._awaited += (line for line in lines if line.startswith(b"~"))

    def feed(self, data: bytes) -> Iterator[Came | Logged]:
        """Take bytes; yield each line that is not empty, and no echo."""
        self._held += data
        while match := _LINE_END.search(self._held):
            line, end = self._held[: match.start()], match.group()
            self._held = self._held[match.end() :]
            if line.startswith(b"~"):
                came = self._candidate(line, end)
                if came is not None:
                    yield came
            elif line:
                yield Logged(line)
            self._after_message = line.startswith(b"~")
            self._last_end = end
        self._held = self._held[:_LONGEST_HELD]

    def rest(self) -> bytes:
        """Return what came of a line whose end did not come."""
        return self._held

    def _candidate(self, line: bytes, end: bytes) -> Came | None:
        if line in self._awaited:
            self._awaited.remove(line)
            self.echoes += 1
            return None
        (event,) = LineReceiver().feed(b"\n" + line + b"\n")
        message, wrong = None, list(self._wrong_form(line, end))
        if not isinstance(event, Frame):
            if len(line) <= MAX_BODY + 9:
                words, figures = why_no_message(line)
                number = "2.1.2" if words == LOG_WITHIN else "2.1.1"
                wrong.append(
                    Wrong(number, f"a line of the board is not a message: {words}", figures)
                )
            return Came(line, None, None, tuple(wrong))
        try:
            profile.decode(event.item)
            message = decode_message(event.item)
        except profile.ProfileError as error:
            wrong.append(Wrong("3.1.1", f"an item of the board is not in the profile: {error}"))
        except MessageError as error:
            wrong.append(Wrong("4.1.6", f"an item of the board is not a message: {error}"))
        if message is not None and message.type % 2:
            self.odd_types += 1
            return None
        return Came(line, message, event.item, tuple(wrong))

    def _wrong_form(self, line: bytes, end: bytes) -> Iterator[Wrong]:
        if self._last_end != b"\n" or self._after_message:
            yield Wrong("2.1.1", "the board did not begin its line with LF")
        if end != b"\n":
            yield Wrong("2.1.1", "the board did not end its line with LF alone")
        if any(not 0x20 <= byte <= 0x7E for byte in line):
            yield Wrong("2.1.1", "a line of the board has a byte outside printable ASCII")
        if len(line) > MAX_BODY + 9:
            figures = f"it has {len(line) - 9}"
            yield Wrong("2.3.1", "a BODY of the board has more than 655 characters", figures)
