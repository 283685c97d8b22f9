# SPDX-License-Identifier: MIT
"""Where in a TOML text everything stands.

tomllib tells what a text says and not where it says it. This walks the same text a second time, and
notes for every table, key and list item its line and column, both counting from 1.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass

Path = tuple[str | int, ...]
"""Keys and list positions on the way from the top: ("section", 0, "field", 2, "default")."""


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """A line and a column in characters, both counting from 1."""

    line: int
    column: int


_BLANK = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_KEY = re.compile(r"""[ \t]*(?:([A-Za-z0-9_-]+)|("(?:\\.|[^"\\])*")|'([^']*)')[ \t]*""")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:\\.|[^"\\])*"' r"|'[^']*'", re.DOTALL
)
_SCALAR = re.compile(r"[^,\]}#\n]*")  # numbers, dates (which may hold a space), true and false


class Places:
    """The places of one text, which tomllib must have accepted: what is no TOML has none."""

    def __init__(self, text: str) -> None:
        self._text = text.replace("\r\n", "\n")
        self._at = 0
        self._line_starts = [0, *(m.end() for m in re.finditer(r"\n", self._text))]
        self._found: dict[Path, Position] = {(): Position(1, 1)}
        self._counts: dict[Path, int] = {}  # of the tables in each array of tables
        self._read()

    def of(self, path: Path) -> Position:
        """Return where the path stands, or the nearest thing around it that stands anywhere."""
        while path not in self._found:
            path = path[:-1]
        return self._found[path]

    def _read(self) -> None:
        table: Path = ()
        while self._skip_blank():
            if self._peek("["):
                table = self._header()
            else:
                self._key_and_value(table)

    def _header(self) -> Path:
        start = self._at
        brackets = 2 if self._peek("[[") else 1
        self._at += brackets
        *around, last = self._keys()
        self._at += brackets
        path: Path = ()
        for key in around:
            path = (*path, key)
            self._note(path, start)  # a table that has no header of its own
            path = self._newest(path)
        path = (*path, last)
        self._note(path, start)
        if brackets == 2:
            self._counts[path] = self._counts.get(path, 0) + 1
        path = self._newest(path)
        self._note(path, start)
        return path

    def _newest(self, path: Path) -> Path:
        """Return the path with the number of the newest table, if it is an array of tables."""
        count = self._counts.get(path)
        return path if count is None else (*path, count - 1)

    def _key_and_value(self, table: Path) -> None:
        self._skip_blank()
        start = self._at
        path = table
        for key in self._keys():
            path = (*path, key)
            self._note(path, start)
        self._at += len("=")
        self._value(path)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            match = self._take(_KEY)
            bare, basic, literal = match.groups()
            # A quoted key with escapes is no key of a schema file; as it stands, it will do.
            keys.append(bare or literal or (basic or "")[1:-1])
            if not self._peek("."):
                return keys
            self._at += 1

    def _value(self, path: Path) -> None:
        self._skip_blank()
        if self._peek("["):
            self._at += 1
            position = 0
            while self._skip_blank() and not self._peek("]"):
                self._note((*path, position), self._at)
                self._value((*path, position))
                position += 1
                self._skip_comma()
            self._at += 1
        elif self._peek("{"):
            self._at += 1
            while self._skip_blank() and not self._peek("}"):
                self._key_and_value(path)
                self._skip_comma()
            self._at += 1
        elif self._peek('"') or self._peek("'"):
            self._take(_STRING)
        else:
            self._take(_SCALAR)

    def _skip_comma(self) -> None:
        self._skip_blank()
        if self._peek(","):
            self._at += 1

    def _skip_blank(self) -> bool:
        """Skip white space and comments; return whether anything follows."""
        self._take(_BLANK)
        return self._at < len(self._text)

    def _peek(self, what: str) -> bool:
        return self._text.startswith(what, self._at)

    def _take(self, pattern: re.Pattern[str]) -> re.Match[str]:
        match = pattern.match(self._text, self._at)
        assert match is not None, "tomllib accepted this text"
        self._at = match.end()
        return match

    def _note(self, path: Path, at: int) -> None:
        # A key seen twice (a.b = 1 and a.c = 2) keeps its first place.
        if path not in self._found:
            line = bisect_right(self._line_starts, at)
            self._found[path] = Position(line, at - self._line_starts[line - 1] + 1)
