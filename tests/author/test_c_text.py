# SPDX-License-Identifier: MIT
"""Pieces of C source, as a compiler reads them."""

from __future__ import annotations

import random
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.author import c_text
from tests.c_board.board import compile_c

HOSTILE = [
    "*/",
    "/*",
    "**/",
    "*/*/",
    "/*/",
    "??/",
    "???/",
    "\\",
    "// \\\n*/",
    "°C \u202e\x00\x1b",
    "*\\",
    "",
]
"""Texts that end or begin comments, hide ends of lines (C99 5.2.1.1) or cannot be shown."""


@given(st.text() | st.lists(st.sampled_from(HOSTILE)).map("".join), st.integers(0, 12))
def test_a_comment_stays_one_comment(text: str, indent: int) -> None:
    """Whatever the text, a comment begins once and ends once, in printable lines, none long."""
    lines = list(c_text.comment(text, indent))
    if not text.split():
        assert lines == []
        return
    whole = "\n".join(lines).strip()
    assert whole.startswith("/* ")
    assert whole.endswith(" */")
    inside = whole[2:-2]
    assert "/*" not in inside
    assert "*/" not in inside
    assert "??" not in inside
    assert all(line.isprintable() and len(line) <= c_text.WIDTH for line in lines)


def test_a_comment_says_the_text() -> None:
    """A text without anything dangerous is there as it is, over as many lines as it takes."""
    words = " ".join(["Größe in °C, und-so-weiter"] * 20)
    lines = list(c_text.comment(words, 4))
    assert " ".join(line.strip().strip("/* ") for line in lines) == words
    assert len(lines) > 4


@pytest.mark.needs("cc")
def test_strings_are_the_same_bytes_in_c(tmp_path: Path) -> None:
    """A compiler, trigraphs switched on, reads a literal as the bytes it was made of."""
    repeatable = random.Random(1)
    contents = [text.replace("\x00", "").encode() for text in HOSTILE]
    contents += [bytes(range(1, 256)), b'"' * 100, b"?" * 100, b"1\x0123", "ä9".encode()]
    contents += [bytes(repeatable.choices(b'?/"\\=*1\xff\x01 a', k=200)) for _ in range(50)]
    tests = "\n".join(
        f"    show({c_text.string(content, 8)}, sizeof({c_text.string(content)}) - 1);"
        for content in contents
    )
    program = (
        "#include <stdio.h>\n"
        "static void show(const char *text, unsigned long size)\n{\n"
        "    unsigned long i;\n"
        '    for (i = 0; i < size; i++) printf("%02x", (unsigned)(unsigned char)text[i]);\n'
        '    printf("\\n");\n}\n'
        f"int main(void)\n{{\n{tests}\n    return 0;\n}}\n"
    )
    source = tmp_path / "strings.c"
    source.write_text(program, encoding="utf-8")
    executable = compile_c(tmp_path / "strings", [source])
    shown = subprocess.run([executable], capture_output=True, check=True, timeout=60).stdout
    assert [bytes.fromhex(line) for line in shown.decode().split("\n")[:-1]] == contents


def test_lists_are_on_one_line_where_they_fit() -> None:
    """A short list stays on the line of its declaration; a long one has lines of its own."""
    assert list(c_text.array("int x[]", ["1", "2"])) == ["int x[] = {1, 2};"]
    lines = list(c_text.array("int x[]", ["1234567890"] * 10))
    assert lines[0] == "int x[] = {"
    assert lines[-1] == "};"
    assert all(len(line) <= c_text.WIDTH for line in lines)
    assert c_text.byte_list(b"\x01\xff") == "{0x01, 0xff}"
    assert c_text.byte_list(b"") == "{0}"
    assert c_text.byte_list(bytes(9), 4).splitlines() == [
        "{",
        "        " + "0x00, " * 8 + "0x00,",
        "    }",
    ]


def test_the_least_number_has_a_name() -> None:
    """-2147483648 is in C an expression of a wider type; the limits have names in <stdint.h>."""
    assert c_text.number(-(2**31)) == "INT32_MIN"
    assert c_text.number(2**31 - 1) == "INT32_MAX"
    assert c_text.number(-5) == "-5"
