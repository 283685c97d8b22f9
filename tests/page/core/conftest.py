# SPDX-License-Identifier: MIT
"""One process of the page's modules for all tests that ask it, and one run of its own tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.page.core.judging import Judge, Ran, run_tests


@pytest.fixture(scope="session")
def judge() -> Iterator[Judge]:
    """Return the page's modules, ready to be asked."""
    with Judge() as judge:
        yield judge


@pytest.fixture(scope="session")
def ran() -> list[Ran]:
    """Return every test of this folder that Node ran."""
    return run_tests()
