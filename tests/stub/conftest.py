# SPDX-License-Identifier: MIT
"""The stub is compiled once for all its tests."""

from __future__ import annotations

import ctypes
import shutil

import pytest

from tests.stub.c_stub import build


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """Return the stub as a shared object."""
    if shutil.which("gcc") is None:
        pytest.skip("needs `gcc`, which is not installed (Debian package gcc)")
    return build(tmp_path_factory.mktemp("stub"))
