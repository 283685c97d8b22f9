# SPDX-License-Identifier: MIT
"""The flash model does what NOR flash does: erase whole units, clear bits, each unit once."""

from __future__ import annotations

import pytest

from provision.board.flash import (
    CutAt,
    Faults,
    Flash,
    FlashError,
    Geometry,
    Operation,
    OperationKind,
    PowerCut,
    Tear,
    nothing,
    prefix,
)

GEOMETRY = Geometry(size=256, erase_unit=64, program_unit=16)
UNIT = bytes(range(16))


def test_erased_flash_reads_ff() -> None:
    """A fresh part, and an erased unit of it, read 0xFF (common practice)."""
    flash = Flash(GEOMETRY)
    assert flash.content == b"\xff" * 256
    flash.program(64, UNIT)
    assert flash.read(64, 16) == UNIT
    flash.erase(64)
    assert flash.content == b"\xff" * 256


def test_a_unit_is_programmed_once_between_erases() -> None:
    """A second program of a unit is a fault of the caller, even after a program of 0xFF alone."""
    flash = Flash(GEOMETRY)
    flash.program(0, b"\xff" * 16)
    with pytest.raises(ValueError, match="since it was erased"):
        flash.program(0, UNIT)
    flash.erase(0)
    flash.program(0, UNIT)
    assert flash.changes == 3


def test_content_given_counts_as_programmed() -> None:
    """Flash that was written before it was opened here must be erased where it holds something."""
    flash = Flash(GEOMETRY, UNIT + b"\xff" * 240)
    with pytest.raises(ValueError, match="since it was erased"):
        flash.program(0, UNIT)
    flash.program(16, UNIT)
    assert flash.content[:32] == UNIT * 2


@pytest.mark.parametrize(("offset", "size"), [(8, 16), (0, 8), (0, 32), (256, 16), (-16, 16)])
def test_only_whole_units_inside_the_area_are_programmed(offset: int, size: int) -> None:
    """Anything else is a fault of the caller, and changes nothing."""
    flash = Flash(GEOMETRY)
    with pytest.raises(ValueError, match="unit"):
        flash.program(offset, bytes(size))
    assert (flash.content, flash.changes) == (b"\xff" * 256, 0)


def test_erase_takes_whole_units_only() -> None:
    """An offset inside an erase unit is a fault of the caller."""
    with pytest.raises(ValueError, match="unit"):
        Flash(GEOMETRY).erase(16)


@pytest.mark.parametrize("geometry", [(0, 64, 16), (100, 64, 16), (256, 64, 24)])
def test_a_geometry_has_whole_units(geometry: tuple[int, int, int]) -> None:
    """Sizes that do not divide are refused."""
    with pytest.raises(ValueError, match="whole erase units"):
        Geometry(*geometry)


def test_content_of_another_size_is_refused() -> None:
    """An image of another part does not load."""
    with pytest.raises(ValueError, match="256 bytes"):
        Flash(GEOMETRY, b"\xff" * 255)


@pytest.mark.parametrize(
    ("tear", "left"), [(nothing, b"\xff" * 16), (prefix(5), UNIT[:5] + b"\xff" * 11)]
)
def test_a_cut_tears_the_program_that_it_hits(tear: Tear, left: bytes) -> None:
    """The power fails in the change with that number; nothing works until it is back."""
    flash = Flash(GEOMETRY, faults=CutAt(1, tear))
    flash.program(0, UNIT)
    with pytest.raises(PowerCut):
        flash.program(16, UNIT)
    assert flash.content[:32] == UNIT + left
    assert not flash.powered
    for refused in (lambda: flash.read(0, 1), lambda: flash.erase(0)):
        with pytest.raises(PowerCut):
            refused()
    flash.power_up()
    assert flash.read(0, 16) == UNIT
    with pytest.raises(ValueError, match="since it was erased"):
        flash.program(16, UNIT)


def test_a_cut_tears_an_erase() -> None:
    """After a torn erase the unit must be erased again before it is programmed."""
    flash = Flash(GEOMETRY, UNIT * 16, CutAt(0, prefix(32)))
    with pytest.raises(PowerCut):
        flash.erase(0)
    assert flash.content[:64] == b"\xff" * 32 + UNIT * 2
    flash.power_up()
    with pytest.raises(ValueError, match="since it was erased"):
        flash.program(0, UNIT)


def test_faults_see_every_change_and_every_read() -> None:
    """A plan of faults is told what is about to happen, and may refuse or alter it."""

    class Stubborn(Faults):
        seen: list[Operation] = []  # noqa: RUF012 - of one test

        def changing(self, operation: Operation) -> Tear | None:
            self.seen.append(operation)
            if operation.change is OperationKind.ERASE:
                raise FlashError
            return None

        def reading(self, offset: int, content: bytes) -> bytes:
            return content[::-1] if offset else content

    flash = Flash(GEOMETRY, faults=Stubborn())
    flash.program(32, UNIT)
    with pytest.raises(FlashError):
        flash.erase(0)
    assert flash.read(32, 16) == UNIT[::-1]
    assert Stubborn.seen == [
        Operation(0, OperationKind.PROGRAM, 32, 16),
        Operation(1, OperationKind.ERASE, 0, 64),
    ]
