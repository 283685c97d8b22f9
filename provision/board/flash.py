# SPDX-License-Identifier: MIT
"""NOR flash in memory: what a program and an erase do, and what a power cut leaves of them.

Erasing sets every bit of an erase unit, programming only clears bits, and a program unit is
programmed once between two erases (parts with error correction admit no second time). Offsets and
sizes are bytes from the start of the settings area.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

ERASED = 0xFF
"""A byte of erased flash."""


class FlashError(Exception):
    """The part reports that an operation failed; what the unit holds now is anybody's guess."""


class PowerCut(Exception):  # noqa: N818 - an event that ends the run, not an error of the code
    """The power failed during an operation. Nothing works until Flash.power_up()."""


class OperationKind(Enum):
    """The operations that change a flash."""

    PROGRAM = "program"
    ERASE = "erase"


@dataclass(frozen=True, slots=True)
class Operation:
    """One change, before it happens; `number` counts the changes of this flash from 0."""

    number: int
    change: OperationKind
    offset: int
    size: int


Tear = Callable[[bytes, bytes], bytes]
"""What a cut leaves of a unit: from its content before and the content intended, the content."""


def nothing(before: bytes, intended: bytes) -> bytes:
    """Tear: the power failed before the first bit changed."""
    del intended
    return before


def prefix(size: int) -> Tear:
    """Tear: the first `size` bytes have changed, the others not."""
    return lambda before, intended: intended[:size] + before[size:]


def all_but_last(unit: int) -> Tear:
    """Tear: the last byte of a program, or the last `unit` bytes of an erase, have not changed."""

    def tear(before: bytes, intended: bytes) -> bytes:
        size = len(before) - (unit if len(before) > unit else 1)
        return intended[:size] + before[size:]

    return tear


def subset(chance: random.Random) -> Tear:
    """Tear: each bit has changed, or has not."""

    def tear(before: bytes, intended: bytes) -> bytes:
        masks = chance.randbytes(len(before))
        pairs = zip(before, intended, masks, strict=True)
        return bytes(old & mask | new & ~mask & ERASED for old, new, mask in pairs)

    return tear


class Faults:
    """What goes wrong in a flash. This one: nothing; derive from it what should."""

    def changing(self, operation: Operation) -> Tear | None:
        """Return the tear if the power fails during this change; raise FlashError to refuse it."""
        del operation
        return None

    def reading(self, offset: int, content: bytes) -> bytes:
        """Return what reading yields; raise FlashError where error correction gives up."""
        del offset
        return content


NO_FAULTS = Faults()


class CutAt(Faults):
    """The power fails during the change with this number."""

    def __init__(self, number: int, tear: Tear = nothing) -> None:
        self._number = number
        self._tear = tear

    def changing(self, operation: Operation) -> Tear | None:
        """Return the tear if the power fails during this change."""
        return self._tear if operation.number == self._number else None


@dataclass(slots=True)
class _Torn:
    """A program unit in which the power failed."""

    before: bytes
    intended: bytes
    reading: bytes | None
    """What it reads as since the last power-up; None: error correction gives up."""


class TornUnits(Faults):
    """Units in which the power failed read otherwise at every power-up, until they are erased.

    What one cut left reads as if the change had not begun, as if it had been done, or as a mixture,
    which with `fails` cannot be read. Call power_up() before that of the flash, and hand this
    to it.
    """

    def __init__(self, program_unit: int, chance: random.Random, *, fails: bool = False) -> None:
        self._program_unit = program_unit
        self._chance = chance
        self._fails = fails
        self._cut_at: int | None = None
        self._torn: dict[int, _Torn] = {}

    @property
    def torn(self) -> frozenset[int]:
        """The offsets of the program units that are torn."""
        return frozenset(self._torn)

    def power_up(self, cut_at: int | None = None) -> None:
        """Draw new readings; the power fails during the change with that number."""
        self._cut_at = cut_at
        mood = self._chance.randrange(3)
        for unit in self._torn.values():
            unit.reading = (unit.before, unit.intended, self._mixture(unit))[mood]

    def changing(self, operation: Operation) -> Tear | None:
        """Return the tear if the power fails during this change."""
        offsets = range(operation.offset, operation.offset + operation.size, self._program_unit)
        if operation.number != self._cut_at:
            for offset in offsets:
                self._torn.pop(offset, None)
            return None

        def tear(before: bytes, intended: bytes) -> bytes:
            for offset in offsets:
                at = slice(offset - offsets.start, offset - offsets.start + self._program_unit)
                self._torn[offset] = _Torn(before[at], intended[at], before[at])
            return before

        return tear

    def reading(self, offset: int, content: bytes) -> bytes:
        """Return what reading yields. Raises FlashError where error correction gives up."""
        found = bytearray(content)
        for start, unit in self._torn.items():
            first, end = max(start, offset), min(start + self._program_unit, offset + len(content))
            if first >= end:
                continue
            if unit.reading is None:
                raise FlashError
            found[first - offset : end - offset] = unit.reading[first - start : end - start]
        return bytes(found)

    def _mixture(self, unit: _Torn) -> bytes | None:
        return None if self._fails else subset(self._chance)(unit.before, unit.intended)


@dataclass(frozen=True, slots=True)
class Geometry:
    """Size of the settings area and of the units in which it is erased and programmed, in bytes."""

    size: int
    erase_unit: int
    program_unit: int

    def __post_init__(self) -> None:
        if self.size <= 0 or self.size % self.erase_unit or self.erase_unit % self.program_unit:
            raise ValueError(
                f"A flash of {self.size} bytes has no whole erase units of {self.erase_unit} and"
                f" program units of {self.program_unit}."
            )


class Flash:
    """The settings area of a board's flash. What it holds never shows in its repr."""

    def __init__(
        self, geometry: Geometry, content: bytes | None = None, faults: Faults = NO_FAULTS
    ) -> None:
        """content: what the area holds, as after a power-up; None: it is erased.

        Raises ValueError if the content has another size than the area.
        """
        if content is not None and len(content) != geometry.size:
            raise ValueError(
                f"The flash has {geometry.size} bytes, and the content given {len(content)}."
            )
        self.geometry = geometry
        self.faults = faults
        self.changes = 0
        """How many changes were begun."""
        self._content = bytearray(content or bytes([ERASED]) * geometry.size)
        self._powered = True
        # Counted, not read from the content: a unit programmed with 0xFF, or torn before its first
        # bit changed, looks erased and may not be programmed again.
        self._programmed = {
            offset
            for offset in range(0, geometry.size, geometry.program_unit)
            if self._unit(offset, geometry.program_unit).strip(bytes([ERASED]))
        }

    @property
    def powered(self) -> bool:
        """Whether the power is on."""
        return self._powered

    @property
    def content(self) -> bytes:
        """What the cells hold, whatever reading them would yield."""
        return bytes(self._content)

    def power_up(self, faults: Faults = NO_FAULTS) -> None:
        """Restore the power, with what shall go wrong from now on; changes count from 0 again."""
        self.faults = faults
        self.changes = 0
        self._powered = True

    def read(self, offset: int, size: int) -> bytes:
        """Return `size` bytes; FlashError if they cannot be read."""
        self._check(offset, size, 1)
        return self.faults.reading(offset, self._unit(offset, size))

    def program(self, offset: int, data: bytes) -> None:
        """Program one whole program unit.

        Raises FlashError if the part fails, PowerCut, and ValueError for a unit that was programmed
        since it was erased, which is a fault of the caller.
        """
        unit = self.geometry.program_unit
        self._check(offset, len(data), unit)
        if len(data) != unit:
            raise ValueError(f"A program unit has {unit} bytes, not {len(data)}.")
        if offset in self._programmed:
            raise ValueError(f"The unit at {offset} was programmed since it was erased.")
        before = self._unit(offset, unit)
        self._programmed.add(offset)  # before it can be torn: then, too, it must be erased first
        cleared = int.from_bytes(before) & int.from_bytes(data)
        intended = cleared.to_bytes(unit)
        self._change(OperationKind.PROGRAM, offset, before, intended)

    def erase(self, offset: int) -> None:
        """Erase one erase unit; raises FlashError if the part fails, and PowerCut."""
        unit = self.geometry.erase_unit
        self._check(offset, unit, unit)
        self._change(OperationKind.ERASE, offset, self._unit(offset, unit), bytes([ERASED]) * unit)
        self._programmed -= set(range(offset, offset + unit, self.geometry.program_unit))

    def _unit(self, offset: int, size: int) -> bytes:
        return bytes(self._content[offset : offset + size])

    def _check(self, offset: int, size: int, unit: int) -> None:
        if not self._powered:
            raise PowerCut
        if offset < 0 or offset % unit or offset + size > self.geometry.size:
            raise ValueError(f"There is no unit of {size} bytes at {offset}.")

    def _change(self, change: OperationKind, offset: int, before: bytes, intended: bytes) -> None:
        operation = Operation(self.changes, change, offset, len(before))
        self.changes += 1
        tear = self.faults.changing(operation)
        after = intended if tear is None else tear(before, intended)
        self._content[offset : offset + len(after)] = after
        self._keep(offset, after)
        if tear is not None:
            self._powered = False
            raise PowerCut

    def _keep(self, offset: int, content: bytes) -> None:
        """Take notice of what changed; a flash that outlives its process overrides this."""
