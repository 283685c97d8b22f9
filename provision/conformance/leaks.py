# SPDX-License-Identifier: MIT
"""Searches all that comes from a board for the secrets that the kit sent.

A secret is found in plain, in hexadecimal digits of either case, and in base64 of either alphabet
at each alignment, and so is any part of it that is long enough to be no chance.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator

PLAIN_PART = 8
"""Bytes of a secret, or of its encoding in `CODED_PART`, that make a find."""

CODED_PART = 12


class LeakSearch:
    """Knows what was sent; looks through what comes, however it is split."""

    def __init__(self) -> None:
        self._plain: set[bytes] = set()
        self._coded: set[bytes] = set()
        self._tail = b""
        self.secrets = 0

    def add(self, secret: bytes) -> None:
        """Look for this secret from now on. One of fewer than 8 bytes could be there by chance."""
        if len(secret) < PLAIN_PART:
            return
        self.secrets += 1
        self._plain |= set(_parts(secret, PLAIN_PART))
        for text in _encodings(secret):
            self._coded |= set(_parts(text, CODED_PART))

    def finds(self, data: bytes) -> bool:
        """Whether there is a secret in what came, this and the bytes before taken together."""
        joined = self._tail + data
        self._tail = joined[-(CODED_PART - 1) :]
        return self.finds_within(joined)

    def finds_within(self, whole: bytes) -> bool:
        """Whether there is a secret in these bytes by themselves, such as a decoded item."""
        return not self._plain.isdisjoint(_parts(whole, PLAIN_PART)) or not self._coded.isdisjoint(
            _parts(whole, CODED_PART)
        )


def _parts(data: bytes, size: int) -> Iterator[bytes]:
    return (data[at : at + size] for at in range(len(data) - size + 1))


def _encodings(secret: bytes) -> Iterator[bytes]:
    yield secret.hex().encode()
    yield secret.hex().upper().encode()
    for shift in range(3):
        for encode in (base64.b64encode, base64.urlsafe_b64encode):
            # What its neighbours have a share in is cut off: it differs from case to case.
            text = encode(bytes(shift) + secret + bytes(-(shift + len(secret)) % 3))
            yield text[4 if shift else 0 : len(text) - (4 if (shift + len(secret)) % 3 else 0)]
