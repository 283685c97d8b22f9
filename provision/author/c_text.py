# SPDX-License-Identifier: MIT
"""Pieces of C source: comments and literals that stay what they are, whatever a text holds."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator, Sequence

WIDTH = 100
_LONGEST_PIECE = 60  # of a string literal, in characters of source
_BYTES_ON_ONE_LINE = 8


def comment(text: str, indent: int = 0) -> Iterator[str]:
    """Yield the lines of a comment that says the text.

    What would end or begin a comment, or make a trigraph (C99 5.2.1.1: one could hide the end of a
    line), is parted by a space; what is not printable, bidirectional controls among it, becomes ?.
    """
    text = "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))
    text = re.sub(r"\*(?=/)|/(?=\*)|\?(?=\?)", r"\g<0> ", text)
    space = " " * indent
    lines = textwrap.wrap(text, WIDTH - indent - len(" *  */"), break_on_hyphens=False)
    for number, line in enumerate(lines):
        opening = "/*" if number == 0 else " *"
        closing = " */" if number == len(lines) - 1 else ""
        yield f"{space}{opening} {line}{closing}"


def string(content: bytes, indent: int = 0) -> str:
    """Return the string literal of some bytes; a long one in pieces, each on a line of its own.

    Bytes beyond printable ASCII are in octal, whose three digits end by themselves (C99 6.4.4.4).
    """
    pieces = [""]
    for byte in content:
        character = _character(byte)
        if len(pieces[-1]) + len(character) > _LONGEST_PIECE:
            pieces.append("")
        if character == "?" and pieces[-1].endswith("?"):
            character = "\\?"  # two question marks in a row could begin a trigraph
        pieces[-1] += character
    return f"\n{' ' * indent}".join(f'"{piece}"' for piece in pieces)


def _character(byte: int) -> str:
    if byte in b'"\\':
        return "\\" + chr(byte)
    return chr(byte) if 0x20 <= byte <= 0x7E else f"\\{byte:03o}"


def byte_lines(content: bytes, indent: int) -> Iterator[str]:
    """Yield lines of an array's bytes."""
    count = (WIDTH - indent) // len("0x00, ")
    for start in range(0, len(content), count):
        line = ", ".join(f"0x{byte:02x}" for byte in content[start : start + count])
        yield f"{' ' * indent}{line},"


def byte_list(content: bytes, indent: int = 0) -> str:
    """Return a brace-enclosed list of bytes, on several lines where one is too short.

    C99 has no empty list, so that of no bytes has a zero.
    """
    if len(content) <= _BYTES_ON_ONE_LINE:
        return "{" + (", ".join(f"0x{byte:02x}" for byte in content) or "0") + "}"
    return "\n".join(("{", *byte_lines(content, indent + 4), f"{' ' * indent}}}"))


def array(declaration: str, items: Sequence[str]) -> Iterator[str]:
    """Yield a declaration with its initializer, on one line where it fits."""
    line = f"{declaration} = {{{', '.join(items)}}};"
    if len(line) <= WIDTH:
        yield line
        return
    yield f"{declaration} = {{"
    yield from textwrap.wrap(
        ", ".join(items) + ",",
        WIDTH,
        initial_indent="    ",
        subsequent_indent="    ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    yield "};"


def number(value: int) -> str:
    """Return a number that an int32_t holds; the least has no literal of its own in C."""
    return {-(2**31): "INT32_MIN", 2**31 - 1: "INT32_MAX"}.get(value, str(value))


def indented(lines: Iterable[str], by: int) -> Iterator[str]:
    """Yield lines moved to the right; empty ones stay empty."""
    for line in lines:
        yield f"{' ' * by}{line}" if line else ""
