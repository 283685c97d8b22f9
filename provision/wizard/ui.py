# SPDX-License-Identifier: MIT
"""What asks: a screen with a person before it, or a file of answers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import Protocol

from provision.wizard.flow import Flow
from provision.wizard.questions import AnotherInstance, Answer, Question, ReviewLine

Say = Callable[[str], None]
"""Tells the person something."""


class ReviewVerdict(Enum):
    """What is to be done with the answers once they are reviewed."""

    SEND = auto()
    """Store them."""

    BACK = auto()
    """Go back to the last question."""

    QUIT = auto()
    """Leave the board as it is."""


@dataclass(frozen=True, slots=True)
class ChangeAnswer:
    """The answer to this setting is to be changed first."""

    key: str


class LeftError(Exception):
    """The person left the dialog: Ctrl-C, or the end of the input."""


class UnanswerableError(Exception):
    """Nobody is there who could answer; str() says what was asked, in one sentence."""


class Asker(Protocol):
    """Asks one thing at a time. Every method that waits may raise LeftError or UnanswerableError.

    What is shown was cleaned before. `flow` reads and checks what is typed as the answer.
    """

    def say(self, text: str) -> None:
        """Tell the person something."""

    def progress(self, done: int, count: int) -> None:
        """Tell how many steps of storing are done."""

    def chooses(self, question: Question) -> bool:
        """Return whether a person will answer this: what there is to choose is worth a look."""

    async def ask(self, question: Question, flow: Flow) -> Answer:
        """Return the answer to a question; its value is one that flow.check() takes."""

    async def ask_another(self, offer: AnotherInstance) -> bool | None:
        """Return whether one more instance is wanted; None: back."""

    async def confirm(self, question: Question, caution: str) -> bool:
        """Return whether the person has read a caution and stands by the answer."""

    async def stands_by(self, question: Question, doubt: str) -> bool:
        """Return whether the person means an answer that looks wrong, as `doubt` says."""

    async def review(
        self, lines: Sequence[ReviewLine], untouched: int
    ) -> ReviewVerdict | ChangeAnswer:
        """Show what is to be stored, and how many settings stay; return what is to be done."""

    async def does_it_work(self) -> bool:
        """Return whether the person sees the board work: its firmware cannot tell."""

    async def agree(self, title: str, question: str) -> bool:
        """Return whether the person wants what the question asks; Return alone is no answer."""

    async def choose_some(self, title: str, options: Sequence[str]) -> list[int]:
        """Return the numbers of the options chosen, from 0: one at the least, in their order."""

    async def choose(self, title: str, options: Sequence[str]) -> int:
        """Return the number of the option chosen, from 0."""
