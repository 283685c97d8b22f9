# SPDX-License-Identifier: MIT
"""Each test of a board runs with each implementation; the C one is compiled once."""

from __future__ import annotations

import shutil
from typing import cast

import pytest

from tests.vectors.boards import Maker, build
from tests.vectors.files import document


@pytest.fixture(scope="session", params=["python", "c"])
def boards(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Maker:
    """Return what makes the boards of one implementation."""
    if cast("str", request.param) == "python":
        return Maker(None)
    if shutil.which("gcc") is None:
        pytest.skip("needs `gcc`, which is not installed (Debian package gcc)")
    schemas = {board["schema"] for board in document("conversations")["boards"].values()}
    return Maker({name: build(name, tmp_path_factory.mktemp(name)) for name in sorted(schemas)})
