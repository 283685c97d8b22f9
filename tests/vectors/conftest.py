# SPDX-License-Identifier: MIT
"""Each test of a board runs with each implementation; that in C is compiled for two processors."""

from __future__ import annotations

import shutil
from typing import cast

import pytest

from tests.vectors import avr
from tests.vectors.boards import CBoard, Maker, PythonBoard, build
from tests.vectors.files import document


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
