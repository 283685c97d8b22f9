# SPDX-License-Identifier: MIT
"""The arrows between the rooms, and which modules stay free of input and output.

Imports are read from the source, wherever they stand in it: an import inside a function or for type
checkers only is a dependency all the same.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

PACKAGE = "provision"
ROOT = Path(__file__).parents[1] / PACKAGE

# Who may know whom. A room that is not in this table has no place in the house yet: give it one.
ARROWS: dict[str, frozenset[str]] = {
    "phrases": frozenset(),
    "catalogue": frozenset({"phrases"}),
    "errors": frozenset({"phrases"}),
    "extras": frozenset({"errors"}),
    "output": frozenset({"catalogue"}),
    "contract": frozenset(),
    "toml": frozenset({"phrases"}),
    "schema": frozenset({"phrases", "errors", "extras", "contract"}),
    "schema_file": frozenset({"errors", "toml", "contract", "schema"}),
    "board": frozenset({"contract", "schema"}),
    "link": frozenset({"phrases", "errors", "contract"}),
    "client": frozenset({"phrases", "errors", "toml", "contract", "schema", "link"}),
    "wizard": frozenset(
        {
            *("catalogue", "phrases", "errors", "toml", "output", "contract", "schema", "link"),
            "client",
        }
    ),
    "author": frozenset(
        {
            *("phrases", "toml", "contract", "schema", "schema_file", "board", "client"),
            *("wizard", "conformance", "output", "extras"),
        }
    ),
    "conformance": frozenset({"contract", "schema", "link", "output"}),
    "testing": frozenset(
        {"contract", "schema", "schema_file", "board", "link", "wizard", "conformance"}
    ),
    # It names the commands' modules, and imports the one that is called for.
    "cli": frozenset({"catalogue", "extras", "output", "wizard"}),
    "__main__": frozenset({"cli"}),
    # provision/__init__.py, which every import of any room runs: it imports what it exports only
    # when that is asked for.
    "": frozenset({"catalogue", "errors", "client", "link", "schema", "schema_file", "testing"}),
}

# Of a room that another one may know, these modules only. The kit reads a board's schema with the
# host's reader; what a board has to do with it the kit takes from the page (expected.py), since an
# error of the host's rules must not become a fault of boards.
ONLY: dict[tuple[str, str], frozenset[str]] = {
    ("conformance", "schema"): frozenset({"schema.model", "schema.codec"}),
}

# These take bytes, time and answers and return bytes, events and questions. "*": the whole room.
SANS_IO: dict[str, tuple[str, ...]] = {
    "contract": ("*",),
    "schema": ("*",),
    "schema_file": ("*",),
    "board": ("engine", "state", "flash", "store"),
    "link": ("session",),
    "wizard": ("flow", "draft", "offers"),
    "conformance": (
        "board_under_test",
        "checks",
        "checks.commit",
        "checks.crafted",
        "checks.envelopes",
        "checks.flow_control",
        "checks.items",
        "checks.framing",
        "checks.networks",
        "checks.parts",
        "checks.reading",
        "checks.sets",
        "checks.staging",
        "checks.states",
        "checks.trials",
        "checks.undo",
        "checks.values",
        "checks.constraints",
        "conversation",
        "damage",
        "ear",
        "expected",
        "expected_values",
        "findings",
        "junit",
        "kit",
        "leaks",
        "sample_values",
        "refusals",
        "shown",
        "watch",
        "wire",
    ),
}

# What reaches a port, a clock, a thread, a process or a terminal.
OUTSIDE = frozenset(
    {
        "_thread",
        "asyncio",
        "concurrent",
        "curses",
        "fcntl",
        "getpass",
        "http",
        "multiprocessing",
        "os",
        "prompt_toolkit",
        "pty",
        "queue",
        "readline",
        "sched",
        "select",
        "selectors",
        "serial",
        "serial_asyncio",
        "signal",
        "socket",
        "socketserver",
        "ssl",
        "subprocess",
        "termios",
        "threading",
        "time",
        "tty",
    }
)


@dataclass(frozen=True, slots=True)
class Import:
    """One import as it stands in a module: the dotted name imported, and the line."""

    name: str
    line: int


@dataclass(frozen=True, slots=True)
class Module:
    """One source file under the package, by its dotted name without the package's own."""

    name: str
    imports: tuple[Import, ...]

    @property
    def room(self) -> str:
        """The room that the module belongs to, "" for the package itself."""
        return self.name.partition(".")[0]


def read_package(root: Path) -> dict[str, Module]:
    """Read every module under `root`, which plays the package `provision`."""
    modules = {}
    for path in sorted(root.rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        is_package = parts[-1] == "__init__"
        name = ".".join(parts[:-1] if is_package else parts)
        home = parts[:-1]
        tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
        modules[name] = Module(name, tuple(read_imports(tree, (PACKAGE, *home))))
    return modules


def read_imports(tree: ast.Module, home: tuple[str, ...]) -> Iterator[Import]:
    """Yield what a module imports; `home` is the package that relative imports start from."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, node.lineno)
        elif isinstance(node, ast.ImportFrom):
            start = home[: len(home) - node.level + 1] if node.level else ()
            base = ".".join((*start, *filter(None, [node.module])))
            # What is imported from a package may be a module of it or a name in it: say both.
            yield Import(base, node.lineno)
            for alias in node.names:
                yield Import(f"{base}.{alias.name}", node.lineno)
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else node.func
            called = called.id if isinstance(called, ast.Name) else called
            if called in ("import_module", "__import__"):
                yield Import(str(node.args[0].value), node.lineno)


def own(name: str) -> str | None:
    """Return a dotted name without the package's own, or None for a name from elsewhere."""
    package, _, rest = name.partition(".")
    return rest if package == PACKAGE else None


def wrong_arrows(modules: dict[str, Module]) -> list[str]:
    """Return one sentence for every import of a room that the importing room may not know."""
    wrong = []
    for module in modules.values():
        if module.room not in ARROWS:
            wrong.append(f"{module.name}: the room {module.room!r} is not in ARROWS")
            continue
        for imported in module.imports:
            target = own(imported.name)
            room = (target or "").partition(".")[0]
            # A name that is no room is one defined in provision/__init__.py.
            if not room or room == module.room or not (room in ARROWS or room in modules):
                continue
            if room not in ARROWS[module.room]:
                wrong.append(f"{module.name}:{imported.line}: {module.room} may not know {room}")
            elif not _is_open(module.room, target or ""):
                wrong.append(f"{module.name}:{imported.line}: {module.room} may not know {target}")
    return list(dict.fromkeys(wrong))


def _is_open(room: str, target: str) -> bool:
    """Whether ONLY leaves this module, or name in a module, open to a room that may know its own.

    The name of the other room alone is that of its package, which has nothing in it.
    """
    admitted = ONLY.get((room, target.partition(".")[0]))
    if admitted is None or "." not in target:
        return True
    return ".".join(target.split(".")[:2]) in admitted


def sans_io_modules(modules: dict[str, Module]) -> list[str]:
    """Return the names of the modules that do no input or output, of the rooms that exist."""
    names = []
    for room, declared in SANS_IO.items():
        if declared == ("*",):
            names += [module.name for module in modules.values() if module.room == room]
        elif any(module.room == room for module in modules.values()):
            names += [f"{room}.{name}" for name in declared]
    return names


def impure_imports(modules: dict[str, Module]) -> list[str]:
    """Return one sentence for every sans-I/O module that reaches the outside or is missing."""
    wrong = []
    for start in sans_io_modules(modules):
        if start not in modules:
            wrong.append(f"{start}: SANS_IO names it, and it does not exist")
            continue
        # Importing a module runs what it imports, and the __init__ of each package it lies in; that
        # of the whole imports nothing before it is asked (tests/client/test_board.py).
        seen, waiting = {""}, [start]
        while waiting:
            name = waiting.pop()
            if name in seen or name not in modules:
                continue
            seen.add(name)
            waiting.append(name.rpartition(".")[0])
            for imported in modules[name].imports:
                if imported.name.partition(".")[0] in OUTSIDE:
                    way = "" if name == start else f" (by way of {name}:{imported.line})"
                    wrong.append(f"{start}: must not reach {imported.name}{way}")
                target = own(imported.name)
                if target is not None:
                    waiting.append(target)
    return list(dict.fromkeys(wrong))


def test_arrows_between_rooms_point_down_only() -> None:
    """No room imports a room that the design does not let it know."""
    assert wrong_arrows(read_package(ROOT)) == []


def test_sans_io_modules_reach_no_port_clock_thread_or_terminal() -> None:
    """The modules that promise it import nothing from outside, directly or by way of others."""
    modules = read_package(ROOT)
    assert sans_io_modules(modules), "nothing was checked"
    assert impure_imports(modules) == []


def test_forbidden_modules_exist() -> None:
    """No name in OUTSIDE is a slip of the pen: each is the standard library's or a dependency's."""
    dependencies = {"prompt_toolkit", "serial", "serial_asyncio"}
    assert sorted(OUTSIDE - sys.stdlib_module_names - dependencies) == []


def plant(root: Path, sources: dict[str, str]) -> dict[str, Module]:
    """Write a small package under `root` and read it."""
    for name, source in {"__init__.py": "", **sources}.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(source, encoding="utf-8")
    return read_package(root)


@pytest.mark.parametrize(
    ("place", "source"),
    [
        ("contract/line.py", "import provision.schema"),
        ("contract/line.py", "from provision import schema"),
        ("contract/line.py", "from provision.schema import check"),
        ("contract/line.py", "from ..schema.check import value"),
        ("contract/line.py", "from .. import schema"),
        ("contract/line.py", "def late():\n    from provision import schema"),
        ("contract/line.py", "import importlib\nimportlib.import_module('provision.schema')"),
        ("contract/line.py", "__import__('provision.schema')"),
        ("link/__init__.py", "from ..schema import check"),
        ("link/port.py", "from provision.schema import check"),
        ("wizard/ask.py", "from provision import board"),
        ("author/page.py", "from provision import link"),
        ("board/server.py", "from provision import link"),
        ("testing.py", "from provision import author"),
        ("schema/check.py", "from provision import cli"),
        ("__init__.py", "from provision import contract"),
        ("conformance/kit.py", "from provision.schema import constraints"),
        ("conformance/kit.py", "import provision.schema.values"),
        ("attic/box.py", ""),
    ],
)
def test_a_wrong_arrow_is_found(tmp_path: Path, place: str, source: str) -> None:
    """Each way of writing an import that points up, and a room nobody declared, is found."""
    rooms = {f"{room}/__init__.py": "" for room in ("contract", "schema", "board", "link")}
    found = wrong_arrows(plant(tmp_path, {**rooms, "cli.py": "", place: source}))
    assert len(found) == 1
    module = place.removesuffix(".py").removesuffix("__init__").rstrip("/").replace("/", ".")
    assert found[0].startswith(f"{module}:")


def test_a_right_arrow_is_left_alone(tmp_path: Path) -> None:
    """Imports that point down, within a room, of names in the package or from elsewhere pass."""
    sources = {
        "__init__.py": "VERSION = 1",
        "contract/__init__.py": "from . import line\nfrom .line import feed",
        "contract/line.py": "import re\nfrom provision import VERSION",
        "link/__init__.py": "import provision.contract.line",
        "client/find.py": "def find():\n    from provision import link, contract",
    }
    assert wrong_arrows(plant(tmp_path, sources)) == []


@pytest.mark.parametrize(
    ("sources", "found"),
    [
        (
            {"schema/check.py": "from os import open as look"},
            ["schema.check: must not reach os", "schema.check: must not reach os.open"],
        ),
        (
            {"link/session.py": "def late():\n    import time"},
            ["link.session: must not reach time"],
        ),
        (
            {"link/session.py": "from .port import find", "link/port.py": "import serial"},
            ["link.session: must not reach serial (by way of link.port:1)"],
        ),
        (
            {"link/session.py": "", "link/__init__.py": "import asyncio"},
            ["link.session: must not reach asyncio (by way of link:1)"],
        ),
        (
            {"link/port.py": "import serial"},
            ["link.session: SANS_IO names it, and it does not exist"],
        ),
        ({"link/session.py": "import struct", "link/port.py": "import serial"}, []),
    ],
)
def test_a_way_to_the_outside_is_found(
    tmp_path: Path, sources: dict[str, str], found: list[str]
) -> None:
    """A way to the outside is found, direct or late or by way of others, and so is an absence."""
    rooms = {f"{Path(name).parent}/__init__.py": "" for name in sources}
    assert impure_imports(plant(tmp_path, {**rooms, **sources})) == found
