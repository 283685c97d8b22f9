# SPDX-License-Identifier: MIT
"""What the kit tells, to whom, and what it never tells."""

from __future__ import annotations

import base64
import json
import random
import re
from collections.abc import Callable
from contextlib import nullcontext

import pytest

from provision.board.store import pack_values
from provision.conformance.checks.sets import grew_once
from provision.conformance.ear import Came, LineListener, Logged
from provision.conformance.findings import NotMet
from provision.conformance.leaks import LeakSearch
from provision.conformance.shown import show_line
from provision.conformance.watch import Setup
from provision.contract.table import MessageType
from tests.conformance.board import PressedDevice
from tests.conformance.making import Wrong, framed, item_of, line_of, lines, type_of
from tests.conformance.virtual import hold
from tests.conformance.wrong_conversation import ShowsStars

SECRET = b"w7-Zephyr.0419-blossom"


def hexadecimal(secret: bytes) -> bytes:
    """As a debug print would have it."""
    return secret.hex().encode()


def upper_hexadecimal(secret: bytes) -> bytes:
    """The same in capitals."""
    return secret.hex().upper().encode()


def shifted(by: int) -> Callable[[bytes], bytes]:
    """In base64, behind so many bytes of something else."""
    return lambda secret: base64.b64encode(b"xyz"[:by] + secret + b"tail")


@pytest.mark.parametrize(
    "form", [bytes, hexadecimal, upper_hexadecimal, shifted(0), shifted(1), shifted(2)]
)
def test_a_secret_is_found_in_every_form(form: Callable[[bytes], bytes]) -> None:
    """In the midst of other bytes, and however they are split."""
    for cut in range(1, 60, 7):
        search = LeakSearch()
        search.add(SECRET)
        text = b"log: 4.5 C " + form(SECRET) + b" and more of it"
        assert search.finds(text[:cut]) or search.finds(text[cut:])


def test_half_a_secret_is_found_and_chance_is_not() -> None:
    """Eight bytes of it are enough; a mebibyte of random bytes has none."""
    search = LeakSearch()
    search.add(SECRET)
    assert search.finds_within(b"..." + SECRET[6:14] + b"...")
    assert not search.finds_within(b"..." + SECRET[6:12] + b"...")
    assert not search.finds_within(random.Random(1).randbytes(1 << 20))


def test_lines_are_the_same_however_they_arrive() -> None:
    """Whole, and byte by byte, with log text between them."""
    message = line_of(bytes.fromhex("84010c07a0"))
    stream = b"boot\r\n" + message + b"4.5 C\n" + message + b"~damaged\n"
    whole = list(LineListener().feed(stream))
    ear = LineListener()
    assert [came for byte in stream for came in ear.feed(bytes([byte]))] == whole
    assert [bool(came.wrong) for came in whole if isinstance(came, Came)] == [False, False, True]
    assert [came.raw for came in whole if isinstance(came, Logged)] == [b"boot", b"4.5 C"]


def test_values_of_a_person_are_never_shown() -> None:
    """Of a reply with values only keys are in words, and no bytes: a wrong board tells secrets."""
    canary = "blossom-before-frost"
    head = bytes.fromhex("84010607a3")
    item = head + b"\x01\x00\x02\x01\x03\x81\x83\x61a\x01\x74" + canary.encode()
    shown = show_line(line_of(item).strip(b"\n"), lambda *_: False)
    assert shown.raw is None
    assert canary not in shown.words
    assert "'a' set" in shown.words


def test_what_a_damaged_reply_holds_is_not_shown_either() -> None:
    """Whatever a board sends when it was asked for values, its bytes are in no report."""

    class Damages(PressedDevice):
        def receive(self, data: bytes, now_ms: int) -> bytes:
            sent = super().receive(data, now_ms)
            is_values = b"~" in sent and type_of(lines(sent)[0]) == MessageType.GET_VALUES_REPLY
            return sent[:-3] + b"@@\n" if is_values else sent

    device = type("Damaging", (Wrong,), {"device": Damages}).make()  # type: ignore[attr-defined]
    canary = "orchard-alarm-name"
    board = device.board
    payload = pack_values(board.schema, {"words.long-text": canary, "net.name": b"n"})
    board.store.commit(payload, bytes(8), bytes(8), on_trial=False)
    board.restart(9, 0)
    report = hold(device, Setup(seed=1))
    assert not report.is_met
    told = json.dumps(report.as_json()) + "\n".join(report.lines())
    search = LeakSearch()
    search.add(canary.encode())
    assert not search.finds(told.encode())
    carried = [bytes.fromhex(found) for found in re.findall(r'"hex": "([0-9a-f]*)"', told)]
    assert carried
    assert not any(search.finds_within(item_of(b"\n" + line + b"\n")) for line in carried)


def test_the_report_names_what_was_sent_and_what_came() -> None:
    """In words and in hexadecimal digits, for people and as JSON."""
    device = type("Stars", (Wrong,), {"board": ShowsStars}).make()  # type: ignore[attr-defined]
    report = hold(device)
    told = json.loads(json.dumps(report.as_json()))
    assert told["conforms"] is False
    assert told["not_met"] == sum(clause["verdict"] == "not met" for clause in told["clauses"])
    fault = next(c for c in told["clauses"] if c["verdict"] == "not met")["faults"][0]
    assert fault["words"]
    assert fault["sent"][0]["hex"].startswith("7e")
    assert report.summary() in report.lines()


def test_types_of_the_examples() -> None:
    """The bytes above are what they are taken for."""
    assert int(MessageType.STATUS_REPLY) == 0x0C
    assert framed(b"hAEBB6A") == b"\n~hAEBB6AKJIDNK@E\n"  # the example of clause 2.1


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (0, 1, None),
        (2**32 - 2, 2**32 - 1, None),
        (2**32 - 1, 1, None),
        (2**32 - 1, 0, "went to 0"),
        (2**32 - 1, 2, "grew by 2"),
        (7, 7, "did not grow"),
        (7, 6, "went back"),
        (7, 9, "grew by 2"),
    ],
)
def test_the_generation_after_the_largest_is_1(before: int, after: int, says: str | None) -> None:
    """Requirement 5.2.3; 0 is that of a board on which nothing was ever stored."""
    with pytest.raises(NotMet, match=says) if says else nullcontext():
        grew_once(before, after, "a commit")
