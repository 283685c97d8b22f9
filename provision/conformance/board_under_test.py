# SPDX-License-Identifier: MIT
"""Where a board is held while checks ask it things: what it holds, and what it must have staged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from provision.conformance.conversation import MEETING, PRESS_TIME, Conversation
from provision.conformance.expected_values import TYPES, takes_parts
from provision.conformance.findings import (
    Gone,
    NotApplicable,
    NotMet,
)
from provision.conformance.shown import code_words
from provision.conformance.steps import AskPerson, Steps
from provision.conformance.wire import Body
from provision.contract.digest import staged_digest
from provision.contract.profile import Item
from provision.contract.table import (
    MAX_PIECE,
    Capability,
    CommitKey,
    CommitReplyKey,
    DiscardKey,
    GetValuesKey,
    GetValuesReplyKey,
    HelloReplyKey,
    MessageType,
    RefusalKey,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
    Store,
)
from provision.schema.model import Setting, Value


@dataclass(frozen=True, slots=True)
class EndedScan:
    """The newest scan of networks, which was read to its end."""

    at: int
    """When it was found to have ended, in milliseconds."""

    boot: int
    """The boot number then: the next start knows nothing of the scan."""

    number: Item
    networks: list[Item]


class BoardUnderTest(Conversation):
    """One board, and what is known of what it holds."""

    ended_scan: EndedScan | None = None

    def say_hello(self) -> Steps[Body]:
        """Ask hello; keep and return what it says."""
        reply = yield from self.ask(MessageType.HELLO)
        if reply.type != MessageType.HELLO_REPLY:
            raise NotMet("hello was refused")
        self.keep_hello(reply.body)
        return reply.body

    def fresh(self) -> Steps[None]:
        """Begin a check: the board is there, and nothing is staged. Gone if it is not there."""
        try:
            yield from self.say_hello()
        except NotMet:
            yield from self._find_again()
        self.staged.clear()
        yield from self.ask(MessageType.DISCARD, {DiscardKey.BOOT: self.boot})

    def _find_again(self) -> Steps[None]:
        listens = self.hello.get(HelloReplyKey.LISTENS) is not None
        try:
            yield from self.meet(1000 if listens else MEETING)
        except Gone:
            if not listens:
                raise
            heard = yield AskPerson("The board has stopped listening: press its reset button.")
            self._now = heard.now
            if not heard.done:
                raise
            yield from self.meet(PRESS_TIME)

    def status(self) -> Steps[Body]:
        """Ask for the status."""
        return (yield from self.answer(MessageType.STATUS))

    def store(self) -> Steps[Store]:
        """Ask what is stored."""
        code = (yield from self.status())[StatusReplyKey.STORE]
        if code not in tuple(Store):
            raise NotMet(f"`store` is {code!a}, which version 1 does not have")
        return Store(_whole(code))

    def values(self) -> Steps[list[list[Item]]]:
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
        if not (parts and value and in_parts and self.takes_parts) and self.fits(
            MessageType.SET_FIELD, whole
        ):
            return [whole]
        if not in_parts or not isinstance(value, str | bytes) or not self.takes_parts:
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

    @property
    def takes_parts(self) -> bool:
        """Whether values may come in parts (clause 6.4)."""
        return Capability.WHOLE_VALUES not in self.capabilities

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

    def stage(self, setting: Setting, value: Value | None, *, parts: bool = False) -> Steps[None]:
        """Stage a value that the board must take."""
        bodies = self.requests_for(setting, value, parts=parts)
        if not bodies:
            raise NotApplicable(f"no value of {setting.key} fits into the board's line")
        *first, last = bodies
        for body in first:
            yield from self.answer(MessageType.SET_FIELD, body)
        self.staged[setting.key] = value
        self.check_count((yield from self.answer(MessageType.SET_FIELD, last)))

    def stage_all(self, values: Mapping[str, Value | None]) -> Steps[None]:
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

    def commit(self, token: bytes | None = None) -> Steps[int]:
        """Commit what is staged, which the board must do; return the generation."""
        body = yield from self.answer(MessageType.COMMIT, self.commit_body(token))
        self.staged.clear()
        return _whole(body[CommitReplyKey.GENERATION])


def _whole(item: Item) -> int:
    assert isinstance(item, int)
    return item
