# SPDX-License-Identifier: MIT
"""The steps that stub.c reads, for Python: written by seeds.py, read by differential.py."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum

LARGEST_ITEM = 655 * 3 // 4


class Sort(IntEnum):
    """The sorts of steps, in the order of `enum sort` in stub.c."""

    RAW = 0
    ITEM = 1
    WAIT = 2
    RESTART = 3
    CUT = 4
    REPORT = 5
    PRESENT = 6
    FOUND = 7
    ADDRESS = 8
    COMMIT = 9
    NAMED = 10
    CANARY = 11
    SET = 12
    PART = 13
    FAIL = 14
    AGAIN = 15
    RECORD = 16
    ASK = 17


_FORMS = {
    Sort.RAW: "n",
    Sort.ITEM: "N",
    Sort.WAIT: "w",
    Sort.CUT: "bbb",
    Sort.REPORT: "bbbb",
    Sort.FOUND: "bbbk",
    Sort.ADDRESS: "a",
    Sort.COMMIT: "b",
    Sort.NAMED: "bb",
    Sort.CANARY: "b",
    Sort.SET: "bn",
    Sort.PART: "bwwn",
    Sort.FAIL: "b",
    Sort.RECORD: "bR",
    Sort.ASK: "bww",
}
"""b: byte; w: word, low byte first; n, N, k, a, R: a count in one form or another, and bytes."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its numbers in order, and its bytes."""

    sort: Sort
    numbers: tuple[int, ...]
    octets: bytes


def _count(form: str, octets: bytes) -> bytes:
    size = len(octets)
    match form:
        case "k":
            return bytes([size - 1])
        case "a":
            return bytes([(0, 4, 16).index(size)])
        case "n":
            return bytes([size])
        case _:
            return size.to_bytes(2, "little")


def step(sort: Sort, *arguments: int | bytes) -> bytes:
    """Return a step as stub.c reads it."""
    out = bytes([sort])
    for form, argument in zip(_FORMS.get(sort, ""), arguments, strict=True):
        if isinstance(argument, bytes):
            out += _count(form, argument) + argument
        else:
            out += argument.to_bytes(2 if form == "w" else 1, "little")
    return out


class _Input:
    """What is left of an input; beyond its end there are zeros, and no bytes."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def number(self, size: int) -> int:
        """Take a number, low byte first."""
        taken = bytes(self.octets(1)[0] if self.data else 0 for _ in range(size))
        return int.from_bytes(taken, "little")

    def octets(self, count: int) -> bytes:
        """Take so many bytes, or what there is."""
        taken, self.data = self.data[:count], self.data[count:]
        return taken


_COUNTS: dict[str, Callable[[_Input], int]] = {
    "n": lambda at: at.number(1),
    "N": lambda at: at.number(2) % (LARGEST_ITEM + 1),
    "k": lambda at: 1 + at.number(1) % 32,
    "a": lambda at: (0, 4, 16)[at.number(1) % 3],
    "R": lambda at: at.number(2) % 512,
}


def read(data: bytes) -> Iterator[Step]:
    """Yield the steps behind the byte of options, as next_step() of stub.c reads them."""
    at = _Input(data)
    while at.data:
        sort = Sort(at.number(1) % len(Sort))
        numbers: list[int] = []
        octets = b""
        for form in _FORMS.get(sort, ""):
            if form in "bw":
                numbers.append(at.number(2 if form == "w" else 1))
            else:
                octets = at.octets(_COUNTS[form](at))
        yield Step(sort, tuple(numbers), octets)
