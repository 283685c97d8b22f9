# SPDX-License-Identifier: MIT
"""The stub's store (firmware_stub/STORAGE.md): its format, its requests, what it makes of content.

What happens when power is lost is the affair of tests/power.
"""

from __future__ import annotations

import ctypes
import io

import cbor2
import google_crc32c
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.board import flash
from provision.board.store import FlashStore
from tests.c_board.board import FELL_BACK, IS_SET, Tear
from tests.stub.store_board import (
    CERT,
    COARSE,
    DEPTH,
    ERROR_SPACE,
    FINE,
    FIRST,
    GEOMETRIES,
    HEIGHT,
    KEY,
    LAMP,
    MODE,
    NAME,
    NO_OLDER_SET,
    SECOND,
    SIREN,
    STORAGE_REFUSED,
    THIRD,
    TRIAL,
    WRONG_SIZE,
    Board,
    Geometry,
    Step,
    commit,
    operations_of,
    token_of,
    told_token,
)

pytestmark = pytest.mark.needs("cc")


# ------------------------------------------------------------------------------- what is written


def records(board: Board) -> list[dict[str, object]]:
    """Read the slots by the page STORAGE.md alone, with other people's CRC and CBOR."""
    found = []
    geometry = board.geometry
    for slot in range(geometry.slots):
        content = board.content[slot * geometry.slot_size :][: geometry.slot_size]
        assert content[:4] == b"PVR1"
        assert content[44:48] == google_crc32c.value(content[:44]).to_bytes(4, "little")
        number = {name: int.from_bytes(content[at : at + 4], "little") for name, at in FIELDS}
        payload_at = -(-48 // geometry.program_unit) * geometry.program_unit
        payload = content[payload_at : payload_at + number["length"]]
        assert google_crc32c.value(payload) == number["crc"]
        seal_at = payload_at + -(-len(payload) // geometry.program_unit) * geometry.program_unit
        inverted = bytes(byte ^ 0xFF for byte in content[44:48])
        assert content[seal_at : seal_at + 8] == b"SEAL" + inverted
        assert set(content[seal_at + 8 :]) <= {0xFF}
        stream = io.BytesIO(payload)
        entries = []
        while stream.tell() < len(payload):
            entries.append(cbor2.load(stream))
        found.append(
            {
                **number,
                "kind": content[12],
                "starts": content[13],
                "token": content[16:24],
                "digest": content[24:32],
                "entries": entries,
            }
        )
    return found


FIELDS = (("generation", 4), ("set", 8), ("length", 32), ("crc", 36))
UNIT_M = (google_crc32c.value(b"m") & 0xFFFF) << 16


@pytest.mark.parametrize("geometry", GEOMETRIES, ids=str)
def test_records_look_as_the_page_says(library: ctypes.CDLL, geometry: Geometry) -> None:
    """Header, payload, tags and seal, read without the stub."""
    board = Board(library, geometry).restart()
    assert [record["kind"] for record in records(board)] == [2] * geometry.slots
    assert [record["generation"] for record in records(board)] == [0] * geometry.slots
    board.commit(b"12345678", {NAME: b"mast", DEPTH: -7, KEY: b"secret-1", MODE: SIREN})
    newest = max(records(board), key=lambda record: int(str(record["generation"])))
    assert newest == newest | {
        "generation": 1,
        "set": 1,
        "kind": 1,
        "starts": 0,
        "token": b"12345678",
        "digest": bytes([FIRST + 1]) + bytes(7),
        "entries": [
            ["site.name", 1, "mast"],
            ["probe.depth", 4 + 256 + UNIT_M, -7],
            ["service.key", 2, "secret-1"],
            ["alarm.mode", 6, "siren"],
        ],
    }


def test_slots_wear_evenly(library: ctypes.CDLL) -> None:
    """Each commit erases one slot, each in its turn (STORAGE.md, Wear)."""
    board = Board(library, FINE).restart()
    before = board.slot_erases()
    for number in range(400):
        assert board.commit(b"%8d" % number, {NAME: b"mast", DEPTH: number % 100}) == 0
    erases = [after - one for one, after in zip(before, board.slot_erases(), strict=True)]
    assert sum(erases) == 400
    assert max(erases) - min(erases) <= 1


def test_a_start_without_a_cause_writes_nothing(library: ctypes.CDLL) -> None:
    """Not before the first commit, nor after, nor after an erase."""
    board = Board(library, FINE).restart()
    for step in (commit(1), commit(2), Board.undo, Board.erase):
        assert board.restart().operations == 0
        assert step(board) == 0
    assert board.restart().operations == 0


@pytest.mark.parametrize("slot_size", [32, 64, 256])
def test_the_largest_set_must_fit(library: ctypes.CDLL, slot_size: int) -> None:
    """A slot that cannot hold it is refused at the start, not at some commit."""
    board = Board(library, Geometry(4, slot_size, slot_size, 8))
    board.power()
    assert board.start() == ERROR_SPACE


def test_a_set_beyond_the_slot_is_refused_whatever_the_schema_claims(library: ctypes.CDLL) -> None:
    """Generated code that is wrong about its largest set costs no neighbour's slot."""
    board = Board(library, Geometry(4, 256, 256, 32)).restart(WRONG_SIZE)
    assert commit(1)(board) == 0
    long = commit(2, key=b"k" * 24, cert=b"c" * 64, mode=SIREN)
    assert operations_of(board, long) == range(board.operations, board.operations)
    assert long(board) == STORAGE_REFUSED
    assert told_token(board.restart(WRONG_SIZE)) == token_of(1)


# ------------------------------------------------------------------------------------- requests


def test_undo_goes_back_and_forth(library: ctypes.CDLL) -> None:
    """Undoing an undo comes back to where one was [6.7]; each raises the generation."""
    board = Board(library, FINE).restart()
    assert board.undo() == NO_OLDER_SET
    commit(1)(board)
    assert board.undo() == NO_OLDER_SET
    commit(2)(board)
    for token in (1, 2, 1):
        before = board.generation
        assert board.undo() == 0
        assert told_token(board) == token_of(token)
        assert board.in_force.name == b"tree %d" % token
        assert board.generation == before + 1
        assert told_token(board.copy().restart()) == token_of(token)


def test_undo_skips_copies_of_the_same_commit(library: ctypes.CDLL) -> None:
    """A trial leaves copies of one set in several slots; undo goes to the set before them."""
    board = Board(library, FINE).restart(TRIAL)
    commit(1)(board)
    commit(2)(board)
    board.restart(TRIAL)
    assert board.confirm() == 0
    assert board.undo() == 0
    assert told_token(board) == token_of(1)


def test_undo_is_refused_where_the_older_set_is_incomplete(library: ctypes.CDLL) -> None:
    """The update asks for a height that the set before it does not have."""
    board = Board(library, FINE).restart(FIRST)
    commit(1)(board)
    board.restart(SECOND)
    assert board.missing == HEIGHT
    assert board.commit(b"updated.", {HEIGHT: 312}) == 0
    told, operations = board.told, board.operations
    assert board.undo() == NO_OLDER_SET
    assert (board.told, board.operations) == (told, operations)


def test_a_trial_ends_at_the_third_start(library: ctypes.CDLL) -> None:
    """Two starts run on the new set, the third on the old one [5.4], whose token counts again."""
    board = Board(library, FINE).restart(TRIAL)
    commit(1)(board)
    assert board.told_fields.starts_left == 0  # nothing older
    commit(2)(board)
    seen = [(told_token(board), board.told_fields.starts_left)]
    for _ in range(4):
        board.restart(TRIAL)
        seen.append((told_token(board), board.told_fields.starts_left))
    one, two = token_of(1), token_of(2)
    assert seen == [(two, 3), (two, 2), (two, 1), (one, 0), (one, 0)]
    assert board.in_force.name == b"tree 1"


def test_a_commit_in_a_trial_keeps_the_confirmed_set(library: ctypes.CDLL) -> None:
    """However many sets were on trial, a bad end goes back to the one that was proven."""
    board = Board(library, FINE).restart(TRIAL)
    for number in range(1, 8):
        assert commit(number)(board) == 0
    assert board.end_trial() == 0
    assert told_token(board) == token_of(1)
    assert told_token(board.restart(TRIAL)) == token_of(1)


def test_proven_keeps_the_set(library: ctypes.CDLL) -> None:
    """After confirm no number of starts brings the old set back."""
    board = Board(library, FINE).restart(TRIAL)
    commit(1)(board)
    commit(2)(board)
    assert board.confirm() == 0
    for _ in range(5):
        assert told_token(board.restart(TRIAL)) == token_of(2)


def test_a_failing_operation_costs_one_slot(library: ctypes.CDLL) -> None:
    """Whichever operation of a commit fails, another slot takes the set for good."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    for operation in operations_of(board, commit(4)):
        failing = board.copy()
        failing.fail(operation, operation + 1)
        assert commit(4)(failing) == 0
        assert told_token(failing) == token_of(4)
        assert failing.restart().told == failing.told
        assert told_token(failing) == token_of(4)


def test_a_flash_that_fails_for_a_while_refuses_and_changes_nothing(library: ctypes.CDLL) -> None:
    """Whichever operation of a commit fails first, and all after it: refused, then and later."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    for operation in operations_of(board, commit(4)):
        failing = board.copy()
        failing.fail(operation, 2**32 - 1)
        assert commit(4)(failing) == STORAGE_REFUSED
        assert failing.told == board.told
        failing.fail(0, 0)
        assert commit(5)(failing.copy()) == 0
        later = failing.restart()
        # The slot could not be made void any more; sealed or not, the next start decides for good.
        assert told_token(later) in (token_of(3), token_of(4))
        assert later.copy().restart().told == later.told


@pytest.mark.parametrize(
    "request_", [commit(4), Board.undo, Board.erase], ids=["commit", "undo", "erase"]
)
def test_a_dead_flash_leaves_the_set_in_force(library: ctypes.CDLL, request_: Step) -> None:
    """Where nothing can be written any more, the board still starts with what it has."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    told = board.told
    board.fail(0, 2**32 - 1)
    assert request_(board) == STORAGE_REFUSED
    assert board.told == told
    assert board.restart().told == told


@pytest.mark.parametrize("schema", [FIRST, SECOND])
def test_reading_that_fails_never_stops_a_start(library: ctypes.CDLL, schema: int) -> None:
    """Whichever read fails, and all after it: the board starts, with an older set or with none."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    right = {token_of(number) for number in (1, 2, 3)} | {b""}
    seen = set()
    for reads in range(200):
        failing = board.copy()
        failing.power()
        failing.fail_reads(reads)
        assert failing.start(schema) == 0
        seen.add(told_token(failing))
    assert b"" in seen
    assert seen <= right


@pytest.mark.parametrize(
    "request_",
    [commit(4), Board.undo, Board.confirm, Board.end_trial],
    ids=["commit", "undo", "confirm", "end of a trial"],
)
def test_reading_that_fails_in_a_request_refuses_it(library: ctypes.CDLL, request_: Step) -> None:
    """Whichever read fails, and all after it: refused, and what was in force still is."""
    board = Board(library, COARSE).restart(TRIAL)
    for number in (1, 2):
        commit(number, key=CANARY)(board)
    refused = 0
    for reads in range(400):
        failing = board.copy()
        failing.fail_reads(reads)
        if request_(failing) == 0:
            break
        assert failing.told == board.told
        refused += 1
    assert 0 < refused < 400


def test_a_trial_whose_older_set_cannot_be_read_is_kept(library: ctypes.CDLL) -> None:
    """There is nothing to go back to: neither at a start, nor when the time is over."""
    board = Board(library, FINE).restart(TRIAL)
    for number in (1, 2):
        commit(number)(board)
    lost = board.copy()
    lost.fail_reads(0)
    assert lost.end_trial() == STORAGE_REFUSED  # and from here on the older set counts as lost
    lost.fail_reads(2**32 - 1)
    assert lost.end_trial() == 0
    assert (told_token(lost), lost.told_fields.starts_left) == (token_of(2), 0)
    older = min(range(4), key=lambda slot: (records(board)[slot]["token"] != token_of(1), slot))
    board.change_image(older * FINE.slot_size, 0xFF)
    board.restart(TRIAL)
    assert (told_token(board), board.told_fields.starts_left) == (token_of(2), 0)


def test_an_operation_that_only_claims_to_be_done_is_noticed(library: ctypes.CDLL) -> None:
    """Every unit is read back, and every erase: what did not happen costs that slot, no set."""
    board = Board(library, Geometry(4, 512, 512, 8)).restart()
    for number in range(1, 6):
        commit(number)(board)
    operations = operations_of(board, commit(6))
    for operation in operations:
        lying = board.copy()
        lying.flash.silent = operation
        assert commit(6)(lying) == 0
        assert lying.operations > operations[-1] + 1  # another slot took it
        assert told_token(lying.restart()) == token_of(6)


def test_a_slot_that_is_worn_out_is_done_without(library: ctypes.CDLL) -> None:
    """A commit whose turn it is takes another slot; undo still works with three of four."""
    board = Board(library, FINE).restart()
    board.flash.worn_out = 1 << 3 * 2  # of the fourth slot
    for number in range(1, 15):
        assert commit(number)(board) == 0
    for number in range(15, 25):
        board.restart()
        assert told_token(board) == token_of(number - 1)
        assert commit(number)(board) == 0
    assert board.undo() == 0
    assert told_token(board.restart()) == token_of(23)


def test_a_unit_that_a_later_one_spoils_is_noticed(library: ctypes.CDLL) -> None:
    """The whole record is read once more before it is sealed."""
    board = Board(library, FINE).restart()
    commit(1)(board)
    whole = board.copy()
    assert commit(2)(whole) == 0
    slot = next(n for n, record in enumerate(records(whole)) if record["token"] == token_of(2))
    board.flash.spoils = whole.operations - 2  # the last unit of the payload
    board.flash.spoiled = slot * FINE.slot_size + 60
    assert commit(2)(board) == 0
    assert records(board)[slot]["kind"] == 2  # void: another slot took the set
    for number in (3, 4, 5):
        assert commit(number)(board) == 0
        assert records(board)[slot]["kind"] == 2  # the last to be taken again
    assert told_token(board.restart()) == token_of(5)


# -------------------------------------------------------------------------------------- secrets

CANARY = b"canary-0123456789-qrst"


def holds_secret(content: bytes) -> bool:
    """Whether any six bytes of the canary are in it."""
    return any(CANARY[at : at + 6] in content for at in range(len(CANARY) - 5))


@pytest.mark.parametrize("geometry", GEOMETRIES, ids=str)
def test_after_an_erase_no_byte_of_a_secret_is_in_any_slot(
    library: ctypes.CDLL, geometry: Geometry
) -> None:
    """Wherever the erase is cut: either the set is still there, or the next start wipes it all."""
    board = Board(library, geometry).restart()
    for number in range(1, 6):
        assert commit(number, key=CANARY)(board) == 0
    assert holds_secret(board.content)
    told = board.told
    whole = board.copy()
    assert whole.erase() == 0
    assert not holds_secret(whole.content)
    assert told_token(whole) == b""
    outcomes = set()
    for operation in operations_of(board, Board.erase):
        for tear in Tear:
            broken = board.copy()
            broken.cut(operation, geometry.program_unit // 2, tear)
            broken.erase()
            broken.restart()
            outcomes.add(broken.told)
            assert holds_secret(broken.content) == (broken.told == told)
    assert outcomes == {told, whole.told}


def test_ram_keeps_no_secret_but_in_the_settings(library: ctypes.CDLL) -> None:
    """Buffers are wiped after each request and at a start; after an erase the settings as well."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        assert commit(number, key=CANARY)(board) == 0
        assert not in_ram(board)
    assert board.undo() == 0
    assert not in_ram(board)
    assert board.in_force.key == CANARY
    assert not in_ram(board.copy().restart())
    assert board.erase() == 0
    assert not in_ram(board)
    assert not holds_secret(bytes(board.in_force))


def test_a_failed_write_leaves_no_secret_in_ram(library: ctypes.CDLL) -> None:
    """The unit buffer is wiped even where the flash takes nothing more."""
    board = Board(library, COARSE).restart()
    commit(1)(board)
    for operation in operations_of(board, commit(2, key=CANARY)):
        failing = board.copy()
        failing.fail(operation, 2**32 - 1)
        assert commit(2, key=CANARY)(failing) == STORAGE_REFUSED
        assert not in_ram(failing)


def test_an_erase_that_leaves_a_secret_is_refused(library: ctypes.CDLL) -> None:
    """The secret lies in the second erase unit of its slot, which only claims to be erased."""
    board = Board(library, Geometry(4, 512, 256, 128)).restart()
    commit(1, key=b"k" * 24, cert=b"c" * 42 + CANARY, mode=SIREN)(board)
    refused = 0
    for operation in operations_of(board, Board.erase):
        lying = board.copy()
        lying.flash.silent = operation
        if lying.erase() == 0:
            assert not holds_secret(lying.content)
        else:
            refused += 1
            assert not holds_secret(lying.restart().content)  # each start goes on wiping
    assert refused > 0


def in_ram(board: Board) -> bool:
    """Whether any eight bytes of the canary are in the stub's RAM, the settings aside."""
    return any(board.has_in_ram(CANARY[at : at + 8]) for at in range(0, len(CANARY) - 8, 4))


# ------------------------------------------------------------------- damaged and hostile content


def test_any_single_bit_flip_is_noticed(library: ctypes.CDLL) -> None:
    """Each bit of each slot: the set in force, or the one before it, and never anything else."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3, 4):
        commit(number, key=CANARY)(board)
    newest = board.told
    before = board.copy()
    assert before.undo() == 0
    right = {newest: 0, before.told: 0}
    flipped = Board(library, FINE)
    for at in range(len(board.content)):
        for bit in range(8):
            library.board_copy(flipped.handle, board.handle)
            flipped.change_image(at, 1 << bit)
            flipped.restart()
            right[flipped.told] += 1
    assert right[newest] > right[before.told] > 0


def record(payload: bytes, generation: int = 9, **change: int) -> bytes:
    """A sealed record as STORAGE.md has it, program units of 8; `change` names other numbers."""
    numbers = {"kind": 1, "starts": 0, "length": len(payload), "set": 9} | change
    header = b"PVR1" + generation.to_bytes(4, "little") + numbers["set"].to_bytes(4, "little")
    header += bytes([numbers["kind"], numbers["starts"], 0, 0]) + b"a token." + bytes(8)
    header += numbers["length"].to_bytes(4, "little")
    header += google_crc32c.value(payload).to_bytes(4, "little") + bytes(4)
    crc: bytes = google_crc32c.value(header).to_bytes(4, "little")
    seal = b"SEAL" + bytes(byte ^ 0xFF for byte in crc)
    return b"".join((header, crc, payload, b"\xff" * (-len(payload) % 8), seal))


def entry(key: object, tag: object, value: object) -> bytes:
    """One entry of a payload."""
    encoded: bytes = cbor2.dumps([key, tag, value])
    return encoded


def board_with(library: ctypes.CDLL, content: bytes, schema: int = FIRST) -> Board:
    """A board on which a set was committed, with this in another slot."""
    board = Board(library, FINE).restart(FIRST)
    assert commit(1)(board) == 0
    board.write_image(3 * FINE.slot_size, content.ljust(FINE.slot_size, b"\xff"))
    return board.restart(schema)


def test_a_record_made_by_hand_is_read(library: ctypes.CDLL) -> None:
    """The builder above makes records that count, so that what follows is refused for its fault."""
    board = board_with(library, record(entry("site.name", 1, "by hand")))
    assert board.in_force.name == b"by hand"
    assert board.generation == 9


def test_undo_does_not_go_back_to_what_cannot_be_read(library: ctypes.CDLL) -> None:
    """The older record is valid by its CRCs, and holds no entries."""
    board = board_with(library, record(b"\x01", generation=0))
    assert board.undo() == NO_OLDER_SET
    assert board.in_force.name == b"tree 1"


NAME_ENTRY = entry("site.name", 1, "hostile")


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(record(NAME_ENTRY, length=2**32 - 1), id="length beyond all memory"),
        pytest.param(record(NAME_ENTRY, length=FINE.slot_size), id="length beyond the slot"),
        pytest.param(record(NAME_ENTRY, kind=3), id="unknown kind"),
        pytest.param(record(NAME_ENTRY)[:48], id="payload missing"),
        pytest.param(record(b"\x83"), id="entry without content"),
        pytest.param(record(b"\x82\x61a\x01"), id="array of two"),
        pytest.param(record(b"\x01"), id="number instead of an entry"),
        pytest.param(record(b"\xbf\xff"), id="indefinite length"),
        pytest.param(record(entry(1, 1, "hostile")), id="key that is no text"),
        pytest.param(record(entry("site.name", "1", "hostile")), id="tag that is no number"),
        pytest.param(record(b"\x83\x7b" + b"\xff" * 8), id="key of 2^64 bytes"),
        pytest.param(
            record(b"\x83\x69site.name\x01\x7a\xff\xff\xff\xff"), id="value of 2^32 bytes"
        ),
        pytest.param(record(NAME_ENTRY + b"\xff"), id="something after the entries"),
        pytest.param(record(entry("other.key", 99, None) + NAME_ENTRY), id="null"),
        pytest.param(record(entry("other.key", 99, [1, [2, {3: b"4"}]])), id="array"),
        pytest.param(record(entry("other.key", 99, {}) + NAME_ENTRY), id="map"),
        pytest.param(record(entry("site.name", True, "hostile")), id="tag that is yes"),
        pytest.param(record(entry("site.name", -1, "hostile")), id="tag below 0"),
        pytest.param(record(b"\x83\x61\xff\x01\x01" + NAME_ENTRY), id="key that is no UTF-8"),
        pytest.param(
            record(b"\x83\x78\x2a" + b"k" * 41 + b"\xc3\x01\x01"), id="long key that is no UTF-8"
        ),
        pytest.param(record(b"\x83\x61a\x01\x61\x80" + NAME_ENTRY), id="text that is no UTF-8"),
        pytest.param(record(b"\x83\x69site.name\x01" + b"\x9a\x00\x01\x00\x00"), id="long array"),
        pytest.param(record(b"\x83\x69site.name\x01" + b"\xba\x80\x00\x00\x00"), id="long map"),
    ],
)
def test_a_record_that_cannot_be_read_gives_way(library: ctypes.CDLL, content: bytes) -> None:
    """All CRCs are right, and still nothing of it is believed; the set before it is in force."""
    board = board_with(library, content)
    board.check_rules()  # nothing was read beyond the flash
    assert board.in_force.name == b"tree 1"
    assert commit(2)(board) == 0
    assert told_token(board.restart()) == token_of(2)


def test_what_cannot_be_read_is_no_trial(library: ctypes.CDLL) -> None:
    """It says it is on trial, and is the newest: no start is counted, and none changes a set."""
    board = Board(library, FINE).restart(TRIAL)
    commit(1)(board)
    last = FINE.slots - 1
    board.write_image(
        last * FINE.slot_size, record(b"\x01", starts=2).ljust(FINE.slot_size, b"\xff")
    )
    told = board.restart(TRIAL).told
    for _ in range(4):
        assert board.restart(TRIAL).told == told
    assert told_token(board) == token_of(1)


def test_what_is_no_entries_is_taken_for_what_a_cut_left(library: ctypes.CDLL) -> None:
    """The first start that finds such a record wipes it; no later one has anything to do."""
    content = record(b"\x01")
    board = board_with(library, content)
    assert content not in board.content
    assert board.restart().operations == 0


@pytest.mark.parametrize(
    ("payload", "name", "state"),
    [
        (entry("k" * 33, 1, "x") + NAME_ENTRY, b"hostile", IS_SET),
        (entry("site.name\0", 1, "x") + NAME_ENTRY, b"hostile", IS_SET),
        (entry("", 1, "x") + NAME_ENTRY, b"hostile", IS_SET),
        (entry("other.key", 99, b"4") + NAME_ENTRY, b"hostile", IS_SET),
        (
            entry("\N{SNOWMAN}" * 40, 2**32 - 1, "\N{SNOWMAN}" * 50) + NAME_ENTRY,
            b"hostile",
            IS_SET,
        ),
        (entry("other.key", 0, True) + NAME_ENTRY, b"hostile", IS_SET),
        (entry("other.key", 3, -(2**31)) + NAME_ENTRY, b"hostile", IS_SET),
        (NAME_ENTRY + entry("site.name", 1, "again"), b"hostile", IS_SET),
        (entry("site.name", 2, "hostile"), b"", FELL_BACK),
        (entry("site.name", 1, 7), b"", FELL_BACK),
        (entry("site.name", 1, "x" * 17), b"", FELL_BACK),
        (entry("site.name", 1, "bell\a"), b"", FELL_BACK),
        (entry("site.name", 1, False), b"", FELL_BACK),
    ],
)
def test_entries_are_taken_or_fall_back_one_by_one(
    library: ctypes.CDLL, payload: bytes, name: bytes, state: int
) -> None:
    """Keys that no field has are passed over; of two entries with one key the first counts."""
    board = board_with(library, record(payload))
    assert board.in_force.name == name
    assert board.in_force.state[NAME] & (IS_SET | FELL_BACK) == state


def old_board(library: ctypes.CDLL, schema: int = FIRST) -> Board:
    """A board with records of the two last generations before they wrap, made by hand."""
    board = Board(library, FINE)
    for slot, generation in ((1, 2**32 - 2), (2, 2**32 - 1)):
        made = record(entry("site.name", 1, f"set {slot}"), generation=generation, set=generation)
        board.write_image(slot * FINE.slot_size, made)
    board.restart(schema)
    assert (board.in_force.name, board.generation) == (b"set 2", 2**32 - 1)
    return board


def test_generations_wrap_to_1(library: ctypes.CDLL) -> None:
    """After 2^32-1 comes 1 [5.2], which is newer; 0 stays what it means: nothing was stored."""
    board = old_board(library)
    assert commit(3)(board) == 0
    assert board.generation == 1
    assert (told_token(board.restart()), board.generation) == (token_of(3), 1)
    assert board.undo() == 0
    assert (board.restart().in_force.name, board.generation) == (b"set 2", 2)
    assert board.undo() == 0
    assert (told_token(board.restart()), board.generation) == (token_of(3), 3)


def test_an_undo_across_the_wrap_goes_to_the_set_before(library: ctypes.CDLL) -> None:
    """Set numbers wrap as generations do: none is taken for a copy of another set's."""
    board = old_board(library)
    assert board.undo() == 0
    assert (board.restart().in_force.name, board.generation) == (b"set 1", 1)
    assert board.undo() == 0
    assert (board.restart().in_force.name, board.generation) == (b"set 2", 2)


def test_an_erase_across_the_wrap(library: ctypes.CDLL) -> None:
    """Its generation is 1, and stays."""
    board = old_board(library)
    assert board.erase() == 0
    assert (told_token(board.restart()), board.generation) == (b"", 1)
    assert commit(3)(board) == 0
    assert (told_token(board.restart()), board.generation) == (token_of(3), 2)


def test_a_trial_across_the_wrap_ends_at_the_third_start(library: ctypes.CDLL) -> None:
    """Commit and counted starts take the generations 1 to 3, the way back 4."""
    board = old_board(library, TRIAL)
    assert commit(3)(board) == 0
    for generation in (2, 3):
        assert (told_token(board.restart(TRIAL)), board.generation) == (token_of(3), generation)
    assert (board.restart(TRIAL).in_force.name, board.generation) == (b"set 2", 4)


GENERATIONS = st.one_of(st.integers(1, 2**32 - 1), st.sampled_from([1, 2, 2**31, 2**32 - 1]))


@given(first=GENERATIONS, ahead=st.integers(1, 2**31 - 1))
def test_both_boards_order_generations_as_serial_numbers(
    library: ctypes.CDLL, first: int, ahead: int
) -> None:
    """Of two sets the one less than 2^31 ahead is newer (RFC 1982), 0 left out in counting."""
    second = (first + ahead) % 2**32 or 1
    newer = (first, second) if second == first else (second,)
    slots = [record(entry("site.name", 1, "x"), generation=each) for each in (first, second)]
    board = Board(library, FINE)
    for slot, made in enumerate(slots):
        board.write_image(slot * FINE.slot_size, made)
    assert board.restart().generation in newer
    assert python_store(b"".join(made.ljust(FINE.slot_size, b"\xff") for made in slots)) in newer


def python_store(content: bytes) -> int:
    """The generation that the Python board has in force on a flash with this content."""
    geometry = flash.Geometry(FINE.slots * FINE.slot_size, FINE.erase_unit, FINE.program_unit)
    store = FlashStore(flash.Flash(geometry, content.ljust(geometry.size, b"\xff")), FINE.slots)
    store.boot(offers_trial=False)
    return store.current.generation


# What an entry may be made of: right in every part, or wrong in one.
KEYS = st.one_of(
    st.sampled_from(["site.name", "", "k" * 32, "k" * 33, "\N{SNOWMAN}" * 30]),
    st.integers(-2, 2), st.just(b"site.name"), st.text(max_size=40),
)  # fmt: skip
TAGS = st.one_of(st.integers(0, 2**32 - 1), st.sampled_from([True, -1, 2**32, None, "1", b""]))
VALUES = st.one_of(
    st.integers(-(2**31) - 1, 2**32), st.booleans(), st.text(max_size=60), st.binary(max_size=60),
    st.none(), st.lists(st.integers(0, 3), max_size=3), st.just({}), st.just(1.5),
)  # fmt: skip
ENTRIES = st.lists(st.one_of(st.builds(entry, KEYS, TAGS, VALUES), st.binary(max_size=4)))


@given(
    payload=ENTRIES.map(b"".join).filter(lambda made: len(made) < 400),
    changes=st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), max_size=2),
)
def test_both_boards_take_the_same_payloads(
    library: ctypes.CDLL, payload: bytes, changes: list[tuple[int, int]]
) -> None:
    """Entries of key, tag and value, and bytes of them changed: a set for both, or for neither."""
    changed = bytearray(payload)
    for at, byte in changes if payload else ():
        changed[at % len(changed)] = byte
    made = record(bytes(changed))
    board = Board(library, FINE)
    board.write_image(0, made)
    assert board.restart().generation == python_store(made)


def test_a_void_record_with_a_wrong_bit_does_not_cost_the_generation(library: ctypes.CDLL) -> None:
    """It survives erase [5.2]: after that every slot has it, and a start mends the one at fault."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    assert board.erase() == 0
    size = 48 + 8  # header, and seal behind no payload
    for bit in range(FINE.slots * size * 8):
        slot, place = divmod(bit, size * 8)
        flipped = board.copy()
        flipped.change_image(slot * FINE.slot_size + place // 8, 1 << place % 8)
        for _ in range(2):
            assert (flipped.restart().generation, told_token(flipped)) == (4, b"")
        assert {each["generation"] for each in records(flipped)} == {4}


def test_an_undo_leaves_alone_what_is_staged_in_parts(library: ctypes.CDLL) -> None:
    """Refused since the older set is incomplete, or the flash fails, it changes nothing."""
    half = {KEY: b"half a secret"}
    board = Board(library, FINE).restart()
    commit(1)(board)
    board.restart(SECOND)
    assert board.commit(token_of(2), {HEIGHT: 5}) == 0
    board.stage_parts(KEY, half[KEY])
    assert board.undo() == NO_OLDER_SET
    assert board.has_in_ram(half[KEY])
    assert board.commit(token_of(3), {HEIGHT: 6}) == 0
    board.stage_parts(KEY, half[KEY])
    board.fail(0, 10_000)
    told = board.told
    assert (board.undo(), board.told) == (STORAGE_REFUSED, told)
    assert board.has_in_ram(half[KEY])


@pytest.mark.parametrize("slot", range(4))
def test_a_slot_that_cannot_be_read_costs_only_its_record(library: ctypes.CDLL, slot: int) -> None:
    """Damage in any slot: the newest set that can be read is in force, and the slot is mended."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3, 4):
        commit(number)(board)
    for at in range(slot * FINE.slot_size, (slot + 1) * FINE.slot_size):
        board.change_image(at, 0x55)
    board.restart()
    newest = 3 if slot == 3 else 4
    assert told_token(board) == token_of(newest)
    assert commit(5)(board) == 0
    assert told_token(board.restart()) == token_of(5)


# -------------------------------------------------------------------------------------- updates


def updated(
    library: ctypes.CDLL, old: int, new: int, values: dict[int, bytes | int | None]
) -> Board:
    """A board that was set under one version, and starts another."""
    board = Board(library, FINE).restart(old)
    assert board.commit(b"before..", values) == 0
    return board.restart(new)


def held(board: Board, field: int) -> int:
    """Whether the field is set or fell back."""
    return int(board.in_force.state[field]) & (IS_SET | FELL_BACK)


def test_an_update_finds_what_was_set_by_older_keys(library: ctypes.CDLL) -> None:
    """A renamed field, and a section that began to repeat [10]; versions may be skipped."""
    board = updated(library, FIRST, SECOND, {NAME: b"mast", DEPTH: 25})
    assert (board.in_force.name, board.in_force.depth) == (b"mast", 250)
    assert held(board, NAME) == held(board, DEPTH) == IS_SET
    assert board.missing == HEIGHT
    assert told_token(board) == b"before.."
    board = updated(library, FIRST, THIRD, {NAME: b"mast", DEPTH: 25})
    assert (board.in_force.name, board.in_force.depth) == (b"mast", 25)


def test_an_older_firmware_loads_what_fits(library: ctypes.CDLL) -> None:
    """Back from version 2 to 1: keys that it does not know are unset, the others are kept."""
    values: dict[int, bytes | int | None] = {NAME: b"mast", KEY: CANARY, MODE: 0, HEIGHT: 312}
    board = updated(library, SECOND, FIRST, values)
    assert board.missing == NAME
    assert board.in_force.key == CANARY
    assert board.in_force.mode == LAMP  # by its key, whatever its number is
    assert board.in_force.depth == 20  # the default
    again = board.restart(SECOND)
    assert (again.in_force.name, again.in_force.height) == (b"mast", 312)


@pytest.mark.parametrize(
    ("old", "depth", "new", "expected"),
    [
        (FIRST, -100, SECOND, -1000),
        (FIRST, 0, SECOND, 0),
        (SECOND, 250, THIRD, 25),
        (SECOND, -250, THIRD, -25),
        (SECOND, 255, THIRD, None),  # 2.55 has no form with one digit
        (SECOND, 10_000, THIRD, 1000),
        (SECOND, -1000, THIRD, -100),
    ],
)
def test_decimals_are_rescaled_or_fall_back(
    library: ctypes.CDLL, old: int, depth: int, new: int, expected: int | None
) -> None:
    """A number keeps its value when its digits change, or is not taken at all."""
    board = updated(
        library,
        old,
        new,
        {NAME: b"mast", DEPTH: depth, HEIGHT: 1}
        if old == SECOND
        else {NAME: b"mast", DEPTH: depth},
    )
    if expected is None:
        assert held(board, DEPTH) == FELL_BACK
        assert board.in_force.depth == 20
    else:
        assert held(board, DEPTH) == IS_SET
        assert board.in_force.depth == expected


@pytest.mark.parametrize(
    ("tag", "value", "depth"),
    [
        (4 + 0 * 256 + UNIT_M, 7, 70),
        (4 + 6 * 256 + UNIT_M, 7_000_000, 70),
        (4 + 1 * 256 + UNIT_M, 2**31 - 1, None),
        (4 + 0 * 256 + UNIT_M, 2**32 - 1, None),
        (4 + 0 * 256 + UNIT_M, 2**31 - 1, None),
        (4 + 0 * 256 + UNIT_M, -(2**31), None),
        (4 + 255 * 256 + UNIT_M, 0, 0),
        (4 + 0 * 256 + UNIT_M, "7", None),
        (4 + 0 * 256, 7, None),  # no unit
        (3 + 0 * 256 + UNIT_M, 7, None),  # an integer
    ],
)
def test_a_decimal_of_other_digits_from_any_firmware(
    library: ctypes.CDLL, tag: int, value: object, depth: int | None
) -> None:
    """Whatever tag and number are stored: exactly the same number, or the default."""
    board = board_with(library, record(entry("probe.depth", tag, value)))
    assert held(board, DEPTH) == (FELL_BACK if depth is None else IS_SET)
    assert board.in_force.depth == (20 if depth is None else depth)


def test_what_no_longer_fits_falls_back_and_is_dropped_at_the_next_commit(
    library: ctypes.CDLL,
) -> None:
    """A tighter limit and an option that is gone; going back before a commit loses nothing."""
    values: dict[int, bytes | int | None] = {NAME: b"mast", CERT: b"c" * 9, MODE: SIREN}
    board = updated(library, FIRST, SECOND, values)
    assert held(board, CERT) == held(board, MODE) == FELL_BACK
    back = board.copy().restart(FIRST)
    assert (held(back, CERT), back.in_force.mode) == (IS_SET, SIREN)
    assert board.commit(b"updated.", {HEIGHT: 1}) == 0
    board.restart(SECOND)
    assert held(board, CERT) == held(board, MODE) == 0
    assert held(board, NAME) == IS_SET


def test_the_full_key_counts_before_older_ones(library: ctypes.CDLL) -> None:
    """In whatever order the entries stand; one that does not fit is no reason to look further."""
    older, newer = entry("site.name", 1, "older"), entry("site.title", 1, "newer")
    for payload in (older + newer, newer + older):
        assert board_with(library, record(payload), SECOND).in_force.name == b"newer"
    unfit = entry("site.title", 1, "x" * 17)
    board = board_with(library, record(older + unfit), SECOND)
    assert held(board, NAME) == FELL_BACK
