# SPDX-License-Identifier: MIT
"""The durable sets of a board: one record in each slot of the flash, the newest one in force.

The format is that of the C stub (firmware_stub/STORAGE.md), so that a flash written by one loads in
the other. All numbers are little-endian, and header, payload and seal each start on a program unit:

    header 48   "PVR1", generation u32, set number u32, kind u8, trial starts left u8, 0 u16,
                token 8, schema digest 8, payload length u32, payload CRC-32C u32, 0 u32,
                CRC-32C of the 44 bytes before
    payload     CBOR sequence (RFC 8742) of [full key, tag, value], in schema order
    seal 8      "SEAL", header CRC-32C inverted; written after header and payload were read back

A record is written into a slot that does not hold a set worth keeping, so a power cut at any
moment leaves the set in force. Nothing is believed that was not read back.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from enum import IntEnum

from provision.board.flash import ERASED, Flash, FlashError
from provision.contract import profile
from provision.contract.line import crc32c
from provision.contract.profile import ProfileError
from provision.settings.capacity import record_size
from provision.settings.carrying import convert, older_keys, tag
from provision.settings.model import Schema, Value
from provision.settings.values import check_value

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
_LAST_GENERATION = 2**32 - 1


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
    """Counts every record; the highest is in force."""

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


@dataclass(frozen=True, slots=True)
class Stored:
    """What a record means to a schema (clauses 9.6 and 10)."""

    values: dict[str, Value] = field(default_factory=dict, repr=False)
    """Full key to value, in schema order."""

    fell_back: frozenset[str] = frozenset()
    """Full keys for which something is stored that this schema refuses."""


def pack_values(schema: Schema, values: Mapping[str, Value]) -> bytes:
    """Return the payload that holds the values, as many as are set."""
    return b"".join(
        profile.encode([setting.key, tag(setting.field), values[setting.key]])
        for setting in schema.settings
        if setting.key in values
    )


def unpack_values(schema: Schema, payload: bytes) -> Stored:
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
    return Stored(values, frozenset(fell_back))


class Store:
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
        self._slots: list[Record | None] = [None] * slot_count  # None: not valid and sealed
        self.current = Record(RecordKind.VOID)

    @property
    def slot_count(self) -> int:
        """How many records there is room for."""
        return len(self._slots)

    def boot(self, *, offers_trial: bool) -> None:
        """Read every slot and mend what a power cut left. Comes before the first answer of a start.

        A set on trial uses up one start, and the older set comes back when they are used up. Where
        the firmware offers no trial, or no older set can be read, a set on trial is kept.
        """
        self._slots = [self._read(slot) for slot in range(self.slot_count)]
        self.current = self._newest() or Record(RecordKind.VOID)
        self._mend()
        if not self.current.on_trial:
            return
        try:
            if not offers_trial or self._confirmed() is None:
                self.confirm()
            elif self.current.trial_starts > 1:
                self._append(replace(self.current, trial_starts=self.current.trial_starts - 1))
            else:
                self.end_trial()
        except StorageError:
            pass  # what was in force still is, and the next start tries again

    def commit(self, payload: bytes, token: bytes, schema_digest: bytes, *, on_trial: bool) -> None:
        """Put a new set in force; on trial if an older set is there to fall back to."""
        self._append(
            Record(
                RecordKind.SET,
                set_number=self._next_set_number(),
                trial_starts=TRIAL_STARTS if on_trial and self.current.is_set else 0,
                token=token,
                schema_digest=schema_digest,
                payload=payload,
            )
        )

    def confirm(self) -> None:
        """Keep the set that is on trial."""
        self._append(replace(self.current, trial_starts=0))

    def end_trial(self) -> None:
        """Put the confirmed set in force again."""
        confirmed = self._confirmed()
        assert confirmed is not None, "boot() and commit() leave no set on trial without one"
        self._append(confirmed)

    def undo(self, serves: Callable[[bytes], bool]) -> None:
        """Put the newest set in force that is older than the current one and another commit.

        serves: whether a set with this payload is complete under the present firmware. Raises
        NoOlderSet if there is no older set, or it does not serve; a set on trial goes back to the
        confirmed one.
        """
        older = self._confirmed() if self.current.on_trial else self._older()
        if older is None or not serves(older.payload):
            raise NoOlderSet
        self._append(replace(older, set_number=self._next_set_number(), trial_starts=0))

    def erase(self) -> None:
        """Put a void record into every slot; returns after each was read back.

        On StorageError `current` tells whether the void record is in force already: then no set
        comes back, but the cells of the slot that failed may still hold one.
        """
        self._append(Record(RecordKind.VOID, set_number=self._next_set_number()))
        if not self._finish_erase():
            raise StorageError

    def _mend(self) -> None:
        """Rewrite every slot that an interrupted write, or an interrupted erase, left behind."""
        erased = not self.current.is_set and self.current.generation > 0
        if erased:
            self._finish_erase()
            return
        for slot, record in enumerate(self._slots):
            if record is None:
                self._try_write(slot, Record(RecordKind.VOID))

    def _finish_erase(self) -> bool:
        """Write the void record in force into every slot that lacks it; whether all took it."""
        void = self.current
        wrong = [slot for slot, record in enumerate(self._slots) if record != void]
        taken = [self._try_write(slot, void) for slot in wrong]  # all, even if one fails
        return all(taken)

    def _append(self, record: Record) -> None:
        """Write a record as the newest one; it is in force afterwards."""
        if self.current.generation == _LAST_GENERATION:
            raise StorageError  # a newer record would count as the oldest, and be lost
        record = replace(record, generation=self.current.generation + 1)
        if not self._try_write(self._victim(), record):
            raise StorageError
        self.current = record

    def _next_set_number(self) -> int:
        numbers = [record.set_number for record in self._slots if record]
        return (max(numbers, default=0) + 1) % 2**32

    def _victim(self) -> int:
        """Return the slot to write next: the one whose record is missed least.

        Never, as far as the slots suffice: the record in force, the newest confirmed set, and the
        next-newest record, which is in force again should the newest not be readable at the next
        start.
        """
        by_age = sorted(range(self.slot_count), key=self._generation, reverse=True)
        confirmed = next((slot for slot in by_age if self._holds_confirmed(slot)), by_age[0])
        kept = list(dict.fromkeys((by_age[0], confirmed, by_age[1])))[: self.slot_count - 1]
        return next(slot for slot in reversed(by_age) if slot not in kept)

    def _holds_confirmed(self, slot: int) -> bool:
        record = self._slots[slot]
        return record is not None and record.is_confirmed_set

    def _generation(self, slot: int) -> int:
        record = self._slots[slot]
        return -1 if record is None else record.generation

    def _newest(self, wanted: Callable[[Record], bool] = bool) -> Record | None:
        candidates = (record for record in self._slots if record and wanted(record))
        return max(candidates, key=lambda record: record.generation, default=None)

    def _confirmed(self) -> Record | None:
        return self._newest(lambda record: record.is_confirmed_set)

    def _older(self) -> Record | None:
        return self._newest(
            lambda record: (
                record.is_set
                and record.set_number != self.current.set_number
                and record.token != self.current.token
            )
        )

    # ---------------------------------------------------------------------- records in the flash

    def _read(self, slot: int) -> Record | None:
        """Return the record of a slot; None unless it is valid, sealed and readable."""
        try:
            raw = self.flash.read(slot * self._slot_size, _HEADER_SIZE)
            fields, (header_crc,) = raw[: _HEADER.size], _NUMBER.unpack(raw[_HEADER.size :])
            magic, generation, number, kind, starts, _, token, digest, size, payload_crc, _ = (
                _HEADER.unpack(fields)
            )
            if magic != _MAGIC or crc32c(fields) != header_crc:
                return None
            if (
                kind not in set(RecordKind)
                or record_size(size, self.flash.geometry.program_unit) > self._slot_size
            ):
                return None
            at = slot * self._slot_size + self._padded(_HEADER_SIZE)
            payload = self.flash.read(at, size)
            seal = self.flash.read(at + self._padded(size), _SEAL.size)
            if crc32c(payload) != payload_crc or seal != _seal(header_crc):
                return None
            _entries(payload)
        except (FlashError, ProfileError):
            return None
        return Record(RecordKind(kind), generation, number, starts, token, digest, payload)

    def _try_write(self, slot: int, record: Record) -> bool:
        """Write a record into a slot and read it back; whether that worked."""
        self._slots[slot] = None
        try:
            self._write(slot, record)
        except FlashError:
            pass
        else:
            if self._read(slot) == record:
                self._slots[slot] = record
                return True
        # A seal that was reported as failed may have taken: a set that was refused must not be in
        # force at the next start. Where this fails too, that start finds the slot, or mends it.
        with suppress(FlashError):
            self._erase(slot)
        return False

    def _write(self, slot: int, record: Record) -> None:
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
        if record_size(len(record.payload), self.flash.geometry.program_unit) > self._slot_size:
            raise FlashError
        self._erase(slot)
        at = slot * self._slot_size
        for part in (fields + _NUMBER.pack(header_crc), record.payload):
            self._program(at, part)
            if self.flash.read(at, len(part)) != part:
                raise FlashError
            at += self._padded(len(part))
        self._program(at, _seal(header_crc))

    def _erase(self, slot: int) -> None:
        start = slot * self._slot_size
        for offset in range(start, start + self._slot_size, self.flash.geometry.erase_unit):
            self.flash.erase(offset)

    def _program(self, offset: int, data: bytes) -> None:
        unit = self.flash.geometry.program_unit
        data = data.ljust(self._padded(len(data)), bytes([ERASED]))
        for start in range(0, len(data), unit):
            self.flash.program(offset + start, data[start : start + unit])

    def _padded(self, size: int) -> int:
        return _round_up(size, self.flash.geometry.program_unit)


def _entries(payload: bytes) -> dict[str, tuple[int, Value]]:
    """Return full key to tag and value; ProfileError if it is no sequence of such entries."""
    entries: dict[str, tuple[int, Value]] = {}
    at = 0
    while at < len(payload):
        end = at + 1  # past the head of the entry's array
        for _ in range(3):
            end = _after_scalar(payload, end)
        match profile.decode(payload[at:end]):
            case [str(key), int(stored_tag), int() | str() | bytes() as value]:
                entries[key] = (stored_tag, value)
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


def _round_up(size: int, unit: int) -> int:
    return -(-size // unit) * unit
