# SPDX-License-Identifier: MIT
"""The stub is compiled once for all its tests."""

from __future__ import annotations

import ctypes
import shutil

import pytest

from tests.c_board.board import build


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """Return the stub as a shared object."""
    if shutil.which("cc") is None:
        pytest.skip("needs `cc`, which is not installed (Debian package gcc)")
    return build(tmp_path_factory.mktemp("stub"))
