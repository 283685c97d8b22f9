# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""What boards that are wrong on purpose are made of: the Python board, with one thing changed."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

import cbor2

from provision.board.engine import Board, Body, _octets, settings_geometry
from provision.board.firmware import NetworkInRange, Surroundings
from provision.board.flash import Flash
from provision.board.staging import RequestRefused, Staging
from provision.board.state import OFFERED, Identity, Limits
from provision.board.store import FlashStore
from provision.contract import profile
from provision.contract.line import Damaged, Frame, LineReceiver, crc32c
from provision.contract.messages import Message, decode_message
from provision.contract.profile import Item
from provision.contract.table import (
    CommitKey,
    GetValuesReplyKey,
    Kind,
    MessageType,
    Refusal,
    SetFieldKey,
)
from provision.schema import constraints
from provision.schema.declaration import Declaration
from provision.schema.model import Field, Setting, Value
from provision.schema_file.load import load_declaration
from tests.conformance.board import PressedDevice

ROOT = Path(__file__).parents[2]


NETWORKS = Surroundings(
    tuple(NetworkInRange(f"net-{n}".encode() * 4, "passphrase-of-it", -n) for n in range(40))
)


def declaration(name: str) -> Declaration:
    """Read one of the schema files that the tests hold boards with."""
    folder = "schemas" if name.startswith("orchard") else "shared/vectors"
    return load_declaration(ROOT / folder / f"{name}.toml")


def with_fields(chosen: Callable[[Field], bool], **changes: Any) -> Declaration:
    """Return the settings of the vectors' board, with some of their fields changed."""
    declared = declaration("board")
    sections = tuple(
        replace(
            section,
            fields=tuple(replace(f, **changes) if chosen(f) else f for f in section.fields),
        )
        for section in declared.schema.sections
    )
    return replace(declared, schema=replace(declared.schema, sections=sections))


class Wrong:
    """What a board is made of; each wrong one changes one thing."""

    schema: ClassVar[str | Declaration] = "board"
    board: ClassVar[type[Board]] = Board
    device: ClassVar[type[PressedDevice]] = PressedDevice
    limits = Limits()
    capabilities = OFFERED
    surroundings: Surroundings | None = Surroundings()
    chatty = False

    @classmethod
    def make(cls) -> PressedDevice:
        """Return the board, switched on."""
        declared = declaration(cls.schema) if isinstance(cls.schema, str) else cls.schema
        settings = declared.board
        board = cls.board(
            declared.schema,
            Identity(declared.firmware_name, "1", settings.name, b"\xa1\xb2\xc3"),
            FlashStore(Flash(settings_geometry(declared)), settings.slots),
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


def refusing(change: Callable[[Message, RequestRefused], RequestRefused | Body]) -> type[Board]:
    """Return a board whose refusals are changed, or are replies instead."""

    class Changed(Board):
        def _handle(self, message: Message) -> Body:
            try:
                return super()._handle(message)
            except RequestRefused as refused:
                other = change(message, refused)
                if isinstance(other, RequestRefused):
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
    return staging_by(type("Staging", (Staging,), methods))


def staging_by(other: type[Staging]) -> type[Board]:
    """Return a board that stages in this way."""

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
            raise RequestRefused(refusal, setting.key)
        try:
            Staging._check(self, setting, value)
        except RequestRefused as refused:
            if type(value) is bool or not accepts(setting.field, value, refused.code):
                raise

    return staging(_check=check)


def wholes(
    change: Callable[[Board, constraints.Violation | None], constraints.Violation | None],
) -> type[Board]:
    """Return a board with other rules of the whole."""

    class Rules(Board):
        def _commit(self, body: Body) -> Body:
            found = constraints.check_whole(self.schema, self.stored, self.staged)
            fault = change(self, found)
            if fault is not None and (found is None or fault != found):
                raise RequestRefused(fault.code, fault.field, other=fault.other)
            if fault is None and found is not None:
                return self._store_all_the_same(body)
            return super()._commit(body)

        def _store_all_the_same(self, body: Body) -> Body:
            try:
                return super()._commit(body)
            except RequestRefused as refused:
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
    """A wrong board: the requirement that it breaks, the fault in words, what it is made of."""

    breaks: str
    fault: str
    made_of: Mapping[str, Any]
    seen_in: str | None = None
    """The clause or requirement whose checks show it, where it is watched in all that comes."""

    def make(self) -> PressedDevice:
        """Return it, switched on."""
        return type("Case", (Wrong,), dict(self.made_of)).make()  # type: ignore[attr-defined, no-any-return]


class NoRepeats(Board):
    """Refuses the repeats of undo, erase and confirm."""

    only: ClassVar[tuple[MessageType, ...]] = ()

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        return request not in self.only and super()._is_repeat(request, body)


class AnyGeneration(Board):
    """Does not look at the generation or boot number that a request names."""

    only: ClassVar[tuple[MessageType, ...]] = ()

    def _check_not_moved_on(self, request: MessageType, body: Body) -> None:
        if request not in self.only:
            super()._check_not_moved_on(request, body)


def entries_of(reply: Body) -> list[Item]:
    """Return the entries of a reply to get-values."""
    entries = reply[GetValuesReplyKey.ENTRIES]
    assert isinstance(entries, list)
    return entries


def changed(type_: MessageType, key: int, change: Callable[[Any], Item]) -> type[Board]:
    """Return a board that gives something else under one key of a reply."""

    def instead(board: Board, message: Message, reply: Body) -> Body:
        if message.type == type_ and key in reply:
            reply[key] = change(reply[key])
        return reply

    return answering(instead)


def lacking(type_: MessageType, *keys: int) -> type[Board]:
    """Return a board that leaves keys out of a reply."""
    return answering(lambda b, m, reply: without(reply, *keys) if m.type == type_ else reply)


def other_code(code: Refusal, other: Refusal, type_: int | None = None) -> type[Board]:
    """Return a board that gives another code where one is due, to one type of request or to all."""

    def change(message: Message, refused: RequestRefused) -> RequestRefused | Body:
        if refused.code is not code or type_ not in (None, message.type):
            return refused
        return RequestRefused(other, refused.field, other=refused.other, detail=refused.detail)  # fmt: skip

    return refusing(change)


def is_part(message: Message) -> bool:
    """Whether a request brings a value in parts."""
    return message.type == MessageType.SET_FIELD and SetFieldKey.PART in message.body


def subclass(base: type[Board], **members: Any) -> type[Board]:
    """Return a board like another, with other members."""
    return type("Changed", (base,), members)


BRIEF = Limits(line=200, credit=600)


BUTTON = Limits(presence=5000)


ON_TRIAL: Mapping[str, Any] = {"schema": "orchard-frost-alarm", "surroundings": Surroundings(())}


R, T = Refusal, MessageType


def of_kind(
    kind: Kind, code: Refusal, fits: Callable[[Any], bool] = lambda _: True
) -> Callable[[Field, Value, Refusal], bool]:
    """Return what accepts values of a kind that are to be refused with a code."""
    return lambda field, value, found: field.kind is kind and found is code and fits(value)
