# SPDX-License-Identifier: MIT
"""What a procedure of the kit asks of the line, of time and of the person: sans-I/O.

A procedure is a generator. It yields steps, and gets what was heard back. Who drives it may have a
real port and a clock, or a board in the same process and a clock set by hand.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeVar

_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True)
class Send:
    """Send these bytes; heard is nothing."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Listen:
    """Wait for bytes, at most this many milliseconds; heard is what came first, or nothing."""

    ms: int


@dataclass(frozen=True, slots=True)
class AskPerson:
    """Ask the person at the board to do something; heard says whether somebody did."""

    words: str


@dataclass(frozen=True, slots=True)
class Tell:
    """Tell the person something that need not be done; heard is nothing."""

    words: str


Action = Send | Listen | AskPerson | Tell


@dataclass(frozen=True, slots=True)
class ActionResult:
    """What came of a step, and the time in milliseconds, from any start, at its end."""

    now: int
    data: bytes = b""
    done: bool = False
    """Whether the person did what was asked."""


Steps = Generator[Action, ActionResult, _Result]
