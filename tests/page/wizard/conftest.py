# SPDX-License-Identifier: MIT
"""One process of the page's modules for all tests of its dialog."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.page.wizard.lockstep import Page


@pytest.fixture(scope="session")
def page() -> Iterator[Page]:
    """Return the page's modules, ready to be told what to do."""
    with Page() as page:
        yield page
