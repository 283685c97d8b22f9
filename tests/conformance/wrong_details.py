# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - the table has one row for each board, and its small functions one form
"""Boards that are right at the first look: wrong for some values, or at a later time (clause 6)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NoReturn

from provision.board.engine import Board, Body, _integer, _octets
from provision.board.staging import RequestRefused, Staging, _Parts
from provision.board.state import Applied, RunReport
from provision.board.store import DecodedSet
from provision.contract.messages import Message
from provision.contract.profile import Item, encode
from provision.contract.table import (
    Capability,
    CommitKey,
    Held,
    HelloReplyKey,
    Kind,
    MessageType,
    SetFieldKey,
    StatusReplyKey,
)
from provision.schema import constraints
from provision.schema.model import Setting, Value
from provision.schema.values import limits
from tests.conformance.making import (
    ON_TRIAL,
    Case,
    R,
    T,
    answering,
    entries_of,
    is_part,
    refusing,
    staging,
    staging_by,
)

# ------------------------------------------------------------------------------------ hello, values


def _undo_as_needed(board: Board, message: Message, reply: Body) -> Body:
    if message.type == T.HELLO and board.store._older() is None:
        able = _integer(reply, HelloReplyKey.CAPABILITIES)
        reply[HelloReplyKey.CAPABILITIES] = able & ~int(Capability.UNDO)
    return reply


class RoomForAnyId(Board):
    """Leaves room for the longest id, whatever id a request has."""

    def _handle(self, message: Message) -> Body:
        self._room -= len(encode(0xFFFF)) - len(encode(message.id))
        return super()._handle(message)


def _entry_as(change: Any) -> type[Board]:
    """Return a board whose entries with a value are changed."""

    def changed(board: Board, message: Message, reply: Body) -> Body:
        if message.type == T.GET_VALUES:
            for entry in entries_of(reply):
                assert isinstance(entry, list)
                if len(entry) > 2:
                    entry[1:] = change(*entry[1:])
        return reply

    return answering(changed)


def _false_is_unset(held: Item, value: Item) -> list[Item]:
    return [int(Held.UNSET)] if value in (0, False) else [held, value]


def _no_sign(held: Item, value: Item) -> list[Item]:
    return [held, abs(value) if type(value) is int else value]


class OldGenerationAfterUndo(Board):
    """Says the generation before in hello, once something was undone."""

    def _hello(self, body: Body) -> Body:
        reply = super()._hello(body)
        if self._brought is not None and self._brought[0] is MessageType.UNDO:
            reply[HelloReplyKey.GENERATION] = self.generation - 1
        return reply


class BootOfPowerOn(Board):
    """Gives in status the boot number that it had when it was switched on."""

    first: int | None = None

    def _status(self, body: Body) -> Body:
        if self.first is None:
            self.first = self.boot_number
        return {**super()._status(body), StatusReplyKey.BOOT: self.first}

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self.first = self.first or boot_number


class HalfOfBoot(Board):
    """Compares 16 bits of the boot number."""

    def _check_not_moved_on(self, request: MessageType, body: Body) -> None:
        is_boot = request in (T.DISCARD, T.RESTART)
        if not (is_boot and (_integer(body, 1) ^ self.boot_number) & 0xFFFF == 0):
            super()._check_not_moved_on(request, body)


# ------------------------------------------------------------------------------- set-field, parts


def _sum_of_16_bits(message: Message, refused: RequestRefused) -> RequestRefused | Body:
    if is_part(message) and refused.code is R.MALFORMED:
        part = _octets(message.body, SetFieldKey.PART)
        end = (_integer(message.body, SetFieldKey.OFFSET) + len(part)) & 0xFFFF
        if end <= _integer(message.body, SetFieldKey.TOTAL):
            return RequestRefused(R.GAP, str(message.body[SetFieldKey.FIELD]), detail=0)
    return refused


def _shortest_at_once(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    if setting.field.kind is not Kind.CHOICE and total < limits(setting.field)[0]:
        raise RequestRefused(R.LENGTH, setting.key)
    Staging.stage_part(self, setting, offset, total, part)


def _stays_cleared(self: Staging, setting: Setting, value: Value | None) -> None:
    was_cleared = setting.key in self._values and self._values[setting.key] is None
    Staging.stage(self, setting, value)
    if was_cleared:
        self._values[setting.key] = None


def _older_comes_back(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    before = dict(self._values)
    try:
        Staging.stage_part(self, setting, offset, total, part)
    except RequestRefused as refused:
        if refused.code is not R.GAP and setting.key in before:
            self._values[setting.key] = before[setting.key]
        raise


def _copy_of(parts: _Parts) -> _Parts:
    return _Parts(parts.key, parts.total, bytearray(parts.held), parts.last)


class TwoParts(Staging):
    """Remembers the complete parts of a field when those of another start."""

    other: _Parts | None = None

    def stage_part(self, setting: Setting, offset: int, total: int, part: bytes) -> None:
        """See Staging."""
        other, mine = self.other, self._parts
        if other and offset and (other.key, other.total) == (setting.key, total):
            self._parts = other
        elif mine and mine.complete and mine.key != setting.key:
            self.other = _copy_of(mine)
        super().stage_part(setting, offset, total, part)


def _complete_forgotten(self: Staging, setting: Setting, value: Value | None) -> None:
    Staging.stage(self, setting, value)
    self._forget_parts()


def _no_repeat_when_complete(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and parts.complete and not setting.field.is_secret:
        raise RequestRefused(R.GAP, setting.key, detail=total)
    Staging.stage_part(self, setting, offset, total, part)


@dataclass(frozen=True, slots=True)
class _Sent:
    """A part of a secret that does not begin at 0."""

    staging: Staging
    setting: Setting
    offset: int
    total: int
    part: bytes

    @property
    def ends(self) -> tuple[int, int]:
        """Where it begins and ends."""
        return self.offset, self.offset + len(self.part)

    def refuse(self) -> NoReturn:
        """Refuse it as a gap, and forget nothing."""
        raise RequestRefused(R.GAP, self.setting.key, detail=0)


def _of_secrets(takes: Callable[[_Parts | None, _Sent], bool]) -> type[Board]:
    """Return a board that treats a part of a secret otherwise, where `takes` does it."""

    def stage_part(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
        parts = self._parts if self._parts and self._parts.key == setting.key else None
        sent = _Sent(self, setting, offset, total, part)
        if not (setting.field.is_secret and offset and takes(parts, sent)):
            Staging.stage_part(self, setting, offset, total, part)

    return staging(stage_part=stage_part)


def _earlier_too() -> Callable[[_Parts | None, _Sent], bool]:
    borders = set()

    def takes(parts: _Parts | None, sent: _Sent) -> bool:
        if parts is None or parts.total != sent.total:
            return False
        borders.add(len(parts.held))
        return sent.ends[1] <= len(parts.held) and borders.issuperset(sent.ends)

    return takes


def _repeat_replaces(parts: _Parts | None, sent: _Sent) -> bool:
    if parts is None or sent.ends != (parts.last, len(parts.held)):
        return False
    parts.held[sent.offset :] = sent.part
    if parts.complete:
        is_text = isinstance(sent.staging.values[sent.setting.key], str)
        held = bytes(parts.held)
        sent.staging._values[sent.setting.key] = held.decode("latin-1") if is_text else held
    return True


def _no_repeat_of_the_last(parts: _Parts | None, sent: _Sent) -> bool:
    if parts and parts.complete:
        sent.staging._unstage(sent.setting.key)
        sent.refuse()
    return False


def _same_total_only(parts: _Parts | None, sent: _Sent) -> bool:
    if parts and parts.total != sent.total:
        sent.refuse()
    return False


def _whole_stays(parts: _Parts | None, sent: _Sent) -> bool:
    if parts is None:
        sent.refuse()
    return False


def _complete_kept(parts: _Parts | None, sent: _Sent) -> bool:
    if parts and parts.complete and sent.ends != (parts.last, parts.total):
        sent.staging._values.pop(sent.setting.key, None)
        sent.refuse()
    return False


# ------------------------------------------------------------------------------------------ commit


class TrialAnew(Board):
    """Begins the time of a trial anew when the commit is repeated."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        is_repeat = super()._is_repeat(request, body)
        if is_repeat and request is MessageType.COMMIT:
            self._extend_trial()
        return is_repeat


class NoRepeatAfterUndo(Board):
    """Knows no token of a commit that an undo put in force again."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        undone = self._brought is not None and self._brought[0] is MessageType.UNDO
        return not (undone and request is MessageType.COMMIT) and super()._is_repeat(request, body)


class CommitsOfThisStart(Board):
    """Knows the repeats of those commits only that it did in this start."""

    done: bytes | None = None

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        self.done = None
        super().restart(boot_number, now_ms)

    def _commit(self, body: Body) -> Body:
        reply = super()._commit(body)
        self.done = _octets(body, CommitKey.TOKEN)
        return reply

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        if request is MessageType.COMMIT and self.done != body[CommitKey.TOKEN]:
            return False
        return super()._is_repeat(request, body)


def _mending(change: Any) -> type[Board]:
    """Return a board that takes another count or digest for its own, if `change` says so."""

    class Mends(Board):
        def _commit(self, body: Body) -> Body:
            own: Body = {
                CommitKey.COUNT: len(self.staged),
                CommitKey.DIGEST: constraints.staged_digest(self.schema, self.staged),
            }
            return super()._commit({**body, **own} if change(body, own) else body)

    return Mends


class RulesFirst(Board):
    """Looks at the rules of the whole before the digest."""

    def _commit(self, body: Body) -> Body:
        fault = constraints.check_whole(self.schema, self.stored, self.staged)
        if fault is not None:
            raise RequestRefused(fault.code, fault.field, other=fault.other)
        return super()._commit(body)


# --------------------------------------------------------------------------- status, undo and erase


class ReportStays(Board):
    """Keeps what was reported at some requests, and puts nothing into use."""

    at: tuple[MessageType, ...] = (MessageType.UNDO,)

    def _handle(self, message: Message) -> Body:
        report = self._report
        reply = super()._handle(message)
        if message.type in self.at:
            self._report = report
            self._events = [each for each in self._events if not isinstance(each, Applied)]
        return reply


class AppliesAtConfirm(Board):
    """Puts the set into use anew when it is confirmed."""

    def _confirm(self, body: Body) -> Body:
        reply = super()._confirm(body)
        self._come_into_force()
        return reply


class AddressStays(Board):
    """Gives the address after an erase."""

    def _take_up_erase(self) -> None:
        address = self._report.address
        super()._take_up_erase()
        self._report = RunReport(self._report.run, address=address)


class RepeatDrops(Board):
    """Drops what is staged at the repeat of an undo."""

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        is_repeat = super()._is_repeat(request, body)
        if is_repeat:
            self._staging.forget()
        return is_repeat


class AddedFieldsStay(Board):
    """Leaves fields with a value at an undo that the older set has none for."""

    def _undo(self, body: Body) -> Body:
        newer = dict(self.stored)
        reply = super()._undo(body)
        self._stored = DecodedSet({**newer, **self.stored})
        return reply


class TriedIsNoOlder(Board):
    """Has no older set after a trial that ended badly."""

    def _undo(self, body: Body) -> Body:
        if not self.store.current.on_trial and getattr(self, "tried", False):
            raise RequestRefused(R.NO_OLDER_SET)
        self.tried = self.store.current.on_trial
        return super()._undo(body)

    def _commit(self, body: Body) -> Body:
        reply = super()._commit(body)
        self.tried = False
        return reply


def _undo_on_trial(board: Board, message: Message, reply: Body) -> Body:
    brought = board._brought
    if message.type == T.STATUS and brought and brought[0] is MessageType.UNDO:
        reply[StatusReplyKey.STORE] = 3
        reply[StatusReplyKey.TRIAL_LEFT] = 1000
    return reply


class EmptyEraseKeeps(Board):
    """Keeps what is staged when there is nothing to erase."""

    def _erase(self, body: Body) -> Body:
        held = {} if self.store.current.is_set else dict(self.staged)
        reply = super()._erase(body)
        self._staging._values.update(held)
        return reply


class EndsAllTheSame(Board):
    """Ends a trial badly when its time is over, though it was confirmed."""

    ends: int | None = None

    def _confirm(self, body: Body) -> Body:
        self.ends = self._trial_ends
        return super()._confirm(body)

    def _commit(self, body: Body) -> Body:
        self.ends = None
        return super()._commit(body)

    def tick(self, now_ms: int) -> None:
        """See Board."""
        super().tick(now_ms)
        if self.ends is not None and now_ms >= self.ends:
            self.ends = None
            self.store.undo(self._serves)
            self._come_into_force()


DETAILS_CASES: tuple[Case, ...] = (
    Case("6.1.7", "offers undo once there is an older set", {"board": answering(_undo_as_needed)}),
    Case("6.1.6", "gives the generation before in hello after an undo", {"board": OldGenerationAfterUndo}),
    Case("6.3.2", "leaves room in a page for the longest id", {"board": RoomForAnyId}),
    Case("6.3.4", "calls a field unset that is 0 or no", {"board": _entry_as(_false_is_unset)}),
    Case("6.3.5", "gives numbers without their sign", {"board": _entry_as(_no_sign)}),
    Case("6.6.11", "gives the boot number of power-on in status", {"board": BootOfPowerOn}),
    Case("6.7.1", "compares 16 bits of the boot number", {"board": HalfOfBoot}),
    Case("6.4.1", "adds offset and length in 16 bits", {"board": refusing(_sum_of_16_bits)}),
    Case("6.4.4", "refuses totals below the shortest length", {"board": staging(stage_part=_shortest_at_once)}),
    Case("6.4.8", "stages no value over a cleared field", {"board": staging(stage=_stays_cleared)}),
    Case("6.4.12", "remembers the complete parts of another field", {"board": staging_by(TwoParts)}),
    Case("6.4.14", "stages the older value again when one in parts is refused", {"board": staging(stage_part=_older_comes_back)}),
    Case("6.4.15", "takes no repeat of parts that are complete", {"board": staging(stage_part=_no_repeat_when_complete)}),
    Case("6.4.17", "takes the repeats of earlier parts of a secret", {"board": _of_secrets(_earlier_too())}),
    Case("6.4.17", "takes what the repeat of a part contains", {"board": _of_secrets(_repeat_replaces)}),
    Case("6.4.17", "takes no repeat of the part that completes a secret", {"board": _of_secrets(_no_repeat_of_the_last)}),
    Case("6.4.18", "keeps a secret when a part has another total", {"board": _of_secrets(_same_total_only)}),
    Case("6.4.18", "keeps a secret that came whole when a part of it comes", {"board": _of_secrets(_whole_stays)}),
    Case("6.4.18", "remembers the complete parts of a secret at a gap", {"board": _of_secrets(_complete_kept)}),
    Case("6.4.20", "forgets complete parts when another field is set", {"board": staging(stage=_complete_forgotten)}),
    Case("6.5.1", "begins the time of a trial anew at the repeat of its commit", {"board": TrialAnew, **ON_TRIAL}),
    Case("6.5.1", "knows no repeat of a commit that undo brought back", {"board": NoRepeatAfterUndo}),
    Case("6.5.1", "knows no repeat of a commit of an earlier start", {"board": CommitsOfThisStart}),
    Case("6.5.3", "compares 16 bits of the digest", {"board": _mending(lambda body, own: body[1] == own[1] and (body[2] ^ own[2]) & 0xFFFF == 0)}),
    Case("6.5.3", "takes a count below that of what is staged", {"board": _mending(lambda body, own: body[1] < own[1] and body[2] == own[2])}),
    Case("6.5.4", "looks at the rules before the digest", {"board": RulesFirst}),
    Case("6.6.2", "keeps at an undo what was reported", {"board": ReportStays}),
    Case("6.6.2", "puts a set into use anew at confirm", {"board": AppliesAtConfirm, **ON_TRIAL}),
    Case("6.6.3", "gives the address after an erase", {"board": AddressStays}),
    Case("6.7.2", "drops what is staged at the repeat of an undo", {"board": RepeatDrops}),
    Case("6.7.5", "leaves at undo what the older set has no value for", {"board": AddedFieldsStay}),
    Case("6.7.6", "does not go back to a set whose trial ended badly", {"board": TriedIsNoOlder, **ON_TRIAL}),
    Case("6.7.6", "puts a set on trial at undo", {"board": answering(_undo_on_trial)}),
    Case("6.7.14", "keeps what is staged when there is nothing to erase", {"board": EmptyEraseKeeps}),
    Case("6.7.17", "ends a trial that was confirmed", {"board": EndsAllTheSame, **ON_TRIAL}),
)  # fmt: skip
