# SPDX-License-Identifier: MIT
"""The store on a platform that keeps one record by itself: what STORAGE.md promises of it.

A pretended platform loses power and fails in every call; and the example that keeps the record in a
file does so in a real folder.
"""

from __future__ import annotations

import ctypes as c
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from provision.contract.messages import Message
from provision.contract.profile import Item
from provision.contract.table import MessageType as Type
from provision.contract.table import Refusal
from provision.schema.constraints import staged_digest
from tests.c_board.board import STUB, Stub, build
from tests.stub.lockstep import messages, request
from tests.vectors.boards import declaration

DECLARED = declaration("trial-board")
FIRST, SECOND, THIRD = "Lower orchard", "Upper orchard", "Walnut meadow"
TOKENS = {text: text.encode()[:8] for text in (FIRST, SECOND, THIRD)}


class Keeper(Stub):
    """A board on a platform's own store."""

    def __init__(self, library: c.CDLL) -> None:
        super().__init__(library, DECLARED, platform=True, without=["survey"])

    def ask(self, type_: Type, body: dict[int, Item]) -> Message | None:
        """Send a request; return the reply, None if the power went."""
        replies = messages(self.receive(request(type_, body)))
        return replies[-1] if replies else None

    def store(self, text: str) -> Message | None:
        """Store a set in which the one text is this."""
        values: dict[str, Any] = {"lamp.level": 3, "lamp.name": text}
        for key, value in values.items():
            self.ask(Type.SET_FIELD, {1: key, 2: value})
        digest = staged_digest(self.model, values)
        return self.ask(Type.COMMIT, {1: len(values), 2: digest, 3: TOKENS[text]})

    def told(self) -> str | None:
        """Return the text in force, as a host reads it."""
        reply = self.ask(Type.GET_VALUES, {1: 0})
        assert reply is not None
        entries = reply.body[3]
        assert isinstance(entries, list)
        values = {entry[0]: entry[2] for entry in entries if len(entry) > 2}  # type: ignore[index,arg-type]
        token = self.ask(Type.HELLO, {})
        assert token is not None
        value = values.get("lamp.name")
        if value is not None:
            assert token.body[15] == TOKENS[str(value)]
        return None if value is None else str(value)

    def restart(self) -> None:
        """Take the power and give it back."""
        self.power()
        self.c.next_size = 0  # the platform forgets what was not finished
        assert self.start_anew() == 0


@pytest.fixture
def board(library: c.CDLL) -> Keeper:
    """Return one that was started, and holds nothing."""
    made = Keeper(library)
    assert made.start_anew() == 0
    return made


def done(reply: Message | None) -> bool:
    """Whether a commit was acknowledged."""
    return reply is not None and reply.type == Type.COMMIT_REPLY


def test_what_is_stored_is_there_at_the_next_start(board: Keeper) -> None:
    """With its token; an erase leaves no value in what is kept."""
    assert board.told() is None
    assert done(board.store(FIRST))
    assert done(board.store(SECOND))
    board.restart()
    assert board.told() == SECOND
    assert FIRST.encode() not in board.content
    reply = board.ask(Type.ERASE, {1: 2})
    assert reply is not None
    assert reply.type == Type.ERASE_REPLY
    assert SECOND.encode() not in board.content
    board.restart()
    assert board.told() is None
    status = board.ask(Type.STATUS, {})
    assert status is not None
    assert status.body[8] == 3  # the generation


@pytest.mark.parametrize("kept", [0, 1], ids=["before it is kept", "after it is kept"])
def test_power_cut_in_every_call(library: c.CDLL, kept: int) -> None:
    """The old set or the new one is in force at the next start, and takes a further one."""
    operation, went_through = 0, False
    seen = set()
    while not went_through:
        board = Keeper(library)
        board.start_anew()
        board.store(FIRST)
        board.restart()
        board.cut(operation, kept, 0)
        went_through = done(board.store(SECOND))
        board.restart()
        seen.add(board.told())
        assert board.told() in (FIRST, SECOND)
        assert not went_through or board.told() == SECOND
        assert done(board.store(THIRD))
        board.restart()
        assert board.told() == THIRD
        operation += 1
    assert operation > 10
    assert seen == {FIRST, SECOND}


def test_a_call_that_fails_is_told_and_changes_nothing(library: c.CDLL) -> None:
    """Each call in turn: the commit is refused with `storage`, and goes through when repeated."""
    operation, went_through = 0, False
    while not went_through:
        board = Keeper(library)
        board.start_anew()
        board.store(FIRST)
        board.restart()
        board.fail(operation, operation + 1)
        reply = board.store(SECOND)
        went_through = done(reply)
        if not went_through:
            assert reply is not None
            assert reply.body[1] == Refusal.STORAGE
            assert board.told() == FIRST
            board.restart()
            assert board.told() == FIRST
            assert done(board.store(SECOND))
        assert board.told() == SECOND
        operation += 1
    assert operation > 10


def test_a_read_that_is_wrong_once_changes_nothing(library: c.CDLL) -> None:
    """A start reads again, whatever bit of whatever read is wrong, or where one fails."""
    reads = 0
    for bit in (0, 77, 0xFFFFFFFF):
        board = Keeper(library)
        board.start_anew()
        board.store(FIRST)
        board.restart()
        reads = board.flash.reads
        assert reads >= 3
        for number in range(reads):
            board.power()
            board.flash.wrong_read, board.flash.wrong_bit = number, bit
            assert board.start_anew() == 0
            board.flash.wrong_read = 0xFFFFFFFF
            assert board.told() == FIRST


def test_what_cannot_be_read_counts_as_nothing(board: Keeper) -> None:
    """Never as a set of which a part is missing; and a new one is taken."""
    board.store(FIRST)
    for at in range(0, board.c.kept_size, 3):
        whole = board.content
        broken = bytearray(whole)
        broken[at] ^= 0x10
        board.load(bytes(broken))
        board.restart()
        assert board.told() is None
        board.load(whole)
    board.restart()
    assert board.told() == FIRST
    board.flash.fail_reads = 0
    assert board.start_anew() == 0
    board.flash.fail_reads = 0xFFFFFFFF
    assert board.told() is None
    assert done(board.store(SECOND))
    board.restart()
    assert board.told() == SECOND


# ------------------------------------------------------------------ the example, in a real folder


@pytest.fixture(scope="module")
def with_files(tmp_path_factory: pytest.TempPathFactory) -> c.CDLL:
    """Return the stub with the store that keeps the record in a file."""
    source = STUB / "ports" / "file" / "file_store.c"
    library = build(tmp_path_factory.mktemp("files"), source)
    library.file_store_begin.argtypes = [c.c_char_p]
    library.file_store_begin.restype = c.c_bool
    return library


@pytest.fixture
def filed(with_files: c.CDLL, tmp_path: Path) -> Iterator[Keeper]:
    """Return a board that keeps its record in a folder."""
    board = Keeper(with_files)
    board.config.platform = c.addressof(c.c_char.in_dll(with_files, "file_store"))
    assert with_files.file_store_begin(os.fsencode(tmp_path))
    assert board.start_anew() == 0
    yield board
    tmp_path.chmod(0o700)


def test_a_file_keeps_the_settings(filed: Keeper, tmp_path: Path) -> None:
    """One file, which nobody else may read; what a run that was cut short left is taken away."""
    assert done(filed.store(FIRST))
    assert done(filed.store(SECOND))
    assert [path.name for path in tmp_path.iterdir()] == ["settings"]
    assert (tmp_path / "settings").stat().st_mode & 0o077 == 0
    (tmp_path / "settings.next").write_bytes(b"half a record with a secret")
    assert filed.library.file_store_begin(os.fsencode(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["settings"]
    assert filed.start_anew() == 0
    assert filed.told() == SECOND


def test_a_file_that_cannot_be_written_keeps_the_old_settings(
    filed: Keeper, tmp_path: Path
) -> None:
    """A folder where the next file's name is taken refuses; and takes the set when it is free."""
    assert done(filed.store(FIRST))
    (tmp_path / "settings.next").mkdir()
    reply = filed.store(SECOND)
    assert reply is not None
    assert reply.body[1] == Refusal.STORAGE
    assert filed.told() == FIRST
    (tmp_path / "settings.next").rmdir()
    assert done(filed.store(SECOND))
    assert filed.start_anew() == 0
    assert filed.told() == SECOND


def test_a_folder_that_is_not_there_is_told(with_files: c.CDLL, tmp_path: Path) -> None:
    """file_store_begin says so."""
    assert not with_files.file_store_begin(os.fsencode(tmp_path / "no-such-folder"))
