# SPDX-License-Identifier: MIT
"""The Python board as somebody holds it: a button can be pressed, and reset."""

from __future__ import annotations

from provision.board.firmware import Device


class PressedDevice(Device):
    """A board with a person beside it."""

    def asked(self, words: str, now_ms: int) -> bool:
        """Press the button of presence, or reset."""
        if "reset" in words:
            self.reset(now_ms)
        else:
            self.board.show_presence()
        return True
