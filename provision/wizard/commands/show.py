# SPDX-License-Identifier: MIT
"""`provision show`: print what a board holds."""

from __future__ import annotations

import argparse

from provision.wizard.command_line import (
    add_json,
    add_port,
    end,
    place_of,
    print_json,
    run_with_board,
)
from provision.wizard.result import DialogResult, ExitCode, Result


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_port(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from provision.wizard import show  # noqa: PLC0415
    from provision.wizard.at_port import look_at_port  # noqa: PLC0415

    met, board = run_with_board(options, lambda person: look_at_port(place_of(options), person))
    if isinstance(met, DialogResult):
        return end(options, met, board)
    if options.json:
        ended = {"result": Result.NOTHING_TO_DO.value, "exit": int(ExitCode.DONE)}
        print_json({**ended, **board, **show.as_json(met)})
    else:
        for line in show.lines(met):
            print(line)
    return ExitCode.DONE
