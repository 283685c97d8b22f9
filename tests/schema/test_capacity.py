# SPDX-License-Identifier: MIT
"""How much room settings take, against CBOR as another library writes it."""

from __future__ import annotations

from pathlib import Path

import cbor2
import pytest

from provision.contract.table import Kind
from provision.schema.capacity import largest_payload, number_limits, record_size
from provision.schema.migration import tag
from provision.schema.model import Field, Option, Schema, Section, Value
from provision.schema.values import check_value
from provision.schema_file.load import load_declaration

DATA = Path(__file__).parents[1] / "data" / "schema_files"

OPTIONS = (Option("a", "A"), Option("much-longer", "B"), Option("bb", "C"))

LARGEST: list[tuple[Field, Value]] = [
    (Field("f", Kind.TEXT, "L", maximum=255), "x" * 255),
    (Field("f", Kind.SECRET, "L", maximum=9), "x" * 9),
    (Field("f", Kind.INTEGER, "L"), -(2**31)),
    (Field("f", Kind.INTEGER, "L", minimum=-3, maximum=1000), 1000),
    (Field("f", Kind.INTEGER, "L", minimum=-1000, maximum=3), -1000),
    (Field("f", Kind.DECIMAL, "L", digits=2, unit="°C", maximum=10), -(2**31)),
    (Field("f", Kind.YES_NO, "L"), True),
    (Field("f", Kind.CHOICE, "L", options=OPTIONS), "much-longer"),
    (Field("f", Kind.NETWORK_NAME, "L"), b"\xff" * 32),
    (Field("f", Kind.PASSPHRASE, "L", network="s.n"), "f" * 64),
    (Field("f", Kind.HOST, "L", maximum=40), f"{'a' * 20}.{'a' * 19}"),
    (Field("f", Kind.URL, "L", schemes=("https",)), "https://a/" + "x" * 245),
    (Field("f", Kind.IP, "L"), bytes(16)),
    (Field("f", Kind.IP, "L", families=1), bytes(4)),
    (Field("f", Kind.PORT, "L"), 65535),
    (Field("f", Kind.DURATION, "L", unit="s"), 2**31 - 1),
    (Field("f", Kind.HEX, "L", maximum=24), bytes(24)),
    (Field("f", Kind.BLOB, "L", maximum=16384), bytes(16384)),
]


@pytest.mark.parametrize(("field", "value"), LARGEST, ids=lambda each: getattr(each, "kind", ""))
def test_the_largest_payload_is_that_of_the_largest_value(field: Field, value: Value) -> None:
    """A field takes exactly the bytes of [full key, tag, value] with a largest value it takes."""
    schema = Schema("T", (Section("s", "S", (field,)),))
    assert check_value(field, value, schema) is None
    assert largest_payload(schema) == len(cbor2.dumps(["s.f", tag(field), value], canonical=True))


def test_the_largest_payload_counts_every_instance() -> None:
    """A section that repeats counts as often as it may be there, its keys with their numbers."""
    schema = load_declaration(DATA / "every-kind.toml").schema
    entries = [
        largest_payload(Schema("T", (Section(*key_of(setting.key), (setting.field,)),)))
        for setting in schema.settings
    ]
    # The stand-in keys above are two characters longer than "s.f" in none of the settings.
    own = sum(len(cbor2.dumps(setting.key)) for setting in schema.settings)
    stood_in = sum(len(cbor2.dumps(f"s.{setting.field.key}")) for setting in schema.settings)
    assert largest_payload(schema) == sum(entries) - stood_in + own


def key_of(_key: str) -> tuple[str, str]:
    """Return key and label of a section that stands in for a setting's own."""
    return "s", "S"


@pytest.mark.parametrize(
    ("payload", "unit", "takes"),
    [(0, 1, 56), (10, 1, 66), (10, 8, 48 + 16 + 8), (256, 256, 768), (257, 256, 1024)],
)
def test_a_record_is_header_payload_and_seal_in_program_units(
    payload: int, unit: int, takes: int
) -> None:
    """Header (48 bytes), payload and seal (8) each begin a program unit (STORAGE.md)."""
    assert record_size(payload, unit) == takes


def test_options_are_counted_from_nought() -> None:
    """The limits of a choice are the numbers of its options, those of the rest its values."""
    assert number_limits(Field("f", Kind.CHOICE, "L", options=OPTIONS)) == (0, 2)
    assert number_limits(Field("f", Kind.PORT, "L")) == (1, 65535)
