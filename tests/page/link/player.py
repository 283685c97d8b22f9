# SPDX-License-Identifier: MIT
"""The page's session in a process of Node, in virtual time, and a board of ours behind it."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from provision.contract.profile import Item
from tests.waiting import next_line

_MEMORY = 64  # MiB that the whole process may hold

Answer = Callable[[bytes, int], tuple[list[bytes], bool]]
"""Gets what the host sends and the time in ms; returns what arrives, and if the line is lost."""


class Player:
    """Plays one session after the other."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def play(
        self,
        what: str,
        answer: Answer,
        changes: Sequence[tuple[str, Item]] = (),
        babble: Callable[[], bytes] | None = None,
    ) -> dict[str, Any]:
        """Meet a board, or set it up; return what came of it. babble: what it says every 50 ms."""
        in_json = [
            [key, {"bytes": value.hex()} if isinstance(value, bytes) else value]
            for key, value in changes
        ]
        self._write({"do": what, "changes": in_json, "ticks": babble is not None})
        while True:
            said = self._read()
            if "ended" in said:
                ended: dict[str, Any] = said["ended"]
                return ended
            if "tick" in said:
                assert babble is not None
                self._write({"toHost": [babble().hex()], "gone": False})
                continue
            arriving, gone = answer(bytes.fromhex(said["toBoard"]), int(said["now"]))
            self._write({"toHost": [part.hex() for part in arriving if part], "gone": gone})

    def _write(self, item: object) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(item) + "\n")
        self._process.stdin.flush()

    def _read(self) -> dict[str, Any]:
        line = next_line(self._process)
        assert line, "the player has ended"
        said: dict[str, Any] = json.loads(line)
        return said


@contextmanager
def player() -> Iterator[Player]:
    """Yield a player; its process ends with it."""
    process = subprocess.Popen(
        [
            "node",
            f"--max-old-space-size={_MEMORY}",
            "--expose-gc",
            str(Path(__file__).with_name("player.js")),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        try:
            yield Player(process)
        finally:
            process.kill()
