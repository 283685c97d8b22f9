# SPDX-License-Identifier: MIT
"""What three static analyzers say about the stub, the ports and the example: nothing.

None of their findings is suppressed: a line that one of them misread is written otherwise.
"""

from __future__ import annotations

import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from itertools import repeat
from pathlib import Path

import pytest

from tests.waiting import LONG

STUB = Path(__file__).parents[2] / "firmware_stub"
INCLUDE = ("include", "src", "ports", "ports/pty", "example")
CPPCHECK = [
    "cppcheck",
    "--quiet",
    "--std=c99",
    "--enable=warning,style,performance,portability",
    "--error-exitcode=1",
]
# -O0: an optimiser drops what cannot be without a fault, and the fault with it. What warnings find
# at -O2 is found by `make check`.
GCC = ["gcc", "-std=c99", "-Wall", "-Wextra", "-fanalyzer", "-O0", "-o", "/dev/null", "-c"]
# Of the states of a function clang looks at 225,000 at most by itself, in five times the time.
CLANG = ["clang", "--analyze", "-std=c99", "-o", "/dev/null"]
CLANG += ["-Xclang", "-analyzer-config", "-Xclang", "max-nodes=30000"]


def sources(*folders: str) -> list[Path]:
    """Return the C files of some folders of the stub."""
    found = [path for folder in folders for path in sorted((STUB / folder).glob("*.c"))]
    assert found
    return found


def said(command: list[str], stub: Path) -> str:
    """Return what an analyzer says, and that it failed if it did."""
    ran = subprocess.run(
        [*command, *(f"-I{stub / folder}" for folder in INCLUDE)],
        capture_output=True,
        text=True,
        check=False,
        timeout=LONG,
    )
    return ran.stdout + ran.stderr + (f"exit status {ran.returncode}" if ran.returncode else "")


@pytest.mark.parametrize(
    ("analyzer", "folders"),
    [
        pytest.param(
            GCC, ["src", "example", "ports", "ports/pty"], marks=pytest.mark.needs("gcc"), id="gcc"
        ),
        pytest.param(CLANG, ["src"], marks=pytest.mark.needs("clang"), id="clang"),
    ],
)
def test_every_path_is_sound(analyzer: list[str], folders: list[str]) -> None:
    """Of the paths that gcc and clang follow through the code none ends in a fault."""
    commands = ([*analyzer, str(file)] for file in sources(*folders))
    with ThreadPoolExecutor() as pool:  # each waits for a program of its own
        assert "".join(pool.map(said, commands, repeat(STUB))) == ""


@pytest.mark.needs("cppcheck")
def test_cppcheck_finds_nothing() -> None:
    """No error, and nothing of what it calls warning, style, performance and portability."""
    files = sources("src", "example", "ports", "ports/pty", "ports/file", "ports/mps2")
    assert said([*CPPCHECK, *map(str, files)], STUB) == ""


def planted(folder: Path, text: str, instead: str) -> list[Path]:
    """Copy the stub into the folder with a text of pv_cbor.c replaced; return stub and source."""
    stub = folder / "stub"
    for part in ("src", "include"):
        shutil.copytree(STUB / part, stub / part)
    path = stub / "src" / "pv_cbor.c"
    source = path.read_text()
    assert source.count(text) == 1
    path.write_text(source.replace(text, instead))
    return [stub, path]


FAIL = "static bool fail(pv_reader *from)\n{\n"
SIZE = "    bytes[0] = (uint8_t)(major << 5 | info);\n"


@pytest.mark.needs("cppcheck")
def test_cppcheck_finds_a_write_over_the_end(tmp_path: Path) -> None:
    """Cppcheck would say that an array ends before what is written."""
    stub, path = planted(tmp_path, SIZE, f"{SIZE}    bytes[5] = 0;\n")
    assert "arrayIndexOutOfBounds" in said([*CPPCHECK, str(path)], stub)


@pytest.mark.needs("gcc")
def test_gcc_finds_a_path_that_is_not_sound(tmp_path: Path) -> None:
    """Gcc would say that a pointer is followed before it is set."""
    instead = f"{FAIL}    pv_reader *other;\n    from->later = other->argument;\n"
    stub, path = planted(tmp_path, FAIL, instead)
    assert "-Wanalyzer-use-of-uninitialized-value" in said([*GCC, str(path)], stub)


@pytest.mark.needs("clang")
def test_clang_finds_a_path_that_is_not_sound(tmp_path: Path) -> None:
    """Clang would say that a pointer is followed where it is none."""
    instead = f"{SIZE}    *(argument > 24 ? NULL : bytes) = 1;\n"
    stub, path = planted(tmp_path, SIZE, instead)
    assert "core.NullDereference" in said([*CLANG, str(path)], stub)
