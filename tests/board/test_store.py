# SPDX-License-Identifier: MIT
"""The store: the record's bits, which slot is written, what a start mends, trial, undo, erase."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace

import pytest
from crc import Calculator, Configuration

from provision.board.flash import (
    Faults,
    Flash,
    FlashError,
    Geometry,
    Operation,
    OperationKind,
    Tear,
)
from provision.board.store import (
    FlashStore,
    NoOlderSet,
    Record,
    RecordKind,
    StorageError,
    pack_values,
    unpack_values,
)
from provision.contract.profile import ProfileError, encode
from provision.contract.table import Kind
from provision.schema.migration import tag
from provision.schema.model import Field, Repeat, Schema, Section, Value
from tests.board.host import GEOMETRY, ORCHARD, TOKENS, fresh_flash

# CRC-32/ISCSI of the reveng catalogue, by a library that the product does not use.
CRC32C = Calculator(
    Configuration(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, reverse_input=True, reverse_output=True)
)
DIGEST = bytes(range(8))
SLOT = GEOMETRY.size // 4


def payload(number: int) -> bytes:
    """A payload that only the set with this number has."""
    return encode(["net.name", 8, bytes([number])])


def opened(flash: Flash, slots: int = 4, *, offers_trial: bool = False) -> FlashStore:
    """A store on this flash after a start."""
    store = FlashStore(flash, slots)
    store.boot(offers_trial=offers_trial)
    return store


def with_sets(count: int, slots: int = 4) -> FlashStore:
    """A store with sets 1 to count, each committed over the one before."""
    store = opened(fresh_flash(), slots)
    for number in range(1, count + 1):
        store.commit(payload(number), TOKENS[number], DIGEST, on_trial=False)
    return store


def serves(_payload: bytes) -> bool:
    """Whether a set is complete: each of these is."""
    return True


def raw_record(
    number: int,
    *,
    generation: int,
    kind: int = 1,
    starts: int = 0,
    magic: bytes = b"PVR1",
    content: bytes | None = None,
    identity: bytes | None = None,
) -> bytes:
    """The bytes of a record, laid out by hand from the format's description."""
    content = payload(number) if content is None else content
    identity = TOKENS[number] + DIGEST if identity is None else identity
    fields = magic + struct.pack("<IIBBH", generation, number, kind, starts, 0)
    fields += identity
    fields += struct.pack("<III", len(content), CRC32C.checksum(content), 0)
    crc = CRC32C.checksum(fields)
    seal = b"SEAL" + struct.pack("<I", crc ^ 0xFFFFFFFF)
    parts = (fields + struct.pack("<I", crc), content, seal)
    return b"".join(part + b"\xff" * (-len(part) % GEOMETRY.program_unit) for part in parts)


def image(*records: bytes) -> Flash:
    """Flash whose slots hold these records."""
    slots = [record.ljust(SLOT, b"\xff") for record in records]
    return Flash(GEOMETRY, b"".join(slots).ljust(GEOMETRY.size, b"\xff"))


class Broken(Faults):
    """Changes that this picks fail; reads at these offsets fail."""

    def __init__(
        self,
        picks: Callable[[Operation], bool] | None = None,
        unreadable: range = range(0),
    ) -> None:
        self._picks = picks
        self._unreadable = unreadable

    def changing(self, operation: Operation) -> Tear | None:
        """See Faults."""
        if self._picks is not None and self._picks(operation):
            raise FlashError
        return None

    def reading(self, offset: int, content: bytes) -> bytes:
        """See Faults."""
        if set(range(offset, offset + len(content))) & set(self._unreadable):
            raise FlashError
        return content


# ------------------------------------------------------------------------------------ the format


def test_a_record_has_the_bits_of_the_format() -> None:
    """Header, payload and seal, each from a program unit on, as STORAGE.md lays them out."""
    store = with_sets(1)
    slots = [store.flash.content[at : at + SLOT] for at in range(0, GEOMETRY.size, SLOT)]
    expected = raw_record(1, generation=1).ljust(SLOT, b"\xff")
    assert expected in slots
    assert opened(image(expected)).current == store.current


def test_a_fresh_board_holds_sealed_void_records() -> None:
    """The first start leaves no slot that a later start would have to judge."""
    flash = fresh_flash()
    store = opened(flash)
    assert store.current == Record(RecordKind.VOID)
    void = raw_record(0, generation=0, kind=2, content=b"", identity=bytes(16))
    assert flash.content == void.ljust(SLOT, b"\xff") * 4
    changes = flash.changes
    opened(flash)
    assert flash.changes == changes


def test_every_flipped_bit_is_found_or_harmless() -> None:
    """With any one bit of the newest record wrong, it or the one before is in force, whole."""
    older, newest = raw_record(1, generation=1), raw_record(2, generation=2)
    lost = 0
    for bit in range(len(newest) * 8):
        damaged = bytearray(newest)
        damaged[bit // 8] ^= 1 << bit % 8
        store = opened(image(older, bytes(damaged)))
        assert store.current.payload in (payload(1), payload(2))
        assert store.current.token == TOKENS[store.current.set_number]
        lost += store.current.payload == payload(1)
    # All of header and payload count; a seal that reads wrong is written anew, padding is nothing.
    assert lost == (48 + len(payload(2))) * 8


@pytest.mark.parametrize(
    "record",
    [
        raw_record(2, generation=2, magic=b"PVR2"),
        raw_record(2, generation=2, kind=3),
        raw_record(2, generation=2, content=b"\x83\x61a"),
        raw_record(2, generation=2, content=b"\x83\x61a\x01\xf6"),
        raw_record(2, generation=2, content=b"\x82\x61a\x01\x01"),
        raw_record(2, generation=2, content=b"\x83\x61a\x01\x19\x01"),
        raw_record(2, generation=2, content=bytes(SLOT)),
    ],
)
def test_what_is_no_record_of_this_format_is_not_there(record: bytes) -> None:
    """Right CRCs make no record out of another format, or of a payload that is no sequence."""
    flash = image(raw_record(1, generation=1), record[:SLOT])
    assert opened(flash).current.payload == payload(1)


@pytest.mark.parametrize("slots", [0, 1, 9])
def test_the_count_of_slots_is_bounded(slots: int) -> None:
    """Two slots at least, eight at most."""
    with pytest.raises(ValueError, match="slots"):
        FlashStore(fresh_flash(), slots)


def test_a_slot_must_have_room_for_a_record() -> None:
    """An area of which no slot holds even an empty record is refused."""
    with pytest.raises(ValueError, match="slots"):
        FlashStore(Flash(Geometry(size=128, erase_unit=32, program_unit=16)), 4)


# ------------------------------------------------------------------------------------ in force


def test_the_newest_set_is_in_force_after_every_start() -> None:
    """Through more commits than there are slots, each start finds the last set."""
    for count in range(1, 10):
        store = with_sets(count)
        for flash in (store.flash, Flash(GEOMETRY, store.flash.content)):
            current = opened(flash).current
            assert (current.payload, current.token) == (payload(count), TOKENS[count])
            assert (current.generation, current.set_number) == (count, count)


def test_a_slot_is_erased_in_the_start_that_writes_it() -> None:
    """No program meets a unit that an earlier start erased: that erase may have been cut short."""
    store = with_sets(3)

    class Watch(Faults):
        erased: set[int] = set()  # noqa: RUF012 - of one test

        def changing(self, operation: Operation) -> Tear | None:
            unit = operation.offset // GEOMETRY.erase_unit
            if operation.change is OperationKind.ERASE:
                self.erased.add(unit)
            assert unit in self.erased
            return None

    store.flash.power_up(Watch())
    store = opened(store.flash)
    store.commit(payload(4), TOKENS[4], DIGEST, on_trial=False)
    store.erase()
    assert len(Watch.erased) == 8


def test_a_set_that_does_not_fit_changes_nothing() -> None:
    """It is refused before anything is erased."""
    store = with_sets(2)
    before = store.flash.content
    with pytest.raises(StorageError):
        store.commit(bytes(SLOT), TOKENS[3], DIGEST, on_trial=False)
    assert store.flash.content == before


@pytest.mark.parametrize("change", list(OperationKind))
def test_a_write_that_fails_changes_nothing(change: OperationKind) -> None:
    """What was in force is in force still, at once and after a start."""
    store = with_sets(2)
    store.flash.faults = Broken(lambda operation: operation.change is change)
    with pytest.raises(StorageError):
        store.commit(payload(3), TOKENS[3], DIGEST, on_trial=False)
    assert store.current.payload == payload(2)
    store.flash.power_up()
    assert opened(store.flash).current.payload == payload(2)


def test_a_write_that_only_seems_to_work_is_found() -> None:
    """A bit that does not take is found by reading back, wherever in the record it lies."""
    size = len(raw_record(3, generation=3))
    for stuck in range(size // 16):

        class Stuck(Faults):
            def __init__(self, unit: int) -> None:
                self.unit = unit

            def reading(self, offset: int, content: bytes) -> bytes:
                at = self.unit * 16 - offset % SLOT
                if 0 <= at < len(content) and content[at] != 0xFF:
                    return content[:at] + bytes([content[at] ^ 1]) + content[at + 1 :]
                return content

        store = with_sets(2)
        store.flash.faults = Stuck(stuck)
        with pytest.raises(StorageError):
            store.commit(payload(3), TOKENS[3], DIGEST, on_trial=False)
        store.flash.power_up()
        assert opened(store.flash).current.payload == payload(2)


def test_a_seal_that_took_though_it_failed_is_taken_back() -> None:
    """A set that was refused, since no slot took its seal, is not in force at the next start."""
    store = with_sets(2)
    flash = store.flash
    changes: list[Operation] = []
    failed = 0

    class Watch(Faults):
        def changing(self, operation: Operation) -> Tear | None:
            changes.append(operation)
            return None

    reference = with_sets(2)
    reference.flash.power_up(Watch())
    reference.commit(payload(3), TOKENS[3], DIGEST, on_trial=False)
    at, size = changes[-1].offset, changes[-1].size
    seal = reference.flash.content[at : at + size]
    assert seal.startswith(b"SEAL")

    class LateFault(Faults):
        def changing(self, operation: Operation) -> Tear | None:
            nonlocal failed
            if operation.change is OperationKind.PROGRAM and operation.offset % SLOT == at % SLOT:
                flash._content[operation.offset : operation.offset + size] = seal
                failed += 1
                raise FlashError
            return None

    flash.power_up(LateFault())
    with pytest.raises(StorageError):
        store.commit(payload(3), TOKENS[3], DIGEST, on_trial=False)
    assert failed == 2  # of the four slots two are kept
    flash.power_up()
    assert opened(flash).current.payload == payload(2)


def test_a_slot_that_fails_costs_no_refusal() -> None:
    """Another slot takes the record, so that one bad unit stops nobody."""
    store = with_sets(1)
    store.flash.faults = Broken(lambda operation: operation.offset // SLOT == 1)
    store.commit(payload(2), TOKENS[2], DIGEST, on_trial=False)
    assert store.current.payload == payload(2)
    assert opened(store.flash).current.payload == payload(2)


def test_two_failures_in_a_row_leave_no_refused_set_behind() -> None:
    """A seal that took though it failed, in a slot that then cannot be erased: the set is stored.

    Found by scripts/bad_lines.py, seed 1029: it was refused, and in force at the next start.
    """
    for first in range(40):

        def fails(operation: Operation, first: int = first) -> bool:
            return operation.number in (first, first + 1)

        store = with_sets(2)
        store.flash.power_up(Broken(fails))
        try:
            store.commit(payload(3), TOKENS[3], DIGEST, on_trial=False)
            expected = payload(3)
        except StorageError:
            expected = payload(2)
        store.flash.power_up()
        assert opened(store.flash).current.payload == expected


def at_the_wrap() -> FlashStore:
    """A store with sets 1 and 2, written under the last two generations before they wrap."""
    older, newest = (raw_record(each, generation=2**32 - 3 + each) for each in (1, 2))
    return opened(image(older, newest), offers_trial=True)


def told(store: FlashStore) -> tuple[bytes, int]:
    """The payload in force after a start, and the generation."""
    current = opened(store.flash, offers_trial=True).current
    return current.payload, current.generation


def test_generations_wrap_to_1() -> None:
    """After 2^32-1 comes 1 [5.2], which is newer; 0 stays what it means: nothing was stored."""
    store = at_the_wrap()
    assert told(store) == (payload(2), 2**32 - 1)
    store.commit(payload(3), TOKENS[3], DIGEST, on_trial=False)
    assert told(store) == (payload(3), 1)
    store.undo(serves)
    assert told(store) == (payload(2), 2)


def test_undo_erase_and_a_trial_across_the_wrap() -> None:
    """Each takes the generations after the last one."""
    store = at_the_wrap()
    store.undo(serves)
    assert told(store) == (payload(1), 1)
    store = at_the_wrap()
    store.erase()
    assert told(store) == (b"", 1)
    store = at_the_wrap()
    store.commit(payload(3), TOKENS[3], DIGEST, on_trial=True)
    assert [told(store) for _ in range(3)] == [(payload(3), 2), (payload(3), 3), (payload(2), 4)]


# ------------------------------------------------------------------------------------ at a start


def test_a_record_that_cannot_be_read_gives_way() -> None:
    """Error correction that gives up costs that record, and the one before is in force."""
    store = with_sets(2)
    newest = next(
        at
        for at in range(0, GEOMETRY.size, SLOT)
        if store.flash.content[at : at + 8] == b"PVR1" + struct.pack("<I", 2)
    )
    for unreadable in (newest, newest + 48):
        flash = Flash(
            GEOMETRY, store.flash.content, Broken(unreadable=range(unreadable, unreadable + 8))
        )
        assert opened(flash).current.payload == payload(1)


def test_a_seal_that_cannot_be_read_is_written_anew() -> None:
    """Header and payload were read back before the seal was begun: the set counts, and stays."""
    at = len(raw_record(2, generation=2)) - 16
    flash = image(raw_record(1, generation=1), raw_record(2, generation=2))
    flash.faults = Broken(unreadable=range(SLOT + at, SLOT + at + 8))
    assert opened(flash).current == replace(
        opened(image(raw_record(2, generation=2))).current, generation=3
    )
    flash.power_up()
    assert opened(flash).current.payload == payload(2)


def unsealed(record: bytes) -> bytes:
    """The record as a cut before its seal leaves it."""
    return record[:-16] + b"\xff" * 16


def test_an_unsealed_copy_of_an_unsealed_record_gives_way_to_the_first() -> None:
    """A settling that was cut short is begun again from the record that a host may know."""
    flash = image(
        raw_record(1, generation=1),
        unsealed(raw_record(2, generation=2)),
        unsealed(raw_record(2, generation=3)),
    )
    current = opened(flash).current
    assert (current.payload, current.generation) == (payload(2), 4)
    assert opened(flash).current == current


def test_without_a_slot_to_settle_it_an_unsealed_record_is_taken_back() -> None:
    """Two slots hold the set before and the unsealed one: the former is in force."""
    flash = image(raw_record(1, generation=1), unsealed(raw_record(2, generation=2)))
    flash = Flash(replace(GEOMETRY, size=2 * SLOT), flash.content[: 2 * SLOT])
    assert opened(flash, 2).current.payload == payload(1)
    assert opened(flash, 2).current.payload == payload(1)


def test_settling_that_fails_is_tried_at_the_next_start() -> None:
    """The unsealed set is in force meanwhile, and nothing is lost."""
    flash = image(raw_record(1, generation=1), unsealed(raw_record(2, generation=2)))
    flash.faults = Broken(bool)
    assert opened(flash).current.payload == payload(2)
    flash.power_up()
    current = opened(flash).current
    assert (current.payload, current.generation) == (payload(2), 3)


def test_an_erase_that_was_cut_short_is_finished() -> None:
    """With a void record newest, every set that is left goes at the next start."""
    void = raw_record(3, generation=3, kind=2, content=b"")
    flash = image(raw_record(1, generation=1), raw_record(2, generation=2), void)
    store = opened(flash)
    assert not store.current.is_set
    assert payload(1) not in flash.content
    assert payload(2) not in flash.content
    # The void record, alone, may have a torn seal: it is written anew before it is copied.
    assert flash.content.count(b"PVR1" + struct.pack("<I", 4)) == 4


def test_an_erase_that_had_copied_its_record_keeps_its_generation() -> None:
    """The record was whole before its first copy was begun, so nothing needs to be written anew."""
    void = raw_record(3, generation=3, kind=2, content=b"")
    flash = image(raw_record(1, generation=1), void, void)
    assert opened(flash).current.generation == 3
    assert payload(1) not in flash.content
    assert flash.content.count(b"PVR1" + struct.pack("<I", 3)) == 4


# ------------------------------------------------------------------------------------ undo, erase


@pytest.mark.parametrize("slots", [3, 4])
def test_undo_goes_to_the_set_before_and_back(slots: int) -> None:
    """Undoing an undo comes back to where one was (clause 6.7), as often as one likes."""
    store = with_sets(3, slots)
    for step in range(8):
        store.undo(serves)
        number = 2 if step % 2 == 0 else 3
        assert (store.current.payload, store.current.token) == (payload(number), TOKENS[number])
        assert opened(store.flash, slots).current == store.current


def test_undo_needs_an_older_set_that_serves() -> None:
    """No older set, or one that would be incomplete: nothing changes."""
    one, two = with_sets(1), with_sets(2)
    for store, judge in ((one, serves), (two, lambda content: content != payload(1))):
        before = store.flash.content
        with pytest.raises(NoOlderSet):
            store.undo(judge)
        assert store.flash.content == before
    with pytest.raises(NoOlderSet):
        with_sets(0).undo(serves)


def test_erase_leaves_no_value_in_any_cell() -> None:
    """Every slot holds the void record, and no payload is left."""
    store = with_sets(4)
    store.erase()
    assert not store.current.is_set
    assert store.current.generation == 5
    assert not any(payload(number) in store.flash.content for number in range(1, 5))
    assert opened(store.flash).current == store.current
    with pytest.raises(NoOlderSet):
        store.undo(serves)


def test_an_erase_that_fails_later_is_in_force_and_says_so() -> None:
    """Once the void record is sealed no set comes back; the slot that failed is tried again."""
    store = with_sets(4)
    slot_of_newest = store._in_force
    store.flash.faults = Broken(lambda operation: operation.offset // SLOT == slot_of_newest)
    with pytest.raises(StorageError):
        store.erase()
    assert not store.current.is_set
    assert payload(4) in store.flash.content
    store.flash.power_up()
    assert not opened(store.flash).current.is_set
    assert payload(4) not in store.flash.content


# ------------------------------------------------------------------------------------ trial


def on_trial(slots: int = 4) -> FlashStore:
    """A store with set 1, and set 2 on trial."""
    store = with_sets(1, slots)
    store.commit(payload(2), TOKENS[2], DIGEST, on_trial=True)
    return store


def test_the_first_set_is_never_on_trial() -> None:
    """There is nothing to go back to."""
    store = opened(fresh_flash())
    store.commit(payload(1), TOKENS[1], DIGEST, on_trial=True)
    assert not store.current.on_trial


@pytest.mark.parametrize("slots", [3, 4])
def test_the_third_start_in_a_trial_brings_the_older_set_back(slots: int) -> None:
    """Two starts count down, the third ends the trial badly (clause 5.4)."""
    store = on_trial(slots)
    for left in (2, 1):
        store = opened(store.flash, slots, offers_trial=True)
        assert (store.current.payload, store.current.trial_starts) == (payload(2), left)
    store = opened(store.flash, slots, offers_trial=True)
    assert (store.current.payload, store.current.token) == (payload(1), TOKENS[1])
    assert not store.current.on_trial
    assert store.current.generation == 5


@pytest.mark.parametrize("slots", [3, 4])
def test_a_confirmed_set_stays(slots: int) -> None:
    """After confirm no start brings the older set back; undo does."""
    store = on_trial(slots)
    store = opened(store.flash, slots, offers_trial=True)
    store.confirm()
    for _ in range(5):
        store = opened(store.flash, slots, offers_trial=True)
        assert store.current.payload == payload(2)
    store.undo(serves)
    assert store.current.payload == payload(1)


@pytest.mark.parametrize("slots", [3, 4])
def test_sets_on_trial_never_cost_the_confirmed_one(slots: int) -> None:
    """However many follow each other, with starts between, a bad end finds the confirmed set."""
    store = on_trial(slots)
    for number in range(3, 10):
        store = opened(store.flash, slots, offers_trial=True)
        store.commit(payload(number), TOKENS[number], DIGEST, on_trial=True)
        assert store.current.trial_starts == 3
    store.end_trial()
    assert store.current.payload == payload(1)


def test_undo_in_a_trial_ends_it_badly() -> None:
    """The confirmed set is in force again, with its token (clause 5.4)."""
    store = on_trial()
    store.undo(serves)
    assert (store.current.payload, store.current.on_trial) == (payload(1), False)
    assert store.current.token == TOKENS[1]


def test_a_firmware_without_trials_keeps_the_set() -> None:
    """An update that drops trials does not take away what works."""
    store = opened(on_trial().flash, offers_trial=False)
    assert (store.current.payload, store.current.on_trial) == (payload(2), False)


def test_a_trial_with_nothing_to_go_back_to_is_kept() -> None:
    """If the confirmed set cannot be read any more, the one on trial is all there is."""
    store = opened(image(raw_record(2, generation=2, starts=1)), offers_trial=True)
    assert (store.current.payload, store.current.on_trial) == (payload(2), False)
    store = opened(image(raw_record(2, generation=2, starts=1)), offers_trial=False)
    assert not store.current.on_trial


def test_end_of_a_trial_with_nothing_to_go_back_to() -> None:
    """The present set is kept."""
    store = on_trial()
    confirmed = store._confirmed(store._valid())
    assert confirmed is not None
    store._slots[confirmed].record = None
    store.end_trial()
    assert (store.current.payload, store.current.on_trial) == (payload(2), False)


def test_a_count_down_that_cannot_be_written_is_tried_again() -> None:
    """The trial goes on as it was."""
    store = on_trial()
    store.flash.faults = Broken(bool)
    assert opened(store.flash, offers_trial=True).current.trial_starts == 3
    store.flash.power_up()
    assert opened(store.flash, offers_trial=True).current.trial_starts == 2


# ------------------------------------------------------------------------------------ payloads


def test_values_come_back_from_their_payload() -> None:
    """What is packed is unpacked, in schema order, and only what is set."""
    values: dict[str, Value] = {"net.name": b"orchard", "siren.fitted": True, "probe.2.offset": -15}
    stored = unpack_values(ORCHARD, pack_values(ORCHARD, values))
    assert (stored.values, stored.fell_back) == (values, frozenset())
    assert "orchard" not in repr(stored)


def one_field(field: Field, section: str = "net", repeat: Repeat | None = None) -> Schema:
    """A schema of one field."""
    return Schema("One", (Section(section, "Section", (field,), repeat=repeat),))


TEXT = Field("name", Kind.TEXT, "Name", maximum=8)
DECIMAL = Field("name", Kind.DECIMAL, "Name", digits=1, unit="K")


@pytest.mark.parametrize(
    ("old", "value", "new", "expected"),
    [
        pytest.param(TEXT, "mast", replace(TEXT, maximum=4), {"net.name": "mast"}, id="fits"),
        pytest.param(TEXT, "masts", replace(TEXT, maximum=4), None, id="too long now"),
        pytest.param(TEXT, "mast", replace(TEXT, kind=Kind.SECRET), None, id="another kind"),
        pytest.param(DECIMAL, 15, replace(DECIMAL, unit="V"), None, id="another unit"),
        pytest.param(DECIMAL, 15, replace(DECIMAL, digits=2), {"net.name": 150}, id="more digits"),
        pytest.param(DECIMAL, 15, replace(DECIMAL, key="level"), {}, id="another key"),
        pytest.param(
            TEXT,
            "mast",
            replace(TEXT, key="label", was=("net.gone", "net.name")),
            {"net.label": "mast"},
            id="renamed",
        ),
    ],
)
def test_what_an_update_makes_of_a_stored_value(
    old: Field, value: str | int, new: Field, expected: dict[str, str | int] | None
) -> None:
    """A value is found by its key or an older one, and taken if it still fits (clause 10)."""
    stored = unpack_values(one_field(new), pack_values(one_field(old), {"net.name": value}))
    assert stored.values == (expected or {})
    assert stored.fell_back == (frozenset({"net.name"}) if expected is None else frozenset())


def test_a_section_that_begins_to_repeat_keeps_its_values() -> None:
    """`section.field` and `section.1.field` are taken for one another (clause 10)."""
    single, repeating = one_field(TEXT), one_field(TEXT, repeat=Repeat(1, 2))
    stored = unpack_values(repeating, pack_values(single, {"net.name": "mast"}))
    assert stored.values == {"net.1.name": "mast"}
    back = unpack_values(single, pack_values(repeating, stored.values))
    assert back.values == {"net.name": "mast"}


def test_values_of_all_widths_are_parted_rightly() -> None:
    """Entries end where they do, whatever the length of their heads."""
    schema = Schema(
        "Widths",
        (
            Section(
                "a",
                "A",
                tuple(
                    Field(f"f{size}", Kind.BLOB, "F", maximum=16384)
                    for size in (1, 23, 24, 255, 256, 16384)
                ),
            ),
        ),
    )
    values = {s.key: bytes(int(s.field.key[1:])) for s in schema.settings}
    assert unpack_values(schema, pack_values(schema, values)).values == values


@pytest.mark.parametrize("content", ["00", "80", "83", "8361610102ff", "a0", "836161"])
def test_what_is_no_payload_is_refused(content: str) -> None:
    """Another form, or bytes that end within an entry."""
    with pytest.raises(ProfileError):
        unpack_values(ORCHARD, bytes.fromhex(content))


def test_tags_are_stored_with_their_values() -> None:
    """A payload says by itself what each value is."""
    field = ORCHARD.settings[0].field
    assert pack_values(ORCHARD, {"net.name": b"o"}) == encode(["net.name", tag(field), b"o"])


class FirstUnitStuck(Faults):
    """The first program unit of every slot reads otherwise than it was programmed."""

    def __init__(self) -> None:
        self.programs: list[int] = []
        """Offset within its slot of each program."""

    def changing(self, operation: Operation) -> Tear | None:
        """Write it down."""
        if operation.change is OperationKind.PROGRAM:
            self.programs.append(operation.offset % SLOT)
        return None

    def reading(self, offset: int, content: bytes) -> bytes:
        """Flip a bit of what is not erased."""
        if offset % SLOT == 0 and content[0] != 0xFF:
            return bytes([content[0] ^ 1]) + content[1:]
        return content


def test_no_seal_is_begun_on_what_was_not_read_back() -> None:
    """STORAGE.md rests on it: who finds a seal knows that header and payload were right once."""
    flash = Flash(GEOMETRY)
    store = FlashStore(flash, 4)
    store.boot(offers_trial=False)
    flash.faults = faults = FirstUnitStuck()
    payload = encode(["net.name", 8, b"\x01"])
    with pytest.raises(StorageError):
        store.commit(payload, TOKENS[1], bytes(8), on_trial=False)
    unit = GEOMETRY.program_unit
    header_and_payload = -(-48 // unit) * unit + -(-len(payload) // unit) * unit
    assert faults.programs
    assert max(faults.programs) < header_and_payload
