# SPDX-License-Identifier: MIT
"""`provision diagnose`: find out what is wrong with a port."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from provision import output
from provision.catalogue import tr
from provision.wizard.command_line import (
    add_json,
    add_known,
    add_port,
    add_replace,
    end,
    place_of,
    print_json,
    run_with_board,
    say,
    wrapped,
    write_file,
)
from provision.wizard.result import DialogResult, ExitCode

if TYPE_CHECKING:
    from provision.wizard.at_port import Person
    from provision.wizard.diagnose import Diagnosis


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_port(parser)
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="also write what was found, for whoever helps; it has no secret: read it first",
    )
    add_known(parser)
    add_replace(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from provision.wizard.answers import everything_in, read_file  # noqa: PLC0415
    from provision.wizard.diagnose import diagnose  # noqa: PLC0415

    async def look(_: Person) -> Diagnosis:
        known = None if options.answers is None else everything_in(read_file(options.answers))
        return await diagnose(place_of(options), say, secrets=known)

    found, board = run_with_board(options, look)
    if isinstance(found, DialogResult):
        return end(options, found, board)
    code = found.code
    if options.out is not None:
        report = output.as_json(found.as_json())
        if write_file(options.out, report, replace=options.replace):
            say(
                tr(
                    "{path}: has what was found. Read it before you give it to anybody.",
                    path=options.out,
                )
            )
        else:
            code = ExitCode.USAGE
    if options.json:
        print_json({**found.as_json(), "exit": int(code)})
    else:
        for line in found.lines():
            print(wrapped(line, sys.stdout))
    return code
