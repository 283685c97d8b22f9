# SPDX-License-Identifier: MIT
"""Each requirement of the protocol page is looked at, or has a reason why it cannot be seen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scripts.derive import requirements
from scripts.derive.requirements import Sources

PAGE = """Each ends with its number: `{6.4.3}` is the third.
### 2.1 Form
- A board must begin with LF. {2.1.1}
1. It must end with LF: else nothing. {2.1.2}
| text | text | length | no | {2.1.3} |
"""
WHOLE = Sources(
    requirements.numbered(PAGE),
    {"2.1": "Form"},
    {"2.1.1": ("LF at both ends",), "2.1.2": ("LF at both ends",)},
    {"2.1.1": ("begins with CR",), "2.1.2": ("ends with CR",)},
    {"2.1.3": "it is written in the flash"},
)


def test_nothing_is_lacking() -> None:
    """No number of the page without a row, no declared number without its requirement."""
    assert requirements.faults() == []


def test_the_page_is_read_by_its_numbers() -> None:
    """The text before each, in plain words; a number in code is an example."""
    assert WHOLE.page == {
        "2.1.1": "A board must begin with LF.",
        "2.1.2": "It must end with LF: else nothing.",
        "2.1.3": "text: length",
    }
    with pytest.raises(ValueError, match=r"2\.1\.1 twice"):
        requirements.numbered(f"{PAGE}\n- Again. {{2.1.1}}")


@pytest.mark.parametrize(
    ("sources", "told"),
    [
        (WHOLE, None),
        (replace(WHOLE, unseen={}), "2.1.3: no check looks at it"),
        (replace(WHOLE, boards={"2.1.1": ("begins with CR",)}), "2.1.2: a check looks at it"),
        (replace(WHOLE, checks={**WHOLE.checks, "9.9.9": ("x",)}), "9.9.9: a check names it"),
        (replace(WHOLE, boards={**WHOLE.boards, "9.9.9": ("x",)}), "9.9.9: a wrong board names it"),
        (replace(WHOLE, unseen={**WHOLE.unseen, "9.9.9": "x"}), "9.9.9: unseen.toml names it"),
        (replace(WHOLE, unseen={**WHOLE.unseen, "2.1.1": "x"}), "2.1.1: unseen.toml says why"),
    ],
)  # fmt: skip
def test_what_is_lacking_is_named(sources: Sources, told: str | None) -> None:
    """A number without a row, one that is not there, a check that nobody has seen fail."""
    found = requirements.faults(sources)
    assert len(found) == (told is not None)
    assert all(sentence.startswith(str(told)) for sentence in found)
