# SPDX-License-Identifier: MIT
"""The durable sets of a board: one record in each slot of the flash, the newest one in force.

The format is that of the C stub (firmware_stub/STORAGE.md), so that a flash written by one loads in
the other. All numbers are little-endian, and header, payload and seal each start on a program unit:

    header 48   "PVR1", generation u32, set number u32, kind u8, trial starts left u8, 0 u16,
                token 8, schema digest 8, payload length u32, payload CRC-32C u32, 0 u32,
                CRC-32C of the 44 bytes before
    payload     CBOR sequence (RFC 8742) of [full key, tag, value], in schema order
    seal 8      "SEAL", header CRC-32C inverted; written after header and payload were read back

A record is written into a slot that holds no set worth keeping, so that a power cut at any moment
leaves the old set or the new one. A record is valid when header and payload are right by their
CRCs and the payload is such a sequence, and sealed when its seal is right too.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping, Set
from contextlib import suppress
from dataclasses import dataclass, field, replace
from enum import IntEnum

from provision.board.flash import ERASED, Flash, FlashError
from provision.contract import profile
from provision.contract.line import crc32c
from provision.contract.profile import ProfileError
from provision.schema.capacity import record_size
from provision.schema.migration import convert, older_keys, tag
from provision.schema.model import Schema, Value
from provision.schema.values import check_value

TRIAL_STARTS = 3
"""At how many starts in a trial the older set comes back: the last of them brings it back."""

NO_TOKEN = bytes(8)
NO_DIGEST = bytes(8)

_MAGIC = b"PVR1"
_SEAL_MAGIC = b"SEAL"
_HEADER = struct.Struct("<4sIIBBH8s8sIII")
_NUMBER = struct.Struct("<I")
_SEAL = struct.Struct("<4sI")
_HEADER_SIZE = _HEADER.size + _NUMBER.size
_NUMBERS = 2**32


class RecordKind(IntEnum):
    """What a record says."""

    SET = 1
    """These values are set."""

    VOID = 2
    """Nothing is set: never was (generation 0), or was erased."""


class StorageError(Exception):
    """The record could not be written and read back; what was in force still is."""


class NoOlderSet(Exception):  # noqa: N818 - an answer, not an error of the code
    """There is no set to go back to, or it does not serve this firmware."""


@dataclass(frozen=True, slots=True)
class Record:
    """One record as a slot holds it; its payload never shows in a repr."""

    kind: RecordKind
    generation: int = 0
    """Counts every record, and wraps to 1; the newest is in force. 0: it only fills a slot."""

    set_number: int = 0
    """The same for the copies of a set: on trial, counted down, confirmed."""

    trial_starts: int = 0
    """How many more starts the set stays on trial; 0: it is confirmed."""

    token: bytes = NO_TOKEN
    schema_digest: bytes = NO_DIGEST
    payload: bytes = field(default=b"", repr=False)

    @property
    def is_set(self) -> bool:
        """Whether it holds a set, on trial or not."""
        return self.kind is RecordKind.SET

    @property
    def on_trial(self) -> bool:
        """Whether it holds a set that is not confirmed."""
        return self.is_set and self.trial_starts > 0

    @property
    def is_confirmed_set(self) -> bool:
        """Whether it holds a set that a trial may fall back to."""
        return self.is_set and self.trial_starts == 0


_NOTHING = Record(RecordKind.VOID)


@dataclass(frozen=True, slots=True)
class DecodedSet:
    """What a record means to a schema (clauses 9.6 and 10)."""

    values: dict[str, Value] = field(default_factory=dict, repr=False)
    """Full key to value, in schema order."""

    fell_back: frozenset[str] = frozenset()
    """Full keys for which something is stored that this schema refuses."""


def _is_newer(one: int, other: int) -> bool:
    """Whether a generation, or set number, comes after another.

    They are serial numbers (RFC 1982): the newer one is less than 2^31 ahead. 0 is older than all.
    """
    if 0 in (one, other):
        return one > other
    return 0 < (one - other) % _NUMBERS < _NUMBERS // 2


def _number_after(numbers: Iterable[int]) -> int:
    """Return what comes after the newest of them; after 2^32-1 that is 1."""
    newest = 0
    for number in numbers:
        newest = number if _is_newer(number, newest) else newest
    return newest % (_NUMBERS - 1) + 1


def pack_values(schema: Schema, values: Mapping[str, Value]) -> bytes:
    """Return the payload that holds the values, as many as are set."""
    return b"".join(
        profile.encode([setting.key, tag(setting.field), values[setting.key]])
        for setting in schema.settings
        if setting.key in values
    )


def unpack_values(schema: Schema, payload: bytes) -> DecodedSet:
    """Return what a payload, perhaps of other firmware, means to this schema (clause 10).

    A setting is found by its full key, else by its older ones, and taken if its kind, unit and
    digits fit and its value passes the checks. Raises ProfileError if it is no payload.
    """
    entries = _entries(payload)
    values: dict[str, Value] = {}
    fell_back = set()
    for setting in schema.settings:
        keys = (setting.key, *older_keys(setting))
        entry = next((entries[key] for key in keys if key in entries), None)
        if entry is None:
            continue
        stored_tag, stored = entry
        value = convert(stored_tag, setting.field, stored)
        if value is not None and check_value(setting.field, value, schema) is None:
            values[setting.key] = value
        else:
            fell_back.add(setting.key)
    return DecodedSet(values, frozenset(fell_back))


@dataclass(slots=True)
class _Slot:
    """What is known of one slot."""

    record: Record | None = None
    """None: none that is valid, which is to say with header and payload right by their CRCs."""

    sealed: bool = False
    """Whether the seal of a valid record is right too."""

    worn: bool = False
    """It could not be written since the start: the last to be taken again."""


@dataclass(frozen=True, slots=True)
class _Age:
    """Orders valid slots: by generation, and of several with the same a sealed one last."""

    generation: int
    sealed: bool

    def __lt__(self, other: _Age) -> bool:
        if self.generation == other.generation:
            return self.sealed < other.sealed
        return _is_newer(other.generation, self.generation)


class FlashStore:
    """The slots of a flash. After boot(), `current` is the record in force.

    Every method that writes raises StorageError where the flash fails, and lets PowerCut through.
    """

    def __init__(self, flash: Flash, slot_count: int) -> None:
        """slot_count: 2 to 8; trial and undo need three, and four keep every promise made.

        Raises ValueError for another count, or for a flash that has too few erase units.
        """
        geometry = flash.geometry
        self._slot_size = (
            geometry.size // max(slot_count, 1) // geometry.erase_unit * geometry.erase_unit
        )
        if not 2 <= slot_count <= 8 or self._slot_size < record_size(0, geometry.program_unit):
            raise ValueError(
                f"A settings area of {geometry.size} bytes in erase units of {geometry.erase_unit}"
                f" has no {slot_count} slots; 2 to 8 are admitted."
            )
        self.flash = flash
        self._slots = [_Slot() for _ in range(slot_count)]
        self._in_force: int | None = None  # the slot

    @property
    def slot_count(self) -> int:
        """How many records there is room for."""
        return len(self._slots)

    @property
    def current(self) -> Record:
        """The record in force; on a flash that holds none, a void one."""
        return _NOTHING if self._in_force is None else self._record(self._in_force)

    def boot(self, *, offers_trial: bool) -> None:
        """Read every slot and mend what a power cut left. Comes before the first answer of a start.

        A set on trial uses up one start, and the older set comes back when they are used up. Where
        the firmware offers no trial, or no older set can be read, a set on trial is kept.
        """
        self._slots = [self._examine(slot) for slot in range(self.slot_count)]
        self._in_force = None
        with suppress(StorageError):  # then it is unsealed still, and the next start tries again
            self._settle()
        self._in_force = self._newest(self._ever_written())
        with suppress(StorageError):  # then mending copies the one that is there
            self._renew_void()
        self._mend()
        if not self.current.on_trial:
            return
        with suppress(StorageError):  # what was in force still is, and the next start tries again
            if not offers_trial or self._confirmed(self._valid()) is None:
                self.confirm()
            elif self.current.trial_starts > 1:
                self._copy(self._in_force, trial_starts=self.current.trial_starts - 1)
            else:
                self.end_trial()

    def commit(self, payload: bytes, token: bytes, schema_digest: bytes, *, on_trial: bool) -> None:
        """Put a new set in force; on trial if an older set is there to fall back to.

        StorageError also if the set does not fit into a slot.
        """
        if record_size(len(payload), self.flash.geometry.program_unit) > self._slot_size:
            raise StorageError
        record = Record(
            RecordKind.SET,
            set_number=self._next_set_number(),
            trial_starts=TRIAL_STARTS if on_trial and self.current.is_set else 0,
            token=token,
            schema_digest=schema_digest,
            payload=payload,
        )
        self._publish(record, self._kept())

    def confirm(self) -> None:
        """Keep the set that is on trial."""
        self._copy(self._in_force, trial_starts=0)

    def end_trial(self) -> None:
        """Put the confirmed set in force again; with none to go back to, keep the present one."""
        confirmed = self._confirmed(self._valid())
        self._copy(self._in_force if confirmed is None else confirmed, trial_starts=0)

    def undo(self, serves: Callable[[bytes], bool]) -> None:
        """Put the newest set in force that is older than the current one and another commit.

        serves: whether a set with this payload is complete under the present firmware. Raises
        NoOlderSet if there is no older set, or it does not serve. In a trial that is the set to
        which a bad end goes back.
        """
        older = self._older()
        if older is None or not serves(self._record(older).payload):
            raise NoOlderSet
        self._copy(older, set_number=self._next_set_number(), trial_starts=0)

    def erase(self) -> None:
        """Put a void record into every slot; returns after each was read back.

        On StorageError `current` tells whether the void record is in force already: then no set
        comes back, but the cells of the slot that failed may still hold one.
        """
        void = Record(RecordKind.VOID, set_number=self._next_set_number())
        self._publish(void, self._kept())
        if not self._mend():
            raise StorageError

    # ------------------------------------------------------------------------------ at a start

    def _settle(self) -> None:
        """See to it that the newest valid record is sealed, and will be at every later start.

        A seal that was cut short may read right at one start, of which a host was told, and wrong
        at the next. Header and payload were read back before it was begun, and stay. So a valid
        record counts, and one whose seal does not read right is written anew: over neither itself,
        nor a copy that an interrupted settling left, nor what comes after them all. Where there is
        no slot for that, it is taken back.
        """
        self._forget_twins()
        while (newest := self._newest(self._ever_written())) is not None:
            written = self._ever_written()
            copies = {slot for slot in written if self._is_copy(slot, newest)}
            after = self._newest(written - copies)
            if after is not None:
                copies = {slot for slot in copies if self._age(after) < self._age(slot)}
            sealed = {slot for slot in copies if self._slots[slot].sealed}
            if copies == sealed:
                return
            source = min(copies, key=self._age)  # the one that a host may have been told of
            keep = {after, self._confirmed(written - copies)}
            if self._pick(keep | copies) is not None:
                keep |= copies
            elif sealed:
                source = max(sealed, key=self._age)
            elif self._pick(keep | {source}) is None:
                self._forget(copies)
                continue
            self._publish(self._record(source), keep | {source})
            self._forget(copies - {self._in_force})
            return

    def _forget_twins(self) -> None:
        """Of the records that an erase wrote, leave the unsealed to be mended if one is sealed.

        One that reads as sealed stays valid, so that the others need no settling.
        """
        sealed = {slot for slot in self._valid() if self._slots[slot].sealed}
        generations = {self._record(slot).generation for slot in sealed}
        unsealed = self._valid() - sealed
        self._forget({slot for slot in unsealed if self._record(slot).generation in generations})

    def _forget(self, slots: Set[int | None]) -> None:
        """Take records back: these slots hold none from here on, and are mended."""
        for slot in self._valid() & slots:
            self._slots[slot] = _Slot()

    def _renew_void(self) -> None:
        """After an erase that was cut short, put a void record of this power cycle in force.

        A void record that is alone may have a torn seal; a copy that is cut short too could then
        not be told from it, and settling might keep the one that vanishes. Where two hold the
        record, the first had been written whole. Two slots do not withstand a second cut.
        """
        void = self.current
        holding = sum(slot.sealed and slot.record == void for slot in self._slots)
        if not void.is_set and void.generation > 0 and holding == 1 and self.slot_count > 2:
            self._copy(self._in_force, trial_starts=0)

    def _mend(self) -> bool:
        """Rewrite what a write that was cut short, or an erase, left; whether all took it.

        After an erase every slot must hold its void record, or a set would come back one day.
        """
        keep = self._kept()
        right = True
        for number, slot in enumerate(self._slots):
            fits = slot.sealed and (self.current.is_set or slot.record == self._void)
            if not fits and number not in keep:
                right = self._write(number, self._void) and right
        return right

    # -------------------------------------------------------------------------- choosing slots

    def _record(self, slot: int) -> Record:
        record = self._slots[slot].record
        assert record is not None
        return record

    @property
    def _void(self) -> Record:
        """What fills a slot; after an erase a copy of its record, so that the generation lasts."""
        return _NOTHING if self.current.is_set else self.current

    def _age(self, slot: int) -> _Age:
        return _Age(self._record(slot).generation, self._slots[slot].sealed)

    def _valid(self) -> set[int]:
        return {number for number, slot in enumerate(self._slots) if slot.record is not None}

    def _ever_written(self) -> set[int]:
        """Return the valid slots whose record came by a request."""
        return {slot for slot in self._valid() if self._record(slot).generation > 0}

    def _newest(self, among: set[int]) -> int | None:
        return max(among, key=self._age, default=None)

    def _is_copy(self, slot: int, other: int) -> bool:
        return replace(self._record(slot), generation=0) == replace(
            self._record(other), generation=0
        )

    def _confirmed(self, among: set[int]) -> int | None:
        """Return the slot of the set that a trial which ends badly goes back to."""
        return self._newest({slot for slot in among if self._record(slot).is_confirmed_set})

    def _older(self) -> int | None:
        """Return the slot of the set that undo goes back to."""
        current = self.current
        if current.on_trial:
            return self._confirmed(self._valid())
        return self._newest(
            {
                slot
                for slot in self._valid()
                if current.is_set
                and self._record(slot).is_set
                and self._record(slot).set_number != current.set_number
            }
        )

    def _kept(self) -> set[int | None]:
        """Return what is not overwritten: the record in force, and what undo or a trial needs."""
        # Two slots cannot keep the latter.
        return {self._in_force, self._older()} if self.slot_count > 2 else {self._in_force}

    def _pick(self, keep: Set[int | None]) -> int | None:
        """Return the slot to write next: one that holds nothing, else the oldest."""
        open_slots = set(range(self.slot_count)) - keep
        sound = {slot for slot in open_slots if not self._slots[slot].worn} or open_slots
        blank = sound - self._valid()
        return min(blank, default=None) if blank else min(sound, key=self._age, default=None)

    def _next_set_number(self) -> int:
        return _number_after(self._record(slot).set_number for slot in self._valid())

    # --------------------------------------------------------------------------------- writing

    def _copy(self, slot: int | None, *, trial_starts: int, set_number: int | None = None) -> None:
        """Write a copy of a slot's record as the newest, of the same set if not said otherwise."""
        assert slot is not None
        record = self._record(slot)
        number = record.set_number if set_number is None else set_number
        record = replace(record, trial_starts=trial_starts, set_number=number)
        self._publish(record, self._kept() | {slot})

    def _publish(self, record: Record, keep: Set[int | None]) -> None:
        """Write a record as the newest, into a slot that is not to be kept; it is in force then.

        Where a slot does not take it, another may.
        """
        last = (self._record(each).generation for each in self._valid())
        record = replace(record, generation=_number_after(last))
        while (slot := self._pick(keep)) is not None:
            if self._write(slot, record):
                self._in_force = slot
                return
            # It may still read as valid at the next start, and would be in force then.
            self._write(slot, self._void)
            self._slots[slot].worn = True
            keep = {*keep, slot}
        raise StorageError

    def _write(self, number: int, record: Record) -> bool:
        """Make a slot hold this record, sealed; whether that worked."""
        slot = self._slots[number] = _Slot(worn=self._slots[number].worn)
        try:
            header_crc = self._write_unsealed(number, record)
            if self._examine_once(number).record == record:
                self._program(self._seal_at(number, record), _seal(header_crc))
                self._slots[number] = slot = self._examine_once(number)
        except FlashError:
            pass
        if slot.record == record and slot.sealed:
            return True
        self._slots[number] = _Slot(worn=True)
        return False

    def _write_unsealed(self, number: int, record: Record) -> int:
        """Erase a slot, write header and payload, and return the header's CRC."""
        start = number * self._slot_size
        for offset in range(start, start + self._slot_size, self.flash.geometry.erase_unit):
            self.flash.erase(offset)
        fields = _HEADER.pack(
            _MAGIC,
            record.generation,
            record.set_number,
            record.kind,
            record.trial_starts,
            0,
            record.token,
            record.schema_digest,
            len(record.payload),
            crc32c(record.payload),
            0,
        )
        header_crc = crc32c(fields)
        self._program(start, fields + _NUMBER.pack(header_crc))
        self._program(start + self._padded(_HEADER_SIZE), record.payload)
        return header_crc

    def _program(self, offset: int, data: bytes) -> None:
        unit = self.flash.geometry.program_unit
        data = data.ljust(self._padded(len(data)), bytes([ERASED]))
        for start in range(0, len(data), unit):
            self.flash.program(offset + start, data[start : start + unit])

    def _seal_at(self, number: int, record: Record) -> int:
        start = number * self._slot_size
        return start + self._padded(_HEADER_SIZE) + self._padded(len(record.payload))

    def _padded(self, size: int) -> int:
        unit = self.flash.geometry.program_unit
        return -(-size // unit) * unit

    # --------------------------------------------------------------------------------- reading

    def _examine(self, number: int) -> _Slot:
        """Read a slot; what does not read right is read again before it is given up."""
        slot = self._examine_once(number)
        return slot if slot.sealed else self._examine_once(number)

    def _examine_once(self, number: int) -> _Slot:
        """Read a slot. What cannot be read, or is wrong, is not there."""
        try:
            record, header_crc = self._read(number)
        except (FlashError, ProfileError):
            return _Slot()
        try:
            seal = self.flash.read(self._seal_at(number, record), _SEAL.size)
        except FlashError:
            seal = b""
        return _Slot(record, sealed=seal == _seal(header_crc))

    def _read(self, number: int) -> tuple[Record, int]:
        """Return the valid record of a slot and its header's CRC."""
        start = number * self._slot_size
        raw = self.flash.read(start, _HEADER_SIZE)
        fields, (header_crc,) = raw[: _HEADER.size], _NUMBER.unpack(raw[_HEADER.size :])
        magic, generation, set_number, kind, starts, _, token, digest, size, payload_crc, _ = (
            _HEADER.unpack(fields)
        )
        right = magic == _MAGIC and crc32c(fields) == header_crc and kind in set(RecordKind)
        if not right or record_size(size, self.flash.geometry.program_unit) > self._slot_size:
            raise FlashError
        payload = self.flash.read(start + self._padded(_HEADER_SIZE), size)
        if crc32c(payload) != payload_crc:
            raise FlashError
        _entries(payload)
        record = Record(RecordKind(kind), generation, set_number, starts, token, digest, payload)
        return record, header_crc


def _entries(payload: bytes) -> dict[str, tuple[int, Value]]:
    """Return full key to tag and value; ProfileError if it is no sequence of such entries.

    A value is a number, text, bytes or yes-no. Of two entries with one key the first counts.
    """
    entries: dict[str, tuple[int, Value]] = {}
    at = 0
    while at < len(payload):
        end = at + 1  # past the head of the entry's array
        for _ in range(3):
            end = _after_scalar(payload, end)
        match profile.decode(payload[at:end]):
            case [str(key), int(stored_tag), int() | str() | bytes() as value] if (
                type(stored_tag) is int and stored_tag >= 0
            ):
                entries.setdefault(key, (stored_tag, value))
            case _:
                raise ProfileError("an entry is not a key, a tag and a value")
        at = end
    return entries


def _after_scalar(data: bytes, at: int) -> int:
    """Return where the item ends that begins at a position; its own form is checked elsewhere."""
    major, argument = divmod(data[at], 32) if at < len(data) else (0, 0)
    start = at + 1
    if argument in (24, 25, 26):  # the argument follows in 1, 2 or 4 bytes (RFC 8949 clause 3)
        start += 1 << (argument - 24)
        argument = int.from_bytes(data[at + 1 : start])
    return start + argument if major in (2, 3) else start


def _seal(header_crc: int) -> bytes:
    return _SEAL.pack(_SEAL_MAGIC, header_crc ^ 0xFFFFFFFF)
