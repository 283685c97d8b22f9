# SPDX-License-Identifier: MIT
"""The Python board's store under the same power cuts as the C store: the same scenarios and tears.

Fewer cuts than there, since each takes a hundred times as long; the rules, which are the same, are
worded in oracle.h. What is held is read back from a start, and compared with what was asked for.
"""

from __future__ import annotations

import copy
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import pytest

from provision.board.flash import (
    CutAt,
    Faults,
    Flash,
    FlashError,
    Geometry,
    Operation,
    OperationKind,
    PowerCut,
    Tear,
    TornUnits,
    all_but_last,
    nothing,
    prefix,
    subset,
)
from provision.board.store import FlashStore, NoOlderSet, Record, StorageError, pack_values
from provision.schema.model import Value
from tests.board.host import ORCHARD
from tests.power.harness import SCENARIOS

DIGESTS = {"plain": b"version1", "trial": b"version1", "second": b"version2", "third": b"version3"}
GEOMETRIES = (Geometry(2048, 256, 8), Geometry(4 * 1024, 1024, 16), Geometry(4 * 4096, 4096, 256))


@dataclass(frozen=True, slots=True)
class Scenario:
    """One line of scenarios.txt."""

    name: str
    firmware: str
    before: tuple[str, ...]
    last: str
    later: str


def scenarios() -> Iterator[Scenario]:
    """Yield what the C driver runs too."""
    for line in SCENARIOS.read_text().splitlines():
        if line and not line.startswith("#"):
            name, firmware, before, last, later = (part.strip() for part in line.split("|"))
            steps = tuple(step.strip() for step in before.split(",") if step.strip())
            yield Scenario(name, firmware, steps, last, later)


def values_of(number: int, shape: str) -> dict[str, Value]:
    """What a commit stores; each has the number in it."""
    values: dict[str, Value] = {"net.name": b"tree %d" % number}
    if shape in ("plain", "long"):
        values["service.key"] = f"secret-{number:03}" + ("k" * 30 if shape == "long" else "")
    if shape == "long":
        values["service.cert"] = bytes([0x80 | number]) * 60
    return values


@dataclass(frozen=True, slots=True)
class Held:
    """What a commit made: the parts of its record by which it is told from all others."""

    token: bytes
    payload: bytes
    digest: bytes


@dataclass(frozen=True, slots=True)
class State:
    """One of the states that the board may be in; None: no set."""

    current: Held | None = None
    confirmed: Held | None = None
    older: Held | None = None
    starts_left: int = 0

    def tells(self, record: Record) -> bool:
        """Whether this is what the board has in force."""
        if self.current is None:
            return not record.is_set
        held = Held(record.token, record.payload, record.schema_digest)
        return record.is_set and held == self.current and record.trial_starts == self.starts_left

    def after_start(self, firmware: str) -> State:
        """The state after one more start [5.4]."""
        if self.starts_left == 0:
            return self
        if firmware != "trial":
            return State(self.current, None, self.confirmed)
        if self.starts_left > 1:
            return replace(self, starts_left=self.starts_left - 1)
        return State(self.confirmed, None, self.current)

    def followed_by(self, step: str, firmware: str, held: Held | None) -> State:
        """The state after a request that was done; `held` is what a commit makes."""
        match step.split(maxsplit=1)[0]:
            case "commit" | "again" if firmware == "trial" and self.current is not None:
                confirmed = self.confirmed if self.starts_left else self.current
                return State(held, confirmed, confirmed, 3)
            case "commit" | "again":
                return State(held, None, self.current)
            case "undo" | "expire":
                back = self.confirmed if self.starts_left else self.older
                return self if back is None else State(back, None, self.current)
            case "erase":
                return State()
            case _:
                return State(self.current, None, self.confirmed)


class ErasedFirst(Faults):
    """Lets through what another plan of faults does, and holds the store to its own rule."""

    def __init__(self, flash: Flash, other: Faults) -> None:
        self._other = other
        self._unit = flash.geometry.erase_unit
        self._erased: set[int] = set()

    def changing(self, operation: Operation) -> Tear | None:
        """A slot is erased in the power cycle that writes it (STORAGE.md)."""
        if operation.change is OperationKind.ERASE:
            self._erased.add(operation.offset // self._unit)
        else:
            assert operation.offset // self._unit in self._erased
        return self._other.changing(operation)

    def reading(self, offset: int, content: bytes) -> bytes:
        """See Faults."""
        return self._other.reading(offset, content)


class Board:
    """A store, its flash, and the states that it may be in."""

    def __init__(self, geometry: Geometry, firmware: str) -> None:
        self.store = FlashStore(Flash(geometry), 4)
        self.firmware = firmware
        self.possible = {State()}
        self.misreads = False

    def power(self, faults: Faults) -> None:
        """Begin a power cycle."""
        self.store.flash.power_up(ErasedFirst(self.store.flash, faults))

    def start(self, firmware: str) -> None:
        """Start, and tell what is in force."""
        self.firmware = firmware
        advanced = {state.after_start(firmware) for state in self.possible}
        try:
            self.store.boot(offers_trial=firmware == "trial")
        except PowerCut:
            self.possible |= advanced
            raise
        self.possible = self.told(advanced)

    def told(self, possible: set[State]) -> set[State]:
        """Return those of the states that the board is in now."""
        record = self.store.current
        right = {state for state in possible if state.tells(record)}
        assert right, f"the board tells neither the old set nor the new one: {record}"
        if record.generation > 0 and not record.is_set:
            self.check_wiped()
        return right

    def check_wiped(self) -> None:
        """After an erase no byte of a value is in any slot."""
        for number in range(200):
            assert b"tree %d" % number not in self.store.flash.content
        assert b"secret-" not in self.store.flash.content
        assert b"kkkk" not in self.store.flash.content

    def request(self, step: str) -> None:
        """Ask for something, and tell what is in force."""
        word, *more = step.split()
        held = None
        if word in ("commit", "again"):
            held = self.commit_of(int(more[0]), more[1] if len(more) > 1 else "plain")
            if word == "again" and self.store.current.token == held.token:
                return
        followed = {state.followed_by(step, self.firmware, held) for state in self.possible}
        try:
            self.act(word, held)
        except PowerCut:
            self.possible |= followed
            raise
        except NoOlderSet:
            followed = self.possible
        except StorageError:
            assert self.misreads, "no operation failed"
            # An erase is in force already if only a slot after the first could not be wiped.
            followed = self.possible | (followed if word == "erase" else set())
        self.possible = self.told(followed)

    def act(self, word: str, held: Held | None) -> None:
        """Do what a request asks for."""
        if held is not None:
            on_trial = self.firmware == "trial"
            self.store.commit(held.payload, held.token, held.digest, on_trial=on_trial)
            return
        what: dict[str, Callable[[], None]] = {
            "undo": lambda: self.store.undo(lambda _: self.serves()),
            "erase": self.store.erase,
            "confirm": self.store.confirm,
            "expire": self.store.end_trial,
        }
        what[word]()

    def serves(self) -> bool:
        """Version 2 asks for more than version 1 had; nothing else lacks anything."""
        (older,) = {state.older or state.confirmed for state in self.possible}
        assert older is not None
        return self.firmware != "second" or older.digest == DIGESTS["second"]

    def commit_of(self, number: int, shape: str) -> Held:
        """What a commit of that number makes; `same` stages nothing."""
        payload = pack_values(ORCHARD, values_of(number, shape))
        if shape == "same":
            payload = self.store.current.payload
        return Held(b"token%03d" % number, payload, DIGESTS[self.firmware])

    def step(self, step: str, later: str) -> None:
        """Do a step; a start begins no power cycle of its own."""
        word, *firmware = step.split()
        if word == "start":
            self.start(firmware[0] if firmware else later)
        else:
            self.request(step)


def prepare(geometry: Geometry, scenario: Scenario) -> Board:
    """The board just before the step that is cut."""
    board = Board(geometry, scenario.firmware)
    board.power(Faults())
    if scenario.before or scenario.last != "start":
        board.start(scenario.firmware)
    for step in scenario.before:
        if step.startswith("start"):
            board.power(Faults())
        board.step(step, scenario.firmware)
    board.power(Faults())
    return board


TEARS = ("nothing", "prefix", "subset", "all-but-last", "unstable", "ecc")


class Cutter:
    """The power fails as one of the tears says; torn units stay torn from cycle to cycle."""

    def __init__(self, tear: str, geometry: Geometry, seed: int) -> None:
        self.chance = random.Random(seed)
        self.geometry = geometry
        self.tear = tear
        self.torn = TornUnits(geometry.program_unit, self.chance, fails=tear == "ecc")

    def faults(self, number: int | None) -> Faults:
        """The faults of a power cycle; None: the power does not fail."""
        unit = self.geometry.program_unit
        if self.tear in ("unstable", "ecc"):
            self.torn.power_up(number)
            return self.torn
        if number is None:
            return Faults()
        tears = {
            "nothing": nothing,
            "prefix": prefix(self.chance.randint(1, max(1, unit - 1))),
            "subset": subset(self.chance),
            "all-but-last": all_but_last(unit),
        }
        return CutAt(number, tears[self.tear])


def changes_of(board: Board, step: str, later: str) -> int:
    """How many changes of the flash a step makes in its power cycle."""
    whole = copy.deepcopy(board)
    whole.step(step, later)
    return whole.store.flash.changes


def play(scenario: Scenario, geometry: Geometry) -> int:
    """Cut every change by every tear, and then one of the start after it; return how many cuts."""
    board = prepare(geometry, scenario)
    changes = changes_of(board, scenario.last, scenario.later)
    for change in range(changes):
        for tear in TEARS:
            cutter = Cutter(tear, geometry, change)
            broken = copy.deepcopy(board)
            broken.power(cutter.faults(change))
            with pytest.raises(PowerCut):
                broken.step(scenario.last, scenario.later)
            recover(broken, cutter, scenario.later)
    return changes * len(TEARS)


WRITE_NOTHING = {
    "start without a cause to write",
    "same values, same token",
    "start after erase",
    "first start of an update",
    "going back to older firmware",
}


@pytest.mark.parametrize("scenario", list(scenarios()), ids=lambda one: one.name)
def test_a_cut_and_another_in_the_start_after_it(scenario: Scenario) -> None:
    """However the first cut tears, and the second: the old set or the new, at every later start."""
    cuts = sum(play(scenario, geometry) for geometry in GEOMETRIES)
    assert (cuts == 0) == (scenario.name in WRITE_NOTHING)


def play_all() -> None:
    """Every scenario on every geometry."""
    for scenario in scenarios():
        for geometry in GEOMETRIES:
            play(scenario, geometry)


PLANTS = {
    "an unsealed record is believed as it is": ("_settle", lambda _: None),
    "a torn slot is left at boot": ("_mend", lambda _: True),
    "the confirmed set may be overwritten": ("_older", lambda _: None),
}


@pytest.mark.parametrize("plant", PLANTS)
def test_a_planted_fault_is_found(monkeypatch: pytest.MonkeyPatch, plant: str) -> None:
    """A store without one of its rules fails one of the scenarios at least."""
    monkeypatch.setattr(FlashStore, *PLANTS[plant])
    with pytest.raises(AssertionError, match=r"neither the old set|tree|secret|kkkk|older"):
        play_all()


class Misread(Faults):
    """Counts reads; one of them fails, or has one bit wrong, once."""

    def __init__(self, number: int | None = None, bit: int | None = None) -> None:
        self.reads = 0
        self._number = number
        self._bit = bit

    def reading(self, offset: int, content: bytes) -> bytes:  # noqa: ARG002
        """See Faults."""
        self.reads += 1
        if self.reads - 1 != self._number or not content:
            return content
        if self._bit is None:
            raise FlashError
        wrong = bytearray(content)
        wrong[self._bit // 8 % len(content)] ^= 1 << self._bit % 8
        return bytes(wrong)


def misread(board: Board, scenario: Scenario, fault: Misread) -> Board:
    """A copy of the board that did the last step with a read gone wrong."""
    wrong = copy.deepcopy(board)
    wrong.misreads = True
    wrong.power(fault)
    wrong.step(scenario.last, scenario.later)
    return wrong


@pytest.mark.parametrize("scenario", list(scenarios()), ids=lambda one: one.name)
def test_a_read_that_fails_or_has_a_bit_wrong_once(scenario: Scenario) -> None:
    """Every read of a start or request: a whole set under its own token, and nothing is lost."""
    board = prepare(GEOMETRIES[0], scenario)
    count = Misread()
    misread(board, scenario, count)
    chance = random.Random(scenario.name)
    for number in range(count.reads):
        for bit in (None, *(chance.randrange(8 * 64) for _ in range(3))):
            wrong = misread(board, scenario, Misread(number, bit))
            wrong.misreads = False
            for step in ("start", "start", "commit 199 long", "undo", "start"):
                if step == "start":
                    wrong.power(Faults())
                wrong.step(step, scenario.later)


def recover(board: Board, cutter: Cutter, firmware: str) -> None:
    """Start again, with a cut on the way, until a start tells; then twice more, and store a set."""
    board.power(cutter.faults(cutter.chance.randrange(40)))
    try:
        board.start(firmware)
    except PowerCut:
        board.power(cutter.faults(None))
        board.start(firmware)
    for _ in range(2):
        board.power(cutter.faults(None))
        board.start(firmware)
    board.request("commit 199 long")
    board.power(cutter.faults(None))
    board.start(firmware)
