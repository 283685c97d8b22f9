# SPDX-License-Identifier: MIT
"""What the kit finds: results by clause, what was sent, what came, and how they are told."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from typing import Any

from provision.conformance.shown import Shown

_WIDTH = 96
_FAULTS_SHOWN = 4


class Verdict(Enum):
    """What became of a check."""

    MET = "met"
    NOT_MET = "not met"
    NOT_APPLICABLE = "not applicable"


class NotMet(Exception):  # noqa: N818 - a finding, no error of the kit
    """The board does not do what the clause says; str() is in words."""


class NotApplicable(Exception):  # noqa: N818 - a finding, no error of the kit
    """The clause cannot be held against this board, or not now; str() says why."""


class Gone(Exception):  # noqa: N818 - a finding, no error of the kit
    """The board answers no more, not even hello; str() is in words."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: in words, with its figures, what was sent, what came."""

    words: str
    sent: tuple[Shown, ...] = ()
    came: tuple[Shown, ...] = ()
    figures: str = ""
    """What is true of this occurrence only."""

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "words": self.words,
            "figures": self.figures or None,
            "sent": [shown.as_json() for shown in self.sent],
            "came": [shown.as_json() for shown in self.came],
        }

    def lines(self) -> list[str]:
        """Return the same for people."""
        told = _indented(self.words)
        if self.figures:
            told += _indented(self.figures)
        return told + _shown("sent", self.sent) + _shown("came", self.came)


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check; why: why it is not applicable."""

    looks_at: tuple[str, ...]
    """Numbers of requirements of the page; the first one's clause is the finding's."""

    title: str
    verdict: Verdict
    why: str = ""
    faults: tuple[Fault, ...] = ()
    follows_from: str = ""
    """Clause and title of the finding that has told all the faults of this one already."""

    @property
    def clause(self) -> str:
        """The clause that it belongs to."""
        return self.looks_at[0].rpartition(".")[0]

    @property
    def name(self) -> str:
        """Clause and title."""
        return f"{self.clause} {self.title}"

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "clause": self.clause,
            "requirements": list(self.looks_at),
            "title": self.title,
            "verdict": self.verdict.value,
            "why": self.why or None,
            "follows_from": self.follows_from or None,
            "faults": [fault.as_json() for fault in self.faults],
        }

    def lines(self) -> list[str]:
        """Return the same for people."""
        told = [f"{self.clause:<5} {self.verdict.value:<15} {self.title}"]
        if self.why:
            told += _indented(self.why)
        if self.follows_from:
            return told + _indented(f"follows from {self.follows_from}")
        for fault in self.faults[:_FAULTS_SHOWN]:
            told += fault.lines()
        more = len(self.faults) - _FAULTS_SHOWN
        return told + (_indented(f"and {more} more of this kind") if more > 0 else [])


def tell_once(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings with each fault told where it stands first.

    Faults that differ in nothing but their numbers count as one. A finding all of whose faults
    stand before it says whose they are instead.
    """
    told: dict[str, str] = {}
    once = []
    for finding in findings:
        new = [fault for fault in finding.faults if _kind(fault) not in told]
        first = finding
        if finding.faults and not new:
            first = replace(finding, faults=(), follows_from=told[_kind(finding.faults[0])])
        elif len(new) < len(finding.faults):
            first = replace(finding, faults=tuple(new))
        for fault in finding.faults:
            told.setdefault(_kind(fault), finding.name)
        once.append(first)
    return tuple(once)


def _kind(fault: Fault) -> str:
    return re.sub(r"[0-9]+", "#", fault.words)


@dataclass(frozen=True, slots=True)
class Report:
    """All findings about one board."""

    board: str
    """Who it is, in one line."""

    findings: tuple[Finding, ...]
    settings: str
    """What the run did to the board's settings, in one sentence."""

    exchanges: int = field(default=0)
    """How often the kit waited for the board's answer."""

    has_answered: bool = True
    """Whether the board answered hello: without that nothing conforms."""

    remarks: tuple[str, ...] = ()
    """What is worth knowing, and breaks no clause."""

    @property
    def is_met(self) -> bool:
        """Whether nothing was found that the board does otherwise than the page says."""
        return self.has_answered and not self.of(Verdict.NOT_MET)

    def of(self, verdict: Verdict) -> tuple[Finding, ...]:
        """Return the findings with this verdict."""
        return tuple(finding for finding in self.findings if finding.verdict is verdict)

    def summary(self) -> str:
        """Return the counts in one sentence."""
        met, not_met, other = (len(self.of(verdict)) for verdict in Verdict)
        return f"{met} met, {not_met} not met, {other} not applicable."

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "board": self.board,
            "conforms": self.is_met,
            "met": len(self.of(Verdict.MET)),
            "not_met": len(self.of(Verdict.NOT_MET)),
            "not_applicable": len(self.of(Verdict.NOT_APPLICABLE)),
            "settings": self.settings,
            "exchanges": self.exchanges,
            "remarks": list(self.remarks),
            "clauses": [finding.as_json() for finding in self.findings],
        }

    def lines(self) -> list[str]:
        """Return the table for people."""
        told = [line for finding in self.findings for line in finding.lines()]
        return [self.board, "", *told, "", self.summary(), *self.remarks, self.settings]


def _indented(text: str, by: int = 22, first: str = "") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=" " * by + first, subsequent_indent=" " * (by + len(first))
    )


def _shown(what: str, lines: Sequence[Shown]) -> list[str]:
    if not lines:
        return _indented("nothing", first=f"{what}: ")
    told = []
    for line in lines:
        told += _indented(line.words, first=f"{what}: ")
        if line.text is not None:
            told.append(line.text)  # whole and from the margin, so that it can be pasted
    return told
