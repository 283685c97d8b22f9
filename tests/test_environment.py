# SPDX-License-Identifier: MIT
"""What each make target installs: what it needs, no more, and as root nothing unsaid.

The scripts run in a small tree of their own. Stand-ins on PATH play root, apt-get, Python and npm,
and write down how they were called; nothing is installed.
"""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from tests.conftest import PACKAGE
from tests.waiting import PATIENCE

ROOT = Path(__file__).parents[1]
LIST = ROOT / "scripts" / "packages.txt"

PACKAGES = """\
# package | targets | why | probe
compiler | demo test | compiles the stub | test -e {here}/compiler
browser  | test      | shows the page    | test -e {here}/browser
npm      | test      | fetches packages  | true
always   | *         | runs the rest     | test -e {here}/always
"""

STAND_INS = {
    "id": "echo $ROLE",
    "apt-get": """
        echo "apt-get $*" >>{log}
        for word; do case $word in compiler | browser | always) touch {here}/$word ;; esac; done""",
    "a-python": """
        case $1 in
            --version) echo Python 3.11.2 ;;
            -m) shift 2; echo "venv $*" >>{log}; for folder; do :; done
                mkdir -p $folder/bin; touch $folder/pyvenv.cfg; cp {bin}/a-pip $folder/bin/python ;;
        esac""",
    "a-pip": 'for part; do :; done; echo "pip $part" >>{log}',
    "node": "case $1 in --version) echo v20.1.0 ;; esac",
    "npm": 'echo "npm $1" >>{log}; mkdir -p node_modules',
}


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The scripts, a list of packages none of which is here, and the stand-ins."""
    names = {"here": tmp_path / "here", "bin": tmp_path / "bin", "log": tmp_path / "log"}
    for folder in ("here", "bin", "scripts"):
        (tmp_path / folder).mkdir()
    for name in ("packages.sh", "environment.sh"):
        shutil.copy(ROOT / "scripts" / name, tmp_path / "scripts" / name)
    for name in ("pyproject.toml", "package.json", "package-lock.json", ".npmrc"):
        (tmp_path / name).write_text("", encoding="utf-8")
    (tmp_path / "scripts" / "packages.txt").write_text(PACKAGES.format(**names), encoding="utf-8")
    for name, does in STAND_INS.items():
        program = tmp_path / "bin" / name
        text = does
        for word, path in names.items():
            text = text.replace(f"{{{word}}}", str(path))
        program.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
        program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{names['bin']}:{os.environ['PATH']}")
    monkeypatch.setenv("PROVISION_PYTHON", "a-python")
    monkeypatch.setenv("ROLE", "0")
    for variable in ("CI", "YES", "PROVISION_VENV"):
        monkeypatch.delenv(variable, raising=False)
    return tmp_path


def done(tree: Path) -> list[str]:
    """Return what the stand-ins were called for since the last time."""
    log = tree / "log"
    lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
    log.unlink(missing_ok=True)
    return lines


def run(tree: Path, script: str, *targets: str) -> str:
    """Run a script without a terminal; return what it said."""
    ran = subprocess.run(
        [str(tree / "scripts" / script), *targets],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=True,
        timeout=PATIENCE,
    )
    return ran.stdout


def at_a_terminal(tree: Path, answer: str) -> str:
    """Run packages.sh for `make demo` at a terminal, and type a line when it asks."""
    outer, inner = pty.openpty()
    process = subprocess.Popen(
        [str(tree / "scripts" / "packages.sh"), "demo"], stdin=inner, stdout=inner, stderr=inner
    )
    os.close(inner)
    said = b""
    deadline = time.monotonic() + PATIENCE
    typed = False
    while True:
        ready, _, _ = select.select([outer], [], [], max(0, deadline - time.monotonic()))
        assert ready, said
        try:
            data = os.read(outer, 4096)
        except OSError:  # on Linux, the end of a pseudo-terminal
            data = b""
        if not data:
            break
        said += data
        if b"Install them?" in said and not typed:
            assert done(tree) == [], "it has begun before it asked"
            os.write(outer, answer.encode() + b"\n")
            typed = True
    os.close(outer)
    assert process.wait(timeout=PATIENCE) == 0
    return said.decode()


UPDATE = "apt-get -o DPkg::Lock::Timeout=300 -qq update"
INSTALL = "apt-get -o DPkg::Lock::Timeout=300 -qq install --yes --no-install-recommends"


def test_a_target_installs_its_own_packages(tree: Path) -> None:
    """First those of the demo, then what the tests need beyond them; then none."""
    said = run(tree, "packages.sh", "demo")
    assert done(tree) == [UPDATE, f"{INSTALL} compiler always"]
    assert "browser" not in said
    run(tree, "packages.sh", "check", "test")
    assert done(tree) == [UPDATE, f"{INSTALL} browser"]
    assert run(tree, "packages.sh", "check", "test") == ""
    assert done(tree) == []


def test_without_a_terminal_what_and_why_is_printed(tree: Path) -> None:
    """Nobody is asked, as in a build server; what is said comes first."""
    assert run(tree, "packages.sh", "demo") == (
        "packages: as root, apt-get installs for demo what is not here:\n"
        "packages:     compiler: compiles the stub\n"
        "packages:     always: runs the rest\n"
    )


@pytest.mark.parametrize("answer", ["y", "Yes"])
def test_at_a_terminal_a_yes_installs(tree: Path, answer: str) -> None:
    """After the packages and what for were said."""
    said = at_a_terminal(tree, answer)
    assert said.index("compiler: compiles the stub") < said.index("Install them?")
    assert done(tree) == [UPDATE, f"{INSTALL} compiler always"]


@pytest.mark.parametrize("answer", ["n", "", "maybe"])
def test_at_a_terminal_anything_else_installs_nothing(tree: Path, answer: str) -> None:
    """It goes on without, and says what is lacking."""
    said = at_a_terminal(tree, answer)
    assert "not installed (that takes root, apt-get and a yes): compiler always;" in said
    assert done(tree) == []


@pytest.mark.parametrize(("name", "value"), [("CI", "true"), ("YES", "1")])
def test_at_a_terminal_a_variable_answers(
    tree: Path, monkeypatch: pytest.MonkeyPatch, name: str, value: str
) -> None:
    """It is said what and why, and nobody is asked."""
    monkeypatch.setenv(name, value)
    said = at_a_terminal(tree, "n")
    assert "compiler: compiles the stub" in said
    assert "Install them?" not in said
    assert done(tree) == [UPDATE, f"{INSTALL} compiler always"]


def test_an_ordinary_user_is_told_what_lacks(tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is installed."""
    monkeypatch.setenv("ROLE", "1000")
    assert "compiler always; what needs them says so." in run(tree, "packages.sh", "demo")
    assert done(tree) == []


def test_an_environment_grows_with_what_is_run(tree: Path) -> None:
    """The demo: the package alone. Each further target adds what lacks; one that has all, nothing.

    Where pyproject.toml has changed it is made anew.
    """
    run(tree, "packages.sh", "test")
    done(tree)
    steps = [
        ("demo", ["venv .venv", "pip ."]),
        ("demo", []),
        ("preview", ["pip .[author]"]),
        ("test", ["pip .[dev]", "npm ci"]),
        ("check", []),
        ("demo", []),
    ]
    for target, expected in steps:
        run(tree, "environment.sh", target)
        assert done(tree) == expected, target
    (tree / "pyproject.toml").write_text("# other", encoding="utf-8")
    run(tree, "environment.sh", "preview")
    assert done(tree) == ["venv --clear .venv", "pip .[author]"]


def rows() -> list[list[str]]:
    """Return the rows of the project's own list."""
    lines = LIST.read_text(encoding="utf-8").splitlines()
    return [[part.strip() for part in line.split("|", 3)] for line in lines if line[0] != "#"]


def test_every_package_says_which_targets_need_it_and_why() -> None:
    """Targets are those of the Makefile that make an environment, each by its own name."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    made = re.findall(r"^([a-z-]+): env-([a-z-]+)$", makefile, re.MULTILINE)
    targets = {target for target, _ in made} - {"env"}
    assert [pair for pair in made if pair[0] != pair[1]] == [("env", "test")]
    assert {"demo", "preview", "test", "check"} <= targets
    for package, needed_by, why, probe in rows():
        assert set(needed_by.split()) <= {*targets, "*"}, package
        assert needed_by, package
        assert why, package
        assert probe, package


def test_every_command_that_a_test_needs_is_in_the_list() -> None:
    """By the name of its package, or by what its probe looks for."""
    of_tests = [row for row in rows() if {"test", "*"} & set(row[1].split())]
    known = {row[0] for row in of_tests} | {row[3].removeprefix("command -v ") for row in of_tests}
    known |= {"binutils", "c++"}  # what gcc and g++ bring
    needed = set[str]()
    for path in (ROOT / "tests").rglob("*.py"):
        for marker in re.findall(r"mark\.needs\(([^)]*)\)", path.read_text(encoding="utf-8")):
            needed |= set(re.findall(r'"([^"]+)"', marker))
    assert {"cc", "chromium", "node"} <= needed
    assert {PACKAGE.get(name, name) for name in needed - known} <= known
