# SPDX-License-Identifier: MIT
"""`provision rehearse`: try the dialog, on a board in this process."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from provision.author.command_line import add_file, add_networks, with_declaration
from provision.wizard.command_line import (
    add_answers,
    add_json,
    add_language,
    add_plain,
    conclude,
    has_terminal,
    no_terminal,
    refuse,
)
from provision.wizard.result import DialogResult, ExitCode

if TYPE_CHECKING:
    from provision.board.firmware import Surroundings
    from provision.board.loopback import Loopback
    from provision.schema.declaration import Declaration
    from provision.wizard.at_port import Person


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what the command takes."""
    add_file(parser)
    add_answers(parser)
    add_networks(parser)
    add_language(parser)
    add_plain(parser)
    add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    if options.answers is None and not has_terminal():
        return no_terminal(options, "rehearse")

    async def act(person: Person, declaration: Declaration) -> DialogResult:
        from provision.board.engine import from_declaration  # noqa: PLC0415
        from provision.board.firmware import Device  # noqa: PLC0415
        from provision.board.loopback import Loopback  # noqa: PLC0415
        from provision.wizard.at_port import set_up_in_memory  # noqa: PLC0415

        board = Device(from_declaration(declaration), surroundings)
        async with Loopback(board) as line:
            return await set_up_in_memory(_InMemory(line), person)

    try:
        surroundings = _surroundings(options.networks)
    except ValueError as error:
        return refuse(options, f"{options.networks}: {error}", ExitCode.MISTAKES)
    return with_declaration(
        options, lambda declaration: conclude(options, lambda person: act(person, declaration))
    )


def _surroundings(path: Path | None) -> Surroundings:
    """Read what is in the board's range. Raises ValueError with a sentence."""
    from provision.board.firmware import Surroundings, read_surroundings  # noqa: PLC0415

    if path is None:
        return Surroundings()
    try:
        return read_surroundings(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ValueError(f"The file cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise ValueError("The file is not written in UTF-8.") from None


class _InMemory:
    """The stream to a board in this process."""

    def __init__(self, line: Loopback) -> None:
        self._line = line

    def write(self, data: bytes) -> None:
        """Send bytes to the board."""
        self._line.send(data)

    async def read(self) -> bytes:
        """Wait for bytes from the board."""
        return await self._line.receive()

    async def close(self) -> None:
        """Do nothing: the board ends with the line that it is on."""
