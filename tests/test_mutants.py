# SPDX-License-Identifier: MIT
"""The table of guards fits the sources; that a test misses each is what `make mutants` shows."""

from __future__ import annotations

import pytest

from scripts.mutants import NAMED, Mutant
from scripts.mutate import ALL, ROOT, mutate


@pytest.mark.parametrize("mutant", ALL, ids=lambda mutant: mutant.name)
def test_the_guard_is_there_once(mutant: Mutant) -> None:
    """Otherwise taking it away would show nothing."""
    source = (ROOT / mutant.file).read_text(encoding="utf-8")
    assert mutate(source, mutant) != source
    assert all((ROOT / test).exists() for test in mutant.tests)


def test_the_invariants_are_broken_in_both_boards() -> None:
    """Each of them by a mutant in C and one in Python."""
    names = {mutant.name for mutant in ALL}
    assert {f"{name}, in {language}" for name in NAMED for language in ("C", "Python")} <= names
    assert len(ALL) == len(names) > 260
