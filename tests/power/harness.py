# SPDX-License-Identifier: MIT
"""Compiles and runs the C driver that cuts the power (power_cuts.c), and reads what it counts."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from tests.c_board.abi import HERE as C_BOARD
from tests.c_board.board import UNDEFINED, compile_c, includes, sources_of
from tests.waiting import LONG

ROOT = Path(__file__).parents[2]
HERE = ROOT / "tests" / "power"
SCENARIOS = HERE / "scenarios.txt"
OPTIONS = [*UNDEFINED, "-O2", *includes(HERE)]

TEARS = ("nothing", "prefix", "subset", "all-but-last", "unstable", "ecc")
GEOMETRIES = range(6)
INVARIANTS = {
    1: "starts",
    2: "whole",
    3: "lasting",
    4: "trial",
    5: "generation",
    6: "token",
    7: "gone",
    8: "undo",
    9: "serves",
}
"""By number, as oracle.h words them."""


@dataclass(frozen=True, slots=True)
class Job:
    """One run of the driver."""

    part: str
    options: Mapping[str, int | str] = field(default_factory=dict)

    @property
    def arguments(self) -> list[str]:
        """Return what the driver is called with."""
        given = [f"{name}={value}" for name, value in self.options.items()]
        return [self.part, *given, f"scenarios={SCENARIOS}"]


@dataclass(frozen=True, slots=True)
class Report:
    """What a run found."""

    job: Job
    counts: Mapping[str, int]
    violations: Mapping[int, int]
    """By invariant: how often, where it was at all."""

    told: tuple[str, ...]
    """The first violations, in words."""

    lines: tuple[Mapping[str, int | str], ...]
    """Of `wear`: one for each thing that was done many times."""


def compile_objects(folder: Path) -> list[Path]:
    """Compile the driver and the stub into object files."""
    sources = [*HERE.glob("*.c"), *C_BOARD.glob("*.c"), *sources_of()]
    return [compile_c(folder / f"{each.stem}.o", [each], *OPTIONS, "-c") for each in sources]


def compile_driver(folder: Path, objects: Iterable[Path], *instead: Path) -> Path:
    """Link the driver, with other sources in place of those of their names."""
    names = {source.stem for source in instead}
    rest = [each for each in objects if each.stem not in names]
    return compile_c(folder / "power_cuts", [*rest, *instead], *OPTIONS)


def run(driver: Path, job: Job, *, niceness: int = 0, patience: float | None = LONG) -> Report:
    """Run one job. patience: seconds that it may take, None for a long run.

    Raises CalledProcessError and TimeoutExpired where the driver does not come to its end.
    """
    command = ["nice", "-n", str(niceness)] if niceness else []
    done = subprocess.run(
        [*command, driver, *job.arguments],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
        timeout=patience,
    )
    lines = done.stdout.splitlines()
    summary = json.loads(lines[-1])
    return Report(
        job,
        {name: value for name, value in summary.items() if isinstance(value, int)},
        {int(number): count for number, count in summary["violations"].items() if count},
        tuple(line for line in lines if line.startswith("violation")),
        tuple(json.loads(line) for line in lines[:-1] if line.startswith("{")),
    )


def run_all(
    driver: Path,
    jobs: Iterable[Job],
    *,
    workers: int = os.cpu_count() or 1,
    niceness: int = 0,
    patience: float | None = LONG,
) -> list[Report]:
    """Run jobs beside each other; the reports come in the order of the jobs."""
    with ThreadPoolExecutor(workers) as pool:
        return list(
            pool.map(lambda job: run(driver, job, niceness=niceness, patience=patience), jobs)
        )


# Of the cuts in the start after a cut, one in so many, by geometry: the units are small in the
# first ones, and their operations many.
SECOND_CUTS = {"long": (10, 4, 1, 1, 1, 1), "short": (60, 24, 12, 8, 4, 4)}


def matrix(size: str) -> list[Job]:
    """Every scenario, geometry, tear and number of slots; every first cut at every byte."""
    found = []
    for slots in (4, 3, 2):
        for geometry in GEOMETRIES:
            for tear in TEARS:
                each = SECOND_CUTS[size][geometry] * (1 if slots == 4 else 3)
                options = {"slots": slots, "geometry": geometry, "tear": tear, "each": each}
                found.append(Job("matrix", {**options, "readings": 4 if size == "long" else 2}))
    if size == "short":  # other geometries, and in one more readings of what one cut left
        others = [(4, geometry, tear) for geometry in (6, 8) for tear in TEARS[:4]]
        others += [(slots, 7, tear) for slots in (4, 3, 2) for tear in TEARS]
        found += [
            Job("matrix", {"slots": n, "geometry": g, "tear": tear, "depth": 1, "readings": 8})
            for n, g, tear in others
        ]
    if size == "long":  # a third and a fourth cut
        found += [
            Job("matrix", {"geometry": 4, "tear": tear, "depth": 4, "each": 3, "readings": 3})
            for tear in TEARS
        ]
    return found


# Of the bits of each read, one in so many.
WRONG_BITS = {"long": 17, "short": 199}


def faults(size: str) -> list[Job]:
    """Operations that fail, or claim to be done; reads that fail, or have a bit wrong, once."""
    return [
        Job("faults", {"slots": slots, "geometry": geometry, "each": WRONG_BITS[size]})
        for slots in (4, 3, 2)
        for geometry in (GEOMETRIES if size == "long" else (1, 3, 5))
    ]


def wrap() -> list[Job]:
    """Boards whose generation passes 2^32-1 in a scenario, or in the starts after it."""
    last = 2**32 - 1
    found = [
        Job("deep", {"slots": slots, "cuts": 2, "from": last - back})
        for slots in (3, 4)
        for back in range(8)
    ]
    found += [Job("flips", {"geometry": 2, "from": last - back}) for back in (0, 3)]
    return [*found, Job("histories", {"first": 1, "count": 2000, "from": last - 10})]


def flips(geometries: Iterable[int] = GEOMETRIES) -> list[Job]:
    """Every bit of every scenario's flash."""
    return [Job("flips", {"geometry": geometry}) for geometry in geometries]


def deep(slots: Iterable[int] = (2, 3, 4, 5), cuts: int = 4) -> list[Job]:
    """Every history of so many cuts, or as many as a board withstands, and of what reads how."""
    return [Job("deep", {"slots": count, "cuts": cuts}) for count in slots]


def histories(count: int, seed: int, share: int = 10_000) -> list[Job]:
    """So many random histories, and a tenth more on flash where torn units read alike each time."""
    found = []
    for first in range(seed, seed + count, share):
        size = min(share, seed + count - first)
        found.append(Job("histories", {"first": first, "count": size}))
        stable = {"first": first, "count": size // 20, "stable": 1}
        found += [Job("histories", {**stable, "slots": slots}) for slots in (2, 3)]
    return found
