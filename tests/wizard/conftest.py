# SPDX-License-Identifier: MIT
"""What the tests of the dialog share."""

from __future__ import annotations

import pytest

from provision.board import firmware
from provision.client import board_client, changing
from provision.contract.table import Step


@pytest.fixture(autouse=True)
def _quick_firmware(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the simulated firmware join and reach without taking its time, and look often."""
    monkeypatch.setattr(board_client, "_FOLLOW_PAUSE", 0.01)
    monkeypatch.setattr(changing, "_PRESENCE_PAUSE", 0.05)
    monkeypatch.setattr(firmware, "STEP_MS", dict.fromkeys(Step, 1))
    monkeypatch.setattr(firmware, "START_MS", 1)
    monkeypatch.setattr(firmware, "SURVEY_MS", 1)
