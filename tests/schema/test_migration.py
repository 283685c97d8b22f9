# SPDX-License-Identifier: MIT
"""What an update does to stored values (clause 10): tags, former keys, and decimals."""

from __future__ import annotations

import pytest
from crc import Calculator, Configuration
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.table import Kind
from provision.schema.migration import convert, older_keys, tag
from provision.schema.model import Field, Repeat, Schema, Section, Value

# The reference that stands beside the CRC of the contract (RFC 3720 appendix B.4).
CRC32C = Calculator(Configuration(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, True, True))

CENTI = Field("level", Kind.DECIMAL, "Level", digits=2, unit="m")


def decimal(digits: int, unit: str | None = "m") -> Field:
    """Return a decimal with as many digits."""
    return Field("level", Kind.DECIMAL, "Level", digits=digits, unit=unit)


def test_a_tag_holds_kind_digits_and_unit() -> None:
    """A tag is kind + 256 * digits + 65536 * the low half of the unit's CRC-32C, 0 without one."""
    celsius = CRC32C.checksum("°C".encode()) & 0xFFFF
    assert tag(Field("a", Kind.DECIMAL, "A", digits=3, unit="°C")) == 4 + 3 * 256 + celsius * 65536
    assert tag(Field("a", Kind.TEXT, "A", maximum=9)) == 1
    seconds, milliseconds = (Field("a", Kind.DURATION, "A", unit=unit) for unit in ("s", "ms"))
    assert tag(seconds) != tag(milliseconds)


def keys(repeat: Repeat | None, was: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Return the former keys of each instance of a field `mast.probe`."""
    probe = Field("probe", Kind.INTEGER, "Probe", was=was)
    schema = Schema("Alarm", (Section("mast", "Mast", (probe,), repeat=repeat),))
    return [older_keys(setting) for setting in schema.settings]


def test_a_section_that_begins_or_ceases_to_repeat_keeps_its_first_instance() -> None:
    """`section.field` and `section.1.field` are taken for one another; other instances are not."""
    assert keys(None, ()) == [("mast.1.probe",)]
    assert keys(Repeat(0, 2), ()) == [("mast.probe",), ()]


def test_former_keys_are_searched_in_their_order() -> None:
    """After the field's own key in both forms come those of `was`, each in both forms."""
    was = ("mast.sensor", "pole.probe")
    assert keys(None, was) == [
        ("mast.1.probe", "mast.sensor", "mast.1.sensor", "pole.probe", "pole.1.probe")
    ]
    assert keys(Repeat(1, 2), was) == [
        ("mast.probe", "mast.1.sensor", "mast.sensor", "pole.1.probe", "pole.probe"),
        ("mast.2.sensor", "pole.2.probe"),
    ]


def test_a_former_key_is_listed_once_and_never_longer_than_a_key_can_be() -> None:
    """Repetitions, the own key, and what more than 32 bytes could never have held are left out."""
    longest = "a" * 20 + "." + "b" * 11
    assert len(longest) == 32
    assert keys(None, ("mast.probe", longest, longest)) == [("mast.1.probe", longest)]


@pytest.mark.parametrize(
    ("old", "new", "value", "carried"),
    [
        (decimal(1), decimal(2), 25, 250),  # 2.5
        (decimal(2), decimal(1), 250, 25),
        (decimal(2), decimal(1), 255, None),  # 2.55 has no form with one digit
        (decimal(2), decimal(1), -250, -25),
        (decimal(2), decimal(1), -255, None),
        (decimal(6), decimal(1), 0, 0),
        (decimal(2), decimal(2), 255, 255),
        (decimal(2), decimal(2, "cm"), 255, None),
        (decimal(2), decimal(1, None), 250, None),
        (decimal(2), Field("level", Kind.INTEGER, "Level", unit="m"), 200, None),
        (Field("level", Kind.INTEGER, "Level", unit="m"), decimal(2), 200, None),
    ],
)
def test_a_decimal_is_carried_if_it_is_exact(
    old: Field, new: Field, value: int, carried: int | None
) -> None:
    """Other digits rescale a decimal without loss or not at all; another unit or kind never."""
    assert convert(tag(old), new, value) == carried


@pytest.mark.parametrize("kind", set(Kind) - {Kind.DECIMAL})
def test_a_value_is_carried_by_its_tag(kind: Kind) -> None:
    """Of every other kind a value is taken as it is if the tags are equal, else not."""
    field = Field("a", kind, "A")
    for value in ("steady", 7, True, b"\x01"):
        assert convert(tag(field), field, value) is value
        assert convert(tag(field) + 256, field, value) is None


@pytest.mark.parametrize("value", ["250", b"\x01", True])
def test_a_decimal_that_is_no_number_is_not_carried(value: Value) -> None:
    """Storage may be damaged or foreign: what is no number is not scaled."""
    assert convert(tag(decimal(1)), CENTI, value) is None


@pytest.mark.parametrize("digits", [0, 7, 255])
def test_digits_that_no_decimal_has_are_not_carried(digits: int) -> None:
    """A tag with digits outside 1 to 6 is no decimal's (clause 8.1, key 10)."""
    assert convert(tag(CENTI) & ~0xFF00 | digits << 8, CENTI, 1) is None


@given(st.integers(1, 6), st.integers(1, 6), st.integers(-(2**31), 2**31 - 1))
def test_what_is_carried_there_comes_back(old: int, new: int, value: int) -> None:
    """A decimal that could be rescaled comes back unchanged, and is the same number."""
    carried = convert(tag(decimal(old)), decimal(new), value)
    if carried is not None:
        assert isinstance(carried, int)
        assert carried * 10**old == value * 10**new
        assert convert(tag(decimal(new)), decimal(old), carried) == value
