# SPDX-License-Identifier: MIT
"""How a board is to be held against the page, and what is watched whatever check runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from provision.conformance.findings import (
    Fault,
)


@dataclass(frozen=True, slots=True)
class Setup:
    """How a board is to be held against the page."""

    baud: int = 115200
    may_change: bool = False
    """Whether what the board has stored may be changed."""

    patient: bool = False
    """Whether checks that wait for minutes are wanted."""

    seed: int | None = None
    """Of the values that the kit makes up; None: another for each run."""

    only: str | None = None
    """The clause, or the requirement, whose checks are to run; None: all."""

    on_check: Callable[[str], None] | None = None
    """Gets the title of each check as it begins."""


@dataclass(slots=True)
class Watch:
    """What is watched in everything that comes, by clause: how often, and what was wrong."""

    seen: dict[str, int] = field(default_factory=dict)
    faults: dict[str, list[Fault]] = field(default_factory=dict)

    def saw(self, clause: str) -> None:
        """Count one more thing that was looked at."""
        self.seen[clause] = self.seen.get(clause, 0) + 1

    def broke(self, clause: str, fault: Fault) -> None:
        """Note a fault; each sentence once."""
        known = self.faults.setdefault(clause, [])
        if all(fault.words != other.words for other in known):
            known.append(fault)
