# SPDX-License-Identifier: MIT
"""What the other tests of the stub do not reach: with these `make branches` misses no branch.

Refused configurations, boards without what is optional, sets that a newer firmware finds
incomplete, flash that fails, and the corners of CBOR, URLs and TZ strings.
"""

from __future__ import annotations

import ctypes as c
import dataclasses
from typing import Any

import pytest

from provision.board.state import Network
from provision.contract.digest import staged_digest as digest
from provision.contract.table import Capability, Characters, Kind, Refusal, Run, Security, Store
from provision.contract.table import MessageType as Type
from provision.schema.declaration import Declaration
from provision.schema.model import Condition, Field, Schema, Section, Value
from provision.schema.values import check_value
from tests.c_board.board import FELL_BACK, IS_ACTIVE, CConfig, CReader, Stub
from tests.stub.lockstep import TOKEN, Lockstep, in_lockstep, messages, request
from tests.vectors.boards import declaration

ERROR_CONFIG, ERROR_VERSION, ERROR_SPACE = -1, -2, -3  # PV_ERROR_ of pv.h


def board(library: c.CDLL, declared: Declaration, content: bytes | None = None) -> Stub:
    """Return the stub with a declaration, started; content: of the flash, as it was left."""
    stub = Stub(library, declared, content)
    assert stub.start() == 0
    return stub


def ask(stub: Stub, type_: int, body: dict[int, Any] | None = None) -> Any:
    """Return the one reply to a request."""
    (reply,) = messages(stub.receive(request(type_, body)))
    return reply


def changed(declared: Declaration, section: int, *fields: Field) -> Declaration:
    """Return a newer firmware: a section has these fields beside, or instead of, its own."""
    sections = list(declared.schema.sections)
    old = sections[section]
    kept = tuple(one for one in old.fields if one.key not in {new.key for new in fields})
    sections[section] = dataclasses.replace(old, fields=(*kept, *fields))
    return dataclasses.replace(
        declared, schema=dataclasses.replace(declared.schema, sections=tuple(sections))
    )


def store_level(stub: Stub, level: int) -> None:
    """Store a set of the trial board."""
    assert ask(stub, Type.SET_FIELD, {1: "lamp.level", 2: level}).type == Type.SET_FIELD_REPLY
    commit = {1: 1, 2: digest([("lamp.level", level)]), 3: bytes([level]) * 8}
    assert ask(stub, Type.COMMIT, commit).type == Type.COMMIT_REPLY


# ------------------------------------------------------------------ what pv.h says of a pv_config

NULL = None
WRONG: list[tuple[str, int | None]] = [
    ("flash", NULL), ("settings", NULL), ("staged", NULL), ("line", NULL), ("unit", NULL),
    ("write", NULL), ("clock", NULL), ("unit_id", NULL),
    ("line_size", 128 + 7), ("line_size", 655 + 9), ("credit", 655 + 8 + 2),
    ("unit_id_size", 0), ("unit_id_size", 17), ("commit_time", 60_001), ("erase_time", 60_001),
    ("apply_time", 600_001), ("listens", 3_600_001),
]  # fmt: skip


@pytest.mark.parametrize(("member", "value"), WRONG)
def test_a_config_out_of_its_limits_is_refused(
    library: c.CDLL, member: str, value: int | None
) -> None:
    """pv_start says so and touches nothing; at the limits it starts."""
    stub = Stub(library, declaration("board"))
    kind: Any = dict(CConfig._fields_)[member]
    setattr(stub.config, member, kind() if value is NULL else value)
    assert stub.start() == ERROR_CONFIG
    assert not any(stub.state.bytes())


GEOMETRIES = [
    ("slot_count", 1), ("slot_count", 9), ("program_unit", 0), ("program_unit", 257),
    ("erase_unit", 0), ("slot_size", 0), ("slot_size", 4096 + 16), ("erase_unit", 24),
]  # fmt: skip


@pytest.mark.parametrize(("member", "value"), GEOMETRIES)
def test_a_flash_out_of_its_limits_is_refused(library: c.CDLL, member: str, value: int) -> None:
    """Slots, units, and whether they divide."""
    stub = Stub(library, declaration("board"))
    if value == 24:  # divides the slot, and is no multiple of the program unit
        stub.geometry.slot_size = 24 * 341
    setattr(stub.geometry, member, value)
    assert stub.start() == ERROR_CONFIG


def test_a_flash_too_small_for_the_largest_set_is_refused(library: c.CDLL) -> None:
    """pv_start says so [pv.h], and the firmware's part is not told to put anything into use."""
    stub = Stub(library, declaration("board"))
    stub.geometry.slot_size = stub.geometry.erase_unit
    stub.schema.largest_payload = stub.geometry.slot_size
    assert stub.start() == ERROR_SPACE
    assert stub.c.applies == 0


def test_code_generated_for_another_stub_is_refused(library: c.CDLL) -> None:
    """It may have other structs."""
    stub = Stub(library, declaration("board"))
    stub.schema.stub_version = 2
    assert stub.start() == ERROR_VERSION


@pytest.mark.parametrize("name", ["board", "trial-board"])
def test_two_slots_offer_no_way_back(library: c.CDLL, name: str) -> None:
    """Neither undo nor a trial; what needs no older set is offered all the same."""
    declared = declaration(name)
    declared = dataclasses.replace(declared, board=dataclasses.replace(declared.board, slots=2))
    offered = ask(board(library, declared), Type.HELLO).body[14]
    assert not offered & (Capability.UNDO | Capability.TRIAL)
    assert offered & Capability.ERASE


def test_a_firmware_without_apply_and_restart(library: c.CDLL) -> None:
    """Restart is not offered; a set in force is `not-reported` by itself [pv.h]."""
    stub = Stub(library, declaration("trial-board"), without=["apply", "restart"])
    assert stub.start() == 0
    assert ask(stub, Type.STATUS).body[3] == Run.IDLE
    store_level(stub, 3)
    assert ask(stub, Type.STATUS).body[3] == Run.NOT_REPORTED
    assert ask(stub, Type.RESTART, {1: 1}).body == {1: Refusal.NOT_OFFERED}


def test_has_of_a_number_beyond_the_fields(library: c.CDLL) -> None:
    """There is no such field."""
    stub = board(library, declaration("board"))
    assert not library.pv_has(stub.state.address, len(stub.fields))


# ------------------------------------------------------------------ what a newer firmware finds


def test_a_set_that_lacks_what_a_newer_firmware_requires(library: c.CDLL) -> None:
    """The store is incomplete, status names the field [6.6], and nothing is put into use."""
    old = declaration("trial-board")
    stored = board(library, old)
    store_level(stored, 3)
    wanted = Field("colour", Kind.INTEGER, "Colour", required=True)
    stub = board(library, changed(old, 0, wanted), stored.content)
    body = ask(stub, Type.STATUS).body
    assert body[1] == Store.INCOMPLETE
    assert body[11] == "lamp.colour"
    assert body[3] == Run.IDLE
    assert stub.c.applies == 0


def test_a_value_that_fell_back_without_a_default_is_not_shown(library: c.CDLL) -> None:
    """Held is fell-back, and there is no value [6.3]."""
    old = declaration("trial-board")
    stored = board(library, old)
    store_level(stored, 9)
    narrow = Field("level", Kind.INTEGER, "Level", minimum=0, maximum=5)
    stub = board(library, changed(old, 0, narrow), stored.content)
    assert ["lamp.level", 2] in ask(stub, Type.GET_VALUES, {1: 0}).body[3]
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
    stub = board(library, dataclasses.replace(declared, schema=schema))
    assert not stub.flags("lamp.extra") & IS_ACTIVE
    store_level(stub, 4)
    assert stub.flags("lamp.extra") & IS_ACTIVE


def test_a_trial_of_an_older_firmware_is_kept_where_flash_fails(library: c.CDLL) -> None:
    """A firmware without trials keeps the set; where that cannot be written it still shows none."""
    old = declaration("trial-board")
    stub = board(library, old)
    store_level(stub, 3)
    store_level(stub, 4)
    assert ask(stub, Type.STATUS).body[1] == Store.TRIAL
    plain = dataclasses.replace(old, schema=dataclasses.replace(old.schema, trial=None))
    stub = Stub(library, plain, stub.content)
    stub.fail()
    assert stub.start() == 0
    assert ask(stub, Type.STATUS).body[1] == Store.COMPLETE


# ------------------------------------------------------------------ flash that fails


def test_a_commit_that_cannot_be_written(library: c.CDLL) -> None:
    """It is refused, what was in force stays, and what was staged stays staged [6.5]."""
    stub = board(library, declaration("trial-board"))
    store_level(stub, 3)
    assert ask(stub, Type.SET_FIELD, {1: "lamp.level", 2: 4}).type == Type.SET_FIELD_REPLY
    stub.fail()
    commit = {1: 1, 2: digest([("lamp.level", 4)]), 3: TOKEN}
    assert ask(stub, Type.COMMIT, commit).body == {1: Refusal.STORAGE}
    assert ask(stub, Type.STATUS).body[2] == 1
    assert ["lamp.level", 1, 3] in ask(stub, Type.GET_VALUES, {1: 0}).body[3]


def test_a_proven_trial_that_cannot_be_kept_yet(library: c.CDLL) -> None:
    """It goes on for as long again, and is kept once flash can be written [5.4]."""
    stub = board(library, declaration("trial-board"))
    store_level(stub, 3)
    store_level(stub, 4)
    stub.fail()
    stub.report(Run.PROVEN)
    stub.poll()
    assert ask(stub, Type.STATUS).body[1] == Store.TRIAL
    stub.fail(0, 0)
    stub.now_ms += 60_000
    stub.poll()
    assert ask(stub, Type.STATUS).body[1] == Store.COMPLETE
    assert ["lamp.level", 1, 4] in ask(stub, Type.GET_VALUES, {1: 0}).body[3]


# ------------------------------------------------------------------ replies


@pytest.mark.parametrize("octets", [b"\x7f\0\0\x01", b"\xfd" * 16])
def test_an_address_is_shown(library: c.CDLL, octets: bytes) -> None:
    """Of 4 or 16 bytes [6.6]; of another length it is none."""
    stub = board(library, declaration("board"))
    for size in (len(octets), len(octets) - 1):
        stub.report_address(octets[:size])
        body = ask(stub, Type.STATUS).body
        assert body.get(7) == (octets if size == len(octets) else None)


def test_lines_of_every_length_are_sent_whole(library: c.CDLL) -> None:
    """However they fall into pieces for the port; none is a multiple of a piece."""
    stub = board(library, declaration("board"))
    lengths = set()
    for length in range(1, 97):
        reply = stub.receive(request(Type.GET_SCHEMA, {1: 0, 2: length}))
        assert len(messages(reply)[0].body[2]) == length  # type: ignore[arg-type]
        lengths.add(len(reply) % 4)
    assert lengths == {1, 2, 3}


def test_at_most_64_networks_come_in_a_reply(library: c.CDLL) -> None:
    """Where more would fit into the line [11.2]; the boards agree."""
    both = in_lockstep(library, "board")
    both.ask(Type.SURVEY)
    found = [(bytes([number]), -1, Security.OPEN) for number in range(70)]
    both.stub.found(found)
    both.board.found([Network(*each) for each in found], done=True)
    assert len(both.ask(Type.SURVEY, {1: 1}).body[5]) == 64  # type: ignore[arg-type]


def test_scans_are_numbered_from_1_to_255_and_again_from_1(library: c.CDLL) -> None:
    """A number tells scans apart [6.8]."""
    both = in_lockstep(library, "board")
    for number in [*range(1, 256), 1]:
        assert both.ask(Type.SURVEY).body[1] == number
        both.stub.found([])
        both.board.found([], done=True)


# ------------------------------------------------------------------ CBOR and values


def test_no_item_is_longer_than_a_line_carries(library: c.CDLL) -> None:
    """491 bytes are the most [2.3]."""
    largest = 655 * 3 // 4
    for size in (largest - 3, largest - 2):
        item = b"\x59" + size.to_bytes(2, "big") + bytes(size)
        assert library.pv_is_item(item, len(item)) is (len(item) <= largest)


def test_a_reader_that_failed_reads_nothing_more(library: c.CDLL) -> None:
    """Not even no bytes at all."""
    memory = c.create_string_buffer(b"\x18\x01")
    reader = CReader(memory=c.addressof(memory), left=2)
    head = (c.c_uint32 * 2)()
    assert not library.pv_read_head(c.byref(reader), head)  # 1 has a shorter form
    assert reader.failed
    assert not library.pv_read(c.byref(reader), None, 0)


def test_items_announced_in_storage_do_not_wrap(library: c.CDLL) -> None:
    """In a slot above 64 KB arrays may announce 2³² items in all; none of that is a value."""
    heads = 8591  # of maps within one another: so many pairs in all that the sum wraps to none left
    pairs = (2**32 + heads - 1) // 2
    counts = [pairs // heads] * (heads - 1)
    counts.append(pairs - sum(counts))
    octets = b"".join(b"\xba" + count.to_bytes(4, "big") for count in counts)
    memory = c.create_string_buffer(octets + bytes(300_000 - len(octets)))
    reader = CReader(memory=c.addressof(memory), left=300_000)
    assert max(counts) < 300_000 - len(octets)  # none of them is refused by itself
    assert not library.pv_skip_value(c.byref(reader))


def decode(stub: Stub, key: str, item: bytes) -> int:
    """Return the stub's refusal of an item as it would come from storage, whole or cut off."""
    memory = c.create_string_buffer(item, len(item))
    reader = CReader(memory=c.addressof(memory), left=len(item))
    number = stub.numbers[key]
    schema = stub.schema
    field = stub.fields[number]
    return int(
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
    stub = board(library, declaration("board"))
    assert decode(stub, key, item) != 0
    assert not any(stub.staged.bytes())


def test_bytes_are_held_against_the_longest_length_again(library: c.CDLL) -> None:
    """Whoever assembled them."""
    stub = board(library, declaration("board"))
    field = stub.fields[stub.numbers["octets.hex"]]
    for size, expected in ((8, 0), (9, Refusal.LENGTH)):
        octets = bytes(size)
        schema = c.byref(stub.schema)
        assert library.pv_check_bytes(schema, c.byref(field), octets, size) == expected


# RFC 3986 §2.2 has no NUL; the TZ strings break the grammar of clause 9.4 at one place each.
NO_VALUES: list[tuple[str, Value, Refusal]] = [
    ("names.url", "https://a\0b", Refusal.CHARACTERS),
    ("names.url", "https://a/\0", Refusal.CHARACTERS),
    ("names.zone", "UTC0:5", Refusal.FORM),
    ("names.zone", "UTC0:05:7", Refusal.FORM),
    ("names.zone", "UTC0:60", Refusal.FORM),
    ("names.zone", "UTC0:05:60", Refusal.FORM),
    ("names.zone", "AAA0BBB25,M3.2.0,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3.2", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3.6.0,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,M3.2.7,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,M13.2.0,M10.1.0", Refusal.FORM),
    ("names.zone", "AAA0BBB,J1", Refusal.FORM),
    ("names.zone", "AAA0BBB,J1,J366", Refusal.FORM),
    ("names.zone", "AAA0BBB,1,2x", Refusal.FORM),
]


@pytest.mark.parametrize(("key", "value", "expected"), NO_VALUES)
def test_values_that_break_one_rule(
    library: c.CDLL, key: str, value: Value, expected: Refusal
) -> None:
    """Stub, Python board and host refuse each with the code that clause 9 states."""
    both: Lockstep = in_lockstep(library, "board")
    reply = both.ask(Type.SET_FIELD, {1: key, 2: value})
    assert reply.body == {1: expected, 2: key}
    setting = both.board.schema.setting(key)
    assert setting is not None
    assert check_value(setting.field, value, both.board.schema) is expected
