# SPDX-License-Identifier: MIT
"""Many boards in a process of their own: each replays one recorded conversation at its baud rate.

    python -m scripts.bench.replay

From standard input comes one line of JSON: the boards' descriptors, which it inherits, the baud
rate, and for each request its line, its reply and the seconds that the board's flash takes. At the
end of the input it says how it went, and ends. A board answers what the request says, not when it
comes: under the request's own id, with a check of its own.
"""

from __future__ import annotations

import base64
import heapq
import itertools
import json
import os
import selectors
import sys
import time
from collections.abc import Mapping
from typing import Any

from provision.contract.line import Frame, LineReceiver, encode_line
from scripts.bench.virtual import BITS_PER_BYTE, LINE, PACKET

Replies = Mapping[tuple[int, bytes], tuple[bytes, float]]
"""From type and body of a request to its reply's type with its body, and the flash's seconds."""

_ID_AT = 3  # an item begins with the array's head, the version and the type, one byte each
_LATE = 0.010  # seconds; less than a host's scheduler may take is not worth counting


class Board:
    """One board: what it is sent, and until when its line is taken."""

    def __init__(self, end: int) -> None:
        self.end = end
        self.received = b""
        self.to_board_free = self.board_free = self.to_host_free = 0.0


class Boards:
    """All boards, and what they still have to send, by the time when."""

    def __init__(self, baud: int, replies: Replies) -> None:
        self._byte = BITS_PER_BYTE / baud
        self._replies = replies
        self._due: list[tuple[float, int, Board, bytes]] = []
        self._order = itertools.count()
        self.unknown = 0
        self.late = 0
        self.sent = 0

    def take(self, board: Board, data: bytes, now: float) -> None:
        """Take what the host sent to a board, and plan the replies."""
        board.received += data
        end = 0
        for found in LINE.finditer(board.received):
            end = found.end()
            request = found.group()
            board.to_board_free = max(now, board.to_board_free) + len(request) * self._byte
            reply, flash = self._reply(request)
            board.board_free = max(board.to_board_free, board.board_free) + flash
            start = max(board.board_free, board.to_host_free)
            board.to_host_free = start + len(reply) * self._byte
            for at in range(0, len(reply), PACKET):
                packet = reply[at : at + PACKET]
                when = start + (at + len(packet)) * self._byte
                heapq.heappush(self._due, (when, next(self._order), board, packet))
        board.received = board.received[end:]

    def send_due(self, now: float) -> float | None:
        """Send what is due; return the seconds until more is."""
        while self._due and self._due[0][0] <= now:
            when, _, board, packet = heapq.heappop(self._due)
            os.write(board.end, packet)
            self.sent += 1
            self.late += now - when > _LATE
        return self._due[0][0] - now if self._due else None

    def _reply(self, request: bytes) -> tuple[bytes, float]:
        (frame,) = LineReceiver().feed(request)
        assert isinstance(frame, Frame)
        kind, id_, body = split(frame.item)
        if (kind, body) not in self._replies:
            self.unknown += 1
            return b"", 0.0
        (reply, flash) = self._replies[kind, body]
        return encode_line(reply[:_ID_AT] + id_ + reply[_ID_AT:]), flash


def split(item: bytes) -> tuple[int, bytes, bytes]:
    """Return type, encoded id and encoded body of a message."""
    width = {0x18: 2, 0x19: 3}.get(item[_ID_AT], 1)  # RFC 8949 clause 3.1
    return item[2], item[_ID_AT : _ID_AT + width], item[_ID_AT + width :]


def replies_of(recorded: list[Any]) -> Replies:
    """Return the replies of a recording, their ids taken out."""
    replies = {}
    for request, reply, flash in recorded:
        kind, _, body = split(_item(request))
        item = _item(reply)
        _, _, reply_body = split(item)
        replies[kind, body] = (item[:_ID_AT] + reply_body, flash)
    return replies


def _item(line: str) -> bytes:
    body = line[2:-9]
    return base64.urlsafe_b64decode(body + "=" * (-len(body) % 4))


def main() -> None:
    """Serve boards until the input ends."""
    told = json.loads(sys.stdin.readline())
    boards = Boards(told["baud"], replies_of(told["exchanged"]))
    with selectors.DefaultSelector() as selector:
        selector.register(sys.stdin, selectors.EVENT_READ)
        for end in told["boards"]:
            selector.register(end, selectors.EVENT_READ, Board(end))
        _serve(selector, boards)
    print(json.dumps({"sent": boards.sent, "late": boards.late, "unknown": boards.unknown}))


def _serve(selector: selectors.BaseSelector, boards: Boards) -> None:
    while True:
        wait = boards.send_due(time.monotonic())
        for key, _ in selector.select(wait):
            if key.fileobj is sys.stdin:
                return
            board: Board = key.data
            boards.take(board, os.read(board.end, 4096), time.monotonic())


if __name__ == "__main__":
    main()
