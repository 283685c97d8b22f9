# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong about wholes, and about what they keep: clauses 6.5, 6.7, 8.3, 9.5, 9.6."""

from __future__ import annotations

from dataclasses import replace

from provision.board.engine import Board, Body
from provision.board.flash import Flash
from provision.board.staging import RequestRefused
from provision.board.store import pack_values
from provision.contract.line import crc32c
from provision.contract.messages import Message
from provision.contract.profile import encode
from provision.contract.table import CommitKey, Kind, MessageType, Refusal, Run, StatusReplyKey
from provision.contract.table import Store as StoreState
from provision.schema import constraints
from provision.schema.model import Value
from tests.conformance.board import PressedDevice
from tests.conformance.making import (
    ON_TRIAL,
    Case,
    R,
    T,
    answering,
    lines,
    type_of,
    wholes,
    with_fields,
)
from tests.conformance.wrong_order import before

Fault = constraints.Violation | None


class DigestAsItCame(Board):
    """Makes the digest over the fields in the order in which they were staged."""

    def _commit(self, body: Body) -> Body:
        own = crc32c(b"".join(encode([key, value]) for key, value in self.staged.items()))
        if body[CommitKey.DIGEST] == own:
            body = {**body, CommitKey.DIGEST: constraints.staged_digest(self.schema, self.staged)}
        else:
            body = {**body, CommitKey.DIGEST: own ^ 1}
        return super()._commit(body)


class AnswersBeforeItWrites(PressedDevice):
    """Acknowledges a commit that is lost when it starts before it has written it."""

    before: bytes | None = None

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        before = self.board.store.flash.content
        sent = super().receive(data, now_ms)
        if any(type_of(line) in (T.COMMIT_REPLY, T.CONFIRM_REPLY) for line in lines(sent)):
            self.before = before
        return sent

    def _advance(self, now_ms: int) -> bytes:
        if self._off_until is not None and now_ms >= self._off_until and self.before is not None:
            self.board.store.flash = Flash(self.board.store.flash.geometry, self.before)
            self.before = None
        return super()._advance(now_ms)


class RepeatsAfterStart(Board):
    """Remembers over a start which undo it has answered."""

    last: Body | None = None

    def _undo(self, body: Body) -> Body:
        reply = super()._undo(body)
        self.last = body
        return reply

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        if request is T.UNDO and body == self.last and body[1] != self.generation:
            return True
        return super()._is_repeat(request, body)


class UndoesOnce(Board):
    """Undoes a set, and never the undo."""

    undone = False

    def _undo(self, body: Body) -> Body:
        if self.undone:
            raise RequestRefused(Refusal.NO_OLDER_SET)
        self.undone = True
        return super()._undo(body)


class UndoDropsParts(Board):
    """Forgets what is held of parts before it looks for an older set."""

    def _undo(self, body: Body) -> Body:
        self._staging.forget()
        return super()._undo(body)


class UndoesTheFirst(Board):
    """Undoes the first set there is, by erasing it."""

    def _undo(self, body: Body) -> Body:
        if self.store._older() is None:
            return self._erase(body)
        return super()._undo(body)


class RestartsFirst(PressedDevice):
    """Restarts before the reply is sent."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = lines(super().receive(data, now_ms))
        return b"".join(line for line in sent if type_of(line) != T.RESTART_REPLY)


class DropsInactive(Board):
    """Drops at a commit what is not active."""

    def _commit(self, body: Body) -> Body:
        reply = super()._commit(body)
        active = constraints.active(self.schema, self.stored)
        kept = {key: value for key, value in self.stored.items() if key in active}
        self._stored = replace(self._stored, values=kept)
        return reply


def _unused_too(board: Board, fault: Fault) -> Fault:
    """Whatever instance there is must have what is required."""
    values = {**board.stored, **board.staged}
    for setting in board.schema.settings:
        wanted = setting.field.required and setting.instance is not None
        if fault is None and wanted and values.get(setting.key) is None:
            return constraints.Violation(Refusal.MISSING, setting.key)
    return fault


def _first_field_counts(board: Board, fault: Fault) -> Fault:
    """An instance is in use when its first field is set."""
    if fault and fault.code is R.MISSING:
        setting = board.schema.setting(fault.field)
        if setting and setting.instance is not None:
            return None
    return fault


def _one_by_one(board: Board, fault: Fault) -> Fault:
    """An instance is in use only if the one before it is."""
    setting = board.schema.setting(fault.field) if fault and fault.code is R.MISSING else None
    if setting and setting.instance and setting.instance > 1:
        before_it = f"{setting.section.key}.{setting.instance - 1}."
        if not any(key.startswith(before_it) for key in _kept(board)):
            return None
    return fault


def _chain_ignored(board: Board, fault: Fault) -> Fault:
    """A condition asks for a value, whether the field that has it is active or not."""
    values = _kept(board)
    for setting in board.schema.settings:
        condition = setting.field.condition
        lacks = setting.field.required and setting.key not in values
        if (
            fault is None
            and condition
            and lacks
            and values.get(condition.base_key) in condition.values
        ):
            return constraints.Violation(Refusal.MISSING, setting.key)
    return fault


def _no_conditions(board: Board, fault: Fault) -> Fault:
    """Nothing that has a condition is ever missing."""
    if fault and fault.code is R.MISSING:
        setting = board.schema.setting(fault.field)
        if setting and setting.field.condition:
            return None
    return fault


def _pins_first(board: Board, fault: Fault) -> Fault:
    """Pins are compared before anything is missing."""
    values = {**board.stored, **board.staged}
    kept = {key: value for key, value in values.items() if value is not None}
    pins = next(constraints.pin_conflicts(board.schema, kept), None)
    return pins if fault and fault.code is R.MISSING and pins else fault


def _kept(board: Board) -> dict[str, Value]:
    values = {**board.stored, **board.staged}
    return {key: value for key, value in values.items() if value is not None}


def _last_missing(board: Board, fault: Fault) -> Fault:
    """The last field that lacks a value is named."""
    if fault and fault.code is R.MISSING:
        active = constraints.active(board.schema, _kept(board))
        lacking = [
            s.key
            for s in board.schema.settings
            if s.field.required and s.key in active and s.key not in _kept(board)
        ]
        return constraints.Violation(R.MISSING, lacking[-1]) if lacking else fault
    return fault


def _last_conflict(board: Board, fault: Fault) -> Fault:
    """The last two fields with one pin are named."""
    if fault and fault.code is R.PIN_CONFLICT:
        return [*constraints.pin_conflicts(board.schema, _kept(board))][-1]
    return fault


def _staged_only(board: Board, fault: Fault) -> Fault:
    """Pins are compared among what is staged."""
    if fault and fault.code is R.PIN_CONFLICT:
        both = fault.field in board.staged and fault.other in board.staged
        return fault if both else None
    return fault


def _nearest_conflict(board: Board, fault: Fault) -> Fault:
    """Of earlier fields with the same pin the nearest is named."""
    if fault and fault.code is R.PIN_CONFLICT:
        found = constraints.pin_conflicts(board.schema, _kept(board))
        return [each for each in found if each.field == fault.field][-1]
    return fault


def _stored_pins_only(board: Board, fault: Fault) -> Fault:
    """Pins of defaults are not compared."""
    if fault and fault.code is R.PIN_CONFLICT:
        return fault if {fault.field, fault.other} <= _kept(board).keys() else None
    return fault


def _no_pin_staged(board: Board, fault: Fault) -> Fault:
    """Pins are compared when one is staged."""
    if fault and fault.code is R.PIN_CONFLICT:
        settings = [board.schema.setting(key) for key in board.staged]
        return fault if any(s and s.field.kind is Kind.PIN for s in settings) else None
    return fault


def _unchecked_in_trial(board: Board, fault: Fault) -> Fault:
    """In a trial no rule is checked."""
    return None if board.store.current.on_trial else fault


def _proposed_in_force(board: Board, fault: Fault) -> Fault:
    """A default is in force, whatever caution it carries."""
    if fault and fault.code is R.MISSING:
        setting = board.schema.setting(fault.field)
        if setting and board.schema.only_proposes(setting.field):
            return None
    return fault


class Conflicting(PressedDevice):
    """Holds a set with a pin twice, as after an update of its firmware."""

    def _begin(self, now_ms: int) -> None:
        board = self.board
        if not board.store.current.is_set:
            twice: dict[str, Value] = {"net.name": b"orchard", "pins.out": 3, "pins.bus-a": 3}
            payload = pack_values(board.schema, twice)
            board.store.commit(payload, b"conflict", bytes(8), on_trial=False)
        super()._begin(now_ms)
        board._come_into_force()


def _as_missing(board: Board, message: Message, reply: Body) -> Body:
    """Give the field of a conflict as one that is missing."""
    if message.type == T.STATUS and StatusReplyKey.CONFLICT in reply:
        conflict = reply.pop(StatusReplyKey.CONFLICT)
        assert isinstance(conflict, list)
        reply[StatusReplyKey.MISSING] = conflict[0]
    return reply


def _as_complete(board: Board, message: Message, reply: Body) -> Body:
    """Put a set with a conflict into use."""
    if message.type == T.STATUS and reply.pop(StatusReplyKey.CONFLICT, None) is not None:
        reply[StatusReplyKey.STORE] = int(StoreState.COMPLETE)
        reply[StatusReplyKey.RUN] = int(Run.APPLYING)
    return reply


WHOLES_CASES: tuple[Case, ...] = (
    Case("6.5.6", "makes the digest in the order of staging", {"board": DigestAsItCame}),
    Case("6.5.7", "acknowledges a commit before it is written", {"device": AnswersBeforeItWrites}),
    Case("6.7.3", "answers the repeat of an undo after a start", {"board": RepeatsAfterStart}),
    Case("6.7.6", "undoes no undo", {"board": UndoesOnce}),
    Case("6.7.10", "forgets parts at an undo that it refuses", {"board": UndoDropsParts}),
    Case("6.7.7", "undoes the first set by erasing it", {"board": UndoesTheFirst}),
    Case("6.7.14", "refuses an erase of nothing", {"board": before(lambda b, m: m.type == T.ERASE and not b.store.current.is_set and b._brought is not None and m.body.get(1) != b._brought[1], R.WRONG_STATE)}),
    Case("6.7.15", "restarts before it replies", {"device": RestartsFirst}),
    Case("8.3.1", "wants what is required of every instance", {"board": wholes(_unused_too)}),
    Case("8.3.2", "takes an instance that lacks what is required", {"board": wholes(_first_field_counts)}),
    Case("8.3.2", "brings instances into use one by one only", {"board": wholes(_one_by_one)}),
    Case("9.5.1", "asks for a value of what is not active", {"board": wholes(_chain_ignored)}),
    Case("9.5.1", "wants nothing that has a condition", {"board": wholes(_no_conditions)}),
    Case("9.5.3", "drops what is not active at a commit", {"board": DropsInactive}),
    Case("6.6.5", "gives a conflict as a field that is missing", {"board": answering(_as_missing), "device": Conflicting}),
    Case("9.6.2", "puts a default with a caution in force", {"board": wholes(_proposed_in_force), "schema": "orchard-frost-alarm"}),
    Case("9.6.8", "puts a set with a conflict into use", {"board": answering(_as_complete), "device": Conflicting}),
    Case("9.6.6", "compares pins before anything is missing", {"board": wholes(_pins_first)}),
    Case("9.6.6", "names the last field that is missing", {"board": wholes(_last_missing)}),
    Case("9.6.6", "names the last two fields that have one pin", {"board": wholes(_last_conflict)}),
    Case("9.6.5", "does not compare the pins of defaults", {"board": wholes(_stored_pins_only), "schema": with_fields(lambda f: f.key == "out", default=3)}),
    Case("9.6.6", "names the nearest of the earlier pins", {"board": wholes(_nearest_conflict)}),
    Case("9.6.7", "compares pins when one is staged", {"board": wholes(_no_pin_staged)}),
    Case("9.6.7", "checks no rule in a trial", {"board": wholes(_unchecked_in_trial), **ON_TRIAL}),
    Case("9.6.7", "compares pins with those that are staged only", {"board": wholes(_staged_only)}),
)  # fmt: skip
