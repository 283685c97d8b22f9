# SPDX-License-Identifier: MIT
"""How a command ends: exit codes, and what is said about what was stored."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Any


class ExitCode(IntEnum):
    """One code for each class of ending, the same for every command."""

    DONE = 0
    """What was asked for is done."""

    MISTAKES = 1
    """There are mistakes in a file that was given."""

    USAGE = 2
    """The command line makes no sense."""

    PORT = 3
    """The port is missing, busy, forbidden or lost."""

    NO_BOARD = 4
    """No board answered, or something else speaks on the port."""

    REFUSED = 5
    """The board refused, or the dialog was left: nothing was stored."""

    UNKNOWN = 6
    """It is not known whether the settings were stored."""

    NOT_WORKING = 7
    """The settings are stored, but the board does not work with them."""

    ANSWERS = 8
    """The answers file is wrong, or does not answer what is asked."""

    SCHEMA = 9
    """The list of settings that the board sent cannot be used."""

    INTERRUPTED = 130
    """Interrupted; nothing was changed on the board."""


class Result(Enum):
    """What became of the settings."""

    STORED = "stored"
    NOT_STORED = "not stored"
    UNKNOWN = "unknown"
    NOTHING_TO_DO = "nothing to do"


@dataclass(frozen=True, slots=True)
class Ending:
    """How a dialog ended."""

    code: ExitCode
    result: Result
    words: str
    """One or two sentences for the person."""
    run: str | None = None
    """What the firmware does with the settings, as the contract names it."""
    address: str | None = None
    """The board's network address, if it told one."""
    stored: tuple[str, ...] = ()
    """Full keys of what was stored."""

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "result": self.result.value,
            "exit": int(self.code),
            "run": self.run,
            "address": self.address,
            "stored": list(self.stored),
            "words": self.words,
        }
