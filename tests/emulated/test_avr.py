# SPDX-License-Identifier: MIT
"""The stub where `int` and `size_t` have 16 bits, beyond what tests/vectors shows of it.

The processor is an emulated 8-bit AVR with 16 KB of memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.contract.table import HelloReplyKey
from tests.stub.test_store import record
from tests.vectors import avr
from tests.vectors.avr import AvrBoard
from tests.vectors.boards import declaration
from tests.vectors.files import rows
from tests.vectors.talk import ask
from tests.vectors.test_conversations import play, whole

pytestmark = [
    pytest.mark.needs("gcc"),
    pytest.mark.skipif(avr.why_not() is not None, reason=avr.why_not() or ""),
]

STACK = 1024
"""Bytes: what firmware_stub/README.md tells people to leave."""


@pytest.fixture(scope="module")
def emulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the emulator."""
    return avr.emulator(tmp_path_factory.mktemp("emulator"))


@pytest.fixture(scope="module")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return the firmware of the board with a field of every kind, by its schema."""
    return {"board": avr.image("board", tmp_path_factory.mktemp("board"))}


@pytest.mark.parametrize(("announced", "is_set"), [(8, True), (0x10008, False)])
def test_what_a_head_announces_does_not_lose_its_upper_half(
    emulator: Path, firmware: dict[str, Path], announced: int, is_set: bool
) -> None:
    """A key of 65,544 bytes is not one of 8: a set that another firmware wrote so is none."""
    head = b"\x68" if announced == 8 else b"\x7a" + announced.to_bytes(4, "big")
    entry = b"\x83" + head + b"net.name" + b"\x08" + b"\x47orchard"  # key, tag, value
    made = record(entry)
    header, seal = made[:48], made[-8:]
    slot = header + entry.ljust(32, b"\xff") + seal  # program units of 16
    geometry = declaration("board").board
    content = slot.ljust(geometry.settings_size, b"\xff")
    board = AvrBoard("vector", emulator, firmware, content)
    token = ask(board, "hello", {}).body[HelloReplyKey.TOKEN]
    board.close()
    assert token == (b"a token." if is_set else None)


def test_a_kilobyte_is_enough_for_the_stack(emulator: Path, firmware: dict[str, Path]) -> None:
    """In the conversations with the deepest calls: a start, a commit, an undo, a page of values."""
    deepest = 0
    for vector in rows("conversations"):
        if vector["id"] in {"first-provisioning", "every-kind", "undo"}:
            board = AvrBoard(vector["board"], emulator, firmware)
            play(board, vector["steps"], whole)
            board.close()
            deepest = max(deepest, board.stack)
    assert 0 < deepest <= STACK
