# SPDX-License-Identifier: MIT
"""Blanks secrets that are known here in what a board prints.

A firmware may log the passphrase that it was given. What is sent from here is known, and looked for
in each line of log text: as it was typed, in hexadecimal digits, in base64 and percent-encoded.

Eight bytes of a secret in a row are blanked wherever they stand, also where a line ends within
them. Eight, since the shortest passphrase of a network has as many, so that every one is covered;
shorter pieces are words and numbers that stand in any log: to blank them would hide the log, and
tell by the gaps what the secret is. So a secret of less than eight bytes is not looked for at all.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Iterator

from provision.contract.line import ESCAPE

LEAST = 8
"""Bytes of a secret in a row that are blanked."""

MARK = b"[secret removed]"

_BASE64_LEAST = 10  # characters that eight bytes decide alone, wherever in a group they begin
_CARRIED = 64  # bytes of the lines before that are looked at: 16 hex digits, and what parts them

_SEPARATORS = re.compile(rb"0x|[ \t:,-]", re.IGNORECASE)
_PERCENT = re.compile(rb"%([0-9a-f]{2})", re.IGNORECASE)
_TO_BASE64 = bytes.maketrans(b"-_", b"+/")

_View = tuple[bytes, list[int]]
"""A line as it is searched, and for each byte of it where it stands in the line."""


class KnownSecrets:
    """The secrets of one run. Keeps pieces of them in memory, and gives none of them out."""

    def __init__(self) -> None:
        self._plain: set[bytes] = set()
        self._hex: set[bytes] = set()
        self._base64: set[bytes] = set()
        self._carried = b""

    def add(self, secret: bytes) -> None:
        """Look for a secret from now on."""
        joined = secret.replace(b"\r", b"").replace(b"\n", b"")  # as the lines of a log are joined
        for value in {secret, joined}:
            self._plain.update(_pieces(value.lower(), LEAST))
            if len(value) < LEAST:
                continue
            self._hex.update(_pieces(value.hex().encode(), 2 * LEAST))
            for shift in range(3):
                text = base64.b64encode(bytes(shift) + value)
                first, last = -(-8 * shift // 6), 8 * (shift + len(value)) // 6
                self._base64.update(_pieces(text[first:last], _BASE64_LEAST))

    def blank(self, line: bytes) -> bytes:
        """Return a line of log text, as it came, with a mark in place of what is known.

        Lines come in their order: what goes on from one to the next is found.
        """
        if not self._plain:
            return line
        before = len(self._carried)
        whole = self._carried + line
        text = _without(ESCAPE, whole)
        self._carried = text[0][-_CARRIED:]
        known = bytearray(len(whole))
        for view, pieces, size in self._views(text):
            searched, places = view
            for at in range(len(searched) - size + 1):
                if searched[at : at + size] in pieces:
                    first, last = places[at], places[at + size - 1]
                    known[first : last + 1] = b"\1" * (last + 1 - first)
        out = bytearray()
        for at in range(before, len(whole)):
            if not known[at]:
                out.append(whole[at])
            elif at == before or not known[at - 1]:
                out += MARK
        return bytes(out)

    def _views(self, text: _View) -> Iterator[tuple[_View, set[bytes], int]]:
        line, places = text
        lower = line.lower()
        yield (lower, places), self._plain, LEAST
        if b"%" in line or b"+" in line:
            decoded = _replaced(_PERCENT, text, lambda found: bytes.fromhex(found[1].decode()))
            yield (decoded[0].lower(), decoded[1]), self._plain, LEAST
            yield (decoded[0].lower().replace(b"+", b" "), decoded[1]), self._plain, LEAST
        digits = _without(_SEPARATORS, (lower, places))
        yield digits, self._hex, 2 * LEAST
        yield (line.translate(_TO_BASE64), places), self._base64, _BASE64_LEAST


def _pieces(text: bytes, size: int) -> Iterator[bytes]:
    for at in range(len(text) - size + 1):
        yield text[at : at + size]


def _without(pattern: re.Pattern[bytes], line: bytes | _View) -> _View:
    view = line if isinstance(line, tuple) else (line, list(range(len(line))))
    return _replaced(pattern, view, lambda _: b"")


def _replaced(
    pattern: re.Pattern[bytes], view: _View, by: Callable[[re.Match[bytes]], bytes]
) -> _View:
    """Return a view in which each match is one byte, or none; it stands where its last byte did."""
    line, places = view
    out, kept, end = bytearray(), list[int](), 0
    for found in pattern.finditer(line):
        out += line[end : found.start()]
        kept += places[end : found.start()]
        put = by(found)
        out += put
        kept += places[found.end() - 1 : found.end()] * len(put)
        end = found.end()
    return bytes(out + line[end:]), kept + places[end:]
