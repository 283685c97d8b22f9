# SPDX-License-Identifier: MIT
"""What `make mutants` changes is there; that a test notices each is what it shows itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from scripts.mutants import NAMED, Named
from scripts.mutate import ROOT, TESTS, admitted, belonging, sources
from scripts.operators import difference, mutants_of, mutate

PYTHON = """\
def f(a: int | None) -> bool:
    "Text, 1 + 1."
    if a < 2:  # 1 + 1
        raise E
    b = not a
    g(b)
    return a and b
"""
C = """\
int f(int *a)
{
    if (*a == 2) { /* 1 + 1 */
        g(a);
    }
    return -*a;
}
"""
JAVASCRIPT = """\
function f(a) {
  if (a === 2) throw new E("1 + 1");
  return a && !b;
}
"""


def changes(file: str, text: str) -> set[tuple[int, str]]:
    """Return the first line that each mutant of a text changes, and what becomes of it."""
    source = text.encode()
    found = [difference(source, mutate(source, mutant)) for mutant in mutants_of(file, source)]
    return {(line, becomes) for line, _, becomes in found}


@pytest.mark.parametrize("named", NAMED, ids=lambda named: named.name)
def test_what_breaks_an_invariant_is_there_once(named: Named) -> None:
    """Otherwise breaking it would show nothing."""
    source = (ROOT / named.file).read_bytes()
    assert named.applied(source) != source
    for file, _, function in (test.partition("::") for test in named.tests):
        assert f"def {function}" in (ROOT / file).read_text(encoding="utf-8")


def test_the_mutants_of_each_language() -> None:
    """Operators, numbers, conditions, results and statements; no text, comment or type."""
    assert changes("f.py", PYTHON) == {
        (3, "if a <= 2:  # 1 + 1"),
        (3, "if a < (2 + 1):  # 1 + 1"),
        (3, "if not (a < 2):  # 1 + 1"),
        (4, "pass"),
        (5, "b =  a"),
        (6, "pass"),
        (7, "return a or b"),
        (7, "return None"),
    }
    assert changes("f.c", C) == {
        (3, "if (*a != 2) { /* 1 + 1 */"),
        (3, "if (*a == (2 + 1)) { /* 1 + 1 */"),
        (3, "if (!(*a == 2)) { /* 1 + 1 */"),
        (4, "(void)0;"),
        (6, "return !(-*a);"),
        (6, "return +*a;"),
    }
    assert changes("f.js", JAVASCRIPT) == {
        (2, 'if (a !== 2) throw new E("1 + 1");'),
        (2, 'if (a === (2 + 1)) throw new E("1 + 1");'),
        (2, 'if (!(a === 2)) throw new E("1 + 1");'),
        (2, "if (a === 2) ;"),
        (3, "return a || !b;"),
        (3, "return a && b;"),
        (3, "return undefined;"),
    }


def test_every_changed_file_has_tests_that_are_there() -> None:
    """What is gone would leave code unchanged, or changed with nothing to notice it."""
    assert {str(Path(file).parent) for file in sources()} == set(TESTS)
    for file in sources():
        assert belonging(file)
        assert all((ROOT / test).exists() for test in belonging(file))


def test_every_admitted_mutant_is_one() -> None:
    """An entry whose lines were edited is out of date: its reason has to be looked at again."""
    for file, was, becomes in admitted():
        source = (ROOT / file).read_bytes()
        made = (difference(source, mutate(source, each)) for each in mutants_of(file, source))
        assert any((was, becomes) == (old, new) for _, old, new in made), (file, was)
