# SPDX-License-Identifier: MIT
"""What every test runs under: repeatable random input, folders of its own, nothing left behind."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# No deadline: a loaded machine is no fault of the code. In CI the input is the same in every run,
# so that a change is blamed only for what it did; elsewhere each run looks at new input.
settings.register_profile("here", deadline=None, print_blob=True)
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True, database=None)
settings.load_profile("ci" if os.environ.get("CI") else "here")

# The Debian package that brings a command, where it is not called as the command is.
PACKAGE = {"cc": "gcc", "objcopy": "binutils", "objdump": "binutils"}

RUN_MARK = "PROVISION_TEST_RUN"


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test marked `needs(...)` where a command is not installed, and say which package."""
    for marker in item.iter_markers("needs"):
        for command in marker.args:
            if shutil.which(command) is None:
                package = PACKAGE.get(command, command)
                pytest.skip(f"needs `{command}`, which is not installed (Debian package {package})")


@pytest.fixture(autouse=True, scope="session")
def _folders_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Give the tests caches and settings of their own, not those of whoever runs them."""
    home = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        for kind in ("CACHE", "CONFIG", "DATA", "STATE"):
            patch.setenv(f"XDG_{kind}_HOME", str(home / kind.lower()))
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
