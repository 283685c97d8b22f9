# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong in the form of what they send, and in what they look at first: 2 to 5.1, 7."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import ClassVar

from provision.board.engine import Board, Body
from provision.board.staging import RequestRefused
from provision.board.state import OFFERED
from provision.board.store import NoOlderSet
from provision.contract import profile
from provision.contract.messages import Message, decode_message, encode_message
from provision.contract.table import (
    Capability,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
)
from tests.conformance.making import (
    BUTTON,
    ON_TRIAL,
    Case,
    R,
    T,
    answering,
    changed,
    device,
    is_part,
    item_of,
    line_of,
    refusing,
    subclass,
)
from tests.conformance.wrong_conversation import NoDetail


def before(request: Callable[[Board, Message], bool], code: Refusal, **more: object) -> type[Board]:
    """Return a board that refuses some requests with a code before it looks at anything else."""

    class Hasty(Board):
        def _handle(self, message: Message) -> Body:
            if request(self, message):
                raise RequestRefused(code, **more)  # type: ignore[arg-type]
            return super()._handle(message)

    return Hasty


def _log_within(line: bytes) -> bytes:
    is_status = item_of(line)[2] == MessageType.STATUS_REPLY
    return line[:12] + b" mast: 4.5 C " + line[12:] if is_status else line


def _answers_empty_lines(data: bytes) -> bytes:
    """Take three empty lines for a request that nobody knows."""
    return data.replace(b"\n\n\n", b"\n" + line_of(profile.encode([1, 99, 1, {}])) + b"\n")


def _deaf_after_strange_bytes(data: bytes) -> bytes:
    return b"" if any(byte > 0x7F for byte in data) else data


def _as_locate(line: bytes) -> bytes:
    message = decode_message(item_of(line))
    other = replace(message, type=T.LOCATE_REPLY) if message.type == T.STATUS_REPLY else message
    return line_of(encode_message(other))


def _code_99(line: bytes) -> bytes:
    message = decode_message(item_of(line))
    if message.type == T.REFUSAL and message.body[RefusalKey.CODE] == R.UNKNOWN_FIELD:
        message = replace(message, body={**message.body, RefusalKey.CODE: 99})
    return line_of(encode_message(message))


class KeepsOverStart(Board):
    """Holds what is staged in memory that a start does not clear."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        kept = getattr(self, "_staging", None)
        super().restart(boot_number, now_ms)
        self._staging = kept or self._staging


class KeepsAtCommit(Board):
    """Keeps what is staged when it is committed."""

    def _commit(self, body: Body) -> Body:
        held = dict(self.staged)
        reply = super()._commit(body)
        self._staging._values.update(held)
        return reply


class UnstagesRefused(Board):
    """Unstages a field when another value for it is refused."""

    def _set_field(self, body: Body) -> Body:
        try:
            return super()._set_field(body)
        except RequestRefused:
            key = str(body[SetFieldKey.FIELD])
            if key in self.staged and not is_part(Message(1, T.SET_FIELD, 0, body)):
                self._staging._values[key] = None
            raise


class UndoesRefused(Board):
    """Refuses an undo with something staged, and undoes all the same."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            if message.type == T.UNDO and refused.code is R.WRONG_STATE and self.staged:
                with suppress(NoOlderSet):
                    self.store.undo(self._serves)
                    self._come_into_force()
            raise


class RepeatsInState(Board):
    """Looks at the state before it looks for a repeat."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        if request is T.UNDO and self.staged:
            return False
        return super()._is_repeat(request, body)


class NoOlderFirst(Board):
    """Looks for an older set before it looks at the generation."""

    def _check_not_moved_on(self, request: MessageType, body: Body) -> None:
        if request is T.UNDO:
            body = {1: self.generation} if self.store._older() is None else body
        super()._check_not_moved_on(request, body)


class NoOther(Board):
    """Names one field of two."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            refused.other = None
            raise


def _is(type_: int) -> Callable[[Board, Message], bool]:
    return lambda board, message: message.type == type_ and message.version == 1


def _part_beyond(message: Message, refused: RequestRefused) -> RequestRefused | Body:
    if refused.code is R.MALFORMED and is_part(message):
        return RequestRefused(R.LENGTH, str(message.body.get(SetFieldKey.FIELD, "a"))[:32])
    return refused


class SkipsInHelloOnly(Board):
    """Refuses a key from 64 up in what changes something."""

    def _handle(self, message: Message) -> Body:
        if message.version == 1 and message.type in (T.COMMIT, T.SET_FIELD) and 64 in message.body:
            raise RequestRefused(R.MALFORMED)
        return super()._handle(message)


class PartsOver(Board):
    """Keeps parts over a request of one type, whether it is carried out or refused."""

    only: ClassVar[MessageType]
    complete = False

    def _handle(self, message: Message) -> Body:
        parts = self._staging._parts
        held = bytes(parts.held) if parts else b""
        try:
            return super()._handle(message)
        finally:
            if parts and message.type == self.only and parts.complete == self.complete:
                parts.held[:] = held
                self._staging._parts = parts


class ForgetsParts(Board):
    """Forgets parts at refusals of these codes, or where it confirms."""

    at: ClassVar[tuple[Refusal, ...]] = ()

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            if refused.code in self.at and message.type in (T.SET_FIELD, T.COMMIT):
                self._staging._forget_parts()
            raise

    def _confirm(self, body: Body) -> Body:
        if not self.at:
            self._staging._forget_parts()
        return super()._confirm(body)


class StagesAbsent(Board):
    """Stages what it refuses since nobody is present."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            if refused.code is R.PRESENCE and message.type == T.SET_FIELD:
                with suppress(RequestRefused):
                    self._set_field(message.body)
            raise


class DiffersForgetsOlder(Board):
    """Forgets the older set at set-differs."""

    def _commit(self, body: Body) -> Body:
        vars(self.store).pop("_older", None)
        try:
            return super()._commit(body)
        except RequestRefused as refused:
            if refused.code is R.SET_DIFFERS:
                self.store._older = lambda: None  # type: ignore[method-assign]
            raise


class ConfirmsStaged(Board):
    """Confirms a trial whatever is staged."""

    def _handle(self, message: Message) -> Body:
        if message.type == T.CONFIRM and self.staged and self.store.current.on_trial:
            self._check_not_moved_on(T.CONFIRM, message.body)
            return self._confirm(message.body)
        return super()._handle(message)


class DropsAtEndOfTrial(Board):
    """Drops what is staged when the time of a trial is over."""

    def _end_trial(self) -> None:
        super()._end_trial()
        self._staging.forget()


def _is_part_beyond(board: Board, message: Message) -> bool:
    """Whether a part goes beyond its total."""
    offset, total, part = map(message.body.get, (3, 4, 5))
    whole = isinstance(offset, int) and isinstance(total, int) and isinstance(part, bytes)
    return message.type == T.SET_FIELD and whole and offset + len(part) > total  # type: ignore[operator, arg-type]


class PresenceBeforeRepeat(Board):
    """Looks for presence before it looks for a repeat."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        if not self._presence_suffices():
            raise RequestRefused(R.PRESENCE)
        return super()._is_repeat(request, body)


ORDER_CASES: tuple[Case, ...] = (
    Case("2.1.2", "prints log text within a message", {"device": device(writes=_log_within)}, "6.6"),
    Case("2.2.2", "answers empty lines", {"device": device(reads=_answers_empty_lines)}),
    Case("2.2.7", "loses the message behind bytes above 7F", {"device": device(reads=_deaf_after_strange_bytes)}),
    Case("2.3.2", "announces lines of 100 characters", {"board": changed(T.HELLO, HelloReplyKey.LINE, lambda _: 100)}),
    Case("4.1.4", "answers status with another type", {"device": device(writes=_as_locate)}, "6.6"),
    Case("4.1.7", "adds a key of its own below 64", {"board": answering(lambda b, m, r: {**r, 40: 1} if m.type == T.STATUS else r)}, "6.6"),
    Case("4.3.1", "looks at the type before the version", {"board": before(lambda b, m: m.version != 1 and m.type == 99, R.UNKNOWN_TYPE)}),
    Case("4.3.2", "looks at the body before the type", {"board": before(lambda b, m: m.type > 26 and m.version == 1 and bool(m.body), R.MALFORMED)}),
    Case("4.3.3", "looks at the state before the capability", {"board": before(lambda b, m: m.type == T.UNDO and m.version == 1 and not b.stored, R.WRONG_STATE), "capabilities": OFFERED & ~Capability.UNDO}),
    Case("4.3.5", "looks at the state before it looks for a repeat", {"board": RepeatsInState}),
    Case("4.2.2", "skips keys where nothing changes only", {"board": SkipsInHelloOnly}),
    Case("4.3.5", "looks for presence before it looks for a repeat", {"board": PresenceBeforeRepeat, "limits": BUTTON}),
    Case("5.1.5", "keeps incomplete parts when it commits", {"board": subclass(PartsOver, only=T.COMMIT)}),
    Case("5.1.5", "keeps incomplete parts when it undoes", {"board": subclass(PartsOver, only=T.UNDO)}),
    Case("5.1.5", "keeps incomplete parts when it erases", {"board": subclass(PartsOver, only=T.ERASE)}),
    Case("5.1.4", "keeps complete parts at discard", {"board": subclass(PartsOver, only=T.DISCARD, complete=True)}),
    Case("4.3.1", "looks at the capability before the version", {"board": before(lambda b, m: m.version != 1 and m.type == T.UNDO, R.NOT_OFFERED), "capabilities": OFFERED & ~Capability.UNDO}),
    Case("4.3.9", "looks at the end of a part before presence", {"board": before(_is_part_beyond, R.MALFORMED), "limits": BUTTON}),
    Case("4.3.10", "stages what it refuses for want of a person", {"board": StagesAbsent, "limits": BUTTON}),
    Case("4.3.10", "forgets the older set at set-differs", {"board": DiffersForgetsOlder}),
    Case("4.3.10", "forgets parts when a rule of the whole is broken", {"board": subclass(ForgetsParts, at=(R.MISSING, R.PARTNER, R.PIN_CONFLICT))}),
    Case("4.3.10", "forgets parts at one that goes beyond the total", {"board": subclass(ForgetsParts, at=(R.MALFORMED,))}),
    Case("5.1.1", "confirms with a field staged", {"board": ConfirmsStaged, **ON_TRIAL}),
    Case("5.1.2", "erases nothing on trial", {"board": before(lambda b, m: m.type == T.ERASE and b.store.current.on_trial, R.WRONG_STATE), **ON_TRIAL}),
    Case("5.1.7", "forgets parts at confirm", {"board": ForgetsParts, **ON_TRIAL}),
    Case("5.1.7", "drops what is staged at the end of a trial", {"board": DropsAtEndOfTrial, **ON_TRIAL}),
    Case("5.1.2", "shows itself only with nothing staged", {"board": before(lambda b, m: m.type == T.LOCATE and bool(b.staged), R.WRONG_STATE)}),
    Case("4.3.6", "looks at the state before presence", {"board": before(lambda b, m: m.type == T.COMMIT and not b.staged and 3 in m.body, R.WRONG_STATE), "limits": BUTTON}),
    Case("4.3.8", "looks for an older set before the generation", {"board": NoOlderFirst}),
    Case("4.3.9", "looks the field up before presence", {"board": before(lambda b, m: m.type == T.SET_FIELD and m.body.get(1) == "no-such.field", R.UNKNOWN_FIELD, field="no-such.field"), "limits": BUTTON}),
    Case("4.3.10", "unstages a field whose next value is refused", {"board": UnstagesRefused}),
    Case("4.3.10", "undoes though it refuses, with a field staged", {"board": UndoesRefused}),
    Case("5.1.2", "gives no schema while a field is staged", {"board": before(lambda b, m: m.type == T.GET_SCHEMA and bool(b.staged), R.WRONG_STATE)}),
    Case("5.1.3", "holds what is staged over a start", {"board": KeepsOverStart}),
    Case("5.1.5", "keeps what is staged when it is committed", {"board": KeepsAtCommit}),
    Case("6.4.1", "says length for a part beyond the total", {"board": refusing(_part_beyond)}),
    Case("7.1.1", "refuses with a code that there is not", {"device": device(writes=_code_99)}, "6.4.2"),
    Case("7.1.3", "names one of two fields", {"board": NoOther}),
    Case("7.2.1", "gives no detail with moved-on", {"board": subclass(NoDetail, code=R.MOVED_ON)}),
    Case("7.2.2", "gives no detail with out-of-bounds", {"board": subclass(NoDetail, code=R.OUT_OF_BOUNDS)}),
)  # fmt: skip
