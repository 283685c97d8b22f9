# SPDX-License-Identifier: MIT
"""A line and a small board in virtual time, so that whole sessions run without a clock.

The board follows shared/protocol.md as far as these tests go, and can be told to answer otherwise.
"""

from __future__ import annotations

import heapq
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from provision.contract.digest import staged_digest
from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, check_body, decode_message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    PROTOCOL_VERSION,
    Capability,
    CommitKey,
    GetSchemaKey,
    GetValuesKey,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    StatusReplyKey,
    Store,
    SurveyKey,
)
from provision.link.operations import Procedure
from provision.link.session import ProcedureRun, Session

_Result = TypeVar("_Result")

Body = dict[int, Any]
Fault = Callable[[int, bytes], bytes]
"""Gets number and bytes of a line that is sent, and returns what arrives of it."""

OLDER_TOKEN = b"of-old 1"
"""Of the set that undo goes back to."""

LINE = re.compile(rb"\n~[^\n]*\n")


def body_of(line: bytes) -> Message:
    """Decode one line by the contract."""
    (frame,) = LineReceiver().feed(line)
    assert isinstance(frame, Frame)
    return decode_message(frame.item)


def line_of(type_: int, id_: int, body: Body, version: int = PROTOCOL_VERSION) -> bytes:
    """Encode one line by the contract."""
    return encode_line(encode_message(Message(version, type_, id_, body)))


@dataclass
class SmallBoard:
    """A board of a few hundred bytes of schema and some fields; all it has can be looked at."""

    schema: bytes = bytes(range(256)) * 4
    stored: dict[str, Item] = field(default_factory=dict)
    keys: tuple[str, ...] = tuple(f"mast.probe-{n}" for n in range(14))
    line: int = 655
    credit: int = 2048
    commit_time: int = 500
    capabilities: Capability = Capability.RECEIVES_WHILE_STORING
    unit: bytes = b"unit-one"
    boot: int = 77
    generation: int = 0
    token: bytes | None = None
    store: Store = Store.EMPTY
    staged: dict[str, Item] = field(default_factory=dict)
    parts: tuple[str, int, bytes] | None = None
    piece: int = 470
    page: int = 512
    requests: list[Message] = field(default_factory=list)
    commits: int = 0
    instead: dict[MessageType, Callable[[Message], Any]] = field(default_factory=dict)
    """Answers a type otherwise: by a body, a refusal, bytes as they are, or None for as usual."""

    _lines: LineReceiver = field(default_factory=LineReceiver)

    def restart(self) -> None:
        """Start anew: a new boot number, and nothing staged."""
        self.boot += 1
        self.staged.clear()
        self.parts = None

    def receive(self, data: bytes) -> bytes:
        """Take bytes; return the replies."""
        out = b""
        for event in self._lines.feed(data):
            if isinstance(event, Frame):
                request = decode_message(event.item)
                if request.type % 2:
                    out += self._answer(request)
        return out

    def _answer(self, request: Message) -> bytes:
        check_body(request)
        self.requests.append(request)
        kind = MessageType(request.type)
        answer = self.instead[kind](request) if kind in self.instead else None
        if answer is None:
            answer = getattr(self, f"_{kind.name.lower()}")(request.body)
        if isinstance(answer, bytes):
            return answer
        if isinstance(answer, Refusal):
            answer = (answer, {})
        if isinstance(answer, tuple):
            code, more = answer
            return line_of(MessageType.REFUSAL, request.id, {RefusalKey.CODE: code, **more})
        return line_of(kind + 1, request.id, answer)

    def hello_body(self) -> Body:
        """Return the body of the hello reply."""
        return {
            HelloReplyKey.VERSIONS: [1],
            HelloReplyKey.FIRMWARE: "orchard-frost-alarm",
            HelloReplyKey.FIRMWARE_VERSION: "1.0",
            HelloReplyKey.BOARD: "mast",
            HelloReplyKey.UNIT: self.unit,
            HelloReplyKey.BOOT: self.boot,
            HelloReplyKey.SCHEMA_DIGEST: bytes(8),
            HelloReplyKey.SCHEMA_SIZE: len(self.schema),
            HelloReplyKey.LINE: self.line,
            HelloReplyKey.CREDIT: self.credit,
            HelloReplyKey.COMMIT_TIME: self.commit_time,
            HelloReplyKey.ERASE_TIME: 2000,
            HelloReplyKey.APPLY_TIME: 5000,
            HelloReplyKey.CAPABILITIES: int(self.capabilities),
            HelloReplyKey.TOKEN: self.token,
            HelloReplyKey.LISTENS: None,
            HelloReplyKey.GENERATION: self.generation,
        }

    def status_body(self) -> Body:
        """Return the body of the status reply."""
        return {
            StatusReplyKey.STORE: self.store,
            StatusReplyKey.STAGED: len(self.staged),
            StatusReplyKey.RUN: 1,
            StatusReplyKey.GENERATION: self.generation,
            StatusReplyKey.BOOT: self.boot,
        }

    def _hello(self, _: Body) -> Body:
        return self.hello_body()

    def _status(self, _: Body) -> Body:
        return self.status_body()

    def _get_schema(self, body: Body) -> Any:
        offset, length = body[GetSchemaKey.OFFSET], body[GetSchemaKey.LENGTH]
        if offset >= len(self.schema):
            return Refusal.OUT_OF_BOUNDS
        return {1: offset, 2: self.schema[offset : offset + min(length, self.piece)]}

    def _get_values(self, body: Body) -> Body:
        first = body[GetValuesKey.FIRST]
        entries: list[Item] = [
            [key, 1, self.stored[key]] if key in self.stored else [key, 0] for key in self.keys
        ]
        return {1: first, 2: len(entries), 3: entries[first : first + min(self.page, 12)]}

    def _set_field(self, body: Body) -> Any:
        key = body[SetFieldKey.FIELD]
        if SetFieldKey.VALUE in body:
            self.parts = None
            self.staged[key] = body[SetFieldKey.VALUE]
            return {1: len(self.staged)}
        at, total, part = (
            body[k] for k in (SetFieldKey.OFFSET, SetFieldKey.TOTAL, SetFieldKey.PART)
        )
        held = self.parts[2] if self.parts and self.parts[:2] == (key, total) else b""
        if at <= len(held) and held[at : at + len(part)] == part and held:
            pass
        elif at in (0, len(held)):
            held = held + part if at else part
            self.staged.pop(key, None)
        else:
            return Refusal.GAP, {RefusalKey.DETAIL: len(held), RefusalKey.FIELD: key}
        self.parts = (key, total, held)
        if len(held) == total:
            self.staged[key] = held
        return {1: len(self.staged), 2: len(held)}

    def _commit(self, body: Body) -> Any:
        token = body[CommitKey.TOKEN]
        if token == self.token:
            self.staged.clear()
            return {1: self.generation}
        if not self.staged:
            return Refusal.WRONG_STATE
        pairs = [(key, self.staged[key]) for key in self.keys if key in self.staged]
        if (len(pairs), staged_digest(pairs)) != (body[CommitKey.COUNT], body[CommitKey.DIGEST]):
            self.staged.clear()
            return Refusal.SET_DIFFERS
        self.stored |= self.staged
        self.staged.clear()
        self.commits += 1
        self.generation += 1
        self.token = token
        self.store = Store.COMPLETE
        return {1: self.generation}

    def _discard(self, body: Body) -> Any:
        if body[1] != self.boot:
            return Refusal.MOVED_ON, {RefusalKey.DETAIL: self.boot}
        self.staged.clear()
        self.parts = None
        return {}

    def _moving(self, body: Body, store: Store) -> Any:
        if body[1] != self.generation:
            return Refusal.MOVED_ON, {RefusalKey.DETAIL: self.generation}
        self.generation += 1
        self.store = store
        return {1: self.generation}

    def _undo(self, body: Body) -> Any:
        answer = self._moving(body, Store.COMPLETE)
        if isinstance(answer, dict):
            self.token = OLDER_TOKEN
        return answer

    def _confirm(self, body: Body) -> Any:
        return self._moving(body, Store.COMPLETE)

    def _erase(self, body: Body) -> Any:
        return self._moving(body, Store.EMPTY)

    def _restart(self, body: Body) -> Any:
        if body[1] != self.boot:
            return Refusal.MOVED_ON, {RefusalKey.DETAIL: self.boot}
        self.restart()
        return {}

    def _locate(self, _: Body) -> Body:
        return {}

    def _survey(self, body: Body) -> Body:
        found = [[b"orchard", -50, 1], [b"shed", -70, 0], [b"\xff", -90, 9]]
        first = body.get(SurveyKey.FIRST, 0)
        is_new = SurveyKey.SCAN not in body
        return {
            1: 5,
            2: not is_new,
            3: 1 if is_new else 3,
            4: first,
            5: found[first : 1 if is_new else first + 1],
        }


@dataclass
class VirtualLine:
    """A session and a board at both ends of a line with a rate, a latency, and faults."""

    board: SmallBoard
    baud: int = 115200
    latency: float = 0.002  # seconds, one way
    to_board: Fault = lambda _, line: line
    to_host: Fault = lambda _, line: line
    at: dict[int, Callable[[], None]] = field(default_factory=dict)
    """What happens when the host has sent so many lines."""

    def __post_init__(self) -> None:
        self.session = Session(baud=self.baud, first_id=65530)
        self.now = 0.0
        self.log: list[str] = []
        self.notices: list[Any] = []
        self.sent: list[bytes] = []
        self.received = 0  # lines
        self.received_bytes = 0
        self._order = 0
        self._events: list[tuple[float, int, bool, bytes]] = []
        self._free = {True: 0.0, False: 0.0}

    def start(self, procedure: Procedure[_Result]) -> ProcedureRun[_Result]:
        """Set a procedure going at the present time."""
        return self.session.start(procedure, self.now)

    def run(self, procedure: Procedure[_Result]) -> _Result:
        """Let time pass until the procedure has ended, and return its result."""
        run = self.start(procedure)
        self.until(lambda: run.finished)
        return run.result()

    def until(self, ended: Callable[[], bool], limit: float = 600.0) -> None:
        """Let time pass until something holds."""
        self._poll()
        steps = 0
        while not ended():
            steps += 1
            deadline = self.session.next_deadline()
            times = [t for t in (deadline, self._events[0][0] if self._events else None) if t]
            assert times, "the session waits for nothing"
            assert steps < 200_000, "the session spins"
            self.now = max(self.now, min(times))
            assert self.now < limit, "the session does not end"
            while self._events and self._events[0][0] <= self.now:
                _, _, to_board, data = heapq.heappop(self._events)
                if to_board:
                    self._ship(self.board.receive(data), to_board=False)
                else:
                    self.session.receive(data, self.now)
                    self._collect()
            self._poll()

    def _poll(self) -> None:
        self._ship(self.session.poll(self.now), to_board=True)
        self._collect()

    def _collect(self) -> None:
        self.log += self.session.take_log()
        self.notices += self.session.take_notices()
        self.session.take_finished()

    def _ship(self, data: bytes, *, to_board: bool) -> None:
        pieces = LINE.findall(data) if to_board else [data] if data else []
        for piece in LINE.findall(data) or pieces:
            if to_board:
                number = len(self.sent)
                self.sent.append(piece)
                if number in self.at:
                    self.at[number]()
                arriving = self.to_board(number, piece)
            else:
                arriving = self.to_host(self.received, piece)
                self.received_bytes += len(arriving)
                self.received += 1
            start = max(self.now, self._free[to_board])
            self._free[to_board] = start + len(piece) * 10 / self.baud
            self._order += 1
            event = (self._free[to_board] + self.latency, self._order, to_board, arriving)
            heapq.heappush(self._events, event)


def lose(*numbers: int) -> Fault:
    """Lose the lines with these numbers."""
    return lambda number, line: b"" if number in numbers else line
