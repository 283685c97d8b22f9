# SPDX-License-Identifier: MIT
"""Each test of a board runs with each implementation; that in C is compiled for two processors."""

from __future__ import annotations

import os
import shutil
from typing import cast

import pytest

from tests.vectors import avr
from tests.vectors.boards import CBoard, Maker, PythonBoard, build
from tests.vectors.files import document


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the slow emulation its conversations, as they come whole, and the wrong messages.

    PROVISION_AVR=all runs the rest, too: it is ten minutes of two processors.
    """
    if os.environ.get("PROVISION_AVR") == "all":
        return
    left = {item for item in items if "[avr-" in item.name and not _is_short(item.name)}
    config.hook.pytest_deselected(items=list(left))
    items[:] = [item for item in items if item not in left]


def _is_short(name: str) -> bool:
    is_conversation = name.startswith("test_a_board_says_what_the_page_says")
    return name.startswith("test_a_board_refuses") or (is_conversation and name.endswith("-whole]"))


@pytest.fixture(scope="session", params=["python", "c", "avr"])
def boards(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Maker:
    """Return what makes the boards of one implementation."""
    which = cast("str", request.param)
    if which == "python":
        return Maker(PythonBoard)
    if shutil.which("gcc") is None:
        pytest.skip("needs `gcc`, which is not installed (Debian package gcc)")
    schemas = sorted({board["schema"] for board in document("conversations")["boards"].values()})
    folders = {name: tmp_path_factory.mktemp(name) for name in schemas}
    if which == "c":
        libraries = {name: build(name, folder) for name, folder in folders.items()}
        return Maker(lambda name: CBoard(name, libraries))
    if (reason := avr.why_not()) is not None:
        pytest.skip(reason)
    program = avr.emulator(tmp_path_factory.mktemp("emulator"))
    images = {name: avr.image(name, folder) for name, folder in folders.items()}
    return Maker(avr.Factory(program, images).make)
