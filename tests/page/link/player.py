# SPDX-License-Identifier: MIT
"""The page's session in a process of Node, in virtual time, and a board of ours behind it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from provision.contract.profile import Item
from tests.line_process import LineProcess

_MEMORY = 64  # MiB that the whole process may hold

Answer = Callable[[bytes, int], tuple[list[bytes], bool]]
"""Gets what the host sends and the time in ms; returns what arrives, and if the line is lost."""


class Player(LineProcess):
    """Plays one session after the other."""

    def __init__(self) -> None:
        memory = f"--max-old-space-size={_MEMORY}"
        super().__init__("node", memory, "--expose-gc", Path(__file__).with_name("player.js"))

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
        self.write(json.dumps({"do": what, "changes": in_json, "ticks": babble is not None}))
        while True:
            said = json.loads(self.read())
            if "ended" in said:
                ended: dict[str, Any] = said["ended"]
                return ended
            if "tick" in said:
                assert babble is not None
                self.write(json.dumps({"toHost": [babble().hex()], "gone": False}))
                continue
            arriving, gone = answer(bytes.fromhex(said["toBoard"]), int(said["now"]))
            self.write(
                json.dumps({"toHost": [part.hex() for part in arriving if part], "gone": gone})
            )
