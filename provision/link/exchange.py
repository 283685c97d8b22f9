# SPDX-License-Identifier: MIT
"""Requests on their way to a board, and its replies on their way back (clauses 4.1, 5.6, 5.7).

    exchange = Exchange(baud=115200, first_id=secrets.randbelow(65536))
    exchange.submit(Request(MessageType.HELLO), now)
    port.write(exchange.poll(now))
    exchange.receive(port.read(), now)
    for answer in exchange.take_answers(): ...

Sans-I/O: bytes and the time go in, bytes and answers come out. Times are seconds of any clock that
never goes back. Clauses are those of shared/protocol.md. Requests go out in the order in which they
were submitted; every one that was not abandoned gets exactly one answer.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from types import MappingProxyType

from provision.contract.line import Damaged, Frame, LineFault, LineReceiver, encode_line
from provision.contract.messages import (
    MAX_ID,
    Message,
    MessageError,
    check_body,
    decode_message,
    encode_message,
)
from provision.contract.profile import Item
from provision.contract.table import (
    HELLO_INTERVAL_MS,
    LINE_OVERHEAD,
    MAX_BACKOFF_MS,
    MAX_BODY,
    MIN_BODY_LIMIT,
    PROTOCOL_VERSION,
    REPLY_ALLOWANCE_MS,
    STEP_BOUND_MS,
    Capability,
    GetSchemaKey,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    StatusReplyKey,
)
from provision.link.errors import Refused
from provision.link.known_secrets import KnownSecrets
from provision.link.replies import Body, read_refusal
from provision.phrases import mark

HELLO_INTERVAL = HELLO_INTERVAL_MS / 1000
PATIENCE = STEP_BOUND_MS / 1000
_ALLOWANCE = REPLY_ALLOWANCE_MS / 1000
_BACKOFF = MAX_BACKOFF_MS / 1000

_BITS_PER_BYTE = 10  # a start bit, eight data bits, a stop bit

_STORING = frozenset({MessageType.COMMIT, MessageType.UNDO, MessageType.CONFIRM, MessageType.ERASE})
"""Nothing follows these until their reply came, unless the board receives while it stores."""

# Whole lines of the replies whose length varies much; of the others a generous one, in bytes.
_LONG_REPLIES = frozenset({MessageType.HELLO, MessageType.GET_VALUES, MessageType.SURVEY})
_SHORT_REPLY = 64
_PIECE_REPLY = 32  # of a reply with a piece, beyond its bytes in base64url

_MALFORMED_BOUND = 2  # so many replies of a wrong form to one request are no accident
_DAMAGE_BOUND = 3  # so many damaged frames while no answer comes are no accident
_DAMAGE_KEPT = 64  # so many of the last are compared with each other
_DAMAGE_NOTICED = 5  # so many of them ...
_DAMAGE_SPAN = 10.0  # ... within so many seconds are worth a word, once, even where answers come
_WITHHELD = "[log withheld while settings are sent]"
_UNHEARD_NOTICED = 8  # repeats of hello to which something came, but no frame


class Notice(Enum):
    """What the person may want to know while nothing is wrong yet."""

    WAITING = auto()
    """The board is slow to answer; the request is repeated."""

    SPEAKS_ELSE = auto()
    """Bytes come from the port, but no answer to hello among them."""

    OTHER_READER = auto()
    """Many answers come damaged: another program may be reading this port."""

    RESTARTED = auto()
    """The board has restarted: its boot number is a new one."""

    LINE_LOST = auto()
    """The port is gone."""


class LossReason(Enum):
    """What came from the port while an answer did not."""

    SILENT = auto()
    ELSE = auto()
    ECHO = auto()
    DAMAGED = auto()
    ALIKE = auto()
    """The same lines fail again and again: no bad line, and no other reader, does that."""
    MALFORMED = auto()


_Failing = tuple[LineFault | None, int]
"""How a line failed: its fault, None for a valid frame without a message, and its CRC. Where the
CHECK matches, the line came as it was sent, and 0 stands for its CRC: it is the firmware's fault,
whether or not the line comes again."""

_SAME_FAULTS: Mapping[LineFault | None, str] = MappingProxyType(
    {
        LineFault.TOO_LONG: mark("all its lines are too long"),
        LineFault.CHECK: mark("all its lines have a wrong CHECK"),
        LineFault.SPELLING: mark("all its lines have a wrongly encoded BODY"),
        None: mark("none of its lines holds a message"),
    }
)


@dataclass(frozen=True, slots=True)
class Lost:
    """No answer came in time.

    fault tells what was wrong with answers that came malformed, in English, or what is wrong with
    lines that all fail alike, yet to be translated.
    """

    why: LossReason
    fault: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Request:
    """One request, and how to see it through; two are the same only if they are one object.

    delay: seconds to hold it back. every: seconds between repeats, instead of when it is late.
    patience: seconds from the first sending until it is given up, announced times apart; None: for
    ever. sends: how often to send it at most. on_sent: called when it is first sent.
    """

    type: MessageType
    body: dict[int, Item] = field(default_factory=dict, repr=False)  # may hold a secret
    delay: float = 0.0
    every: float | None = None
    patience: float | None = PATIENCE
    sends: int | None = None
    on_sent: Callable[[], None] | None = None


@dataclass(frozen=True, slots=True)
class RequestResult:
    """What came of a request: its reply's body, a refusal, or nothing.

    losses: how often it was sent in vain.
    """

    id: int
    request: Request
    result: Body | Refused | Lost = field(repr=False)
    losses: int = 0


@dataclass(frozen=True, slots=True)
class LineLimits:
    """What a board announced in hello; before that, what every board takes. Times in seconds."""

    line: int = MIN_BODY_LIMIT
    credit: int = MIN_BODY_LIMIT + LINE_OVERHEAD
    commit_time: float = 0.0
    erase_time: float = 0.0
    receives_while_storing: bool = False

    def announced(self, request: Request) -> float:
        """Return the seconds that the board may take over the request, beyond answering it."""
        if request.type == MessageType.ERASE:
            return self.erase_time
        return self.commit_time if request.type in _STORING else 0.0


@dataclass(slots=True)
class _Evidence:
    """Counts of what came in."""

    bytes: int = 0
    echoes: int = 0
    damaged: int = 0


@dataclass(slots=True, eq=False)
class _Pending:
    """A request on its way. While not `counted`, its bytes are late and count no longer."""

    id: int
    request: Request
    line: bytes = field(repr=False)
    not_before: float
    sends: int = 0
    counted: bool = False
    due: float = 0.0  # counted: when it will be late; else: when it may be sent again
    wait: float = 0.0
    longest_wait: float = 0.0
    given_up: float = math.inf
    judged: float = math.inf  # when lines that all fail alike end it, however long it may wait
    abandoned: bool = False
    malformed: int = 0
    before: _Evidence = field(default_factory=_Evidence)


class Exchange:
    """The host's end of one line: what is on its way, what is late, what has been answered."""

    def __init__(self, *, baud: int, first_id: int) -> None:
        """baud: bits a second; first_id: random, so that replies to an earlier host are told."""
        self.limits = LineLimits()
        self._byte_time = _BITS_PER_BYTE / baud
        self._next_id = first_id
        self.secrets = KnownSecrets()
        """What is blanked in log text."""
        self._lines = LineReceiver(blank=self._blanked)
        self._queue: list[_Pending] = []
        self._sent: dict[int, _Pending] = {}  # by id, in the order of first sending
        self._answers: list[RequestResult] = []
        self._log: list[str] = []
        self._may_echo = False  # whether an echo of values that were sent may still come
        self._notices: list[Notice] = []
        self._evidence = _Evidence()
        self._damages: deque[tuple[float, _Failing]] = deque(maxlen=_DAMAGE_KEPT)
        self._failed: set[_Failing] = set()  # since the last send
        self._told_damage = False  # once is enough: a flood of damage would become one of words
        self._identity: tuple[bytes, int] | None = None  # unit and boot number last met
        self._polled = -math.inf

    def submit(self, request: Request, now: float) -> int:
        """Queue a request; return its id. ValueError if its line is longer than the board takes."""
        message = Message(PROTOCOL_VERSION, request.type, self._next_id, request.body)
        line = encode_line(encode_message(message), self.limits.line)
        self._queue.append(_Pending(message.id, request, line, now + request.delay))
        self._next_id = 0 if self._next_id == MAX_ID else self._next_id + 1
        return message.id

    def abandon(self, ids: Collection[int]) -> None:
        """Want no answers any more. What was sent counts as on its way until answered or late."""
        self._queue = [pending for pending in self._queue if pending.id not in ids]
        for id_ in ids:
            if pending := self._sent.get(id_):
                pending.abandoned = True
                if not pending.counted:
                    del self._sent[id_]

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes as they arrive."""
        self._evidence.bytes += len(data)
        for event in self._lines.feed(data):
            if isinstance(event, Frame):
                self._take(event.item, now)
            elif isinstance(event, Damaged):
                if event.reason.may_be_a_frame:
                    self._count_damage((event.reason, event.check), now)
            else:
                self._keep_log(event.text)

    def poll(self, now: float) -> bytes:
        """Return the bytes to send now. Finds what is late, and gives up what is over its bound."""
        self._polled = now
        for pending in list(self._sent.values()):
            self._check_time(pending, now)
        out = bytearray()
        sent = list(self._sent.values())
        # What was sent before one that stores is not repeated behind it: what was meant to be
        # there before a commit must not come after.
        storing = [at for at, pending in enumerate(sent) if pending.request.type in _STORING]
        for pending in sent[storing[-1] if storing else 0 :]:
            if not pending.counted and pending.due <= now and self._may_repeat(pending):
                out += self._send(pending, now)
        for pending in list(self._queue):
            if pending.not_before > now:
                continue
            if self._must_wait() or not self._has_room(pending):
                break
            self._queue.remove(pending)
            self._sent[pending.id] = pending
            out += self._send(pending, now)
        return bytes(out)

    def next_deadline(self) -> float | None:
        """Return when to poll again if nothing comes in; None: never."""
        times = [pending.not_before for pending in self._queue]
        for pending in self._sent.values():
            times += (pending.due, pending.given_up)
        # What is not in the future although it was polled waits for something else.
        return min((t for t in times if self._polled < t < math.inf), default=None)

    def take_answers(self) -> list[RequestResult]:
        """Return the answers since the last call."""
        answers, self._answers = self._answers, []
        return answers

    def take_log(self) -> list[str]:
        """Return the lines of log text since the last call, cleaned."""
        log, self._log = self._log, []
        return log

    def take_notices(self) -> list[Notice]:
        """Return what the person may want to know since the last call."""
        notices, self._notices = self._notices, []
        return notices

    # --- Out

    def _in_flight(self) -> int:
        return sum(len(pending.line) for pending in self._sent.values() if pending.counted)

    def _has_room(self, pending: _Pending) -> bool:
        return self._in_flight() + len(pending.line) <= self.limits.credit

    def _must_wait(self) -> bool:
        """Tell whether a request is on its way that nothing may follow."""
        return not self.limits.receives_while_storing and any(
            pending.request.type in _STORING for pending in self._sent.values()
        )

    def _may_repeat(self, pending: _Pending) -> bool:
        may_follow = pending.request.type in _STORING or not self._must_wait()
        return may_follow and self._has_room(pending)

    def _send(self, pending: _Pending, now: float) -> bytes:
        request = pending.request
        self._failed.clear()
        pending.sends += 1
        pending.counted = True
        self._may_echo = self._may_echo or request.type == MessageType.SET_FIELD
        if pending.sends == 1:
            on_its_way = [other for other in self._sent.values() if other.counted]
            announced = sum(self.limits.announced(other.request) for other in on_its_way)
            size = sum(len(other.line) + _reply_size(other.request) for other in on_its_way)
            pending.wait = request.every or size * self._byte_time + _ALLOWANCE + announced
            pending.longest_wait = request.every or pending.wait + _BACKOFF
            if request.patience is not None:
                pending.given_up = now + request.patience + announced
            pending.judged = now + PATIENCE + announced
            seen = self._evidence
            pending.before = _Evidence(seen.bytes, seen.echoes, seen.damaged)
            if request.on_sent:
                request.on_sent()
        else:
            pending.wait = min(2 * pending.wait, pending.longest_wait)
            self._tell_repeat(pending)
        pending.due = now + pending.wait
        return pending.line

    def _tell_repeat(self, pending: _Pending) -> None:
        if pending.request.type != MessageType.HELLO:
            if pending.sends == 2:
                self._notices.append(Notice.WAITING)
        elif pending.sends == _UNHEARD_NOTICED and self._evidence.bytes > pending.before.bytes:
            self._notices.append(Notice.SPEAKS_ELSE)

    def _check_time(self, pending: _Pending, now: float) -> None:
        if pending.counted and now >= pending.due:
            pending.counted = False
        if pending.abandoned:
            if not pending.counted:
                del self._sent[pending.id]
        elif now >= pending.given_up or (
            not pending.counted and now >= pending.due and pending.sends == pending.request.sends
        ):
            self._complete(pending, self._lost(pending), pending.sends)
        elif now >= pending.judged and (lost := self._lost(pending)).why is LossReason.ALIKE:
            self._complete(pending, lost, pending.sends)

    def _lost(self, pending: _Pending) -> Lost:
        now, before = self._evidence, pending.before
        damaged = now.damaged - before.damaged
        if damaged >= _DAMAGE_BOUND:
            fault = self._same_fault(damaged)
            return Lost(LossReason.DAMAGED) if fault is None else Lost(LossReason.ALIKE, fault)
        if now.echoes > before.echoes:
            return Lost(LossReason.ECHO)
        return Lost(LossReason.ELSE if now.bytes > before.bytes else LossReason.SILENT)

    # --- In

    def _blanked(self, line: bytes) -> bytes:
        return self.secrets.blank(line)

    def _keep_log(self, text: str) -> None:
        """Keep a line of log text, unless it may be a piece of an echo.

        Cleaning knows long runs of base64url for what they are. An echo that damage has cut into
        shorter ones, while settings are on their way, could still carry a piece of a secret.
        """
        if not self._may_echo:
            self._log.append(text)
        elif not self._log or self._log[-1] != _WITHHELD:
            self._log.append(_WITHHELD)

    def _take(self, item: bytes, now: float) -> None:
        try:
            message = decode_message(item)
        except MessageError:
            self._count_damage((None, 0), now)
            return
        if message.type % 2:  # a request: an echo of ours, or another host's
            self._evidence.echoes += 1
            return
        pending = self._sent.get(message.id)
        if pending is None:  # a second reply to a repeat, or a reply to an earlier host
            return
        if fault := _reply_fault(pending.request, message):
            pending.malformed += 1
            if pending.malformed == _MALFORMED_BOUND:
                self._complete(pending, Lost(LossReason.MALFORMED, fault), pending.sends)
            return
        if message.type == MessageType.REFUSAL:
            self._refused(pending, message.body, now)
        else:
            self._replied(pending, message)
        # Echoes come in the order of what was sent, each before the reply to it.
        types = {other.request.type for other in self._sent.values()}
        self._may_echo = self._may_echo and MessageType.SET_FIELD in types

    def _replied(self, pending: _Pending, message: Message) -> None:
        if message.type == MessageType.HELLO_REPLY:
            self._adopt(message.body)
        elif message.type == MessageType.STATUS_REPLY and self._identity is not None:
            boot = message.body[StatusReplyKey.BOOT]
            assert isinstance(boot, int)
            self._meet(self._identity[0], boot)
        self._complete(pending, message.body, pending.sends - 1)

    def _refused(self, pending: _Pending, body: Body, now: float) -> None:
        if body[RefusalKey.CODE] == Refusal.BUSY and now + pending.wait < pending.given_up:
            pending.counted = False  # the refusal frees its bytes; it is asked again after a pause
            pending.due = now + pending.wait
            return
        self._complete(pending, read_refusal(body), pending.sends - 1)

    def _complete(self, pending: _Pending, result: Body | Refused | Lost, losses: int) -> None:
        del self._sent[pending.id]
        if not pending.abandoned:
            self._answers.append(RequestResult(pending.id, pending.request, result, losses))

    def _adopt(self, hello: Body) -> None:
        capabilities = Capability(hello[HelloReplyKey.CAPABILITIES])
        self.limits = LineLimits(
            hello[HelloReplyKey.LINE],
            hello[HelloReplyKey.CREDIT],
            hello[HelloReplyKey.COMMIT_TIME] / 1000,
            hello[HelloReplyKey.ERASE_TIME] / 1000,
            Capability.RECEIVES_WHILE_STORING in capabilities,
        )
        self._meet(hello[HelloReplyKey.UNIT], hello[HelloReplyKey.BOOT])

    def _meet(self, unit: bytes, boot: int) -> None:
        if self._identity and self._identity[0] == unit and self._identity[1] != boot:
            self._notices.append(Notice.RESTARTED)
        self._identity = (unit, boot)

    def _count_damage(self, failing: _Failing, now: float) -> None:
        if failing[1] and failing in self._failed:
            return  # nothing was asked in between: a bad line has brought it twice
        self._failed.add(failing)
        self._evidence.damaged += 1
        self._damages.append((now, failing))
        if self._told_damage or len(self._damages) < _DAMAGE_NOTICED:
            return
        is_dense = now - self._damages[-_DAMAGE_NOTICED][0] <= _DAMAGE_SPAN
        if is_dense and self._same_fault(_DAMAGE_NOTICED) is None:
            self._notices.append(Notice.OTHER_READER)
            self._told_damage = True

    def _same_fault(self, count: int) -> str | None:
        """Return what is wrong with the last damaged frames if the same ones come again and again.

        What another reader takes, and what a bad line changes, differs from line to line. Half of
        them may: one was cut off when the port was opened, and several replies fail in turn.
        """
        last = [failing for _, failing in self._damages][-count:]
        return None if 2 * len(set(last)) > len(last) else _SAME_FAULTS[last[-1][0]]


def _reply_size(request: Request) -> int:
    """Return the bytes that the reply may take on the line."""
    if request.type in _LONG_REPLIES:
        return MAX_BODY + LINE_OVERHEAD
    if request.type == MessageType.GET_SCHEMA:
        length = request.body[GetSchemaKey.LENGTH]
        assert isinstance(length, int)
        return length * 4 // 3 + _PIECE_REPLY + LINE_OVERHEAD
    return _SHORT_REPLY


def _reply_fault(request: Request, message: Message) -> str | None:
    """Return what makes a message no reply to the request, or None."""
    if message.type not in (MessageType.REFUSAL, request.type + 1):
        return f"it answers a request of type {request.type} with a message of type {message.type}"
    # Hello's reply and refusal are the same in every version (clause 4.2).
    ageless = (MessageType.REFUSAL, MessageType.HELLO_REPLY)
    if message.version != PROTOCOL_VERSION and message.type not in ageless:
        return f"it answers in version {message.version} of the protocol"
    try:
        check_body(message)
    except MessageError as error:
        return str(error).rstrip(".")
    if message.type == MessageType.HELLO_REPLY:
        line, credit = message.body[HelloReplyKey.LINE], message.body[HelloReplyKey.CREDIT]
        assert isinstance(line, int)
        assert isinstance(credit, int)
        if credit < line + LINE_OVERHEAD:
            return f"hello-reply: `credit` is less than its longest line of {line + LINE_OVERHEAD}"
    return None
