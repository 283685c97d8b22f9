# SPDX-License-Identifier: MIT
"""Follows a guide word by word: writes the files that it shows, and runs the commands in order.

In the Markdown, a block marked `console` has commands behind `$ ` and below each what it prints; a
line `...` stands for any lines, and `...` in a line for anything in it. A block with a file's name
behind its language is written to that file; with `+` before the name it is added to its end.
Standard output and error are taken together, as on a terminal. A command that is to fail stands in
a block marked `console fails`.
"""

from __future__ import annotations

import os
import re
import subprocess
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
    for block in blocks(guide.read_text(encoding="utf-8")):
        place = f"{guide.name}, line {block.line}"
        if block.language != "console":
            _write(folder, block)
            continue
        for command, expected in _commands(block.text):
            code, said = _run(command, folder, environment)
            count += 1
            assert (code != 0) == (block.name == "fails"), f"{place}: $ {command}\n{code}\n{said}"
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


def _commands(text: str) -> Iterator[tuple[str, str]]:
    """Yield the commands of a block, each with the output below it."""
    for part in re.split(r"(?m)^\$ ", text)[1:]:
        lines = part.splitlines()
        command = lines.pop(0)
        while command.endswith("\\"):
            command = command[:-1] + lines.pop(0).removeprefix("> ").lstrip()
        yield command, "\n".join(lines)


def _write(folder: Path, block: Block) -> None:
    path = folder / block.name.removeprefix("+")
    path.parent.mkdir(parents=True, exist_ok=True)
    before = path.read_text(encoding="utf-8") if block.name.startswith("+") else ""
    path.write_text(before + block.text, encoding="utf-8")


def _run(command: str, folder: Path, environment: Mapping[str, str]) -> tuple[int, str]:
    ran = subprocess.run(
        ["sh", "-c", command],
        cwd=folder,
        env={**os.environ, **environment},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=_LONGEST,
        check=False,
    )
    return ran.returncode, ran.stdout
