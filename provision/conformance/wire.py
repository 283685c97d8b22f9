# SPDX-License-Identifier: MIT
"""The line to a board: bytes out, lines in, their form, their time, and what they broke.

Every method that talks is a procedure (steps.py), so that the same checks run in virtual time
against a board in this process, and over a port.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence

from provision.conformance.ear import Came, LineListener, Logged
from provision.conformance.findings import (
    Fault,
    NotApplicable,
)
from provision.conformance.leaks import LeakSearch
from provision.conformance.shown import asks_values, show_line, show_without_values
from provision.conformance.steps import Listen, Send, Steps, Tell
from provision.conformance.watch import Setup, Watch
from provision.contract.line import encode_line
from provision.contract.messages import (
    MAX_ID,
    Message,
    encode_message,
)
from provision.contract.profile import Item
from provision.contract.table import (
    PROTOCOL_VERSION,
    REPLY_ALLOWANCE_MS,
    Capability,
    HelloReplyKey,
    MessageType,
    SetFieldKey,
)
from provision.schema.model import Schema, Value

Body = dict[int, Item]

LONGEST_REPLY = 666
"""Bytes of the longest line that a board sends."""

SLOW = "the board's replies come later than clause 5.7 admits: run with --patient"
"""Why a check of a slow board is left out."""

_A_MOMENT = 10  # ms between lines that are sent one by one
_GRACE = 2000  # ms beyond the time at which a reply is late, after which it counts as none
_JUDGED_AFTER = 40  # replies after which a board that is mostly late is called slow


class Wire:
    """The line to one board, and what is known of both."""

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
        """Of each reply that was waited for alone, by how many milliseconds it came too late."""

        self.late_of: dict[int | None, list[int]] = {}
        """The same by the type of the request; None: the latest one of each flight."""

        self.unanswered = 0
        self.is_slow = False
        """Whether so many replies are late that a run takes hours."""

        self.exchanges = 0
        self.faults: list[Fault] = []
        """What the present check found, and went on from."""

        self.gone = False
        """Whether the board has stopped answering."""

        self.asks_presence = True
        self.may_restart = False  # of itself, to apply a set that has just come into force
        """Whether a refusal `presence` makes the kit ask for the button, and repeat."""

        self.present_at: int | None = None
        """When presence was first seen after the button was pressed; None: not known."""

        self.absent_at = 0
        """When a request was refused with presence last."""

        self._ear = LineListener()
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

    def fault(self, words: str, figures: str = "") -> Fault:
        """Return a fault, with what was sent and what came in the last exchange."""
        lines = [line.strip(b"\r\n") for line in self._sent[-3:]]
        sent = tuple(show_line(line, self._has_secret) for line in lines)
        show = show_without_values if self._asked_values else show_line
        came = tuple(show(each.raw, self._has_secret) for each in self._came[-4:])
        return Fault(words, sent, came, figures)

    def _has_secret(self, octets: bytes, message: Message | None) -> bool:
        """Whether a secret is in an item or a line: one of the kit's, or of a secret field."""
        if message is not None and message.type == MessageType.SET_FIELD:
            key = message.body.get(SetFieldKey.FIELD)
            setting = self.schema.setting(key) if self.schema and isinstance(key, str) else None
            if setting is not None and setting.field.is_secret:
                return True
        return self.leaks.finds_within(octets)

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

    def _listen(self, ms: int) -> Steps[list[Came]]:
        """Wait for bytes once; return the lines that they complete, each looked at."""
        heard = yield Listen(max(1, ms))
        self._now = heard.now
        came: list[Came] = []
        for each in self._ear.feed(heard.data):
            self._look_for_secrets(each.raw + b"\n")
            if isinstance(each, Logged):
                continue
            came.append(each)
            self._came.append(each)
            for wrong in each.wrong:
                self.watch.broke(wrong.number, self.fault(wrong.words, wrong.figures))
            if each.item is not None and self.leaks.finds_within(each.item):
                self.watch.broke("6.3.9", Fault("a secret came back within a reply"))
        return came

    def _look_for_secrets(self, octets: bytes) -> None:
        if self.leaks.finds(octets):
            self.watch.broke("6.3.9", Fault("a secret came back, among all that the board sent"))

    def end(self) -> None:
        """Look at what is left when nothing more is asked: the line whose end did not come."""
        self._look_for_secrets(self._ear.rest())

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is worth knowing of the line, and breaks no clause."""
        told = []
        if self._ear.echoes:
            told.append(
                "What is sent comes back, secrets included: the board, or a console on its port,"
                " echoes. Clause 2.2 admits that, and the echoes were left aside."
            )
        if self._ear.odd_types:
            told.append(
                "Messages of odd types came that were not sent before. A host ignores them (clause"
                " 2.2): a reply has an even type."
            )
        return tuple(told)

    def send(self, data: bytes) -> Steps[None]:
        """Send bytes, those beyond the board's credit only after the ones before had their time."""
        credit = max(64, self.number(HelloReplyKey.CREDIT) or 139)
        for at in range(0, len(data), credit):
            if at:
                pause = self.time_of(credit) + 50
                end = self._now + pause
                while self._now < end:
                    yield from self._listen(end - self._now)
            self._ear.sent(data[at : at + credit])
            heard = yield Send(data[at : at + credit])
            self._now = heard.now

    def time_of(self, octets: int) -> int:
        """Return how long so many bytes take on the line, in milliseconds."""
        return -(-octets * 10_000 // self.setup.baud)

    def converse(
        self,
        sent: Sequence[bytes],
        until: Sequence[int],
        announced: int = 0,
        number: str = "",
        *,
        later: Sequence[bytes] = (),
    ) -> Steps[list[Message]]:
        """Send lines; return all messages that come up to the replies to these ids.

        Ends as well when no reply came in time. announced: milliseconds that the board asked for,
        number: the requirement that admits them. later: lines that are sent one by one.
        """
        self._sent, self._came = [*sent, *later], []
        self._asked_values = any(map(asks_values, sent))
        self.exchanges += 1
        yield from self.send(b"".join(sent))
        for line in later:
            yield from self._listen(_A_MOMENT)
            yield from self.send(line)
        wire = sum(map(len, self._sent)) + LONGEST_REPLY
        start = self._now
        since, latest = start + self.time_of(wire - LONGEST_REPLY), 0
        allowed = REPLY_ALLOWANCE_MS + announced
        deadline = start + self.time_of(wire) + allowed + _GRACE
        waiting = set(until) - {message.id for message in self._messages()}
        while waiting and self._now < deadline:
            came = yield from self._listen(deadline - self._now)
            answered = waiting & {each.message.id for each in came if each.message}
            if answered:
                waiting -= answered
                latest = max(latest, self._now - since - self.time_of(LONGEST_REPLY) - allowed)
                since = self._now
                deadline = self._now + self.time_of(LONGEST_REPLY) + allowed + _GRACE
            if any(each.message is None for each in came) and len(until) == 1:
                break  # the only answer came damaged, and is noted
        if len(until) == 1:
            yield from self._look_at_time(
                None if waiting else self._now - start - self.time_of(wire) - allowed, number
            )
        elif not waiting:
            self.late_of.setdefault(None, []).append(latest)
        return self._messages()

    def _look_at_time(self, late: int | None, number: str) -> Steps[None]:
        """Note by how much a reply came too late, None for one that did not come; judge early.

        number: the requirement on the time of this one, if it has one of its own.
        """
        if late is None:
            self.unanswered += 1
        else:
            self.late.append(late)
            if number and late > 0:
                self.watch.broke(number, self.fault(f"a reply came {late} ms later than announced"))
        asked = len(self.late) + self.unanswered
        slow = sorted(ms for ms in self.late if ms > 0)
        if self.is_slow or asked < _JUDGED_AFTER or 2 * (len(slow) + self.unanswered) <= asked:
            return
        self.is_slow = True
        words = f"Of the first {asked} replies {len(slow)} came later than clause 5.7 admits"
        if slow:
            words += f", half of them by {slow[len(slow) // 2]} ms or more"
        words += f", and {self.unanswered} did not come. The clause is not met."
        if not self.setup.patient:
            yield Tell(f"{words} The rest is not asked: run with --patient to ask it all the same.")
            raise NotApplicable(SLOW)
        yield Tell(f"{words} What follows takes long.")

    def _messages(self) -> list[Message]:
        return [came.message for came in self._came if came.message]


def _spelled(capability: Capability) -> str:
    return (capability.name or "").lower().replace("_", "-")
