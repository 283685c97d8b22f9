# SPDX-License-Identifier: MIT
"""A conversation with a board: requests, their replies and refusals, and what is ignored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from provision.conformance.findings import (
    Gone,
    NotApplicable,
    NotMet,
)
from provision.conformance.refusals import wrong_details
from provision.conformance.shown import code_words
from provision.conformance.steps import AskPerson, Steps
from provision.conformance.wire import LONGEST_REPLY, Body, Wire
from provision.contract.messages import (
    Message,
    MessageError,
    check_body,
)
from provision.contract.profile import Item
from provision.contract.table import (
    HELLO_INTERVAL_MS,
    MESSAGES,
    PROTOCOL_VERSION,
    SKIPPABLE_FROM,
    Capability,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
)

MEETING = 10_000
"""Milliseconds in which a board has to answer hello."""

PRESS_TIME = 30_000
"""Milliseconds that a person has to press a button, and the board to notice."""

_CHANGING = {HelloReplyKey.TOKEN, HelloReplyKey.GENERATION, HelloReplyKey.LISTENS}
"""What hello may give otherwise at another time of the same start."""

START_TIME = 30_000
"""Milliseconds in which a board has to answer after a start."""

_PRESS_POLL = 500  # ms between two looks whether a button was pressed


_OWN_TIMES: Mapping[int, str] = {
    MessageType.COMMIT: "5.7.2",
    MessageType.UNDO: "5.7.2",
    MessageType.CONFIRM: "5.7.2",
    MessageType.ERASE: "5.7.3",
}
"""The requirement on the time of a reply, of the types that have one of their own."""


class Conversation(Wire):
    """Asks a board things."""

    def ask(
        self,
        type_: int,
        body: Mapping[int, Item] | None = None,
        *,
        version: int = PROTOCOL_VERSION,
        id_: int | None = None,
        again: bytes | None = None,
    ) -> Steps[Message]:
        """Send one request; return its reply or refusal, its form looked at.

        again: the line of an earlier request, to be repeated as it was.
        """
        id_, line = self.line(type_, body, id_=id_, version=version)
        announced = self.announced(type_) if version == 1 else 0
        number = _OWN_TIMES.get(type_, "")
        measured = len(self.late)
        got = yield from self.converse([again or line], [id_], announced, number)
        if not any(message.id == id_ for message in got) and (yield from self._restarted()):
            got = yield from self.converse([again or line], [id_], announced, number)
        self.late_of.setdefault(type_, []).extend(self.late[measured:])
        reply = self._one_reply(got, id_, type_)
        if self.asks_presence and _is_refusal(reply, Refusal.PRESENCE):
            yield from self.press()
            end = self._now + PRESS_TIME
            while _is_refusal(reply, Refusal.PRESENCE) and self._now < end:
                yield from self.silence(_PRESS_POLL)
                got = yield from self.converse([again or line], [id_], announced, number)
                reply = self._one_reply(got, id_, type_)
            if not _is_refusal(reply, Refusal.PRESENCE):
                self.present_at = self._now
        self.may_restart |= reply.type in (MessageType.COMMIT_REPLY, MessageType.UNDO_REPLY)
        return reply

    def _restarted(self) -> Steps[bool]:
        """Whether the firmware restarted once to apply a set, and may have lost what came (6.5)."""
        if not self.may_restart:
            return False
        boot = self.hello.get(HelloReplyKey.BOOT)
        yield from self.await_hello(START_TIME)
        self.may_restart = False
        return self.hello.get(HelloReplyKey.BOOT) != boot

    def announced(self, type_: int) -> int:
        """Return how long the board said that this request may take, in milliseconds."""
        if type_ in (MessageType.COMMIT, MessageType.UNDO, MessageType.CONFIRM):
            return self.number(HelloReplyKey.COMMIT_TIME)
        return self.number(HelloReplyKey.ERASE_TIME) if type_ == MessageType.ERASE else 0

    def press(self) -> Steps[None]:
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
                self.watch.broke("4.1.2", self.fault("a message came that answers no request"))
        replies = [message for message in got if message.id == id_]
        if not replies:
            raise NotMet(self._why_no_reply(type_))
        self.look_at(replies[0], type_)
        return replies[0]

    def _why_no_reply(self, type_: int) -> str:
        """Return why there is no reply: what is wrong with the line that came instead, if any."""
        damaged = [wrong.words for came in self._came if not came.message for wrong in came.wrong]
        name = MESSAGES[type_].name if type_ in MESSAGES else f"type {type_}"
        return damaged[-1] if damaged else f"no answer came to {name}"

    def look_at(self, reply: Message, type_: int) -> None:
        """Look at the form of a reply to a request of this type."""
        if reply.type not in (type_ + 1, MessageType.REFUSAL):
            self.watch.broke(
                "4.1.4", self.fault(f"a reply of type {reply.type} answers type {type_}")
            )
            raise NotMet(f"the reply has type {reply.type}")
        versions = self.hello.get(HelloReplyKey.VERSIONS, [PROTOCOL_VERSION])
        if isinstance(versions, list) and reply.version not in versions:
            self.watch.broke("4.2.3", self.fault(f"a reply has version {reply.version}"))
        strange = [key for key in reply.body if key < SKIPPABLE_FROM and not _is_known(reply, key)]
        if strange:
            self.watch.broke("4.1.7", self.fault(f"a reply has the unknown key {strange[0]}"))
        try:
            check_body(reply)
        except MessageError as error:
            self.watch.broke("4.1.6", self.fault(str(error)))
            raise NotMet(f"the reply has not the form of the table: {error}") from None
        if reply.type == MessageType.REFUSAL:
            self.watch.refusals += 1
            code = reply.body[RefusalKey.CODE]
            if code == Refusal.PRESENCE:
                self.present_at, self.absent_at = None, self._now
            if code == Refusal.PRESENCE and Capability.PRESENCE not in self.capabilities:
                words = "refused with presence, which the board does not announce"
                self.watch.broke("5.5.5", self.fault(words))
            if code == Refusal.BUSY and type_ != MessageType.SURVEY:
                self.watch.broke("6.8.10", self.fault("refused with busy, which is for survey"))
            for number, words in wrong_details(reply, type_):
                self.watch.broke(number, self.fault(words))

    def answer(self, type_: int, body: Mapping[int, Item] | None = None) -> Steps[Body]:
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
    ) -> Steps[None]:
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

    def ask_many(self, requests: Sequence[tuple[int, Body]]) -> Steps[list[Message]]:
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
                        "4.1.3", self.fault("replies came in another order, or one too many")
                    )
                raise NotMet(f"{len(got)} answers came to {len(lines)} requests, or out of order")
            for message, (type_, body) in zip(got, requests[at:], strict=False):
                if self.asks_presence and _is_refusal(message, Refusal.PRESENCE):
                    message = yield from self.ask(type_, body)  # noqa: PLW2901 - pressed, repeated
                self.look_at(message, type_)
                replies.append(message)
            at += len(lines)
        return replies

    def after(self, *lines: bytes) -> Steps[list[Message]]:
        """Send what may be ignored, and a status request behind it; return what came before.

        Since replies come in order [4.1], what has not come before the answer to the status request
        never comes: silence needs no waiting.
        """
        id_, status = self.line(MessageType.STATUS)
        got = yield from self.converse([*lines, status], [id_])
        if not got or got[-1].id != id_:
            raise NotMet("the request behind it got no answer")
        return got[:-1]

    def ignored(self, what: str, line: bytes) -> Steps[None]:
        """Send what must be ignored in silence."""
        got = yield from self.after(line)
        if got:
            raise NotMet(f"{what}: it was answered, and must be ignored")

    def taken(self, what: str, line: bytes, id_: int) -> Steps[Message]:
        """Send what must be answered, whatever the answer; return that."""
        got = yield from self.after(line)
        if [message.id for message in got] != [id_]:
            raise NotMet(f"{what}: it got {len(got)} answers, where one is due")
        return got[0]

    def silence(self, ms: int) -> Steps[None]:
        """Listen for some time in which nothing may come but log text."""
        self._sent, self._came = [], []
        end = self._now + ms
        while self._now < end:
            came = yield from self._listen(end - self._now)
            if any(each.message for each in came):
                self.watch.broke("4.1.2", self.fault("the board spoke unasked"))
                raise NotMet("the board spoke unasked")

    # --------------------------------------------------------------------------- whole requests

    def meet(self, ms: int = MEETING) -> Steps[None]:
        """Send hello every 250 ms until the board answers; Gone if it never does."""
        yield from self._listen(1)  # sets the clock
        end = self._now + ms
        id_, line = self.line(MessageType.HELLO)
        self._sent, self._came = [line], []
        while self._now < end:
            yield from self.send(line)
            again = self._now + HELLO_INTERVAL_MS
            while self._now < again:
                for each in (yield from self._listen(again - self._now)):
                    message = each.message
                    if message and (message.id, message.type) == (id_, MessageType.HELLO_REPLY):
                        yield from self._settle(line)
                        self._take_hello(message)
                        return
                    if message:
                        self._note_stranger(message, id_)
        raise Gone("the board does not answer hello")

    def _note_stranger(self, message: Message, id_: int) -> None:
        """Note a message that came when the answer to hello was waited for, and is not it."""
        if message.id != id_:
            words = "an answer carries another id than its request"
            self.watch.broke(
                "4.1.5", self.fault(words, f"hello had the id {id_}, the answer {message.id}")
            )
        elif message.type == MessageType.REFUSAL:
            self.watch.broke("4.2.3", self.fault("hello was refused"))
        else:
            words = "hello was answered by another type than hello-reply"
            self.watch.broke("4.1.4", self.fault(words, f"the answer has type {message.type}"))

    def await_hello(self, ms: int) -> Steps[None]:
        """Wait until the board answers hello, as after a restart; NotMet if it does not."""
        try:
            yield from self.meet(ms)
        except Gone:
            raise NotMet(f"the board did not answer within {ms // 1000} s of its start") from None

    def _settle(self, line: bytes) -> Steps[None]:
        """Let the answers to repeats of hello come in, so that they are not taken for others."""
        end = self._now + self.time_of(len(line) + LONGEST_REPLY) + 100
        while self._now < end:
            yield from self._listen(end - self._now)

    def _take_hello(self, message: Message) -> None:
        self.look_at(message, MessageType.HELLO)
        self.keep_hello(message.body)

    def keep_hello(self, body: Body) -> None:
        """Keep what hello says; note what differs from what it said before in this start."""
        if self.hello.get(HelloReplyKey.BOOT) == body[HelloReplyKey.BOOT]:
            for key in body.keys() - _CHANGING:
                if body[key] != self.hello.get(key, body[key]):
                    words = (
                        f"`{HelloReplyKey(key).name.lower().replace('_', '-')}` changed in hello"
                    )
                    self.watch.broke("6.1.7", self.fault(f"{words} within a start"))
        self.hello = body


def _is_known(message: Message, key: int) -> bool:
    row = MESSAGES.get(message.type)
    return row is None or key in row.body


def _is_refusal(reply: Message, code: Refusal) -> bool:
    return reply.type == MessageType.REFUSAL and reply.body.get(RefusalKey.CODE) == code
