# SPDX-License-Identifier: MIT
"""A board for the tests of the store: the compiled stub on a model of flash, in this process.

The model (flash_model.c) enforces the rules of NOR flash: bits go from 1 to 0, a program unit is
written once between erases, and only where the same power cycle has erased. It loses power where a
test says so.
"""

from __future__ import annotations

import ctypes
import hashlib
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path

ROOT = Path(__file__).parents[2]
STUB = ROOT / "firmware_stub"
HERE = Path(__file__).parent

FLAGS = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror"]
# Undefined behaviour ends the run instead of passing unseen.
CHECKED = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]

STORAGE_REFUSED = 23  # PV_REFUSE_STORAGE, PV_REFUSE_NO_OLDER_SET of pv_table.h
NO_OLDER_SET = 24
NO_FIELD = 0xFFFF
ERROR_CONFIG, ERROR_SPACE = -1, -3  # PV_ERROR_ of pv.h
IS_SET, IS_ACTIVE, FELL_BACK, IN_FORCE = 1, 2, 4, 8
CAN_UNDO, CAN_TRIAL = 1, 2

# The schemas of store_board.c.
FIRST, SECOND, THIRD, TRIAL, WRONG_SIZE = range(5)
NAME, DEPTH, KEY, CERT, MODE, HEIGHT = range(6)
SIREN, LAMP = 1, 2  # options of version 1


class Tear(IntEnum):
    """What an operation that was cut short leaves: enum flash_tear of flash_model.h."""

    NOTHING = 0
    PREFIX = 1
    SUBSET = 2
    ALL_BUT_LAST = 3
    UNSTABLE = 4
    ECC = 5


@dataclass(frozen=True, slots=True)
class Geometry:
    """How a board's flash is divided."""

    slots: int
    slot_size: int
    erase_unit: int
    program_unit: int

    def __str__(self) -> str:
        return f"{self.slots}x{self.slot_size}-{self.erase_unit}-{self.program_unit}"


FINE = Geometry(4, 512, 256, 8)
COARSE = Geometry(4, 1024, 1024, 256)  # few operations
GEOMETRIES = [FINE, Geometry(4, 512, 512, 1), COARSE]
THREE = Geometry(3, 512, 256, 8)
TWO = Geometry(2, 512, 256, 8)


class Settings(ctypes.Structure):
    """The settings struct of store_board.c."""

    _fields_ = (
        ("state", ctypes.c_uint8 * 6),
        ("name", ctypes.c_char * 17),
        ("depth", ctypes.c_int32),
        ("key", ctypes.c_char * 25),
        ("certificate_length", ctypes.c_uint16),
        ("certificate", ctypes.c_uint8 * 64),
        ("mode", ctypes.c_uint8),
        ("height", ctypes.c_int32),
    )


class Told(ctypes.Structure):
    """What board_told() gives."""

    _fields_ = (
        ("holds_set", ctypes.c_uint8),
        ("starts_left", ctypes.c_uint8),
        ("token", ctypes.c_char * 8),
    )


def compile_board(folder: Path) -> ctypes.CDLL:
    """Compile the stub with the flash model and the test board, into that folder."""
    target = folder / "store.so"
    own = [HERE / "flash_model.c", HERE / "store_board.c"]
    sources = sorted(map(str, [*own, *(STUB / "src").glob("*.c")]))
    folders = [f"-I{folder}" for folder in (STUB / "include", STUB / "src", HERE)]
    subprocess.run(
        ["cc", *FLAGS, *CHECKED, "-O1", "-fPIC", "-shared", *folders, "-o", target, *sources],
        check=True,
        timeout=120,
    )
    loaded = ctypes.CDLL(str(target))
    loaded.board_new.restype = ctypes.c_void_p
    loaded.board_settings.restype = ctypes.POINTER(Settings)
    loaded.board_image.restype = ctypes.POINTER(ctypes.c_uint8)
    loaded.board_find_in_ram.restype = ctypes.c_long
    loaded.board_told.restype = ctypes.c_size_t
    for name in (
        "generation", "erases", "operations", "operation_size", "broken_rules", "torn",
        "reads", "misread_size",
    ):  # fmt: skip
        getattr(loaded, f"board_{name}").restype = ctypes.c_uint32
    for name in ("missing", "capabilities"):
        getattr(loaded, f"board_{name}").restype = ctypes.c_uint16
    loaded.board_is_dead.restype = ctypes.c_bool
    return loaded


class Board:
    """One board: its flash, which outlives a start, and the stub's RAM, which does not."""

    def __init__(self, library: ctypes.CDLL, geometry: Geometry, seed: int = 1) -> None:
        self.library = library
        self.geometry = geometry
        self.handle = ctypes.c_void_p(
            library.board_new(
                geometry.slots, geometry.slot_size, geometry.erase_unit, geometry.program_unit, seed
            )
        )

    def __del__(self) -> None:
        self.library.board_free(self.handle)

    def __repr__(self) -> str:
        return f"Board({self.geometry})"

    def copy(self) -> Board:
        """Return another board in the same state."""
        other = Board(self.library, self.geometry)
        self.library.board_copy(other.handle, self.handle)
        return other

    def power(self) -> None:
        """Begin a new power cycle."""
        self.library.board_power(self.handle)

    def power_as(self, happened: int) -> None:
        """The same; what is torn in erase unit n reads as done where bit n is set, else as not."""
        self.library.board_power_as(self.handle, happened)

    def start(self, schema: int = FIRST) -> int:
        """Start the firmware."""
        return int(self.library.board_start(self.handle, schema))

    def restart(self, schema: int = FIRST) -> Board:
        """Power off and on, and start without a fault."""
        self.power()
        assert self.start(schema) == 0
        return self

    def cut(self, operation: int, size: int, tear: Tear) -> None:
        """Lose power in the operation with that number of this power cycle."""
        self.library.board_cut(self.handle, operation, size, int(tear))

    def fail(self, first: int, end: int) -> None:
        """Let the operations of that range report a failure."""
        self.library.board_fail(self.handle, first, end)

    def wear_out(self, erase_unit: int) -> None:
        """Let that erase unit fail for ever."""
        self.library.board_wear_out(self.handle, erase_unit)

    def silence(self, operation: int) -> None:
        """Let that operation do nothing, and report success."""
        self.library.board_silence(self.handle, operation)

    def spoil(self, operation: int, at: int) -> None:
        """Let that operation also clear a byte somewhere else."""
        self.library.board_spoil(self.handle, operation, at)

    def fail_reads(self, after: int) -> None:
        """Let reading fail after so many reads."""
        self.library.board_fail_reads(self.handle, after)

    def misread(self, read: int, bit: int | None = None) -> None:
        """Let the read with that number of this power cycle fail, or have one bit wrong."""
        self.library.board_misread(self.handle, read, 0xFFFFFFFF if bit is None else bit)

    @property
    def reads(self) -> int:
        """Reads in this power cycle."""
        return int(self.library.board_reads(self.handle))

    @property
    def misread_size(self) -> int:
        """Bytes of the read that went wrong."""
        return int(self.library.board_misread_size(self.handle))

    def stage(self, values: dict[int, bytes | int | None]) -> None:
        """Stage values, or None to clear."""
        for field, value in values.items():
            if value is None:
                self.library.board_stage_clear(self.handle, field)
            elif isinstance(value, int):
                self.library.board_stage_number(self.handle, field, value)
            else:
                self.library.board_stage_bytes(self.handle, field, value, len(value))

    def stage_parts(self, field: int, held: bytes) -> None:
        """Hold the first bytes of a value that comes in parts."""
        self.library.board_stage_parts(self.handle, field, held, len(held))

    def commit(self, token: bytes, values: dict[int, bytes | int | None]) -> int:
        """Stage and commit."""
        self.stage(values)
        return int(self.library.board_commit(self.handle, token))

    def undo(self) -> int:
        """Put the older set in force."""
        return int(self.library.board_undo(self.handle))

    def confirm(self) -> int:
        """Keep the set on trial."""
        return int(self.library.board_confirm(self.handle))

    def end_trial(self) -> int:
        """End the trial badly."""
        return int(self.library.board_end_trial(self.handle))

    def erase(self) -> int:
        """Wipe all."""
        return int(self.library.board_erase(self.handle))

    @property
    def generation(self) -> int:
        """The generation in force."""
        return int(self.library.board_generation(self.handle))

    @property
    def operations(self) -> int:
        """Programs and erases in this power cycle."""
        return int(self.library.board_operations(self.handle))

    def operation_size(self, operation: int) -> int:
        """Bytes of one of them."""
        return int(self.library.board_operation_size(self.handle, operation))

    @property
    def is_dead(self) -> bool:
        """Whether power is lost."""
        return bool(self.library.board_is_dead(self.handle))

    @property
    def missing(self) -> int:
        """The first required field without a value."""
        return int(self.library.board_missing(self.handle))

    @property
    def capabilities(self) -> int:
        """What the store can promise."""
        return int(self.library.board_capabilities(self.handle))

    @property
    def settings(self) -> Settings:
        """The settings in force, as they stand now."""
        settings: Settings = self.library.board_settings(self.handle).contents
        return settings

    @property
    def told(self) -> bytes:
        """All that a host is told, but for the generation, to compare."""
        told = ctypes.create_string_buffer(1024)
        size = self.library.board_told(self.handle, told)
        return told.raw[:size]

    @property
    def told_fields(self) -> Told:
        """Whether a set is held, starts left and token."""
        return Told.from_buffer_copy(self.told)

    @property
    def image(self) -> bytes:
        """What the flash holds."""
        return bytes(self._cells[: self.geometry.slots * self.geometry.slot_size])

    def change_image(self, at: int, xor: int) -> None:
        """Flip bits of the flash."""
        self._cells[at] ^= xor

    @property
    def _cells(self) -> ctypes._Pointer[ctypes.c_uint8]:
        cells: ctypes._Pointer[ctypes.c_uint8] = self.library.board_image(self.handle)
        return cells

    @property
    def torn(self) -> int:
        """The erase units in which something is torn, as a set of bits."""
        return int(self.library.board_torn(self.handle))

    @property
    def durable(self) -> bytes:
        """A digest of all that outlives a loss of power, what torn units may read as included."""
        buffer = ctypes.create_string_buffer(3 * self.geometry.slots * self.geometry.slot_size)
        self.library.board_durable(self.handle, buffer)
        return hashlib.blake2b(buffer.raw, digest_size=16).digest()

    def write_image(self, at: int, content: bytes) -> None:
        """Put bytes into the flash as a test wants them."""
        for offset, byte in enumerate(content):
            self._cells[at + offset] = byte

    def check_rules(self) -> None:
        """No rule of the flash was broken so far."""
        assert self.library.board_broken_rules(self.handle) == 0

    def find_in_ram(self, secret: bytes) -> int:
        """Where in the stub's RAM, the settings in force aside, these bytes are; -1: nowhere."""
        return int(self.library.board_find_in_ram(self.handle, secret, len(secret)))

    def slot_erases(self) -> list[int]:
        """Erases of the first erase unit of each slot."""
        units = self.geometry.slot_size // self.geometry.erase_unit
        return [
            int(self.library.board_erases(self.handle, slot * units))
            for slot in range(self.geometry.slots)
        ]


Step = Callable[[Board], int]


def commit(number: int, **more: bytes | int | None) -> Step:
    """Commit a set that the number tells from all others."""
    values: dict[int, bytes | int | None] = {NAME: b"tree %d" % number, DEPTH: number}
    names = {"key": KEY, "cert": CERT, "mode": MODE}
    values.update({names[name]: value for name, value in more.items()})
    return lambda board: board.commit(token_of(number), values)


def token_of(number: int) -> bytes:
    """The token of commit(number)."""
    return b"token %2d" % number


def restart(schema: int) -> Step:
    """A start of the firmware; the power cycle begins outside, so that it can be cut."""
    return lambda board: board.start(schema)


def operations_of(board: Board, step: Step) -> range:
    """The operations that a step takes."""
    whole = board.copy()
    begin = whole.operations
    step(whole)
    return range(begin, whole.operations)


def told_token(board: Board) -> bytes:
    """The token in force; empty where there is none."""
    return bytes(board.told_fields.token) if board.told_fields.holds_set else b""
