# SPDX-License-Identifier: MIT
"""Checks of survey and locate: clauses 6.8 and 6.9."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest, EndedScan
from provision.conformance.check import Check
from provision.conformance.checks.reading import leaves_room
from provision.conformance.checks.undo import restart_board
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.profile import Item
from provision.contract.table import (
    MAX_NETWORKS,
    Capability,
    MessageType,
    Refusal,
    RefusalKey,
    SurveyKey,
    SurveyReplyKey,
)

_LATER = 5000  # ms after the end of a scan until it is looked at again
_SCAN_POLL = 20  # ms between two looks at a scan that runs
_SCAN_TIME = 60_000  # ms that a scan of the networks may take before the kit gives up
_BUSY_TRIES = 10
_LAST_NUMBER = 255
_LARGEST_NETWORK: Item = [bytes(32), -128, 3]


def survey(board: BoardUnderTest) -> Steps[None]:
    """A scan is answered at once, read by its number, and its networks keep their numbers."""
    board.needs(Capability.SURVEY)
    body = yield from _start_scan(board)
    number = body[SurveyReplyKey.SCAN]
    known = yield from _networks(board, body, [])
    end = board.now + _SCAN_TIME
    while True:
        body, found = yield from _read_scan(board, number)
        if found[: len(known)] != known:
            raise NotMet("networks that were given changed within a scan, or `count` fell")
        known = found
        if body[SurveyReplyKey.DONE]:
            break
        if board.now > end:
            raise NotMet(f"the scan did not end within {_SCAN_TIME // 1000} s")
        yield from board.silence(_SCAN_POLL)
    board.ended_scan = EndedScan(board.now, board.boot, number, known)
    yield from _still_ended(board, board.ended_scan)


def _read_scan(
    board: BoardUnderTest, number: Item, ended: int | None = None
) -> Steps[tuple[Body, list[Item]]]:
    """Read all networks that a scan has found; return the last reply, and them.

    ended: how many there are, if the scan has ended.
    """
    known: list[Item] = []
    while True:
        body = yield from board.answer(
            MessageType.SURVEY, {SurveyKey.SCAN: number, SurveyKey.FIRST: len(known)}
        )
        if body[SurveyReplyKey.SCAN] != number:
            raise NotMet("the reply is from another scan than was asked for")
        if ended is not None and (not body[SurveyReplyKey.DONE] or _count(body) != ended):
            raise NotMet("the scan had ended, and went on")
        known = yield from _networks(board, body, known)
        if len(known) >= _count(body):
            return body, known


def _still_ended(board: BoardUnderTest, scan: EndedScan) -> Steps[None]:
    _, networks = yield from _read_scan(board, scan.number, len(scan.networks))
    if networks != scan.networks:
        raise NotMet("networks that were given changed within a scan")


def ended_for_good(board: BoardUnderTest) -> Steps[None]:
    """A scan that has ended is the same some seconds later."""
    board.needs(Capability.SURVEY)
    scan = board.ended_scan
    if scan is None or scan.boot != board.boot:
        raise NotApplicable("no scan was read to its end since the board's start")
    yield from board.silence(max(0, scan.at + _LATER - board.now))
    yield from _still_ended(board, scan)


def _start_scan(board: BoardUnderTest) -> Steps[Body]:
    for _ in range(_BUSY_TRIES):
        reply = yield from board.ask(MessageType.SURVEY)
        if reply.type != MessageType.REFUSAL:
            if reply.body[SurveyReplyKey.FIRST] != 0:
                raise NotMet("a new scan does not begin with network 0")
            return reply.body
        board.must_refuse(reply, Refusal.BUSY)
        yield from board.silence(1000)
    raise NotApplicable("the board was busy all the time")


def _count(body: Body) -> int:
    count = body[SurveyReplyKey.COUNT]
    assert isinstance(count, int)
    return count


def _networks(board: BoardUnderTest, body: Body, known: list[Item]) -> Steps[list[Item]]:
    page = body[SurveyReplyKey.NETWORKS]
    assert isinstance(page, list)
    if body[SurveyReplyKey.FIRST] != len(known):
        raise NotMet(f"networks from {body[SurveyReplyKey.FIRST]!a} came, not from {len(known)}")
    if len(known) + len(page) > _count(body):
        raise NotMet("more networks came than `count` says")
    if not page and len(known) < _count(body):
        raise NotMet("no network came, though there are more")
    more = len(known) + len(page) < _count(body)
    if more and len(page) < MAX_NETWORKS and leaves_room(board, page, _LARGEST_NETWORK):
        raise NotMet("a reply leaves room for the network that follows")
    yield from board.after()
    return known + page


def survey_bounds(board: BoardUnderTest) -> Steps[None]:
    """Another scan's number, or a `first` above the count, is refused with `out-of-bounds`."""
    board.needs(Capability.SURVEY)
    body = yield from _start_scan(board)
    body, number = yield from _until_done(board, body)
    count: Body = {RefusalKey.DETAIL: _count(body)}
    none: Body = {RefusalKey.DETAIL: 0}  # a new scan would have begun
    bad: tuple[tuple[str, dict[int, int]], ...] = (
        ("another scan", {SurveyKey.SCAN: number % 255 + 1}),
        ("a `first` above the count", {SurveyKey.SCAN: number, SurveyKey.FIRST: _count(body) + 1}),
        ("a `first` without a scan", {SurveyKey.FIRST: 1}),
    )
    for what, asked in bad:
        if asked.get(SurveyKey.FIRST, 0) > 255:
            continue
        details = count if SurveyKey.SCAN in asked else none
        yield from board.refused(
            MessageType.SURVEY, {**asked}, Refusal.OUT_OF_BOUNDS, details, what=what
        )
    last: Body = {SurveyKey.SCAN: number, SurveyKey.FIRST: _count(body)}
    if (yield from board.ask(MessageType.SURVEY, last)).type == MessageType.REFUSAL:
        raise NotMet("a `first` that is the count was refused, and is not above it")
    same = yield from board.ask(MessageType.SURVEY, {SurveyKey.SCAN: number})
    if same.type == MessageType.REFUSAL:
        raise NotMet("a refused request started a scan")
    new = yield from _start_scan(board)
    if new[SurveyReplyKey.SCAN] != number % 255 + 1:
        raise NotMet(f"the scan after {number} has the number {new[SurveyReplyKey.SCAN]!a}")
    if not new[SurveyReplyKey.DONE]:
        running = yield from board.answer(MessageType.SURVEY)
        if running[SurveyReplyKey.SCAN] != new[SurveyReplyKey.SCAN]:
            raise NotMet("a scan was started while one runs")


def _until_done(board: BoardUnderTest, body: Body) -> Steps[tuple[Body, int]]:
    """Wait until a scan has ended; return the last reply, and its number."""
    number = body[SurveyReplyKey.SCAN]
    assert isinstance(number, int)
    end = board.now + _SCAN_TIME
    while not body[SurveyReplyKey.DONE] and board.now < end:
        yield from board.silence(200)
        rest: Body = {SurveyKey.SCAN: number, SurveyKey.FIRST: _count(body)}
        body = yield from board.answer(MessageType.SURVEY, rest)
    return body, number


def numbers_begin_again(board: BoardUnderTest) -> Steps[None]:
    """Of as many scans as there are numbers each has the one after that before it."""
    board.needs(Capability.SURVEY)
    before = None
    for _ in range(_LAST_NUMBER + 1):
        _, number = yield from _until_done(board, (yield from _start_scan(board)))
        if before is not None and number != before % _LAST_NUMBER + 1:
            raise NotMet(f"the scan after {before} has the number {number}")
        before = number


def numbers_after_start(board: BoardUnderTest) -> Steps[None]:
    """The first scan after a start has the number 1."""
    board.needs(Capability.SURVEY)
    yield from _start_scan(board)
    yield from restart_board(board)
    body = yield from _start_scan(board)
    if body[SurveyReplyKey.SCAN] != 1:
        raise NotMet(f"the first scan after a start has the number {body[SurveyReplyKey.SCAN]!a}")


def locate(board: BoardUnderTest) -> Steps[None]:
    """Locate is granted at any time, and does not hold the conversation up."""
    board.needs(Capability.LOCATE)
    yield from board.answer(MessageType.LOCATE)
    yield from board.answer(MessageType.LOCATE)
    yield from board.status()


NETWORK_CHECKS = (
    Check(
        ("6.8.2", "6.8.1", "6.8.3", "6.8.5", "6.8.6", "7.2.2"),
        "A scan is known by its number",
        survey_bounds,
    ),
    Check(("6.8.2",), "Scans count from 1 after 255", numbers_begin_again, minutes=15),
    Check(
        ("6.8.1", "6.8.4", "6.8.7", "6.8.8", "6.8.9"),
        "A scan of networks is read to its end",
        survey,
    ),
    Check(("6.8.2",), "Scans count from 1 after a start", numbers_after_start, changes=True),
    Check(("6.9.1",), "The board shows itself", locate),
)
"""Clauses 6.8 and 6.9."""

LATER_CHECKS = (Check(("6.8.9",), "A scan that has ended stays as it is", ended_for_good),)
"""Looks at what the checks of survey left; comes later, so that it need not wait."""
