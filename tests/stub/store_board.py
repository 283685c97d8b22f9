# SPDX-License-Identifier: MIT
"""The board of the tests of the store (store_board.h): driven below the messages."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Self

from tests.c_board import board
from tests.c_board.abi import constant, struct

STORAGE_REFUSED = constant("PV_REFUSE_STORAGE")
NO_OLDER_SET = constant("PV_REFUSE_NO_OLDER_SET")
ERROR_SPACE = constant("PV_ERROR_SPACE")

# The schemas of store_board.h, and their fields.
FIRST, SECOND, THIRD, TRIAL, WRONG_SIZE = range(5)
NAME, DEPTH, KEY, CERT, MODE, HEIGHT = range(6)
SIREN, LAMP = 1, 2  # options of version 1


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
TWO = Geometry(2, 512, 256, 8)


class Board(board.Board):
    """One board of the tests of the store."""

    def __init__(self, library: ctypes.CDLL, geometry: Geometry, seed: int = 1) -> None:
        self.geometry = geometry
        sizes = geometry.slots, geometry.slot_size, geometry.erase_unit, geometry.program_unit
        super().__init__(library, library.store_board(*sizes, seed))

    def __repr__(self) -> str:
        return f"Board({self.geometry})"

    def copy(self) -> Board:
        """Return another board in the same state."""
        other = Board(self.library, self.geometry)
        self.library.board_copy(other.handle, self.handle)
        return other

    def start(self, schema: int = FIRST) -> int:
        """Start the firmware, with nothing of an earlier life in memory."""
        return int(self.library.store_board_start(self.handle, schema))

    def restart(self, schema: int = FIRST) -> Self:
        """Power off and on, and start without a fault."""
        self.power()
        assert self.start(schema) == 0
        return self

    def fail_reads(self, after: int) -> None:
        """Let reading fail after so many reads."""
        self.flash.fail_reads = min(self.flash.reads + after, board.NEVER)

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
        return int(self.library.pv_put_back(self.state.address))

    def confirm(self) -> int:
        """Keep the set on trial."""
        return int(self.library.pv_keep_trial(self.state.address))

    def end_trial(self) -> int:
        """End the trial badly."""
        return int(self.library.pv_end_trial(self.state.address))

    def erase(self) -> int:
        """Wipe all."""
        return int(self.library.board_erase(self.handle))

    @property
    def generation(self) -> int:
        """The generation in force."""
        return int(self.stub.generation)

    @property
    def operations(self) -> int:
        """Programs and erases in this power cycle."""
        return int(self.flash.operations)

    @property
    def is_dead(self) -> bool:
        """Whether power is lost."""
        return bool(self.flash.dead)

    @property
    def missing(self) -> int:
        """The first required field without a value."""
        return int(self.stub.defect.field)

    @property
    def in_force(self) -> Any:
        """The settings in force, as they stand now."""
        return struct("settings").from_address(self.settings.address)

    @property
    def told_fields(self) -> Any:
        """All that a host is told, but for the generation."""
        told = struct("board_told")()
        self.library.store_board_tell(self.handle, ctypes.byref(told))
        return told

    @property
    def told(self) -> bytes:
        """The same, to compare."""
        return bytes(self.told_fields)

    def has_in_ram(self, secret: bytes) -> bool:
        """Whether these bytes are in the stub's RAM, the settings in force aside."""
        return any(secret in each.bytes() for each in (self.state, self.staged, self.unit))

    def change_image(self, at: int, xor: int) -> None:
        """Flip bits of the flash."""
        self.flash.seen[at] ^= xor

    def write_image(self, at: int, content: bytes) -> None:
        """Put bytes into the flash as a test wants them."""
        ctypes.memmove(ctypes.addressof(self.flash.seen) + at, content, len(content))

    @property
    def torn(self) -> int:
        """The erase units in which something is torn, as a set of bits."""
        return int(self.library.flash_torn(self._flash))

    def slot_erases(self) -> list[int]:
        """Erases of the first erase unit of each slot."""
        units = self.geometry.slot_size // self.geometry.erase_unit
        return [self.flash.erases[slot * units] for slot in range(self.geometry.slots)]


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


def operations_of(board: Board, step: Step) -> range:
    """The operations that a step takes."""
    whole = board.copy()
    begin = whole.operations
    step(whole)
    return range(begin, whole.operations)


def told_token(board: Board) -> bytes:
    """The token in force; empty where there is none."""
    return bytes(board.told_fields.token) if board.told_fields.holds_set else b""
