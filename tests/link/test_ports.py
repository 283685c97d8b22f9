# SPDX-License-Identifier: MIT
"""Finding and opening ports: pseudo-terminals, and everything that is no port for us."""

from __future__ import annotations

import asyncio
import errno
import os
import subprocess
import sys
import termios
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from provision.link.errors import LinkError, PortBusy, PortForbidden, PortMissing
from provision.link.ports import Port, classify, list_ports, open_stream, port_error, wait_for_port
from tests.link.served import descriptors, terminal
from tests.waiting import next_line


def opening_fails(name: str, error: type[LinkError], words: str) -> None:
    """Open a port, which must fail in one sentence or two, and leave nothing open."""
    before = descriptors()
    with pytest.raises(error, match=words) as caught:
        asyncio.run(open_stream(name, baud=115200))
    assert "\n" not in str(caught.value)
    assert descriptors() == before


def test_a_missing_port_is_told() -> None:
    """The person reads what is not there and which ports are."""
    opening_fails("/dev/no-such-port", PortMissing, "no port /dev/no-such-port: plug the board in")


def test_what_is_no_port_is_told(tmp_path: Path) -> None:
    """A file, a folder, and a device that is no terminal."""
    file = tmp_path / "notes.txt"
    file.write_text("", encoding="utf-8")
    for name in (str(file), str(tmp_path), "/dev/null"):
        opening_fails(name, PortMissing, "is not a serial port")


@pytest.mark.parametrize("url", ["socket://127.0.0.1", "no-such://x", "socket://127.0.0.1:99999"])
def test_a_wrong_url_is_told(url: str) -> None:
    """An address without a port, a form that nobody knows, a number too large."""
    opening_fails(url, PortMissing, "check the address")


async def test_a_busy_port_names_who_holds_it() -> None:
    """Opened once, a port is closed to others, and the message says who has it."""
    async with terminal() as port:
        stream = await open_stream(port.name, baud=115200)
        with pytest.raises(PortBusy, match="in use by this program itself"):
            await open_stream(port.name, baud=115200, patience=0.3)
        await stream.close()
        await (await open_stream(port.name, baud=115200)).close()


async def test_a_port_that_gets_free_in_time_is_opened() -> None:
    """Some programs look at every fresh port for a while."""
    async with terminal() as port:
        stream = await open_stream(port.name, baud=115200)
        waiting = asyncio.create_task(open_stream(port.name, baud=115200, patience=30))
        await asyncio.sleep(0.05)
        assert not waiting.done()
        await stream.close()
        await (await waiting).close()


@pytest.mark.skipif(
    not Path("/proc/self/fd").exists(), reason="needs /proc to see who holds a port"
)
def test_another_program_that_holds_a_port_is_named(tmp_path: Path) -> None:
    """By its name and number, as far as the system tells. Any file serves to see it."""
    device = tmp_path / "port"
    device.touch()
    command = [sys.executable, "-c", "print(flush=True); import time; time.sleep(60)"]
    with device.open() as held, subprocess.Popen(command, stdin=held, stdout=subprocess.PIPE) as it:
        try:
            held.close()
            next_line(it)
            assert f"(process {it.pid})" in str(port_error(str(device), OSError(errno.EBUSY, "x")))
        finally:
            it.kill()


async def test_a_forbidden_port_is_told(tmp_path: Path) -> None:
    """Without permission to open it, the message says how to get it."""
    if os.geteuid() == 0:
        pytest.skip("the superuser may open every port; the mapping of the error is tested below")
    async with terminal() as port:
        os.chmod(port.name, 0)  # noqa: PTH101 - a path object's would be taken to block
        with pytest.raises(PortForbidden):
            await open_stream(port.name, baud=115200)


def group_of_device(monkeypatch: pytest.MonkeyPatch, name: str, mode: int) -> None:
    """Let every device belong to a group, with these permissions."""
    node = SimpleNamespace(st_gid=20, st_mode=mode)
    monkeypatch.setattr("provision.link.ports.Path", lambda _: SimpleNamespace(stat=lambda: node))
    monkeypatch.setattr(
        "provision.link.ports.grp.getgrgid", lambda _: SimpleNamespace(gr_name=name)
    )


def test_a_forbidden_port_names_the_group_and_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """The device's owning group decides what to type."""
    group_of_device(monkeypatch, "dialout", 0o020660)
    error = port_error("/dev/ttyACM0", PermissionError(errno.EACCES, "Permission denied"))
    assert isinstance(error, PortForbidden)
    assert "sudo usermod -aG dialout $USER" in str(error)


@pytest.mark.parametrize(("group", "mode"), [("root", 0o020660), ("dialout", 0o020600)])
def test_where_no_group_helps_another_command_is_named(
    monkeypatch: pytest.MonkeyPatch, group: str, mode: int
) -> None:
    """Nobody is told to join the superuser's group, or one that may not open it either."""
    group_of_device(monkeypatch, group, mode)
    assert "sudo chmod a+rw /dev/x" in str(port_error("/dev/x", OSError(errno.EPERM, "no")))


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (OSError(errno.ENOENT, "x"), PortMissing),
        (OSError(errno.ENXIO, "x"), PortMissing),
        (OSError(errno.EBUSY, "x"), PortBusy),
        (serial.SerialException(errno.EAGAIN, "could not lock"), PortBusy),
        (OSError(errno.EACCES, "x"), PortForbidden),
        (OSError(errno.EIO, "x"), PortMissing),
        (termios.error(errno.EIO, "x"), PortMissing),
        (serial.SerialException("no more than words"), PortMissing),
        # How the serial library words what Windows says (its serialwin32.py).
        (
            serial.SerialException(
                "could not open port 'COM9': FileNotFoundError(2, 'not found', None, 2)"
            ),
            PortMissing,
        ),
        (
            serial.SerialException(
                "could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)"
            ),
            PortBusy,
        ),
    ],
)
def test_each_error_of_opening_has_its_class(error: Exception, kind: type[LinkError]) -> None:
    """One line of words, whatever the system or the serial library raised."""
    fault = port_error("/dev/no-such-port", error)
    assert type(fault) is kind
    assert "Error(" not in str(fault)


@pytest.mark.parametrize(
    ("device", "on_usb", "description", "kind"),
    [
        ("/dev/ttyACM0", True, "mast", "native"),
        ("/dev/ttyUSB3", True, "mast", "bridge"),
        ("/dev/cu.usbmodem14101", True, "mast", "native"),
        ("/dev/cu.usbserial-0001", True, "mast", "bridge"),
        ("COM5", True, "USB Serial Device (COM5)", "native"),  # from memory
        ("COM6", True, "a bridge (COM6)", "bridge"),
        ("COM1", False, "Communications Port (COM1)", "unknown"),
        ("/dev/pts/4", False, "", "unknown"),
    ],
)
def test_ports_are_classed_by_the_systems_names(
    device: str, on_usb: bool, description: str, kind: str
) -> None:
    """The names of the kernels' own drivers (common practice) tell bridge from native."""
    assert classify(device, on_usb=on_usb, description=description) == kind


def listed(monkeypatch: pytest.MonkeyPatch, *devices: str) -> None:
    """Let the system list these ports on USB."""
    infos = [
        SimpleNamespace(
            device=device,
            description="n/a" if device.endswith("S0") else "frost alarm",
            serial_number="A1",
            location="1-2",
            vid=None if device.endswith("S0") else 1,
        )
        for device in devices
    ]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: infos)


def test_ports_on_usb_come_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """The likely ones are at the top of the list."""
    listed(monkeypatch, "/dev/ttyS0", "/dev/ttyACM0")
    assert list_ports() == [
        Port("/dev/ttyACM0", "frost alarm", "A1", "1-2", "native"),
        Port("/dev/ttyS0", "", "A1", "1-2", "unknown"),
    ]
    assert "Ports here now: /dev/ttyACM0, /dev/ttyS0." in str(
        port_error("/dev/x", OSError(errno.ENOENT, "x"))
    )


def test_a_computer_without_ports_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Instead of an empty list."""
    listed(monkeypatch)
    assert "no serial port now" in str(port_error("/dev/x", OSError(errno.ENOENT, "x")))


def test_waiting_for_a_port_ends_when_it_is_plugged_in() -> None:
    """The list is looked at again and again until a wanted port is on it."""
    looks = iter([[], [Port("/dev/a", "")], [Port("/dev/a", ""), Port("/dev/b", "")]])
    port = asyncio.run(wait_for_port(lambda p: p.device == "/dev/b", look=lambda: next(looks)))
    assert port.device == "/dev/b"


class Recorded(serial.Serial):
    """A port that writes down in which order its lines were moved."""

    moves: list[tuple[str, bool]]

    def _update_rts_state(self) -> None:
        self.moves.append(("rts", self.rts))
        raise OSError(errno.ENOTTY, "a pseudo-terminal has no lines")

    def _update_dtr_state(self) -> None:
        self.moves.append(("dtr", self.dtr))
        raise OSError(errno.ENOTTY, "a pseudo-terminal has no lines")


@pytest.mark.parametrize(
    ("kind", "lines", "high"),
    [
        ("bridge", None, False),
        ("native", None, True),
        ("unknown", None, True),
        ("bridge", "high", True),
        ("native", "low", False),
        (None, None, True),
    ],
)
def test_lines_are_moved_by_the_class_of_port(
    monkeypatch: pytest.MonkeyPatch, kind: Any, lines: Any, high: bool
) -> None:
    """Low behind a bridge, high at a native port, by order if ordered; RTS never after DTR."""
    Recorded.moves = []
    monkeypatch.setattr("serial.Serial", Recorded)

    async def look() -> None:
        async with terminal() as port:
            stream = await open_stream(port.name, baud=115200, kind=kind, lines=lines)
            await stream.close()

    asyncio.run(look())
    assert Recorded.moves == [("rts", high), ("dtr", high)]
