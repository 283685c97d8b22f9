# SPDX-License-Identifier: MIT
"""What the tests of the dialog share."""

from __future__ import annotations

import pytest

from provision.board import firmware
from provision.contract.table import Step
from provision.wizard import acting, conduct


@pytest.fixture(autouse=True)
def _quick_firmware(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the simulated firmware join and reach without taking its time, and look often."""
    monkeypatch.setattr(conduct, "_FOLLOW_PAUSE", 0.01)
    monkeypatch.setattr(acting, "_PRESENCE_PAUSE", 0.05)
    monkeypatch.setattr(firmware, "STEP_MS", dict.fromkeys(Step, 1))
    monkeypatch.setattr(firmware, "START_MS", 1)
    monkeypatch.setattr(firmware, "SURVEY_MS", 1)
