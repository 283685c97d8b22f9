# SPDX-License-Identifier: MIT
"""Each fault does what its name says, the same in every run, however the bytes are split."""

from __future__ import annotations

import pytest

from provision.board.faults import FAULTS, Echo, FaultyLine, InjectedFault
from provision.board.firmware import Device
from provision.contract.line import Damaged, Frame, LineEvent, LineReceiver, LogText
from provision.contract.table import MessageType
from tests.board.host import make_board, request_line

REQUESTS = b"".join(request_line(MessageType.STATUS, number) for number in range(1, 5))
"""Four requests; the faults below strike the second."""


def events(name: str, step: int = len(REQUESTS)) -> list[LineEvent]:
    """What the host receives when it sends the requests in pieces of this size."""
    line = FaultyLine(Device(make_board()), FAULTS[name](2))
    pieces = [REQUESTS[at : at + step] for at in range(0, len(REQUESTS), step)]
    return LineReceiver().feed(b"".join(line.receive(piece, 0) for piece in pieces))


def kinds(received: list[LineEvent]) -> list[type[LineEvent]]:
    """Of each event its kind."""
    return [type(event) for event in received]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("lose-reply", [Frame] * 3),
        ("repeat-reply", [Frame] * 5),
        ("damage-reply", [Frame, Damaged, Frame, Frame]),
        ("cut-by-log", [Frame, Damaged, LogText, Frame, Frame]),
        ("reset-after", [Frame] * 2),
        ("reset-and-lose-reply", [Frame]),
        ("lose-request", [Frame] * 3),
        ("repeat-requests", [Frame] * 8),
        ("echo", [Frame] * 8),
        ("cr-lf", [Frame] * 4),
    ],
)
def test_a_fault_does_what_its_name_says(name: str, expected: list[type[LineEvent]]) -> None:
    """The line of the host shows it."""
    assert kinds(events(name)) == expected


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("step", [1, 7])
def test_a_fault_does_not_depend_on_how_bytes_are_split(name: str, step: int) -> None:
    """And not on the run."""
    if name == "echo":  # comes back as it went, in between
        assert len(events(name, step)) > 4
        return
    assert events(name, step) == events(name)


def test_a_reset_changes_the_boot_number() -> None:
    """The board starts again, and what comes meanwhile is lost."""
    device = Device(make_board())
    line = FaultyLine(device, FAULTS["reset-after"](1))
    line.receive(REQUESTS, 0)
    assert line.receive(REQUESTS, 299) == b""
    line.tick(300)
    assert device.board.boot_number == 1001
    line.reset(400)
    line.tick(700)
    assert device.board.boot_number == 1002


def test_faults_happen_in_their_order() -> None:
    """An echo is not subject to what befalls the replies; no fault changes nothing."""
    line = FaultyLine(Device(make_board()), InjectedFault(), Echo(), FAULTS["lose-reply"](1))
    request = request_line(MessageType.STATUS, 1)
    assert line.receive(request, 0) == request
    plain = FaultyLine(Device(make_board()), InjectedFault())
    assert plain.receive(REQUESTS, 0) == Device(make_board()).receive(REQUESTS, 0)
