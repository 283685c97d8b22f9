# SPDX-License-Identifier: MIT
"""A program of ours in a process of its own, which is talked to line by line."""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Self

from tests.waiting import PATIENCE, next_line


class LineProcess:
    """Reads lines from its standard input, and ends when that is closed."""

    def __init__(self, *command: str | Path, environment: Mapping[str, str] | None = None) -> None:
        self._process = subprocess.Popen(
            command,
            cwd=Path(__file__).parents[1],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            encoding="utf-8",
            env=environment,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._process.communicate(timeout=PATIENCE)  # which closes its input
        finally:
            self._process.kill()

    def write(self, line: str) -> None:
        """Send it a line."""
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def read(self) -> str:
        """Return the next line that it prints."""
        line = next_line(self._process)
        assert line, f"{self._process.args!r} has ended"
        return line.rstrip("\n")
