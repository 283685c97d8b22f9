# SPDX-License-Identifier: MIT
"""Lines of shared/vectors: the receiver in Python, and both boards, however the bytes arrive.

BODY and CHECK come from base64 (RFC 4648) and the package crc, not from this project.
"""

from __future__ import annotations

import re

import cbor2
import pytest

from provision.contract.line import Damaged, Frame, LineEvent, LineReceiver, LogText, encode_line
from scripts.derive.vectors import encoding
from tests.vectors.boards import Maker
from tests.vectors.files import Row, each, rows
from tests.vectors.talk import answers

BEFORE = b"reading 4.5 C\r\n\x00\xfe\n"
AFTER = b"\nreading 4.5 C\n" + encoding.line(encoding.message("hello", 99, {}))


def judged(event: LineEvent, expected: Row) -> bool:
    """Tell whether an event is the one expected."""
    match event:
        case Frame():
            return expected == {"frame": event.item.hex()}
        case Damaged():
            return expected == {"damaged": True}
        case LogText():
            pieces = expected.get("log", ())
            if pieces is None:
                return True
            parts = (r"\[[a-z ]+\]" if piece is None else re.escape(piece) for piece in pieces)
            return "log" in expected and re.fullmatch("".join(parts), event.text) is not None


def received(data: bytes, limit: int, step: int) -> list[LineEvent]:
    """Feed bytes, `step` at a time."""
    receiver = LineReceiver(limit)
    return [
        event for at in range(0, len(data), step) for event in receiver.feed(data[at : at + step])
    ]


def assert_events(events: list[LineEvent], expected: list[Row]) -> None:
    """Each event is the one expected, and there is no other."""
    assert len(events) == len(expected)
    assert all(map(judged, events, expected)), (events, expected)


@pytest.mark.parametrize("step", [10_000, 1, 7])
@each("lines")
def test_a_receiver_makes_of_bytes_what_the_page_says(vector: Row, step: int) -> None:
    """The events are the same in whatever pieces the bytes arrive."""
    data = bytes.fromhex(vector["bytes"])
    assert_events(received(data, vector["limit"], step), vector["events"])


@pytest.mark.parametrize("step", [10_000, 1])
@each("lines")
def test_text_around_changes_nothing(vector: Row, step: int) -> None:
    """Log text and stray bytes before, and log text and a message after, are by themselves."""
    data = BEFORE + bytes.fromhex(vector["bytes"]) + AFTER
    events = received(data, vector["limit"], step)
    assert_events(events[:2], [{"log": ["reading 4.5 C"]}, {"log": None}])
    last = {"frame": encoding.message("hello", 99, {}).hex()}
    assert_events(events[-2:], [{"log": ["reading 4.5 C"]}, last])
    # What had no end gets one by the LF that follows.
    middle = events[2:-2]
    assert_events(middle[: len(vector["events"])], vector["events"])
    assert len(middle) - len(vector["events"]) == (vector["id"] in {"not-ended", "echo-prompt"})


def requests(vector: Row) -> list[int]:
    """Ids of the requests among the messages that a vector holds."""
    ids = []
    for event in vector["events"]:
        if "frame" in event:
            try:
                match cbor2.loads(bytes.fromhex(event["frame"])):
                    case [1, type_, id_, dict()] if type_ % 2 == 1:
                        ids.append(id_)
            except (cbor2.CBORDecodeError, ValueError):
                pass  # a line that is good, and an item that is none
    return ids


@pytest.mark.parametrize("step", [10_000, 1])
@each("lines")
def test_a_board_answers_the_requests_among_them(boards: Maker, vector: Row, step: int) -> None:
    """A board answers each request once, in order, and nothing else."""
    board = boards.board_with_line(vector["limit"])
    data = BEFORE + bytes.fromhex(vector["bytes"]) + AFTER
    sent = b"".join(board.receive(data[at : at + step]) for at in range(0, len(data), step))
    expected = [*requests(vector), 99]
    if vector["id"] == "not-ended":
        expected = [7, 99]
    assert [answer.id for answer in answers(sent)] == expected
    board.close()


@pytest.mark.parametrize("limit", [655, 128])
def test_our_encoder_writes_the_lines_of_the_vectors(limit: int) -> None:
    """What the vectors show as sent, the encoder sends: same BODY, same CHECK, same LFs."""
    compared = 0
    for vector in rows("lines"):
        data = bytes.fromhex(vector["bytes"])
        for event in vector["events"]:
            if "frame" in event and vector["limit"] == limit and "valid" in vector["flags"]:
                assert encode_line(bytes.fromhex(event["frame"]), limit) in data
                compared += 1
    assert compared
