# SPDX-License-Identifier: MIT
"""`provision stand-in FILE`: a board that runs the declared firmware, on a port of this machine."""

from __future__ import annotations

import asyncio
import hashlib
import secrets
import signal
from collections.abc import Callable, Iterator
from contextlib import AsyncExitStack, ExitStack
from dataclasses import dataclass
from pathlib import Path

from provision.board.engine import from_declaration, settings_geometry
from provision.board.firmware import Device, Surroundings, read_surroundings
from provision.board.flash import Flash
from provision.board.server import FileFlash, FrontError, serve_pty, serve_tcp
from provision.schema.declaration import Declaration


@dataclass(frozen=True, slots=True)
class StandInOptions:
    """Where the board is served, and what is around it."""

    tcp: int | None = None
    """TCP port on this machine, 0 for a free one; None: on a pseudo-terminal."""

    link: Path | None = None
    """Symbolic link to the pseudo-terminal."""

    flash: Path | None = None
    """File that holds the flash; None: the settings end with the process."""

    networks: Path | None = None
    """File of what is in range (firmware.read_surroundings); None: whatever is asked for."""

    log: bool = False
    """Whether the firmware logs on the same port."""


def run_stand_in(
    declaration: Declaration, options: StandInOptions, say: Callable[[str], None]
) -> None:
    """Run the board until the process is told to end (SIGINT or SIGTERM).

    say: takes one sentence for the person, the first when the port is ready. Raises FrontError.
    """
    surroundings = Surroundings()
    if options.networks is not None:
        surroundings = _read_surroundings(options.networks)
    with ExitStack() as stack:
        flash = Flash(settings_geometry(declaration))
        if options.flash is not None:
            flash = file_flash = FileFlash(options.flash, flash.geometry)
            stack.callback(file_flash.close)
        numbers = boot_numbers()
        board = from_declaration(
            declaration,
            flash=flash,
            unit=_unit_id(options.flash),
            boot_number=next(numbers),
        )
        device = Device(board, surroundings, boot_numbers=numbers, logs=options.log)
        asyncio.run(_serve(device, options, say))


def boot_numbers() -> Iterator[int]:
    """Yield boot numbers, each drawn at random (clause 5.2 admits that)."""
    while True:
        yield secrets.randbits(32)


async def _serve(device: Device, options: StandInOptions, say: Callable[[str], None]) -> None:
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for told in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(told, ended.set)
    async with AsyncExitStack() as stack:
        if options.tcp is None:
            path = await stack.enter_async_context(serve_pty(device, options.link))
            port = str(options.link or path)
        else:
            host, number = await stack.enter_async_context(serve_tcp(device, options.tcp))
            port = f"socket://{host}:{number}"
        say(f"The board is on {port}.")
        await ended.wait()


def _unit_id(flash: Path | None) -> bytes:
    """Return the id of the board that has this flash; of a new board if there is none."""
    if flash is None:
        return secrets.token_bytes(8)
    return hashlib.sha256(bytes(flash.resolve())).digest()[:8]


def _read_surroundings(path: Path) -> Surroundings:
    try:
        return read_surroundings(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FrontError(f"The file {path} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise FrontError(f"The file {path} is no text in UTF-8.") from None
    except ValueError as error:
        raise FrontError(f"In the file {path}: {error}") from None
