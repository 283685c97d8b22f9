# SPDX-License-Identifier: MIT
"""Reading a schema file piece by piece, noting every mistake and going on.

A `Spot` is one value of the file and where it stands. A reader takes a spot and returns what it
says, or notes what is wrong and raises `NotedError`, which the table or list around it catches.
"""

from __future__ import annotations

import contextlib
import difflib
import re
import unicodedata
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, TypeVar

from provision.errors import ProvisionError
from provision.schema.table import GREATEST_INTEGER, LEAST_INTEGER, MAX_PIN, MAX_SIZE
from provision.schema_file.toml_positions import Path, Places

T = TypeVar("T")

_TYPES = {
    bool: "true or false",
    int: "a whole number",
    Decimal: "a number with a decimal point",
    str: "text",
    list: "a list",
    dict: "a table",
}
_KEY = re.compile(r"[a-z][a-z0-9-]*\Z")
TIMES = {"ms": 1, "s": 1000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}  # in milliseconds
_TIME = re.compile(r"([0-9]{1,15}) *(ms|s|min|h|d)\Z")
SIZES = {"B": 1, "KiB": 1024, "MiB": 1024 * 1024}
_SIZE = re.compile(r"([0-9]{1,15}) *(B|KiB|MiB)\Z")
_PIN_RANGE = re.compile(r" *([0-9]{1,3}) *(?:- *([0-9]{1,3}) *)?\Z")

# Unicode categories that a host drops from texts (clause 8.1), or that break a line.
_UNSHOWN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a schema file: where it is, what is wrong, and what would be right."""

    line: int
    column: int
    where: str
    wrong: str
    fix: str

    def __str__(self) -> str:
        return f"{self.line}:{self.column}: {self.where}: {self.wrong}; {self.fix}."


class NotedError(Exception):
    """A value of the file is of no use; what is wrong was noted already."""


class FileMistakes(ProvisionError, ValueError):  # noqa: N818 - several of them, as the name says
    """A schema file has mistakes; all of them, in the order of the file."""

    def __init__(self, name: str, mistakes: Iterable[Mistake]) -> None:
        self.name = name
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(f"{name}:{mistake}" for mistake in self.mistakes))


class MistakeReport:
    """The mistakes of one file."""

    def __init__(self, document: dict[str, object], places: Places) -> None:
        self.mistakes: list[Mistake] = []
        self.document = document
        self._places = places

    def add(self, path: Path, wrong: str, fix: str) -> None:
        """Note a mistake at a path."""
        place = self._places.of(path)
        self.mistakes.append(Mistake(place.line, place.column, self._where(path), wrong, fix))

    def in_order(self) -> list[Mistake]:
        """Return the mistakes in the order of the file."""
        return sorted(self.mistakes, key=lambda mistake: (mistake.line, mistake.column))

    def _where(self, path: Path) -> str:
        """Return the path in words: "section siren, field relay, default"."""
        words: list[str] = []
        at: Any = self.document
        for step in path:
            at = at[step]
            if isinstance(step, str):
                words.append(shown(step))
                continue
            words[-1] = {"options": "option"}.get(words[-1], words[-1])
            table = at if isinstance(at, dict) else {}
            name = table.get("key", table.get("number", table.get("numbers")))
            is_name = isinstance(name, (str, int))
            words[-1] += f" {shown(str(name))}" if is_name else f" #{step + 1}"
        return ", ".join(words) or "file"


@dataclass(frozen=True, slots=True)
class Spot:
    """One value of the file, and where it stands."""

    report: MistakeReport
    path: Path
    value: object

    @property
    def name(self) -> str:
        """What the value is called in a sentence."""
        return next(f"`{step}`" for step in reversed(self.path) if isinstance(step, str))

    def wrong(self, wrong: str, fix: str) -> NotedError:
        """Note a mistake here, and return what to raise."""
        self.report.add(self.path, wrong, fix)
        return NotedError()

    def wrong_type(self, fix: str) -> NotedError:
        """Note that the value is of the wrong type, and return what to raise."""
        found = next((words for kind, words in _TYPES.items() if isinstance(self.value, kind)), "")
        return self.wrong(f"{self.name} is {found or 'a date or time'}", fix)


Reader = Callable[[Spot], T]


class Table:
    """One table of the file; remembers which of its keys had a mistake."""

    def __init__(self, report: MistakeReport, path: Path, content: Mapping[str, object]) -> None:
        self.report = report
        self.path = path
        self.content = content
        self.bad: set[str] = set()

    def __contains__(self, key: str) -> bool:
        return key in self.content

    def spot(self, key: str) -> Spot:
        """Return the value of a key, None where the key is not there."""
        return Spot(self.report, (*self.path, key), self.content.get(key))

    def wrong(self, key: str, wrong: str, fix: str) -> None:
        """Note a mistake at a key."""
        self.bad.add(key)
        self.report.add((*self.path, key), wrong, fix)

    def get(self, key: str, reader: Reader[T], needed: str | None = None) -> T | None:
        """Read the value of a key; None where it is not there, or where there was a mistake.

        `needed` says what to add where the key must not be missing.
        """
        if key not in self.content:
            if needed is not None:
                self.bad.add(key)
                self.report.add(self.path, f"`{key}` is missing", f"add {needed}")
            return None
        try:
            return reader(self.spot(key))
        except NotedError:
            self.bad.add(key)
            return None

    def good(self, key: str) -> bool:
        """Return whether the key is there and nothing was wrong with it."""
        return key in self.content and key not in self.bad

    def only(self, known: Collection[str]) -> None:
        """Note every key that is not one of the known."""
        for key in self.content:
            if key not in known:
                self.wrong(key, f"there is no key `{shown(key)}` here", nearest(key, known))


def meant(word: str, words: Collection[str]) -> str | None:
    """Return which of the words may have been meant, if any is near, for a sentence."""
    close = difflib.get_close_matches(word, words, n=1)
    return f"perhaps `{close[0]}` was meant" if close else None


def nearest(word: str, words: Collection[str]) -> str:
    """Return which of the words may have been meant, or which there are, for a sentence."""
    return meant(word, words) or f"write one of {listed(words)}"


def listed(words: Iterable[str]) -> str:
    """Return words as a list for a sentence."""
    return ", ".join(f"`{word}`" for word in words)


def table(spot: Spot) -> Table:
    """Read a table."""
    if isinstance(spot.value, dict):
        return Table(spot.report, spot.path, spot.value)
    raise spot.wrong_type("write a table, { … } or with a header in brackets")


def tables(spot: Spot) -> list[Table]:
    """Read an array of tables."""
    header = ".".join(step for step in spot.path if isinstance(step, str))
    if not isinstance(spot.value, list):
        raise spot.wrong_type(f"begin each one with [[{header}]]")
    return each_of(spot, spot.value, table)


def some_tables(spot: Spot) -> list[Table]:
    """Read an array of one or more tables."""
    found = tables(spot)
    if not found:
        header = ".".join(step for step in spot.path if isinstance(step, str))
        raise spot.wrong(f"{spot.name} is an empty list", f"begin at least one with [[{header}]]")
    return found


def list_of(reader: Reader[T], most: int) -> Reader[list[T]]:
    """Return a reader of a list with 1 to `most` items, none of them twice."""

    def read(spot: Spot) -> list[T]:
        if not isinstance(spot.value, list):
            raise spot.wrong_type("write a list, with [ and ]")
        if not 1 <= len(spot.value) <= most:
            raise spot.wrong(f"{spot.name} has {len(spot.value)} items", f"write 1 to {most}")
        found: list[T] = []

        def read_one(item: Spot) -> T:
            value = reader(item)
            if value in found:
                raise item.wrong("this is in the list twice", "leave one of the two out")
            found.append(value)
            return value

        return each_of(spot, spot.value, read_one)

    return read


def each_of(spot: Spot, items: list[object], reader: Reader[T]) -> list[T]:
    """Read every item of a list, even after a mistake in one. Raises NotedError at the end."""
    found = []
    for position, item in enumerate(items):
        with contextlib.suppress(NotedError):
            found.append(reader(Spot(spot.report, (*spot.path, position), item)))
    if len(found) < len(items):
        raise NotedError
    return found


def flag(spot: Spot) -> bool:
    """Read true or false."""
    if isinstance(spot.value, bool):
        return spot.value
    raise spot.wrong_type("write true or false, without quotes")


def integer(least: int, most: int) -> Reader[int]:
    """Return a reader of a whole number."""

    def read(spot: Spot) -> int:
        if isinstance(spot.value, bool) or not isinstance(spot.value, int):
            raise spot.wrong_type("write a whole number, without quotes")
        if not least <= spot.value <= most:
            raise spot.wrong(
                f"{spot.name} is {number_shown(spot.value)}",
                f"write {least:,} to {most:,}" if least < most else f"write {least}",
            )
        return spot.value

    return read


def word(words: Mapping[str, T]) -> Reader[T]:
    """Return a reader of one of several words."""

    def read(spot: Spot) -> T:
        if not isinstance(spot.value, str):
            raise spot.wrong_type(f"write one of {listed(words)}, in quotes")
        if spot.value not in words:
            raise spot.wrong(
                f"{spot.name} has no word `{shown(spot.value)}`", nearest(spot.value, words)
            )
        return words[spot.value]

    return read


def text(longest: int) -> Reader[str]:
    """Return a reader of a text for a screen, of 1 to `longest` bytes of UTF-8."""

    def read(spot: Spot) -> str:
        if not isinstance(spot.value, str):
            raise spot.wrong_type("write text, in quotes")
        return screen_text(spot, spot.value, longest)

    return read


def paragraph(longest: int) -> Reader[str]:
    """Return a reader of a text that may run over several lines, which count as one space."""

    def read(spot: Spot) -> str:
        if not isinstance(spot.value, str):
            raise spot.wrong_type("write text, in quotes")
        return screen_text(spot, " ".join(spot.value.split()), longest)

    return read


def screen_text(spot: Spot, value: str, longest: int) -> str:
    """Return the text if a screen can show it, else note why it cannot."""
    if not value.strip():
        raise spot.wrong(f"{spot.name} is blank", "write what a person is to read")
    unshown = next((c for c in value if unicodedata.category(c) in _UNSHOWN), None)
    if unshown is not None:
        raise spot.wrong(
            f"{spot.name} has U+{ord(unshown):04X}, which is never shown on a screen",
            "leave out control and format characters",
        )
    size = len(value.encode())
    if size > longest:
        raise spot.wrong(
            f"{spot.name} is too long for a screen, {size:,} bytes of UTF-8",
            f"shorten it to {longest} at most",
        )
    return value


def key(longest: int) -> Reader[str]:
    """Return a reader of a key (clause 8.2)."""

    def read(spot: Spot) -> str:
        if not isinstance(spot.value, str):
            raise spot.wrong_type("write a key, in quotes")
        return key_text(spot, spot.value, longest)

    return read


def key_text(spot: Spot, value: str, longest: int) -> str:
    """Return the key if it is one, else note why it is none."""
    if not _KEY.match(value):
        raise spot.wrong(
            f"`{shown(value)}` is not a key",
            "begin with a to z and go on with a to z, 0 to 9 and hyphens",
        )
    if len(value) > longest:
        raise spot.wrong(
            f"the key `{shown(value)}` has {len(value)} characters", f"use {longest} at most"
        )
    return value


def size(spot: Spot) -> int:
    """Read a size or offset in bytes: 4096, "4 KiB" or "2 MiB"."""
    if isinstance(spot.value, str):
        match = _SIZE.match(spot.value)
        if match is None:
            raise spot.wrong(
                f"{spot.name} is `{shown(spot.value)}`", 'write bytes, or a size as in "4 KiB"'
            )
        count = int(match[1]) * SIZES[match[2]]
    elif isinstance(spot.value, int) and not isinstance(spot.value, bool):
        count = spot.value
    else:
        raise spot.wrong_type('write bytes, or a size as in "4 KiB"')
    if not 0 <= count <= MAX_SIZE:
        wrong = f"{spot.name} is {number_shown(count)} bytes"
        raise spot.wrong(wrong, f"write 0 to {MAX_SIZE:,}")
    return count


def duration(unit: str) -> Reader[int]:
    """Return a reader of a length of time in a unit: a number in that unit, or as in "90 s"."""

    def read(spot: Spot) -> int:
        right = f'write a whole number of {unit}, or a time as in "90 s" or "5 min"'
        if isinstance(spot.value, int) and not isinstance(spot.value, bool):
            count = spot.value
        elif isinstance(spot.value, str):
            match = _TIME.match(spot.value)
            if match is None:
                raise spot.wrong(f"{spot.name} is `{shown(spot.value)}`", right)
            count, rest = divmod(int(match[1]) * TIMES[match[2]], TIMES[unit])
            if rest:
                raise spot.wrong(
                    f"{spot.name} is `{spot.value}`, not a whole number of {unit}",
                    f"the field counts in {unit}: choose a whole number of them, or the unit `ms`",
                )
        else:
            raise spot.wrong_type(right)
        return _within(spot, count, 0)

    return read


def decimal(digits: int) -> Reader[int]:
    """Return a reader of a number with up to `digits` decimal digits, scaled by 10**digits."""

    def read(spot: Spot) -> int:
        value = spot.value
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
            raise spot.wrong_type("write a number, without quotes")
        number = Decimal(value)
        if not number.is_finite():
            raise spot.wrong(f"{spot.name} is not a finite number", "write a number as in 1.5")
        if not number:
            return 0
        # Beyond 10 places either way the answer is clear, and exact arithmetic could take for ever.
        if number.adjusted() > 10:
            raise spot.wrong(
                f"{spot.name} is {number_shown(number)}", f"write {_scaled_range(digits)}"
            )
        scaled = Fraction(number) * 10**digits if number.adjusted() > -10 else Fraction(1, 2)
        if scaled.denominator != 1:
            raise spot.wrong(
                f"{spot.name} is {number_shown(number)}, with more decimal digits than the field's"
                f" {digits}",
                f"round it to {digits}, or raise `digits`",
            )
        if not LEAST_INTEGER <= scaled <= GREATEST_INTEGER:
            raise spot.wrong(
                f"{spot.name} is {number_shown(number)}", f"write {_scaled_range(digits)}"
            )
        return int(scaled)

    return read


def pin_numbers(text: str) -> list[int] | None:
    """Return the pins that a text such as "0-5, 8" lists; None if it is not a list of pins."""
    numbers: list[int] = []
    for part in text.split(","):
        match = _PIN_RANGE.match(part)
        first = int(match[1]) if match else 1
        last = int(match[2] or match[1]) if match else 0
        if not first <= last <= MAX_PIN:
            return None
        numbers += range(first, last + 1)
    return numbers


def _scaled_range(digits: int) -> str:
    scale = Decimal(10) ** digits
    return f"{LEAST_INTEGER / scale:,} to {GREATEST_INTEGER / scale:,} with {digits} digits"


def _within(spot: Spot, value: int, least: int) -> int:
    if not least <= value <= GREATEST_INTEGER:
        raise spot.wrong(
            f"{spot.name} is {number_shown(value)}", f"write {least:,} to {GREATEST_INTEGER:,}"
        )
    return value


def shown(text: str) -> str:
    """Return a text from the file as a sentence can hold it: bounded, and printable."""
    bounded = text if len(text) <= 40 else text[:39] + "…"
    return "".join(c if c.isprintable() else "?" for c in bounded)


def number_shown(number: int | Decimal) -> str:
    """Return a number from the file as a sentence can hold it."""
    if -(10**15) < number < 10**15:
        return shown(f"{number:,}")
    return "a number of more than 15 digits"
