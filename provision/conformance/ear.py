# SPDX-License-Identifier: MIT
"""Takes what comes from a board apart into lines, and notes what is wrong with their form.

Log text is left alone: the port may carry it. Whatever begins with a tilde wants to be a message.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from provision.contract import profile
from provision.contract.line import MAX_BODY, Damaged, Frame, LineReceiver
from provision.contract.messages import Message, MessageError, decode_message

_LONGEST_HELD = 65536  # bytes of a line without an end
_LINE_END = re.compile(rb"[\r\n]")


@dataclass(frozen=True, slots=True)
class Came:
    """One line of a board that begins with a tilde; message is None where it is none."""

    raw: bytes
    message: Message | None
    item: bytes | None
    wrong: tuple[tuple[str, str], ...]
    """Clause and words of each thing that is wrong with its form."""


class Ear:
    """Splits what a board sends into the lines that want to be messages."""

    def __init__(self) -> None:
        self._held = b""
        self._last_end = b""
        self._after_message = False

    def feed(self, data: bytes) -> Iterator[Came]:
        """Take bytes; yield each line that begins with a tilde."""
        self._held += data
        while match := _LINE_END.search(self._held):
            line, end = self._held[: match.start()], match.group()
            self._held = self._held[match.end() :]
            if line.startswith(b"~"):
                yield self._candidate(line, end)
            self._after_message = line.startswith(b"~")
            self._last_end = end
        self._held = self._held[:_LONGEST_HELD]

    def _candidate(self, line: bytes, end: bytes) -> Came:
        wrong = []
        if self._last_end != b"\n" or self._after_message:
            wrong.append(("2.1", "the board did not begin its line with LF"))
        if end != b"\n":
            wrong.append(("2.1", "the board did not end its line with LF alone"))
        if any(not 0x20 <= byte <= 0x7E for byte in line):
            wrong.append(("2.4", "a line of the board has a byte outside printable ASCII"))
        if len(line) > MAX_BODY + 9:
            wrong.append(("2.3", f"a BODY of the board has {len(line) - 9} characters"))
        (event,) = LineReceiver().feed(b"\n" + line + b"\n")
        if not isinstance(event, Frame):
            if isinstance(event, Damaged) and len(line) <= MAX_BODY + 9:
                wrong.append(("2.1", f"a line of the board is no message: {event.reason}"))
            return Came(line, None, None, tuple(wrong))
        message = None
        try:
            profile.decode(event.item)
            message = decode_message(event.item)
        except profile.ProfileError as error:
            wrong.append(("3", f"an item of the board is not in the profile: {error}"))
        except MessageError as error:
            wrong.append(("4.1", f"an item of the board is no message: {error}"))
        return Came(line, message, event.item, tuple(wrong))
