# SPDX-License-Identifier: MIT
"""An emulated microcontroller that runs the example firmware, as a serial port.

    python scripts/emulated_board.py --flash board.flash [--firmware board.elf] [--link PATH]

The machine is mps2-an385 of QEMU. Its flash is a file, made when it is missing; a pseudo-terminal
stands for the cable, and its name is printed. `make -C firmware_stub PORT=mps2` builds the
firmware. It ends at Ctrl-C or SIGTERM.
"""

from __future__ import annotations

import argparse
import os
import secrets
import select
import shutil
import signal
import socket
import struct
import subprocess
import sys
import threading
import tty
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

ROOT = Path(__file__).resolve().parents[1]
FIRMWARE = ROOT / "firmware_stub" / "build" / "mps2" / "board.elf"

MEMORY_SIZE = 16 * 1024 * 1024  # what the machine has at 0x21000000; a sparse file
FLASH_SIZE = 0x40000  # MPS2_LAB_OFFSET of firmware_stub/ports/mps2/mps2.h
LAB = struct.Struct("<7I8s")  # mps2_lab, there
_CUT = struct.Struct("<2I")


class EmulatorMissingError(Exception):
    """There is no emulator here; str() is what to do."""


@dataclass(frozen=True, slots=True)
class Lab:
    """What is around the flash: counters, and the relay in the supply."""

    operations: int
    cut_at: int
    cut_bytes: int
    cuts: int
    boots: int
    faults: int
    rules: int
    unit_id: bytes


class FlashFile:
    """The memory of a board, which outlives the emulator however that ends."""

    def __init__(self, path: Path) -> None:
        """Make a freshly flashed board of the file if it is missing or empty."""
        self.path = path
        if not path.exists() or path.stat().st_size == 0:
            with path.open("wb") as file:
                file.write(b"\xff" * FLASH_SIZE)  # a sparse file would read as zeros
                file.write(LAB.pack(0, 0, 0, 0, 0, 0, 0, secrets.token_bytes(8)))
                file.truncate(MEMORY_SIZE)

    def lab(self) -> Lab:
        """Return what the counters say."""
        with self.path.open("rb") as file:
            file.seek(FLASH_SIZE)
            return Lab(*LAB.unpack(file.read(LAB.size)))

    def cut(self, operation: int, done: int = 0) -> None:
        """Let the power go in the operation of this number, of which so many bytes are done."""
        with self.path.open("r+b") as file:
            file.seek(FLASH_SIZE + 4)
            file.write(_CUT.pack(operation, done))

    def content(self) -> bytes:
        """Return the settings area."""
        with self.path.open("rb") as file:
            return file.read(FLASH_SIZE)


def why_not() -> str | None:
    """Return why nothing can be emulated here, or None."""
    if shutil.which("qemu-system-arm") is None:
        return "no emulator here: install the package qemu-system-arm"
    return None


class EmulatedBoard:
    """A board that runs, from `with` to its end, and its serial port.

    The port stays when the board is killed, and another may be started on the same flash.
    """

    def __init__(self, flash: FlashFile, firmware: Path = FIRMWARE) -> None:
        """The firmware is an ELF file that `make PORT=mps2` has built."""
        self._flash = flash
        self._firmware = firmware
        self.path = ""
        """Of the pseudo-terminal."""
        self.process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        """Open the port, and switch the board on. Raises EmulatorMissingError."""
        if (reason := why_not()) is not None:
            raise EmulatorMissingError(reason)
        # The far end stays open here, so that others come and go and nothing hangs up in between.
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.switch_on()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Switch it off, and close the port."""
        self.switch_off()
        os.close(self._master)
        os.close(self._slave)

    def switch_on(self) -> None:
        """Start the emulator."""
        ours, theirs = socket.socketpair()
        memory = f"memory-backend-file,id=flash,size=16M,mem-path={self._flash.path},share=on"
        command = ["qemu-system-arm", "-M", "mps2-an385,memory-backend=flash", "-m", "16M"]
        command += ["-object", memory, "-kernel", str(self._firmware)]
        command += ["-display", "none", "-nodefaults", "-nic", "none", "-monitor", "none"]
        command += ["-chardev", f"socket,id=cable,fd={theirs.fileno()}", "-serial", "chardev:cable"]
        if shutil.which("setpriv") is not None:  # no board outlives what started it
            command = ["setpriv", "--pdeathsig", "KILL", *command]
        self.process = subprocess.Popen(
            command,
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,  # it warns that the machine's network is not connected
        )
        theirs.close()
        self._cable = ours
        self._stop, stopped = os.pipe()
        self._wires = [
            threading.Thread(target=self._from_board),
            threading.Thread(target=self._to_board, args=(stopped,)),
        ]
        for wire in self._wires:
            wire.start()

    def switch_off(self) -> None:
        """Take the power away: the emulator is killed, wherever it is."""
        if self.process is None:
            return
        self.process.kill()
        self.process.communicate()
        self.process = None
        os.close(self._stop)
        for wire in self._wires:
            wire.join()
        self._cable.close()

    def _from_board(self) -> None:
        os.set_blocking(self._master, False)
        with suppress(OSError):
            while data := self._cable.recv(4096):
                with suppress(BlockingIOError):  # what nobody reads is lost, as on a cable
                    os.write(self._master, data)

    def _to_board(self, stopped: int) -> None:
        poll = select.poll()
        poll.register(self._master, select.POLLIN)
        poll.register(stopped, select.POLLIN)
        with suppress(OSError):
            while not any(ready == stopped for ready, _ in poll.poll()):
                self._cable.sendall(os.read(self._master, 4096))
        os.close(stopped)


def main() -> int:
    """Run a board until somebody ends it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--flash", type=Path, required=True, help="the file that is its flash")
    parser.add_argument("--firmware", type=Path, default=FIRMWARE, help="an ELF file")
    parser.add_argument("--link", type=Path, help="also make this a link to the port")
    arguments = parser.parse_args()
    if not arguments.firmware.is_file():
        print(
            f"{arguments.firmware} is missing: build it with `make -C firmware_stub PORT=mps2`.",
            file=sys.stderr,
        )
        return 66
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        with EmulatedBoard(FlashFile(arguments.flash), arguments.firmware) as board:
            if arguments.link is not None:
                arguments.link.unlink(missing_ok=True)
                arguments.link.symlink_to(board.path)
            print(f"board: {board.path}", flush=True)
            assert board.process is not None
            _, said = board.process.communicate()
            print(f"The emulator ended: {said.decode(errors='replace')}", file=sys.stderr)
            return 70
    except EmulatorMissingError as error:
        print(f"There is {error}.", file=sys.stderr)
        return 69
    except KeyboardInterrupt:
        return 0
    finally:
        if arguments.link is not None:
            arguments.link.unlink(missing_ok=True)


if __name__ == "__main__":
    sys.exit(main())
