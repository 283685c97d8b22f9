# SPDX-License-Identifier: MIT
"""Many sessions, on all cores, and the table of what came of them.

As a program it is one of the processes: it plays every n-th seed of a range and writes what came
of them as JSON.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from tests.sessions.play import BoardKind, End, Record, play
from tests.waiting import LONG, PATIENCE

BOARDS: tuple[BoardKind, ...] = ("c", "python")
_ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Found:
    """A session that violates the invariant."""

    seed: int
    board: BoardKind
    violation: str

    @property
    def replay(self) -> str:
        """The command that plays it again."""
        return f"python scripts/bad_lines.py --seed {self.seed} --board {self.board} -v"


@dataclass(slots=True)
class Summary:
    """What came of many sessions."""

    sessions: Counter[BoardKind] = field(default_factory=Counter)
    ends: Counter[End] = field(default_factory=Counter)
    whys: Counter[str] = field(default_factory=Counter)
    struck_sessions: Counter[str] = field(default_factory=Counter)
    struck_times: Counter[str] = field(default_factory=Counter)
    lines: int = 0
    seconds: float = 0.0
    longest: float = 0.0
    violations: list[Found] = field(default_factory=list)

    def add(self, record: Record) -> None:
        """Count one session."""
        self.sessions[record.board] += 1
        self.lines += record.lines
        self.seconds += record.seconds
        self.longest = max(self.longest, record.seconds)
        self.struck_times += record.struck
        self.struck_sessions.update(record.struck.keys())
        if record.violation is not None:
            self.violations.append(Found(record.seed, record.board, record.violation))
        elif record.end is not None:
            self.ends[record.end] += 1
            if record.why and record.end is End.NOT_STORED:
                self.whys[record.why] += 1

    def as_json(self) -> dict[str, Any]:
        """Return it as what JSON can carry."""
        return {
            "sessions": self.sessions,
            "ends": {end.name: count for end, count in self.ends.items()},
            "whys": self.whys,
            "struck sessions": self.struck_sessions,
            "struck times": self.struck_times,
            "lines": self.lines,
            "seconds": self.seconds,
            "longest": self.longest,
            "violations": [[each.seed, each.board, each.violation] for each in self.violations],
        }

    def add_all(self, other: dict[str, Any]) -> None:
        """Add the sessions of another, which comes from as_json()."""
        self.sessions.update(other["sessions"])
        self.ends.update({End[name]: count for name, count in other["ends"].items()})
        self.whys.update(other["whys"])
        self.struck_sessions.update(other["struck sessions"])
        self.struck_times.update(other["struck times"])
        self.lines += other["lines"]
        self.seconds += other["seconds"]
        self.longest = max(self.longest, other["longest"])
        self.violations += [Found(*each) for each in other["violations"]]

    def table(self) -> str:
        """Return the figures as text."""
        boards = ", ".join(f"{count} with board {board}" for board, count in self.sessions.items())
        lines = [f"{self.sessions.total()} sessions: {boards}", "", "what struck: sessions, times"]
        for name, count in self.struck_sessions.most_common():
            lines.append(f"  {name:28}{count:9}{self.struck_times[name]:10}")
        lines += ["", "how they ended: sessions"]
        lines += [f"  {end.value:36}{self.ends[end]:9}" for end in End]
        lines += ["", "why those not stored were not"]
        lines += [f"  {why:36}{count:9}" for why, count in self.whys.most_common()]
        hours = f"{self.seconds / 3600:.1f} h of virtual time, at most {self.longest:.0f} s each"
        lines += ["", f"{self.lines} lines of the host, {hours}"]
        lines.append(f"violations: {len(self.violations)}")
        return "\n".join(lines)


def play_many(
    seeds: range, board: BoardKind | None, library: str | None, *, processes: int
) -> Summary:
    """Play the sessions of these seeds; without a board, every second one with each.

    In so many processes, all of which have ended when this returns.
    """
    shares = [seeds[each::processes] for each in range(processes)]
    running = []
    summary = Summary()
    try:
        for share in shares:
            numbers = [str(number) for number in (share.start, share.stop, share.step)]
            # Not multiprocessing, which leaves a process of its own behind until the end.
            command = [sys.executable, "-m", "tests.sessions.many", *numbers]
            running.append(
                subprocess.Popen(
                    [*command, board or "", library or ""],
                    cwd=_ROOT,
                    stdout=subprocess.PIPE,
                    text=True,
                )
            )
        for process in running:
            told, _ = process.communicate(timeout=LONG + len(seeds))
            if process.returncode:
                raise RuntimeError("A process that played sessions failed: its words are above.")
            summary.add_all(json.loads(told))
    finally:
        for process in running:
            process.kill()
            process.wait(timeout=PATIENCE)
            if process.stdout is not None:
                process.stdout.close()
    return summary


def _play_share(seeds: Iterable[int], board: str, library: str) -> None:
    """Play these sessions; write what came of them."""
    summary = Summary()
    for seed in seeds:
        kind = cast("BoardKind", board) if board else BOARDS[seed % len(BOARDS)]
        summary.add(play(seed, kind, library or None))
    json.dump(summary.as_json(), sys.stdout)


if __name__ == "__main__":
    first, last, step = map(int, sys.argv[1:4])
    _play_share(range(first, last, step), *sys.argv[4:6])
