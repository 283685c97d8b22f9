# SPDX-License-Identifier: MIT
"""What pv_start takes and refuses, and what a board offers without what is optional."""

from __future__ import annotations

import ctypes as c
import dataclasses
from typing import Any

import pytest

from provision.contract.table import Capability, Refusal, Run
from provision.contract.table import MessageType as Type
from tests.c_board.board import CConfig, Stub
from tests.stub.lockstep import AskedStub
from tests.vectors.boards import declaration

ERROR_CONFIG, ERROR_VERSION, ERROR_SPACE = -1, -2, -3  # PV_ERROR_ of pv.h

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
    """pv_start says so and touches nothing."""
    stub = Stub(library, declaration("board"))
    kind: Any = dict(CConfig._fields_)[member]
    setattr(stub.config, member, kind() if value is NULL else value)
    assert stub.start() == ERROR_CONFIG
    assert not any(stub.state.bytes())


@pytest.mark.parametrize(
    ("member", "value"),
    [("commit_time", 60_000), ("erase_time", 60_000), ("apply_time", 600_000),
     ("listens", 3_600_000), ("unit_id_size", 1), ("unit_id_size", 16)],
)  # fmt: skip
def test_a_config_at_its_limits_is_taken(library: c.CDLL, member: str, value: int) -> None:
    """Each limit belongs to what is allowed."""
    stub = Stub(library, declaration("board"))
    setattr(stub.config, member, value)
    assert stub.start() == 0


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


@pytest.mark.parametrize("name", ["smallest-board", "trial-board"])
def test_two_slots_offer_no_way_back(library: c.CDLL, name: str) -> None:
    """Neither undo nor a trial; what needs no older set is offered all the same."""
    declared = declaration(name)
    declared = dataclasses.replace(declared, board=dataclasses.replace(declared.board, slots=2))
    offered = AskedStub(library, declared).answer(Type.HELLO).body[14]
    assert not offered & (Capability.UNDO | Capability.TRIAL)
    assert offered & Capability.ERASE


def test_a_firmware_without_apply_and_restart(library: c.CDLL) -> None:
    """Restart is not offered; a set in force is `not-reported` by itself [pv.h]."""
    stub = AskedStub(library, "trial-board", without=["apply", "restart"])
    assert stub.answer(Type.STATUS).body[3] == Run.IDLE
    stub.store(3)
    assert stub.answer(Type.STATUS).body[3] == Run.NOT_REPORTED
    assert stub.answer(Type.RESTART, {1: 1}).body == {1: Refusal.NOT_OFFERED}


def test_has_of_a_number_beyond_the_fields(library: c.CDLL) -> None:
    """There is no such field."""
    stub = AskedStub(library, "board")
    assert not library.pv_has(stub.state.address, len(stub.fields))
