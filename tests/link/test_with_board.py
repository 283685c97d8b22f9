# SPDX-License-Identifier: MIT
"""The session against the Python board that runs the demo's firmware, in virtual time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.board.engine import Board, Limits, from_declaration
from provision.contract.table import Capability, Held, Refusal, Store
from provision.link import operations
from provision.link.errors import BoardRefused, Refused
from provision.link.operations import StagedChange
from provision.link.replies import NotStored, Stored
from provision.link.session import ProcedureRun
from provision.schema.codec import unpack
from provision.schema_file.load import read_declaration
from tests.link.virtual import VirtualLine, lose

DEMO = Path(__file__).parents[2] / "schemas" / "orchard-frost-alarm.toml"
DECLARATION = read_declaration(DEMO.read_text(encoding="utf-8"), DEMO.name)
TOKEN = bytes(range(8))
CHANGES: list[StagedChange] = [
    ("network.name", b"Orchard Gate"),
    ("network.passphrase", "blossom-before-frost"),
    ("service.key", "w7-Zephyr.0419"),
    ("service.certificate", bytes(range(250)) * 6),
    ("probe.1.pin", 26),
    ("siren.relay", 15),  # its default carries a caution
    ("orchard.name", "Lower orchard"),
    ("orchard.zone", "CET-1CEST,M3.5.0,M10.5.0/3"),
]


class Powered:
    """The Python board with the virtual line's clock."""

    def __init__(self, limits: Limits | None = None) -> None:
        self.declaration = DECLARATION
        self.board: Board = from_declaration(self.declaration, limits=limits)
        self.line: Any = None

    def receive(self, data: bytes) -> bytes:
        """Take bytes; return the replies."""
        return self.board.receive(data, int(self.line.now * 1000))

    def restart(self) -> None:
        """Start anew."""
        self.board.restart(self.board.boot_number + 1, int(self.line.now * 1000))


def powered(limits: Limits | None = None, **options: Any) -> tuple[VirtualLine, Powered]:
    """Return a line with the demo's board at its end."""
    board = Powered(limits)
    line = VirtualLine(board, **options)  # type: ignore[arg-type]
    board.line = line
    return line, board


def test_a_fresh_board_is_read_and_set_up() -> None:
    """Schema and values come whole; what was stored is held, and a secret never comes back."""
    line, board = powered()
    hello = line.run(operations.greet(5.0))
    deflated = line.run(operations.read_schema(hello.schema_size))
    assert unpack(deflated, hello.schema_digest) == board.declaration.schema
    values = line.run(operations.read_values())
    assert list(values) == [setting.key for setting in board.declaration.schema.settings]
    assert line.run(operations.read_status_now()).store == Store.EMPTY
    outcome = line.run(operations.store(hello, CHANGES, TOKEN, while_storing=True))
    assert isinstance(outcome, Stored)
    assert outcome.status is not None
    assert outcome.status.generation == outcome.generation
    values = line.run(operations.read_values())
    assert values["network.name"].value == b"Orchard Gate"
    assert values["network.passphrase"].held == values["service.key"].held == Held.SET
    assert values["network.passphrase"].value is values["service.key"].value is None
    assert line.run(operations.resolve_commit(TOKEN, hello.unit)) == Stored(outcome.generation)


def test_a_board_with_the_shortest_line_is_set_up_too() -> None:
    """128 characters a line, and a credit of one line."""
    line, board = powered(Limits(line=128, credit=139))
    hello = line.run(operations.greet(5.0))
    changes = [*CHANGES[:-2], ("orchard.name", "ä" * 20), CHANGES[-1]]
    assert isinstance(line.run(operations.store(hello, changes, TOKEN)), Stored)
    assert {key: board.board.stored[key] for key, _ in changes} == dict(changes)


def test_the_boards_refusals_come_back_as_outcomes() -> None:
    """A value refused by itself, and a set refused as a whole, with the fields at fault."""
    line, board = powered()
    hello = line.run(operations.greet(5.0))
    outcome = line.run(operations.store(hello, [("network.passphrase", "short")], TOKEN))
    assert outcome == NotStored(Refused(Refusal.LENGTH, "network.passphrase"))
    line.run(operations.discard(hello.boot))
    outcome = line.run(operations.store(hello, [("network.name", b"Orchard Gate")], TOKEN))
    assert outcome == NotStored(Refused(Refusal.PARTNER, "network.name", "network.passphrase"))
    assert board.board.store_state == Store.EMPTY


def test_undo_erase_and_restart() -> None:
    """The board's generation moves as the host is told."""
    line, board = powered()
    hello = line.run(operations.greet(5.0))
    first = line.run(operations.store(hello, CHANGES, TOKEN))
    assert isinstance(first, Stored)
    changed: list[StagedChange] = [("orchard.name", "Upper orchard")]
    second = line.run(operations.store(hello, changed, bytes(8)))
    assert isinstance(second, Stored)
    if hello.capabilities & Capability.UNDO:
        undone = line.run(operations.undo(second.generation))
        assert board.board.stored["orchard.name"] == "Lower orchard"
    else:
        undone = second.generation
    with pytest.raises(BoardRefused):
        line.run(operations.erase(undone + 5))
    line.run(operations.erase(undone))
    assert board.board.stored == {}
    line.run(operations.restart(hello.boot))


def test_reading_takes_hardly_longer_than_the_bytes_themselves() -> None:
    """Pieces of schema and pages of values share the flight: the line is never left waiting."""
    line, _ = powered(latency=0.008)  # as a bridge that delivers every 16 ms
    hello = line.run(operations.greet(5.0))
    start, received = line.now, line.received_bytes
    runs: list[ProcedureRun[Any]] = [
        line.start(operations.discard(hello.boot)),
        line.start(operations.read_values()),
        line.start(operations.read_schema(hello.schema_size)),
    ]
    line.until(lambda: all(run.finished for run in runs))
    bytes_time = (line.received_bytes - received) * 10 / 115200
    assert line.now - start < bytes_time + 3 * 2 * 0.008


@given(
    st.sets(st.integers(1, 20), max_size=2),
    st.sets(st.integers(1, 20), max_size=2),
    st.sets(st.integers(1, 20), max_size=1),
)
def test_losses_and_restarts_end_in_the_set_stored_once(
    out: set[int], back: set[int], restarts: set[int]
) -> None:
    """A board that works is set up over a line that does not, whenever it restarts."""
    line, board = powered(to_board=lose(*out), to_host=lose(*back))
    hello = line.run(operations.greet(5.0))
    line.at = dict.fromkeys(restarts, board.restart)
    outcome = line.run(operations.store(hello, CHANGES, TOKEN, while_storing=True))
    assert isinstance(outcome, Stored)
    assert {key: board.board.stored[key] for key, _ in CHANGES} == dict(CHANGES)
    assert board.board.generation == 1
    assert board.board.staged == {}
