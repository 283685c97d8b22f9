# SPDX-License-Identifier: MIT
"""Without an answer to hello nothing conforms; an echo is none, and does no harm."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from provision.conformance.watch import Setup
from provision.contract.messages import decode_message, encode_message
from provision.contract.table import Capability, MessageType
from tests.conformance.board import PressedDevice
from tests.conformance.making import Wrong, device, framed, item_of, line_of, lines, type_of
from tests.conformance.virtual import hold


class OnlyEchoes:
    """A port behind which nothing is but a wire from its output to its input."""

    def receive(self, data: bytes, _now_ms: int) -> bytes:
        """Send back what came."""
        return data

    def tick(self, _now_ms: int) -> bytes:
        """Send nothing."""
        return b""

    def asked(self, _words: str, _now_ms: int) -> bool:
        """Nobody is there."""
        return False


def test_an_echo_is_no_board() -> None:
    """Nothing of it conforms, and the echo is what is said about it."""
    report = hold(OnlyEchoes())
    assert not report.has_answered
    assert report.as_json()["conforms"] is False
    assert report.findings == ()
    assert "echoes" in report.remarks[0]


def changed(**fields: Callable[[int], int]) -> type[PressedDevice]:
    """Return a device whose hello replies have another id or type."""

    def writes(line: bytes) -> bytes:
        if type_of(line) != MessageType.HELLO_REPLY:
            return line
        message = decode_message(item_of(line))
        more: dict[str, Any] = {n: change(getattr(message, n)) for n, change in fields.items()}
        return line_of(encode_message(replace(message, **more)))

    return device(writes=writes)


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"id": lambda id_: id_ ^ 1}, "another id"),
        ({"type": lambda _: 4}, "another type"),
        ({"type": lambda _: 1}, None),
    ],
    ids=["id", "type", "odd type"],
)
def test_another_answer_to_hello_is_none(
    fields: dict[str, Callable[[int], int]], told: str | None
) -> None:
    """The report says what came instead; a message of an odd type counts for nothing."""
    report = hold(type("Board", (Wrong,), {"device": changed(**fields)}).make())  # type: ignore[attr-defined]
    assert not report.has_answered
    assert not report.is_met
    words = [fault.words for finding in report.findings for fault in finding.faults]
    assert any(told in each for each in words) if told else words == []
    assert told or "odd types" in report.remarks[0]


def test_a_wrong_check_is_told_though_nothing_answers() -> None:
    """The first thing that goes wrong in a new firmware: the line, whole, and what is wrong."""

    def writes(line: bytes) -> bytes:
        body = line.strip(b"\n")[1:-8]
        return framed(body, zlib.crc32(body))

    report = hold(type("Board", (Wrong,), {"device": device(writes=writes)}).make())  # type: ignore[attr-defined]
    assert not report.has_answered
    told = report.lines()
    assert any("CRC-32/ISO-HDLC" in line for line in told)
    assert any(line.startswith("~hAEC") and len(line) > 100 for line in told)


class Echoing(PressedDevice):
    """Echoes all that comes, as a console does, before it answers."""

    ends = b"\n"

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        return data.replace(b"\n", self.ends) + super().receive(data, now_ms)


@pytest.mark.parametrize("ends", [b"\n", b"\r\n"], ids=["LF", "CR LF"])
def test_a_console_that_echoes_does_no_harm(ends: bytes) -> None:
    """Clause 2.2: every check is met as without it, and the echo is mentioned once."""
    echoing = type("Echoing", (Echoing,), {"ends": ends})
    report = hold(type("Board", (Wrong,), {"device": echoing}).make())  # type: ignore[attr-defined]
    assert [f.name for f in report.findings if f.faults or f.follows_from] == []
    assert report.is_met
    (remark,) = report.remarks
    assert "2.2" in remark
    assert report.lines().count(remark) == 1


class Slow(PressedDevice):
    """Answers 400 ms after it was asked."""

    def _begin(self, now_ms: int) -> None:
        self.waiting: list[tuple[int, bytes]] = []
        super()._begin(now_ms)

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        self.waiting.append((now_ms + 400, super().receive(data, now_ms)))
        return b""

    def tick(self, now_ms: int) -> bytes:
        """See Device."""
        sent = super().tick(now_ms)
        while self.waiting and now_ms >= self.waiting[0][0]:
            sent += self.waiting.pop(0)[1]
        return sent


@pytest.mark.parametrize("patient", [False, True])
def test_a_slow_board_gets_an_early_verdict(*, patient: bool) -> None:
    """After its first replies; the rest is asked only if somebody has the patience."""
    told: list[str] = []
    slow = type("Board", (Wrong,), {"device": Slow}).make()  # type: ignore[attr-defined]
    report = hold(slow, Setup(may_change=False, patient=patient, seed=1, only="4"), told)
    assert "came later than clause 5.7 admits" in told[0]
    assert any(finding.clause == "5.7" and finding.faults for finding in report.findings)
    assert (report.exchanges < 60) is not patient
    assert (len(told) > 5) is patient  # the checks as they begin: each may take minutes


def test_the_person_is_told_to_leave_the_button_alone() -> None:
    """While presence is to lapse nothing else is seen of the kit for minutes."""
    from provision.board.state import Limits  # noqa: PLC0415

    told: list[str] = []
    board = type("Board", (Wrong,), {"limits": Limits(presence=60_000)}).make()  # type: ignore[attr-defined]
    report = hold(board, Setup(may_change=True, seed=1, only="5"), told)
    assert report.is_met
    assert Capability.PRESENCE in board.board.capabilities
    assert [words for words in told if "leave the button alone" in words]


def test_one_fault_is_told_once() -> None:
    """What every request shows is told where it stands first; the rest follows from it."""

    class Silent(PressedDevice):
        def receive(self, data: bytes, now_ms: int) -> bytes:
            sent = lines(super().receive(data, now_ms))
            return b"".join(line for line in sent if type_of(line) != MessageType.STATUS_REPLY)

    board = type("Board", (Wrong,), {"device": Silent}).make()  # type: ignore[attr-defined]
    report = hold(board, Setup(may_change=False, patient=True, seed=1, only="6"))
    missing = "no answer came to status"
    told = [f for f in report.findings if any(fault.words == missing for fault in f.faults)]
    assert len(told) == 1
    followers = [f for f in report.findings if f.follows_from == told[0].name]
    assert followers
    assert all(not f.faults for f in followers)
    assert f"follows from {told[0].name}" in "\n".join(report.lines())
    assert json.loads(json.dumps(report.as_json()))["conforms"] is False
