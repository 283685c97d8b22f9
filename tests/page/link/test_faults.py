# SPDX-License-Identifier: MIT
"""The page's session over lines that fail, with the Python board that runs the demo's firmware.

Clauses are those of shared/protocol.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from provision.board.engine import Board, from_declaration
from provision.board.state import Limits
from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import decode_message
from provision.contract.table import MessageType, Refusal, Run
from tests.link.test_with_board import CHANGES, DECLARATION
from tests.link.virtual import LINE
from tests.page.link.player import Player

pytestmark = pytest.mark.needs("node")

Fault = Callable[[int, bytes], bytes]
"""Gets number and bytes of a line that is sent, and returns what arrives of it."""

STORED = {"type": "stored", "generation": 1}


def whole(_: int, line: bytes) -> bytes:
    """Let a line arrive as it was sent."""
    return line


class Wire:
    """A board of the demo, and a line to it that does to each line what a test says."""

    def __init__(
        self,
        to_board: Fault = whole,
        to_host: Fault = whole,
        limits: Limits | None = None,
        works: bool = True,
    ) -> None:
        self.board: Board = from_declaration(DECLARATION, limits=limits)
        self.types: list[int] = []
        self.before: dict[int, Callable[[], None]] = {}
        """What happens before the board hears the first request of a type."""
        self.gone = False
        self.to_board, self.to_host = to_board, to_host
        self._sent, self._received = count(), count()
        self._works = works
        self._now = 0

    def __call__(self, data: bytes, now: int) -> tuple[list[bytes], bool]:
        """Carry what the host sends to the board, and its replies back."""
        self._now = now
        arriving: list[bytes] = []
        for line in LINE.findall(data):
            (frame,) = LineReceiver().feed(line)
            assert isinstance(frame, Frame)
            type_ = decode_message(frame.item).type
            self.types.append(type_)
            self.before.pop(type_, lambda: None)()
            if self.gone:
                return arriving, True
            replies = self.board.receive(self.to_board(next(self._sent), line), now)
            arriving += (
                self.to_host(next(self._received), reply) for reply in LINE.findall(replies)
            )
            if self._works and self.board.generation:
                self.board.report(Run.PROVEN)
        return arriving, self.gone

    def restart(self) -> None:
        """Take the power away, and give it back."""
        self.board.restart(self.board.boot_number + 1, self._now)

    def unplug(self) -> None:
        """Pull the plug."""
        self.gone = True


@pytest.fixture(scope="module")
def host() -> Iterator[Player]:
    """One process for all tests."""
    with Player() as one:
        yield one


def set_up(host: Player, wire: Wire) -> dict[str, Any]:
    """Set the board up through the wire."""
    return host.play("set up", wire, CHANGES)


def check_stored(ran: dict[str, Any], wire: Wire) -> None:
    """Fail unless the set was stored, once, and the page knows."""
    assert ran.get("error") is None, ran
    assert ran["outcome"] == STORED
    assert ran["followed"] == Run.PROVEN
    assert {key: wire.board.stored[key] for key, _ in CHANGES} == dict(CHANGES)
    assert (wire.board.generation, wire.board.staged) == (1, {})


def lose(*numbers: int) -> Fault:
    """Lose the lines with these numbers."""
    return lambda number, line: b"" if number in numbers else line


def damage(line: bytes) -> bytes:
    """Return a line of which one character is another."""
    return line.replace(line[5:6], b"!", 1)


FAULTS: dict[str, Fault] = {
    "each third line is lost": lambda n, line: b"" if n % 3 == 1 else line,
    "each third line is damaged": lambda n, line: damage(line) if n % 3 == 1 else line,
    "each line comes twice": lambda _, line: line * 2,
    "log text around and within each line": lambda _, line: b"frost\r\nwatch" + line + b"1.5 C",
    "log text in the middle of each fourth line": lambda n, line: (
        line[:9] + b"watch: 1 C" + line[9:] if n % 4 == 2 else line
    ),
    "every line ends with CR LF": lambda _, line: line.replace(b"\n", b"\r\n"),
}


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS)
@pytest.mark.parametrize("way", ["to the board", "to the host", "both ways"])
def test_a_line_that_fails_is_borne(host: Player, fault: Fault, way: str) -> None:
    """Lost, damaged and doubled lines are repeated, or known for what they are (2.2, 5.7)."""
    wire = Wire(
        to_board=whole if way == "to the host" else fault,
        to_host=whole if way == "to the board" else fault,
    )
    check_stored(set_up(host, wire), wire)


def test_a_short_line_is_kept_to(host: Player) -> None:
    """128 characters a line, and a credit of one line (2.3, 5.6)."""
    lengths: list[int] = []

    def measured(_: int, line: bytes) -> bytes:
        lengths.append(len(line))
        return line

    wire = Wire(to_board=measured, limits=Limits(line=128, credit=139))
    check_stored(set_up(host, wire), wire)
    assert max(lengths) <= 139


def test_an_echo_does_no_harm(host: Player) -> None:
    """A console that echoes: requests come back, whole and in pieces (2.2)."""
    wire = Wire()

    def echoed(data: bytes, now: int) -> tuple[list[bytes], bool]:
        arriving, gone = wire(data, now)
        cut = data.replace(b"~", b"").replace(b"A", b" ")  # in pieces shorter than cleaning knows
        return [data, cut, b"\nwatch: 1 C\n", *arriving], gone

    check_stored(host.play("set up", echoed, CHANGES), wire)


def test_pieces_are_asked_for_at_half_the_length_after_damage(host: Player) -> None:
    """A line that carries only short messages still brings the schema (5.7)."""
    wire = Wire()
    wire.to_host = lambda _, line: (
        damage(line) if wire.types[-1] == MessageType.GET_SCHEMA and len(line) > 300 else line
    )
    ran = host.play("meet", wire)
    assert ran.get("error") is None, ran
    assert ran["settings"] == len(DECLARATION.schema.settings)


@pytest.mark.parametrize("type_", [MessageType.SET_FIELD, MessageType.COMMIT])
def test_a_board_that_restarts_while_it_is_staged_is_staged_again(
    host: Player, type_: MessageType
) -> None:
    """A new boot number in the middle of staging: all of it goes once more (5.2)."""
    wire = Wire()
    wire.before[type_] = wire.restart
    check_stored(set_up(host, wire), wire)


def test_a_board_that_restarts_in_the_middle_of_the_parts_is_staged_again(host: Player) -> None:
    """It tells by `gap` that it holds nothing of the value any more (6.4)."""
    wire = Wire()
    fields = count()

    def restart_once(_: int, line: bytes) -> bytes:
        if wire.types[-1] == MessageType.SET_FIELD and next(fields) == 2:
            wire.restart()
        return line

    wire.to_board = restart_once
    check_stored(set_up(host, wire), wire)


def test_a_lost_commit_reply_is_made_up_for_by_the_repeat(host: Player) -> None:
    """The same token again is answered, not done again (6.5)."""
    wire = Wire()
    commits = count()

    def lost_once(_: int, line: bytes) -> bytes:
        return b"" if wire.types[-1] == MessageType.COMMIT and not next(commits) else line

    wire.to_host = lost_once
    check_stored(set_up(host, wire), wire)
    assert wire.types.count(MessageType.COMMIT) == 2


def test_a_commit_that_is_never_answered_is_settled_by_the_token_in_hello(host: Player) -> None:
    """The board restarts for ten seconds with the set durable; hello shows the token (5.3)."""
    wire = Wire()
    wire.to_host = lambda _, line: b"" if wire.types[-1] == MessageType.COMMIT else line
    check_stored(set_up(host, wire), wire)


def test_a_commit_that_never_arrives_is_settled_as_not_stored(host: Player) -> None:
    """Hello from the same unit shows another token (5.3)."""
    wire = Wire()
    wire.to_board = lambda _, line: b"" if wire.types[-1] == MessageType.COMMIT else line
    ran = set_up(host, wire)
    assert ran["outcome"] == {"type": "not-stored", "refused": None}
    assert wire.board.stored == {}


def test_a_board_that_falls_silent_at_the_commit_leaves_it_unknown(host: Player) -> None:
    """No board answers any more: neither stored nor not stored can be said (5.3)."""
    wire = Wire()
    wire.to_host = lambda _, line: b"" if MessageType.COMMIT in wire.types else line
    assert set_up(host, wire)["outcome"] == {"type": "unknown"}


def test_a_board_that_restarts_after_the_commit_is_followed_on(host: Player) -> None:
    """A new boot number after the token became durable: the page goes on with status (5.2)."""
    wire = Wire()
    followed = count()

    def restart_at_status(_: int, line: bytes) -> bytes:
        is_followed = wire.types[-1] == MessageType.STATUS and MessageType.COMMIT in wire.types
        if is_followed and not next(followed):
            wire.restart()
            return b""
        return line

    wire.to_board = restart_at_status
    check_stored(set_up(host, wire), wire)


@pytest.mark.parametrize(
    "type_",
    [
        MessageType.HELLO,
        MessageType.DISCARD,
        MessageType.GET_SCHEMA,
        MessageType.GET_VALUES,
        MessageType.STATUS,
        MessageType.SET_FIELD,
        MessageType.COMMIT,
    ],
)
def test_the_plug_is_pulled(host: Player, type_: MessageType) -> None:
    """Every call ends with the lost port; after the commit it is unknown what was stored."""
    wire = Wire()
    wire.before[type_] = wire.unplug
    ran = set_up(host, wire)
    assert ran["notices"] == ["line-lost"]
    assert ran["seconds"] < 1
    if type_ == MessageType.COMMIT:
        assert ran["outcome"] == {"type": "unknown"}
    else:
        assert ran["error"]["kind"] == "LineLost"
        assert ran["error"]["words"].startswith("The port is gone: plug the board in again")


def test_the_plug_is_pulled_while_the_status_is_followed(host: Player) -> None:
    """What was stored stays stored; the page finds the board again, and goes on."""
    wire = Wire(works=False)
    fields = count()

    def unplug(_: int, line: bytes) -> bytes:
        if wire.types[-1] == MessageType.STATUS and wire.board.generation and next(fields) == 2:
            wire.unplug()
        return line

    wire.to_board = unplug
    ran = set_up(host, wire)
    assert ran["outcome"] == STORED
    assert ran["followed"]["kind"] == "LineLost"


def test_a_status_that_never_says_how_it_ends_is_followed_for_its_time(host: Player) -> None:
    """The time that the board announces, and 10 s (5.3)."""
    wire = Wire(works=False, limits=Limits(apply_time=5000))
    ran = set_up(host, wire)
    assert (ran["outcome"], ran["followed"]) == (STORED, None)
    assert 15 <= ran["seconds"] < 16


def test_silence_and_sleep_are_told(host: Player) -> None:
    """Nothing comes at all: the person is told before the session gives up (5.7)."""
    ran = host.play("meet", lambda _data, _now: ([], False))
    assert ran["notices"] == ["asleep"]
    assert ran["error"]["kind"] == "Silent"
    assert 10 <= ran["seconds"] < 10.5


def test_a_button_that_is_wanted_is_waited_for(host: Player) -> None:
    """The person is told once, and the whole set goes again until somebody pressed (5.5)."""
    wire = Wire(limits=Limits(presence=60_000))
    check_stored(set_up(host, wire), wire)  # of an empty board no presence is wanted
    tries = count()

    def press(_: int, line: bytes) -> bytes:
        if wire.types[-1] == MessageType.SET_FIELD and next(tries) == 40:
            wire.board.show_presence()
        return line

    wire.to_board = press
    ran = host.play("set up", wire, [*CHANGES[:2], ("orchard.name", "Upper")])
    assert ran["notices"] == ["presence"]
    assert ran["seconds"] >= 13  # a second for each time that three fields were refused
    assert ran["outcome"] == {"type": "stored", "generation": 2}


def test_the_boards_refusals_come_back_as_outcomes(host: Player) -> None:
    """A value refused by itself, and a set refused as a whole, with the fields at fault (7.2)."""
    wire = Wire()
    ran = host.play("set up", wire, [("network.passphrase", "short")])
    refused = {"code": Refusal.LENGTH, "field": "network.passphrase", "other": None, "detail": None}
    assert ran["outcome"] == {"type": "not-stored", "refused": refused}
    ran = host.play("set up", wire, [("network.name", b"Orchard Gate")])
    assert ran["outcome"]["refused"]["code"] == Refusal.PARTNER
    assert ran["outcome"]["refused"]["other"] == "network.passphrase"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(
    st.sets(st.integers(0, 40), max_size=3),
    st.sets(st.integers(0, 40), max_size=3),
    st.sets(st.integers(14, 40), max_size=1),
)
def test_losses_and_restarts_end_in_the_set_stored_once(
    host: Player, out: set[int], back: set[int], restarts: set[int]
) -> None:
    """A board that works is set up over a line that does not, whenever it restarts."""
    wire = Wire(to_host=lose(*back))

    def to_board(number: int, line: bytes) -> bytes:
        if number in restarts:
            wire.restart()
        return b"" if number in out else line

    wire.to_board = to_board
    check_stored(set_up(host, wire), wire)
