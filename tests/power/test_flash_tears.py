# SPDX-License-Identifier: MIT
"""What a cut leaves of a unit in the Python board's flash model (provision/board/flash.py)."""

from __future__ import annotations

import random

import pytest

from provision.board.flash import (
    CutAt,
    Flash,
    FlashError,
    Geometry,
    PowerCut,
    TornUnits,
    all_but_last,
    subset,
)

GEOMETRY = Geometry(size=256, erase_unit=64, program_unit=16)
UNIT = bytes(range(16))
ERASED = b"\xff" * 16


def test_all_but_the_last() -> None:
    """Of a program the last byte is missing, of an erase the last program unit."""
    flash = Flash(GEOMETRY, UNIT * 16, CutAt(0, all_but_last(16)))
    with pytest.raises(PowerCut):
        flash.erase(64)
    assert flash.content == UNIT * 4 + ERASED * 3 + UNIT * 9
    flash = Flash(GEOMETRY, faults=CutAt(0, all_but_last(16)))
    with pytest.raises(PowerCut):
        flash.program(0, UNIT)
    assert flash.content[:16] == UNIT[:15] + b"\xff"


def test_a_subset_lies_between_before_and_after() -> None:
    """Each bit has the old value or the new one; over many tears both occur at every byte."""
    before, after = ERASED, bytes(16)
    found = [subset(random.Random(seed))(before, after) for seed in range(50)]
    assert len(set(found)) == 50
    assert subset(random.Random(0))(UNIT, UNIT) == UNIT
    for at in range(16):
        ones, zeros = 0, 0xFF
        for torn in found:
            ones, zeros = ones | torn[at], zeros & torn[at]
        assert (ones, zeros) == (0xFF, 0)


@pytest.mark.parametrize("fails", [False, True])
def test_a_torn_unit_reads_otherwise_at_each_power_up(*, fails: bool) -> None:
    """As before, as intended, or as a mixture, which error correction may give up on."""
    torn = TornUnits(16, random.Random(1), fails=fails)
    torn.power_up(cut_at=1)
    flash = Flash(GEOMETRY, faults=torn)
    flash.program(0, UNIT)
    with pytest.raises(PowerCut):
        flash.program(16, UNIT)
    assert torn.torn == {16}
    readings: set[bytes | None] = set()
    for _ in range(40):
        torn.power_up()
        flash.power_up(torn)
        try:
            assert flash.read(0, 16) == UNIT
            reading = flash.read(8, 32)
            assert (reading[:8], reading[24:]) == (UNIT[8:], b"\xff" * 8)
            assert reading == flash.read(8, 32), "within a power cycle it reads alike"
            readings.add(reading[8:24])
        except FlashError:
            readings.add(None)
    assert {ERASED, UNIT} < readings
    assert (None in readings) == fails
    assert len(readings) > 3 or fails
    flash.erase(0)
    assert torn.torn == frozenset()
    assert flash.read(0, 64) == ERASED * 4


def test_a_torn_erase_tears_each_of_its_units() -> None:
    """And a second cut tears on from what the first left."""
    torn = TornUnits(16, random.Random(2))
    torn.power_up(cut_at=0)
    flash = Flash(GEOMETRY, UNIT * 16, torn)
    with pytest.raises(PowerCut):
        flash.erase(64)
    assert torn.torn == {64, 80, 96, 112}
    readings = set()
    for _ in range(20):
        torn.power_up()
        flash.power_up(torn)
        readings.add(flash.read(64, 64))
    assert {UNIT * 4, ERASED * 4} < readings
