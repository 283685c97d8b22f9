# SPDX-License-Identifier: MIT
"""Finding the board: at the port that was named, or at the one where a board answers."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping, Sequence

from provision.catalogue import mark, spoken, tr
from provision.client.discovery import Answered, Found, PortSearch, knock, usb_ports
from provision.client.sanitize import printable
from provision.contract.table import Capability
from provision.link.connection import Connection, find_again
from provision.link.errors import BoardFault, LinkError, OtherReader, PortMissing, WrongVersion
from provision.link.exchange import Notice
from provision.link.known_secrets import KnownSecrets
from provision.link.ports import Port, list_ports, open_stream
from provision.phrases import joined
from provision.wizard import status_text
from provision.wizard.ui import Asker, Say

_LOOK_PAUSE = 0.5  # seconds between looks for a port
_SHOW_TIME = 5.0  # seconds that a board shows itself (shared/protocol.md, clause 6.9)
_BUSY_PATIENCE = 10.0  # seconds that a port may be busy after it was plugged in (common practice)

_BY_CABLE = mark("I do not know: I unplug it, and plug it in again")
_BY_SIGHT = mark("I do not know: let them show themselves, one after the other")


class Finder:
    """Opens ports as a person asked for them."""

    def __init__(
        self,
        place: PortSearch,
        say: Say,
        *,
        waits: bool,
        asker: Asker | None = None,
        on_log: Callable[[str], None] | None = None,
        secrets: KnownSecrets | None = None,
        look: Callable[[], list[Port]] = list_ports,
    ) -> None:
        """Set out what to look for.

        Arguments:
            place: Where.
            say: Takes what the person may want to know.
            waits: Whether a person is there to plug something in.
            asker: Whom to ask which of several boards is meant; None: nobody.
            on_log: Takes the lines that the board prints, cleaned.
            secrets: What is blanked in these lines.
            look: Lists the ports of this computer.
        """
        self._place = place
        self._say = say
        self._waits = waits
        self._asker = asker
        self._on_log = on_log
        self._secrets = secrets
        self._look = look

    async def find(self) -> Found:
        """Return the board's port, opened. Raises LinkError."""
        if self._place.port is not None:
            port = Port(self._place.port, "")
            return Found(port, await self._open(port, named=True))
        told = False
        while True:
            ports = await asyncio.to_thread(usb_ports, self._look)
            answered, errors = await knock(ports, self._open_listed)
            if answered:
                return await self._choose(answered)
            if not self._waits:
                raise _nothing_found(errors)
            if not told:
                told = True
                for error in errors.values():
                    self._say(spoken(error))
                self._say(tr("Waiting for a board: plug it in, or press its reset button."))
            await asyncio.sleep(_LOOK_PAUSE)

    async def find_again(self, port: Port, unit: bytes) -> Connection:
        """Wait for a board that was lost, wherever it comes back, and return it."""
        _, connection, _ = await find_again(
            port,
            unit,
            baud=self._place.baud,
            driver=self._place.driver,
            on_log=self._on_log,
            on_notice=self._tell,
            look=self._look,
        )
        return connection

    async def reopen(self, port: Port) -> Found:
        """Wait until a port is there again, and return it, opened."""
        while True:
            with contextlib.suppress(LinkError):
                return Found(port, await self._open(port, named=True))
            await asyncio.sleep(_LOOK_PAUSE)

    async def _open_listed(self, port: Port) -> Connection:
        return await self._open(port, named=False)

    async def _open(self, port: Port, *, named: bool) -> Connection:
        stream = await open_stream(
            port.device,
            baud=self._place.baud,
            driver=self._place.driver,
            kind=None if named else port.kind,
            patience=_BUSY_PATIENCE if named and self._waits else 0.0,
        )
        return Connection(
            stream,
            baud=self._place.baud,
            on_log=self._on_log,
            on_notice=self._tell if named else None,
            secrets=self._secrets,
        )

    async def _choose(self, answered: Sequence[Answered]) -> Found:
        """Return the one board, or the one that the person means; let go of the others."""
        chosen = None
        try:
            if len(answered) == 1:
                chosen = answered[0].found
            else:
                options = [_description(board) for board in answered]
                title = tr("Several boards answer. Which one is meant?")
                if self._asker is None:
                    raise PortMissing(
                        tr(
                            "{title} Name its port with --port: {options}.",
                            title=title,
                            options="; ".join(options),
                        )
                    )
                chosen = await self._ask_which(title, options, answered, self._asker)
        finally:
            for board in answered:
                if board.found is not chosen:
                    with contextlib.suppress(LinkError):
                        await board.found.connection.close()
        return chosen

    async def _ask_which(
        self, title: str, options: Sequence[str], answered: Sequence[Answered], asker: Asker
    ) -> Found:
        """Return the board that the person means, who may not know it by its name."""
        can_show = any(Capability.LOCATE in board.hello.capabilities for board in answered)
        ways = [_BY_CABLE, *([_BY_SIGHT] if can_show else [])]
        while True:
            number = await asker.choose(title, [*options, *map(tr, ways)])
            if number < len(options):
                return answered[number].found
            if ways[number - len(options)] == _BY_CABLE:
                return await self._by_cable(answered)
            await self._let_them_show_themselves(options, answered)

    async def _let_them_show_themselves(
        self, options: Sequence[str], answered: Sequence[Answered]
    ) -> None:
        for number, (option, board) in enumerate(zip(options, answered, strict=True), start=1):
            if Capability.LOCATE not in board.hello.capabilities:
                continue
            self._say(
                tr(
                    "Look at the boards: this is number {number}, {option}.",
                    number=number,
                    option=option,
                )
            )
            with contextlib.suppress(LinkError):
                await board.found.connection.locate()
            await asyncio.sleep(_SHOW_TIME)

    async def _by_cable(self, answered: Sequence[Answered]) -> Found:
        """Return the board that the person unplugs and plugs in again."""
        self._say(tr("Unplug the board that is meant."))
        while True:
            here = {port.device for port in await asyncio.to_thread(self._look)}
            gone = [board for board in answered if board.found.port.device not in here]
            if gone:
                break
            await asyncio.sleep(_LOOK_PAUSE)
        self._say(tr("That is it. Plug it in again."))
        port, unit = gone[0].found.port, gone[0].hello.unit
        await gone[0].found.connection.close()
        return Found(port, await self.find_again(port, unit))

    def _tell(self, notice: Notice) -> None:
        if notice in status_text.NOTICES:
            self._say(tr(status_text.NOTICES[notice]))


def _description(board: Answered) -> str:
    hello = board.hello
    return tr(
        "{device}: {firmware} {firmware_version} on {board} (id {unit})",
        device=board.found.port.device,
        firmware=printable(hello.firmware, 32),
        firmware_version=printable(hello.firmware_version, 24),
        board=printable(hello.board, 32),
        unit=hello.unit.hex(),
    )


def _nothing_found(errors: Mapping[str, LinkError]) -> LinkError:
    """Return what it means that no port led to a board; errors: by device."""
    if len(errors) == 1:
        return next(iter(errors.values()))
    for device, error in errors.items():
        if isinstance(error, BoardFault | WrongVersion | OtherReader):  # so there is a board
            return type(error)(joined("", (device, ": ", error)))
    if errors:
        return PortMissing(
            tr(
                "No board answers on any port: press the board's reset button, or name its port"
                " with"
                " --port."
            )
        )
    return PortMissing(
        tr("No board is plugged in by USB: plug it in, or name its port with --port.")
    )
