# SPDX-License-Identifier: MIT
"""The C stub on an emulated 8-bit AVR, where `int`, `size_t` and pointers have 16 bits.

avr_board.c is its firmware; flash, clock, line and radio are here, and it asks for them byte by
byte over one register, which avr_emulator.c leads out.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

from provision.board.flash import Flash, FlashError, Geometry
from provision.contract.table import Capability, Reason, Run, Security, Step
from tests.c_board.board import NO_FIELD, compile_c, generated, includes, sources_of
from tests.vectors.boards import (
    VectorBoard,
    code_name,
    configuration,
    declaration,
    offered,
)
from tests.vectors.files import Row, row
from tests.waiting import LONG

_HERE = Path(__file__).parent
_HEADERS = Path("/usr/include/simavr")
_PROCESSOR = "-mmcu=atmega1284p"
# Tables stay in program memory, in the address space of ISO/IEC TR 18037 that avr-gcc has for it.
_IN_PROGRAM_MEMORY = ("-std=gnu99", "-Wno-pedantic", "-DPV_ROM=__flash")
_MOST_FED = 64  # MOST_FED of avr_board.c


def why_not() -> str | None:
    """Return why nothing can be emulated here, or None."""
    if shutil.which("avr-gcc") is None or not Path("/usr/lib/avr/include/avr/io.h").exists():
        return "needs `avr-gcc`, which is not installed (Debian packages gcc-avr and avr-libc)"
    if not _HEADERS.exists():
        return "needs the emulator simavr, which is not installed (Debian package libsimavr-dev)"
    return None


def emulator(folder: Path) -> Path:
    """Compile the emulator; return the program."""
    gnu = ["-std=gnu99", "-Wno-pedantic", "-isystem", str(_HEADERS)]
    return compile_c(folder / "avr_emulator", [_HERE / "avr_emulator.c"], *gnu, "-O2", "-lsimavr")


def image(schema: str, folder: Path) -> Path:
    """Compile the stub with the generated code of a vectors' schema file; return what runs."""
    board = generated(declaration(schema), "vector-board", folder)
    deflated = ", ".join(map(str, bytes.fromhex(row("schemas", schema)["bytes"])))  # of any zlib
    code = re.sub(r"(?<=deflated\[\] = \{).*?(?=\};)", deflated, board.read_text(), flags=re.DOTALL)
    board.write_text(code)
    sections = ["-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections"]
    program = compile_c(
        folder / "board.elf",
        [_HERE / "avr_board.c", board, *sources_of()],
        *(_PROCESSOR, *_IN_PROGRAM_MEMORY, "-Os", "-g", *sections, *includes(folder)),
        compiler="avr-gcc",
    )
    binary = folder / "board.bin"
    copy = ["avr-objcopy", "-O", "binary", str(program), str(binary)]
    subprocess.run(copy, check=True, timeout=LONG)
    return binary


class AvrBoard:
    """A VectorBoard; every start is that of another processor, its memory full of garbage."""

    def __init__(
        self, name: str, program: Path, images: Mapping[str, Path], content: bytes | None = None
    ) -> None:
        """images: by schema. content: of its flash; None: it was never started."""
        declared = declaration(configuration(name)["schema"]).board
        geometry = Geometry(declared.settings_size, declared.erase_unit, declared.program_unit)
        self._program = program
        self._images = images
        self._name = name
        self.flash = Flash(geometry, content)
        self._now = 0
        self._processor: subprocess.Popen[bytes] | None = None
        self.stack = 0
        """Bytes that the stack has needed at most, once the board is closed."""

        self.restart(configuration(name)["boot"])

    # ------------------------------------------------------------------------ what a test does

    def receive(self, data: bytes) -> bytes:
        """See VectorBoard."""
        taken = 0
        while taken < len(data):
            some = data[taken : taken + _MOST_FED]
            taken += self._order(b"F" + bytes([len(some)]) + some)
            self._order(b"P")
        self._order(b"P")
        return self._sent()

    def wait(self, ms: int) -> bytes:
        """See VectorBoard."""
        self._now += ms
        self._order(b"P")
        return self._sent()

    def restart(self, boot: int) -> None:
        """See VectorBoard."""
        self._switch_off()
        board = configuration(self._name)
        self._processor = subprocess.Popen(
            [str(self._program), str(self._images[board["schema"]])],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
        )
        self._heard = bytearray()
        self._output = bytearray()
        self._present = False
        self._networks: list[tuple[bytes, int, int]] = []
        self._done = False
        can = offered(board)
        offers = (Capability.RESTART, Capability.SURVEY, Capability.LOCATE, Capability.PRESENCE)
        flags = sum(1 << bit for bit, each in enumerate(offers) if each in can)
        unit = bytes.fromhex(board["unit"])
        order = b"S"
        for number in (boot, board["apply-time"], board["listens"] or 0):
            order += number.to_bytes(4, "little")
        times = (board["commit-time"], board["erase-time"])
        for number in (board["line"] + 8, board["credit"], *times, int(can)):
            order += number.to_bytes(2, "little")
        order += bytes([flags, len(unit)]) + unit.ljust(16, b"\0")
        assert self._order(order) == 0

    def update(self, name: str, boot: int) -> None:
        """See VectorBoard."""
        self._name = name
        self.restart(boot)

    def report(self, report: Row) -> None:
        """See VectorBoard."""
        address = bytes.fromhex(report.get("address", ""))
        if address:
            self._order(b"A" + bytes([len(address)]) + address)
        settings = declaration(configuration(self._name)["schema"]).schema.settings
        keys = [setting.key for setting in settings]
        field = keys.index(report["field"]) if "field" in report else NO_FIELD
        codes = (
            Run[code_name(report["run"])],
            Step[code_name(report["step"])],
            Reason[code_name(report["reason"])],
        )
        self._order(b"R" + bytes(codes) + field.to_bytes(2, "little"))
        self.wait(0)

    def present(self, *, is_present: bool) -> None:
        """See VectorBoard."""
        self._present = is_present

    def found(self, networks: Sequence[tuple[str, int, str]], *, done: bool) -> None:
        """See VectorBoard."""
        self._networks += [
            (bytes.fromhex(name), signal, Security[code_name(security)])
            for name, signal, security in networks
        ]
        self._done = done

    def close(self) -> None:
        """See VectorBoard; the flash refuses what breaks its rules by itself."""
        self._switch_off()

    def _switch_off(self) -> None:
        if self._processor is not None:
            _, said = self._processor.communicate(timeout=60)  # its input ends
            self.stack = max(self.stack, int(said))
            self._processor = None

    # ------------------------------------------------------------------ what the firmware asks for

    def _order(self, order: bytes) -> int:
        """Have the firmware do something, and serve it meanwhile; return the result."""
        self._tell(order)
        while (wish := self._hear(1)) != b"d":
            self._serve(wish)
        return int.from_bytes(self._hear(2), "little")

    def _serve(self, wish: bytes) -> None:
        match wish:
            case b"r" | b"p" | b"e":
                self._serve_flash(wish)
            case b"w":
                self._output += self._hear(self._number(2))
            case b"c":
                self._tell(self._now.to_bytes(4, "little"))
            case b"h":
                self._tell(bytes([self._present]))
            case b"s":
                self._networks, self._done = [], False
            case b"n":
                self._tell(bytes([self._done, len(self._networks)]))
            case b"g":
                name, signal, security = self._networks[self._number(1)]
                network = name.ljust(32, b"\0") + bytes([len(name), signal & 0xFF, security])
                self._tell(network)
            case _:
                assert wish == b"x", f"the firmware asks for {wish!r}"  # a restart; a test does it

    def _serve_flash(self, wish: bytes) -> None:
        offset = self._number(4)
        size = 0 if wish == b"e" else self._number(2)
        answer = b""
        try:
            if wish == b"r":
                answer = self.flash.read(offset, size)
            elif wish == b"p":
                self.flash.program(offset, self._hear(size))
            else:
                self.flash.erase(offset)
        except FlashError:
            self._tell(b"\1")
        else:
            self._tell(b"\0" + answer)

    def _sent(self) -> bytes:
        sent, self._output = bytes(self._output), bytearray()
        return sent

    def _number(self, size: int) -> int:
        return int.from_bytes(self._hear(size), "little")

    def _tell(self, octets: bytes) -> None:
        assert self._processor is not None
        assert self._processor.stdin is not None
        self._processor.stdin.write(octets)

    def _hear(self, size: int) -> bytes:
        assert self._processor is not None
        assert self._processor.stdout is not None
        while len(self._heard) < size:
            some = os.read(self._processor.stdout.fileno(), 4096)
            assert some, f"the firmware came to an end: {self._processor.wait(timeout=60)}"
            self._heard += some
        heard = bytes(self._heard[:size])
        del self._heard[:size]
        return heard


class Factory:
    """Makes boards of one program and the images of the schemas; each has been started once.

    That takes a thousand operations of the flash, which are the same for every board of a schema.
    """

    def __init__(self, program: Path, images: Mapping[str, Path]) -> None:
        self._program = program
        self._images = images
        self._contents: dict[str, bytes] = {}

    def make(self, name: str) -> VectorBoard:
        """Return a board in the configuration of this name."""
        schema = configuration(name)["schema"]
        if schema not in self._contents:
            first = AvrBoard(name, self._program, self._images)
            first.close()
            self._contents[schema] = first.flash.content
        return AvrBoard(name, self._program, self._images, self._contents[schema])
