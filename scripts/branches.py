# SPDX-License-Identifier: MIT
"""Branch coverage of the stub (gcov) and of the packages that it matters for (coverage.py).

    python scripts/branches.py           runs the tests, prints both tables, names what is missed
    python scripts/branches.py c         the stub only
    python scripts/branches.py python    Python only

The stub is compiled by its own tests, as they always do it: a compiler named gcc and cc that stands
before the real one on PATH adds the counters, and takes away optimisation and sanitizers, whose
branches are not the author's. Returns 1 if a branch of either table is never taken. What is
excluded from a table is said below it; the stub has no way to exclude anything.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]

# Stated input only: what Hypothesis draws may take a branch in one run and not in the next.
PYTEST = ["-m", "pytest", "-q", "-m", "not hypothesis"]
_POWER = "tests/power/test_power_cuts.py::test_"
C_TESTS = [
    "tests/stub",
    "tests/vectors",
    f"{_POWER}four_cuts_in_succession",
    f"{_POWER}four_cuts_in_a_trial_are_too_many_for_four_slots",
    f"{_POWER}operations_and_reads_that_fail_or_lie",
]
# They ask what a compiler makes of the stub, or says of it, or link by another, and would find the
# counters.
NOT_WITH_COUNTERS = [
    "tests/stub/test_analyzers.py",
    "tests/stub/test_objects.py",
    "tests/stub/test_stream.py",
    "tests/stub/test_wiping.py",
]
PYTHON_TESTS = ["tests/contract", "tests/schema", "tests/link", "tests/board"]
PYTHON_FILES = [
    "provision/contract/*",
    "provision/schema/*",
    "provision/link/session.py",
    "provision/link/exchange.py",
    "provision/link/operations.py",
    "provision/board/engine.py",
    "provision/board/store.py",
]

COMPILER = """#!/bin/sh
exec {real} "$@" --coverage -O0 -fno-inline -fno-sanitize=all -fprofile-abs-path \\
    -fprofile-update=atomic -Wno-error
"""

_NO_BRANCH = re.compile(r"#\s*pragma:\s*no\s*branch", re.IGNORECASE)

Branch = tuple[int, int]
"""A line, and the number of a branch that leaves it."""


@dataclass
class Tally:
    """The branches of a file, with how often each was taken."""

    name: str
    taken: dict[Branch, int] = field(default_factory=dict)
    missed: list[str] = field(default_factory=list)
    excluded: list[str] = field(default_factory=list)
    total: int = 0
    hit: int = 0


def add_gcov(tallies: dict[str, Tally], folder: Path) -> None:
    """Add what the counters under a folder say of the stub's sources, by file name."""
    for data in sorted(folder.rglob("*.gcda")):
        said = subprocess.run(
            ["gcov", "--json-format", "--stdout", "--branch-probabilities", str(data)],
            check=True,
            capture_output=True,
            cwd=data.parent,
        )
        for line in said.stdout.splitlines():
            for file in json.loads(line)["files"]:
                path = Path(file["file"])
                if path.parent.name != "src" or path.parts[-3] != "firmware_stub":
                    continue
                tally = tallies.setdefault(path.name, Tally(path.name))
                for row in file["lines"]:
                    for number, branch in enumerate(row["branches"]):
                        at = (row["line_number"], number)
                        tally.taken[at] = tally.taken.get(at, 0) + branch["count"]
    for tally in tallies.values():
        tally.total = len(tally.taken)
        tally.hit = sum(count > 0 for count in tally.taken.values())
        tally.missed = [f"{line}/{number}" for (line, number), n in tally.taken.items() if n == 0]


def python_tally(command: list[str], files: list[str], folder: Path) -> list[Tally]:
    """Run a command that writes coverage data; return the branches of the files."""
    environment = {**os.environ, "COVERAGE_FILE": str(folder / "coverage")}
    subprocess.run(command, check=True, cwd=ROOT, env=environment)
    report = folder / "coverage.json"
    written = ["json", "-q", "-o", str(report), "--include", ",".join(files)]
    subprocess.run(
        [sys.executable, "-m", "coverage", *written], check=True, cwd=ROOT, env=environment
    )
    tallies = []
    for name, said in json.loads(report.read_text())["files"].items():
        summary = said["summary"]
        # A statement that is never reached counts like a branch: without it a branch may not be.
        total = summary["num_branches"] + summary["num_statements"]
        hit = summary["covered_branches"] + summary["covered_lines"]
        missed = [f"{start}->{end}" for start, end in said["missing_branches"]]
        missed += map(str, said["missing_lines"])
        excluded = list(map(str, said["excluded_lines"])) + _without_branch(ROOT / name)
        tallies.append(Tally(name, missed=missed, excluded=excluded, total=total, hit=hit))
    return tallies


def _without_branch(source: Path) -> list[str]:
    """Return the lines of which coverage.py is told that not each of their branches is taken."""
    lines = source.read_text(encoding="utf-8").splitlines()
    return [str(number) for number, line in enumerate(lines, 1) if _NO_BRANCH.search(line)]


def table(tallies: Collection[Tally]) -> str:
    """Return the table for people: files, branches taken, and where one is missed."""
    rows = []
    total = hit = 0
    for tally in tallies:
        total, hit = total + tally.total, hit + tally.hit
        share = 100 * tally.hit / tally.total if tally.total else 100
        missed = ", ".join(tally.missed)
        rows.append(f"  {tally.name:42} {tally.hit:5} of {tally.total:5}  {share:5.1f} %  {missed}")
    share = 100 * hit / total if total else 100
    rows.append(f"  {'together':42} {hit:5} of {total:5}  {share:5.1f} %")
    excluded = [f"{tally.name}:{line}" for tally in tallies for line in tally.excluded]
    rows.append(f"  excluded: {len(excluded)} lines  {', '.join(excluded)}")
    return "\n".join(line.rstrip() for line in rows)


def _c(folder: Path) -> list[Tally]:
    programs = folder / "programs"
    programs.mkdir()
    for name in ("gcc", "cc"):
        real = shutil.which(name)
        if real is not None:
            (programs / name).write_text(COMPILER.format(real=real))
            (programs / name).chmod(0o755)
    options = [f"--basetemp={folder / 'tests'}"]
    options += [f"--ignore={test}" for test in NOT_WITH_COUNTERS]
    subprocess.run(
        [sys.executable, *PYTEST, *options, *C_TESTS],
        check=True,
        cwd=ROOT,
        env={**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"},
    )
    tallies: dict[str, Tally] = {}
    add_gcov(tallies, folder / "tests")
    return [tallies[name] for name in sorted(tallies)]


def _python(folder: Path) -> list[Tally]:
    command = [sys.executable, "-m", "coverage", "run", *PYTEST, *PYTHON_TESTS]
    return python_tally(command, PYTHON_FILES, folder)


def main() -> int:
    """Print the tables; return 1 if something is missed."""
    chosen = sys.argv[1:] or ["c", "python"]
    tables: list[tuple[str, list[Tally]]] = []
    with tempfile.TemporaryDirectory() as name:
        if "c" in chosen:
            tables.append(
                (
                    "The stub: branches taken by the tests named in C_TESTS",
                    _c(Path(name)),
                )
            )
        if "python" in chosen:
            tables.append(("Python: branches taken, and statements reached", _python(Path(name))))
    whole = True
    for title, tallies in tables:
        print(f"\n{title}\n{table(tallies)}")
        whole = whole and all(tally.hit == tally.total for tally in tallies)
    return 0 if whole else 1


if __name__ == "__main__":
    sys.exit(main())
