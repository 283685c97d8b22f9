# SPDX-License-Identifier: MIT
"""`provision setup`: ask what the board needs, store it, see it work."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from provision.wizard.command_line import (
    add_answers,
    add_json,
    add_log,
    add_plain,
    add_port,
    conclude,
    has_terminal,
    no_terminal,
    place_of,
)
from provision.wizard.result import DialogResult

if TYPE_CHECKING:
    from provision.wizard.at_port import Person


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_port(parser)
    add_answers(parser)
    parser.add_argument("--ask-all", action="store_true", help="ask for what is set, too")
    add_log(parser)
    add_plain(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    if options.answers is None and not has_terminal():
        return no_terminal(options, "setup")

    async def act(person: Person) -> DialogResult:
        from provision.wizard.at_port import set_up_at_port  # noqa: PLC0415
        from provision.wizard.dialog import SetupOptions  # noqa: PLC0415

        asked = SetupOptions(ask_all=options.ask_all, show_log=options.log)
        return await set_up_at_port(place_of(options), person, asked)

    return conclude(options, act)
