# SPDX-License-Identifier: MIT
"""Guards that the other tests run and would not miss: each test here was called for by a mutant."""

from __future__ import annotations

import pytest

from provision.board.flash import Faults, Flash, Operation, OperationKind, Tear
from provision.board.store import FlashStore, StorageError
from provision.contract.profile import Item, encode
from provision.contract.table import MessageType, Refusal
from provision.schema.constraints import staged_digest
from tests.board.host import GEOMETRY, TOKENS, Host, make_board

SLOTS = 4


class FirstUnitStuck(Faults):
    """The first program unit of every slot reads otherwise than it was programmed."""

    def __init__(self) -> None:
        self.programs: list[int] = []
        """Offset within its slot of each program."""

    def changing(self, operation: Operation) -> Tear | None:
        """Write it down."""
        if operation.change is OperationKind.PROGRAM:
            self.programs.append(operation.offset % (GEOMETRY.size // SLOTS))
        return None

    def reading(self, offset: int, content: bytes) -> bytes:
        """Flip a bit of what is not erased."""
        if offset % (GEOMETRY.size // SLOTS) == 0 and content[0] != 0xFF:
            return bytes([content[0] ^ 1]) + content[1:]
        return content


def test_no_seal_is_begun_on_what_was_not_read_back() -> None:
    """STORAGE.md rests on it: who finds a seal knows that header and payload were right once."""
    flash = Flash(GEOMETRY)
    store = FlashStore(flash, SLOTS)
    store.boot(offers_trial=False)
    flash.faults = faults = FirstUnitStuck()
    payload = encode(["net.name", 8, b"\x01"])
    with pytest.raises(StorageError):
        store.commit(payload, TOKENS[1], bytes(8), on_trial=False)
    unit = GEOMETRY.program_unit
    header_and_payload = -(-48 // unit) * unit + -(-len(payload) // unit) * unit
    assert faults.programs
    assert max(faults.programs) < header_and_payload


@pytest.mark.parametrize("count", [1, 3])
def test_a_count_that_is_wrong_beside_a_right_digest_differs(count: int) -> None:
    """Clause 6.5 has the board compare both: the digest alone is 32 bits of a guess."""
    host = Host(make_board())
    host.stage({"net.name": b"orchard", "net.pass": "blossom-road"})
    digest = staged_digest(host.board.schema, host.board.staged)
    answer = host.ask(MessageType.COMMIT, count=count, digest=digest, token=TOKENS[1])
    assert answer.code is Refusal.SET_DIFFERS
    assert host.board.generation == 0


@pytest.mark.parametrize("how", ["discard", "anew", "time", "whole"])
def test_parts_that_are_dropped_are_overwritten(how: str) -> None:
    """A piece of a secret does not wait in memory for whoever reads it next (clause 10)."""
    host = Host(make_board())
    body: dict[str, Item] = {"field": "service.key", "offset": 0, "total": 9, "part": b"silver"}
    assert host.ask(MessageType.SET_FIELD, **body).code is None
    parts = host.board._staging._parts
    assert parts is not None
    held = parts.held
    assert held == b"silver"
    if how == "discard":
        assert host.ask(MessageType.DISCARD, boot=host.board.boot_number).code is None
    elif how == "anew":
        assert host.ask(MessageType.SET_FIELD, **{**body, "part": b"golden"}).code is None
    elif how == "time":
        host.wait(600_000)
    else:
        host.stage({"net.name": b"orchard"})
    assert not any(held)
