# SPDX-License-Identifier: MIT
"""What the commands with a schema file share."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from provision.wizard.command_line import refuse
from provision.wizard.result import ExitCode

if TYPE_CHECKING:
    from provision.schema.declaration import Declaration


def add_file(parser: argparse.ArgumentParser) -> None:
    """Add the schema file."""
    parser.add_argument("file", type=Path, metavar="FILE", help="the firmware's schema file")


def add_networks(parser: argparse.ArgumentParser) -> None:
    """Add the file that says what is in a virtual board's range."""
    parser.add_argument(
        "--networks", type=Path, metavar="FILE", help="what is in the board's range"
    )


def with_declaration(options: argparse.Namespace, command: Callable[[Declaration], int]) -> int:
    """Run a command on a schema file, unless there are mistakes in it."""
    from provision.schema_file.load import FileMistakes, load_declaration  # noqa: PLC0415

    try:
        declaration = load_declaration(options.file)
    except FileMistakes as error:
        return refuse(options, str(error), ExitCode.MISTAKES)
    return command(declaration)
