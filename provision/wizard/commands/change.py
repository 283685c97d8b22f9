# SPDX-License-Identifier: MIT
"""`provision change`: change some of what is set."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from provision.catalogue import tr
from provision.wizard.command_line import (
    add_json,
    add_log,
    add_plain,
    add_port,
    conclude,
    has_terminal,
    place_of,
    refuse,
)
from provision.wizard.result import DialogResult

if TYPE_CHECKING:
    from provision.wizard.at_port import Person


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    parser.add_argument(
        "keys",
        nargs="*",
        metavar="KEY",
        help="a setting such as network.name, or a whole section (default: choose from a list)",
    )
    add_port(parser)
    add_log(parser)
    add_plain(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    if not has_terminal():
        said = tr(
            "There is no terminal here to ask on: name the settings in a file, and run"
            " `provision setup --answers FILE`."
        )
        return refuse(options, said)

    async def act(person: Person) -> DialogResult:
        from provision.wizard.at_port import set_up_at_port  # noqa: PLC0415
        from provision.wizard.dialog import SetupOptions  # noqa: PLC0415

        return await set_up_at_port(
            place_of(options), person, SetupOptions(show_log=options.log), only=options.keys
        )

    return conclude(options, act)
