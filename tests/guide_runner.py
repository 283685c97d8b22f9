# SPDX-License-Identifier: MIT
"""Follows a guide word by word: writes the files that it shows, and runs the commands in order.

In the Markdown, a block marked `console` has commands behind `$ ` and below each what it prints; a
line `...` stands for any lines, and `...` in a line for anything in it. A block with a file's name
behind its language is written to that file; with `+` before the name it is added to its end.
Standard output and error are taken together, as on a terminal; all commands have one shell, so that
what one of them starts runs on. A command that is to fail stands in a block marked `console fails`.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import select
import signal
import subprocess
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

_BLOCK = re.compile(r"^```(\S+)(?: ([^\n]+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_LONGEST = 300  # seconds for one command


@dataclass(frozen=True, slots=True)
class Block:
    """One block of a guide: what is in it, and the line where it begins."""

    language: str
    name: str
    text: str
    line: int


def blocks(guide: str) -> Iterator[Block]:
    """Yield the blocks of a guide that are to be followed."""
    for found in _BLOCK.finditer(guide):
        language, name, text = found[1], found[2] or "", found[3]
        if language == "console" or name:
            yield Block(language, name, text, guide[: found.start()].count("\n") + 1)


def follow(guide: Path, folder: Path, environment: Mapping[str, str]) -> int:
    """Follow a guide in a folder; return how many commands were run.

    Raises AssertionError that names the guide's line where something else came than it says.
    """
    count = 0
    with Shell(folder, environment) as shell:
        for block in blocks(guide.read_text(encoding="utf-8")):
            place = f"{guide.name}, line {block.line}"
            if block.language != "console":
                write(folder, block)
                continue
            for command, expected in commands(block.text):
                code, said = shell.run(command)
                count += 1
                as_told = (code != 0) == (block.name == "fails")
                assert as_told, f"{place}: $ {command}\n{code}\n{said}"
                assert is_like(said, expected), (
                    f"{place}: $ {command}\nexpected:\n{expected}\ncame:\n{said}"
                )
    return count


def is_like(said: str, expected: str) -> bool:
    """Whether an output is the one that a guide shows."""
    pattern = ""
    for line in expected.strip("\n").splitlines():
        anything = r"(?:[^\n]*\n)*" if line == "..." else None
        pattern += anything or re.escape(line).replace(r"\.\.\.", "[^\\n]*") + r"\n"
    return re.fullmatch(pattern, said.strip("\n") + "\n" if said.strip("\n") else "") is not None


def commands(text: str) -> Iterator[tuple[str, str]]:
    """Yield the commands of a block, each with the output below it."""
    for part in re.split(r"(?m)^\$ ", text)[1:]:
        lines = part.splitlines()
        command = lines.pop(0)
        while command.endswith("\\"):
            command = command[:-1] + lines.pop(0).removeprefix("> ").lstrip()
        yield command, "\n".join(lines)


def write(folder: Path, block: Block) -> None:
    """Write a block to its file."""
    path = folder / block.name.removeprefix("+")
    path.parent.mkdir(parents=True, exist_ok=True)
    before = path.read_text(encoding="utf-8") if block.name.startswith("+") else ""
    path.write_text(before + block.text, encoding="utf-8")


class Shell:
    """A shell that runs one command after the other, as a person's does."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            ["sh"],
            cwd=folder,
            env={**os.environ, **environment},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )

    def __enter__(self) -> Shell:
        return self

    def __exit__(self, *exception: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGTERM)  # whatever the guide has left running
        self._process.wait(timeout=20)
        self._process.stdout.close()

    def run(self, command: str) -> tuple[int, str]:
        """Run a command; return its exit code and what it printed."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        mark = secrets.token_hex(8)
        line = f"{{ {command}\n}} </dev/null 2>&1; printf '\\n%s %d\\n' {mark} $?\n"
        self._process.stdin.write(line.encode())
        self._process.stdin.flush()
        said = b""
        deadline = time.monotonic() + _LONGEST
        while (end := re.search(rb"\n%b (\d+)\n$" % mark.encode(), said)) is None:
            left = deadline - time.monotonic()
            ready, _, _ = select.select([self._process.stdout], [], [], max(left, 0))
            assert ready, f"$ {command}\nhas not ended in {_LONGEST} seconds:\n{said.decode()}"
            data = os.read(self._process.stdout.fileno(), 65536)
            assert data, f"$ {command}\nhas ended the shell:\n{said.decode()}"
            said += data
        return int(end[1]), said[: end.start()].decode()
