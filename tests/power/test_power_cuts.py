# SPDX-License-Identifier: MIT
"""The stub's store under power cuts, by the numbered invariants of oracle.h.

A slice of the long run, which is `python scripts/power_cuts.py`. The promises are those of
firmware_stub/STORAGE.md.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.c_board.board import Tear, build
from tests.power.harness import (
    SCENARIOS,
    Job,
    compile_driver,
    compile_objects,
    deep,
    faults,
    flips,
    histories,
    matrix,
    run,
    run_all,
    wrap,
)
from tests.power.plants import PLANTS, Plant
from tests.stub.store_board import TWO, Board, commit, token_of, told_token

pytestmark = [pytest.mark.needs("cc"), pytest.mark.timeout(600)]


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Driver and stub."""
    return compile_objects(tmp_path_factory.mktemp("power"))


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory, objects: list[Path]) -> Path:
    """The driver with the stub's store."""
    return compile_driver(tmp_path_factory.mktemp("power"), objects)


def check(driver: Path, jobs: list[Job]) -> dict[str, int]:
    """Run jobs, none of which may find a violation; return the sums of what they counted."""
    sums: dict[str, int] = {}
    for report in run_all(driver, jobs):
        assert not report.violations, "\n".join(report.told)
        for name, count in report.counts.items():
            sums[name] = sums.get(name, 0) + count
    return sums


def test_there_are_as_many_scenarios_as_promised() -> None:
    """At least 20 are asked for; each has a name of its own."""
    lines = [line for line in SCENARIOS.read_text().splitlines() if line and line[0] != "#"]
    names = {line.split("|")[0].strip() for line in lines}
    assert len(names) == len(lines) >= 40


def test_a_cut_at_every_byte_and_another_in_the_start_after_it(driver: Path) -> None:
    """45 scenarios, 9 geometries, 6 tears, 4, 3 and 2 slots: no invariant is violated."""
    assert check(driver, matrix("short"))["cuts"] > 650_000


def test_every_history_of_three_cuts(driver: Path) -> None:
    """Each operation of each start is cut, torn units read as done or not in every combination.

    With four slots, the records lie in each of them by turns.
    """
    turns = [Job("deep", {"slots": 4, "cuts": 3, "turn": turn}) for turn in (1, 2, 3)]
    assert check(driver, [*deep((2, 3, 4), cuts=3), *turns])["states"] > 150_000


IN_TRIAL = ("undo in a trial", "trial is proven")


def test_four_cuts_in_succession(driver: Path) -> None:
    """With four slots nothing is lost outside of trials, with five nothing in trials either."""
    four = [(4, only) for only in ("second commit", "undo", "erase")]
    cases = four + [(5, only) for only in IN_TRIAL]
    check(driver, [Job("deep", {"slots": n, "cuts": 4, "only": only}) for n, only in cases])


@pytest.mark.parametrize("only", IN_TRIAL)
def test_four_cuts_in_a_trial_are_too_many_for_four_slots(driver: Path, only: str) -> None:
    """STORAGE.md says so, and a history is found that loses a set."""
    job = Job("deep", {"slots": 4, "cuts": 4, "withstands": 4, "only": only})
    assert set(run(driver, job).violations) == {3}


def test_operations_and_reads_that_fail_or_lie(driver: Path) -> None:
    """What is acknowledged is there, what is refused changed nothing.

    Each operation of each request fails, or does nothing. Each read of each request and start fails
    once, or has one bit wrong once: then, too, a whole set is in force under its own token.
    """
    assert check(driver, faults("short"))["cuts"] > 75_000


def test_a_generation_that_wraps(driver: Path) -> None:
    """1 follows 2^32-1 [5.2]: two cuts, and random histories, around it lose nothing."""
    jobs = [job for job in wrap() if job.part != "flips"]  # those take too long here
    assert check(driver, jobs)["cuts"] > 50_000


def test_every_flipped_bit_is_noticed_or_harmless(driver: Path) -> None:
    """A bit outside of the record in force changes nothing, one inside brings no wrong value."""
    assert check(driver, flips([1, 3]))["cuts"] > 2_000_000


def test_random_histories(driver: Path) -> None:
    """30,000 seeded ones, and 3,000 where torn units read alike; some go beyond the promise."""
    assert check(driver, histories(30_000, seed=1))["cuts"] > 150_000


def test_wear_is_spread_over_the_slots(driver: Path) -> None:
    """A commit erases one slot, a start none; each of n slots takes one in n (STORAGE.md, Wear)."""
    lines = run(driver, Job("wear")).lines
    assert len(lines) > 20
    for line in lines:
        slots, times, least, most = (int(line[key]) for key in ("slots", "times", "least", "most"))
        if line["wear"] in ("commit", "undo"):
            assert line["erases"] == times
            assert times // slots <= least <= most <= -(-times // slots)
        elif line["wear"] == "start":
            assert line["erases"] == 0


def test_two_slots_may_lose_both_sets_to_two_cuts(tmp_path: Path) -> None:
    """The border of their promise (STORAGE.md): a torn payload, then a torn erase of the other."""
    board = Board(build(tmp_path), TWO).restart()
    assert commit(1)(board) == 0
    for number in (2, 3):
        whole = board.copy()
        before = whole.operations
        assert commit(number)(whole) == 0
        board.cut(whole.operations - 2 if number == 2 else before, 0, Tear.UNSTABLE)
        commit(number)(board)
        if number == 2:
            board.power_as(board.torn)
            assert board.start() == 0
            assert told_token(board) == token_of(2)
    board.power_as(0)  # the payload reads wrong, and the erase as if it had not begun
    assert board.start() == 0
    assert told_token(board) == token_of(1)
    board.power_as(board.torn)  # as if it had been done
    assert board.start() == 0
    assert not board.told_fields.holds_set


def test_two_slots_may_take_back_what_only_a_start_told(tmp_path: Path) -> None:
    """A payload that reads right at one start and wrong at the next: STORAGE.md gives it up."""
    board = Board(build(tmp_path), TWO).restart()
    assert commit(1)(board) == 0
    assert commit(2)(board) == 0
    whole = board.copy()
    assert commit(3)(whole) == 0
    board.cut(whole.operations - 2, 0, Tear.UNSTABLE)
    commit(3)(board)
    board.power_as(board.torn)
    assert board.start() == 0
    assert told_token(board) == token_of(3)
    board.power_as(0)
    assert board.start() == 0
    assert told_token(board) == token_of(2)


QUICK = [
    Job("faults", {"geometry": 3, "each": 199}),
    *(Job("matrix", {"geometry": 3, "tear": tear, "each": 4}) for tear in ("prefix", "unstable")),
    Job("deep", {"slots": 4, "cuts": 2, "only": "very first start"}),
    Job("histories", {"first": 0, "count": 1000}),
]


@pytest.mark.parametrize("plant", PLANTS, ids=lambda one: one.name)
def test_a_planted_fault_is_found(tmp_path: Path, objects: list[Path], plant: Plant) -> None:
    """The harness notices a store that breaks its rules, within seconds."""
    broken = compile_driver(tmp_path, objects, *plant.write(tmp_path))
    found = set().union(*(report.violations for report in run_all(broken, QUICK)))
    assert plant.breaks <= found
