# SPDX-License-Identifier: MIT
"""What a check is: the requirements that it looks at, a promise in words, how it looks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.steps import Steps


@dataclass(frozen=True, slots=True)
class Watched:
    """What is looked at in all that comes, whatever check runs."""

    looks_at: tuple[str, ...]
    """Numbers of requirements of the page; the first one's clause is the check's."""

    title: str

    @property
    def clause(self) -> str:
        """The clause that it belongs to."""
        return self.looks_at[0].rpartition(".")[0]

    @property
    def name(self) -> str:
        """Clause and title."""
        return f"{self.clause} {self.title}"

    def is_about(self, number: str | None) -> bool:
        """Whether it looks at a requirement, or at one of a clause; None: at whatever."""
        return number is None or any(
            own == number or own.startswith(f"{number}.") for own in self.looks_at
        )


@dataclass(frozen=True, slots=True)
class Check(Watched):
    """Promises of the page that a board is held to by asking it."""

    run: Callable[[BoardUnderTest], Steps[None]]
    changes: bool = False
    """Whether it changes what the board has stored."""

    minutes: int = 0
    """How many it waits, where that is more than one."""

    lasts_a_trial: bool = False
    """Whether it waits as long as a trial lasts: where that is seconds, no patience is needed."""
