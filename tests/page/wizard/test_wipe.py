# SPDX-License-Identifier: MIT
"""After wipe() nothing that was typed is left in the dialog: the engine itself is asked."""

from __future__ import annotations

import json
import secrets
from pathlib import Path

import pytest

from tests.page.wizard.lockstep import Page
from tests.wizard.sample_schema import COMPLETE, SCHEMA, held

pytestmark = pytest.mark.needs("node")


def is_in_memory(page: Page, text: str, folder: Path) -> bool:
    """Whether a text is part of one that the JavaScript engine can still reach (heap snapshot)."""
    path = folder / "heap.heapsnapshot"
    page.say("heap", str(path))
    strings = json.loads(path.read_text(encoding="utf-8"))["strings"]
    return any(text in each for each in strings)


@pytest.mark.parametrize("key", ["network.passphrase", "door.code", "door.note"])
@pytest.mark.parametrize("refused", [False, True])
def test_no_answer_outlives_a_wipe(key: str, refused: bool, tmp_path: Path) -> None:
    """Neither what was answered, nor what was refused and is remembered."""
    secret = secrets.token_hex(6)  # of 12 characters, as the longest door code
    with Page() as page:
        page.take(SCHEMA)
        page.say("flow", list(held(COMPLETE).items()), {"keys": [key], "onlyKeys": True})
        while (step := page.say("next"))[0] != key:
            page.say("answer", "keep" if step[5] is not None else "clear")
        page.say("answer", page.say("read", secret))
        assert dict(page.say("standing")["changes"])[key] == secret
        assert is_in_memory(page, secret, tmp_path)
        if refused:
            page.say("fault", key, "must be another")
        page.say("wipe")
        assert page.say("standing")["answers"] == []
        assert not is_in_memory(page, secret, tmp_path)
