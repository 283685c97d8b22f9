# SPDX-License-Identifier: MIT
"""Looks for secrets in whatever was written anywhere: as they are, encoded, in part, reversed.

Six characters of a secret in a row are a find. The secrets that the tests plant are random, so that
nothing else has six in a row by chance.
"""

from __future__ import annotations

import base64
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping

PART = 6
"""Bytes of a secret that make a find."""

_ALPHABETS: Mapping[str, Callable[[bytes], bytes]] = {
    "base64": base64.b64encode,
    "base64url": base64.urlsafe_b64encode,
}


class Canaries:
    """Secrets to look for; find() names those that it finds, and how they were written."""

    def __init__(self, secrets: Mapping[str, bytes]) -> None:
        """secrets: by name."""
        self._needles: dict[int, dict[bytes, str]] = defaultdict(dict)
        for name, secret in secrets.items():
            for form, needle in _needles(secret):
                self._needles[len(needle)].setdefault(needle, f"{name} ({form})")

    def find(self, written: bytes | str) -> list[str]:
        """Return which secrets are in what was written, and in which form, without repetition."""
        data = written.encode("utf-8", "surrogateescape") if isinstance(written, str) else written
        found: dict[str, None] = {}
        for size, needles in self._needles.items():
            for at in range(len(data) - size + 1):
                name = needles.get(data[at : at + size])
                if name is not None:
                    found[name] = None
        return list(found)

    def find_in_all(self, written: Iterable[tuple[str, bytes | str]]) -> list[str]:
        """Return the same for many things, each by name."""
        return [f"{where}: {what}" for where, text in written for what in self.find(text)]


def _needles(secret: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield every way in which any part of a secret can be written, with its name."""
    for at in range(len(secret) - PART + 1):
        part = secret[at : at + PART]
        yield "plain", part
        yield "reversed", part[::-1]
        if part.isascii():
            yield "upper case", part.upper()
            yield "lower case", part.lower()
        for form, text in (
            ("hex", part.hex()),
            ("hex, upper case", part.hex().upper()),
            ("hex, spaced", part.hex(" ")),
            ("hex, upper case, spaced", part.hex(" ").upper()),
            ("hex, colons", part.hex(":")),
            ("escaped", repr(part)[2:-1]),
            ("numbers", ", ".join(map(str, part))),
        ):
            yield form, text.encode()
        for name, encode in _ALPHABETS.items():
            for shift in range(3):
                yield f"{name}, shifted by {shift}", _in_base64(part, shift, encode)


def _in_base64(part: bytes, shift: int, encode: Callable[[bytes], bytes]) -> bytes:
    """Return the characters that this part alone decides, `shift` bytes after a multiple of 3."""
    text = encode(bytes(shift) + part + bytes(3))
    first = -(-8 * shift // 6)
    last = 8 * (shift + len(part)) // 6
    return text[first:last]
