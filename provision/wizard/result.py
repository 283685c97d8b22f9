# SPDX-License-Identifier: MIT
"""How a command ends: exit codes, and what is said about what was stored."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import TYPE_CHECKING, Any

from provision.catalogue import spoken, tr
from provision.client.sanitize import visible

if TYPE_CHECKING:
    from provision.link.replies import Hello


class ExitCode(IntEnum):
    """One code for each class of ending, the same for every command, and what it means."""

    words: str

    def __new__(cls, code: int, words: str) -> ExitCode:
        """Make a member of a number and its meaning."""
        member = int.__new__(cls, code)
        member._value_ = code
        member.words = words
        return member

    DONE = 0, "done"
    MISTAKES = 1, "a file that was given has mistakes, or a board breaks the protocol"
    USAGE = 2, "the command line is wrong, or the result cannot be written"
    PORT = 3, "the port is missing, busy, forbidden, or was lost"
    NO_BOARD = 4, "no board answered, or something else speaks on the port"
    REFUSED = 5, "the board refused, or the dialog was left; nothing was stored"
    UNKNOWN = 6, "it is unknown whether the settings were stored"
    NOT_WORKING = 7, "stored, but the board does not work with it"
    ANSWERS = 8, "the answers file is wrong, or does not answer what is asked"
    SCHEMA = 9, "the list of settings that the board sent cannot be used"
    INTERRUPTED = 130, "interrupted; nothing was changed on the board"


class Result(Enum):
    """What became of the settings."""

    STORED = "stored"
    NOT_STORED = "not stored"
    UNKNOWN = "unknown"
    NOTHING_TO_DO = "nothing to do"
    ERASED = "erased"
    TAKEN_BACK = "taken back"


@dataclass(frozen=True, slots=True)
class DialogResult:
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
    reason: str | None = None
    """Why the board refused, or does not work, as the contract names it."""
    field: str | None = None
    """Full key of the setting at fault, if the board named one."""

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "result": self.result.value,
            "exit": int(self.code),
            "run": self.run,
            "address": self.address,
            "stored": list(self.stored),
            "reason": self.reason,
            "field": self.field,
            "words": self.words,
        }


def nothing_changed(said: object = "") -> str:
    """Return what was said, and after it that nothing was changed."""
    return f"{spoken(said)} {tr('Nothing was changed on the board.')}".strip()


def whose(port: str | None, hello: Hello | None) -> dict[str, Any]:
    """Return for programs which board it was; None for what is not known.

    Names keep their spaces; what no schema file admits in one (reading.text) is a question mark.
    """
    return {
        "port": port,
        "unit": None if hello is None else hello.unit.hex(),
        "board": None if hello is None else visible(hello.board),
        "firmware": None if hello is None else visible(hello.firmware),
        "firmware-version": None if hello is None else visible(hello.firmware_version),
    }
