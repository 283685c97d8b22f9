# SPDX-License-Identifier: MIT
"""Many sessions, on all cores, and the table of what came of them."""

from __future__ import annotations

import functools
import multiprocessing
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tests.sessions.play import BoardKind, End, Record, play

BOARDS: tuple[BoardKind, ...] = ("c", "python")
_BATCH = 50  # sessions that a process takes at once


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
    seeds: Sequence[int], board: BoardKind | None, library: str | None, *, processes: int
) -> Summary:
    """Play the sessions of these seeds; without a board, every second one with each.

    Processes are new ones, so that they inherit nothing, and have ended when this returns.
    """
    summary = Summary()
    one = functools.partial(_play, board=board, library=library)
    if processes == 1:
        _take(summary, map(one, seeds))
        return summary
    pool = multiprocessing.get_context("spawn").Pool(processes)
    with pool:
        _take(summary, pool.imap_unordered(one, seeds, chunksize=_BATCH))
        pool.close()
        pool.join()
    return summary


def _play(seed: int, *, board: BoardKind | None, library: str | None) -> Record:
    return play(seed, board or BOARDS[seed % len(BOARDS)], library)


def _take(summary: Summary, records: Iterable[Record]) -> None:
    for record in records:
        summary.add(record)
