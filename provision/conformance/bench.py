# SPDX-License-Identifier: MIT
"""Where a board is held while checks ask it things: lines out, replies in, and what they broke.

Every method that talks is a procedure (steps.py), so that the same checks run in virtual time
against a board in this process, and over a port.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from provision.conformance.ear import Came, Ear
from provision.conformance.expected_values import TYPES, takes_parts
from provision.conformance.findings import (
    Fault,
    Gone,
    NotApplicable,
    NotMet,
    asks_values,
    code_words,
    show_line,
    show_without_values,
)
from provision.conformance.leaks import LeakSearch
from provision.conformance.steps import AskPerson, Listen, Procedure, Send
from provision.contract.digest import staged_digest
from provision.contract.line import encode_line
from provision.contract.messages import (
    MAX_ID,
    Message,
    MessageError,
    check_body,
    encode_message,
)
from provision.contract.profile import Item
from provision.contract.table import (
    HELLO_INTERVAL_MS,
    MAX_PIECE,
    PROTOCOL_VERSION,
    REPLY_ALLOWANCE_MS,
    Capability,
    CommitKey,
    CommitReplyKey,
    DiscardKey,
    GetValuesKey,
    GetValuesReplyKey,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
    Store,
)
from provision.settings.model import Schema, Setting, Value

Body = dict[int, Item]

_GRACE = 2000  # ms beyond the time at which a reply is late, after which it counts as none
_LONGEST_REPLY = 666  # bytes of the longest line a board sends
_MEETING = 10_000  # ms in which a board has to answer hello
_PRESS_TIME = 30_000  # ms that a person has to press a button, and the board to notice
_PRESS_POLL = 500  # ms between two looks whether a button was pressed


@dataclass(frozen=True, slots=True)
class Setup:
    """How a board is to be held against the page."""

    baud: int = 115200
    may_change: bool = False
    """Whether what the board has stored may be changed."""

    patient: bool = False
    """Whether checks that wait for minutes are wanted."""

    seed: int | None = None
    """Of the values that the kit makes up; None: another for each run."""

    on_check: Callable[[str], None] | None = None
    """Gets the title of each check as it begins."""


@dataclass(slots=True)
class Watch:
    """What is watched in everything that comes, by clause: how often, and what was wrong."""

    seen: dict[str, int] = field(default_factory=dict)
    faults: dict[str, list[Fault]] = field(default_factory=dict)

    def saw(self, clause: str) -> None:
        """Count one more thing that was looked at."""
        self.seen[clause] = self.seen.get(clause, 0) + 1

    def broke(self, clause: str, fault: Fault) -> None:
        """Note a fault; each sentence once."""
        known = self.faults.setdefault(clause, [])
        if all(fault.words != other.words for other in known):
            known.append(fault)


class Bench:
    """One board, and what is known of it."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.random = random.Random(setup.seed)  # noqa: S311 - made-up values, no secrets
        self.watch = Watch()
        self.leaks = LeakSearch()
        self.hello: Body = {}
        self.schema: Schema | None = None
        self.staged: dict[str, Value | None] = {}
        """What the board must have staged, by what it acknowledged."""

        self.late: list[int] = []
        self.exchanges = 0
        self.faults: list[Fault] = []
        """What the present check found, and went on from."""

        self.gone = False
        """Whether the board has stopped answering."""

        self.asks_presence = True
        """Whether a refusal `presence` makes the kit ask for the button, and repeat."""

        self._ear = Ear()
        self._id = self.random.randint(0, MAX_ID)
        self._now = 0
        self._sent: list[bytes] = []
        self._asked_values = False
        """Whether what comes may hold values that a person has set."""

        self._came: list[Came] = []

    # ------------------------------------------------------------------------- what hello says

    @property
    def capabilities(self) -> Capability:
        """What the board offers."""
        return Capability(self.number(HelloReplyKey.CAPABILITIES))

    @property
    def line_limit(self) -> int:
        """The longest BODY that the board takes, in characters."""
        return self.number(HelloReplyKey.LINE)

    @property
    def boot(self) -> int:
        """The boot number."""
        return self.number(HelloReplyKey.BOOT)

    @property
    def generation(self) -> int:
        """The generation, as hello told it last."""
        return self.number(HelloReplyKey.GENERATION)

    @property
    def now(self) -> int:
        """The time in milliseconds, from any start."""
        return self._now

    @property
    def last_came(self) -> tuple[Came, ...]:
        """The board's lines of the last exchange."""
        return tuple(self._came)

    def number(self, key: int) -> int:
        """Return a number of the hello reply."""
        item = self.hello.get(key, 0)
        return item if isinstance(item, int) else 0

    def needs(self, capability: Capability) -> None:
        """End the check unless the board offers this."""
        if capability not in self.capabilities:
            raise NotApplicable(f"the board does not offer {_spelled(capability)}")

    def known_schema(self) -> Schema:
        """Return the board's schema; end the check if it could not be read."""
        if self.schema is None:
            raise NotApplicable("the board's schema could not be read (clause 6.2, or 8)")
        return self.schema

    # -------------------------------------------------------------------------------- faults

    def fault(self, words: str) -> Fault:
        """Return a fault, with what was sent and what came in the last exchange."""
        sent = tuple(show_line(line.strip(b"\r\n")) for line in self._sent[-3:])
        show = show_without_values if self._asked_values else show_line
        return Fault(words, sent, tuple(show(came.raw) for came in self._came[-4:]))

    def note(self, words: str) -> None:
        """Note a fault and go on."""
        self.faults.append(self.fault(words))

    # -------------------------------------------------------------------------------- lines

    def next_id(self) -> int:
        """Return an id that was not used lately."""
        self._id = (self._id + 1) % (MAX_ID + 1)
        return self._id

    def line(
        self,
        type_: int,
        body: Mapping[int, Item] | None = None,
        *,
        id_: int | None = None,
        version: int = PROTOCOL_VERSION,
    ) -> tuple[int, bytes]:
        """Return id and line of a request."""
        id_ = self.next_id() if id_ is None else id_
        item = encode_message(Message(version, type_, id_, dict(body or {})))
        return id_, encode_line(item)

    def fits(self, type_: int, body: Mapping[int, Item]) -> bool:
        """Whether the board's line takes a request with this body."""
        item = encode_message(Message(PROTOCOL_VERSION, type_, MAX_ID, dict(body)))
        return -(-len(item) * 4 // 3) <= self.line_limit

    # --------------------------------------------------------------------------- conversation

    def _listen(self, ms: int) -> Procedure[list[Came]]:
        """Wait for bytes once; return the lines that they complete, each looked at."""
        heard = yield Listen(max(1, ms))
        self._now = heard.now
        if heard.data and self.leaks.finds(heard.data):
            self.watch.broke("1", Fault("a secret came back, among all that the board sent"))
        came = list(self._ear.feed(heard.data))
        self._came += came
        for each in came:
            self.watch.saw("2.1")
            for clause, words in each.wrong:
                self.watch.broke(clause, self.fault(words))
            if each.item is not None and self.leaks.finds_within(each.item):
                self.watch.broke("1", Fault("a secret came back within a reply"))
        return came

    def _send(self, data: bytes) -> Procedure[None]:
        """Send bytes, those beyond the board's credit only after the ones before had their time."""
        credit = max(64, self.number(HelloReplyKey.CREDIT) or 139)
        for at in range(0, len(data), credit):
            if at:
                pause = self.time_of(credit) + 50
                end = self._now + pause
                while self._now < end:
                    yield from self._listen(end - self._now)
            heard = yield Send(data[at : at + credit])
            self._now = heard.now

    def time_of(self, octets: int) -> int:
        """Return how long so many bytes take on the line, in milliseconds."""
        return -(-octets * 10_000 // self.setup.baud)

    def converse(
        self, sent: Sequence[bytes], until: Sequence[int], announced: int = 0
    ) -> Procedure[list[Message]]:
        """Send lines; return all messages that come up to the replies to these ids.

        Ends as well when no reply came in time. announced: milliseconds that the board asked for.
        """
        self._sent, self._came = list(sent), []
        self._asked_values = any(map(asks_values, sent))
        self.exchanges += 1
        yield from self._send(b"".join(sent))
        wire = sum(map(len, sent)) + _LONGEST_REPLY
        start = self._now
        allowed = REPLY_ALLOWANCE_MS + announced
        deadline = start + self.time_of(wire) + allowed + _GRACE
        waiting = set(until) - {message.id for message in self._messages()}
        while waiting and self._now < deadline:
            came = yield from self._listen(deadline - self._now)
            answered = waiting & {each.message.id for each in came if each.message}
            if answered:
                waiting -= answered
                deadline = self._now + self.time_of(_LONGEST_REPLY) + allowed + _GRACE
            if any(each.message is None for each in came) and len(until) == 1:
                break  # the only answer came damaged, and is noted
        if len(until) == 1 and not waiting:
            self.watch.saw("5.7")
            self.late.append(self._now - start - self.time_of(wire) - allowed)
            if announced and self.late[-1] > 0:
                self.watch.broke(
                    "5.7", self.fault(f"a reply came {self.late[-1]} ms later than announced")
                )
        return self._messages()

    def _messages(self) -> list[Message]:
        return [came.message for came in self._came if came.message]

    def ask(
        self,
        type_: int,
        body: Mapping[int, Item] | None = None,
        *,
        version: int = PROTOCOL_VERSION,
        id_: int | None = None,
        again: bytes | None = None,
    ) -> Procedure[Message]:
        """Send one request; return its reply or refusal, its form looked at.

        again: the line of an earlier request, to be repeated as it was.
        """
        id_, line = self.line(type_, body, id_=id_, version=version)
        announced = self.announced(type_) if version == 1 else 0
        got = yield from self.converse([again or line], [id_], announced)
        reply = self._one_reply(got, id_, type_)
        if self.asks_presence and _is_refusal(reply, Refusal.PRESENCE):
            yield from self.press()
            end = self._now + _PRESS_TIME
            while _is_refusal(reply, Refusal.PRESENCE) and self._now < end:
                yield from self.silence(_PRESS_POLL)
                got = yield from self.converse([again or line], [id_], announced)
                reply = self._one_reply(got, id_, type_)
        return reply

    def announced(self, type_: int) -> int:
        """Return how long the board said that this request may take, in milliseconds."""
        if type_ in (MessageType.COMMIT, MessageType.UNDO, MessageType.CONFIRM):
            return self.number(HelloReplyKey.COMMIT_TIME)
        return self.number(HelloReplyKey.ERASE_TIME) if type_ == MessageType.ERASE else 0

    def press(self) -> Procedure[None]:
        """Have the person show presence; end the check if nobody does."""
        heard = yield AskPerson(
            "Press the button of the board by which it knows that you are there."
        )
        self._now = heard.now
        if not heard.done:
            raise NotApplicable("the board wants a person present, and nobody pressed its button")

    def _one_reply(self, got: Sequence[Message], id_: int, type_: int) -> Message:
        for message in got:
            if message.id != id_:
                self.watch.broke("4.1", self.fault("a message came that answers no request"))
        replies = [message for message in got if message.id == id_]
        if not replies:
            damaged = any(came.message is None for came in self._came)
            raise NotMet("the answer was no message" if damaged else "no answer came")
        self.look_at(replies[0], type_)
        return replies[0]

    def look_at(self, reply: Message, type_: int) -> None:
        """Look at the form of a reply to a request of this type."""
        self.watch.saw("4.1")
        if reply.type not in (type_ + 1, MessageType.REFUSAL):
            self.watch.broke(
                "4.1", self.fault(f"a reply of type {reply.type} answers type {type_}")
            )
            raise NotMet(f"the reply has type {reply.type}")
        versions = self.hello.get(HelloReplyKey.VERSIONS, [PROTOCOL_VERSION])
        if isinstance(versions, list) and reply.version not in versions:
            self.watch.broke("4.1", self.fault(f"a reply has version {reply.version}"))
        self.watch.saw("11.2")
        try:
            check_body(reply)
        except MessageError as error:
            self.watch.broke("11.2", self.fault(str(error)))
            raise NotMet(f"the reply has not the form of the table: {error}") from None
        if reply.type == MessageType.REFUSAL:
            self.watch.saw("7.2")
            if words := wrong_details(reply, type_):
                self.watch.broke("7.2", self.fault(words))

    def answer(self, type_: int, body: Mapping[int, Item] | None = None) -> Procedure[Body]:
        """Send a request that the board must grant; return the body of its reply."""
        reply = yield from self.ask(type_, body)
        if reply.type == MessageType.REFUSAL:
            raise NotMet(f"refused with {code_words(reply.body[RefusalKey.CODE])}, not done")
        return reply.body

    def refused(
        self,
        type_: int,
        body: Mapping[int, Item] | None,
        code: Refusal,
        details: Mapping[int, Item] | None = None,
        *,
        what: str = "",
        version: int = PROTOCOL_VERSION,
    ) -> Procedure[None]:
        """Send a request that the board must refuse with this code, and with these details."""
        reply = yield from self.ask(type_, body, version=version)
        self.must_refuse(reply, code, details, what)

    def must_refuse(
        self,
        reply: Message,
        code: Refusal,
        details: Mapping[int, Item] | None = None,
        what: str = "",
    ) -> None:
        """End the check unless this is a refusal with this code and these details."""
        what = f"{what}: " if what else ""
        if reply.type != MessageType.REFUSAL:
            raise NotMet(f"{what}it was granted, where {code_words(code)} is due")
        if reply.body[RefusalKey.CODE] != code:
            found = code_words(reply.body[RefusalKey.CODE])
            raise NotMet(f"{what}refused with {found}, where {code_words(code)} is due")
        for key, item in (details or {}).items():
            if key in reply.body and reply.body[key] != item:
                name = RefusalKey(key).name.lower()
                raise NotMet(f"{what}`{name}` is {reply.body[key]!a}, where {item!a} is due")

    def ask_many(self, requests: Sequence[tuple[int, Body]]) -> Procedure[list[Message]]:
        """Send requests as the board's credit admits; return their replies in order."""
        replies: list[Message] = []
        at = 0
        while at < len(requests):
            lines: list[tuple[int, bytes]] = []
            room = self.number(HelloReplyKey.CREDIT)
            for type_, body in requests[at:]:
                id_, line = self.line(type_, body)
                if lines and len(line) > room:
                    break
                room -= len(line)
                lines.append((id_, line))
            got = yield from self.converse([line for _, line in lines], [id_ for id_, _ in lines])
            if [message.id for message in got] != [id_ for id_, _ in lines]:
                if {message.id for message in got} >= {id_ for id_, _ in lines}:
                    self.watch.broke(
                        "4.1", self.fault("replies came in another order, or one too many")
                    )
                raise NotMet(f"{len(got)} answers came to {len(lines)} requests, or out of order")
            for message, (type_, body) in zip(got, requests[at:], strict=False):
                if self.asks_presence and _is_refusal(message, Refusal.PRESENCE):
                    message = yield from self.ask(type_, body)  # noqa: PLW2901 - pressed, repeated
                self.look_at(message, type_)
                replies.append(message)
            at += len(lines)
        return replies

    def after(self, *lines: bytes) -> Procedure[list[Message]]:
        """Send what may be ignored, and a status request behind it; return what came before.

        Since replies come in order [4.1], what has not come before the answer to the status request
        never comes: silence needs no waiting.
        """
        id_, status = self.line(MessageType.STATUS)
        got = yield from self.converse([*lines, status], [id_])
        if not got or got[-1].id != id_:
            raise NotMet("the request behind it got no answer")
        return got[:-1]

    def ignored(self, what: str, line: bytes) -> Procedure[None]:
        """Send what must be ignored in silence."""
        got = yield from self.after(line)
        if got:
            raise NotMet(f"{what}: it was answered, and must be ignored")

    def taken(self, what: str, line: bytes, id_: int) -> Procedure[Message]:
        """Send what must be answered, whatever the answer; return that."""
        got = yield from self.after(line)
        if [message.id for message in got] != [id_]:
            raise NotMet(f"{what}: it got {len(got)} answers, where one is due")
        return got[0]

    def silence(self, ms: int) -> Procedure[None]:
        """Listen for some time in which nothing may come but log text."""
        self._sent, self._came = [], []
        end = self._now + ms
        while self._now < end:
            came = yield from self._listen(end - self._now)
            if any(each.message for each in came):
                self.watch.broke("4.1", self.fault("the board spoke unasked"))
                raise NotMet("the board spoke unasked")

    # --------------------------------------------------------------------------- whole requests

    def meet(self, ms: int = _MEETING) -> Procedure[None]:
        """Send hello every 250 ms until the board answers; Gone if it never does."""
        yield from self._listen(1)  # sets the clock
        end = self._now + ms
        id_, line = self.line(MessageType.HELLO)
        self._sent, self._came = [line], []
        while self._now < end:
            yield from self._send(line)
            again = self._now + HELLO_INTERVAL_MS
            while self._now < again:
                for each in (yield from self._listen(again - self._now)):
                    message = each.message
                    if message and (message.id, message.type) == (id_, MessageType.HELLO_REPLY):
                        yield from self._settle(line)
                        self._take_hello(message)
                        return
        raise Gone("the board does not answer hello")

    def await_hello(self, ms: int) -> Procedure[None]:
        """Wait until the board answers hello, as after a restart; NotMet if it does not."""
        try:
            yield from self.meet(ms)
        except Gone:
            raise NotMet(f"the board did not answer within {ms // 1000} s of its start") from None

    def _settle(self, line: bytes) -> Procedure[None]:
        """Let the answers to repeats of hello come in, so that they are not taken for others."""
        end = self._now + self.time_of(len(line) + _LONGEST_REPLY) + 100
        while self._now < end:
            yield from self._listen(end - self._now)

    def _take_hello(self, message: Message) -> None:
        self.look_at(message, MessageType.HELLO)
        self.hello = message.body

    def say_hello(self) -> Procedure[Body]:
        """Ask hello; keep and return what it says."""
        reply = yield from self.ask(MessageType.HELLO)
        if reply.type != MessageType.HELLO_REPLY:
            raise NotMet("hello was refused")
        self.hello = reply.body
        return reply.body

    def fresh(self) -> Procedure[None]:
        """Begin a check: the board is there, and nothing is staged. Gone if it is not there."""
        try:
            yield from self.say_hello()
        except NotMet:
            yield from self._find_again()
        self.staged.clear()
        yield from self.ask(MessageType.DISCARD, {DiscardKey.BOOT: self.boot})

    def _find_again(self) -> Procedure[None]:
        listens = self.hello.get(HelloReplyKey.LISTENS) is not None
        try:
            yield from self.meet(1000 if listens else _MEETING)
        except Gone:
            if not listens:
                raise
            heard = yield AskPerson("The board has stopped listening: press its reset button.")
            self._now = heard.now
            if not heard.done:
                raise
            yield from self.meet(_PRESS_TIME)

    def status(self) -> Procedure[Body]:
        """Ask for the status."""
        return (yield from self.answer(MessageType.STATUS))

    def store(self) -> Procedure[Store]:
        """Ask what is stored."""
        code = (yield from self.status())[StatusReplyKey.STORE]
        if code not in tuple(Store):
            raise NotMet(f"`store` is {code!a}, which version 1 does not have")
        return Store(_whole(code))

    def values(self) -> Procedure[list[list[Item]]]:
        """Read all entries of get-values."""
        entries: list[list[Item]] = []
        while True:
            body = yield from self.answer(
                MessageType.GET_VALUES, {GetValuesKey.FIRST: len(entries)}
            )
            page = body[GetValuesReplyKey.ENTRIES]
            assert isinstance(page, list)
            entries += [entry for entry in page if isinstance(entry, list)]
            if len(entries) >= _whole(body[GetValuesReplyKey.COUNT]):
                return entries

    # --------------------------------------------------------------------------------- staging

    def requests_for(self, setting: Setting, value: Item, *, parts: bool = False) -> list[Body]:
        """Return the bodies of set-field that bring a value: whole if it fits, else in parts."""
        if setting.field.is_secret and isinstance(value, str | bytes):
            self.leaks.add(value.encode() if isinstance(value, str) else value)
        whole: Body = {SetFieldKey.FIELD: setting.key, SetFieldKey.VALUE: value}
        kind = setting.field.kind
        in_parts = takes_parts(kind) and type(value) is TYPES[kind]
        if not (parts and value and in_parts) and self.fits(MessageType.SET_FIELD, whole):
            return [whole]
        if not in_parts or not isinstance(value, str | bytes):
            return []
        octets = value.encode() if isinstance(value, str) else value
        size = self.part_size(setting.key)
        return [
            {
                SetFieldKey.FIELD: setting.key,
                SetFieldKey.OFFSET: at,
                SetFieldKey.TOTAL: len(octets),
                SetFieldKey.PART: octets[at : at + size],
            }
            for at in range(0, len(octets), size)
        ]

    def part_size(self, key: str) -> int:
        """Return how many bytes a part of this field can have in the board's line."""
        size = MAX_PIECE
        while size > 1 and not self.fits(
            MessageType.SET_FIELD,
            {
                SetFieldKey.FIELD: key,
                SetFieldKey.OFFSET: 65535,
                SetFieldKey.TOTAL: 65535,
                SetFieldKey.PART: bytes(size),
            },
        ):
            size -= 1
        return size

    def stage(
        self, setting: Setting, value: Value | None, *, parts: bool = False
    ) -> Procedure[None]:
        """Stage a value that the board must take."""
        bodies = self.requests_for(setting, value, parts=parts)
        if not bodies:
            raise NotApplicable(f"no value of {setting.key} fits into the board's line")
        *first, last = bodies
        for body in first:
            yield from self.answer(MessageType.SET_FIELD, body)
        self.staged[setting.key] = value
        self.check_count((yield from self.answer(MessageType.SET_FIELD, last)))

    def stage_all(self, values: Mapping[str, Value | None]) -> Procedure[None]:
        """Stage many values, all of which the board must take."""
        schema = self.known_schema()
        bodies: list[tuple[int, Body]] = []
        for setting in schema.settings:
            if setting.key in values:
                self.staged[setting.key] = values[setting.key]
                more = self.requests_for(setting, values[setting.key])
                bodies += [(MessageType.SET_FIELD, body) for body in more]
        replies = yield from self.ask_many(bodies)
        for (_, body), reply in zip(bodies, replies, strict=True):
            if reply.type == MessageType.REFUSAL:
                raise NotMet(
                    f"{body[SetFieldKey.FIELD]!s}: refused with"
                    f" {code_words(reply.body[RefusalKey.CODE])}, though clause 9 admits it"
                )
        if replies:
            self.check_count(replies[-1].body)

    def check_count(self, reply: Body) -> None:
        """End the check unless the board counts as many staged fields as it acknowledged."""
        if reply[SetFieldReplyKey.STAGED] != len(self.staged):
            raise NotMet(
                f"`staged` is {reply[SetFieldReplyKey.STAGED]!a}, where {len(self.staged)} is due"
            )

    def commit_body(self, token: bytes | None = None) -> Body:
        """Return the commit that suits what is staged."""
        keys = [s.key for s in self.known_schema().settings if s.key in self.staged]
        digest = staged_digest((key, self.staged[key]) for key in keys)
        return {
            CommitKey.COUNT: max(1, len(keys)),
            CommitKey.DIGEST: digest,
            CommitKey.TOKEN: token or self.token(),
        }

    def token(self) -> bytes:
        """Return a token."""
        return self.random.randbytes(8)

    def commit(self, token: bytes | None = None) -> Procedure[int]:
        """Commit what is staged, which the board must do; return the generation."""
        body = yield from self.answer(MessageType.COMMIT, self.commit_body(token))
        self.staged.clear()
        return _whole(body[CommitReplyKey.GENERATION])


def _is_refusal(reply: Message, code: Refusal) -> bool:
    return reply.type == MessageType.REFUSAL and reply.body.get(RefusalKey.CODE) == code


def _whole(item: Item) -> int:
    assert isinstance(item, int)
    return item


def _spelled(capability: Capability) -> str:
    return (capability.name or "").lower().replace("_", "-")


_DETAILS: Mapping[int, frozenset[int]] = {
    Refusal.UNSUPPORTED_VERSION: frozenset({RefusalKey.SUPPORTED}),
    Refusal.UNKNOWN_TYPE: frozenset({RefusalKey.SUPPORTED}),
    Refusal.MOVED_ON: frozenset({RefusalKey.DETAIL}),
    Refusal.OUT_OF_BOUNDS: frozenset({RefusalKey.DETAIL}),
    Refusal.GAP: frozenset({RefusalKey.DETAIL, RefusalKey.FIELD}),
    Refusal.MISSING: frozenset({RefusalKey.FIELD}),
    Refusal.PARTNER: frozenset({RefusalKey.FIELD, RefusalKey.OTHER}),
    Refusal.PIN_CONFLICT: frozenset({RefusalKey.FIELD, RefusalKey.OTHER}),
}


def wrong_details(refusal: Message, type_: int) -> str:
    """Return what is wrong with the keys of a refusal (clause 7.2); empty if nothing is."""
    code = refusal.body[RefusalKey.CODE]
    if not isinstance(code, int) or code not in tuple(Refusal):
        return f"the refusal has {code_words(code)}, which version 1 does not have"
    due = _DETAILS.get(code, frozenset())
    if type_ == MessageType.SET_FIELD and Refusal.UNKNOWN_FIELD <= code <= Refusal.GAP:
        due = due | {RefusalKey.FIELD}
    found = {key for key in refusal.body if key in tuple(RefusalKey)} - {RefusalKey.CODE}
    wrong = [f"lacks `{_name(key)}`" for key in sorted(due - found)]
    wrong += [f"has `{_name(key)}`, which does not belong there" for key in sorted(found - due)]
    return f"the refusal {code_words(code)} {', and '.join(wrong)}" if wrong else ""


def _name(key: int) -> str:
    return RefusalKey(key).name.lower()
