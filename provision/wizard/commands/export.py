# SPDX-License-Identifier: MIT
"""`provision export`: write what is set as an answers file."""

from __future__ import annotations

import argparse
from pathlib import Path

from provision import output
from provision.catalogue import tr
from provision.wizard.command_line import (
    add_port,
    add_replace,
    end,
    place_of,
    run_with_board,
    say,
    write_file,
)
from provision.wizard.result import DialogResult, ExitCode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.description = (
        "Write what is set as an answers file, for a second board or after an erase. Secrets are"
        " not in it: `provision setup --answers FILE` asks for them."
    )
    add_port(parser)
    parser.add_argument("--out", type=Path, metavar="FILE", help="where to (standard output)")
    add_replace(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from provision.contract.table import Store  # noqa: PLC0415
    from provision.wizard.at_port import look_at_port  # noqa: PLC0415
    from provision.wizard.export import answers_file  # noqa: PLC0415

    met, board = run_with_board(options, lambda person: look_at_port(place_of(options), person))
    if isinstance(met, DialogResult):
        return end(options, met, board)
    if met.status.store == Store.EMPTY:
        say(tr("Nothing is set on this board, so that there is nothing to write."))
        return ExitCode.DONE
    text = answers_file(met)
    if options.out is not None:
        if not write_file(options.out, text, replace=options.replace):
            return ExitCode.USAGE
        text = f"{options.out}\n"
    else:
        output.results().in_utf_8()  # as a file of answers is, wherever it is read
    print(text, end="")
    return ExitCode.DONE
