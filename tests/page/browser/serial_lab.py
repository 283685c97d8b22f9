# SPDX-License-Identifier: MIT
"""A serial adapter that a real browser lists, with the compiled board behind it, and no hardware.

umockdev pretends a /sys in which there is a serial adapter, to those programs only that are started
with its preload; a pseudo-terminal is the adapter's wire. The browser's `navigator.serial` is the
real one, and so are its events, its errors and every byte.

What a pseudo-terminal has not: the time that bytes take, parity errors, and the lines DTR and RTS
(so `setSignals()` fails).
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import ctypes
import fcntl
import json
import os
import pty
import select
import selectors
import shutil
import socket
import subprocess
import sys
import termios
import threading
import tty
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from provision.client.cache import Cache
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Held, Run
from provision.link.connection import Connection
from provision.link.ports import open_stream
from provision.link.replies import Stored
from provision.schema.model import Value
from provision.wizard.dialog import meet
from tests.line_process import LineProcess
from tests.waiting import PATIENCE, join, next_line

PRELOAD = "libumockdev-preload.so.0"
VENDOR, PRODUCT = 0x1209, 0x0001  # https://pid.codes: the product id that is for tests
SERIAL_NUMBER = "T-0001"
ADAPTER_NAME = "Test port"

T = TypeVar("T")

_IN_CLOSE_WRITE = 0x8  # inotify(7)


def why_not() -> str | None:
    """Return why there can be no lab here, in a sentence; None if there can be one."""
    for command, package in (("umockdev-wrapper", "umockdev"), ("chromium", "chromium")):
        if shutil.which(command) is None:
            return f"needs `{command}`, which is not installed (Debian package {package})"
    return None


class Lab(LineProcess):
    """A pretended /sys, without devices at first."""

    def __init__(self) -> None:
        program = Path(__file__).with_name("testbed.py")
        preloaded = {**os.environ, "LD_PRELOAD": PRELOAD}
        super().__init__(sys.executable, "-I", program, environment=preloaded)
        root = self.read()
        self.environment: Mapping[str, str] = {"LD_PRELOAD": PRELOAD, "UMOCKDEV_DIR": root}
        """What a browser is started with that is to see these devices."""
        # Outside the pretended /dev on purpose: there umockdev would answer the requests to the
        # terminal itself, and opening the port would fail.
        self.nodes = Path(root, "nodes")
        self.nodes.mkdir()

    def __exit__(self, *exception: object) -> None:
        shutil.rmtree(self.nodes)
        super().__exit__(*exception)

    def order(self, order: str, what: str) -> None:
        """Have a device added, or removed; testbed.py."""
        self.write(json.dumps([order, what]))
        assert self.read() == "true", (order, what)


class _Releases:
    """Takes a terminal from whoever had it for itself (TIOCEXCL) as soon as that one closes it.

    Of a serial port the system does it, at its last close; but of a pseudo-terminal it is never the
    last, since one end stays open here. Closing is seen by inotify.
    """

    def __init__(self, terminal: int) -> None:
        self._terminal = terminal
        libc = ctypes.CDLL(None)
        self._closings = libc.inotify_init1(os.O_CLOEXEC)
        watch = libc.inotify_add_watch(
            self._closings, os.ttyname(terminal).encode(), _IN_CLOSE_WRITE
        )
        assert self._closings >= 0, "inotify has no instance left"
        assert watch >= 0, "inotify has no watch left"
        self._ended, self._end = socket.socketpair()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Watch no more."""
        self._end.close()
        join(self._thread)
        self._ended.close()
        os.close(self._closings)

    def _watch(self) -> None:
        while True:
            ready, _, _ = select.select([self._closings, self._ended], [], [])
            if self._ended in ready:
                return
            os.read(self._closings, 4096)
            fcntl.ioctl(self._terminal, termios.TIOCNXCL)


class Adapter:
    """A serial adapter, the same one each time that it is plugged in; unplugged at first."""

    def __init__(self, lab: Lab) -> None:
        self._lab = lab
        self._device = "/devices/virtual/tty/ttyUSB7"
        self._node = lab.nodes / "ttyUSB7"
        self._ends: tuple[int, int] | None = None
        self._releases: _Releases | None = None

    @property
    def is_plugged(self) -> bool:
        """Whether the browser sees it."""
        return self._ends is not None

    @property
    def wire(self) -> int:
        """The descriptor at which the board's side of the wire is; it never blocks."""
        assert self._ends is not None, "the adapter is not plugged in"
        return self._ends[0]

    def plug(self) -> None:
        """Plug it in, with a wire that nothing has gone over."""
        assert self._ends is None, "the adapter is plugged in already"
        # The slave end stays open here, so that nothing hangs up between one page and the next.
        self._ends = master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._releases = _Releases(slave)
        self._node.symlink_to(os.ttyname(slave))
        # 4:64 is what /proc/tty/drivers calls serial: the one filter that a browser has.
        self._lab.order(
            "add",
            f"P: {self._device}\nE: DEVNAME={self._node}\nE: SUBSYSTEM=tty\n"
            f"E: MAJOR=4\nE: MINOR=64\nE: ID_BUS=usb\n"
            f"E: ID_VENDOR_ID={VENDOR:04x}\nE: ID_MODEL_ID={PRODUCT:04x}\n"
            f"E: ID_SERIAL_SHORT={SERIAL_NUMBER}\n"
            f"E: ID_MODEL_ENC={ADAPTER_NAME.replace(' ', chr(92) + 'x20')}\nA: dev=4:64\n",
        )

    def unplug(self) -> None:
        """Pull it: the wire hangs up, then the system says that the device is gone."""
        assert self._ends is not None, "the adapter is not plugged in"
        assert self._releases is not None
        self._releases.end()
        for end in reversed(self._ends):
            os.close(end)
        self._ends = None
        self._lab.order("remove", f"/sys{self._device}")
        self._node.unlink()


class Cable:
    """Carries bytes both ways between two descriptors, in a thread of its own, until pulled.

    Neither descriptor may block. What a side cannot take is lost, as on a line without flow
    control; a side that has hung up says nothing any more, and what is sent to it is lost.
    """

    def __init__(self, one: int, other: int) -> None:
        self._to = {one: other, other: one}
        self._pulled, self._pull = socket.socketpair()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def pull(self) -> None:
        """Carry nothing any more; both descriptors are free when this returns."""
        self._pull.close()
        join(self._thread)
        self._pulled.close()

    def _carry(self) -> None:
        with selectors.DefaultSelector() as selector:
            for end in (*self._to, self._pulled.fileno()):
                selector.register(end, selectors.EVENT_READ)
            while True:
                for key, _ in selector.select():
                    if key.fd == self._pulled.fileno():
                        return
                    if not _carry_some(key.fd, self._to[key.fd]):
                        selector.unregister(key.fd)


def _carry_some(source: int, target: int) -> bool:
    """Carry what has arrived; return whether more may come."""
    try:
        data = os.read(source, 4096)
    except BlockingIOError:
        return True
    except OSError:  # EIO: the other end of a pseudo-terminal is closed
        return False
    with suppress(OSError):
        os.write(target, data)
    return bool(data)


class Board:
    """A board in its socket: the compiled stub with its flash, which outlives every life of it."""

    def __init__(self, program: Path, folder: Path, *options: str) -> None:
        """program: the firmware. options: of the board on a pseudo-terminal."""
        self._program = program
        self._folder = folder
        self._options = options
        self._process: subprocess.Popen[str] | None = None
        self.port = ""
        """The pseudo-terminal at which it talks, while it is on."""

    @property
    def flash(self) -> Path:
        """The file that is its flash."""
        return self._folder / "flash.bin"

    def install(self, program: Path) -> None:
        """Write another firmware onto it; its settings stay. It must be off."""
        assert self._process is None, "the board is on"
        self._program = program

    def switch_on(self) -> None:
        """Give it power."""
        assert self._process is None, "the board is on already"
        self._process = subprocess.Popen(
            [str(self._program), "--flash", str(self.flash), *self._options],
            stdout=subprocess.PIPE,
            text=True,
        )
        said = next_line(self._process)  # once it can be spoken to
        assert said.startswith("board: "), said
        self.port = said.removeprefix("board: ").strip()

    def switch_off(self) -> None:
        """Take its power away, whatever it is doing."""
        assert self._process is not None, "the board is off already"
        self._process.kill()
        self._process.communicate(timeout=PATIENCE)
        self._process = None


class WiredBoard:
    """A board on the cable of an adapter, which powers it: both go and come together."""

    def __init__(self, adapter: Adapter, board: Board) -> None:
        self._adapter = adapter
        self._board = board
        self._wired: tuple[Cable, int] | None = None

    def plug(self) -> None:
        """Plug the cable in: the board starts."""
        self._board.switch_on()
        self._adapter.plug()
        self._wire()

    def unplug(self) -> None:
        """Pull the cable: the board loses its power in whatever it is doing."""
        self._unwire()
        self._adapter.unplug()
        self._board.switch_off()

    def reset(self) -> None:
        """Press the board's reset button: the adapter stays, what is under way is lost."""
        self._unwire()
        self._board.switch_off()
        self._board.switch_on()
        self._wire()

    def install(self, program: Path) -> None:
        """Write another firmware onto the board. It must be unplugged."""
        self._board.install(program)

    @property
    def flash(self) -> bytes:
        """What is in the board's flash."""
        return self._board.flash.read_bytes()

    def talk(self, doing: Callable[[Connection], Awaitable[T]]) -> T:
        """Do something with the board past the adapter, which stays plugged in."""

        async def talk() -> T:
            stream = await open_stream(self._board.port, baud=115200)
            async with Connection(stream) as connection:
                return await doing(connection)

        self._unwire()
        try:
            # In a thread of its own: the one of the tests is the browser's, with a loop that runs.
            with concurrent.futures.ThreadPoolExecutor(1) as thread:
                return thread.submit(lambda: asyncio.run(talk())).result(PATIENCE)
        finally:
            self._wire()

    def look(self) -> BoardSnapshot:
        """Meet the board as the command line does."""
        return self.talk(lambda connection: meet(connection, Cache(None), lambda _: None))

    def held(self) -> dict[str, Value | None]:
        """Return what is set; of a secret None, for of that it is told only that it is set."""
        return {
            key: entry.value for key, entry in self.look().held.items() if entry.held is Held.SET
        }

    def store(self, values: Mapping[str, Value]) -> None:
        """Store settings, and wait until the board works with them."""

        async def store(connection: Connection) -> None:
            await connection.hello()
            outcome = await connection.store([*values.items()], token=os.urandom(8))
            assert isinstance(outcome, Stored), outcome
            async with asyncio.timeout(PATIENCE):  # for the firmware to try the settings
                while (status := await connection.status()).run is not Run.PROVEN:
                    assert status.run is not Run.FAILED, status
                    await asyncio.sleep(0.02)

        self.talk(store)

    def close(self) -> None:
        """Put everything away."""
        if self._adapter.is_plugged:
            self.unplug()

    def _wire(self) -> None:
        port = os.open(self._board.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        with suppress(BlockingIOError):  # what was sent while nothing listened is lost
            while os.read(self._adapter.wire, 4096):
                pass
        self._wired = Cable(self._adapter.wire, port), port

    def _unwire(self) -> None:
        assert self._wired is not None, "the board is not wired"
        cable, port = self._wired
        cable.pull()
        os.close(port)
        self._wired = None
