# SPDX-License-Identifier: MIT
"""What the package exports, on virtual boards: a program sets them up as a person would.

What a board holds is looked at in the board's own memory, not by the door that is tested.
"""

from __future__ import annotations

import asyncio
import inspect
import subprocess
import sys
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest

import provision
from provision import SET, UNSET
from provision.board.engine import Board, Body
from provision.contract.table import StatusReplyKey
from tests.waiting import PATIENCE

ALARM = Path(__file__).parents[2] / "schemas" / "orchard-frost-alarm.toml"
NETWORKS = {"Orchard Gate": "blossom-frost", "Open Shed": ""}
NEEDED: dict[str, Any] = {
    "network.name": "Orchard Gate",
    "network.passphrase": "blossom-frost",
    "service.key": "w7-Zephyr.0419",
    "probe.1.pin": "GPIO26",
    "siren.relay": 6,
    "orchard.zone": "Europe/London",
}
FIELD = StatusReplyKey.FIELD
READ = ("siren.relay",)  # the relay's caution


@pytest.fixture
def virtual() -> Iterator[provision.VirtualBoard]:
    """A fresh board in reach of two networks."""
    with provision.VirtualBoard(ALARM, networks=NETWORKS) as board:
        yield board


def test_a_fresh_board_is_set_up_and_shown_to_work(virtual: provision.VirtualBoard) -> None:
    """The board has what was given; what is secret is never told again."""
    with provision.connect(virtual.port) as board:
        assert set(board.values.values()) == {UNSET}
        assert board.schema["network.name"].label == "Network"
        done = board.store(NEEDED, accept=READ)
        assert (done.outcome, done.run, done.is_working) == ("stored", "proven", True)
        assert done.address is not None
        assert board.values["network.name"] == b"Orchard Gate"
        assert board.values["service.key"] is SET
        assert board.values["network.fixed"] is UNSET
    assert virtual.values["service.key"] == "w7-Zephyr.0419"
    assert virtual.values["orchard.zone"] == "GMT0BST,M3.5.0/1,M10.5.0"  # tzdata: Europe/London


@pytest.mark.parametrize(
    ("key", "given", "stored"),
    [
        ("mast.alarm-below", Decimal("1.5"), 15),
        ("mast.alarm-below", 1.5, 15),
        ("mast.alarm-below", 2, 20),
        ("mast.alarm-below", "1.5 °C", 15),
        ("mast.interval", timedelta(minutes=2), 120),
        ("mast.interval", "2 min", 120),
        ("service.port", 8883, 8883),
        ("service.port", "8883", 8883),
        ("orchard.name", "Upper field", "Upper field"),
        ("network.fixed", True, True),
        ("network.fixed", "yes", True),
        ("service.certificate", b"\x30\x82\x01", b"\x30\x82\x01"),
    ],
)
def test_a_value_is_given_in_its_type_or_as_it_is_typed(
    virtual: provision.VirtualBoard, key: str, given: Any, stored: object
) -> None:
    """What is stored for each: the wire values of shared/protocol.md, clause 9.1."""
    more = {"network.address": ip_address("192.0.2.7")} if key == "network.fixed" else {}
    with provision.connect(virtual.port) as board:
        board.store({**NEEDED, **more, key: given}, accept=READ, follow=False)
    assert virtual.values[key] == stored


def test_every_fault_is_named_at_once_and_nothing_is_sent(
    virtual: provision.VirtualBoard,
) -> None:
    """The codes are those of the contract's refusals (clause 7)."""
    with provision.connect(virtual.port) as board:
        with pytest.raises(provision.ValuesError) as caught:
            board.store({"network.name": "x" * 33, "network.nam": "y", "service.port": 0})
        assert caught.value.parameters == {
            "network.name": "length",
            "network.nam": "unknown-field",
            "service.port": "range",
        }
        assert "the nearest is network.name" in str(caught.value)
        with pytest.raises(provision.ValuesError) as caught:
            board.store({"network.name": "Orchard Gate"})
        assert caught.value.parameters == {
            "network.name": "partner",
            "service.key": "missing",
            "probe.1.pin": "missing",
            "siren.relay": "missing",
            "orchard.zone": "missing",
        }
        with pytest.raises(provision.ValuesError) as caught:
            board.store({**NEEDED, "network.address": "192.0.2.7"}, accept=READ)
        assert caught.value.parameters == {"network.address": "does-not-apply"}
    assert (virtual.values, virtual.staged, virtual.generation) == ({}, {}, 0)


def test_a_caution_is_a_person_s_to_accept(virtual: provision.VirtualBoard) -> None:
    """No program takes it as read; what is stored already needs nobody (clause 9.6)."""
    with provision.connect(virtual.port) as board:
        with pytest.raises(provision.ValuesError, match="licensed electricians") as caught:
            board.store(NEEDED)
        assert caught.value.parameters == {"siren.relay": "caution"}
        board.store(NEEDED, accept=READ, follow=False)
        assert board.store({"siren.relay": 6}).outcome == "stored"


def test_a_wrong_passphrase_is_told_and_taken_back(virtual: provision.VirtualBoard) -> None:
    """The field and the reason are the board's; the network's name goes along unasked (9.6)."""
    with provision.connect(virtual.port) as board:
        board.store(NEEDED, accept=READ)
        done = board.store({"network.passphrase": "snow-in-may"})
        assert (done.outcome, done.run) == ("stored", "failed")
        assert (done.reason, done.step, done.field) == (
            "passphrase-wrong",
            "join",
            "network.passphrase",
        )
        assert board.undo().is_working
    assert virtual.values["network.passphrase"] == "blossom-frost"


def test_a_key_that_a_board_made_up_is_not_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program prints what it is told: of keys it is told those of the schema only."""
    status = Board._status

    def made_up(self: Board, body: Body) -> Body:
        reply = status(self, body)
        return {**reply, **({FIELD: "\x1b[2Jsnow-in-may"} if FIELD in reply else {})}

    monkeypatch.setattr(Board, "_status", made_up)
    with (
        provision.VirtualBoard(ALARM, networks=NETWORKS) as virtual,
        provision.connect(virtual.port) as board,
    ):
        done = board.store({**NEEDED, "network.passphrase": "snow-in-may"}, accept=READ)
        assert (done.run, done.reason, done.field) == ("failed", "passphrase-wrong", None)


def test_an_open_network_has_no_passphrase(virtual: provision.VirtualBoard) -> None:
    """None clears, and is said expressly."""
    with provision.connect(virtual.port) as board:
        done = board.store(
            {**NEEDED, "network.name": "Open Shed", "network.passphrase": None}, accept=READ
        )
        assert done.is_working
    assert "network.passphrase" not in virtual.values


def test_what_is_held_already_is_not_stored_again(virtual: provision.VirtualBoard) -> None:
    """Flash wears; the board is followed all the same."""
    with provision.connect(virtual.port) as board:
        board.store(NEEDED, accept=READ)
        before = virtual.generation
        done = board.store({"probe.1.pin": 26, "orchard.zone": "Europe/London"})
        assert (done.is_working, virtual.generation) == (True, before)


def test_an_erased_board_holds_nothing(virtual: provision.VirtualBoard) -> None:
    """Not in its list, and not in its memory."""
    with provision.connect(virtual.port) as board:
        board.store(NEEDED, accept=READ, follow=False)
        board.erase()
        assert set(board.values.values()) == {UNSET}
    assert (virtual.values, virtual.store) == ({}, "empty")


def test_a_board_that_wants_its_button_pressed_says_so() -> None:
    """Whoever is told may be a person, or a machine that presses it."""
    with provision.VirtualBoard(ALARM, button=True) as virtual:
        told = []

        def press(event: provision.Event) -> None:
            told.append(event)
            virtual.press_button()

        with provision.connect(virtual.port) as board:
            board.on_event(press)
            board.store(NEEDED, accept=READ, follow=False)
            board.store({"orchard.name": "Upper field"}, follow=False)
        assert told == [provision.Event.PRESENCE]
        assert virtual.values["orchard.name"] == "Upper field"


def test_a_board_that_is_gone_before_anything_is_sent(virtual: provision.VirtualBoard) -> None:
    """The error tells it, with a code for programs."""
    with provision.connect(virtual.port) as board:
        virtual.unplug()
        with pytest.raises(provision.LineLost) as caught:
            board.store(NEEDED, accept=READ)
        assert caught.value.code == "line-lost"


def test_a_board_that_is_lost_after_commit_leaves_the_outcome_unknown(
    virtual: provision.VirtualBoard,
) -> None:
    """Commit goes out in one flight with the values, before the first of them is acknowledged."""

    def pull(_done: int, _count: int) -> None:
        virtual.unplug()

    with provision.connect(virtual.port) as board:
        assert board.store(NEEDED, accept=READ, on_progress=pull).outcome == "unknown"
    virtual.plug_in()
    with provision.connect(virtual.port) as board:
        assert (board.values["network.name"] is UNSET) == (virtual.values == {})


def test_the_log_is_read_line_by_line() -> None:
    """From the beginning of the connection; it ends with the port, and has no secret in it."""
    with provision.VirtualBoard(ALARM, networks=NETWORKS, logs=True) as virtual:
        with provision.connect(virtual.port) as board:
            board.store(NEEDED, accept=READ)
            virtual.unplug()
            lines = list(board.log())
        assert any(line.startswith("step: ") for line in lines)
        assert "blossom-frost" not in "\n".join(lines)


def test_networks_in_range_are_found(virtual: provision.VirtualBoard) -> None:
    """Those that the virtual board was made with."""
    with provision.connect(virtual.port) as board:
        assert {network.name.decode() for network in board.survey()} == set(NETWORKS)
        board.locate()


def test_whoever_comes_later_follows_a_trial_to_its_good_end(
    virtual: provision.VirtualBoard,
) -> None:
    """The generation grows when a trial ends (5.2); by its token the set is still the same."""
    with provision.connect(virtual.port) as board:
        board.store(NEEDED, accept=READ)
        board.store({"orchard.name": "Upper field"}, follow=False)
    with provision.connect(virtual.port) as board:
        assert board.follow().is_working
    assert virtual.values["orchard.name"] == "Upper field"


def test_a_board_that_restarts_is_followed_again(virtual: provision.VirtualBoard) -> None:
    """It tries what it holds at every start; one that holds nothing has nothing to try."""
    with provision.connect(virtual.port) as board:
        assert board.follow() == provision.Done("not stored", run="idle")
        board.store(NEEDED, accept=READ, follow=False)
        board.restart()
        board.refresh()
        assert board.follow().is_working


def test_several_boards_at_once_in_one_event_loop() -> None:
    """connect_async() is the same door for programs with an event loop."""

    async def set_up(port: str) -> provision.Done:
        async with provision.connect_async(port) as board:
            return await board.store(NEEDED, accept=READ)

    async def all_of(ports: list[str]) -> list[provision.Done]:
        async with asyncio.timeout(PATIENCE):
            return await asyncio.gather(*map(set_up, ports))

    with (
        provision.VirtualBoard(ALARM, networks=NETWORKS) as one,
        provision.VirtualBoard(ALARM, networks=NETWORKS) as other,
    ):
        done = asyncio.run(all_of([one.port, other.port]))
        assert [each.is_working for each in done] == [True, True]


def test_a_port_that_is_not_there_is_an_error_with_a_code(tmp_path: Path) -> None:
    """One tree: whoever does not care which catches ProvisionError."""
    missing = str(tmp_path / "x")
    with pytest.raises(provision.ProvisionError) as caught, provision.connect(missing):
        pass
    assert caught.value.code == "port-missing"
    assert caught.value.parameters["name"] == missing


def test_a_schema_file_is_read() -> None:
    """The same model that a board sends."""
    schema = provision.load_schema(ALARM)
    assert schema["service.key"].label
    with pytest.raises(KeyError):
        schema["service.nothing"]
    with pytest.raises(provision.FileMistakes):
        provision.load_schema("nothing.toml")


def test_errors_form_one_tree_with_a_code_each() -> None:
    """Codes are as stable as the names of the classes."""
    exported = [getattr(provision, name) for name in provision.__all__]
    errors = [each for each in exported if inspect.isclass(each) and issubclass(each, Exception)]
    assert provision.ProvisionError in errors
    assert all(issubclass(error, provision.ProvisionError) for error in errors)
    assert all(each.__doc__ for each in exported if inspect.isclass(each))


def test_nothing_is_imported_before_it_is_used() -> None:
    """Least of all the serial library, which a program that opens no port may not even have."""
    code = (
        "import sys, provision; provision.ProvisionError, provision.Schema;"
        "sys.exit(any(name in sys.modules for name in ('serial', 'asyncio', 'prompt_toolkit')))"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=PATIENCE)
