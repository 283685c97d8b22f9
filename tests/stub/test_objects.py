# SPDX-License-Identifier: MIT
"""What the compiled stub is made of: no state of its own, no memory but the caller's, no recursion.

Read off the objects by nm (binutils) and off the call graph that gcc writes, of this machine's
compiler and of the one for the emulated board.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from scripts import call_graph
from tests.c_board.abi import STUB
from tests.c_board.board import compile_c, includes, sources_of
from tests.waiting import LONG, PATIENCE

pytestmark = pytest.mark.needs("gcc", "nm")

# Not position-independent, as in firmware: otherwise const tables of pointers count as written.
COMPILERS = {
    "gcc": ["-fno-pie"],
    # The compiler comes without a C library: <string.h> is that of the emulated board's port.
    "arm-none-eabi-gcc": [
        *("-mcpu=cortex-m0plus", "-mthumb", "-isystem", str(STUB / "ports" / "mps2" / "include")),
    ],
}
compilers = pytest.mark.parametrize(
    "compiler", [pytest.param(name, marks=pytest.mark.needs(name)) for name in COMPILERS]
)
levels = pytest.mark.parametrize("level", ["-O0", "-Os", "-O2"])

# What the stub takes from the C library (C99 7.21): nothing of it allocates or keeps a state.
FROM_THE_LIBRARY = {"memcmp", "memcpy", "memmove", "memset", "strchr", "strlen"}
# Divisions and branch tables, of which the smallest cores have none: "The GCC low-level runtime
# library" (GCC internals), and 4.2 and 4.3.1 of Arm's run-time ABI (IHI 0043).
RUNTIME = re.compile(r"__aeabi_u?idiv(mod)?|__gnu_thumb1_case_\w+")
# Sections of symbols that can be written: initialized, zeroed, common (nm(1)).
WRITABLE = set("bBdDcCsSgG")

# The pointers of call_graph.py, as expressions of their type.
POINTERS = {
    r"to->take\(": "((pv_sink *)0)->take",
    r"from->fetch\(": "((pv_reader *)0)->fetch",
    r"\bput\(p\)": "(pv_body *)0",
    r"\bput_entry\(p": "(pv_entry *)0",
    r"->check\(": "((pv_value_kind *)0)->check",
    r"layout->put\(": "((pv_layout *)0)->put",
    r"layout->take\(": "((pv_layout *)0)->take",
    r"layout->adapt\(": "((pv_layout *)0)->adapt",
    r"\bis\(": "(bool (*)(uint32_t))0",
    r"->act\(": "((pv_request *)0)->act",
    r"store->start\(": "((pv_store_kind *)0)->start",
    r"store->commit\(": "((pv_store_kind *)0)->commit",
    r"store->erase\(": "((pv_store_kind *)0)->erase",
    r"store->read\(": "((pv_store_kind *)0)->read",
    r"kept->stage\(": "((pv_keeping *)0)->stage",
    r"kept->settle\(": "((pv_keeping *)0)->settle",
    r"kept->yield\(": "((pv_keeping *)0)->yield",
    r"kept->drop\(": "((pv_keeping *)0)->drop",
    r"elsewhere->begin\(": "((pv_assembly *)0)->begin",
    r"elsewhere->resume\(": "((pv_assembly *)0)->resume",
    r"elsewhere->append\(": "((pv_assembly *)0)->append",
    r"elsewhere->equals\(": "((pv_assembly *)0)->equals",
    r"trial->count_start\(": "((pv_trial *)0)->count_start",
    r"trial->watch\(": "((pv_trial *)0)->watch",
    r"schema->in_use\(": "((pv_schema *)0)->in_use",
    r"schema->holds\(": "((pv_schema *)0)->holds",
    r"schema->conflict\(": "((pv_schema *)0)->conflict",
    r"config->parts\(": "((pv_config *)0)->parts",
}
# What pv.h offers beside pv_start, pv_feed and pv_poll, of which callbacks are called.
FROM_CALLBACKS = {
    "pv_report", "pv_report_field", "pv_report_address", "pv_store_state", "pv_has",
}  # fmt: skip

SEND_RAW = "    p->chunk[p->chunk_fill++] = character;\n"
SET_FIELD = "static uint8_t set_field(pv *p)\n{\n"


def compile_stub(
    folder: Path, stub: Path = STUB, level: str = "-Os", compiler: str = "gcc"
) -> list[Path]:
    """Compile each source to an object with its call graph beside it."""
    # -w: planted faults are odd
    how = ["-w", level, *COMPILERS[compiler], "-fcallgraph-info=su", "-c", *includes(stub=stub)]
    return [
        compile_c(folder / f"{source.stem}.o", [source], *how, compiler=compiler, folder=folder)
        for source in sources_of(stub)
    ]


def symbols(objects: list[Path]) -> list[tuple[str, str]]:
    """Return every symbol's letter and name, as nm has them."""
    listed = subprocess.run(
        ["nm", "--portability", *map(str, objects)],
        check=True,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
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


def wanted(found: list[tuple[str, str]]) -> set[str]:
    """Return the names that the objects take from elsewhere, the compiler's own left out."""
    own = {name for letter, name in found if letter in "TtRr"}
    names = {name for letter, name in found if letter in "UwWvV"} - own
    return {name for name in names if RUNTIME.fullmatch(name) is None}


@compilers
@levels
def test_it_has_no_state_and_needs_six_functions(tmp_path: Path, compiler: str, level: str) -> None:
    """Nothing of it can be written, so two boards in one program, or a reset of one, share nothing.

    It calls itself and six functions of the library: it allocates, prints and awaits nothing.
    """
    found = symbols(compile_stub(tmp_path, level=level, compiler=compiler))
    assert len(found) > 100
    assert [name for letter, name in found if letter in WRITABLE] == []
    assert wanted(found) <= FROM_THE_LIBRARY


@pytest.mark.parametrize("state", ["static int sent;", "static int sent = 1;", "int sent;"])
def test_a_counter_is_noticed(tmp_path: Path, state: str) -> None:
    """The check above can fail: zeroed, initialized, or seen by all."""
    planted = with_planted(
        tmp_path,
        "src/pv_line.c",
        "static void send_raw(",
        f"{state}\nint pv_lines(void) {{ return sent++; }}\nstatic void send_raw(",
    )
    found = symbols(compile_stub(tmp_path, planted))
    assert [name for letter, name in found if letter in WRITABLE] == ["sent"]


def test_an_allocation_is_noticed(tmp_path: Path) -> None:
    """The check above can fail."""
    planted = with_planted(
        tmp_path,
        "src/pv_requests.c",
        SET_FIELD,
        f"void *malloc(size_t size);\n{SET_FIELD}    if (p->id == 7) return malloc(7) != NULL;\n",
    )
    assert wanted(symbols(compile_stub(tmp_path, planted))) - FROM_THE_LIBRARY == {"malloc"}


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
        "    p->out.take = send_bytes;",
        "    p->out.take = pv_send_again;",
    )
    text = (planted / "src/pv_line.c").read_text(encoding="utf-8")
    again = (
        "static void pv_send_again(pv_sink *self, const uint8_t *bytes, size_t size)\n"
        "{\n    pv_put_bytes(self, bytes, size);\n}\n\npv_sink *pv_line_begin("
    )
    (planted / "src/pv_line.c").write_text(text.replace("pv_sink *pv_line_begin(", again))
    compile_stub(tmp_path, planted, "-O0")
    cycle = graph_of(tmp_path, planted).cycle()
    assert cycle is not None
    assert "pv_send_again" in cycle


@pytest.mark.parametrize(
    ("file", "before", "planted"),
    [
        ("src/pv_line.c", SEND_RAW, "    if (character == 0) { send_raw(p, 1); }\n"),
        ("src/pv_requests.c", SET_FIELD, "    if (p->id == 7) { pv_poll(p); }\n"),
    ],
    ids=["itself", "over other functions"],
)
def test_a_recursion_is_noticed(tmp_path: Path, file: str, before: str, planted: str) -> None:
    """The check above can fail."""
    copy = with_planted(tmp_path, file, before, before + planted)
    compile_stub(tmp_path, copy, "-O0")
    assert graph_of(tmp_path, copy).cycle() is not None


def test_an_array_of_variable_length_is_noticed(tmp_path: Path) -> None:
    """The check above can fail: what takes as much stack as a request says."""
    more = "    volatile char copy[p->id + 1];\n    copy[0] = 1;\n"
    copy = with_planted(tmp_path, "src/pv_requests.c", SET_FIELD, SET_FIELD + more)
    compile_stub(tmp_path, copy, "-O0")
    assert graph_of(tmp_path, copy).unbounded == {"set_field"}


def test_pointers_go_where_the_graph_says(tmp_path: Path) -> None:
    """The compiler knows no function that fits a pointer, and is used as one, beyond the graph's.

    The graph reads from the sources where a call through a pointer goes, by how they are written.
    Here gcc is asked, of every function that is named without being called, which of the pointers
    it is compatible with (C99 6.7.5.3, 15).
    """
    compile_stub(tmp_path)
    sources = sorted((STUB / "src").glob("*.c"))
    defined = {
        source.name: re.findall(
            r'^node: \{ title: "(?:[^"]*:)?(\w+)" label: "[^"]*bytes',
            (tmp_path / f"{source.stem}.ci").read_text(encoding="utf-8"),
            re.MULTILINE,
        )
        for source in sources
    }
    whole = "\n".join(source.read_text(encoding="utf-8") for source in sources)
    fits = {pair for source in sources for pair in compatible(source, defined[source.name])}
    assert len(fits) > 20
    assert set(POINTERS) == set(call_graph._TARGETS)
    fitting = {
        member: {name for name, fitted in fits if fitted == pointer}
        for member, pointer in POINTERS.items()
    }
    for names in fitting.values():  # pointers of one type have the same
        alike = (call_graph._TARGETS[member] for member in fitting if fitting[member] == names)
        said = {name for setting in alike for name in re.findall(setting, whole, re.MULTILINE)}
        assert names <= said


def compatible(source: Path, defined: list[str]) -> set[tuple[str, str]]:
    """Return functions of a source and pointers that fit: gcc is to assert that none does."""
    text = source.read_text(encoding="utf-8")
    code = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    pointers = [*POINTERS.values()]
    asserted = [
        f"_Static_assert(!__builtin_types_compatible_p(__typeof__(&{name}), "
        f'__typeof__({pointer})), "{name} fits {pointer}");\n'
        for name in defined
        if re.search(rf"\b{name}\b(?!\s*\()", code)
        for pointer in pointers
    ]
    command = ["gcc", "-std=gnu11", "-fsyntax-only", "-fmax-errors=0", "-x", "c", "-"]
    command += [f"-I{STUB / 'include'}", f"-I{STUB / 'src'}"]
    ran = subprocess.run(
        command,
        input=text + "".join(asserted),
        check=False,
        capture_output=True,
        text=True,
        timeout=LONG,
    )
    fits = re.findall(r'failed: "(\w+) fits (.+)"$', ran.stderr, re.MULTILINE)
    assert len(fits) == ran.stderr.count(" error: "), ran.stderr
    return set(fits)


def test_what_a_callback_may_call_comes_back_to_none(tmp_path: Path) -> None:
    """A firmware may report from its callbacks, and ask the state: that calls no callback again."""
    compile_stub(tmp_path, level="-O0")
    graph = graph_of(tmp_path)
    reached = set(FROM_CALLBACKS)
    while more := set().union(*(graph.calls.get(name, set()) for name in reached)) - reached:
        reached |= more
    assert reached & graph.callbacks == set()
    assert graph.callbacks >= {"pv_came_into_force", "pv_flash_read"}
