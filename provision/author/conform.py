# SPDX-License-Identifier: MIT
"""`provision conform`: hold a board against the protocol."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from provision.wizard.command_line import (
    add_json,
    add_where,
    end,
    has_terminal,
    place_of,
    refuse,
    run_with_board,
    say,
)
from provision.wizard.result import DialogResult, ExitCode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.epilog = (
        "At a terminal you are asked to press the board's button; elsewhere what needs it does not"
        " apply. Exit code 0: every clause that applies is met; 1: one is not; 2: the command line"
        " is wrong; 3: the port is missing, busy, forbidden, or was lost; 4: no board answered"
        " hello."
    )
    add_where(parser)
    parser.add_argument(
        "--may-change-settings",
        action="store_true",
        help="also store made-up settings, and erase: what is wired to the board may move",
    )
    parser.add_argument(
        "--patient", action="store_true", help="also run the checks that wait for minutes"
    )
    parser.add_argument(
        "--only",
        metavar="NUMBER",
        help="run the checks of this clause or requirement alone, such as 6.4 or 6.4.13",
    )
    parser.add_argument(
        "--list", action="store_true", help="list the checks by clause, and ask no board"
    )
    parser.add_argument(
        "--junit", type=Path, metavar="FILE", help="also write the report as JUnit XML"
    )
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from provision.conformance import command  # noqa: PLC0415
    from provision.conformance.kit import is_known  # noqa: PLC0415
    from provision.conformance.port import PortOptions  # noqa: PLC0415

    if options.only is not None and not is_known(options.only):
        return refuse(
            options,
            f"--only {options.only}: nothing looks at this; --list names what is looked at.",
        )
    if options.list:
        for line in command.check_list(options.only):
            print(line)
        return ExitCode.DONE

    port = options.port
    if port is None:
        from provision.wizard.at_port import find_port  # noqa: PLC0415

        found, board = run_with_board(options, lambda person: find_port(place_of(options), person))
        if isinstance(found, DialogResult):
            return end(options, found, board)
        port = found

    return command.conform(
        PortOptions(port, options.baud, options.driver),
        may_change=options.may_change_settings,
        patient=options.patient,
        only=options.only,
        as_json=options.json,
        junit_file=options.junit,
        somebody_is_there=has_terminal(),
        show=print,
        say=say,
        progress=say if sys.stderr.isatty() else None,
    )
