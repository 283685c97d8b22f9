# SPDX-License-Identifier: MIT
"""Guards that the other tests run and would not miss: each test here was called for by a mutant."""

from __future__ import annotations

import base64
import ctypes as c
import dataclasses

import pytest

from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item
from provision.contract.table import Kind, Refusal
from provision.contract.table import MessageType as Type
from provision.schema.constraints import staged_digest
from provision.schema.declaration import Declaration
from provision.schema.model import Field
from tests.c_board.board import FELL_BACK, IS_SET, Stub
from tests.conformance.making import framed
from tests.stub.lockstep import TOKEN, messages, request
from tests.vectors.boards import declaration


class Asked(Stub):
    """A stub that was started, and is asked."""

    def __init__(
        self, library: c.CDLL, declared: str | Declaration, content: bytes | None = None
    ) -> None:
        if isinstance(declared, str):
            declared = declaration(declared)
        super().__init__(library, declared, content)
        assert self.start() == 0

    def answer(self, type_: int, body: dict[int, Item] | None = None) -> Message:
        """Return the one reply to a request."""
        (reply,) = messages(self.receive(request(type_, body)))
        return reply

    def stage(self, level: int) -> None:
        """Stage the one setting of the trial board."""
        reply = self.answer(Type.SET_FIELD, {1: "lamp.level", 2: level})
        assert reply.type == Type.SET_FIELD_REPLY

    def store(self, level: int) -> None:
        """Commit a set of the trial board."""
        self.stage(level)
        self.flash.operations = 0
        digest = staged_digest(self.model, {"lamp.level": level})
        token = bytes([level, *TOKEN[1:]])
        assert self.answer(Type.COMMIT, {1: 1, 2: digest, 3: token}).type == Type.COMMIT_REPLY

    @property
    def generation(self) -> int:
        """The generation in force."""
        generation = self.answer(Type.STATUS).body[8]
        assert isinstance(generation, int)
        return generation


@pytest.mark.parametrize("type_", [Type.COMMIT, Type.CONFIRM, Type.UNDO, Type.ERASE])
def test_nothing_is_sent_before_the_last_unit_is_programmed(library: c.CDLL, type_: Type) -> None:
    """A reply means that what it acknowledges outlives a loss of power from then on [6.5, 6.7]."""
    stub = Asked(library, "trial-board")
    stub.store(1)
    if type_ is not Type.COMMIT:
        stub.store(2)
        generation = stub.generation
        stub.flash.operations = 0
        assert stub.answer(type_, {1: generation}).type == type_ + 1
    assert stub.flash.operations
    assert stub.c.sent_at_change == 0


@pytest.mark.parametrize(("id_", "unused"), [(1, 2), (300, 4)])
def test_a_request_whose_pad_bits_are_not_zero_is_ignored(
    library: c.CDLL, id_: int, unused: int
) -> None:
    """A BODY has one spelling only [2.2]. Its CHECK is right, and its item is a request."""
    stub = Asked(library, "trial-board")
    item = encode_message(Message(1, Type.HELLO, id_))
    assert len(item) * 8 % 6 == 6 - unused
    alphabet = (
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"  # RFC 4648 table 2
    )
    body = base64.urlsafe_b64encode(item).decode().rstrip("=")
    others = [body[:-1] + alphabet[alphabet.index(body[-1]) | bits] for bits in range(1 << unused)]
    answered = [spelling for spelling in others if stub.receive(framed(spelling.encode()))]
    assert answered == [body]


@pytest.mark.parametrize("body", ["hAEBAaAA", "hAEBAaA=", "hAEBAaAAA"])
def test_a_request_with_a_character_too_many_is_ignored(library: c.CDLL, body: str) -> None:
    """A zero byte behind the item, padding, and a character that carries no whole byte."""
    stub = Asked(library, "trial-board")
    assert stub.receive(framed(b"hAEBAaA"))  # hello with id 1
    assert stub.receive(framed(body.encode())) == b""


def test_a_request_with_a_foreign_character_is_ignored(library: c.CDLL) -> None:
    """Wherever it stands, even where its bits would be those of what belongs there."""
    stub = Asked(library, "trial-board")
    body = b"hAEBAaA"
    for foreign in b"+/=*@[`{ .\x00\x7f\xff":
        for at in range(len(body)):
            assert stub.receive(framed(body[:at] + bytes([foreign]) + body[at + 1 :])) == b""


@pytest.mark.parametrize(
    ("item", "what"),
    [
        ("9a00010000", "an array of 2^16 items, of which none is there"),
        ("b98000", "a map of 2^15 pairs, which are 2^16 items"),
        ("ba80000000", "a map of 2^31 pairs, which are 2^32 items"),
        ("3a80000000", "the integer -2^31 - 1"),
        ("3affffffff", "the integer -2^32"),
    ],
)
def test_what_would_overflow_a_count_or_a_number_is_no_item(
    library: c.CDLL, item: str, what: str
) -> None:
    """Clause 3 bounds integers and admits no item that is not all there."""
    octets = bytes.fromhex(item)
    assert not library.pv_is_item(octets, len(octets)), what


@pytest.mark.parametrize("count", [2, 32])
def test_a_count_that_is_wrong_beside_a_right_digest_differs(library: c.CDLL, count: int) -> None:
    """Clause 6.5 has the board compare both: the digest alone is 32 bits of a guess."""
    stub = Asked(library, "trial-board")
    stub.stage(3)
    digest = staged_digest(stub.model, {"lamp.level": 3})
    reply = stub.answer(Type.COMMIT, {1: count, 2: digest, 3: TOKEN})
    assert (reply.type, reply.body) == (Type.REFUSAL, {1: Refusal.SET_DIFFERS})
    assert stub.generation == 0


def with_another(field: Field) -> Declaration:
    """Return the trial board with one more field, the last."""
    declared = declaration("trial-board")
    (section,) = declared.schema.sections
    section = dataclasses.replace(section, fields=(*section.fields, field))
    schema = dataclasses.replace(declared.schema, sections=(section,))
    return dataclasses.replace(declared, schema=schema)


def with_a_note(longest: int) -> Declaration:
    """Return the trial board with a text of so many bytes at most."""
    return with_another(Field("note", Kind.TEXT, "Note", maximum=longest))


def with_a_pause(unit: str | None) -> Declaration:
    """Return the trial board with a number in this unit."""
    return with_another(Field("pause", Kind.INTEGER, "Pause", maximum=100, unit=unit))


def test_a_stored_value_longer_than_its_field_writes_nothing_behind_the_settings(
    library: c.CDLL,
) -> None:
    """A firmware that allows less finds 30 bytes where it has room for 4, and falls back [10]."""
    older = Asked(library, with_a_note(30))
    staged: dict[str, int | str] = {"lamp.level": 7, "lamp.note": "n" * 30}
    for key, value in staged.items():
        assert older.answer(Type.SET_FIELD, {1: key, 2: value}).type == Type.SET_FIELD_REPLY
    digest = staged_digest(older.model, staged)
    assert older.answer(Type.COMMIT, {1: 2, 2: digest, 3: TOKEN}).type == Type.COMMIT_REPLY
    newer = Asked(library, with_a_note(4), older.content)
    assert newer.poll() == b""  # and looks at the guards around all memory
    assert newer.flags("lamp.level") & IS_SET
    assert newer.flags("lamp.note") & FELL_BACK


@pytest.mark.parametrize("kind", ["program", "erase"])
def test_flash_that_says_it_failed_is_believed_whatever_reads_back(
    library: c.CDLL, kind: str
) -> None:
    """Cells that the part itself doubts may read otherwise tomorrow: it is refused [6.5]."""
    stub = Asked(library, "trial-board")
    stub.store(1)
    stub.flash.doubted = getattr(stub.geometry, f"{kind}_unit")
    stub.stage(2)
    digest = staged_digest(stub.model, {"lamp.level": 2})
    reply = stub.answer(Type.COMMIT, {1: 1, 2: digest, 3: bytes(8)})
    assert (reply.type, reply.body) == (Type.REFUSAL, {1: Refusal.STORAGE})
    assert stub.generation == 1


def test_the_set_in_force_is_not_overwritten_for_want_of_another_slot(library: c.CDLL) -> None:
    """Rather a refusal than a moment in which a loss of power leaves no set [5.2]."""
    stub = Asked(library, "trial-board")
    stub.store(1)
    slot_size = stub.geometry.slot_size
    slots = [stub.content[at : at + slot_size] for at in range(0, 4 * slot_size, slot_size)]
    only = max(range(4), key=lambda slot: int.from_bytes(slots[slot][4:8], "little"))
    units = slot_size // stub.geometry.erase_unit
    stub.flash.worn_out = ~(((1 << units) - 1) << only * units)
    stub.stage(2)
    digest = staged_digest(stub.model, {"lamp.level": 2})
    reply = stub.answer(Type.COMMIT, {1: 1, 2: digest, 3: bytes(8)})
    assert (reply.type, reply.body) == (Type.REFUSAL, {1: Refusal.STORAGE})
    assert stub.content[only * slot_size :].startswith(slots[only])


@pytest.mark.parametrize("at", range(8))
def test_a_seal_that_is_wrong_in_any_byte_is_written_anew(library: c.CDLL, at: int) -> None:
    """It was cut short, and may read otherwise at the next start (STORAGE.md)."""
    stub = Asked(library, "trial-board")
    stub.store(1)
    before = stub.generation
    content = bytearray(stub.content)
    newest = content.index(b"PVR1" + before.to_bytes(4, "little"))
    content[content.index(b"SEAL", newest) + at] ^= 0x10
    again = Asked(library, "trial-board", bytes(content))
    assert again.generation == before + 1
    assert again.flags("lamp.level") & IS_SET


@pytest.mark.parametrize(("unit", "taken"), [("s", True), ("min", False), (None, False)])
def test_a_stored_number_of_another_unit_is_not_taken(
    library: c.CDLL, unit: str | None, taken: bool
) -> None:
    """Ninety seconds must not become ninety minutes by an update [10]."""
    older = Asked(library, with_a_pause("s"))
    staged: dict[str, int | str] = {"lamp.level": 7, "lamp.pause": 90}
    for key, value in staged.items():
        assert older.answer(Type.SET_FIELD, {1: key, 2: value}).type == Type.SET_FIELD_REPLY
    digest = staged_digest(older.model, staged)
    assert older.answer(Type.COMMIT, {1: 2, 2: digest, 3: TOKEN}).type == Type.COMMIT_REPLY
    newer = Asked(library, with_a_pause(unit), older.content)
    assert bool(newer.flags("lamp.pause") & IS_SET) is taken
    assert bool(newer.flags("lamp.pause") & FELL_BACK) is not taken
