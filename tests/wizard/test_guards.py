# SPDX-License-Identifier: MIT
"""Guards that the other tests run and would not miss: each test here was called for by a mutant."""

from __future__ import annotations

import asyncio
import json
import os
import sys
import termios
from dataclasses import replace

import pytest

from provision.client.held import HeldSetting
from provision.client.snapshot import BoardSnapshot
from provision.contract.table import Held, Kind
from provision.schema.model import Field
from provision.wizard import show
from provision.wizard.dialog import meet
from provision.wizard.questions import typed_value
from provision.wizard.screen import without_echo
from tests.wizard.bench import bench

CANARY = "canary-4711"


@pytest.mark.parametrize(
    "declared",
    [
        Field("a", Kind.SECRET, "A", maximum=20),
        Field("a", Kind.PASSPHRASE, "A", network="a.b"),
        Field("a", Kind.HEX, "A", maximum=20, secret=True),
        Field("a", Kind.BLOB, "A", maximum=20),
    ],
)
def test_what_is_never_shown_is_not_offered_for_editing_either(declared: Field) -> None:
    """Up puts the answer of before where it can be edited: of these there is none."""
    value = CANARY if declared.kind in (Kind.SECRET, Kind.PASSPHRASE) else CANARY.encode()
    assert typed_value(declared, value) == ""
    assert typed_value(declared, value, CANARY) == ""


def test_a_value_of_a_secret_reaches_no_output_whoever_kept_it() -> None:
    """What a board gives of one is dropped when it is met; what shows it does not rely on that."""

    async def met() -> BoardSnapshot:
        async with bench() as here:
            board = here.connect()
            try:
                return await meet(board, here.cache, lambda _: None)
            finally:
                await board.close()

    found = asyncio.run(met())
    told = replace(found, held={**found.held, "service.key": HeldSetting(Held.SET, CANARY)})
    assert show.as_json(told)["settings"]["service.key"] == {"held": "set"}
    assert CANARY not in json.dumps(show.as_json(told))
    assert CANARY not in "\n".join(show.lines(told))


@pytest.mark.skipif(sys.platform == "win32", reason="there no terminal echoes by itself")
def test_a_terminal_echoes_nothing_between_two_questions(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is typed ahead may be a secret; afterwards the terminal is as it was."""
    near, far = os.openpty()
    with open(far, encoding="utf-8") as terminal:  # noqa: PTH123 - a descriptor, not a path
        monkeypatch.setattr(sys, "stdin", terminal)
        before = termios.tcgetattr(far)
        assert before[3] & termios.ECHO
        with without_echo():
            quiet = termios.tcgetattr(far)
            assert not quiet[3] & termios.ECHO
            assert quiet[3] & termios.ISIG  # Ctrl-C stays what it is
        assert termios.tcgetattr(far) == before
    os.close(near)
