# SPDX-License-Identifier: MIT
"""`provision log`: watch what a board prints."""

from __future__ import annotations

import argparse

from provision import output
from provision.wizard.command_line import add_known, add_port, end, place_of, run_with_board
from provision.wizard.result import ExitCode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_port(parser)
    add_known(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from provision.wizard.at_port import watch_log  # noqa: PLC0415

    def show(line: str) -> None:
        print(line, flush=True)
        if output.results().gone:
            raise _NobodyReadsError

    try:
        ending, _ = run_with_board(
            options, lambda person: watch_log(place_of(options), person, show)
        )
    except _NobodyReadsError:
        return ExitCode.DONE
    if ending.code is ExitCode.INTERRUPTED:  # the way to leave it
        return ExitCode.DONE
    return end(options, ending)


class _NobodyReadsError(Exception):
    """Nobody gets what is printed any more."""
