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
    """What was found wrong in all that came, by requirement."""

    faults: dict[str, list[Fault]] = field(default_factory=dict)
    refusals: int = 0
    """How many refusals were looked at."""

    def broke(self, number: str, fault: Fault) -> None:
        """Note a fault; each sentence once."""
        known = self.faults.setdefault(number, [])
        if all(fault.words != other.words for other in known):
            known.append(fault)
