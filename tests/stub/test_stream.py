# SPDX-License-Identifier: MIT
"""The header for C++ stream classes: compiled as an author's build does, and spoken with."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.wizard.result import ExitCode
from tests.c_board.abi import STUB
from tests.c_board.board import WARNINGS, compile_c, sources_of
from tests.test_cli import ANSWERS, provision
from tests.waiting import LONG, next_line

HERE = Path(__file__).parent
INCLUDES = [f"-I{STUB / folder}" for folder in ("include", "src", "example", "ports")]

pytestmark = pytest.mark.needs("cc", "g++")


def build(folder: Path, stream: str, standard: str = "c++11") -> Path:
    """Compile the demo's firmware with a class of stream_board.cpp; return the program."""
    sources = [
        *sources_of(),
        STUB / "example" / "orchard_frost_alarm.c",
        STUB / "ports" / "practice_network.c",
        *sorted((STUB / "ports" / "pty").glob("*.c")),
    ]
    how = ["-O1", *INCLUDES, f"-I{STUB / 'ports' / 'pty'}", "-c"]
    objects = [compile_c(folder / f"{source.stem}.o", [source], *how) for source in sources]
    program = folder / "board"
    command = ["g++", f"-std={standard}", "-O2", *WARNINGS[1:], "-fno-exceptions", "-fno-rtti"]
    command += [f"-DSTREAM={stream}", *INCLUDES, str(HERE / "stream_board.cpp")]
    subprocess.run([*command, *map(str, objects), "-o", str(program)], check=True, timeout=LONG)
    return program


@contextmanager
def running(program: Path, folder: Path) -> Iterator[str]:
    """Run a board; yield its port."""
    port = folder / "port"
    process = subprocess.Popen(
        [str(program), "--flash", str(folder / "flash"), "--link", str(port)],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert next_line(process)
        yield str(port)
    finally:
        process.kill()
        process.wait(timeout=20)
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.parametrize("stream", ["Reluctant", "ByteWise"])
def test_a_board_on_a_stream_class_is_set_up(stream: str, tmp_path: Path) -> None:
    """Short writes, writes of one byte, promises of bytes that are not there: all is stored."""
    with running(build(tmp_path, stream), tmp_path) as port:
        done = provision("setup", "--port", port, "--answers", ANSWERS)
        assert done.returncode == ExitCode.DONE, done.stderr
        shown = provision("show", "--port", port)
    assert "  Name of the mast: Lower orchard\n" in shown.stdout


def test_a_stream_that_takes_nothing_does_not_stop_the_firmware(tmp_path: Path) -> None:
    """Lines of which nothing is taken are dropped after a while; later ones are answered."""
    with running(build(tmp_path, "Deaf"), tmp_path) as port:
        done = provision("show", "--port", port)
    assert done.returncode == ExitCode.DONE, done.stderr


@pytest.mark.parametrize("standard", ["c++11", "c++20"])
def test_the_header_is_quiet_in_either_standard(standard: str, tmp_path: Path) -> None:
    """Alone in a file of its own, under every warning that the stub is held to."""
    source = tmp_path / "alone.cpp"
    source.write_text('#include "pv_stream.hpp"\n', encoding="utf-8")
    command = ["g++", f"-std={standard}", *WARNINGS[1:], f"-I{STUB / 'include'}"]
    subprocess.run(
        [*command, "-c", str(source), "-o", str(tmp_path / "alone.o")], check=True, timeout=LONG
    )
