# SPDX-License-Identifier: MIT
"""`provision stand-in`: run a virtual board on a port."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from provision.author.command_line import add_file, add_networks, with_declaration
from provision.wizard.command_line import say
from provision.wizard.result import ExitCode

if TYPE_CHECKING:
    from provision.schema.declaration import Declaration


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_file(parser)
    parser.add_argument(
        "--tcp",
        type=tcp_port,
        metavar="PORT",
        help="serve the board on this TCP port, 0 for a free one",
    )
    parser.add_argument(
        "--link", type=Path, metavar="PATH", help="make a link to its serial port here"
    )
    parser.add_argument("--flash", type=Path, metavar="FILE", help="keep its flash in a file")
    add_networks(parser)
    parser.add_argument("--log", action="store_true", help="let the board print log text as well")


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""

    def act(declaration: Declaration) -> int:
        from provision.board.server import FrontError  # noqa: PLC0415
        from provision.board.stand_in import StandInOptions, run_stand_in  # noqa: PLC0415

        where = StandInOptions(
            options.tcp, options.link, options.flash, options.networks, options.log
        )
        try:
            run_stand_in(declaration, where, lambda text: print(text, flush=True))
        except FrontError as error:
            say(str(error))
            return ExitCode.PORT
        return ExitCode.DONE

    return with_declaration(options, act)


def tcp_port(text: str) -> int:
    """Read the number of a TCP port. Raises ArgumentTypeError."""
    if not (text.isascii() and text.isdigit() and int(text) <= 65535):
        raise argparse.ArgumentTypeError("must be a TCP port, 0 to 65535")
    return int(text)
