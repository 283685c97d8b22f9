# SPDX-License-Identifier: MIT
"""The stub's store under power cuts (firmware_stub/STORAGE.md).

The invariant: after a power cut a board holds the whole old set or the whole new one; what it told
a host once, by an acknowledgement or at a start, it holds at every later start.
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from tests.c_board.board import Tear
from tests.stub.store_board import (
    COARSE,
    FINE,
    FIRST,
    GEOMETRIES,
    HEIGHT,
    NO_OLDER_SET,
    SECOND,
    SIREN,
    THREE,
    TRIAL,
    TWO,
    Board,
    Geometry,
    Step,
    commit,
    operations_of,
    restart,
    token_of,
    told_token,
)

pytestmark = pytest.mark.needs("cc")


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


LONG: dict[str, bytes | int | None] = {"key": b"q" * 24, "cert": b"c" * 60, "mode": SIREN}
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


def prepare(library: ctypes.CDLL, geometry: Geometry, scenario: Scenario, turn: int = 0) -> Board:
    """The board just before the last step, in a power cycle of its own.

    turn: how many sets were committed before the scenario, so that its records lie in other slots.
    """
    board = Board(library, geometry)
    for number in range(turn):
        assert commit(90 + number)(board.restart()) == 0
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
    sizes = tuple(after.flash.sizes[number] for number in operations)
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

    A torn erase unit reads as before or as after the operation; each combination is tried at each
    start. A start that no cut ends tells a host where the board stands, and from then on only that
    is right.
    """

    def __init__(self, schema: int) -> None:
        self.schema = schema
        self.seen: set[tuple[bytes, frozenset[State], int, int]] = set()

    def explore(self, board: Board, possible: frozenset[State], cuts: int, quiet: int) -> None:
        """Go on from a board without power: so many more cuts, and so many starts that tell."""
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


COARSE_FIVE = Geometry(5, 1024, 1024, 256)
IN_TRIAL = [one for one in SCENARIOS if one.name in ("undo in a trial", "proven")]
BETWEEN = [one for one in SCENARIOS if one.name in ("second commit", "undo", "erase")]


def explore(
    library: ctypes.CDLL, geometry: Geometry, scenario: Scenario, cuts: int, turn: int = 0
) -> int:
    """Cut the last step everywhere, and explore from there; returns how many states were seen."""
    board = prepare(library, geometry, scenario, turn)
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
    assert all(explore(library, COARSE, scenario, 3, turn) > 0 for turn in range(4))


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
    assert told_token(board) == token_of(3)
    board.power_as(0)
    assert board.start() == 0
    assert told_token(board) == token_of(2)


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
        followed = {state.followed_by(whole.told) for state in possible}
        operations = operations_of(board, request)
        if operations and chance.random() < 0.4:
            cut_randomly(board, request, operations, chance)
            cuts += 1
            possible |= followed
            is_on = False
        else:
            assert request(board) == refusal
            possible = followed if operations else possible
            is_on = chance.random() < 0.8
        board.check_rules()
    return cuts


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
