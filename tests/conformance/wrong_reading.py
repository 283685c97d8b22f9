# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong in what they tell when they are read: clauses 6.1 to 6.3, 6.8, 6.9, 8."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from provision.board.engine import Board, Body
from provision.board.staging import RequestRefused
from provision.board.store import pack_values
from provision.contract import profile
from provision.contract.messages import Message
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    Held,
    HelloReplyKey,
    Kind,
    Refusal,
    SurveyKey,
    SurveyReplyKey,
)
from provision.schema import constraints
from provision.schema.model import Setting
from tests.conformance.board import PressedDevice
from tests.conformance.making import (
    NETWORKS,
    Case,
    R,
    T,
    answering,
    changed,
    entries_of,
    lines,
    other_code,
    refusing,
    type_of,
)
from tests.conformance.wrong_order import before


def with_schema(change: Callable[[bytes], bytes]) -> type[Board]:
    """Return a board that gives other bytes for its deflated schema."""

    class Other(Board):
        def __init__(self, *arguments: Any, **more: Any) -> None:
            super().__init__(*arguments, **more)
            self._packed = replace(self._packed, deflated=change(self._packed.deflated))

    return Other


def of_schema(change: Callable[[Any], None]) -> type[Board]:
    """Return a board whose schema is another item, with the digest that this has."""

    class Other(Board):
        def __init__(self, *arguments: Any, **more: Any) -> None:
            super().__init__(*arguments, **more)
            item = profile.decode(zlib.decompress(self._packed.deflated, -15), 10)
            change(item)
            encoded = profile.encode(item, 10)
            deflate = zlib.compressobj(wbits=-15)
            self._packed = replace(
                self._packed,
                deflated=deflate.compress(encoded) + deflate.flush(),
                digest=hashlib.sha256(encoded).digest()[:8],
            )

    return Other


def _long_title(schema: Any) -> None:
    schema[2] = "o" * 41


def _same_keys(schema: Any) -> None:
    fields = schema[3][1][5]
    fields[1][1] = fields[0][1]


def entry(change: Callable[[Board, Setting, list[Item]], list[Item]]) -> type[Board]:
    """Return a board whose entries of get-values are changed."""

    class Other(Board):
        def _entry(self, setting: Setting) -> Item:
            own = super()._entry(setting)
            assert isinstance(own, list)
            return change(self, setting, own)

    return Other


def _half_a_page(board: Board, message: Message, reply: Body) -> Body:
    if message.type == T.GET_VALUES:
        entries = entries_of(reply)
        del entries[(len(entries) + 1) // 2 :]
    return reply


def _another_number(board: Board, setting: Setting, own: list[Item]) -> list[Item]:
    if setting.field.kind is Kind.INTEGER and own[1] == Held.SET:
        return [*own[:2], 3 if own[2] != 3 else 4]
    return own


def _inactive_unset(board: Board, setting: Setting, own: list[Item]) -> list[Item]:
    return own if setting.key in constraints.active(board.schema, board.stored) else [own[0], 0]


class RefusesScans(Board):
    """Knows scans by their numbers only, and starts none."""

    def _survey(self, body: Body) -> Body:
        if SurveyKey.SCAN not in body:
            raise RequestRefused(Refusal.OUT_OF_BOUNDS, detail=0)
        return super()._survey(body)


class CountsByTwo(Board):
    """Gives every other number to a scan."""

    def _survey(self, body: Body) -> Body:
        if SurveyKey.SCAN not in body and self._scan.done:
            self._scan.number += 1
        return super()._survey(body)


class CountsOn(Board):
    """Gives the first scan after a start the number that follows."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        number = self._scan.number if hasattr(self, "_scan") else 0
        super().restart(boot_number, now_ms)
        self._scan.number = number


class StartsAnother(Board):
    """Starts a scan for every request, whether one runs or not."""

    def _survey(self, body: Body) -> Body:
        if SurveyKey.SCAN not in body:
            self._scan.done = True
        return super()._survey(body)


class AlwaysFromZero(Board):
    """Gives networks from the first one on, whatever was asked for."""

    def _survey(self, body: Body) -> Body:
        reply = super()._survey(body)
        if SurveyKey.SCAN in body:
            reply = super()._survey({SurveyKey.SCAN: body[SurveyKey.SCAN]})
        return reply


class FirstStarts(Board):
    """Starts a scan for a request that has a `first` and no scan."""

    def _survey(self, body: Body) -> Body:
        if SurveyKey.SCAN not in body:
            body = {}
        return super()._survey(body)


class OneNetwork(Board):
    """Gives one network in a reply."""

    def _survey(self, body: Body) -> Body:
        reply = super()._survey(body)
        networks = reply[SurveyReplyKey.NETWORKS]
        assert isinstance(networks, list)
        return {**reply, SurveyReplyKey.NETWORKS: networks[:1]}


class NeverDone(Board):
    """Finds one more network whenever it is asked, and is not done then."""

    def _survey(self, body: Body) -> Body:
        reply = super()._survey(body)
        asked = body.get(SurveyKey.FIRST, 0)
        done = reply[SurveyReplyKey.DONE]
        return {**reply, SurveyReplyKey.DONE: done and asked != 0}


class ForgetsScan(PressedDevice):
    """Forgets the networks some seconds after its scan has ended."""

    ended = 0

    def tick(self, now_ms: int) -> bytes:
        """See Device."""
        scan = self.board._scan
        if not scan.done or not scan.networks:
            self.ended = now_ms
        elif now_ms - self.ended > 3000:
            scan.networks.clear()
        return super().tick(now_ms)


class SkipsOne(Board):
    """Counts scans from 2 after 255."""

    def _survey(self, body: Body) -> Body:
        if SurveyKey.SCAN not in body and self._scan.done and self._scan.number == 255:
            self._scan.number = 1
        return super()._survey(body)


def _of_last_scan(message: Message, refused: RequestRefused) -> RequestRefused | Body:
    """Give what the last scan found, where a new one would have begun."""
    if message.type == T.SURVEY and SurveyKey.SCAN not in message.body:
        return RequestRefused(refused.code, detail=40)
    return refused


class LateLamp(PressedDevice):
    """Answers locate when it has blinked for five seconds."""

    due = 0
    answer = b""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        if any(type_of(line) == T.LOCATE_REPLY for line in lines(sent)):
            self.due, self.answer = now_ms + 5000, sent
            return b""
        return sent

    def tick(self, now_ms: int) -> bytes:
        """See Device."""
        sent = super().tick(now_ms)
        if self.answer and now_ms >= self.due:
            sent, self.answer = sent + self.answer, b""
        return sent


class FellBack(PressedDevice):
    """Holds a value that its firmware cannot take, as after an update."""

    def _begin(self, now_ms: int) -> None:
        board = self.board
        if not board.store.current.is_set:
            payload = pack_values(board.schema, {"net.name": b"orchard", "numbers.integer": 1000})
            board.store.commit(payload, b"too-much", bytes(8), on_trial=False)
        super()._begin(now_ms)
        board._come_into_force()


READING_CASES: tuple[Case, ...] = (
    Case("6.1.4", "announces a schema of one byte more", {"board": changed(T.HELLO, HelloReplyKey.SCHEMA_SIZE, lambda n: n + 1)}),
    Case("6.1.5", "erases, and does not announce it", {"board": changed(T.HELLO, HelloReplyKey.CAPABILITIES, lambda c: c & ~int(Capability.ERASE))}),
    Case("6.2.5", "has a byte behind its deflate stream", {"board": with_schema(lambda deflated: deflated + b"\x00")}),
    Case("6.3.2", "gives half of what fits into a page", {"board": answering(_half_a_page)}),
    Case("6.3.4", "says fell-back where nothing is stored", {"board": entry(lambda b, s, own: [own[0], 2, *own[2:]] if own[1] == 0 and s.field.default is None else own)}),
    Case("6.3.5", "gives another number than the one stored", {"board": entry(_another_number)}),
    Case("6.3.6", "gives no default where a value fell back", {"board": entry(lambda b, s, own: own[:2] if own[1] == Held.FELL_BACK else own), "device": FellBack}),
    Case("6.3.6", "gives the unfit value where it fell back", {"board": entry(lambda b, s, own: [*own[:2], 100] if own[1] == Held.FELL_BACK else own), "device": FellBack}),
    Case("6.3.8", "shows what is not active as unset", {"board": entry(_inactive_unset)}),
    Case("6.3.12", "says range for a page beyond the end", {"board": other_code(R.OUT_OF_BOUNDS, R.RANGE, T.GET_VALUES)}),
    Case("6.8.1", "starts no scan", {"board": RefusesScans}),
    Case("6.8.2", "counts scans by two", {"board": CountsByTwo, "surroundings": NETWORKS}),
    Case("6.8.2", "goes on counting scans over a start", {"board": CountsOn, "surroundings": NETWORKS}),
    Case("6.8.2", "counts scans from 2 after 255", {"board": SkipsOne}),
    Case("6.8.3", "starts a scan while one runs", {"board": StartsAnother, "surroundings": NETWORKS}),
    Case("6.8.4", "gives networks from the first one always", {"board": AlwaysFromZero, "surroundings": NETWORKS}),
    Case("6.8.5", "refuses a `first` that is the count", {"board": before(lambda b, m: m.type == T.SURVEY and 0 < len(b._scan.networks) == m.body.get(SurveyKey.FIRST), R.OUT_OF_BOUNDS, detail=40), "surroundings": NETWORKS}),
    Case("6.8.6", "starts a scan where a `first` has none", {"board": FirstStarts, "surroundings": NETWORKS}),
    Case("6.8.7", "gives one network in a reply", {"board": OneNetwork, "surroundings": NETWORKS}),
    Case("6.8.9", "forgets networks some seconds after its scan", {"device": ForgetsScan, "surroundings": NETWORKS}),
    Case("6.8.9", "is done, and is not", {"board": NeverDone, "surroundings": NETWORKS}),
    Case("6.8.10", "is busy when it is asked for its schema", {"board": before(lambda b, m: m.type == T.GET_SCHEMA and m.body.get(2) == 37, R.BUSY)}, "6.2"),
    Case("6.9.1", "answers locate when it has blinked", {"device": LateLamp}),
    Case("7.2.2", "gives what the last scan found where a new one would begin", {"board": refusing(_of_last_scan), "surroundings": NETWORKS}),
    Case("8.1.1", "has a title of 41 characters", {"board": of_schema(_long_title)}),
    Case("8.2.1", "has two fields of the same key", {"board": of_schema(_same_keys)}),
    Case("8.2.2", "names fields without their section", {"board": entry(lambda b, s, own: [s.field.key, *own[1:]])}),
)  # fmt: skip
