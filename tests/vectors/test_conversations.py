# SPDX-License-Identifier: MIT
"""Conversations of shared/vectors with both boards, however their bytes arrive.

The replies expected were written from shared/protocol.md, and encoded by cbor2, base64 and the
package crc.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.vectors.boards import Maker, VectorBoard
from tests.vectors.files import Row, each

Chunks = Callable[[bytes], Iterator[bytes]]


def whole(line: bytes) -> Iterator[bytes]:
    """All at once."""
    yield line


def byte_by_byte(line: bytes) -> Iterator[bytes]:
    """Each byte by itself."""
    for byte in line:
        yield bytes([byte])


def behind_noise(line: bytes) -> Iterator[bytes]:
    """Log text before the line, some of it not ended, and half of a message."""
    yield b"frost watch: 4.5 C\r\n\xff~\x00~hAEB\rreading ~hAEBB6AKJIDNK@E"
    yield line


def before_noise(line: bytes) -> Iterator[bytes]:
    """Log text right behind the line, in the same bytes."""
    yield line + b"\x00frost watch: 4.5 C\r\n> "


def play(board: VectorBoard, steps: list[Row], chunks: Chunks) -> None:
    """Play the host's part; the first reply that differs fails, with its note."""
    for step in steps:
        if "host" in step:
            sent = b"".join(map(board.receive, chunks(bytes.fromhex(step["host"]))))
            assert sent.hex() == step["board"], step["note"]
        elif "restart" in step:
            board.restart(step["restart"])
        elif "update" in step:
            board.update(step["update"], step["boot"])
        elif "wait" in step:
            assert board.wait(step["wait"]) == b""
        elif "report" in step:
            board.report(step["report"])
        elif "found" in step:
            board.found(step["found"], done=step["done"])
        else:
            board.present(is_present=step["present"])


@pytest.mark.parametrize("chunks", [whole, byte_by_byte, behind_noise, before_noise])
@each("conversations")
def test_a_board_says_what_the_page_says(boards: Maker, vector: Row, chunks: Chunks) -> None:
    """Every reply of a conversation is the one expected, to the byte."""
    board = boards.board(vector["board"])
    play(board, vector["steps"], chunks)
    board.close()


@each("conversations")
def test_a_conversation_comes_true_again_from_the_same_board(boards: Maker, vector: Row) -> None:
    """A second board in the same process knows nothing of the first: no state is shared."""
    first, second = boards.board(vector["board"]), boards.board(vector["board"])
    play(first, vector["steps"], whole)
    play(second, vector["steps"], whole)
    first.close()
    second.close()
