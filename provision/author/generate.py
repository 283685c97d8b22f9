# SPDX-License-Identifier: MIT
"""`provision generate`: write the C for a schema file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from provision.author.command_line import add_file, with_declaration
from provision.wizard.command_line import say
from provision.wizard.result import ExitCode

if TYPE_CHECKING:
    from provision.schema.declaration import Declaration


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_file(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="where to")


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""

    def act(declaration: Declaration) -> int:
        from provision.author.c_code import StemError, write  # noqa: PLC0415

        try:
            written = write(declaration, options.file.stem, options.out)
        except StemError as error:
            say(str(error))
            return ExitCode.MISTAKES
        except OSError as error:
            say(f"{options.out}: cannot be written ({error.strerror}).")
            return ExitCode.USAGE
        for path in written:
            print(path)
        return ExitCode.DONE

    return with_declaration(options, act)
