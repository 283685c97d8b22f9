# SPDX-License-Identifier: MIT
"""shared/requirements.md: for each requirement of the protocol page what looks at it.

The requirements are those that the page numbers; the checks and the wrong boards say in their own
tables which of them they are about; shared/unseen.toml says why one cannot be seen from the line.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

SHARED = Path(__file__).resolve().parents[2] / "shared"
_NUMBER = re.compile(r"(?<!`)\{(\d+\.\d+\.\d+)\}")
_HEADING = re.compile(r"^### (\d+\.\d+) (.*)$")
_SHORT = 110  # characters of a requirement in its row

_HEAD = """# What looks at each requirement

Made by scripts/regenerate.py from protocol.md, the tables of checks in `provision/conformance`, the
tables of wrong boards in `tests/conformance`, and unseen.toml.

A requirement of [protocol.md](protocol.md) that can be seen from the line is looked at by a check
of `provision conform` (`--only NUMBER` runs its checks alone), and a board that is wrong on purpose
shows that the check can fail. Of the others stands here why they cannot be seen.
"""


@dataclass(frozen=True, slots=True)
class Sources:
    """What the table is made from."""

    page: Mapping[str, str]
    """Text by number, in the order of the page."""

    clauses: Mapping[str, str]
    """Title by number."""

    checks: Mapping[str, tuple[str, ...]]
    """Titles of the checks that look at a requirement."""

    boards: Mapping[str, tuple[str, ...]]
    """Faults of the wrong boards that break it."""

    unseen: Mapping[str, str]
    """Why it cannot be seen from the line."""


def numbered(page: str) -> dict[str, str]:
    """Return each requirement of the page by its number, in one line of plain words."""
    found: dict[str, str] = {}
    for line in page.splitlines():
        for match in _NUMBER.finditer(line):
            if match[1] in found:
                raise ValueError(f"protocol.md has the number {match[1]} twice")
            found[match[1]] = _in_short(line[: match.start()])
    return found


def _in_short(text: str) -> str:
    text = _NUMBER.sub("", text)
    if text.startswith("|"):  # a row of the table of kinds
        kind, _, checks = (cell.strip() for cell in text.strip("| ").split("|")[:3])
        text = f"{kind}: {checks or 'its CBOR type'}"
    text = re.sub(r"^(-|\d+\.) ", "", text.strip()).replace("|", "\\|")
    if len(text) <= _SHORT:
        return text
    cut = text[:_SHORT].rsplit(" ", 1)[0]
    return f"{cut}{'`' if cut.count('`') % 2 else ''} …"


def sources() -> Sources:
    """Read all that the table is made from."""
    from provision.conformance.kit import EVERYTHING  # noqa: PLC0415
    from tests.conformance.wrong import CASES  # noqa: PLC0415

    page = (SHARED / "protocol.md").read_text(encoding="utf-8")
    headings = (_HEADING.match(line) for line in page.splitlines())
    return Sources(
        numbered(page),
        {match[1]: match[2] for match in headings if match},
        _grouped((number, each.title) for each in EVERYTHING for number in each.looks_at),
        _grouped((case.breaks, case.fault) for case in CASES),
        tomllib.loads((SHARED / "unseen.toml").read_text(encoding="utf-8")),
    )


def _grouped(pairs: Iterable[tuple[str, str]]) -> dict[str, tuple[str, ...]]:
    grouped: dict[str, tuple[str, ...]] = {}
    for number, words in pairs:
        grouped[number] = (*grouped.get(number, ()), words)
    return grouped


def faults(of: Sources | None = None) -> list[str]:
    """Return what keeps the table from being whole, one sentence each."""
    return list(_faults(of or sources()))


def _faults(of: Sources) -> Iterator[str]:
    declared = {"a check": of.checks, "a wrong board": of.boards, "unseen.toml": of.unseen}
    for who, numbers in declared.items():
        for number in numbers:
            if number not in of.page:
                yield f"{number}: {who} names it, and protocol.md has no such requirement"
    for number in of.page:
        if number in of.unseen:
            if number in of.checks or number in of.boards:
                yield f"{number}: unseen.toml says why it is not seen, and something looks at it"
        elif number not in of.checks:
            yield f"{number}: no check looks at it, and unseen.toml does not say why"
        elif number not in of.boards:
            yield f"{number}: a check looks at it, and no wrong board shows that it can fail"


def table() -> bytes:
    """Return the page with the table."""
    of = sources()
    told = [_HEAD]
    clause = ""
    for number, text in of.page.items():
        if number.rpartition(".")[0] != clause:
            clause = number.rpartition(".")[0]
            told.append(f"\n## {clause} {of.clauses[clause]}\n\n")
            told.append(
                "| | in short | looked at by | shown by a board that |\n|---|---|---|---|\n"
            )
        if number in of.unseen:
            told.append(f"| {number} | {text} | not seen: {of.unseen[number]} | |\n")
            continue
        looks = "; ".join(of.checks.get(number, ("nothing",)))
        boards = "; ".join(of.boards.get(number, ("nothing",)))
        told.append(f"| {number} | {text} | {looks} | {boards} |\n")
    return "".join(told).encode()
