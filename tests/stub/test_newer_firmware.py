# SPDX-License-Identifier: MIT
"""What the stub makes of a set that another version of its firmware has stored."""

from __future__ import annotations

import ctypes as c
import dataclasses

import pytest

from provision.contract.table import Characters, Kind, Run, Store
from provision.contract.table import MessageType as Type
from provision.schema.constraints import staged_digest
from provision.schema.declaration import Declaration
from provision.schema.model import Condition, Field, Schema, Section
from tests.c_board.board import FELL_BACK, IS_ACTIVE, IS_SET, CReader, Stub
from tests.stub.lockstep import TOKEN, AskedStub, messages, request
from tests.vectors.boards import declaration


def changed(declared: Declaration, section: int, *fields: Field) -> Declaration:
    """Return a newer firmware: a section has these fields beside, or instead of, its own."""
    sections = list(declared.schema.sections)
    old = sections[section]
    kept = tuple(one for one in old.fields if one.key not in {new.key for new in fields})
    sections[section] = dataclasses.replace(old, fields=(*kept, *fields))
    return dataclasses.replace(
        declared, schema=dataclasses.replace(declared.schema, sections=tuple(sections))
    )


def test_a_set_that_lacks_what_a_newer_firmware_requires(library: c.CDLL) -> None:
    """The store is incomplete, status names the field [6.6], and nothing is put into use."""
    old = declaration("trial-board")
    stored = AskedStub(library, old)
    stored.store(3)
    wanted = Field("colour", Kind.INTEGER, "Colour", required=True)
    stub = AskedStub(library, changed(old, 0, wanted), stored.content)
    body = stub.answer(Type.STATUS).body
    assert body[1] == Store.INCOMPLETE
    assert body[11] == "lamp.colour"
    assert body[3] == Run.IDLE
    assert stub.c.applies == 0


def test_a_value_that_fell_back_without_a_default_is_not_shown(library: c.CDLL) -> None:
    """Held is fell-back, and there is no value [6.3]."""
    old = declaration("trial-board")
    stored = AskedStub(library, old)
    stored.store(9)
    narrow = Field("level", Kind.INTEGER, "Level", minimum=0, maximum=5)
    stub = AskedStub(library, changed(old, 0, narrow), stored.content)
    assert ["lamp.level", 2] in stub.answer(Type.GET_VALUES, {1: 0}).body[3]
    assert stub.flags("lamp.level") & FELL_BACK


def test_a_condition_on_whether_a_field_has_a_value(library: c.CDLL) -> None:
    """An empty list of values holds when there is one in force [9.5]."""
    fields = (
        Field("level", Kind.INTEGER, "Level", minimum=0, maximum=9),
        Field(
            "extra",
            Kind.TEXT,
            "Extra",
            maximum=8,
            characters=Characters.ASCII,
            condition=Condition("lamp.level", ()),
        ),
    )
    declared = declaration("trial-board")
    schema = Schema("Lamp", (Section("lamp", "Lamp", fields),))
    stub = AskedStub(library, dataclasses.replace(declared, schema=schema))
    assert not stub.flags("lamp.extra") & IS_ACTIVE
    stub.store(4)
    assert stub.flags("lamp.extra") & IS_ACTIVE


def test_a_trial_of_an_older_firmware_is_kept_where_flash_fails(library: c.CDLL) -> None:
    """A firmware without trials keeps the set; where that cannot be written it still shows none."""
    old = declaration("trial-board")
    stub = AskedStub(library, old)
    stub.store(3)
    stub.store(4)
    assert stub.answer(Type.STATUS).body[1] == Store.TRIAL
    plain = dataclasses.replace(old, schema=dataclasses.replace(old.schema, trial=None))
    newer = Stub(library, plain, stub.content)
    newer.fail()
    assert newer.start() == 0
    (reply,) = messages(newer.receive(request(Type.STATUS)))
    assert reply.body[1] == Store.COMPLETE


def with_a_note(longest: int) -> Declaration:
    """Return the trial board with a text of so many bytes at most."""
    return changed(declaration("trial-board"), 0, Field("note", Kind.TEXT, "Note", maximum=longest))


def with_a_pause(unit: str | None) -> Declaration:
    """Return the trial board with a number in this unit."""
    return changed(
        declaration("trial-board"), 0, Field("pause", Kind.INTEGER, "Pause", maximum=100, unit=unit)
    )


def test_a_stored_value_longer_than_its_field_writes_nothing_behind_the_settings(
    library: c.CDLL,
) -> None:
    """A firmware that allows less finds 30 bytes where it has room for 4, and falls back [10]."""
    older = AskedStub(library, with_a_note(30))
    staged: dict[str, int | str] = {"lamp.level": 7, "lamp.note": "n" * 30}
    for key, value in staged.items():
        assert older.answer(Type.SET_FIELD, {1: key, 2: value}).type == Type.SET_FIELD_REPLY
    digest = staged_digest(older.model, staged)
    assert older.answer(Type.COMMIT, {1: 2, 2: digest, 3: TOKEN}).type == Type.COMMIT_REPLY
    newer = AskedStub(library, with_a_note(4), older.content)
    assert newer.poll() == b""  # and looks at the guards around all memory
    assert newer.flags("lamp.level") & IS_SET
    assert newer.flags("lamp.note") & FELL_BACK


@pytest.mark.parametrize(("unit", "taken"), [("s", True), ("min", False), (None, False)])
def test_a_stored_number_of_another_unit_is_not_taken(
    library: c.CDLL, unit: str | None, taken: bool
) -> None:
    """Ninety seconds must not become ninety minutes by an update [10]."""
    older = AskedStub(library, with_a_pause("s"))
    staged: dict[str, int | str] = {"lamp.level": 7, "lamp.pause": 90}
    for key, value in staged.items():
        assert older.answer(Type.SET_FIELD, {1: key, 2: value}).type == Type.SET_FIELD_REPLY
    digest = staged_digest(older.model, staged)
    assert older.answer(Type.COMMIT, {1: 2, 2: digest, 3: TOKEN}).type == Type.COMMIT_REPLY
    newer = AskedStub(library, with_a_pause(unit), older.content)
    assert bool(newer.flags("lamp.pause") & IS_SET) is taken
    assert bool(newer.flags("lamp.pause") & FELL_BACK) is not taken


def decode(stub: Stub, key: str, item: bytes) -> int:
    """Return the stub's refusal of an item as it would come from storage, whole or cut off."""
    memory = c.create_string_buffer(item, len(item))
    reader = CReader(at=c.addressof(memory), ready=len(item))
    number = stub.numbers[key]
    schema = stub.schema
    field = stub.fields[number]
    return not stub.library.pv_read_head(c.byref(reader)) or int(
        stub.library.pv_decode_value(
            c.byref(schema), c.byref(field), c.byref(reader), stub.staged.address
        )
    )


@pytest.mark.parametrize(
    ("key", "item"),
    [
        ("numbers.yes", b"\xf6"),  # null, which no message hands on as a value
        ("numbers.choice", b"\x64sl"),  # cut off
        ("words.text", b"\x63ab"),
        ("numbers.integer", b""),
    ],
)
def test_a_stored_value_that_is_none(library: c.CDLL, key: str, item: bytes) -> None:
    """What another firmware stored may be anything, and storage may fail in the middle."""
    stub = AskedStub(library, "board")
    assert decode(stub, key, item) != 0
    assert not any(stub.staged.bytes())
