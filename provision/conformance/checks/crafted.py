# SPDX-License-Identifier: MIT
"""Lines that no encoder makes: any BODY, any item, any length."""

from __future__ import annotations

import base64

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.wire import Body
from provision.contract.line import crc32c
from provision.contract.profile import encode
from provision.contract.table import (
    SKIPPABLE_FROM,
    MessageType,
)

STATUS = int(MessageType.STATUS)
_ALPHABET = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"


def framed(body: bytes) -> bytes:
    """Return a line with this BODY, whatever it is, and the CHECK that suits it."""
    check = bytes(0x40 + (crc32c(body) >> shift & 0xF) for shift in range(28, -4, -4))
    return b"\n~" + body + check + b"\n"


def carried(item: bytes) -> bytes:
    """Return a line that carries these bytes, whether an item or not."""
    return framed(base64.urlsafe_b64encode(item).rstrip(b"="))


def padded(board: BoardUnderTest, size: int) -> tuple[int, bytes]:
    """Return id and line of a status request whose item has `size` bytes: it has keys to skip."""
    id_ = board.next_id()
    for second in (None, 0):
        for pad in range(size):
            body: Body = {SKIPPABLE_FROM: bytes(pad)}
            if second is not None:
                body[SKIPPABLE_FROM + 1] = second
            item = encode([1, STATUS, id_, body])
            if len(item) == size:
                return id_, carried(item)
    raise AssertionError(f"no request has {size} bytes")
