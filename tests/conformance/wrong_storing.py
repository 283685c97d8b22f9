# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong in what they store: clauses 6.5 to 6.7, 9.5, 9.6, 10, 11."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import ClassVar

from provision.board.engine import (
    Board,
    Body,
)
from provision.board.flash import Flash
from provision.board.staging import RequestRefused
from provision.contract.messages import Message
from provision.contract.table import (
    CommitKey,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    Run,
    StatusReplyKey,
)
from provision.schema import constraints
from provision.schema.model import Value
from tests.conformance.board import PressedDevice
from tests.conformance.making import (
    ON_TRIAL,
    AnyGeneration,
    Case,
    NoRepeats,
    R,
    T,
    answering,
    changed,
    lacking,
    lines,
    other_code,
    subclass,
    type_of,
    wholes,
)


class SameBoot(PressedDevice):
    """Has the same boot number at every start."""

    def _advance(self, now_ms: int) -> bytes:
        self._boot_numbers = iter([self.board.boot_number])
        return super()._advance(now_ms)


class NewUnit(PressedDevice):
    """Has another unit id at every start."""

    def _begin(self, now_ms: int) -> None:
        self.board.identity = replace(self.board.identity, unit=now_ms.to_bytes(8))
        super()._begin(now_ms)


class NeverRestarts(PressedDevice):
    """Says that it restarts, and does not."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        self._off_until = None
        self.board._restarting = False
        return sent


class ForgetsAtStart(PressedDevice):
    """Has nothing stored after a start."""

    def _advance(self, now_ms: int) -> bytes:
        if self._off_until is not None and now_ms >= self._off_until:
            self.board.store.flash = Flash(self.board.store.flash.geometry)
        return super()._advance(now_ms)


class ForgetsOlderAtStart(PressedDevice):
    """Has the older set in memory only: after a start nothing can be undone."""

    def _advance(self, now_ms: int) -> bytes:
        starts = self._off_until is not None and now_ms >= self._off_until
        sent = super()._advance(now_ms)
        if starts:
            self.board.store._older = lambda: None  # type: ignore[method-assign]
        return sent

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        before = self.board.store.flash.content
        sent = super().receive(data, now_ms)
        written = before != self.board.store.flash.content
        if written and any(type_of(line) == MessageType.COMMIT_REPLY for line in lines(sent)):
            vars(self.board.store).pop("_older", None)
        return sent


class BringsBackAtStart(PressedDevice):
    """Loses the last record when it starts: what was acknowledged is gone."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        before = self.board.store.flash.content
        sent = super().receive(data, now_ms)
        written = before != self.board.store.flash.content
        replies = {type_of(line) for line in lines(sent)}
        if written and replies & {T.COMMIT_REPLY, T.CONFIRM_REPLY, T.UNDO_REPLY, T.ERASE_REPLY}:
            self.lost = before if self.of in replies else None
        return sent

    of: ClassVar[MessageType] = MessageType.UNDO_REPLY
    lost: bytes | None = None

    def _advance(self, now_ms: int) -> bytes:
        if self._off_until is not None and now_ms >= self._off_until and self.lost is not None:
            self.board.store.flash = Flash(self.board.store.flash.geometry, self.lost)
            self.lost = None
        return super()._advance(now_ms)


class ConfirmLost(BringsBackAtStart):
    """Loses a confirm when it starts: the set is on trial again."""

    of = MessageType.CONFIRM_REPLY


class NoTokens(Board):
    """Does a commit again whose token it knows."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        return request is not MessageType.COMMIT and super()._is_repeat(request, body)


class TwoTokens(Board):
    """Takes the commit before the newest for a repeat as well."""

    before: bytes | None = None

    def _commit(self, body: Body) -> Body:
        before = self.store.current.token
        reply = super()._commit(body)
        self.before = before
        return reply

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        is_older = request is MessageType.COMMIT and body[CommitKey.TOKEN] == self.before
        return is_older or super()._is_repeat(request, body)


class KeepsOnRepeat(Board):
    """Keeps what is staged when the repeat of a commit comes."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        current = self.store.current
        if request is MessageType.COMMIT:
            return current.is_set and body[CommitKey.TOKEN] == current.token
        return super()._is_repeat(request, body)


class KeepsOnDiffers(Board):
    """Keeps what is staged when the set differs."""

    def _commit(self, body: Body) -> Body:
        held = dict(self.staged)
        try:
            return super()._commit(body)
        except RequestRefused as refused:
            if refused.code is Refusal.SET_DIFFERS:
                self._staging._values.update(held)
            raise


class NoDigest(Board):
    """Does not look at the digest."""

    def _commit(self, body: Body) -> Body:
        mended = {**body, CommitKey.DIGEST: constraints.staged_digest(self.schema, self.staged)}
        return super()._commit(mended)


class NoCount(Board):
    """Does not look at the count."""

    def _commit(self, body: Body) -> Body:
        return super()._commit({**body, CommitKey.COUNT: len(self.staged)})


class StoresStagedOnly(Board):
    """Stores what is staged, and drops the rest."""

    def _commit(self, body: Body) -> Body:
        expected = (len(self.staged), constraints.staged_digest(self.schema, self.staged))
        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:
            return super()._commit(body)
        for setting in self.schema.settings:
            kept = setting.field.required or setting.field.kind is Kind.PASSPHRASE
            if not kept and setting.key in self.stored and setting.key not in self.staged:
                self._staging._values[setting.key] = None
        mended = {
            **body,
            CommitKey.COUNT: len(self.staged),
            CommitKey.DIGEST: constraints.staged_digest(self.schema, self.staged),
        }
        return super()._commit(mended)


class IgnoresClearing(Board):
    """Takes null, and keeps what is stored."""

    def _commit(self, body: Body) -> Body:
        expected = (len(self.staged), constraints.staged_digest(self.schema, self.staged))
        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:
            return super()._commit(body)
        for key in [k for k, v in self.staged.items() if v is None and k in self.stored]:
            self._staging._values[key] = self.stored[key]
        mended = {
            **body, CommitKey.DIGEST: constraints.staged_digest(self.schema, self.staged)
        }  # fmt: skip
        return super()._commit(mended)


class DropsRefused(Board):
    """Drops what is staged when a rule of the whole is broken."""

    def _commit(self, body: Body) -> Body:
        try:
            return super()._commit(body)
        except RequestRefused:
            self._staging.forget()
            raise


class EraseLeaves(Board):
    """Erase forgets to take the values out of memory."""

    def _take_up_erase(self) -> None:
        kept = self._stored
        super()._take_up_erase()
        self._stored = kept


class EraseHides(Board):
    """Erase stores an empty set over the old one, which undo brings back."""

    def _erase(self, body: Body) -> Body:
        before = self.generation
        if self.store.current.is_set:
            self.store.commit(b"", bytes(8), self._packed.digest, on_trial=False)
        self._staging.forget()
        self._come_into_force()
        self._brought = (MessageType.ERASE, before, self.generation)
        del body
        return {1: self.generation}


class UndoKeepsToken(Board):
    """After undo hello still gives the token of the newest commit."""

    newest: bytes | None = None

    def _commit(self, body: Body) -> Body:
        reply = super()._commit(body)
        self.newest = bytes(body[CommitKey.TOKEN])  # type: ignore[arg-type]
        return reply

    def _hello(self, body: Body) -> Body:
        reply = super()._hello(body)
        if reply[HelloReplyKey.TOKEN] is not None and self.newest:
            reply[HelloReplyKey.TOKEN] = self.newest
        return reply


def _none_of(
    *codes: Refusal,
) -> Callable[[Board, constraints.Violation | None], constraints.Violation | None]:
    return lambda board, fault: None if fault and fault.code in codes else fault


def _inactive_too(
    board: Board, fault: constraints.Violation | None
) -> constraints.Violation | None:
    """Whatever is required must have a value, active or not."""
    values = constraints.in_force(
        board.schema, {**board.stored, **{k: v for k, v in board.staged.items() if v is not None}}
    )
    cleared = {k for k, v in board.staged.items() if v is None}
    for setting in board.schema.settings:
        wanted = setting.field.required and setting.field.default is None and fault is None
        if wanted and (setting.key in cleared or setting.key not in values):
            return constraints.Violation(Refusal.MISSING, setting.key)
    return fault


def _no_sharing(board: Board, fault: constraints.Violation | None) -> constraints.Violation | None:
    """No pin twice, shared or not."""
    values = {**board.stored, **board.staged}
    seen: dict[Value, str] = {}
    for setting in board.schema.settings:
        value = values.get(setting.key)
        if setting.field.kind is Kind.PIN and value is not None and fault is None:
            if value in seen and setting.field.shares:
                return constraints.Violation(Refusal.PIN_CONFLICT, setting.key, seen[value])
            seen[value] = setting.key
    return fault


def _earlier_named(
    board: Board, fault: constraints.Violation | None
) -> constraints.Violation | None:
    if fault and fault.code is Refusal.PIN_CONFLICT and fault.other:
        return constraints.Violation(fault.code, fault.other, fault.field)
    return fault


def _run_idle(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.STATUS:
        reply[StatusReplyKey.RUN] = int(Run.IDLE)
    return reply


class LooseForms(Board):
    """Takes a token of any length."""

    def _handle(self, message: Message) -> Body:
        token = message.body.get(CommitKey.TOKEN)
        if message.type == MessageType.COMMIT and isinstance(token, bytes):
            body = {**message.body, CommitKey.TOKEN: token[:8].ljust(8)}
            return super()._handle(replace(message, body=body))
        return super()._handle(message)


class TokenAfterErase(Board):
    """Remembers the token over an erase."""

    def _hello(self, body: Body) -> Body:
        reply = super()._hello(body)
        if self.generation and reply[HelloReplyKey.TOKEN] is None:
            reply[HelloReplyKey.TOKEN] = bytes(8)
        return reply


STORING_CASES: tuple[Case, ...] = (
    Case("6.5.1", "does a commit again whose token it knows", {"board": NoTokens}),
    Case("6.5.10", "takes the commit before for a repeat", {"board": TwoTokens}),
    Case("6.5.1", "keeps what is staged at the repeat of a commit", {"board": KeepsOnRepeat}),
    Case("6.5.3", "keeps what is staged when the set differs", {"board": KeepsOnDiffers}),
    Case("6.5.3", "does not look at the digest", {"board": NoDigest}),
    Case("6.5.3", "does not look at the count", {"board": NoCount}),
    Case("6.5.2", "says set-differs with nothing staged", {"board": other_code(R.WRONG_STATE, R.SET_DIFFERS, T.COMMIT)}),
    Case("6.5.8", "stores only what is staged", {"board": StoresStagedOnly}),
    Case("6.4.9", "keeps what null should clear", {"board": IgnoresClearing}),
    Case("6.6.2", "is always idle", {"board": answering(_run_idle)}),
    Case("6.6.5", "says missing when nothing is", {"board": answering(lambda b, m, r: {**r, 11: "net.name"} if m.type == 11 else r)}),
    Case("6.6.10", "says nothing of the time a trial has", {"board": lacking(T.STATUS, StatusReplyKey.TRIAL_LEFT), **ON_TRIAL}),
    Case("5.7.4", "never ends applying", {"surroundings": None}),
    Case("6.7.1", "discards whatever boot number is named", {"board": subclass(AnyGeneration, only=(T.DISCARD,))}),
    Case("6.7.1", "undoes whatever generation is named", {"board": subclass(AnyGeneration, only=(T.UNDO,))}),
    Case("6.7.1", "erases whatever generation is named", {"board": subclass(AnyGeneration, only=(T.ERASE,))}),
    Case("6.7.1", "restarts whatever boot number is named", {"board": subclass(AnyGeneration, only=(T.RESTART,))}),
    Case("6.7.2", "refuses the repeat of an undo", {"board": subclass(NoRepeats, only=(T.UNDO,))}),
    Case("6.7.2", "refuses the repeat of an erase", {"board": subclass(NoRepeats, only=(T.ERASE,))}),
    Case("6.7.5", "keeps the newest token after undo", {"board": UndoKeepsToken}),
    Case("6.7.12", "shows values after erase", {"board": EraseLeaves}),
    Case("6.7.8", "erases by an empty set", {"board": EraseHides}),
    Case("6.1.3", "has a token after erase", {"board": TokenAfterErase}),
    Case("6.7.16", "does not restart", {"device": NeverRestarts}),
    Case("5.2.6", "has the same boot number after a restart", {"device": SameBoot}),
    Case("5.2.7", "has another unit id after a restart", {"device": NewUnit}),
    Case("6.7.4", "holds the older set in memory only", {"device": ForgetsOlderAtStart}),
    Case("10.1.1", "has the older set in memory only", {"device": ForgetsOlderAtStart}),
    Case("10.1.1", "has a set on trial again at the next start", {"device": ConfirmLost, **ON_TRIAL}),
    Case("10.1.1", "forgets all at a start", {"device": ForgetsAtStart}),
    Case("9.5.2", "wants what is not active", {"board": wholes(_inactive_too)}),
    Case("9.6.5", "knows no shared pins", {"board": wholes(_no_sharing)}),
    Case("9.6.3", "takes a network name without its passphrase", {"board": wholes(_none_of(R.PARTNER))}),
    Case("9.6.4", "takes what lacks a required field", {"board": wholes(_none_of(R.MISSING))}),
    Case("9.6.5", "takes a pin twice", {"board": wholes(_none_of(R.PIN_CONFLICT))}),
    Case("9.6.5", "names the earlier pin as the field", {"board": wholes(_earlier_named)}),
    Case("6.5.4", "drops what is staged when a rule is broken", {"board": DropsRefused}),
    Case("10.1.1", "has undone an undo at the next start", {"device": BringsBackAtStart}),
    Case("5.4.4", "confirms in memory only", {"device": ConfirmLost, **ON_TRIAL}),
    Case("4.1.6", "leaves `listens` out of hello", {"board": lacking(T.HELLO, HelloReplyKey.LISTENS)}, "6.1"),
    Case("4.3.4", "takes a token of any length", {"board": LooseForms}),
    Case("4.1.6", "has `staged` as text", {"board": changed(T.STATUS, StatusReplyKey.STAGED, str)}, "6.6"),
)  # fmt: skip
