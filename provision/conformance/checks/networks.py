# SPDX-License-Identifier: MIT
"""Checks of survey and locate: clauses 6.8 and 6.9."""

from __future__ import annotations

from provision.conformance.bench import Bench
from provision.conformance.check import Check
from provision.conformance.checks.reading import leaves_room
from provision.conformance.checks.undoing import restart_board
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Procedure
from provision.conformance.wire import Body
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    MessageType,
    Refusal,
    RefusalKey,
    SurveyKey,
    SurveyReplyKey,
)

_SCAN_TIME = 60_000  # ms that a scan of the networks may take before the kit gives up
_BUSY_TRIES = 10
_MOST_IN_REPLY = 64  # networks (clause 11.2)
_LARGEST_NETWORK: Item = [bytes(32), -128, 3]


def survey(bench: Bench) -> Procedure[None]:
    """A scan is answered at once, read by its number, and its networks keep their numbers."""
    bench.needs(Capability.SURVEY)
    body = yield from _start_scan(bench)
    number = body[SurveyReplyKey.SCAN]
    known = yield from _networks(bench, body, [])
    end = bench.now + _SCAN_TIME
    while not body[SurveyReplyKey.DONE] or len(known) < _count(body):
        body = yield from bench.answer(
            MessageType.SURVEY, {SurveyKey.SCAN: number, SurveyKey.FIRST: len(known)}
        )
        if body[SurveyReplyKey.SCAN] != number:
            raise NotMet("the reply is from another scan than was asked for")
        known = yield from _networks(bench, body, known)
        if bench.now > end:
            raise NotMet(f"the scan did not end within {_SCAN_TIME // 1000} s")
        if not body[SurveyReplyKey.DONE]:
            yield from bench.silence(200)
    again = yield from bench.answer(MessageType.SURVEY, {SurveyKey.SCAN: number})
    page = again[SurveyReplyKey.NETWORKS]
    assert isinstance(page, list)
    if page != known[: len(page)]:
        raise NotMet("networks that were given changed within a scan")
    if not again[SurveyReplyKey.DONE] or _count(again) != len(known):
        raise NotMet("the scan had ended, and went on")


def _start_scan(bench: Bench) -> Procedure[Body]:
    for _ in range(_BUSY_TRIES):
        reply = yield from bench.ask(MessageType.SURVEY)
        if reply.type != MessageType.REFUSAL:
            if reply.body[SurveyReplyKey.FIRST] != 0:
                raise NotMet("a new scan does not begin with network 0")
            return reply.body
        bench.must_refuse(reply, Refusal.BUSY)
        yield from bench.silence(1000)
    raise NotApplicable("the board was busy all the time")


def _count(body: Body) -> int:
    count = body[SurveyReplyKey.COUNT]
    assert isinstance(count, int)
    return count


def _networks(bench: Bench, body: Body, known: list[Item]) -> Procedure[list[Item]]:
    page = body[SurveyReplyKey.NETWORKS]
    assert isinstance(page, list)
    if body[SurveyReplyKey.FIRST] != len(known):
        raise NotMet(f"networks from {body[SurveyReplyKey.FIRST]!a} came, not from {len(known)}")
    if len(known) + len(page) > _count(body):
        raise NotMet("more networks came than `count` says")
    if not page and len(known) < _count(body):
        raise NotMet("no network came, though there are more")
    more = len(known) + len(page) < _count(body)
    if more and len(page) < _MOST_IN_REPLY and leaves_room(bench, page, _LARGEST_NETWORK):
        raise NotMet("a reply leaves room for the network that follows")
    yield from bench.after()
    return known + page


def survey_bounds(bench: Bench) -> Procedure[None]:
    """Another scan's number, or a `first` above the count, is refused with `out-of-bounds`."""
    bench.needs(Capability.SURVEY)
    body = yield from _start_scan(bench)
    number = body[SurveyReplyKey.SCAN]
    assert isinstance(number, int)
    end = bench.now + _SCAN_TIME
    while not body[SurveyReplyKey.DONE] and bench.now < end:
        yield from bench.silence(200)
        body = yield from bench.answer(MessageType.SURVEY, {SurveyKey.SCAN: number})
    count: Body = {RefusalKey.DETAIL: _count(body)}
    bad: tuple[tuple[str, dict[int, int]], ...] = (
        ("another scan", {SurveyKey.SCAN: number % 255 + 1}),
        ("a `first` above the count", {SurveyKey.SCAN: number, SurveyKey.FIRST: _count(body) + 1}),
        ("a `first` without a scan", {SurveyKey.FIRST: 1}),
    )
    for what, asked in bad:
        if asked.get(SurveyKey.FIRST, 0) > 255:
            continue
        details = count if SurveyKey.SCAN in asked else None
        yield from bench.refused(
            MessageType.SURVEY, {**asked}, Refusal.OUT_OF_BOUNDS, details, what=what
        )
    last: Body = {SurveyKey.SCAN: number, SurveyKey.FIRST: _count(body)}
    if (yield from bench.ask(MessageType.SURVEY, last)).type == MessageType.REFUSAL:
        raise NotMet("a `first` that is the count was refused, and is not above it")
    same = yield from bench.ask(MessageType.SURVEY, {SurveyKey.SCAN: number})
    if same.type == MessageType.REFUSAL:
        raise NotMet("a refused request started a scan")
    new = yield from _start_scan(bench)
    if new[SurveyReplyKey.SCAN] != number % 255 + 1:
        raise NotMet(f"the scan after {number} has the number {new[SurveyReplyKey.SCAN]!a}")
    if not new[SurveyReplyKey.DONE]:
        running = yield from bench.answer(MessageType.SURVEY)
        if running[SurveyReplyKey.SCAN] != new[SurveyReplyKey.SCAN]:
            raise NotMet("a scan was started while one runs")


def numbers_after_start(bench: Bench) -> Procedure[None]:
    """The first scan after a start has the number 1."""
    bench.needs(Capability.SURVEY)
    yield from _start_scan(bench)
    yield from restart_board(bench)
    body = yield from _start_scan(bench)
    if body[SurveyReplyKey.SCAN] != 1:
        raise NotMet(f"the first scan after a start has the number {body[SurveyReplyKey.SCAN]!a}")


def locate(bench: Bench) -> Procedure[None]:
    """Locate is granted at any time, and does not hold the conversation up."""
    bench.needs(Capability.LOCATE)
    yield from bench.answer(MessageType.LOCATE)
    yield from bench.answer(MessageType.LOCATE)
    yield from bench.status()


NETWORK_CHECKS = (
    Check(
        ("6.8.1", "6.8.4", "6.8.7", "6.8.8", "6.8.9"),
        "A scan of networks is read to its end",
        survey,
    ),
    Check(
        ("6.8.2", "6.8.3", "6.8.5", "6.8.6", "7.2.4"),
        "A scan is known by its number",
        survey_bounds,
    ),
    Check(("6.8.2",), "Scans count from 1 after a start", numbers_after_start, changes=True),
    Check(("6.9.1",), "The board shows itself", locate),
)
"""Clauses 6.8 and 6.9."""
