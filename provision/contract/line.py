# SPDX-License-Identifier: MIT
"""Frames as lines of printable ASCII, told apart from the log text that shares their port.

A frame is ``LF ~ BODY CHECK LF`` (shared/protocol.md). BODY is base64url (RFC 4648 clause 5)
without padding and with zero pad bits. CHECK is the CRC-32C of BODY's characters as they are sent,
in eight characters 0x40 + nibble, most significant first. A CRC detects damage; it does not
authenticate.

Sans-I/O: bytes go in, events come out. Whatever comes in, a receiver holds 1 KiB at most.
"""

from __future__ import annotations

import base64
import binascii
import codecs
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

import google_crc32c

MAX_BODY = 655
"""Longest BODY in characters: up to here CRC-32C has Hamming distance 6 (5,243 data bits)."""

MIN_BODY_LIMIT = 128
"""Least BODY limit in characters that a receiver may have; every hello request fits it."""

_CHECK_LENGTH = 8
_CHECK_CHARACTERS = bytes.maketrans(b"0123456789abcdef", b"@ABCDEFGHIJKLMNO")
_LONGEST_LOG = 960
"""Bytes of a log line that are kept: more than the longest frame, and with what Python adds to a
string of bytes less than 1 KiB."""

_FRAME_MARK = "[frame removed]"
_RUN_MARK = b"[removed]"
_CUT_MARK = "[cut]"

_BASE64URL = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
_FRAME_CHARACTERS = _BASE64URL + b"@"  # the letters of CHECK are among the others
_FOREIGN_SHARE = 8  # a line of which more than one character in eight is foreign was no frame
_RUN = re.compile(rb"[A-Za-z0-9_-]{16,}")
Blank = Callable[[bytes], bytes]
"""Returns a line of log text, as it came, without what must not be shown of it."""

# ECMA-48: control sequences (clause 5.4), control strings up to BEL, ST or the next escape (5.6),
# then every other escape sequence (ECMA-35 clause 13.2) and the stray ESC of one that was cut.
ESCAPE = re.compile(
    rb"\x1b(?:\[[0-?]*[ -/]*[@-~]?|[P\]X^_][^\x07\x1b]*(?:\x07|\x1b\\)?|[ -/]*[0-~]?)"
)
_AS_PRINTABLE = bytes(
    byte if 0x20 <= byte <= 0x7E else 0x20 if byte == 0x09 else 0x3F for byte in range(256)
)


@dataclass(frozen=True, slots=True)
class Frame:
    """A valid frame: the bytes of its item, and its length in characters, both LF included."""

    item: bytes = field(repr=False)  # a console's echo of what we sent may hold a secret
    size: int


class LineFault(StrEnum):
    """What is wrong with a line that began with ``~``."""

    TOO_LONG = "the line is longer than a frame may be"
    TOO_SHORT = "the line is too short for a frame"
    FOREIGN = "too many of its characters are none of a frame's"
    CHECK = "the check does not match"
    SPELLING = "the body is not base64url without padding and with zero pad bits"

    @property
    def may_be_a_frame(self) -> bool:
        """Whether somebody may have sent a frame there: else it is a prompt, or noise."""
        return self not in (LineFault.TOO_SHORT, LineFault.FOREIGN)


@dataclass(frozen=True, slots=True)
class Damaged:
    """A line that began with ``~`` and is no valid frame. Its text, maybe a secret, is not kept."""

    reason: LineFault
    check: int = field(default=0, repr=False, compare=False)
    """The CRC-32C of the line, by which the same line is known when it comes again."""


@dataclass(frozen=True, slots=True)
class LogText:
    """A line that is no frame, already cleaned by clean_log()."""

    text: str


LineEvent = Frame | Damaged | LogText


def crc32c(data: bytes) -> int:
    """Return the CRC-32C (RFC 3720 appendix B.4; CRC-32/ISCSI in the reveng catalogue)."""
    return int(google_crc32c.value(data))


def encode_line(item: bytes, limit: int = MAX_BODY) -> bytes:
    """Return the line that carries an encoded item, its leading and its closing LF included.

    limit is the longest BODY in characters that the receiver announced; MAX_BODY holds in any
    case. Raises ValueError for an empty item and for a BODY longer than that.
    """
    limit = min(limit, MAX_BODY)
    body = base64.urlsafe_b64encode(item).rstrip(b"=")
    if not body:
        raise ValueError("A frame carries one item, and this one is empty.")
    if len(body) > limit:
        raise ValueError(f"A frame of {len(body)} characters is over the receiver's {limit}.")
    return b"\n~%b%b\n" % (body, _check(body))


class LineReceiver:
    """Splits what a port delivers into frames, damaged frames and log text.

    LF, CR and CRLF all end a line; empty lines yield nothing. The events do not depend on how the
    bytes are split over calls.
    """

    __slots__ = ("_blank", "_held", "_longest_frame")

    def __init__(self, max_body: int = MAX_BODY, *, blank: Blank = bytes) -> None:
        """max_body: longest BODY in characters to accept, MIN_BODY_LIMIT to MAX_BODY.

        blank: gets the lines of log text in their order, before they are cleaned.
        """
        if not MIN_BODY_LIMIT <= max_body <= MAX_BODY:
            raise ValueError(
                f"A BODY limit is {MIN_BODY_LIMIT} to {MAX_BODY} characters, not {max_body}."
            )
        self._blank = blank
        self._held = b""
        self._longest_frame = 1 + max_body + _CHECK_LENGTH

    def feed(self, data: bytes) -> list[LineEvent]:
        """Take bytes as they arrive; return one event for each line that they complete."""
        lines = data.replace(b"\r", b"\n").split(b"\n")
        lines[0] = self._held + lines[0]
        # One byte more than a log line may have tells a line that ran on from one that just fits.
        self._held = lines.pop()[: _LONGEST_LOG + 1]
        events: list[LineEvent] = []
        for line in filter(None, lines):
            if line.startswith(b"~"):
                events.append(self._frame(line))
            elif text := clean_log(line, self._blank):
                events.append(LogText(text))
        return events

    def _frame(self, line: bytes) -> Frame | Damaged:
        body = line[1:-_CHECK_LENGTH]
        if not body:
            return Damaged(LineFault.TOO_SHORT)
        is_long = len(line) > self._longest_frame
        if is_long or line[-_CHECK_LENGTH:] != _check(body):
            foreign = len(line.translate(None, _FRAME_CHARACTERS)) - 1  # the tilde
            if foreign * _FOREIGN_SHARE > len(line):
                return Damaged(LineFault.FOREIGN)
            fault = LineFault.TOO_LONG if is_long else LineFault.CHECK
            return Damaged(fault, crc32c(line))
        # The decoder skips foreign characters and ignores pad bits; only the one right spelling
        # of an item comes back when it is encoded again.
        try:
            item = base64.urlsafe_b64decode(body + b"=" * (-len(body) % 4))
        except binascii.Error:
            item = b""
        if base64.urlsafe_b64encode(item).rstrip(b"=") != body:
            return Damaged(LineFault.SPELLING)
        return Frame(item, len(line) + 2)


def clean_log(raw: bytes, blank: Blank = bytes) -> str:
    """Return a line of log text as printable text, bounded in length, without possible secrets.

    A damaged echo of a frame could carry a secret: everything from a ``~`` on, and every run of 16
    or more base64url characters, gives way to a mark. Escape sequences are dropped, a tab becomes
    a space, and what is not printable (bidirectional controls among it) becomes ``?``. Text that is
    no valid UTF-8 is read as ASCII. What goes beyond 960 bytes is cut off. What blank() takes away
    is taken away first.
    """
    kept, tilde, _ = blank(raw[:_LONGEST_LOG]).partition(b"~")
    if b"\x1b" in kept:
        kept = ESCAPE.sub(b"", kept)
    cut = not tilde and len(raw) > _LONGEST_LOG
    if cut:
        kept = kept.rstrip(_BASE64URL)  # it may be the head of a longer run
    text = _printable(_RUN.sub(_RUN_MARK, kept), whole=not cut)
    if tilde:
        return text + _FRAME_MARK
    return text + _CUT_MARK if cut else text


def _printable(raw: bytes, *, whole: bool) -> str:
    """Return printable text; unless the bytes are whole, half a character at their end goes."""
    if not raw.isascii():
        try:
            text, _ = codecs.utf_8_decode(raw, "strict", whole)
        except UnicodeDecodeError:
            pass
        else:
            text = text.replace("\t", " ")
            if text.isprintable():
                return text
            return "".join(c if c.isprintable() else "?" for c in text)
    return raw.translate(_AS_PRINTABLE).decode("ascii")


def _check(body: bytes) -> bytes:
    return (b"%08x" % crc32c(body)).translate(_CHECK_CHARACTERS)
