# SPDX-License-Identifier: MIT
"""`provision undo`: go back to the settings before the present ones."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from provision.wizard.command_line import (
    add_json,
    add_plain,
    add_port,
    add_yes,
    conclude,
    has_terminal,
    nobody_agrees,
    place_of,
)
from provision.wizard.result import DialogResult

if TYPE_CHECKING:
    from provision.wizard.at_port import Person


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_port(parser)
    add_yes(parser)
    add_plain(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    if not options.yes and not has_terminal():
        return nobody_agrees(options, "undo")

    async def act(person: Person) -> DialogResult:
        from provision.wizard.at_port import undo_at_port  # noqa: PLC0415

        return await undo_at_port(place_of(options), person, agreed=options.yes)

    return conclude(options, act)
