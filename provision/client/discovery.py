# SPDX-License-Identifier: MIT
"""Finding boards: the port that was named, or every port on which one answers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from provision.link.connection import Connection
from provision.link.errors import LinkError
from provision.link.ports import Driver, Port, PortKind, list_ports, open_stream
from provision.link.replies import Hello

_KNOCK_TIME = 3.0  # seconds that a port is given to answer; boards take some to start


@dataclass(frozen=True, slots=True)
class PortSearch:
    """Where to look for the board."""

    port: str | None = None
    """Device or URL; None: wherever a board answers."""
    baud: int = 115200
    driver: Driver = "auto"


@dataclass(frozen=True, slots=True)
class Found:
    """A port and the connection over it."""

    port: Port
    connection: Connection


@dataclass(frozen=True, slots=True)
class Answered:
    """A board that answered hello."""

    found: Found
    hello: Hello


Open = Callable[[Port], Awaitable[Connection]]
"""Opens a port. Raises LinkError."""


def usb_ports(look: Callable[[], list[Port]] = list_ports) -> list[Port]:
    """Return the ports of this computer that a board may be on: those on USB."""
    return [port for port in look() if port.kind != "unknown"]


async def knock(
    ports: Sequence[Port], open_port: Open
) -> tuple[list[Answered], dict[str, LinkError]]:
    """Send hello on every port at once; return the boards that answered, and errors by device."""
    tries = [asyncio.ensure_future(_try(port, open_port)) for port in ports]
    try:
        results = await asyncio.gather(*tries)
    except BaseException:
        for ended in await asyncio.gather(*tries, return_exceptions=True):
            if isinstance(ended, Answered):  # nobody else knows this connection yet
                await ended.found.connection.close()
        raise
    return (
        [result for result in results if isinstance(result, Answered)],
        {
            port.device: result
            for port, result in zip(ports, results, strict=True)
            if isinstance(result, LinkError)
        },
    )


async def _try(port: Port, open_port: Open) -> Answered | LinkError:
    try:
        connection = await open_port(port)
    except LinkError as error:
        return error
    try:
        return Answered(Found(port, connection), await connection.hello(_KNOCK_TIME))
    except LinkError as error:
        await connection.close()
        return error
    except BaseException:
        await connection.close()
        raise


async def open_connection(
    device: str, place: PortSearch, kind: PortKind | None = None
) -> Connection:
    """Open a port at the rate of a place. kind: as it is listed. Raises LinkError."""
    stream = await open_stream(device, baud=place.baud, driver=place.driver, kind=kind)
    return Connection(stream, baud=place.baud)
