# SPDX-License-Identifier: MIT
"""What every test runs under: repeatable random input, folders of its own, nothing left behind."""

from __future__ import annotations

import asyncio
import fcntl
import inspect
import os
import secrets
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.waiting import LONG, bounded

# No deadline: a loaded machine is no fault of the code. In CI the input is the same in every run,
# so that a change is blamed only for what it did; elsewhere each run looks at new input.
settings.register_profile("here", deadline=None, print_blob=True)
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True, database=None)
settings.load_profile("ci" if os.environ.get("CI") else "here")

# The Debian package that brings a command, where it is not called as the command is.
PACKAGE = {"cc": "gcc", "objcopy": "binutils", "objdump": "binutils", "nm": "binutils"}

RUN_MARK = "PROVISION_TEST_RUN"

ROOT = Path(__file__).parents[1]


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test marked `needs(...)` where a command is not installed, and say which package."""
    for marker in item.iter_markers("needs"):
        for command in marker.args:
            if shutil.which(command) is None:
                package = PACKAGE.get(command, command)
                pytest.skip(f"needs `{command}`, which is not installed (Debian package {package})")


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run a test that is a coroutine."""
    if not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    names = inspect.signature(pyfuncitem.obj).parameters
    asyncio.run(pyfuncitem.obj(**{name: pyfuncitem.funcargs[name] for name in names}))
    return True


@pytest.fixture(autouse=True, scope="session")
def _folders_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Give the tests caches and settings of their own, not those of whoever runs them."""
    home = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        for kind in ("CACHE", "CONFIG", "DATA", "STATE"):
            patch.setenv(f"XDG_{kind}_HOME", str(home / kind.lower()))
        # What is said stands in the tests in English, whatever whoever runs them reads.
        patch.setenv("LC_ALL", "C.UTF-8")
        yield


@pytest.fixture(autouse=True, scope="session")
def _no_coroutine_waits_for_ever() -> Iterator[None]:
    """Bound each asyncio.run() of the tests, and of the program where they run it themselves."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(asyncio, "run", bounded(asyncio.run))
        yield


def pytest_sessionstart() -> None:
    """Mark this run's environment, which every process that a test starts inherits.

    Where several processes share the tests, the mark is that of the one that started them.
    """
    os.environ.setdefault(RUN_MARK, f"{os.getpid()}-{secrets.token_hex(8)}")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail a run that leaves a process behind (seen where there is /proc), and name the process."""
    if hasattr(session.config, "workerinput"):
        return  # the process that started this one looks when all are done
    left = processes_with(f"{RUN_MARK}={os.environ[RUN_MARK]}")
    for process, command in left:
        session.config.get_terminal_writer().line(f"\nleft behind: process {process}: {command}")
    if left:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def processes_with(variable: str) -> list[tuple[int, str]]:
    """Return number and command line of every other process that has `variable` (NAME=value)."""
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            variables = (entry / "environ").read_bytes().split(b"\0")
            command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:  # ended in the meantime, or somebody else's
            continue
        if variable.encode() in variables and int(entry.name) != os.getpid():
            found.append((int(entry.name), command.strip()))
    return found


@pytest.fixture(scope="session")
def release(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with wheel and source archive, built once for all processes of the tests."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    folder = shared / "release"
    with (shared / "release.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            made = shared / "release-being-made"
            command = [sys.executable, "-m", "build", "--outdir", str(made), str(ROOT)]
            subprocess.run(command, check=True, capture_output=True, timeout=LONG)
            made.rename(folder)
    return folder


@pytest.fixture(scope="session")
def clean_environment(release: Path) -> dict[str, str]:
    """What makes `pip install provision-over-serial` take what was built here, in a clean shell."""
    return {
        "PIP_FIND_LINKS": str(release),
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "PIP_NO_INPUT": "1",
        "PATH": os.pathsep.join(
            part for part in os.environ["PATH"].split(os.pathsep) if ".venv" not in part
        ),
        "PYTHONPATH": "",
        "PYTEST_ADDOPTS": "",
        "VIRTUAL_ENV": "",
        "COLUMNS": "100",
        "NO_COLOR": "1",
    }


@pytest.fixture(scope="session")
def installed(release: Path, clean_environment: dict[str, str]) -> Path:
    """The programs of an environment as a person with a board has it: the wheel, no extra."""
    return _programs(release, clean_environment, "")


@pytest.fixture(scope="session")
def installed_for_authors(release: Path, clean_environment: dict[str, str]) -> Path:
    """The programs of an environment as an author has it: the wheel with its extra `author`."""
    return _programs(release, clean_environment, "[author]")


def _programs(release: Path, environment: dict[str, str], extra: str) -> Path:
    """Install the wheel, and nothing else of ours, once for all processes of the tests."""
    folder = release.parent / f"installed{extra}"
    with (release.parent / f"installed{extra}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            made = release.parent / f"environment{extra}"
            subprocess.run([sys.executable, "-m", "venv", str(made)], check=True, timeout=LONG)
            (wheel,) = release.glob("*.whl")
            subprocess.run(
                [str(made / "bin" / "pip"), "install", "--quiet", f"{wheel}{extra}"],
                check=True,
                env={**os.environ, **environment},
                stdin=subprocess.DEVNULL,
                timeout=LONG,
            )
            folder.symlink_to(made / "bin")
    return folder.resolve()  # by the link, python would not know that it is in an environment
