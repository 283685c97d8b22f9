# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong in what they tell, and when: clauses 5, 6.1 to 6.3, 6.8, 7, 8."""

from __future__ import annotations

from typing import ClassVar

from provision.board.engine import (
    Board,
    Body,
    _integer,
)
from provision.board.staging import RequestRefused
from provision.contract.line import LineReceiver
from provision.contract.messages import Message
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    GetValuesReplyKey,
    Held,
    HelloReplyKey,
    MessageType,
    Refusal,
    SetFieldKey,
    StatusReplyKey,
    SurveyKey,
    SurveyReplyKey,
)
from provision.schema.model import Setting
from tests.conformance.board import PressedDevice
from tests.conformance.making import (
    BUTTON,
    NETWORKS,
    ON_TRIAL,
    AnyGeneration,
    Case,
    NoRepeats,
    R,
    T,
    answering,
    changed,
    entries_of,
    lines,
    other_code,
    refusing,
    subclass,
    type_of,
)


class SmallBuffer(PressedDevice):
    """Has room for 300 bytes, whatever it announces."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        return super().receive(data[:300] + (b"\n" if data[300:] else b""), now_ms)


class Slow(PressedDevice):
    """Answers 400 ms late."""

    only = b""
    by = 400

    def _begin(self, now_ms: int) -> None:
        self.waiting: list[tuple[int, bytes]] = []
        super()._begin(now_ms)

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        if self.only and not any(type_of(line) in self.only for line in lines(sent)):
            return sent
        self.waiting.append((now_ms + self.by, sent))
        return b""

    def tick(self, now_ms: int) -> bytes:
        """See Device."""
        sent = super().tick(now_ms)
        while self.waiting and now_ms >= self.waiting[0][0]:
            sent += self.waiting.pop(0)[1]
        return sent


class SlowCommit(Slow):
    """Takes longer for a commit than it announced."""

    only = bytes([MessageType.COMMIT_REPLY])
    by = 3000


class SlowErase(Slow):
    """Takes longer for an erase than it announced."""

    only = bytes([MessageType.ERASE_REPLY])
    by = 3000


class KeepsStaged(Board):
    """Never drops what is staged by time."""

    def tick(self, now_ms: int) -> None:
        """See Board."""
        self._answered = now_ms
        super().tick(now_ms)


class DropsEarly(Board):
    """Drops what is staged after five minutes."""

    def tick(self, now_ms: int) -> None:
        """See Board."""
        if now_ms - self._answered >= 300_000:
            self._staging.forget()
        super().tick(now_ms)


class AnyState(Board):
    """Restarts whatever is staged."""

    def _handle(self, message: Message) -> Body:
        if message.type == MessageType.RESTART and self.staged:
            self._check_not_moved_on(MessageType.RESTART, message.body)
        return super()._handle(message)


class NoPresence(Board):
    """Announces presence, and stages without."""

    def _presence_suffices(self) -> bool:
        return True


class PresenceForCommitOnly(Board):
    """Wants presence for commit only."""

    def _handle(self, message: Message) -> Body:
        self._message = message
        return super()._handle(message)

    def _presence_suffices(self) -> bool:
        return self._message.type != MessageType.COMMIT or super()._presence_suffices()


class UndoDropsStaged(Board):
    """Hides the faults of a trial: commits in a trial replace the confirmed set, too."""

    def _commit(self, body: Body) -> Body:
        if self.store.current.on_trial:
            self.store.confirm()
        return super()._commit(body)


class NeverEndsTrial(Board):
    """Lets a trial go on for ever."""

    def tick(self, now_ms: int) -> None:
        """See Board."""
        self._trial_ends = now_ms + 1000
        super().tick(now_ms)


class EndsTrialAtFirstStart(Board):
    """Ends a trial at the first start within it."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        if self.store.current.on_trial:
            self.store.end_trial()
            self._come_into_force()


class NoTrials(Board):
    """Announces trials, and begins none."""

    def _commit(self, body: Body) -> Body:
        capabilities = self.capabilities
        self.capabilities &= ~Capability.TRIAL
        try:
            return super()._commit(body)
        finally:
            self.capabilities = capabilities


class SameScan(Board):
    """Gives every scan the same number."""

    def _survey(self, body: Body) -> Body:
        reply = super()._survey(body)
        self._scan.number = 1
        return {**reply, SurveyReplyKey.SCAN: 1}


class ShufflesNetworks(Board):
    """Sorts the networks anew with every reply."""

    def _survey(self, body: Body) -> Body:
        self._scan.networks.reverse()
        return super()._survey(body)


class EndlessNetworks(Board):
    """Answers a `first` above the count with no networks."""

    def _survey(self, body: Body) -> Body:
        first = body.get(SurveyKey.FIRST, 0)
        count = len(self._scan.networks)
        if SurveyKey.SCAN in body and isinstance(first, int) and first > count:
            return {
                **super()._survey({**body, SurveyKey.FIRST: count}),
                SurveyReplyKey.FIRST: first,
            }
        return super()._survey(body)


class ShowsStars(Board):
    """Gives stars for a secret."""

    def _entry(self, setting: Setting) -> Item:
        entry = super()._entry(setting)
        assert isinstance(entry, list)
        return [*entry, "********"] if len(entry) == 2 and entry[1] == Held.SET else entry


def _show_staged(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES:
        for entry in entries_of(reply):
            assert isinstance(entry, list)
            staged = board.staged.get(str(entry[0]))
            if staged is not None and entry[1] == Held.UNSET:
                entry[1] = int(Held.SET)
    return reply


def _blob_as_text(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES:
        for entry in entries_of(reply):
            assert isinstance(entry, list)
            if entry[0] == "octets.cert" and len(entry) == 3:
                entry[2] = b"--"
    return reply


def _defaults_shown(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES:
        for entry in entries_of(reply):
            assert isinstance(entry, list)
            setting = board.schema.setting(str(entry[0]))
            if entry[1] == Held.UNSET and setting and setting.field.default is not None:
                entry.append(setting.field.default)
    return reply


def _swapped(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES and len(entries_of(reply)) > 2:
        entries = entries_of(reply)
        entries[0], entries[1] = entries[1], entries[0]
    return reply


def _instead_of_refusal(type_: MessageType, code: Refusal, body: Body) -> type[Board]:
    def change(message: Message, refused: RequestRefused) -> RequestRefused | Body:
        return body if (message.type, refused.code) == (type_, code) else refused

    return refusing(change)


def _boot_by_hello(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.HELLO:
        board.boot_number += 1
        reply[HelloReplyKey.BOOT] = board.boot_number
    return reply


class PieceTooLong(Board):
    """Gives eight bytes more of the schema than were asked for."""

    def _get_schema(self, body: Body) -> Body:
        return super()._get_schema({**body, 2: _integer(body, 2) + 8})


class ShiftedPieces(Board):
    """Begins a piece at a multiple of four."""

    def _get_schema(self, body: Body) -> Body:
        reply = super()._get_schema({**body, 1: _integer(body, 1) & ~3})
        return {**reply, 1: body[1]}


class ShortLine(Board):
    """Announces 655 characters and takes 500."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self._receiver = LineReceiver(500)


class NoDetail(Board):
    """Refuses with code alone."""

    code: ClassVar[Refusal] = Refusal.GAP

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            if refused.code is self.code:
                refused.detail = refused.field = None
            raise


class MoreDetail(Board):
    """Adds a detail to refusals of values."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            if refused.code is Refusal.RANGE:
                refused.detail = 1
            raise


class FieldAlways(Board):
    """Names the field in every refusal of set-field, malformed ones too."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except RequestRefused as refused:
            field = message.body.get(SetFieldKey.FIELD)
            if refused.code is Refusal.MALFORMED and isinstance(field, str) and 0 < len(field) < 33:
                refused.field = field
            raise


class LazyGeneration(Board):
    """Counts generations in hello only at a start."""

    shown = 0

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self.shown = self.generation

    def _hello(self, body: Body) -> Body:
        return {**super()._hello(body), HelloReplyKey.GENERATION: self.shown}


CONVERSATION_CASES: tuple[Case, ...] = (
    Case("5.1.1", "refuses undo of nothing otherwise", {"board": other_code(R.WRONG_STATE, R.NO_OLDER_SET, T.UNDO)}),
    Case("4.3.7", "looks at the boot number before the state", {"board": AnyState}),
    Case("5.1.6", "never drops what is staged", {"board": KeepsStaged}),
    Case("5.1.7", "drops what is staged after five minutes", {"board": DropsEarly}),
    Case("6.1.7", "has another boot number at every hello", {"board": answering(_boot_by_hello)}),
    Case("6.6.11", "gives another generation in status", {"board": changed(T.STATUS, StatusReplyKey.GENERATION, lambda n: n + 1)}),
    Case("6.1.6", "counts generations in hello only at a start", {"board": LazyGeneration}),
    Case("5.4.2", "announces trials and begins none", {"board": NoTrials, **ON_TRIAL}),
    Case("5.4.5", "never ends a trial by time", {"board": NeverEndsTrial, **ON_TRIAL}),
    Case("5.4.6", "ends a trial at the first start", {"board": EndsTrialAtFirstStart, **ON_TRIAL}),
    Case("5.4.10", "confirms a trial when another set comes", {"board": UndoDropsStaged, **ON_TRIAL}),
    Case("6.7.2", "refuses the repeat of a confirm", {"board": subclass(NoRepeats, only=(T.CONFIRM,)), **ON_TRIAL}),
    Case("6.7.1", "confirms whatever generation is named", {"board": subclass(AnyGeneration, only=(T.CONFIRM,)), **ON_TRIAL}),
    Case("5.5.1", "announces presence and does without", {"board": NoPresence, "limits": BUTTON}),
    Case("5.5.1", "wants presence for commit only", {"board": PresenceForCommitOnly, "limits": BUTTON}),
    Case("5.6.2", "has less room than its credit", {"device": SmallBuffer}),
    Case("5.7.1", "answers 400 ms late", {"device": Slow}, "4.1"),
    Case("5.7.2", "takes longer for a commit than announced", {"device": SlowCommit}, "6.5.8"),
    Case("5.7.3", "takes longer for an erase than announced", {"device": SlowErase}, "6.7.12"),
    Case("2.3.3", "takes shorter lines than it announces", {"board": ShortLine}),
    Case("5.6.1", "announces less credit than a line", {"board": changed(T.HELLO, HelloReplyKey.CREDIT, lambda _: 500)}),
    Case("6.1.1", "announces no version 1", {"board": changed(T.HELLO, HelloReplyKey.VERSIONS, lambda _: [2])}),
    Case("6.1.3", "has a token with nothing stored", {"board": changed(T.HELLO, HelloReplyKey.TOKEN, lambda t: t or bytes(8))}),
    Case("6.2.1", "answers with an offset of 0", {"board": changed(T.GET_SCHEMA, 1, lambda _: 0)}),
    Case("6.2.4", "begins pieces at multiples of four", {"board": ShiftedPieces}),
    Case("6.2.2", "gives longer pieces than asked for", {"board": PieceTooLong}),
    Case("6.2.3", "gives a zero byte beyond the end", {"board": _instead_of_refusal(T.GET_SCHEMA, R.OUT_OF_BOUNDS, {1: 0, 2: b"\x00"})}),
    Case("6.2.6", "announces another digest", {"board": changed(T.HELLO, HelloReplyKey.SCHEMA_DIGEST, lambda d: d[::-1])}),
    Case("6.3.9", "gives stars for a secret", {"board": ShowsStars}),
    Case("6.3.11", "shows what is staged", {"board": answering(_show_staged)}),
    Case("6.3.10", "gives the content of a blob", {"board": answering(_blob_as_text)}),
    Case("6.3.7", "gives defaults for what is unset", {"board": answering(_defaults_shown)}),
    Case("6.3.1", "gives entries in another order", {"board": answering(_swapped)}),
    Case("6.3.3", "counts fields without instances", {"board": changed(T.GET_VALUES, GetValuesReplyKey.COUNT, lambda n: n - 1)}),
    Case("6.8.2", "gives every scan the same number", {"board": SameScan, "surroundings": NETWORKS}),
    Case("6.8.8", "sorts networks anew", {"board": ShufflesNetworks, "surroundings": NETWORKS}),
    Case("6.8.5", "answers beyond the last network", {"board": EndlessNetworks, "surroundings": NETWORKS}),
    Case("7.2.3", "gives no detail with a gap", {"board": subclass(NoDetail, code=R.GAP)}, "6.4"),
    Case("7.1.2", "gives no field with a range", {"board": subclass(NoDetail, code=R.RANGE)}, "9.1.3"),
    Case("7.2.4", "gives a detail with a range", {"board": MoreDetail}, "9.1.3"),
    Case("7.2.4", "gives the field with malformed", {"board": FieldAlways}, "4.3"),
)  # fmt: skip
