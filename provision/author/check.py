# SPDX-License-Identifier: MIT
"""`provision check`: name every mistake in a schema file."""

from __future__ import annotations

import argparse

from provision.author.command_line import add_file
from provision.wizard.command_line import add_json, print_json
from provision.wizard.result import ExitCode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_file(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from provision.schema_file.load import FileMistakes, load_declaration  # noqa: PLC0415
    from provision.schema_file.translations import untranslated  # noqa: PLC0415

    mistakes = []
    lacking: dict[str, list[str]] = {}
    try:
        declaration = load_declaration(options.file)
    except FileMistakes as error:
        mistakes = [
            {
                "line": mistake.line,
                "column": mistake.column,
                "where": mistake.where,
                "wrong": mistake.wrong,
                "fix": mistake.fix,
            }
            for mistake in error.mistakes
        ]
        said = str(error)
    else:
        said = f"{options.file.name}: no mistakes."
        lacking = untranslated(declaration.schema)
        for language, places in lacking.items():
            if places:
                said += f"\n  without translation into {language}: {', '.join(places)}"
    code = ExitCode.MISTAKES if mistakes else ExitCode.DONE
    if options.json:
        print_json(
            {
                "exit": int(code),
                "file": str(options.file),
                "mistakes": mistakes,
                "without-translation": lacking,
            }
        )
    else:
        print(said)
    return code
