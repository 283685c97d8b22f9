# SPDX-License-Identifier: MIT
"""Compiles the C stub as a board in memory (board.h), loads it, and drives it through ctypes.

How a test compiles C stands here, for all of them. `Stub` runs what is generated for a declaration.
"""

from __future__ import annotations

import ctypes as c
import functools
import subprocess
import tempfile
import weakref
from collections.abc import Iterable, Sequence
from enum import IntEnum
from pathlib import Path
from typing import Any

from provision.author.c_code import generate
from provision.contract.table import MAX_BODY
from provision.schema.declaration import Declaration
from tests.c_board import abi
from tests.c_board.abi import HERE, constant, struct
from tests.waiting import LONG

STUB = abi.STUB
_MAKEFILE = (STUB / "Makefile").read_text()
WARNINGS = _MAKEFILE.partition("\nWARNINGS = ")[2].partition("\n")[0].split()
# Undefined behaviour ends the run instead of passing unseen.
UNDEFINED = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]

NO_FIELD = constant("PV_NO_FIELD")
NEVER = 0xFFFFFFFF
IS_SET, IS_ACTIVE, FELL_BACK, IN_FORCE, IS_STAGED = (
    constant(f"PV_{name}") for name in ("IS_SET", "IS_ACTIVE", "FELL_BACK", "IN_FORCE", "IS_STAGED")
)
CField, CSchema, CFlash, CConfig, CReader = (
    struct(f"pv_{name}") for name in ("field", "schema", "flash", "config", "reader")
)
_FUNCTIONS = dict(CConfig._fields_)


class Tear(IntEnum):
    """What an operation that was cut short leaves: enum flash_tear of flash.h."""

    NOTHING, PREFIX, SUBSET, ALL_BUT_LAST, UNSTABLE, ECC = range(6)


# ------------------------------------------------------------------------------------- compiling


def sources_of(stub: Path = STUB) -> list[Path]:
    """Return the sources of the stub, the project's or a changed copy of it."""
    return sorted((stub / "src").glob("*.c"))


def includes(*more: Path, stub: Path = STUB) -> list[str]:
    """Return the options for the folders of headers."""
    return [f"-I{folder}" for folder in (stub / "include", stub / "src", HERE, *more)]


def compile_c(
    target: Path,
    sources: Iterable[Path],
    *options: str,
    compiler: str = "cc",
    folder: Path | None = None,
) -> Path:
    """Compile sources, without a warning; return the target. folder: where the compiler works."""
    command = [compiler, *WARNINGS, "-o", str(target), *map(str, sources), *options]
    done = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=LONG, cwd=folder
    )
    assert done.returncode == 0, done.stderr
    return target


def generated(declaration: Declaration, name: str, folder: Path) -> Path:
    """Write the C generated for a declaration into the folder; return the source."""
    for file, text in generate(declaration, name).items():
        (folder / file).write_text(text, encoding="utf-8")
    return folder / f"{name.replace('-', '_')}.c"


def compile_board(
    folder: Path,
    *more: Path,
    options: Sequence[str] = (*UNDEFINED, "-O1", "-g"),
    stub: Path = STUB,
) -> Path:
    """Compile the stub and its board, with more sources, into a shared object; return that."""
    (folder / "layout.c").write_text(abi.layout())
    sources = [*sources_of(stub), *HERE.glob("*.c"), folder / "layout.c", *more]
    how = [*options, "-fPIC", "-shared", *includes(folder, stub=stub)]
    return compile_c(folder / "stub.so", sources, *how)


@functools.cache
def load(library: Path) -> c.CDLL:
    """Load what compile_board() made."""
    return abi.declare(c.CDLL(str(library)))


def build(folder: Path, *more: Path, **rest: Any) -> c.CDLL:
    """Compile and load."""
    return load(compile_board(folder, *more, **rest))


@functools.cache
def compiled(library: c.CDLL, declaration: Declaration) -> Any:
    """Return the schema that is generated for a declaration, compiled for a library."""
    folder = Path(tempfile.mkdtemp(dir=Path(library._name).parent))
    sources = [generated(declaration, "made", folder), Path(library._name)]
    made = compile_c(folder / "made.so", sources, "-fPIC", "-shared", *includes(folder))
    return CSchema.in_dll(c.CDLL(str(made)), "made_schema")


def schema_of(library: c.CDLL, name: str, deflated: bytes, **changes: Any) -> Any:
    """Return a generated schema, with these changes, that is handed out as these bytes."""
    schema = CSchema.from_buffer_copy(CSchema.in_dll(library, f"{name}_schema"))
    schema.deflated, schema.deflated_size = deflated, len(deflated)
    for member, value in changes.items():
        setattr(schema, member, value)
    return schema


# ------------------------------------------------------------------------------------- the board


class Sink:
    """A sink that keeps what the stub puts into it."""

    def __init__(self, library: c.CDLL) -> None:
        self._collector = struct("collector")()
        self.address = library.collector_begin(c.byref(self._collector))

    def bytes(self) -> bytes:
        """What was put into it."""
        return bytes(self._collector.bytes[: self._collector.size])


class Memory:
    """Memory of the stub."""

    def __init__(self, memory: Any) -> None:
        self.address, self.size = memory.at, memory.size

    def bytes(self) -> bytes:
        """What is in it."""
        return c.string_at(self.address, self.size)


class Board:
    """A board of board.h: its flash, which outlives a start, and the stub's RAM."""

    def __init__(self, library: c.CDLL, address: int) -> None:
        self.library = library
        self.handle = address
        weakref.finalize(self, library.board_free, address)
        self.c = struct("board").from_address(address)
        self.flash = self.c.flash
        self.config = self.c.config
        self.state, self.settings, self.staged, self.line, self.unit = map(Memory, self.c.memory)
        self._flash = c.addressof(self.flash)

    @property
    def stub(self) -> Any:
        """Struct pv."""
        return struct("pv").from_address(self.state.address)

    # ------------------------------------------------------------------------------------- power

    def power(self) -> None:
        """Begin a new power cycle."""
        self.library.flash_power_on(self._flash)

    def power_as(self, happened: int) -> None:
        """The same; what is torn in erase unit n reads as done where bit n is set, else as not."""
        self.library.flash_power_on_as(self._flash, happened)

    def cut(self, operation: int, size: int, tear: int) -> None:
        """Lose power in the operation with that number of this power cycle."""
        self.flash.cut_at, self.flash.cut_bytes, self.flash.cut_tear = operation, size, int(tear)

    def fail(self, first: int = 0, end: int = NEVER) -> None:
        """Let the operations of that range report a failure."""
        self.flash.fail_from, self.flash.fail_to = first, end

    @property
    def content(self) -> bytes:
        """What the flash holds, as this power cycle reads it."""
        return c.string_at(self._flash + struct("flash_model").seen.offset, self.flash.size)

    def load(self, content: bytes) -> None:
        """Put content into the flash, as another life of the board left it."""
        assert len(content) == self.flash.size
        self.library.flash_load(self._flash, content)

    def start_anew(self) -> int:
        """pv_start, with garbage in memory, as after a loss of power."""
        return int(self.library.board_start_anew(self.handle))

    def check_rules(self) -> None:
        """No rule of the flash was broken so far, and nothing written outside of a buffer."""
        assert self.flash.broken_rules == 0
        assert self.library.board_is_whole(self.handle), "written outside of a buffer"

    # -------------------------------------------------------------------------------------- line

    def feed(self, data: bytes) -> int:
        """pv_feed: return how many bytes it took."""
        return int(self.library.pv_feed(self.state.address, data, len(data)))

    def poll(self) -> bytes:
        """pv_poll: return what it sent."""
        self.library.pv_poll(self.state.address)
        return self.take_sent()

    def take_sent(self) -> bytes:
        """Return what was sent since; all rules must have been kept."""
        self.check_rules()
        sent = c.string_at(self.handle + struct("board").sent.offset, self.c.sent_size)
        self.c.sent_size = 0
        return sent

    def receive(self, data: bytes, now_ms: int | None = None) -> bytes:
        """Feed and poll until all is taken, or the power goes; return the replies."""
        self.now_ms = self.now_ms if now_ms is None else now_ms
        sent = self.poll()
        while data and not self.flash.dead:
            data = data[self.feed(data) :]
            sent += self.poll()
        return sent

    @property
    def now_ms(self) -> int:
        """The clock."""
        return int(self.c.now)

    @now_ms.setter
    def now_ms(self, now_ms: int) -> None:
        self.c.now = now_ms


class Stub(Board):
    """A board that runs what is generated for a declaration."""

    def __init__(
        self,
        library: c.CDLL,
        declaration: Declaration,
        content: bytes | None = None,
        *,
        schema: Any = None,
        line: int = MAX_BODY,
        unit: bytes = b"\x01",
        presence: bool = False,
        platform: bool = False,
        without: Iterable[str] = (),
        seed: int = 1,
        **config: int,
    ) -> None:
        """content: of the flash. schema: compiled already. without: callbacks. config: numbers.

        platform: whether the record is in a store of the platform's own instead of slots.
        """
        self.numbers = {each.key: each.number for each in declaration.schema.settings}
        if schema is None:  # a copy, which a test may change
            schema = CSchema.from_buffer_copy(compiled(library, declaration))
        self.schema = schema
        self.fields = (CField * len(self.numbers)).from_address(schema.fields)
        self.model = declaration.schema
        board = declaration.board
        self.geometry = CFlash(
            slot_count=0 if platform else board.slots,
            slot_size=constant("BOARD_RECORD") if platform else board.slot_size,
            erase_unit=board.erase_unit,
            program_unit=board.program_unit,
        )
        made = (c.byref(schema), c.byref(self.geometry), line + 8, seed)
        super().__init__(library, library.board_new(*made))
        self.geometry = self.c.geometry
        self.c.unit_id[: len(unit)] = unit
        self.config.unit_id_size = len(unit)
        for name, number in config.items():
            setattr(self.config, name, number)
        for name in without:
            setattr(self.config, name, _FUNCTIONS[name]())
        if presence:
            is_present = c.cast(library.board_is_present, _FUNCTIONS["present"])
            self.config.present = is_present
        if content is not None:
            self.load(content)

    def start(self) -> int:
        """pv_start, on what is in memory."""
        return int(self.library.board_start(self.handle))

    def report(self, run: int, step: int = 0, reason: int = 0, field: int = NO_FIELD) -> None:
        """pv_report_field."""
        self.library.pv_report_field(self.state.address, run, step, reason, field)

    def report_address(self, octets: bytes) -> None:
        """pv_report_address."""
        self.library.pv_report_address(self.state.address, octets, len(octets))

    def found(self, networks: Iterable[tuple[bytes, int, int]], *, done: bool = True) -> None:
        """The scan finds networks: name, signal, security; and ends, or goes on."""
        for name, signal, security in networks:
            self.library.board_found(self.handle, name, len(name), signal, int(security))
        self.c.scan_done = done

    def flags(self, key: str) -> int:
        """The state flags of a field in the settings struct."""
        return self.settings.bytes()[self.numbers[key]]

    def has(self, key: str) -> bool:
        """pv_has."""
        return bool(self.library.pv_has(self.state.address, self.numbers[key]))
