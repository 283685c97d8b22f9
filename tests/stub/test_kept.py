# SPDX-License-Identifier: MIT
"""Values kept in flash alone: staged, stored, read in pieces, through power cuts and failures.

What a board has in force is asked of it as a firmware asks, by pv_read_kept. The promises are those
of STORAGE.md; that no secret stays behind is also test_wiping's subject, and that the conversation
is that of any board the kit's and the vectors', whose boards keep their certificates so.
"""

from __future__ import annotations

import ctypes as c
import random
from dataclasses import replace
from typing import Any

import pytest

from provision.conformance.refusals import wrong_details
from provision.contract.messages import Message
from provision.contract.profile import Item
from provision.contract.table import MessageType as Type
from provision.contract.table import Refusal
from provision.schema.constraints import staged_digest
from tests.c_board.abi import struct
from tests.c_board.board import Stub, Tear
from tests.stub.lockstep import messages, request
from tests.vectors.boards import declaration

DECLARED = declaration("board")
LONGEST = 600  # of octets.cert in board.toml
FIRST, SECOND = (random.Random(seed).randbytes(LONGEST) for seed in (1, 2))
PART = 200
TOKENS = [bytes([number]) * 8 for number in range(8)]
RUN = 12  # bytes of a value that are found nowhere by chance
GENERATION = 8  # key of status-reply


class Keeper(Stub):
    """A board whose certificate is kept in flash."""

    def __init__(
        self, library: c.CDLL, *, program_unit: int = 16, trial: int | None = None
    ) -> None:
        declared = replace(
            DECLARED,
            board=replace(DECLARED.board, program_unit=program_unit),
            schema=replace(DECLARED.schema, trial=trial),
        )
        super().__init__(library, declared, without=["survey"])
        self._values: dict[str, Any] = {}

    def ask(self, type_: Type, body: dict[int, Item]) -> Message | None:
        """Send a request; return the reply, None if the power went."""
        replies = messages(self.receive(request(type_, body)))
        return replies[-1] if replies else None

    def stage(self, certificate: bytes, end: int | None = None) -> Message | None:
        """Send it in parts, up to that byte; return the last reply."""
        reply = None
        size = len(certificate) if end is None else end
        for at in range(0, size, PART):
            part = certificate[at : min(at + PART, size)]
            body: dict[int, Item] = {1: "octets.cert", 3: at, 4: len(certificate), 5: part}
            reply = self.ask(Type.SET_FIELD, body)
            if reply is None or reply.type == Type.REFUSAL:
                return reply
        self._values["octets.cert"] = certificate
        return reply

    def stage_rest(self) -> None:
        """Stage what is required besides."""
        for key, value in (("net.name", b"orchard"), ("net.pass", "any passphrase")):
            self.ask(Type.SET_FIELD, {1: key, 2: value})
            self._values[key] = value

    def commit(self, token: bytes) -> Message | None:
        """Commit what is staged."""
        digest = staged_digest(self.model, self._values)
        reply = self.ask(Type.COMMIT, {1: len(self._values), 2: digest, 3: token})
        self._values.clear()
        return reply

    def store(self, certificate: bytes, token: bytes) -> Message | None:
        """Stage all and commit."""
        self.stage(certificate)
        self.stage_rest()
        return self.commit(token)

    def read(self, piece: int = 64) -> bytes | None:
        """Read the certificate in force as a firmware does, in pieces; None if there is none."""
        if not self.has("octets.cert"):
            return None
        number, read = self.numbers["octets.cert"], b""
        buffer = c.create_string_buffer(piece)
        while self._read(number, len(read), buffer, piece):
            read += buffer.raw
        while self._read(number, len(read), buffer, 1):
            read += buffer.raw[:1]
        return read

    def _read(self, number: int, offset: int, to: Any, size: int) -> bool:
        return bool(self.library.pv_read_kept(self.state.address, number, offset, to, size))

    def holds(self, certificate: bytes) -> bool:
        """Whether any part of it is in flash."""
        content = self.content
        return any(
            certificate[at : at + RUN] in content for at in range(0, len(certificate) - RUN, RUN)
        )

    def generation(self) -> int:
        """Return the generation in force."""
        reply = self.ask(Type.STATUS, {})
        assert reply is not None
        generation = reply.body[GENERATION]
        assert isinstance(generation, int)
        return generation


@pytest.fixture
def board(library: c.CDLL) -> Keeper:
    """Return one that was started."""
    made = Keeper(library)
    assert made.start_anew() == 0
    return made


def test_it_is_read_in_pieces_and_not_beyond_its_end(board: Keeper) -> None:
    """Each piece at its place; what goes beyond the end, or is of another field, is refused."""
    board.store(FIRST, TOKENS[0])
    assert board.read() == FIRST
    assert board.read(7) == FIRST
    number, buffer = board.numbers["octets.cert"], c.create_string_buffer(16)
    assert board._read(number, LONGEST, buffer, 0)
    assert not board._read(number, LONGEST - 15, buffer, 16)
    assert not board._read(number, LONGEST + 1, buffer, 0)
    assert not board._read(board.numbers["net.name"], 0, buffer, 1)
    assert not board._read(len(board.numbers), 0, buffer, 1)


def test_it_stays_when_something_else_changes_and_comes_back_with_an_undo(board: Keeper) -> None:
    """It moves from record to record with the rest."""
    board.store(FIRST, TOKENS[0])
    board.ask(Type.SET_FIELD, {1: "words.text", 2: "another length of what is stored before it"})
    board._values["words.text"] = "another length of what is stored before it"
    board.commit(TOKENS[1])
    assert board.read() == FIRST
    board.store(SECOND[:100], TOKENS[2])
    assert board.read() == SECOND[:100]
    assert board.start_anew() == 0
    assert board.read() == SECOND[:100]
    board.ask(Type.UNDO, {1: board.generation()})
    assert board.read() == FIRST
    board.ask(Type.SET_FIELD, {1: "octets.cert", 2: None})
    board._values["octets.cert"] = None
    board.commit(TOKENS[3])
    assert board.read() is None


def test_it_takes_at_most_128_bytes_of_ram(board: Keeper, library: c.CDLL) -> None:
    """Its members in both structs, and what struct pv has for all such values."""
    without = [
        replace(each, fields=tuple(field for field in each.fields if field.key != "cert"))
        for each in DECLARED.schema.sections
    ]
    schema = replace(DECLARED.schema, sections=tuple(without))
    less = Stub(library, replace(DECLARED, schema=schema))
    taken = 2 * (board.settings.size - less.settings.size)
    members = dict(struct("pv")._fields_)
    taken += sum(c.sizeof(members[name]) for name in ("staging", "staging_at", "aside_at"))
    assert 0 < taken <= 128


@pytest.mark.parametrize("unit", [1, 8, 256])
def test_a_part_goes_on_after_another_slot_was_written(library: c.CDLL, unit: int) -> None:
    """A trial that ends well in between is stored; the unit that was begun is put aside."""
    board = Keeper(library, program_unit=unit, trial=600)
    assert board.start_anew() == 0
    board.store(FIRST[:100], TOKENS[0])
    board.store(FIRST[:200], TOKENS[1])
    assert board.stage(FIRST, 2 * PART) is not None
    reply = board.ask(Type.CONFIRM, {1: board.generation()})
    assert reply is not None
    assert reply.type == Type.CONFIRM_REPLY
    part: dict[int, Item] = {1: "octets.cert", 3: 2 * PART, 4: LONGEST, 5: FIRST[2 * PART :]}
    reply = board.ask(Type.SET_FIELD, part)
    assert reply is not None
    assert reply.type == Type.SET_FIELD_REPLY
    board._values["octets.cert"] = FIRST
    reply = board.commit(TOKENS[2])
    assert reply is not None
    assert reply.type == Type.COMMIT_REPLY
    assert board.read() == FIRST


def test_a_value_begun_again_and_again_finds_room(board: Keeper) -> None:
    """A host that lost every reply starts a field anew, as often as it likes."""
    for _ in range(20):
        assert board.stage(SECOND, PART) is not None
    reply = board.store(FIRST, TOKENS[0])
    assert reply is not None
    assert reply.type == Type.COMMIT_REPLY
    assert board.read() == FIRST
    assert not board.holds(SECOND)


@pytest.mark.parametrize("first", range(0, 60, 3))
def test_flash_that_fails_is_told_and_the_old_value_stays(board: Keeper, first: int) -> None:
    """Wherever it begins: a part, a whole value or the commit is refused; later all is well."""
    board.store(FIRST, TOKENS[0])
    board.fail(board.flash.operations + first)
    replies = [board.stage(SECOND), board.commit(TOKENS[1])]
    stored = replies[1] is not None and replies[1].type == Type.COMMIT_REPLY
    assert board.read() == (SECOND if stored else FIRST)
    if not stored:
        codes = {reply.body[1] for reply in replies if reply and reply.type == Type.REFUSAL}
        assert codes & {Refusal.STORAGE}
    board.fail()
    board.flash.fail_from = board.flash.fail_to
    board.ask(Type.DISCARD, {1: 1})
    board.store(SECOND, TOKENS[2])
    assert board.read() == SECOND


@pytest.mark.parametrize("first", range(0, 40, 3))
def test_a_whole_value_that_cannot_be_written_leaves_nothing_of_the_field(
    board: Keeper, first: int
) -> None:
    """It is refused with `storage` and the field (clauses 6.4 and 7.1), and can be sent again."""
    board.ask(Type.SET_FIELD, {1: "octets.cert", 2: FIRST[:400]})
    board.fail(board.flash.operations + first)
    reply = board.ask(Type.SET_FIELD, {1: "octets.cert", 2: SECOND[:300]})
    board.fail()
    board.flash.fail_from = board.flash.fail_to
    assert reply is not None
    if reply.type == Type.REFUSAL:
        assert reply.body == {1: Refusal.STORAGE, 2: "octets.cert"}
        assert not list(wrong_details(reply, Type.SET_FIELD))
        status = board.ask(Type.STATUS, {})
        assert status is not None
        assert status.body[2] == 0  # fields that are staged
        board.ask(Type.SET_FIELD, {1: "octets.cert", 2: SECOND[:300]})
    board._values["octets.cert"] = SECOND[:300]
    board.stage_rest()
    board.commit(TOKENS[0])
    assert board.read() == SECOND[:300]


@pytest.mark.parametrize("tear", list(Tear), ids=lambda tear: tear.name.lower())
def test_power_cut_at_every_operation(library: c.CDLL, tear: Tear) -> None:
    """The old value or the new one, whole; and nothing of one that was only staged."""
    board = Keeper(library)
    board.start_anew()
    board.store(FIRST, TOKENS[0])
    before = board.content
    board.power()
    board.start_anew()
    started = board.flash.operations
    board.store(SECOND, TOKENS[1])
    operations = board.flash.operations
    assert operations > started + 2 * LONGEST // 16
    for operation in range(started, operations):
        board.power()
        board.load(before)
        board.power()
        board.start_anew()
        board.cut(operation, 5, tear)
        reply = board.store(SECOND, TOKENS[1])
        assert board.flash.dead
        board.power()
        board._values.clear()
        assert board.start_anew() == 0
        now = board.read()
        assert now in (FIRST, SECOND), f"cut at operation {operation}"
        if reply is not None:
            assert now == SECOND
        if now == FIRST:
            assert not board.holds(SECOND), f"cut at operation {operation}"
        board.store(SECOND, TOKENS[2])
        assert board.read() == SECOND
