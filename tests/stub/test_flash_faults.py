# SPDX-License-Identifier: MIT
"""Flash that fails, claims success, or is worn: nothing is acknowledged that it does not hold."""

from __future__ import annotations

import ctypes as c

import pytest

from provision.contract.table import MessageType as Type
from provision.contract.table import Refusal, Run, Store
from provision.schema.constraints import staged_digest
from tests.c_board.board import IS_SET
from tests.stub.lockstep import TOKEN, AskedStub


@pytest.mark.parametrize("type_", [Type.COMMIT, Type.CONFIRM, Type.UNDO, Type.ERASE])
def test_nothing_is_sent_before_the_last_unit_is_programmed(library: c.CDLL, type_: Type) -> None:
    """A reply means that what it acknowledges outlives a loss of power from then on [6.5, 6.7]."""
    stub = AskedStub(library, "trial-board")
    stub.store(1)
    if type_ is not Type.COMMIT:
        stub.store(2)
        generation = stub.generation
        stub.flash.operations = 0
        assert stub.answer(type_, {1: generation}).type == type_ + 1
    assert stub.flash.operations
    assert stub.c.sent_at_change == 0


def test_a_commit_that_cannot_be_written(library: c.CDLL) -> None:
    """It is refused, what was in force stays, and what was staged stays staged [6.5]."""
    stub = AskedStub(library, "trial-board")
    stub.store(3)
    assert stub.answer(Type.SET_FIELD, {1: "lamp.level", 2: 4}).type == Type.SET_FIELD_REPLY
    stub.fail()
    commit = {1: 1, 2: staged_digest(stub.model, {"lamp.level": 4}), 3: TOKEN}
    assert stub.answer(Type.COMMIT, commit).body == {1: Refusal.STORAGE}
    assert stub.answer(Type.STATUS).body[2] == 1
    assert ["lamp.level", 1, 3] in stub.answer(Type.GET_VALUES, {1: 0}).body[3]


def test_a_proven_trial_that_cannot_be_kept_yet(library: c.CDLL) -> None:
    """It goes on for as long again, and is kept once flash can be written [5.4]."""
    stub = AskedStub(library, "trial-board")
    stub.store(3)
    stub.store(4)
    stub.fail()
    stub.report(Run.PROVEN)
    stub.poll()
    assert stub.answer(Type.STATUS).body[1] == Store.TRIAL
    stub.fail(0, 0)
    stub.now_ms += 60_000
    stub.poll()
    assert stub.answer(Type.STATUS).body[1] == Store.COMPLETE
    assert ["lamp.level", 1, 4] in stub.answer(Type.GET_VALUES, {1: 0}).body[3]


@pytest.mark.parametrize("kind", ["program", "erase"])
def test_flash_that_says_it_failed_is_believed_whatever_reads_back(
    library: c.CDLL, kind: str
) -> None:
    """Cells that the part itself doubts may read otherwise tomorrow: it is refused [6.5]."""
    stub = AskedStub(library, "trial-board")
    stub.store(1)
    stub.flash.doubted = getattr(stub.geometry, f"{kind}_unit")
    stub.stage(2)
    digest = staged_digest(stub.model, {"lamp.level": 2})
    reply = stub.answer(Type.COMMIT, {1: 1, 2: digest, 3: bytes(8)})
    assert (reply.type, reply.body) == (Type.REFUSAL, {1: Refusal.STORAGE})
    assert stub.generation == 1


def test_the_set_in_force_is_not_overwritten_for_want_of_another_slot(library: c.CDLL) -> None:
    """Rather a refusal than a moment in which a loss of power leaves no set [5.2]."""
    stub = AskedStub(library, "trial-board")
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
    stub = AskedStub(library, "trial-board")
    stub.store(1)
    before = stub.generation
    content = bytearray(stub.content)
    newest = content.index(b"PVR1" + before.to_bytes(4, "little"))
    content[content.index(b"SEAL", newest) + at] ^= 0x10
    again = AskedStub(library, "trial-board", bytes(content))
    assert again.generation == before + 1
    assert again.flags("lamp.level") & IS_SET
