# SPDX-License-Identifier: MIT
"""Finding serial ports, and opening one so that the board behind it stays undisturbed.

Opening moves two lines of a port, DTR and RTS. Behind a USB bridge they often reset the board, so
both stay low there; a native USB port means by DTR that somebody listens, and a board may drop
output while it is low (common practice both; shared/protocol.md, clause 2.4, is the rule for
boards).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import re
import stat
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import serial
from serial.tools import list_ports as _system

from provision.link.errors import LinkError, NoSerialPort, PortBusy, PortForbidden, PortMissing
from provision.link.streams import PORT_ERRORS, DescriptorStream, Stream, TransportStream
from provision.phrases import Phrase, phrase

if sys.platform != "win32":
    import fcntl
    import grp
    import termios

PortKind = Literal["bridge", "native", "unknown"]
Driver = Literal["auto", "descriptor", "transport"]
Lines = Literal["low", "high"]

_POLL_TIME = 0.25  # seconds between looks at the list of ports, and between tries to open one
_ATTEMPTS_SHOWN = 5  # ports named in the message about a missing one


@dataclass(frozen=True, slots=True)
class Port:
    """A serial port as the system lists it; what the system does not know is None.

    location is where it is plugged in. kind: a bridge chip before the board's own serial port, the
    board's native USB port, or unknown.
    """

    device: str
    description: str
    serial_number: str | None = None
    location: str | None = None
    kind: PortKind = "unknown"


def list_ports() -> list[Port]:
    """Return the serial ports of this computer, those on USB first."""
    ports = [_port(info) for info in _system.comports()]
    return sorted(ports, key=lambda port: (port.kind == "unknown", port.device))


async def wait_for_port(
    wanted: Callable[[Port], bool], *, look: Callable[[], list[Port]] = list_ports
) -> Port:
    """Wait until a port is listed that is wanted, and return it. Cancel to stop."""
    while True:
        for port in await asyncio.to_thread(look):
            if wanted(port):
                return port
        await asyncio.sleep(_POLL_TIME)


async def open_stream(
    name: str,
    *,
    baud: int,
    driver: Driver = "auto",
    kind: PortKind | None = None,
    lines: Lines | None = None,
    patience: float = 0.0,
) -> Stream:
    """Open a port for this program alone, 8 data bits, no parity, one stop bit, no flow control.

    name: a device, or a URL of the serial library. driver: "descriptor" where the event loop can
    read the port's descriptor, "transport" anywhere else; "auto" takes the first that serves.
    kind: as list_ports() tells, None to look there. lines: DTR and RTS, None for what suits the
    kind. patience: seconds to go on trying while the port is busy or not yet permitted, as in the
    moments after it was plugged in.
    Raises PortMissing, PortForbidden or PortBusy.
    """
    by_url = "://" in name
    if kind is None:
        kind = "unknown" if by_url else kind_of(name)
    is_high = (lines or ("low" if kind == "bridge" else "high")) == "high"
    port = await _open(name, baud, is_high, patience)
    if by_url and os.name == "posix":
        try:
            port.fileno()
        except PORT_ERRORS:  # loop:// and rfc2217:// have none
            port.close()
            raise PortMissing(
                phrase(
                    "The port {name} cannot be driven here: use a device, or socket://HOST:PORT.",
                    name=name,
                )
            ) from None
    if kind == "bridge":
        # Bridges gather input for up to 16 ms. Where the system lets one, ask for none of it.
        with contextlib.suppress(ValueError, NotImplementedError, OSError, AttributeError):
            port.set_low_latency_mode(True)
    if driver == "descriptor" or (driver == "auto" and not by_url and os.name == "posix"):
        return DescriptorStream(port)
    return await TransportStream.over(port)


async def _open(name: str, baud: int, is_high: bool, patience: float) -> Any:
    loop = asyncio.get_running_loop()
    deadline = loop.time() + patience
    while True:
        try:
            if "://" in name:  # connecting takes time
                return await asyncio.to_thread(_open_url, name, baud)
            return _open_device(name, baud, is_high)
        except PORT_ERRORS as error:
            fault = port_error(name, error)
            if loop.time() >= deadline or isinstance(fault, PortMissing):
                raise fault from None
        await asyncio.sleep(_POLL_TIME)


def kind_of(device: str) -> PortKind:
    """Return the kind of a port: by its name in the system, or else as the system lists it."""
    real = os.path.realpath(device)
    listed = (port.kind for port in list_ports() if port.device in (device, real))
    return next(listed, classify(real, on_usb=False, description=""))


def classify(device: str, *, on_usb: bool, description: str) -> PortKind:
    """Return the kind of a port by the names that systems and their own drivers give."""
    name = device.rpartition("/")[2]
    if re.match(r"ttyACM|(cu|tty)\.usbmodem", name):
        return "native"
    if re.match(r"ttyUSB|(cu|tty)\.usbserial", name):
        return "bridge"
    if not on_usb:
        return "unknown"
    # The driver that a system brings for the USB communication class calls its ports so.
    return "native" if description.startswith("USB Serial Device") else "bridge"


def _port(info: Any) -> Port:
    description = info.description if info.description not in (None, "n/a") else ""
    kind = classify(info.device, on_usb=info.vid is not None, description=description)
    return Port(info.device, description, info.serial_number, info.location, kind)


def _open_url(url: str, baud: int) -> Any:
    try:
        return serial.serial_for_url(url, baudrate=baud)
    except ValueError as error:
        raise serial.SerialException(errno.ENOENT, str(error)) from None


def _open_device(name: str, baud: int, is_high: bool) -> serial.Serial:
    if os.name == "posix" and not stat.S_ISCHR(Path(name).stat().st_mode):
        raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
    # dsrdtr keeps the library from moving DTR at once. RTS has to fall before DTR: the other way
    # round, and a reset circuit sees RTS without DTR, which is what resets the board.
    port = serial.Serial(baudrate=baud, timeout=0, exclusive=True, dsrdtr=os.name == "posix")
    port.port = name
    port.rts = is_high
    if os.name != "posix":
        port.dtr = is_high
    port.open()
    if os.name == "posix":
        with contextlib.suppress(OSError):  # a pseudo-terminal has no such lines
            port.dtr = is_high
        # The library's lock binds only those who ask for it; this binds every later opener.
        with contextlib.suppress(OSError):
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
    return port


def port_error(name: str, error: Exception) -> LinkError:
    """Return what an error in opening a port means, in a person's words and with the fix."""
    number = error.errno if isinstance(error, OSError) else error.args[0]
    text = str(error)
    if number is None:  # the library put the system's error into words
        if "FileNotFoundError" in text:
            number = errno.ENOENT
        elif "PermissionError" in text:  # so Windows says that somebody else has it open
            number = errno.EBUSY
        elif "Inappropriate ioctl" in text:
            number = errno.ENOTTY
    if number in (errno.EACCES, errno.EPERM):
        return PortForbidden(
            phrase(
                "You may not open the port {name}: {fix}",
                name=name,
                fix=_permission_fix(name),
            )
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return PortBusy(
            phrase(
                "The port {name} is in use by {holder}: close that, and try again.",
                name=name,
                holder=_holder(name),
            )
        )
    if number == errno.ENOTTY:
        return NoSerialPort(
            phrase(
                "{name} is no serial port: name the board's port. {ports}",
                name=name,
                ports=_ports_here(),
            )
        )
    if "://" in name:
        return PortMissing(
            phrase(
                "The port {name} cannot be opened: check the address, and that something listens"
                " there.",
                name=name,
            )
        )
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR):
        return PortMissing(
            phrase(
                "There is no port {name}: plug the board in. {ports}",
                name=name,
                ports=_ports_here(),
            )
        )
    reason = os.strerror(number) if number else phrase("no reason given")
    return PortMissing(
        phrase(
            "The port {name} cannot be opened ({reason}). {ports}",
            name=name,
            reason=reason,
            ports=_ports_here(),
        )
    )


def _ports_here() -> Phrase:
    names = [port.device for port in list_ports()]
    if not names:
        return phrase("This computer has no serial port now.")
    more = ", …" if len(names) > _ATTEMPTS_SHOWN else ""
    return phrase(
        "Ports here now: {names}{more}.", names=", ".join(names[:_ATTEMPTS_SHOWN]), more=more
    )


def _permission_fix(name: str) -> Phrase:
    """Say which group opens the device and how to join it, or how else to open it."""
    if sys.platform == "win32":
        return phrase("ask whoever looks after this computer.")
    otherwise = phrase("run `sudo chmod a+rw {name}`, and try again.", name=name)
    try:
        node = Path(name).stat()
        group = grp.getgrgid(node.st_gid).gr_name
    except (OSError, KeyError):
        return otherwise
    if group == "root" or node.st_mode & (stat.S_IRGRP | stat.S_IWGRP) != (
        stat.S_IRGRP | stat.S_IWGRP
    ):
        return otherwise
    return phrase(
        "it belongs to the group {group}. Run `sudo usermod -aG {group} $USER`, log out and"
        " in again, and try again. (`provision udev-rule` has a way that needs no group.)",
        group=group,
    )


def _holder(name: str, proc: Path = Path("/proc")) -> Phrase:
    """Return who has a device open, as far as the system tells."""
    real = os.path.realpath(name)
    for link in proc.glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            if str(link.readlink()) == real:
                process = link.parent.parent
                if int(process.name) == os.getpid():
                    return phrase("this program itself")
                program = (process / "comm").read_text(errors="replace").strip()
                return phrase(
                    "the program {program} (process {number})", program=program, number=process.name
                )
    return phrase("another program")
