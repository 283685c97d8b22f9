# SPDX-License-Identifier: MIT
"""The forms that a value in a message's body can have, and how a value falls short of one.

A shape is data in the generated table (table.py). Its fault() puts what is wrong with an item into
words, to follow the item's name, and never repeats the item, which may be a secret.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


class Shape(Protocol):
    """The form of one value."""

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item ("is not text"), or None if it has this form."""


@dataclass(frozen=True, slots=True)
class Integer:
    """A whole number from min to max."""

    min: int
    max: int

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        if not isinstance(item, int) or isinstance(item, bool):
            return "is not a whole number"
        if not self.min <= item <= self.max:
            return f"is not within {self.min} to {self.max}"
        return None


@dataclass(frozen=True, slots=True)
class Code:
    """A code of the set named, known or not, up to max: later versions may add to a set."""

    of: str
    max: int

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        return Integer(0, self.max).fault(item)


@dataclass(frozen=True, slots=True)
class Text:
    """Text of min to max bytes of UTF-8."""

    min: int
    max: int

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        if not isinstance(item, str):
            return "is not text"
        return _size_fault(len(item.encode(errors="surrogatepass")), self.min, self.max, "bytes")


@dataclass(frozen=True, slots=True)
class Bytes:
    """A byte string of min to max bytes."""

    min: int
    max: int

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        if not isinstance(item, bytes):
            return "is not a byte string"
        return _size_fault(len(item), self.min, self.max, "bytes")


@dataclass(frozen=True, slots=True)
class Bool:
    """True or false."""

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        return None if isinstance(item, bool) else "is neither true nor false"


@dataclass(frozen=True, slots=True)
class Null:
    """Null."""

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        return None if item is None else "is not null"


@dataclass(frozen=True, slots=True)
class FieldValue:
    """What a field can hold; whether it suits the field is for the schema to say (clause 9)."""

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        if isinstance(item, int | str | bytes):  # bool is an int
            return None
        return "is neither number, text, byte string, true nor false"


@dataclass(frozen=True, slots=True)
class Array:
    """From min to max items of one shape."""

    of: Shape
    min: int
    max: int

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        if not isinstance(item, list):
            return "is not an array"
        if fault := _size_fault(len(item), self.min, self.max, "items"):
            return fault
        for number, element in enumerate(item):
            if fault := self.of.fault(element):
                return f"is wrong at item {number}, which {fault}"
        return None


@dataclass(frozen=True, slots=True)
class Tuple:
    """An array of one item for each shape, of which those after the first `required` may lack."""

    items: tuple[Shape, ...]
    required: int

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        if not isinstance(item, list):
            return "is not an array"
        if fault := _size_fault(len(item), self.required, len(self.items), "items"):
            return fault
        # Not strict: the items that may lack are the last.
        for number, (shape, element) in enumerate(zip(self.items, item, strict=False)):
            if fault := shape.fault(element):
                return f"is wrong at item {number}, which {fault}"
        return None


@dataclass(frozen=True, slots=True)
class Either:
    """Any one of several shapes."""

    shapes: tuple[Shape, ...]

    def fault(self, item: object) -> str | None:
        """Return what is wrong with the item, or None."""
        faults = [shape.fault(item) for shape in self.shapes]
        if None in faults:
            return None
        return " and ".join(fault for fault in faults if fault)


def _size_fault(size: int, least: int, most: int, unit: str) -> str | None:
    if least <= size <= most:
        return None
    return f"has {size} {unit}, not {least}" + (f" to {most}" if most > least else "")
