# SPDX-License-Identifier: MIT
"""The stub's store (firmware_stub/STORAGE.md) on flash that loses power wherever it hurts.

The invariant: after a power cut a board holds the whole old set or the whole new one; what it told a
host once, at this start or by an acknowledgement, it holds at every later start.

The compiled stub runs on a model of flash (flash_model.c) inside this process. The model enforces the
rules of NOR flash: bits go from 1 to 0, a program unit is written once between erases, and only where
the same power cycle has erased.
"""

from __future__ import annotations

import ctypes
import hashlib
import io
import random
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

import cbor2
import google_crc32c
import pytest

ROOT = Path(__file__).parents[2]
STUB = ROOT / "firmware_stub"
HERE = Path(__file__).parent

pytestmark = pytest.mark.needs("cc")

FLAGS = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror"]
# Undefined behaviour ends the run instead of passing unseen.
CHECKED = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]

STORAGE_REFUSED = 23  # PV_REFUSE_STORAGE, PV_REFUSE_NO_OLDER_SET of pv_table.h
NO_OLDER_SET = 24
NO_FIELD = 0xFFFF
ERROR_CONFIG, ERROR_SPACE = -1, -3  # PV_ERROR_ of pv.h
IS_SET, IS_ACTIVE, FELL_BACK, IN_FORCE = 1, 2, 4, 8
CAN_UNDO, CAN_TRIAL = 1, 2

# The schemas of store_board.c.
FIRST, SECOND, THIRD, TRIAL = range(4)
NAME, DEPTH, KEY, CERT, MODE, HEIGHT = range(6)
SIREN, LAMP = 1, 2  # options of version 1


class Tear(IntEnum):
    """What an operation that was cut short leaves: enum flash_tear of flash_model.h."""

    NOTHING = 0
    PREFIX = 1
    SUBSET = 2
    ALL_BUT_LAST = 3
    UNSTABLE = 4
    ECC = 5


@dataclass(frozen=True, slots=True)
class Geometry:
    """How a board's flash is divided."""

    slots: int
    slot_size: int
    erase_unit: int
    program_unit: int

    def __str__(self) -> str:
        return f"{self.slots}x{self.slot_size}-{self.erase_unit}-{self.program_unit}"


FINE = Geometry(4, 512, 256, 8)
GEOMETRIES = [FINE, Geometry(4, 512, 512, 1), Geometry(4, 1024, 1024, 256)]
THREE = Geometry(3, 512, 256, 8)
TWO = Geometry(2, 512, 256, 8)


class Settings(ctypes.Structure):
    """The settings struct of store_board.c."""

    _fields_ = (
        ("state", ctypes.c_uint8 * 6),
        ("name", ctypes.c_char * 17),
        ("depth", ctypes.c_int32),
        ("key", ctypes.c_char * 25),
        ("certificate_length", ctypes.c_uint16),
        ("certificate", ctypes.c_uint8 * 64),
        ("mode", ctypes.c_uint8),
        ("height", ctypes.c_int32),
    )


class Told(ctypes.Structure):
    """What board_told() gives."""

    _fields_ = (
        ("holds_set", ctypes.c_uint8),
        ("starts_left", ctypes.c_uint8),
        ("token", ctypes.c_char * 8),
    )


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """The stub with the flash model and the test board, compiled."""
    target = tmp_path_factory.mktemp("store") / "store.so"
    own = [HERE / "flash_model.c", HERE / "store_board.c"]
    sources = sorted(map(str, [*own, *(STUB / "src").glob("*.c")]))
    folders = [f"-I{folder}" for folder in (STUB / "include", STUB / "src", HERE)]
    subprocess.run(
        ["cc", *FLAGS, *CHECKED, "-O1", "-fPIC", "-shared", *folders, "-o", target, *sources],
        check=True,
        timeout=120,
    )
    loaded = ctypes.CDLL(str(target))
    loaded.board_new.restype = ctypes.c_void_p
    loaded.board_settings.restype = ctypes.POINTER(Settings)
    loaded.board_image.restype = ctypes.POINTER(ctypes.c_uint8)
    loaded.board_find_in_ram.restype = ctypes.c_long
    loaded.board_told.restype = ctypes.c_size_t
    for name in ("generation", "erases", "operations", "operation_size", "broken_rules", "torn"):
        getattr(loaded, f"board_{name}").restype = ctypes.c_uint32
    for name in ("missing", "capabilities"):
        getattr(loaded, f"board_{name}").restype = ctypes.c_uint16
    loaded.board_is_dead.restype = ctypes.c_bool
    return loaded


class Board:
    """One board: its flash, which outlives a start, and the stub's RAM, which does not."""

    def __init__(self, library: ctypes.CDLL, geometry: Geometry, seed: int = 1) -> None:
        self.library = library
        self.geometry = geometry
        self.handle = ctypes.c_void_p(
            library.board_new(
                geometry.slots, geometry.slot_size, geometry.erase_unit, geometry.program_unit, seed
            )
        )

    def __del__(self) -> None:
        self.library.board_free(self.handle)

    def __repr__(self) -> str:
        return f"Board({self.geometry})"

    def copy(self) -> Board:
        """Return another board in the same state."""
        other = Board(self.library, self.geometry)
        self.library.board_copy(other.handle, self.handle)
        return other

    def power(self) -> None:
        """Begin a new power cycle."""
        self.library.board_power(self.handle)

    def power_as(self, happened: int) -> None:
        """The same; what is torn in erase unit n reads as done where bit n is set, else as not."""
        self.library.board_power_as(self.handle, happened)

    def start(self, schema: int = FIRST) -> int:
        """Start the firmware."""
        return int(self.library.board_start(self.handle, schema))

    def restart(self, schema: int = FIRST) -> Board:
        """Power off and on, and start without a fault."""
        self.power()
        assert self.start(schema) == 0
        return self

    def cut(self, operation: int, size: int, tear: Tear) -> None:
        """Lose power in the operation with that number of this power cycle."""
        self.library.board_cut(self.handle, operation, size, int(tear))

    def fail(self, first: int, end: int) -> None:
        """Let the operations of that range report a failure."""
        self.library.board_fail(self.handle, first, end)

    def fail_reads(self, after: int) -> None:
        """Let reading fail after so many reads."""
        self.library.board_fail_reads(self.handle, after)

    def stage(self, values: dict[int, bytes | int | None]) -> None:
        """Stage values, or None to clear."""
        for field, value in values.items():
            if value is None:
                self.library.board_stage_clear(self.handle, field)
            elif isinstance(value, int):
                self.library.board_stage_number(self.handle, field, value)
            else:
                self.library.board_stage_bytes(self.handle, field, value, len(value))

    def commit(self, token: bytes, values: dict[int, bytes | int | None]) -> int:
        """Stage and commit."""
        self.stage(values)
        return int(self.library.board_commit(self.handle, token))

    def undo(self) -> int:
        """Put the older set in force."""
        return int(self.library.board_undo(self.handle))

    def confirm(self) -> int:
        """Keep the set on trial."""
        return int(self.library.board_confirm(self.handle))

    def end_trial(self) -> int:
        """End the trial badly."""
        return int(self.library.board_end_trial(self.handle))

    def erase(self) -> int:
        """Wipe all."""
        return int(self.library.board_erase(self.handle))

    @property
    def generation(self) -> int:
        """The generation in force."""
        return int(self.library.board_generation(self.handle))

    @property
    def operations(self) -> int:
        """Programs and erases in this power cycle."""
        return int(self.library.board_operations(self.handle))

    def operation_size(self, operation: int) -> int:
        """Bytes of one of them."""
        return int(self.library.board_operation_size(self.handle, operation))

    @property
    def is_dead(self) -> bool:
        """Whether power is lost."""
        return bool(self.library.board_is_dead(self.handle))

    @property
    def missing(self) -> int:
        """The first required field without a value."""
        return int(self.library.board_missing(self.handle))

    @property
    def capabilities(self) -> int:
        """What the store can promise."""
        return int(self.library.board_capabilities(self.handle))

    @property
    def settings(self) -> Settings:
        """The settings in force, as they stand now."""
        settings: Settings = self.library.board_settings(self.handle).contents
        return settings

    @property
    def told(self) -> bytes:
        """All that a host is told, but for the generation, to compare."""
        told = ctypes.create_string_buffer(1024)
        size = self.library.board_told(self.handle, told)
        return told.raw[:size]

    @property
    def told_fields(self) -> Told:
        """Whether a set is held, starts left and token."""
        return Told.from_buffer_copy(self.told)

    @property
    def image(self) -> bytes:
        """What the flash holds."""
        return bytes(self._cells[: self.geometry.slots * self.geometry.slot_size])

    def change_image(self, at: int, xor: int) -> None:
        """Flip bits of the flash."""
        self._cells[at] ^= xor

    @property
    def _cells(self) -> ctypes._Pointer[ctypes.c_uint8]:
        cells: ctypes._Pointer[ctypes.c_uint8] = self.library.board_image(self.handle)
        return cells

    @property
    def torn(self) -> int:
        """The erase units in which something is torn, as a set of bits."""
        return int(self.library.board_torn(self.handle))

    @property
    def durable(self) -> bytes:
        """A digest of all that outlives a loss of power, what torn units may read as included."""
        buffer = ctypes.create_string_buffer(3 * self.geometry.slots * self.geometry.slot_size)
        self.library.board_durable(self.handle, buffer)
        return hashlib.blake2b(buffer.raw, digest_size=16).digest()

    def write_image(self, at: int, content: bytes) -> None:
        """Put bytes into the flash as a test wants them."""
        for offset, byte in enumerate(content):
            self._cells[at + offset] = byte

    def check_rules(self) -> None:
        """No rule of the flash was broken so far."""
        assert self.library.board_broken_rules(self.handle) == 0

    def find_in_ram(self, secret: bytes) -> int:
        """Where in the stub's RAM, the settings in force aside, these bytes are; -1: nowhere."""
        return int(self.library.board_find_in_ram(self.handle, secret, len(secret)))

    def slot_erases(self) -> list[int]:
        """Erases of the first erase unit of each slot."""
        units = self.geometry.slot_size // self.geometry.erase_unit
        return [
            int(self.library.board_erases(self.handle, slot * units))
            for slot in range(self.geometry.slots)
        ]


Step = Callable[[Board], int]


def commit(number: int, **more: bytes | int | None) -> Step:
    """Commit a set that the number tells from all others."""
    values: dict[int, bytes | int | None] = {NAME: b"tree %d" % number, DEPTH: number}
    names = {"key": KEY, "cert": CERT, "mode": MODE}
    values.update({names[name]: value for name, value in more.items()})
    return lambda board: board.commit(token_of(number), values)


def token_of(number: int) -> bytes:
    """The token of commit(number)."""
    return b"token %2d" % number


def restart(schema: int) -> Step:
    """A start of the firmware; the power cycle begins outside, so that it can be cut."""
    return lambda board: board.start(schema)


@dataclass(frozen=True, slots=True)
class Scenario:
    """Something that is cut short, and how the board came there."""

    name: str
    setup: tuple[Step, ...]
    last: Step
    schema: int = FIRST
    later: int | None = None  # the schema from the last step on

    @property
    def is_start(self) -> bool:
        """Whether the last step is itself a start."""
        return self.last.__qualname__.startswith("restart")


LONG = {"key": b"q" * 24, "cert": b"c" * 60, "mode": SIREN}
FULL = tuple(commit(number, key=b"secret-%d" % number) for number in range(1, 6))

SCENARIOS = [
    Scenario("very first start", (), restart(FIRST)),
    Scenario("first commit", (), commit(1)),
    Scenario("second commit", (commit(1),), commit(2)),
    Scenario("commit when every slot is used", FULL, commit(6, key=b"secret-6")),
    Scenario("larger set", FULL, commit(6, **LONG)),
    Scenario("smaller set", (*FULL, commit(6, **LONG)), commit(7, key=None, cert=None, mode=None)),
    Scenario("same values, another token", FULL, lambda board: board.commit(b"another.", {})),
    Scenario("undo", FULL, Board.undo),
    Scenario("undo of an undo", (*FULL, Board.undo), Board.undo),
    Scenario("erase", FULL, Board.erase),
    Scenario("commit after erase", (*FULL, Board.erase), commit(6)),
    Scenario("start without a cause to write", FULL, restart(FIRST)),
    Scenario(
        "commit after an update", FULL, lambda b: b.commit(b"updated.", {HEIGHT: 7}), FIRST, SECOND
    ),
    Scenario("commit that begins a trial", FULL[:1], commit(2), TRIAL),
    Scenario("commit in a trial", FULL[:2], commit(3), TRIAL),
    Scenario("first start in a trial", FULL[:2], restart(TRIAL), TRIAL),
    Scenario(
        "third start in a trial",
        (*FULL[:2], lambda b: b.restart(TRIAL).restart(TRIAL).generation * 0),
        restart(TRIAL),
        TRIAL,
    ),
    Scenario("proven", FULL[:2], Board.confirm, TRIAL),
    Scenario("trial that expires", FULL[:2], Board.end_trial, TRIAL),
    Scenario("undo in a trial", FULL[:2], Board.undo, TRIAL),
    Scenario("undo after a trial", (*FULL[:2], Board.confirm), Board.undo, TRIAL),
    Scenario("erase in a trial", FULL[:2], Board.erase, TRIAL),
    Scenario("update to a firmware without trials", FULL[:2], restart(FIRST), TRIAL, FIRST),
]
WITHOUT_TRIAL = [one for one in SCENARIOS if one.schema != TRIAL]


def prepare(library: ctypes.CDLL, geometry: Geometry, scenario: Scenario) -> Board:
    """The board just before the last step, in a power cycle of its own."""
    board = Board(library, geometry)
    if scenario.setup:
        board.restart(scenario.schema)
    for step in scenario.setup:
        assert step(board) == 0
    board.power()
    if not scenario.is_start:
        later = scenario.schema if scenario.later is None else scenario.later
        assert board.start(later) == 0
    return board


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the last step does when nothing cuts it: all that is told at the starts around it."""

    old: tuple[bytes, bytes, bytes]  # told at the next three starts if it did not happen
    new: tuple[bytes, bytes, bytes]  # if it did
    operations: range
    sizes: tuple[int, ...]


def starts(board: Board, schema: int) -> tuple[bytes, bytes, bytes]:
    """What the board tells at the next three starts."""
    board = board.copy()
    first, second, third = (board.restart(schema).told for _ in range(3))
    return first, second, third


def uncut(board: Board, scenario: Scenario, schema: int) -> Outcome:
    """Run the last step without a cut."""
    old = starts(board, schema)
    after = board.copy()
    begin = after.operations
    assert scenario.last(after) == 0
    operations = range(begin, after.operations)
    sizes = tuple(after.operation_size(number) for number in operations)
    after.check_rules()
    return Outcome(old, starts(after, schema), operations, sizes)


def cut_sizes(size: int, unit: int, tear: Tear) -> Iterator[int]:
    """After how many bytes to cut: every byte of a program, some places of an erase."""
    if tear is not Tear.PREFIX:
        yield 0
    elif size == unit:
        yield from range(1, size)
    else:
        yield from sorted({1, unit, size // 2, size - unit, size - 1} - {0})


def cut_short(board: Board, scenario: Scenario, operation: int, size: int, tear: Tear) -> Board:
    """A copy of the board that lost power in the last step."""
    broken = board.copy()
    broken.cut(operation, size, tear)
    scenario.last(broken)
    assert broken.is_dead
    broken.check_rules()
    return broken


def schema_after(scenario: Scenario) -> int:
    """The firmware that starts after the cut."""
    return scenario.schema if scenario.later is None else scenario.later


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: one.name)
@pytest.mark.parametrize("geometry", [*GEOMETRIES, THREE], ids=str)
def test_a_cut_anywhere_leaves_the_old_set_or_the_new(
    library: ctypes.CDLL, geometry: Geometry, scenario: Scenario
) -> None:
    """Every operation is cut, at every byte of a program; the next starts agree with the first."""
    schema = schema_after(scenario)
    board = prepare(library, geometry, scenario)
    outcome = uncut(board, scenario, schema)
    for operation, size in zip(outcome.operations, outcome.sizes, strict=True):
        for tear in (Tear.NOTHING, Tear.PREFIX, Tear.SUBSET, Tear.ALL_BUT_LAST):
            for done in cut_sizes(size, geometry.program_unit, tear):
                broken = cut_short(board, scenario, operation, done, tear)
                assert starts(broken, schema) in (outcome.old, outcome.new)


HARSH = [Tear.UNSTABLE, Tear.ECC]


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: one.name)
def test_what_a_start_told_stays_true_however_torn_units_read(
    library: ctypes.CDLL, scenario: Scenario
) -> None:
    """Torn units read differently at each start, or not at all; with four slots nothing is lost."""
    check_harsh(library, FINE, scenario)


@pytest.mark.parametrize("scenario", WITHOUT_TRIAL, ids=lambda one: one.name)
def test_three_slots_promise_the_same_as_long_as_there_is_no_trial(
    library: ctypes.CDLL, scenario: Scenario
) -> None:
    """Nothing told is lost; only undo may find nothing afterwards."""
    check_harsh(library, THREE, scenario)


def check_harsh(library: ctypes.CDLL, geometry: Geometry, scenario: Scenario) -> None:
    """Cut each operation so that it reads anyhow, and look at three starts of several readings."""
    schema = schema_after(scenario)
    board = prepare(library, geometry, scenario)
    outcome = uncut(board, scenario, schema)
    for operation in outcome.operations:
        for tear in HARSH:
            broken = cut_short(board, scenario, operation, 0, tear)
            for _ in range(8):
                broken.power()  # other readings
                assert starts(broken, schema) in (outcome.old, outcome.new)


# What a host knows of a board: what it was told, and what a trial that ends badly brings back.
@dataclass(frozen=True, slots=True)
class State:
    """One of the states that a board may be in."""

    told: bytes
    fallback: bytes | None = None

    @property
    def starts_left(self) -> int:
        """Of a trial; 0 outside of one."""
        return self.told[1]

    def after_start(self) -> State:
        """The state after one more start [5.4]."""
        if self.starts_left == 0:
            return self
        if self.starts_left == 1:
            assert self.fallback is not None
            return State(self.fallback)
        return State(self.told[:1] + bytes([self.starts_left - 1]) + self.told[2:], self.fallback)

    def followed_by(self, told: bytes) -> State:
        """The state after a request that made the board tell this."""
        if told[1] == 0:
            return State(told)
        return State(told, self.fallback if self.starts_left else self.told)


class Explorer:
    """Every history of cuts, readings of what they tore, and starts, up to a number of each.

    A torn erase unit reads as before or as after the operation, each combination being tried at each
    start. A start that no cut ends tells a host where the board stands; from then on only that is right.
    """

    def __init__(self, schema: int) -> None:
        self.schema = schema
        self.seen: set[tuple[bytes, frozenset[State], int, int]] = set()

    def explore(self, board: Board, possible: frozenset[State], cuts: int, quiet: int) -> None:
        """Go on from a board without power, by at most so many cuts and so many starts that tell."""
        known = (board.durable, possible, cuts, quiet)
        if known in self.seen:
            return
        self.seen.add(known)
        counted = possible | {state.after_start() for state in possible}
        torn = board.torn
        happened = torn
        while True:  # every subset of the torn units
            whole = board.copy()
            whole.power_as(happened)
            cut_here = whole.copy()
            assert whole.start(self.schema) == 0
            whole.check_rules()
            right = {state for one in possible if (state := one.after_start()).told == whole.told}
            assert right, "the board tells neither the old set nor the new one"
            if quiet:
                self.explore(whole, frozenset(right), cuts, quiet - 1)
            for operation in range(whole.operations if cuts else 0):
                again = cut_here.copy()
                again.cut(operation, 0, Tear.UNSTABLE)
                again.start(self.schema)
                assert again.is_dead
                self.explore(again, counted, cuts - 1, quiet)
            if happened == 0:
                return
            happened = (happened - 1) & torn


COARSE = Geometry(4, 1024, 1024, 256)  # few operations, so that all histories can be tried
COARSE_FIVE = Geometry(5, 1024, 1024, 256)
IN_TRIAL = [one for one in SCENARIOS if one.name in ("undo in a trial", "proven")]
BETWEEN = [one for one in SCENARIOS if one.name in ("second commit", "undo", "erase")]


def explore(library: ctypes.CDLL, geometry: Geometry, scenario: Scenario, cuts: int) -> int:
    """Cut the last step everywhere, and explore from there; returns how many states were seen."""
    board = prepare(library, geometry, scenario)
    old = State(board.told)
    if old.starts_left:
        ended = board.copy()
        assert ended.end_trial() == 0
        old = State(board.told, ended.told)
    whole = board.copy()
    begin = whole.operations
    assert scenario.last(whole) == 0
    explorer = Explorer(schema_after(scenario))
    possible = frozenset({old, old.followed_by(whole.told)})
    for operation in range(begin, whole.operations):
        explorer.explore(
            cut_short(board, scenario, operation, 0, Tear.UNSTABLE), possible, cuts - 1, 3
        )
    return len(explorer.seen)


REQUESTED = [one for one in SCENARIOS if not one.is_start]


@pytest.mark.parametrize("scenario", REQUESTED, ids=lambda one: one.name)
def test_three_cuts_in_succession_lose_nothing(library: ctypes.CDLL, scenario: Scenario) -> None:
    """With four slots, whatever is torn may read as it likes at each start, in trials as well."""
    assert explore(library, COARSE, scenario, 3) > 0


@pytest.mark.parametrize("scenario", BETWEEN, ids=lambda one: one.name)
def test_four_cuts_in_succession_lose_nothing_outside_of_trials(
    library: ctypes.CDLL, scenario: Scenario
) -> None:
    """The same with one cut more."""
    assert explore(library, COARSE, scenario, 4) > 0


@pytest.mark.parametrize("scenario", IN_TRIAL, ids=lambda one: one.name)
def test_four_cuts_in_succession_in_a_trial_take_a_fifth_slot(
    library: ctypes.CDLL, scenario: Scenario
) -> None:
    """STORAGE.md says so; with four slots the explorer finds the history that loses a set."""
    assert explore(library, COARSE_FIVE, scenario, 4) > 0
    with pytest.raises(AssertionError, match="neither the old set nor the new"):
        explore(library, COARSE, scenario, 4)


@pytest.mark.parametrize("scenario", BETWEEN, ids=lambda one: one.name)
def test_three_slots_withstand_two_cuts(library: ctypes.CDLL, scenario: Scenario) -> None:
    """The weaker promise of a board with three slots, outside of trials."""
    assert explore(library, Geometry(3, 1024, 1024, 256), scenario, 2) > 0


TWO_SLOTS = [one for one in WITHOUT_TRIAL if "undo" not in one.name]


@pytest.mark.parametrize("scenario", TWO_SLOTS, ids=lambda one: one.name)
def test_two_slots_hold_the_old_set_or_the_new_at_every_start(
    library: ctypes.CDLL, scenario: Scenario
) -> None:
    """The weaker promise: never a mixture, nothing lost where torn units read alike; see below."""
    schema = schema_after(scenario)
    board = prepare(library, TWO, scenario)
    outcome = uncut(board, scenario, schema)
    for operation, size in zip(outcome.operations, outcome.sizes, strict=True):
        for tear in (Tear.NOTHING, Tear.PREFIX):
            for done in cut_sizes(size, TWO.program_unit, tear):
                broken = cut_short(board, scenario, operation, done, tear)
                assert starts(broken, schema) in (outcome.old, outcome.new)
        broken = cut_short(board, scenario, operation, 0, Tear.UNSTABLE)
        for _ in range(8):
            broken.power()
            assert set(starts(broken, schema)) <= {*outcome.old, *outcome.new}


def test_two_slots_may_take_back_what_only_a_start_told(library: ctypes.CDLL) -> None:
    """A seal that reads right at one start and wrong at the next: STORAGE.md gives it up."""
    board = Board(library, TWO).restart()
    assert commit(1)(board) == 0
    assert commit(2)(board) == 0
    whole = board.copy()
    assert commit(3)(whole) == 0
    board.cut(whole.operations - 1, 0, Tear.UNSTABLE)
    commit(3)(board)
    board.power_as(board.torn)
    assert board.start() == 0
    assert board.told_fields.token == token_of(3)
    board.power_as(0)
    assert board.start() == 0
    assert board.told_fields.token == token_of(2)


# ------------------------------------------------------------------------------ random histories


def random_history(library: ctypes.CDLL, schema: int, seed: int) -> int:
    """A history of requests, cuts, torn readings and starts; returns how often power was cut."""
    chance = random.Random(seed)
    board = Board(library, FINE, seed + 1)
    board.restart(schema)
    possible = {State(board.told)}
    cuts = 0
    is_on = True
    for number in range(30):
        if not is_on:
            board.power()
            operations = operations_of(board, restart(schema))
            if operations and chance.random() < 0.4:
                cut_randomly(board, restart(schema), operations, chance)
                cuts += 1
                possible |= {state.after_start() for state in possible}
                continue
            assert board.start(schema) == 0
            possible = {
                after for one in possible if (after := one.after_start()).told == board.told
            }
            assert possible, f"seed {seed}: the board tells neither the old set nor the new one"
            is_on = True
            continue
        request = random_request(chance, number, on_trial=board.told_fields.starts_left > 0)
        whole = board.copy()
        refusal = request(whole)
        if refusal:
            assert (refusal, whole.told) == (NO_OLDER_SET, board.told)
        after = {state.followed_by(whole.told) for state in possible}
        operations = operations_of(board, request)
        if operations and chance.random() < 0.4:
            cut_randomly(board, request, operations, chance)
            cuts += 1
            possible |= after
            is_on = False
        else:
            assert request(board) == refusal
            possible = after if operations else possible
            is_on = chance.random() < 0.8
        board.check_rules()
    return cuts


def operations_of(board: Board, step: Step) -> range:
    """The operations that a step takes."""
    whole = board.copy()
    begin = whole.operations
    step(whole)
    return range(begin, whole.operations)


def cut_randomly(board: Board, step: Step, operations: range, chance: random.Random) -> None:
    """Lose power in one of the operations, the last being the most delicate."""
    operation = operations[-1] if chance.random() < 0.4 else chance.choice(operations)
    tear = chance.choice([*Tear, Tear.UNSTABLE, Tear.UNSTABLE])
    board.cut(operation, chance.randrange(FINE.program_unit), tear)
    step(board)
    assert board.is_dead


def random_request(chance: random.Random, number: int, *, on_trial: bool) -> Step:
    """Something that a host may ask for."""
    key = chance.choice([None, b"k" * chance.randint(8, 24)])
    cert = chance.choice([None, b"c" * chance.randint(1, 64)])
    one = commit(number, key=key, cert=cert)
    requests: list[Step] = [one, one, one, Board.undo, Board.erase]
    if on_trial:
        requests += [Board.confirm, Board.end_trial]
    return chance.choice(requests)


@pytest.mark.parametrize("schema", [FIRST, TRIAL], ids=["without trials", "with trials"])
def test_random_histories_lose_nothing(library: ctypes.CDLL, schema: int) -> None:
    """1,500 seeded histories with four slots, every tear among them, any number of cuts."""
    assert sum(random_history(library, schema, seed) for seed in range(1500)) > 5000


# ------------------------------------------------------------------------------- what is written


def records(board: Board) -> list[dict[str, object]]:
    """Read the slots by the page STORAGE.md alone, with other people's CRC and CBOR."""
    found = []
    geometry = board.geometry
    for slot in range(geometry.slots):
        content = board.image[slot * geometry.slot_size :][: geometry.slot_size]
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


def test_the_largest_set_must_fit(library: ctypes.CDLL) -> None:
    """A slot that cannot hold it is refused at the start, not at some commit."""
    board = Board(library, Geometry(4, 256, 256, 8))
    board.power()
    assert board.start() == ERROR_SPACE


# ------------------------------------------------------------------------------------- requests


def told_token(board: Board) -> bytes:
    """The token in force; empty where there is none."""
    return bytes(board.told_fields.token) if board.told_fields.holds_set else b""


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
        assert board.settings.name == b"tree %d" % token
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
    assert board.settings.name == b"tree 1"


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


def test_a_failing_flash_refuses_and_changes_nothing(library: ctypes.CDLL) -> None:
    """Whichever operation of a commit fails: refused, now and at later starts; the next one works."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    for operation in operations_of(board, commit(4)):
        failing = board.copy()
        failing.fail(operation, operation + 1)
        assert commit(4)(failing) == STORAGE_REFUSED
        assert failing.told == board.told
        assert failing.copy().restart().told == board.told
        assert commit(5)(failing) == 0
        assert told_token(failing.restart()) == token_of(5)


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


def test_reading_that_fails_never_stops_a_start(library: ctypes.CDLL) -> None:
    """Whichever read fails, and all after it: the board starts, with an older set or with none."""
    board = Board(library, FINE).restart()
    for number in (1, 2, 3):
        commit(number)(board)
    right = {token_of(number) for number in (1, 2, 3)} | {b""}
    for reads in range(200):
        failing = board.copy()
        failing.power()
        failing.fail_reads(reads)
        assert failing.start() == 0
        assert told_token(failing) in right
