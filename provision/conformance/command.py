# SPDX-License-Identifier: MIT
"""The command `provision conform`: what it prints, what it writes, and how it ends."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from provision.conformance.findings import Report
from provision.conformance.junit import junit
from provision.conformance.kit import NoBoard, chosen
from provision.conformance.port import PortOptions, examine_port
from provision.conformance.watch import Setup
from provision.link.errors import LineLost, LinkError
from provision.link.running import run
from provision.output import unwritten, write_file

MET, NOT_MET, USAGE, PORT, NO_BOARD, INTERRUPTED = 0, 1, 2, 3, 4, 130
"""Exit codes: of the same classes as every command's, and 1 if a clause is not met."""

_MADE_UP = "The board may hold values that the kit made up: set it up anew."

Say = Callable[[str], None]


def check_list(only: str | None) -> list[str]:
    """Return a line for each check: clause, title, requirements, and what it asks for."""
    told = []
    for check in chosen(only):
        asks = ["--may-change-settings"] if check.changes else []
        asks += ["--patient"] if check.minutes else []
        more = f"  ({', '.join(asks)})" if asks else ""
        told.append(f"{check.clause:<5} {check.title}  [{' '.join(check.looks_at)}]{more}")
    return told


def conform(
    place: PortOptions,
    *,
    may_change: bool = False,
    patient: bool = False,
    only: str | None = None,
    as_json: bool = False,
    junit_file: Path | None = None,
    somebody_is_there: bool = False,
    show: Say,
    say: Say,
    progress: Say | None = None,
) -> int:
    """Run `provision conform`; return its exit code: 0 all met, 1 not, 3 port, 4 no board.

    only: the clause whose checks run. junit_file: where the report is written as JUnit XML. show:
    prints the result; say: tells the person; progress: gets the title of each check.
    somebody_is_there: whether a person can be asked to press a button.
    """
    setup = Setup(place.baud, may_change=may_change, patient=patient, only=only, on_check=progress)

    def ended(code: int, words: str, settings: str = "") -> int:
        say(f"{words} {settings}".strip())
        if as_json:
            show(_json({"conforms": False, "words": words, "settings": settings or None}, code))
        return code

    # Told now, not after the minutes that a run takes.
    if junit_file is not None and (why := _why_unwritable(junit_file)) is not None:
        return ended(USAGE, unwritten(junit_file, why))
    try:
        report = run(examine_port(place, setup, say, somebody_is_there=somebody_is_there))
        code = MET if report.is_met else NOT_MET
    except NoBoard as none:
        report, code = none.report, NO_BOARD
        say(_no_board(place, report))
    except LinkError as error:
        is_begun = may_change and isinstance(error, LineLost)
        return ended(PORT, str(error), _MADE_UP if is_begun else "")
    except KeyboardInterrupt:
        if not may_change:
            raise
        return ended(INTERRUPTED, "Interrupted.", _MADE_UP)
    if as_json:
        show(_json(report.as_json(), code))
    elif report.has_answered or report.findings:
        show("\n".join(report.lines()))
    if junit_file is not None:
        try:
            write_file(junit_file, junit(report), replace=True)
        except OSError as error:
            say(unwritten(junit_file, error))
            return USAGE
    return code


def _json(report: dict[str, Any], code: int) -> str:
    return json.dumps({**report, "exit": code}, indent=2)


def _no_board(place: PortOptions, report: Report) -> str:
    if report.findings or report.remarks:
        return (
            f"No board answered hello on {place.port}, and without that nothing conforms."
            f" {' '.join(report.remarks)}".strip()
        )
    return (
        f"No board answered on {place.port}: check the cable and the rate, and whether its"
        " firmware speaks this protocol."
    )


def _why_unwritable(path: Path) -> OSError | None:
    """Return why no file can be written there, as far as can be told before it is."""
    if not path.parent.is_dir():
        return FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
    if not os.access(path.parent, os.W_OK):
        return PermissionError(errno.EACCES, os.strerror(errno.EACCES))
    return None
