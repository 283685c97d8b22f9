# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong on purpose: one fault each, on the Python board or on its bytes.

The table at the end says for each which clause it breaks. A board from a firmware's author can be
wrong in any of these ways.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

import cbor2

from provision.board.engine import (
    OFFERED,
    Board,
    Body,
    Identity,
    Limits,
    _integer,
    _octets,
    settings_geometry,
)
from provision.board.firmware import NetworkInRange, Surroundings
from provision.board.flash import Flash
from provision.board.staging import Refused, Staging
from provision.board.store import Store
from provision.contract import profile
from provision.contract.line import Damaged, Frame, LineReceiver, LogText, crc32c
from provision.contract.messages import Message, MessageError, decode_message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    CommitKey,
    GetValuesReplyKey,
    Held,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    Run,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
    SurveyKey,
    SurveyReplyKey,
)
from provision.settings import whole
from provision.settings.declaration import Declaration
from provision.settings.file import load
from provision.settings.model import Field, Setting, Value
from provision.settings.values import limits
from tests.conformance.board import PressedDevice

ROOT = Path(__file__).parents[2]
NETWORKS = Surroundings(
    tuple(NetworkInRange(f"net-{n}".encode() * 4, "passphrase-of-it", -n) for n in range(40))
)


def declaration(name: str) -> Declaration:
    """Read one of the schema files that the tests hold boards with."""
    folder = "schemas" if name.startswith("orchard") else "shared/vectors"
    return load(ROOT / folder / f"{name}.toml")


class Wrong:
    """What a board is made of; each wrong one changes one thing."""

    schema = "board"
    board: ClassVar[type[Board]] = Board
    device: ClassVar[type[PressedDevice]] = PressedDevice
    limits = Limits()
    capabilities = OFFERED
    surroundings: Surroundings | None = Surroundings()
    chatty = False

    @classmethod
    def make(cls) -> PressedDevice:
        """Return the board, switched on."""
        declared = declaration(cls.schema)
        settings = declared.board
        board = cls.board(
            declared.schema,
            Identity(declared.firmware_name, "1", settings.name, b"\xa1\xb2\xc3"),
            Store(Flash(settings_geometry(declared)), settings.slots),
            77,
            limits=cls.limits,
            capabilities=cls.capabilities,
        )
        return cls.device(board, cls.surroundings, logs=cls.chatty)


def lines(data: bytes) -> list[bytes]:
    """Return each line of a board's bytes, its LFs included."""
    return [b"\n" + part + b"\n" for part in data.split(b"\n") if part]


def framed(body: bytes, check: int | None = None) -> bytes:
    """Return the line with this BODY."""
    number = crc32c(body) if check is None else check
    octets = bytes(0x40 + (number >> shift & 0xF) for shift in range(28, -4, -4))
    return b"\n~" + body + octets + b"\n"


def item_of(line: bytes) -> bytes:
    """Return the item that a line carries."""
    body = line.strip(b"\n")[1:-8]
    return base64.urlsafe_b64decode(body + b"=" * (-len(body) % 4))


def type_of(line: bytes) -> int:
    """Return the type of the message that a line carries; -1 for log text."""
    return decode_message(item_of(line)).type if line.startswith(b"\n~") else -1


def line_of(item: bytes) -> bytes:
    """Return the line that carries an item."""
    return framed(base64.urlsafe_b64encode(item).rstrip(b"="))


def device(
    *,
    reads: Callable[[bytes], bytes] = lambda data: data,
    writes: Callable[[bytes], bytes] = lambda line: line,
) -> type[PressedDevice]:
    """Return a device that gets other bytes than were sent, or whose lines are changed."""

    class Changed(PressedDevice):
        def receive(self, data: bytes, now_ms: int) -> bytes:
            return b"".join(map(writes, lines(super().receive(reads(data), now_ms))))

    return Changed


def answering(change: Callable[[Board, Message, Body], Body]) -> type[Board]:
    """Return a board whose bodies of replies are changed."""

    class Changed(Board):
        def _handle(self, message: Message) -> Body:
            return change(self, message, dict(super()._handle(message)))

    return Changed


def refusing(change: Callable[[Message, Refused], Refused | Body]) -> type[Board]:
    """Return a board whose refusals are changed, or are replies instead."""

    class Changed(Board):
        def _handle(self, message: Message) -> Body:
            try:
                return super()._handle(message)
            except Refused as refused:
                other = change(message, refused)
                if isinstance(other, Refused):
                    raise other from None
                return other

    return Changed


def hearing(change: Callable[[bytes], bytes | None]) -> type[Board]:
    """Return a board that takes some lines, those that `change` gives an item for, as messages."""

    class Receiver(LineReceiver):
        def _frame(self, line: bytes) -> Frame | Damaged:
            item = change(line)
            return super()._frame(line) if item is None else Frame(item, len(line) + 2)

    class Hearing(Board):
        def restart(self, boot_number: int, now_ms: int) -> None:
            super().restart(boot_number, now_ms)
            self._receiver = Receiver(self.limits.line)

    return Hearing


def decoded(text: bytes) -> bytes | None:
    """Return what base64 of any spelling stands for, None if it stands for nothing."""
    text = text.rstrip(b"=").replace(b"+", b"-").replace(b"/", b"_")
    if len(text) % 4 == 1:
        return None
    return base64.urlsafe_b64decode(text + b"=" * (-len(text) % 4))


def with_right_check(line: bytes) -> bool:
    """Whether CHECK suits BODY, whatever that is."""
    return len(line) > 9 and framed(line[1:-8]).strip(b"\n") == line


def reading(sin: str) -> type[Board]:
    """Return a board that takes items of which the profile says `sin`."""

    class Lenient(Board):
        def _answer(self, event: object) -> bytes:
            if isinstance(event, Frame):
                try:
                    profile.decode(event.item)
                except profile.ProfileError as error:
                    if sin in str(error):
                        event = self._mended(event)
            return super()._answer(event)

        @staticmethod
        def _mended(event: Frame) -> Frame:
            try:
                version, type_, id_, body = cbor2.loads(event.item, str_errors="replace")
                known = {k: v for k, v in dict(body).items() if isinstance(k, int) and 0 <= k < 64}
                return Frame(cbor2.dumps([version, type_, id_, known], canonical=True), event.size)
            except (cbor2.CBORDecodeError, ValueError, TypeError):
                return event

    return Lenient


def staging(**methods: Any) -> type[Board]:
    """Return a board that stages in another way."""
    other = type("Staging", (Staging,), methods)

    class Stages(Board):
        def restart(self, boot_number: int, now_ms: int) -> None:
            super().restart(boot_number, now_ms)
            self._staging = other(self.schema)

    return Stages


def checking(
    accepts: Callable[[Field, Value, Refusal], bool],
    refuses: Callable[[Field, Value], Refusal | None] = lambda f, v: None,
) -> type[Board]:
    """Return a board that takes some values that must be refused, or refuses others."""

    def check(self: Staging, setting: Setting, value: Value) -> None:
        refusal = refuses(setting.field, value)
        if refusal is not None:
            raise Refused(refusal, setting.key)
        try:
            Staging._check(self, setting, value)
        except Refused as refused:
            if type(value) is bool or not accepts(setting.field, value, refused.code):
                raise

    return staging(_check=check)


def wholes(change: Callable[[Board, whole.Fault | None], whole.Fault | None]) -> type[Board]:
    """Return a board with other rules of the whole."""

    class Rules(Board):
        def _commit(self, body: Body) -> Body:
            found = whole.check_whole(self.schema, self.stored, self.staged)
            fault = change(self, found)
            if fault is not None and (found is None or fault != found):
                raise Refused(fault.code, fault.field, other=fault.other)
            if fault is None and found is not None:
                return self._store_all_the_same(body)
            return super()._commit(body)

        def _store_all_the_same(self, body: Body) -> Body:
            try:
                return super()._commit(body)
            except Refused as refused:
                if refused.code is Refusal.SET_DIFFERS:
                    raise
                self._staging.forget()
                token = _octets(body, CommitKey.TOKEN)
                payload, digest = self.store.current.payload, self._packed.digest
                self.store.commit(payload, token, digest, on_trial=False)
                return {1: self.generation}

    return Rules


def without(reply: Body, *keys: int) -> Body:
    """Return a body without some keys."""
    return {key: item for key, item in reply.items() if key not in keys}


@dataclass(frozen=True, slots=True)
class Case:
    """A wrong board: the clause that it breaks, the fault in words, what it is made of."""

    clause: str
    fault: str
    made_of: Mapping[str, Any]

    def make(self) -> PressedDevice:
        """Return it, switched on."""
        return type("Case", (Wrong,), dict(self.made_of)).make()  # type: ignore[attr-defined, no-any-return]


# --------------------------------------------------------------------------------- single faults


def _takes_masked_check(line: bytes) -> bytes | None:
    masked = line[:-8] + bytes(0x40 | byte & 0xF for byte in line[-8:])
    return (
        item_of(line) if with_right_check(masked) and LineReceiver().feed(masked + b"\n") else None
    )


def _any_check(line: bytes) -> bytes | None:
    good = framed(line[1:-8]).strip(b"\n") if len(line) > 9 else b""
    (event,) = LineReceiver().feed(good + b"\n") or (None,)
    return event.item if isinstance(event, Frame) else None


def _any_spelling(fits: Callable[[bytes], bool]) -> Callable[[bytes], bytes | None]:
    def change(line: bytes) -> bytes | None:
        body = line[1:-8]
        return decoded(body) if with_right_check(line) and fits(body) else None

    return change


class AnswersDamage(Board):
    """Complains about damaged lines."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, Damaged):
            return line_of(profile.encode([1, 0, 0, {RefusalKey.CODE: 3}]))
        return super()._answer(event)


class AnswersLog(Board):
    """Complains about log text, as a console would, in a message."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, LogText) and "help" in event.text:
            return line_of(profile.encode([1, 0, 0, {RefusalKey.CODE: 3}]))
        return super()._answer(event)


class AnswersEvenTypes(Board):
    """Refuses replies as unknown types."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, Frame):
            try:
                message = decode_message(event.item)
            except MessageError:
                return b""
            if message.type % 2 == 0:
                return line_of(
                    profile.encode(
                        [1, 0, message.id, {RefusalKey.CODE: 2, RefusalKey.SUPPORTED: [1]}]
                    )
                )
        return super()._answer(event)


class ForgetsOversize(PressedDevice):
    """Begins a new line where the buffer is full."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        cut = []
        for line in data.split(b"\n"):
            cut += [line[at : at + 664] for at in range(0, len(line), 664)] or [b""]
        return super().receive(b"\n".join(cut), now_ms)


class TakesFive(Board):
    """Takes an envelope of five."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, Frame):
            try:
                item = profile.decode(event.item)
            except profile.ProfileError:
                return b""
            if isinstance(item, list) and len(item) == 5:
                event = Frame(profile.encode(item[:4]), event.size)
        return super()._answer(event)


class Twice(PressedDevice):
    """Sends each reply of status twice."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = lines(super().receive(data, now_ms))
        return b"".join(
            line * (2 if type_of(line) == MessageType.STATUS_REPLY else 1) for line in sent
        )


class Backwards(PressedDevice):
    """Answers what came together in the other order."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        return b"".join(reversed(lines(super().receive(data, now_ms))))


class SpeaksUnasked(PressedDevice):
    """Sends a status of its own accord."""

    told = 0

    def tick(self, now_ms: int) -> bytes:
        """See Device."""
        sent = super().tick(now_ms)
        if now_ms - self.told > 1000:
            self.told = now_ms
            body: Body = {1: 0, 2: 0, 3: 0, 8: 0, 9: 77}
            return sent + line_of(profile.encode([1, 12, 0, body]))
        return sent


class SmallBuffer(PressedDevice):
    """Has room for 300 bytes, whatever it announces."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        return super().receive(data[:300] + (b"\n" if data[300:] else b""), now_ms)


class Slow(PressedDevice):
    """Answers 400 ms late."""

    only = b""

    def _begin(self, now_ms: int) -> None:
        self.waiting: list[tuple[int, bytes]] = []
        super()._begin(now_ms)

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        if self.only and not any(type_of(line) in self.only for line in lines(sent)):
            return sent
        self.waiting.append((now_ms + (3000 if self.only else 400), sent))
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


class SlowErase(Slow):
    """Takes longer for an erase than it announced."""

    only = bytes([MessageType.ERASE_REPLY])


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
        sent = super().receive(data, now_ms)
        if any(type_of(line) == MessageType.COMMIT_REPLY for line in lines(sent)):
            vars(self.board.store).pop("_older", None)
        return sent


class BringsBackAtStart(PressedDevice):
    """Loses the last record when it starts: what was acknowledged is gone."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        before = self.board.store.flash.content
        sent = super().receive(data, now_ms)
        if any(type_of(line) == MessageType.UNDO_REPLY for line in lines(sent)):
            self.lost = before
        return sent

    lost: bytes | None = None

    def _advance(self, now_ms: int) -> bytes:
        if self._off_until is not None and now_ms >= self._off_until and self.lost is not None:
            self.board.store.flash = Flash(self.board.store.flash.geometry, self.lost)
            self.lost = None
        return super()._advance(now_ms)


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


class StateFirst(Board):
    """Looks at the state before the form."""

    def _handle(self, message: Message) -> Body:
        if message.version == 1 and message.type == MessageType.COMMIT and not self.staged:
            raise Refused(Refusal.WRONG_STATE)
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


class NoRepeats(Board):
    """Refuses the repeats of undo, erase and confirm."""

    only: ClassVar[tuple[MessageType, ...]] = ()

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        return request not in self.only and super()._is_repeat(request, body)


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
        except Refused as refused:
            if refused.code is Refusal.SET_DIFFERS:
                self._staging._values.update(held)
            raise


class NoDigest(Board):
    """Does not look at the digest."""

    def _commit(self, body: Body) -> Body:
        mended = {**body, CommitKey.DIGEST: whole.staged_digest(self.schema, self.staged)}
        return super()._commit(mended)


class NoCount(Board):
    """Does not look at the count."""

    def _commit(self, body: Body) -> Body:
        return super()._commit({**body, CommitKey.COUNT: len(self.staged)})


class StoresStagedOnly(Board):
    """Stores what is staged, and drops the rest."""

    def _commit(self, body: Body) -> Body:
        expected = (len(self.staged), whole.staged_digest(self.schema, self.staged))
        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:
            return super()._commit(body)
        for setting in self.schema.settings:
            kept = setting.field.required or setting.field.kind is Kind.PASSPHRASE
            if not kept and setting.key in self.stored and setting.key not in self.staged:
                self._staging._values[setting.key] = None
        mended = {
            **body,
            CommitKey.COUNT: len(self.staged),
            CommitKey.DIGEST: whole.staged_digest(self.schema, self.staged),
        }
        return super()._commit(mended)


class IgnoresClearing(Board):
    """Takes null, and keeps what is stored."""

    def _commit(self, body: Body) -> Body:
        expected = (len(self.staged), whole.staged_digest(self.schema, self.staged))
        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:
            return super()._commit(body)
        for key in [k for k, v in self.staged.items() if v is None and k in self.stored]:
            self._staging._values[key] = self.stored[key]
        mended = {
            **body, CommitKey.DIGEST: whole.staged_digest(self.schema, self.staged)
        }  # fmt: skip
        return super()._commit(mended)


class DropsRefused(Board):
    """Drops what is staged when a rule of the whole is broken."""

    def _commit(self, body: Body) -> Body:
        try:
            return super()._commit(body)
        except Refused:
            self._staging.forget()
            raise


class WritesAtOnce(Board):
    """Stores each value as it comes."""

    def _set_field(self, body: Body) -> Body:
        reply = super()._set_field(body)
        self.store.commit(
            self.store.current.payload, b"at-once!", self._packed.digest, on_trial=False
        )
        self._come_into_force()
        return reply


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


class AnyGeneration(Board):
    """Does not look at the generation or boot number that a request names."""

    only: ClassVar[tuple[MessageType, ...]] = ()

    def _check_not_moved_on(self, request: MessageType, body: Body) -> None:
        if request not in self.only:
            super()._check_not_moved_on(request, body)


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


class TellsSecretInLog(PressedDevice):
    """Prints what it stages, for debugging."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        told = self.board.staged.get("words.secret")
        return sent + (f"\nstaged {told}\n".encode() if isinstance(told, str) else b"")


class TellsSecretInHex(PressedDevice):
    """Prints the key that it stages, in hexadecimal digits."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        told = self.board.staged.get("octets.key")
        return sent + (f"\nkey {told.hex().upper()}\n".encode() if isinstance(told, bytes) else b"")


class EchoesDamage(PressedDevice):
    """Echoes what it gets, the last characters of each line lost."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        echo = b"".join(line.strip(b"\n~")[:-3] + b"\n" for line in lines(data))
        return super().receive(data, now_ms) + b"\n" + echo


def _entries(reply: Body) -> list[Item]:
    entries = reply[GetValuesReplyKey.ENTRIES]
    assert isinstance(entries, list)
    return entries


class ShowsStars(Board):
    """Gives stars for a secret."""

    def _entry(self, setting: Setting) -> Item:
        entry = super()._entry(setting)
        assert isinstance(entry, list)
        return [*entry, "********"] if len(entry) == 2 and entry[1] == Held.SET else entry


def _show_staged(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES:
        for entry in _entries(reply):
            assert isinstance(entry, list)
            staged = board.staged.get(str(entry[0]))
            if staged is not None and entry[1] == Held.UNSET:
                entry[1] = int(Held.SET)
    return reply


def _blob_as_text(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES:
        for entry in _entries(reply):
            assert isinstance(entry, list)
            if entry[0] == "octets.cert" and len(entry) == 3:
                entry[2] = b"--"
    return reply


def _defaults_shown(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES:
        for entry in _entries(reply):
            assert isinstance(entry, list)
            setting = board.schema.setting(str(entry[0]))
            if entry[1] == Held.UNSET and setting and setting.field.default is not None:
                entry.append(setting.field.default)
    return reply


def _swapped(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.GET_VALUES and len(_entries(reply)) > 2:
        entries = _entries(reply)
        entries[0], entries[1] = entries[1], entries[0]
    return reply


def _changed(type_: MessageType, key: int, change: Callable[[Any], Item]) -> type[Board]:
    """Return a board that gives something else under one key of a reply."""

    def instead(board: Board, message: Message, reply: Body) -> Body:
        if message.type == type_ and key in reply:
            reply[key] = change(reply[key])
        return reply

    return answering(instead)


def _lacking(type_: MessageType, *keys: int) -> type[Board]:
    return answering(lambda b, m, reply: without(reply, *keys) if m.type == type_ else reply)


def _instead_of_refusal(type_: MessageType, code: Refusal, body: Body) -> type[Board]:
    def change(message: Message, refused: Refused) -> Refused | Body:
        return body if (message.type, refused.code) == (type_, code) else refused

    return refusing(change)


def _other_code(code: Refusal, other: Refusal, type_: int | None = None) -> type[Board]:
    def change(message: Message, refused: Refused) -> Refused | Body:
        if refused.code is not code or type_ not in (None, message.type):
            return refused
        return Refused(other, refused.field, other=refused.other, detail=refused.detail, supported=refused.supported)  # fmt: skip

    return refusing(change)


def _boot_by_hello(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.HELLO:
        board.boot_number += 1
        reply[HelloReplyKey.BOOT] = board.boot_number
    return reply


def _ids_of_15_bits(line: bytes) -> bytes:
    message = decode_message(item_of(line))
    return line_of(encode_message(replace(message, id=message.id & 0x7FFF)))


def _long_head(line: bytes) -> bytes:
    item = item_of(line)
    return line_of(b"\x98\x04" + item[1:]) if item[2] == MessageType.STATUS_REPLY else line


def _crc32(line: bytes) -> bytes:
    body = line.strip(b"\n")[1:-8]
    return framed(body, zlib.crc32(body))


def _padded(line: bytes) -> bytes:
    body = line.strip(b"\n")[1:-8]
    return framed(body + b"=" * (-len(body) % 4))


def _is_part(message: Message) -> bool:
    return message.type == MessageType.SET_FIELD and SetFieldKey.PART in message.body


def _count_parts(board: Board, message: Message, reply: Body) -> Body:
    if _is_part(message) and board._staging._parts and not board._staging._parts.complete:
        reply[SetFieldReplyKey.STAGED] = _integer(reply, SetFieldReplyKey.STAGED) + 1
    return reply


def _received_of_part(board: Board, message: Message, reply: Body) -> Body:
    if _is_part(message):
        offset, part = message.body[SetFieldKey.OFFSET], message.body[SetFieldKey.PART]
        assert isinstance(offset, int)
        assert isinstance(part, bytes)
        reply[SetFieldReplyKey.RECEIVED] = offset + len(part)
    return reply


def _no_repeat_of_parts(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and 0 < offset < len(parts.held):
        raise Refused(Refusal.GAP, setting.key, detail=len(parts.held))
    Staging.stage_part(self, setting, offset, total, part)


def _overwriting_parts(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and 0 < offset < len(parts.held) and parts.total == total:
        part = bytes(parts.held[offset : offset + len(part)]) or part
        if offset + len(part) > len(parts.held):
            part = part[: len(parts.held) - offset]
    Staging.stage_part(self, setting, offset, total, part)


def _comparing_secrets(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and setting.field.is_secret and parts.key == setting.key and parts.total == total:
        held = bytes(parts.held)
        if 0 < offset < len(held):
            if held[offset : offset + len(part)] == part:
                return
            raise Refused(Refusal.GAP, setting.key, detail=len(held))
    Staging.stage_part(self, setting, offset, total, part)


def _keeping_secrets(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    parts, values = self._parts, dict(self._values)
    held = bytes(parts.held) if parts else b""
    try:
        Staging.stage_part(self, setting, offset, total, part)
    except Refused:
        self._parts, self._values = parts, values
        if parts:
            parts.held[:] = held
        raise


def _any_total(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and offset:
        total = parts.total
    Staging.stage_part(self, setting, offset, total, part)


def _parts_kept(self: Staging, setting: Setting, value: Value | None) -> None:
    if value is not None:
        self._check(setting, value)
    self._values[setting.key] = value


def _parts_forgotten_first(self: Staging, setting: Setting, value: Value | None) -> None:
    self._forget_parts()
    Staging.stage(self, setting, value)


def _restart_keeps(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    held = self._values.get(setting.key)
    had = setting.key in self._values
    Staging.stage_part(self, setting, offset, total, part)
    if had and setting.key not in self._values:
        self._values[setting.key] = held


def _stays_after_discard(self: Staging) -> None:
    self._values.clear()


def _longest_by_characters(field: Field, value: Value, code: Refusal) -> bool:
    if code is not Refusal.LENGTH or not isinstance(value, str):
        return False
    return len(value) == limits(field)[1] < len(value.encode())


def _of_kind(
    kind: Kind, code: Refusal, fits: Callable[[Any], bool] = lambda _: True
) -> Callable[[Field, Value, Refusal], bool]:
    return lambda field, value, found: field.kind is kind and found is code and fits(value)


def _none_of(*codes: Refusal) -> Callable[[Board, whole.Fault | None], whole.Fault | None]:
    return lambda board, fault: None if fault and fault.code in codes else fault


def _inactive_too(board: Board, fault: whole.Fault | None) -> whole.Fault | None:
    """Whatever is required must have a value, active or not."""
    values = whole.in_force(
        board.schema, {**board.stored, **{k: v for k, v in board.staged.items() if v is not None}}
    )
    cleared = {k for k, v in board.staged.items() if v is None}
    for setting in board.schema.settings:
        wanted = setting.field.required and setting.field.default is None and fault is None
        if wanted and (setting.key in cleared or setting.key not in values):
            return whole.Fault(Refusal.MISSING, setting.key)
    return fault


def _no_sharing(board: Board, fault: whole.Fault | None) -> whole.Fault | None:
    """No pin twice, shared or not."""
    values = {**board.stored, **board.staged}
    seen: dict[Value, str] = {}
    for setting in board.schema.settings:
        value = values.get(setting.key)
        if setting.field.kind is Kind.PIN and value is not None and fault is None:
            if value in seen and setting.field.shares:
                return whole.Fault(Refusal.PIN_CONFLICT, setting.key, seen[value])
            seen[value] = setting.key
    return fault


def _earlier_named(board: Board, fault: whole.Fault | None) -> whole.Fault | None:
    if fault and fault.code is Refusal.PIN_CONFLICT and fault.other:
        return whole.Fault(fault.code, fault.other, fault.field)
    return fault


def _run_idle(board: Board, message: Message, reply: Body) -> Body:
    if message.type == MessageType.STATUS:
        reply[StatusReplyKey.RUN] = int(Run.IDLE)
    return reply


def _supports(*left_out: int) -> type[Board]:
    def change(message: Message, refused: Refused) -> Refused | Body:
        if refused.code is Refusal.UNKNOWN_TYPE:
            refused.supported = tuple(t for t in refused.supported if t not in left_out)
        return refused

    return refusing(change)


class AnyKey(Board):
    """Ignores body keys that it does not know."""

    def _handle(self, message: Message) -> Body:
        known = {key: item for key, item in message.body.items() if 0 < key < 30 or key > 63}
        return super()._handle(replace(message, body=known))


class NoSkipping(Board):
    """Refuses every body key that it does not know."""

    def _handle(self, message: Message) -> Body:
        if message.version == 1 and any(key >= 64 for key in message.body):
            raise Refused(Refusal.MALFORMED)
        return super()._handle(message)


class NoOtherHello(Board):
    """Refuses a hello of another version."""

    def _handle(self, message: Message) -> Body:
        if message.version != 1:
            raise Refused(Refusal.UNSUPPORTED_VERSION, supported=(1,))
        return super()._handle(message)


class StrictOtherHello(Board):
    """Looks at the body of a hello of another version."""

    def _handle(self, message: Message) -> Body:
        if message.version != 1 and message.type == MessageType.HELLO and message.body:
            raise Refused(Refusal.MALFORMED)
        return super()._handle(message)


class AnyVersion(Board):
    """Answers requests of any version."""

    def _handle(self, message: Message) -> Body:
        return super()._handle(replace(message, version=1))


class LooseForms(Board):
    """Takes a token of any length."""

    def _handle(self, message: Message) -> Body:
        token = message.body.get(CommitKey.TOKEN)
        if message.type == MessageType.COMMIT and isinstance(token, bytes):
            body = {**message.body, CommitKey.TOKEN: token[:8].ljust(8)}
            return super()._handle(replace(message, body=body))
        return super()._handle(message)


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


class LongLine(Board):
    """Announces 200 characters and takes 655."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self._receiver = LineReceiver()


class TokenAfterErase(Board):
    """Remembers the token over an erase."""

    def _hello(self, body: Body) -> Body:
        reply = super()._hello(body)
        if self.generation and reply[HelloReplyKey.TOKEN] is None:
            reply[HelloReplyKey.TOKEN] = bytes(8)
        return reply


class FullPages(Board):
    """Fills its pages beyond what a line may have."""

    def _answer(self, event: object) -> bytes:
        sent = super()._answer(event)
        if sent and item_of(sent)[2] == MessageType.GET_VALUES_REPLY:
            message = decode_message(item_of(sent))
            longer = replace(message, body={**message.body, 99: bytes(600)})
            return line_of(encode_message(longer))
        return sent


class NoDetail(Board):
    """Refuses with code alone."""

    code: ClassVar[Refusal] = Refusal.GAP

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except Refused as refused:
            if refused.code is self.code:
                refused.detail = refused.field = None
                refused.supported = ()
            raise


class MoreDetail(Board):
    """Adds a detail to refusals of values."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except Refused as refused:
            if refused.code is Refusal.RANGE:
                refused.detail = 1
            raise


class FieldAlways(Board):
    """Names the field in every refusal of set-field, malformed ones too."""

    def _handle(self, message: Message) -> Body:
        try:
            return super()._handle(message)
        except Refused as refused:
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


def _subclass(base: type[Board], **members: Any) -> type[Board]:
    return type("Changed", (base,), members)


BRIEF = Limits(line=200, credit=600)
BUTTON = Limits(presence=5000)
ON_TRIAL: Mapping[str, Any] = {"schema": "orchard-frost-alarm", "surroundings": Surroundings(())}
R, T = Refusal, MessageType

CASES: tuple[Case, ...] = (
    # ---- secrets
    Case("1", "prints a secret as it stages it", {"device": TellsSecretInLog}),
    Case("1", "prints a secret key in hexadecimal digits", {"device": TellsSecretInHex}),
    Case("1", "echoes lines, their ends damaged", {"device": EchoesDamage}),
    # ---- the line
    Case("2.1", "ends lines with CR LF", {"device": device(writes=lambda line: line.replace(b"\n", b"\r\n"))}),
    Case("2.1", "begins no line with LF", {"device": device(writes=lambda line: line[1:])}),
    Case("2.1", "has CRC-32 for CRC-32C", {"device": device(writes=_crc32)}),
    Case("2.1", "pads base64", {"device": device(writes=_padded)}),
    Case("2.1", "does not look at CHECK", {"board": hearing(_any_check)}),
    Case("2.2", "looks at half of each character of CHECK", {"board": hearing(_takes_masked_check)}),
    Case("2.2", "takes the other alphabet of base64 too", {"board": hearing(_any_spelling(lambda b: b"+" in b or b"/" in b))}),
    Case("2.2", "takes padding", {"board": hearing(_any_spelling(lambda b: b.endswith(b"=")))}),
    Case("2.2", "takes unused bits that are not zero", {"board": hearing(_any_spelling(lambda b: b.isascii() and b.replace(b"-", b"").replace(b"_", b"").isalnum()))}),
    Case("2.2", "ends a line at LF only", {"device": device(reads=lambda data: data.replace(b"\r", b" "))}),
    Case("2.2", "takes a message in the middle of a line", {"device": device(reads=lambda data: data.replace(b"~", b"\n~"))}),
    Case("2.2", "begins a new line where its buffer is full", {"device": ForgetsOversize}),
    Case("2.2", "takes lines beyond what it announces", {"board": LongLine, "limits": BRIEF}),
    Case("2.2", "complains about damaged lines", {"board": AnswersDamage}),
    Case("2.2", "answers log text", {"board": AnswersLog}),
    Case("2.2", "answers its own echo", {"board": AnswersEvenTypes}),
    Case("2.3", "sends lines beyond 655 characters", {"board": FullPages}),
    # ---- CBOR
    Case("3", "takes heads that are not the shortest", {"board": reading("is not the shortest")}),
    Case("3", "takes indefinite lengths", {"board": reading("indefinite")}),
    Case("3", "takes keys in any order", {"board": reading("repeats or is out of order")}),
    Case("3", "takes bytes behind the item", {"board": reading("follow the item")}),
    Case("3", "skips floats and tags", {"board": reading("a tag, a floating-point")}),
    Case("3", "skips text that is no UTF-8", {"board": reading("valid UTF-8")}),
    Case("3", "takes any depth", {"board": reading("nested deeper")}),
    Case("3", "takes keys that are no integers", {"board": reading("not an unsigned integer")}),
    Case("3", "takes integers of 64 bits", {"board": reading("eight bytes")}),
    Case("3", "takes negative integers of 32 bits", {"board": reading("below -2^31")}),
    Case("3", "sends a head that is not the shortest", {"device": device(writes=_long_head)}),
    # ---- the envelope
    Case("4.1", "carries back 15 bits of the id", {"device": device(writes=_ids_of_15_bits)}),
    Case("4.1", "takes an array of five", {"board": TakesFive}),
    Case("4.1", "answers status twice", {"device": Twice}),
    Case("4.1", "answers in another order", {"device": Backwards}),
    Case("4.1", "speaks unasked", {"device": SpeaksUnasked}),
    Case("4.2", "ignores keys that it does not know", {"board": AnyKey}),
    Case("4.2", "refuses keys that it should skip", {"board": NoSkipping}),
    Case("4.2", "refuses a hello of another version", {"board": NoOtherHello}),
    Case("4.2", "looks into a hello of another version", {"board": StrictOtherHello}),
    Case("4.2", "answers requests of any version", {"board": AnyVersion}),
    Case("4.2", "refuses an unknown type as malformed", {"board": _other_code(R.UNKNOWN_TYPE, R.MALFORMED)}),
    Case("4.2", "leaves commit out of the types it knows", {"board": _supports(9)}),
    Case("4.2", "does not know what it does not offer", {"board": _other_code(R.NOT_OFFERED, R.WRONG_STATE)}),
    Case("4.3", "looks at the state before the form", {"board": StateFirst}),
    Case("4.3", "stores each value as it comes", {"board": WritesAtOnce}),
    # ---- the conversation
    Case("5.1", "refuses undo of nothing otherwise", {"board": _other_code(R.WRONG_STATE, R.NO_OLDER_SET, T.UNDO)}),
    Case("5.1", "looks at the boot number before the state", {"board": AnyState}),
    Case("5.1", "never drops what is staged", {"board": KeepsStaged}),
    Case("5.1", "drops what is staged after five minutes", {"board": DropsEarly}),
    Case("5.2", "has another boot number at every hello", {"board": answering(_boot_by_hello)}),
    Case("5.2", "gives another generation in status", {"board": _changed(T.STATUS, StatusReplyKey.GENERATION, lambda n: n + 1)}),
    Case("5.2", "counts generations in hello only at a start", {"board": LazyGeneration}),
    Case("5.4", "announces trials and begins none", {"board": NoTrials, **ON_TRIAL}),
    Case("5.4", "never ends a trial by time", {"board": NeverEndsTrial, **ON_TRIAL}),
    Case("5.4", "ends a trial at the first start", {"board": EndsTrialAtFirstStart, **ON_TRIAL}),
    Case("5.4", "confirms a trial when another set comes", {"board": UndoDropsStaged, **ON_TRIAL}),
    Case("5.4", "refuses the repeat of a confirm", {"board": _subclass(NoRepeats, only=(T.CONFIRM,)), **ON_TRIAL}),
    Case("5.4", "confirms whatever generation is named", {"board": _subclass(AnyGeneration, only=(T.CONFIRM,)), **ON_TRIAL}),
    Case("5.5", "announces presence and does without", {"board": NoPresence, "limits": BUTTON}),
    Case("5.5", "wants presence for commit only", {"board": PresenceForCommitOnly, "limits": BUTTON}),
    Case("5.6", "has less room than its credit", {"device": SmallBuffer}),
    Case("5.7", "answers 400 ms late", {"device": Slow}),
    Case("5.7", "takes longer for a commit than announced", {"device": SlowCommit}),
    Case("5.7", "takes longer for an erase than announced", {"device": SlowErase}),
    # ---- reading
    Case("6.1", "takes shorter lines than it announces", {"board": ShortLine}),
    Case("6.1", "announces less credit than a line", {"board": _changed(T.HELLO, HelloReplyKey.CREDIT, lambda _: 500)}),
    Case("6.1", "announces no version 1", {"board": _changed(T.HELLO, HelloReplyKey.VERSIONS, lambda _: [2])}),
    Case("6.1", "has a token with nothing stored", {"board": _changed(T.HELLO, HelloReplyKey.TOKEN, lambda t: t or bytes(8))}),
    Case("6.2", "answers with an offset of 0", {"board": _changed(T.GET_SCHEMA, 1, lambda _: 0)}),
    Case("6.2", "begins pieces at multiples of four", {"board": ShiftedPieces}),
    Case("6.2", "gives longer pieces than asked for", {"board": PieceTooLong}),
    Case("6.2", "gives a zero byte beyond the end", {"board": _instead_of_refusal(T.GET_SCHEMA, R.OUT_OF_BOUNDS, {1: 0, 2: b"\x00"})}),
    Case("8", "announces another digest", {"board": _changed(T.HELLO, HelloReplyKey.SCHEMA_DIGEST, lambda d: d[::-1])}),
    Case("6.3", "gives stars for a secret", {"board": ShowsStars}),
    Case("6.3", "shows what is staged", {"board": answering(_show_staged)}),
    Case("6.3", "gives the content of a blob", {"board": answering(_blob_as_text)}),
    Case("6.3", "gives defaults for what is unset", {"board": answering(_defaults_shown)}),
    Case("6.3", "gives entries in another order", {"board": answering(_swapped)}),
    Case("6.3", "counts fields without instances", {"board": _changed(T.GET_VALUES, GetValuesReplyKey.COUNT, lambda n: n - 1)}),
    # ---- staging
    Case("6.4", "counts incomplete parts as staged", {"board": answering(_count_parts)}),
    Case("6.4", "gives the end of the part as received", {"board": answering(_received_of_part)}),
    Case("6.4", "refuses the repeat of a part", {"board": staging(stage_part=_no_repeat_of_parts)}),
    Case("6.4", "takes a part that differs from what is held", {"board": staging(stage_part=_overwriting_parts)}),
    Case("6.4", "compares the parts of a secret", {"board": staging(stage_part=_comparing_secrets)}),
    Case("6.4", "keeps a secret of which a part was wrong", {"board": staging(stage_part=_keeping_secrets)}),
    Case("6.4", "takes any total", {"board": staging(stage_part=_any_total)}),
    Case("6.4", "keeps parts when another field is set", {"board": staging(stage=_parts_kept)}),
    Case("6.4", "forgets parts before a value is checked", {"board": staging(stage=_parts_forgotten_first)}),
    Case("6.4", "keeps the old value when parts start", {"board": staging(stage_part=_restart_keeps)}),
    Case("6.4", "keeps incomplete parts at discard", {"board": staging(forget=_stays_after_discard)}),
    Case("6.4", "gives `received` always", {"board": answering(lambda b, m, r: {**r, 2: r.get(2, 1)} if m.type == 7 else r)}),
    Case("6.4", "says range for an unknown field", {"board": _other_code(R.UNKNOWN_FIELD, R.RANGE)}),
    Case("6.4", "says malformed for a gap", {"board": _other_code(R.GAP, R.FORM)}),
    # ---- commit
    Case("6.5", "does a commit again whose token it knows", {"board": NoTokens}),
    Case("6.5", "takes the commit before for a repeat", {"board": TwoTokens}),
    Case("6.5", "keeps what is staged at the repeat of a commit", {"board": KeepsOnRepeat}),
    Case("6.5", "keeps what is staged when the set differs", {"board": KeepsOnDiffers}),
    Case("6.5", "does not look at the digest", {"board": NoDigest}),
    Case("6.5", "does not look at the count", {"board": NoCount}),
    Case("6.5", "says set-differs with nothing staged", {"board": _other_code(R.WRONG_STATE, R.SET_DIFFERS, T.COMMIT)}),
    Case("6.5", "stores only what is staged", {"board": StoresStagedOnly}),
    Case("6.5", "keeps what null should clear", {"board": IgnoresClearing}),
    # ---- status and the rest
    Case("6.6", "is always idle", {"board": answering(_run_idle)}),
    Case("6.6", "says missing when nothing is", {"board": answering(lambda b, m, r: {**r, 11: "net.name"} if m.type == 11 else r)}),
    Case("6.6", "says nothing of the time a trial has", {"board": _lacking(T.STATUS, StatusReplyKey.TRIAL_LEFT), **ON_TRIAL}),
    Case("6.6", "never ends applying", {"surroundings": None}),
    Case("6.7", "discards whatever boot number is named", {"board": _subclass(AnyGeneration, only=(T.DISCARD,))}),
    Case("6.7", "undoes whatever generation is named", {"board": _subclass(AnyGeneration, only=(T.UNDO,))}),
    Case("6.7", "erases whatever generation is named", {"board": _subclass(AnyGeneration, only=(T.ERASE,))}),
    Case("6.7", "restarts whatever boot number is named", {"board": _subclass(AnyGeneration, only=(T.RESTART,))}),
    Case("6.7", "refuses the repeat of an undo", {"board": _subclass(NoRepeats, only=(T.UNDO,))}),
    Case("6.7", "refuses the repeat of an erase", {"board": _subclass(NoRepeats, only=(T.ERASE,))}),
    Case("6.7", "keeps the newest token after undo", {"board": UndoKeepsToken}),
    Case("6.7", "shows values after erase", {"board": EraseLeaves}),
    Case("6.7", "erases by an empty set", {"board": EraseHides}),
    Case("6.7", "has a token after erase", {"board": TokenAfterErase}),
    Case("6.7", "does not restart", {"device": NeverRestarts}),
    Case("6.7", "has the same boot number after a restart", {"device": SameBoot}),
    Case("6.7", "has another unit id after a restart", {"device": NewUnit}),
    Case("6.7", "holds the older set in memory only", {"device": ForgetsOlderAtStart}),
    Case("6.7", "forgets all at a start", {"device": ForgetsAtStart}),
    Case("6.8", "gives every scan the same number", {"board": SameScan, "surroundings": NETWORKS}),
    Case("6.8", "sorts networks anew", {"board": ShufflesNetworks, "surroundings": NETWORKS}),
    Case("6.8", "answers beyond the last network", {"board": EndlessNetworks, "surroundings": NETWORKS}),
    # ---- refusals
    Case("7.2", "gives no detail with a gap", {"board": _subclass(NoDetail, code=R.GAP)}),
    Case("7.2", "gives no field with a range", {"board": _subclass(NoDetail, code=R.RANGE)}),
    Case("7.2", "gives no types with unknown-type", {"board": _subclass(NoDetail, code=R.UNKNOWN_TYPE)}),
    Case("7.2", "gives a detail with a range", {"board": MoreDetail}),
    Case("7.2", "gives the field with malformed", {"board": FieldAlways}),
    # ---- values
    Case("9.1", "counts characters, not bytes", {"board": checking(_longest_by_characters)}),
    Case("9.1", "takes control characters", {"board": checking(_of_kind(Kind.TEXT, R.CHARACTERS, lambda v: any(c < " " for c in v)))}),
    Case("9.1", "takes integers above the largest", {"board": checking(_of_kind(Kind.INTEGER, R.RANGE))}),
    Case("9.1", "takes port 0", {"board": checking(_of_kind(Kind.PORT, R.RANGE, lambda v: v == 0))}),
    Case("9.1", "takes pins that are taken", {"board": checking(_of_kind(Kind.PIN, R.PIN_TAKEN))}),
    Case("9.1", "takes pins that cannot do it", {"board": checking(_of_kind(Kind.PIN, R.PIN_UNFIT, lambda v: v < 30))}),
    Case("9.1", "takes pin numbers modulo 256", {"board": checking(_of_kind(Kind.PIN, R.PIN_UNFIT, lambda v: 256 <= v < 300))}),
    Case("9.1", "compares options by their beginning", {"board": checking(_of_kind(Kind.CHOICE, R.NO_SUCH_OPTION, lambda v: v == "slowx"))}),
    Case("9.1", "takes IPv6 where only IPv4 is admitted", {"board": checking(lambda f, v, c: f.families == 1 and c is R.LENGTH and len(v) == 16)}),  # type: ignore[arg-type]
    Case("9.1", "says length for what is out of range", {"board": _other_code(R.RANGE, R.LENGTH)}),
    Case("9.1", "takes longer byte strings", {"board": checking(_of_kind(Kind.HEX, R.LENGTH, lambda v: len(v) > 4))}),
    Case("9.2", "takes 64 characters that are no key", {"board": checking(_of_kind(Kind.PASSPHRASE, R.FORM))}),
    Case("9.2", "takes network names of 33 octets", {"board": checking(_of_kind(Kind.NETWORK_NAME, R.LENGTH, lambda v: len(v) == 33))}),
    Case("9.2", "refuses network names with a zero octet", {"board": checking(lambda f, v, c: False, lambda f, v: R.CHARACTERS if f.kind is Kind.NETWORK_NAME and isinstance(v, bytes) and b"\0" in v else None)}),
    Case("9.3", "takes labels that end with a hyphen", {"board": checking(_of_kind(Kind.HOST, R.FORM, lambda v: v == "a-"))}),
    Case("9.3", "takes IPv4 addresses with leading zeros", {"board": checking(_of_kind(Kind.HOST, R.FORM, lambda v: v == "01.2.3.4"))}),
    Case("9.3", "takes names and passwords in URLs", {"board": checking(_of_kind(Kind.URL, R.FORM, lambda v: "@" in v))}),
    Case("9.3", "takes port 65536 in URLs", {"board": checking(_of_kind(Kind.URL, R.FORM, lambda v: ":65536" in v))}),
    Case("9.4", "takes a second name without rules", {"board": checking(_of_kind(Kind.TIME_ZONE, R.FORM, lambda v: v == "CET-1CEST"))}),
    Case("9.4", "refuses hours above 24 in rules", {"board": checking(lambda f, v, c: False, lambda f, v: R.FORM if f.kind is Kind.TIME_ZONE and "167" in str(v) else None)}),
    # ---- the whole
    Case("9.5", "wants what is not active", {"board": wholes(_inactive_too)}),
    Case("9.5", "knows no shared pins", {"board": wholes(_no_sharing)}),
    Case("9.6", "takes a network name without its passphrase", {"board": wholes(_none_of(R.PARTNER))}),
    Case("9.6", "takes what lacks a required field", {"board": wholes(_none_of(R.MISSING))}),
    Case("9.6", "takes a pin twice", {"board": wholes(_none_of(R.PIN_CONFLICT))}),
    Case("9.6", "names the earlier pin as the field", {"board": wholes(_earlier_named)}),
    Case("9.6", "drops what is staged when a rule is broken", {"board": DropsRefused}),
    # ---- durability, forms
    Case("10", "has undone an undo at the next start", {"device": BringsBackAtStart}),
    Case("11.2", "leaves `listens` out of hello", {"board": _lacking(T.HELLO, HelloReplyKey.LISTENS)}),
    Case("11.2", "takes a token of any length", {"board": LooseForms}),
    Case("11.2", "has `staged` as text", {"board": _changed(T.STATUS, StatusReplyKey.STAGED, str)}),
)  # fmt: skip
