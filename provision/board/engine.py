# SPDX-License-Identifier: MIT
"""The board's side of the contract: bytes and the time go in, replies and events come out.

    board = Board(schema, identity, FlashStore(flash, 4), boot_number=1)
    replies = board.receive(data, now_ms)
    for event in board.take_events(): ...     # what the firmware has to do
    board.report(Run.PROVEN, address=address) # how it gets on

Numbers in brackets are clauses of shared/protocol.md. Time is in milliseconds from any start. What
is secret never shows in a repr.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from provision.board.flash import Flash, Geometry
from provision.board.staging import RequestRefused
from provision.board.state import (
    OFFERED,
    BoardState,
    Erased,
    Identity,
    Limits,
    Located,
    Restarting,
    Scan,
    SurveyStarted,
)
from provision.board.store import (
    FlashStore,
    NoOlderSet,
    StorageError,
    pack_values,
)
from provision.contract import profile
from provision.contract.line import Damaged, Frame, LineReceiver, encode_line
from provision.contract.messages import (
    Message,
    MessageError,
    check_body,
    decode_message,
    encode_message,
    legal,
)
from provision.contract.profile import Item
from provision.contract.table import (
    MAX_BODY,
    MAX_NETWORKS,
    MESSAGES,
    PROTOCOL_VERSION,
    Capability,
    CommitKey,
    CommitReplyKey,
    ConfirmKey,
    ConfirmReplyKey,
    DiscardKey,
    EraseKey,
    EraseReplyKey,
    GetSchemaKey,
    GetSchemaReplyKey,
    GetValuesKey,
    GetValuesReplyKey,
    Held,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    RestartKey,
    Run,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
    Store,
    SurveyKey,
    SurveyReplyKey,
    UndoKey,
    UndoReplyKey,
)
from provision.schema.codec import Packed, pack
from provision.schema.constraints import check_whole, staged_digest
from provision.schema.declaration import Declaration
from provision.schema.model import Schema, Setting, Value

_LARGEST_ITEM = MAX_BODY * 3 // 4  # bytes of CBOR in a BODY
_LAST_SCAN = 255

Body = dict[int, Item]


@dataclass(slots=True)
class Traffic:
    """What came and went since the board was made."""

    bytes_in: int = 0
    bytes_out: int = 0
    requests: int = 0
    refusals: int = 0
    ignored: int = 0
    """Lines that were damaged, no message, or no request."""


class Board(BoardState):
    """A board that is switched on. Its store is inspectable, and its staged set by `staged`."""

    def __init__(
        self,
        schema: Schema,
        identity: Identity,
        store: FlashStore,
        boot_number: int,
        *,
        limits: Limits | None = None,
        capabilities: Capability = OFFERED,
        packed: Packed | None = None,
        now_ms: int = 0,
    ) -> None:
        """packed: the schema as the board hands it out, that of `schema` if not given.

        Of the capabilities, trial and undo fall away where the store has too few slots, trial where
        the schema states no time for it, and presence is there where the limits state a time.
        """
        self.identity = identity
        self.traffic = Traffic()
        self._packed = packed or pack(schema)
        self._handlers: dict[int, Callable[[Body], Body]] = {
            MessageType.HELLO: self._hello,
            MessageType.GET_SCHEMA: self._get_schema,
            MessageType.GET_VALUES: self._get_values,
            MessageType.SET_FIELD: self._set_field,
            MessageType.COMMIT: self._commit,
            MessageType.STATUS: self._status,
            MessageType.DISCARD: self._discard,
            MessageType.UNDO: self._undo,
            MessageType.ERASE: self._erase,
            MessageType.RESTART: self._restart,
            MessageType.CONFIRM: self._confirm,
            MessageType.SURVEY: self._survey,
            MessageType.LOCATE: self._locate,
        }
        super().__init__(
            schema, store, boot_number, limits=limits, capabilities=capabilities, now_ms=now_ms
        )

    def __repr__(self) -> str:
        return (
            f"Board({self.identity.firmware!r}, unit={self.identity.unit.hex()},"
            f" boot_number={self.boot_number}, generation={self.generation},"
            f" {self.store_state.name}, {len(self.staged)} staged)"
        )

    # ------------------------------------------------------------------------- for its firmware

    def restart(self, boot_number: int, now_ms: int) -> None:
        """Start the firmware (again): memory is empty, the store is read and mended."""
        self._receiver = LineReceiver(self.limits.line)
        self._restarting = False
        self._room = 0  # bytes that the body of the reply may have
        super().restart(boot_number, now_ms)

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes from the host; return the replies to the requests that they complete.

        PowerCut comes through from the flash: then the board is off, and answers nothing until the
        flash is powered up and restart() is called.
        """
        self.tick(now_ms)
        self.traffic.bytes_in += len(data)
        replies = b"".join(self._answer(event) for event in self._receiver.feed(data))
        self.traffic.bytes_out += len(replies)
        return replies

    # ---------------------------------------------------------------------- requests and replies

    def _answer(self, event: object) -> bytes:
        """Return the reply to a line; empty for what is no request, or not listened to."""
        if not isinstance(event, Frame):
            self.traffic.ignored += isinstance(event, Damaged)
            return b""
        listening = self._listens() != 0 and not self._restarting and self.store.flash.powered
        try:
            message = decode_message(event.item)
        except MessageError:
            message = None
        if message is None or message.type % 2 == 0 or not listening:
            self.traffic.ignored += 1
            return b""
        self.traffic.requests += 1
        envelope = [PROTOCOL_VERSION, message.type + 1, message.id]  # its head is that of four, too
        self._room = _LARGEST_ITEM - len(profile.encode([*envelope]))
        try:
            reply = Message(PROTOCOL_VERSION, message.type + 1, message.id, self._handle(message))
        except RequestRefused as refused:
            self.traffic.refusals += 1
            reply = Message(
                PROTOCOL_VERSION, MessageType.REFUSAL, message.id, _refusal_body(refused)
            )
        self._answered = self._now
        return encode_line(encode_message(reply))

    def _handle(self, message: Message) -> Body:
        """Check a request in the order of clause 4.3, and do it. Raises Refused."""
        if message.version != PROTOCOL_VERSION:
            # The form of hello is the same in every version, but a later one may have more keys.
            if message.type is MessageType.HELLO:
                return self._hello({})
            raise RequestRefused(Refusal.UNSUPPORTED_VERSION)
        row = MESSAGES.get(message.type)
        if row is None:
            raise RequestRefused(Refusal.UNKNOWN_TYPE)
        if row.needs is not None and row.needs not in self.capabilities:
            raise RequestRefused(Refusal.NOT_OFFERED)
        try:
            check_body(message)
        except MessageError:
            raise RequestRefused(Refusal.MALFORMED) from None
        if self._is_repeat(row.type, message.body):
            return {CommitReplyKey.GENERATION: self.generation}  # the same key in all four replies
        if row.changes and not self._presence_suffices():
            raise RequestRefused(Refusal.PRESENCE)
        if not legal(row.type, self.store_state, bool(self.staged)):
            raise RequestRefused(Refusal.WRONG_STATE)
        self._check_not_moved_on(row.type, message.body)
        return self._handlers[row.type](message.body)

    def _is_repeat(self, request: MessageType, body: Body) -> bool:
        """Whether the request was done already, and its reply lost [6.5, 6.7]."""
        current = self.store.current
        if request is MessageType.COMMIT:
            done = current.is_set and body[CommitKey.TOKEN] == current.token
            if done:
                self._staging.forget()
            return done
        named = _NAMED_GENERATION.get(request)
        return named is not None and self._brought == (request, body[named], self.generation)

    def _check_not_moved_on(self, request: MessageType, body: Body) -> None:
        if request in _NAMED_GENERATION:
            key, present = _NAMED_GENERATION[request], self.generation
        elif request in _NAMED_BOOT:
            key, present = _NAMED_BOOT[request], self.boot_number
        else:
            return
        if body[key] != present:
            raise RequestRefused(Refusal.MOVED_ON, detail=present)

    def _hello(self, _body: Body) -> Body:
        current = self.store.current
        return {
            HelloReplyKey.VERSIONS: [PROTOCOL_VERSION],
            HelloReplyKey.FIRMWARE: self.identity.firmware,
            HelloReplyKey.FIRMWARE_VERSION: self.identity.firmware_version,
            HelloReplyKey.BOARD: self.identity.board,
            HelloReplyKey.UNIT: self.identity.unit,
            HelloReplyKey.BOOT: self.boot_number,
            HelloReplyKey.SCHEMA_DIGEST: self._packed.digest,
            HelloReplyKey.SCHEMA_SIZE: len(self._packed.deflated),
            HelloReplyKey.LINE: self.limits.line,
            HelloReplyKey.CREDIT: self.limits.credit,
            HelloReplyKey.COMMIT_TIME: self.limits.commit_time,
            HelloReplyKey.ERASE_TIME: self.limits.erase_time,
            HelloReplyKey.APPLY_TIME: self.limits.apply_time,
            HelloReplyKey.CAPABILITIES: int(self.capabilities),
            HelloReplyKey.TOKEN: current.token if current.is_set else None,
            HelloReplyKey.LISTENS: self._listens(),
            HelloReplyKey.GENERATION: self.generation,
        }

    def _get_schema(self, body: Body) -> Body:
        offset, length = _integer(body, GetSchemaKey.OFFSET), _integer(body, GetSchemaKey.LENGTH)
        size = len(self._packed.deflated)
        if offset >= size:
            raise RequestRefused(Refusal.OUT_OF_BOUNDS, detail=size)
        piece = self._packed.deflated[offset : offset + length]
        return {GetSchemaReplyKey.OFFSET: offset, GetSchemaReplyKey.PIECE: piece}

    def _get_values(self, body: Body) -> Body:
        first, count = _integer(body, GetValuesKey.FIRST), len(self.schema.settings)
        if first >= count:
            raise RequestRefused(Refusal.OUT_OF_BOUNDS, detail=count)
        reply: Body = {GetValuesReplyKey.FIRST: first, GetValuesReplyKey.COUNT: count}
        entries = (self._entry(setting) for setting in self.schema.settings[first:])
        reply[GetValuesReplyKey.ENTRIES] = _as_fit(entries, reply, count, self._room)
        return reply

    def _entry(self, setting: Setting) -> Item:
        """Return a field's entry in get-values-reply [6.3]."""
        declared, key = setting.field, setting.key
        value: Value | None = self.stored.get(key)
        held = Held.UNSET if value is None else Held.SET
        if key in self._stored.fell_back:
            held, value = Held.FELL_BACK, self.schema.default_in_force(declared)
        if value is None or declared.is_secret:
            return [key, int(held)]
        if declared.kind is Kind.BLOB:
            assert isinstance(value, bytes)
            return [key, int(held), len(value)]
        return [key, int(held), value]

    def _set_field(self, body: Body) -> Body:
        if SetFieldKey.PART in body:
            return self._set_part(body)
        value = body[SetFieldKey.VALUE]
        assert value is None or isinstance(value, int | str | bytes)
        self._staging.stage(self._setting(body), value)
        return {SetFieldReplyKey.STAGED: len(self.staged)}

    def _set_part(self, body: Body) -> Body:
        offset, total = _integer(body, SetFieldKey.OFFSET), _integer(body, SetFieldKey.TOTAL)
        part = _octets(body, SetFieldKey.PART)
        if offset + len(part) > total:
            raise RequestRefused(Refusal.MALFORMED)
        if Capability.WHOLE_VALUES in self.capabilities:
            raise RequestRefused(Refusal.NOT_OFFERED)
        self._staging.stage_part(self._setting(body), offset, total, part)
        return {
            SetFieldReplyKey.STAGED: len(self.staged),
            SetFieldReplyKey.RECEIVED: self._staging.received,
        }

    def _setting(self, body: Body) -> Setting:
        key = body[SetFieldKey.FIELD]
        assert isinstance(key, str)
        setting = self.schema.setting(key)
        if setting is None:
            raise RequestRefused(Refusal.UNKNOWN_FIELD, key)
        return setting

    def _commit(self, body: Body) -> Body:
        expected = (len(self.staged), staged_digest(self.schema, self.staged))
        if (body[CommitKey.COUNT], body[CommitKey.DIGEST]) != expected:
            self._staging.forget()
            raise RequestRefused(Refusal.SET_DIFFERS)
        fault = check_whole(self.schema, self.stored, self.staged)
        if fault is not None:
            raise RequestRefused(fault.code, fault.field, other=fault.other)
        whole = {**self.stored, **self.staged}
        payload = pack_values(
            self.schema, {key: value for key, value in whole.items() if value is not None}
        )
        with _storage_refused():
            self.store.commit(
                payload,
                _octets(body, CommitKey.TOKEN),
                self._packed.digest,
                on_trial=Capability.TRIAL in self.capabilities,
            )
        self._staging.forget()
        self._come_into_force()
        return {CommitReplyKey.GENERATION: self.generation}

    def _status(self, _body: Body) -> Body:
        report = self._report
        body: Body = {
            StatusReplyKey.STORE: int(self.store_state),
            StatusReplyKey.STAGED: len(self.staged),
            StatusReplyKey.RUN: int(report.run),
            StatusReplyKey.STEP: None if report.step is None else int(report.step),
            StatusReplyKey.ADDRESS: report.address,
            StatusReplyKey.GENERATION: self.generation,
            StatusReplyKey.BOOT: self.boot_number,
        }
        if report.run is Run.FAILED:
            body[StatusReplyKey.REASON] = int(report.reason)
            body[StatusReplyKey.FIELD] = report.field
        if self.store_state is Store.TRIAL:
            body[StatusReplyKey.TRIAL_LEFT] = max(0, self._trial_ends - self._now)
        if self.store_state is Store.INCOMPLETE and self._defect is not None:
            field, other = self._defect.field, self._defect.other
            body[StatusReplyKey.MISSING] = field if other is None else None
            body[StatusReplyKey.CONFLICT] = None if other is None else [field, other]
        return {key: item for key, item in body.items() if item is not None}

    def _discard(self, _body: Body) -> Body:
        self._staging.forget()
        return {}

    def _undo(self, body: Body) -> Body:
        try:
            with _storage_refused():
                self.store.undo(self._serves)
        except NoOlderSet:
            raise RequestRefused(Refusal.NO_OLDER_SET) from None
        self._brought = (MessageType.UNDO, _integer(body, UndoKey.GENERATION), self.generation)
        self._staging.forget()  # parts: nothing else may be staged
        self._come_into_force()
        return {UndoReplyKey.GENERATION: self.generation}

    def _erase(self, _body: Body) -> Body:
        before = self.generation
        try:
            self.store.erase()
        except StorageError:
            if self.generation != before:  # a slot failed when the set was out of force already
                self._take_up_erase()
            raise RequestRefused(Refusal.STORAGE) from None
        self._take_up_erase()
        self._brought = (MessageType.ERASE, before, self.generation)
        return {EraseReplyKey.GENERATION: self.generation}

    def _take_up_erase(self) -> None:
        self._staging.forget()
        self._come_into_force(Erased())

    def _restart(self, _body: Body) -> Body:
        self._restarting = True
        self._events.append(Restarting())
        return {}

    def _confirm(self, body: Body) -> Body:
        with _storage_refused():
            self.store.confirm()
        named = _integer(body, ConfirmKey.GENERATION)
        self._brought = (MessageType.CONFIRM, named, self.generation)
        return {ConfirmReplyKey.GENERATION: self.generation}

    def _survey(self, body: Body) -> Body:
        starts = SurveyKey.SCAN not in body and self._scan.done
        scan = Scan(self._scan.number % _LAST_SCAN + 1, done=False) if starts else self._scan
        first = body.get(SurveyKey.FIRST, 0)
        assert isinstance(first, int)
        if body.get(SurveyKey.SCAN, scan.number) != scan.number or first > len(scan.networks):
            raise RequestRefused(Refusal.OUT_OF_BOUNDS, detail=len(scan.networks))
        if starts:
            self._scan = scan
            self._events.append(SurveyStarted())
        reply: Body = {
            SurveyReplyKey.SCAN: scan.number,
            SurveyReplyKey.DONE: scan.done,
            SurveyReplyKey.COUNT: len(scan.networks),
            SurveyReplyKey.FIRST: first,
        }
        networks: Iterable[Item] = (
            [network.name, network.signal, int(network.security)]
            for network in scan.networks[first:]
        )
        reply[SurveyReplyKey.NETWORKS] = _as_fit(networks, reply, MAX_NETWORKS, self._room)
        return reply

    def _locate(self, _body: Body) -> Body:
        self._events.append(Located())
        return {}

    # ------------------------------------------------------------------------------------- state


def from_declaration(
    declaration: Declaration,
    *,
    flash: Flash | None = None,
    unit: bytes = b"\x01",
    boot_number: int = 1,
    limits: Limits | None = None,
    capabilities: Capability = OFFERED,
    now_ms: int = 0,
) -> Board:
    """Return a board that runs the declared firmware; on a fresh flash unless one is given."""
    board = declaration.board
    return Board(
        declaration.schema,
        Identity(declaration.firmware_name, declaration.firmware_version, board.name, unit),
        FlashStore(flash or Flash(settings_geometry(declaration)), board.slots),
        boot_number,
        limits=limits,
        capabilities=capabilities,
        now_ms=now_ms,
    )


def settings_geometry(declaration: Declaration) -> Geometry:
    """Return the geometry of a board's settings area: as many whole slots as are declared."""
    board = declaration.board
    return Geometry(board.slots * board.slot_size, board.erase_unit, board.program_unit)


@contextmanager
def _storage_refused() -> Iterator[None]:
    """Within it, a fault of the storage is the refusal [6.5]."""
    try:
        yield
    except StorageError:
        raise RequestRefused(Refusal.STORAGE) from None


_NAMED_GENERATION: Mapping[MessageType, int] = {
    MessageType.UNDO: UndoKey.GENERATION,
    MessageType.ERASE: EraseKey.GENERATION,
    MessageType.CONFIRM: ConfirmKey.GENERATION,
}
_NAMED_BOOT: Mapping[MessageType, int] = {
    MessageType.DISCARD: DiscardKey.BOOT,
    MessageType.RESTART: RestartKey.BOOT,
}


def _refusal_body(refused: RequestRefused) -> Body:
    body: dict[int, Item] = {
        RefusalKey.CODE: int(refused.code),
        RefusalKey.FIELD: refused.field,
        RefusalKey.DETAIL: refused.detail,
        RefusalKey.OTHER: refused.other,
    }
    return {key: item for key, item in body.items() if item is not None}


def _as_fit(items: Iterable[Item], reply: Body, most: int, room: int) -> list[Item]:
    """Return as many of the items as fit, in `room` bytes, into an array that joins the reply."""
    room -= len(profile.encode(reply)) + 1  # the array's key
    fitting: list[Item] = []
    for item in items:
        room -= len(profile.encode(item))
        if room < len(profile.encode(len(fitting) + 1)) or len(fitting) == most:  # its head
            break
        fitting.append(item)
    return fitting


def _integer(body: Body, key: int) -> int:
    item = body[key]
    assert isinstance(item, int)
    return item


def _octets(body: Body, key: int) -> bytes:
    item = body[key]
    assert isinstance(item, bytes)
    return item
