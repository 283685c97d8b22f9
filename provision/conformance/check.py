# SPDX-License-Identifier: MIT
"""What a check is: a clause, a promise in plain words, and the procedure that looks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from provision.conformance.bench import Bench
from provision.conformance.steps import Procedure


@dataclass(frozen=True, slots=True)
class Check:
    """One promise of the page that a board is held to."""

    clause: str
    title: str
    run: Callable[[Bench], Procedure[None]]
    changes: bool = False
    """Whether it changes what the board has stored."""

    minutes: int = 0
    """How many it waits, where that is more than one."""

    @property
    def name(self) -> str:
        """Clause and title."""
        return f"{self.clause} {self.title}"
