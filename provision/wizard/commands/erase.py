# SPDX-License-Identifier: MIT
"""`provision erase`: wipe every setting, and see that none is left."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from provision.wizard.command_line import add_agreement, conclude_if_agreed, place_of
from provision.wizard.result import DialogResult

if TYPE_CHECKING:
    from provision.wizard.at_port import Person

add_arguments = add_agreement


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""

    async def act(person: Person) -> DialogResult:
        from provision.wizard.at_port import erase_at_port  # noqa: PLC0415

        return await erase_at_port(place_of(options), person, agreed=options.yes)

    return conclude_if_agreed(options, "erase", act)
