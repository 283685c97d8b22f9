# SPDX-License-Identifier: MIT
"""`provision diagnose`: what is wrong with a port, or with the board behind it, and what to do.

Each port is looked at as a person would with patience: whether it can be opened, what comes from it
unasked, whether a board answers, and if none does, whether one answers at another speed. Nothing is
changed on a board. What was found can be written into a file, to be given to whoever helps: it has
no value of any setting, and log text only as it is cleaned for the screen.
"""

from __future__ import annotations

import asyncio
import contextlib
import platform
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

from provision.catalogue import spoken, tr
from provision.client.cache import Cache
from provision.client.discovery import PortSearch
from provision.client.sanitize import printable
from provision.contract.table import Run
from provision.link.connection import Connection
from provision.link.errors import (
    BoardFault,
    Echo,
    LineLost,
    LinkError,
    NoReply,
    NoSerialPort,
    OtherReader,
    PortBusy,
    PortForbidden,
    PortMissing,
    Silent,
    SpeaksElse,
    WrongVersion,
)
from provision.link.exchange import Notice
from provision.link.known_secrets import KnownSecrets
from provision.link.ports import Port, list_ports, open_stream
from provision.link.replies import Hello
from provision.link.streams import Stream
from provision.schema.codec import SchemaError
from provision.wizard import status_text
from provision.wizard.dialog import (
    introduction,
    meet,
)
from provision.wizard.failures import exit_code
from provision.wizard.result import ExitCode
from provision.wizard.ui import Say

_LISTEN_TIME = 1.2  # seconds: a firmware that logs every second is heard
_HELLO_TIME = 4.0
_OTHER_SPEED_TIME = 0.9  # seconds that a board has to answer at another speed
_SPEEDS = (9600, 19200, 38400, 57600, 74880, 115200, 230400, 460800, 921600)
_NOISE = 0.2  # the share of bytes that no log text has, from which on it is noise
_LOG_LINES = 20
_USB = Path("/sys/bus/usb/devices")
_SERIAL_CLASSES = ("02", "0a", "ff")  # communication, its data, and vendor-specific (USB-IF)

_CAUSES: dict[type[LinkError], str] = {
    NoSerialPort: "no-serial-port",
    PortMissing: "no-such-port",
    PortForbidden: "no-permission",
    PortBusy: "busy",
    LineLost: "port-lost",
    Silent: "silent",
    Echo: "echo",
    SpeaksElse: "other-firmware",
    OtherReader: "second-reader",
    NoReply: "stops-answering",
    WrongVersion: "other-version",
    BoardFault: "breaks-the-protocol",
}


@dataclass(frozen=True, slots=True)
class PortVerdict:
    """What was found at one port: the cause in a word, and in sentences with what to do."""

    cause: str
    words: str
    code: ExitCode


@dataclass(slots=True)
class Looked:
    """One port as it was looked at."""

    port: Port
    finding: PortVerdict
    bytes_heard: int = 0
    noise: float = 0.0
    """The share of the bytes that no text has."""
    log: list[str] = field(default_factory=list)
    hello: Hello | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the same for a file."""
        port, hello = self.port, self.hello
        return {
            "port": port.device,
            "kind": port.kind,
            "description": printable(port.description, 80),
            "cause": self.finding.cause,
            "words": self.finding.words,
            "bytes-heard": self.bytes_heard,
            "noise": round(self.noise, 2),
            "log": self.log,
            "board": None
            if hello is None
            else {
                "unit": hello.unit.hex(),
                "firmware": printable(hello.firmware, 32),
                "version": printable(hello.firmware_version, 24),
                "board": printable(hello.board, 32),
                "protocol": list(hello.versions),
                "schema": hello.schema_digest.hex(),
                "line": hello.line,
                "credit": hello.credit,
                "generation": hello.generation,
                "capabilities": int(hello.capabilities),
            },
        }


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """All that was found."""

    looked: tuple[Looked, ...]
    general: PortVerdict | None = None
    """Where there was no port to look at."""

    @property
    def code(self) -> ExitCode:
        """0 if a board works, else the class of the likeliest cause."""
        if self.general is not None:
            return self.general.code
        codes = [each.finding.code for each in self.looked]
        return ExitCode.DONE if ExitCode.DONE in codes else codes[0]

    def lines(self) -> Iterator[str]:
        """Yield it for a person."""
        if self.general is not None:
            yield self.general.words
        for each in self.looked:
            yield f"{each.port.device}: {each.finding.words}"
            if each.log and each.finding.code is not ExitCode.DONE:
                yield f"  {tr('What came from it:')}"
                yield from (f"    {line}" for line in each.log[:5])

    def as_json(self) -> dict[str, Any]:
        """Return it for a file, with what this computer is."""
        return {
            "provision": version("provision-over-serial"),
            "system": platform.platform(),
            "python": platform.python_version(),
            "exit": int(self.code),
            "cause": None if self.general is None else self.general.cause,
            "words": None if self.general is None else self.general.words,
            "ports": [each.as_json() for each in self.looked],
        }


async def diagnose(
    place: PortSearch,
    say: Say,
    *,
    secrets: KnownSecrets | None = None,
    look: Callable[[], list[Port]] = list_ports,
    usb: Path = _USB,
) -> Diagnosis:
    """Look at the port that was named, else at every port on USB.

    say: told what is being looked at. secrets: blanked in what boards print. look: lists the
    ports. usb: where the system shows the devices on USB.
    """
    ports = await asyncio.to_thread(look)
    if place.port is not None:
        named = [port for port in ports if port.device == place.port]
        wanted = named or [Port(place.port, "")]
    else:
        wanted = [port for port in ports if port.kind != "unknown"]
    if not wanted:
        return Diagnosis((), _no_port(await asyncio.to_thread(_without_driver, usb)))
    looked = []
    for port in wanted:
        say(tr("Looking at {device}.", device=port.device))
        looked.append(await _look_at(port, place, secrets))
    return Diagnosis(tuple(looked))


class _Tap:
    """A stream; counts what comes through it."""

    def __init__(self, stream: Stream) -> None:
        self._stream = stream
        self.count = 0
        self.noise = 0

    def write(self, data: bytes) -> None:
        """Send bytes. Raises LineLost."""
        self._stream.write(data)

    async def read(self) -> bytes:
        """Wait for bytes and return them. Raises LineLost."""
        data = await self._stream.read()
        self.count += len(data)
        self.noise += sum(
            byte > 0x7E or (byte < 0x20 and byte not in b"\t\r\n\x1b") for byte in data
        )
        return data

    async def close(self) -> None:
        """Close the port."""
        await self._stream.close()


async def _look_at(port: Port, place: PortSearch, secrets: KnownSecrets | None) -> Looked:
    looked = Looked(port, PortVerdict("works", "", ExitCode.DONE))
    try:
        stream = _Tap(await open_stream(port.device, baud=place.baud, driver=place.driver))
    except LinkError as error:
        looked.finding = _of(error)
        return looked
    notices: set[Notice] = set()

    def keep(line: str) -> None:
        if len(looked.log) < _LOG_LINES:
            looked.log.append(line)

    board = Connection(stream, baud=place.baud, on_log=keep, on_notice=notices.add, secrets=secrets)
    try:
        looked.finding = await _converse(board, looked)
    except LinkError as error:
        looked.finding = _of(error)
        if looked.hello is not None and isinstance(error, Silent | NoReply):
            looked.finding = PortVerdict(
                "stops-answering",
                tr(
                    "A board answered, and then stopped: look at the end of its log, press its"
                    " reset button, and try another cable."
                ),
                ExitCode.NO_BOARD,
            )
    finally:
        await board.close()
        looked.bytes_heard = stream.count
        looked.noise = stream.noise / stream.count if stream.count else 0.0
    if looked.hello is None and looked.finding.cause in (
        "silent",
        "other-firmware",
        "second-reader",
    ):
        looked.finding = await _at_another_speed(looked, place) or looked.finding
    return looked


async def _converse(board: Connection, looked: Looked) -> PortVerdict:
    """Listen, then meet the board and read all that it has to say."""
    await asyncio.sleep(_LISTEN_TIME)
    looked.hello = hello = await board.hello(_HELLO_TIME)
    try:
        met = await meet(board, Cache(None), lambda _: None)
    except SchemaError as error:
        return PortVerdict("schema", spoken(error), ExitCode.SCHEMA)
    again = await board.hello()
    if again.boot != hello.boot:
        return PortVerdict(
            "restarts",
            tr(
                "The board answers, but keeps restarting by itself: try another cable or another"
                " USB port, without a hub, and look at the end of its log."
            ),
            ExitCode.NO_BOARD,
        )
    said = tr(
        "A board answers, and the connection works well. {introduction}",
        introduction=introduction(met),
    )
    run = status_text.run_words(met.status.run)
    said += f" {tr('It {run}.', run=run)}"
    if met.status.run == Run.FAILED:
        why = status_text.why_words(met.schema, met.status)
        said += f" {why} {tr('`provision setup` fixes that.')}"
    elif met.hello.token is None:
        said += f" {tr('`provision setup` sets it up.')}"
    return PortVerdict("works", said, ExitCode.DONE)


async def _at_another_speed(looked: Looked, place: PortSearch) -> PortVerdict | None:
    """Ask at the other usual speeds; None if nothing there explains it."""
    for speed in _SPEEDS:
        if speed == place.baud or "://" in looked.port.device:
            continue
        try:
            stream = await open_stream(looked.port.device, baud=speed, driver=place.driver)
        except LinkError:
            continue
        async with Connection(stream, baud=speed) as board:
            with contextlib.suppress(LinkError):
                looked.hello = await board.hello(_OTHER_SPEED_TIME)
        if looked.hello is not None:
            return PortVerdict(
                "another-speed",
                tr(
                    "A board answers here at {speed} baud, not at {baud}: give --baud {speed} to"
                    " every command.",
                    speed=speed,
                    baud=place.baud,
                ),
                ExitCode.NO_BOARD,
            )
    if looked.noise >= _NOISE:
        return PortVerdict(
            "noise",
            tr(
                "This port sends no text at any of the usual speeds: the board has another"
                " firmware with a speed of its own, or the cable is damaged. Try another cable,"
                " then flash the firmware again."
            ),
            ExitCode.NO_BOARD,
        )
    return None


def _of(error: LinkError) -> PortVerdict:
    """Return what an error of the link means here."""
    cause = next((name for kind, name in _CAUSES.items() if isinstance(error, kind)), "refused")
    said = spoken(error)
    if cause == "port-lost":
        said = tr(
            "The port went away while it was looked at: the cable or its plug is loose, or the"
            " board restarts. Try another cable, and another USB port without a hub."
        )
    return PortVerdict(cause, said, exit_code(error))


def _no_port(driverless: Sequence[str]) -> PortVerdict:
    if driverless:
        return PortVerdict(
            "no-driver",
            tr(
                "A device is plugged in that may be the board ({names}), but this system has no"
                " driver for its serial port: install the driver of the board's USB chip; the"
                " board's maker says where to get it.",
                names="; ".join(driverless),
            ),
            ExitCode.PORT,
        )
    return PortVerdict(
        "nothing-plugged-in",
        tr(
            "There is no USB serial port. Plug the board in; if it is plugged in, try another"
            " cable: some only charge, and have no wires for data."
        ),
        ExitCode.PORT,
    )


def _without_driver(usb: Path) -> list[str]:
    """Return the devices on USB with a serial sort of interface that no driver has taken."""
    found = []
    for interface in sorted(usb.glob("*:*")):
        try:
            sort = (interface / "bInterfaceClass").read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            continue
        if sort not in _SERIAL_CLASSES or (interface / "driver").exists():
            continue
        name = interface.parent / interface.name.partition(":")[0] / "product"
        try:
            product = name.read_text(encoding="utf-8", errors="replace").strip()
        except OSError:
            product = tr("a device without a name")
        if product not in found:
            found.append(printable(product, 40))
    return found
