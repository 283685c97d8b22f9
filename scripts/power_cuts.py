# SPDX-License-Identifier: MIT
"""Cut the power of the board's store everywhere, and count what breaks a promise.

    python scripts/power_cuts.py                         everything, with a million random histories
    python scripts/power_cuts.py --histories 1000000 --seed 7
    python scripts/power_cuts.py --only wear             one part: matrix, deep, faults, flips,
                                                         wrap, histories, wear
    python scripts/power_cuts.py --replay 4711           one history again, step by step

Needs a C compiler. Prints a table, and each violation in words with the number of its invariant
(tests/power/oracle.h); exits with 1 if there was one. The scenarios are tests/power/scenarios.txt.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.power.harness import (
    INVARIANTS,
    Job,
    Report,
    compile_driver,
    compile_objects,
    deep,
    faults,
    flips,
    histories,
    matrix,
    run_all,
    wrap,
)

PARTS = ("matrix", "deep", "faults", "flips", "wrap", "histories", "wear")


def jobs_of(part: str, count: int, seed: int) -> list[Job]:
    """Return the runs of one part of the long run."""
    match part:
        case "matrix":
            return matrix("long")
        case "deep":
            return deep()
        case "faults":
            return faults("long")
        case "flips":
            return flips()
        case "wrap":
            return wrap()
        case "histories":
            return histories(count, seed)
        case _:
            return [Job("wear")]


def row(part: str, reports: Sequence[Report], seconds: float) -> str:
    """Return a part's line of the table."""
    names = ("histories", "states", "cuts", "starts", "requests")
    sums = [sum(report.counts[name] for report in reports) for name in names]
    broken = sum(sum(report.violations.values()) for report in reports)
    return f"{part:<10}" + "".join(f"{n:>13,}" for n in (*sums, broken)) + f"{seconds:>9.0f}"


def tell_wear(reports: Sequence[Report]) -> None:
    """Print how often slots were erased."""
    if reports:
        print("\nslots  what                          times   erases  least and most of one slot")
    for report in reports:
        for line in report.lines:
            print(
                f"{line['slots']:>5}  {line['wear']:<28}{line['times']:>7}{line['erases']:>9}"
                f"  {line['least']:>6} {line['most']:>6}"
            )


def tell_recoveries(reports: Sequence[Report]) -> None:
    """Print how many slots a start after a cut erases."""
    starts = sum(report.counts["recoveries"] for report in reports)
    erases = sum(report.counts["recovery_erases"] for report in reports)
    if starts:
        most = max(report.counts["most_recovery_erases"] for report in reports)
        print(
            f"A start after a cut erased {erases / starts:.2f} slots in the mean of {starts:,}"
            f" starts, {most} at most."
        )


def main() -> int:
    """Run what the command line asks for; 1 if a promise was broken."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--histories", type=int, default=1_000_000, metavar="N")
    parser.add_argument("--seed", type=int, default=1, help="the number of the first history")
    parser.add_argument("--only", choices=PARTS)
    parser.add_argument("--replay", type=int, metavar="HISTORY")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--nice", type=int, default=0, help="how far to stand back for others, 0 to 19"
    )
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        driver = compile_driver(Path(folder), compile_objects(Path(folder)))
        if asked.replay is not None:
            options = ["histories", f"first={asked.replay}", "trace=1"]
            done = subprocess.run([driver, *options], check=True, stdout=subprocess.PIPE, text=True)
            print(done.stdout, end="")
            return 1 if "violation of" in done.stdout else 0
        titles = ("histories", "states", "cuts", "starts", "requests", "violations")
        print(f"{'part':<10}" + "".join(f"{title:>13}" for title in titles) + f"{'seconds':>9}")
        found: dict[str, list[Report]] = {}
        for part in (asked.only,) if asked.only else PARTS:
            began = time.monotonic()
            found[part] = run_all(
                driver,
                jobs_of(part, asked.histories, asked.seed),
                workers=asked.workers,
                niceness=asked.nice,
                patience=None,
            )
            print(row(part, found[part], time.monotonic() - began), flush=True)
    tell_recoveries(found.get("matrix", ()))
    tell_wear(found.get("wear", ()))
    everything = [report for reports in found.values() for report in reports]
    for report in everything:
        for line in report.told:
            print(line)
    broken = sorted({number for report in everything for number in report.violations})
    print("\nviolated: " + (", ".join(f"{n} ({INVARIANTS[n]})" for n in broken) or "nothing"))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
