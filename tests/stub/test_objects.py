# SPDX-License-Identifier: MIT
"""What the compiled stub is made of: no state of its own, no memory but the caller's, no recursion.

Read off the objects by nm (binutils) and off the call graph that gcc writes.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from scripts import call_graph

STUB = Path(__file__).parents[2] / "firmware_stub"

pytestmark = pytest.mark.needs("gcc", "nm")

# What the stub takes from the C library (C99 7.21): nothing of it allocates or keeps a state.
FROM_THE_LIBRARY = {"memcmp", "memcpy", "memmove", "memset", "strchr", "strlen"}
# Sections of symbols that can be written: initialized, zeroed, common (nm(1)).
WRITABLE = set("bBdDcCsSgG")


def compile_stub(folder: Path, stub: Path = STUB, level: str = "-Os") -> list[Path]:
    """Compile each source to an object with its call graph beside it."""
    for source in sorted((stub / "src").glob("*.c")):
        command = ["gcc", "-std=c99", level, "-fno-pie", "-fcallgraph-info=su", "-c", str(source)]
        command += [f"-I{stub / 'include'}", f"-I{stub / 'src'}", "-o", f"{source.stem}.o"]
        subprocess.run(command, check=True, cwd=folder)
    objects = sorted(folder.glob("*.o"))
    assert len(objects) > 4
    return objects


def symbols(objects: list[Path]) -> list[tuple[str, str]]:
    """Return every symbol's letter and name, as nm has them."""
    listed = subprocess.run(
        ["nm", "--portability", *map(str, objects)], check=True, capture_output=True, text=True
    )
    return [(m[2], m[1]) for m in re.finditer(r"^(\S+) (\w) ?", listed.stdout, re.MULTILINE)]


def graph_of(folder: Path, stub: Path = STUB) -> call_graph.Graph:
    """Return the call graph of what was compiled into a folder."""
    return call_graph.read(folder.glob("*.ci"), (stub / "src").glob("*.c"))


def with_planted(folder: Path, file: str, old: str, new: str) -> Path:
    """Return a copy of the stub with a fault in it."""
    copy = folder / "planted"
    shutil.copytree(STUB, copy, ignore=shutil.ignore_patterns("build"))
    text = (copy / file).read_text(encoding="utf-8")
    assert text.count(old) == 1
    (copy / file).write_text(text.replace(old, new), encoding="utf-8")
    return copy


def test_nothing_at_file_scope_can_be_written(tmp_path: Path) -> None:
    """Two boards in one program, or a reset of one, have nothing in common."""
    found = symbols(compile_stub(tmp_path))
    assert len(found) > 100
    assert [name for letter, name in found if letter in WRITABLE] == []


def test_a_counter_at_file_scope_is_noticed(tmp_path: Path) -> None:
    """The check above can fail."""
    planted = with_planted(
        tmp_path,
        "src/pv_line.c",
        "static void send_raw(",
        "static int sent;\nint pv_lines(void) { return sent++; }\nstatic void send_raw(",
    )
    found = symbols(compile_stub(tmp_path, planted))
    assert [name for letter, name in found if letter in WRITABLE] == ["sent"]


def test_it_calls_its_own_functions_and_six_of_the_library(tmp_path: Path) -> None:
    """So it allocates nothing, prints nothing and waits for nothing."""
    found = symbols(compile_stub(tmp_path))
    own = {name for letter, name in found if letter in "TtRr"}
    wanted = {name for letter, name in found if letter == "U"}
    assert wanted - own <= FROM_THE_LIBRARY


@pytest.mark.parametrize("level", ["-O0", "-Os"])
def test_no_function_comes_back_to_itself(tmp_path: Path, level: str) -> None:
    """Directly or through others, pointers to functions included: the stack has a bound."""
    compile_stub(tmp_path, level=level)
    graph = graph_of(tmp_path)
    assert len(graph.stack) > 50
    assert graph.cycle() is None
    assert graph.unbounded == set()


def test_a_recursion_through_a_pointer_is_noticed(tmp_path: Path) -> None:
    """The check above can fail: what takes bytes writes an item with them."""
    planted = with_planted(
        tmp_path,
        "src/pv_line.c",
        "    counter->sink.take = count;",
        "    pv_put_uint(&counter->sink, 0);\n    counter->sink.take = pv_count_again;",
    )
    text = (planted / "src/pv_line.c").read_text(encoding="utf-8")
    again = (
        "static void pv_count_again(pv_sink *self, const uint8_t *bytes, size_t size)\n"
        "{\n    pv_put_bytes(self, bytes, size);\n}\n\nvoid pv_count_begin("
    )
    (planted / "src/pv_line.c").write_text(text.replace("void pv_count_begin(", again))
    compile_stub(tmp_path, planted, "-O0")
    cycle = graph_of(tmp_path, planted).cycle()
    assert cycle is not None
    assert "pv_count_again" in cycle


@pytest.mark.parametrize("source", sorted(path.name for path in (STUB / "src").glob("*.c")))
def test_the_compilers_analyzer_finds_nothing(tmp_path: Path, source: str) -> None:
    """With -fanalyzer: no path to a null pointer, a leak, a use of what was not set."""
    command = ["gcc", "-std=c99", "-O1", "-fanalyzer", "-Werror", "-c", str(STUB / "src" / source)]
    command += [f"-I{STUB / 'include'}", f"-I{STUB / 'src'}", "-o", str(tmp_path / "object.o")]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.needs("cppcheck")
def test_cppcheck_finds_nothing() -> None:
    """Of its warnings, and of what it says of performance and portability."""
    command = ["cppcheck", "--quiet", "--std=c99", "--enable=warning,performance,portability"]
    command += ["--error-exitcode=1", "--inline-suppr", f"-I{STUB / 'include'}"]
    command += [f"-I{STUB / 'src'}", str(STUB / "src")]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
