# SPDX-License-Identifier: MIT
"""How a command ends when the board cannot be reached, or does not do what it was asked to do."""

from __future__ import annotations

import asyncio

from provision.catalogue import spoken
from provision.client.changing import OutcomeUnknown
from provision.contract.table import Refusal
from provision.link.errors import (
    BoardRefused,
    LineLost,
    LinkError,
    OtherReader,
    PortBusy,
    PortForbidden,
    PortMissing,
)
from provision.wizard.result import DialogResult, ExitCode, Result, nothing_changed


def exit_code(error: LinkError) -> ExitCode:
    """Return the class of an error of the link."""
    if isinstance(error, PortMissing | PortForbidden | PortBusy | LineLost | OtherReader):
        return ExitCode.PORT
    return ExitCode.REFUSED if isinstance(error, BoardRefused) else ExitCode.NO_BOARD


def unchanged(error: LinkError | asyncio.CancelledError, look: str) -> DialogResult:
    """Return how an undo or an erase ends that failed, or nobody knows of.

    look: the sentence that says how to find out later.
    """
    match error:
        case OutcomeUnknown():
            return DialogResult(ExitCode.UNKNOWN, Result.UNKNOWN, f"{spoken(error)} {look}")
        case BoardRefused() if error.refused.code == Refusal.STORAGE:
            return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, spoken(error))
        case BoardRefused():
            return DialogResult(ExitCode.REFUSED, Result.NOT_STORED, nothing_changed(error))
        case LinkError():
            return DialogResult(ExitCode.NO_BOARD, Result.NOT_STORED, nothing_changed(error))
        case _:
            return DialogResult(ExitCode.INTERRUPTED, Result.NOT_STORED, nothing_changed())
