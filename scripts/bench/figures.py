# SPDX-License-Identifier: MIT
"""The figures of a run, and the table of them for people and for programs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure: what was measured, the value, and the most that it may be, if there is a goal."""

    part: str
    name: str
    value: float
    unit: str = ""
    """Of a count; empty for a ratio."""

    at_most: float | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    """What the value is made of."""

    @property
    def holds(self) -> bool | None:
        """Whether the goal is met; None without a goal."""
        return None if self.at_most is None else self.value <= self.at_most

    def as_item(self) -> dict[str, Any]:
        """Return it as JSON takes it."""
        return {
            "part": self.part,
            "name": self.name,
            "value": self.value,
            "unit": self.unit,
            "goal": self.at_most,
            "holds": self.holds,
            "counts": dict(self.counts),
        }


@dataclass(frozen=True, slots=True)
class Part:
    """The figures that belong together, and what a reader has to know of them."""

    title: str
    figures: Sequence[Figure]
    notes: Sequence[str] = ()


def table(parts: Sequence[Part]) -> str:
    """Return the figures as a table for people, each part with its notes."""
    width = max(len(figure.name) for part in parts for figure in part.figures)
    out = []
    for part in parts:
        out += ["", part.title, "-" * len(part.title)]
        for figure in part.figures:
            value = _number(figure.value, figure.unit)
            goal = "" if figure.at_most is None else f"≤ {_number(figure.at_most, figure.unit)}"
            verdict = {None: "", True: "holds", False: "MISSED"}[figure.holds]
            made_of = ", ".join(f"{count:,} {name}" for name, count in figure.counts.items())
            line = f"  {figure.name:<{width}}  {value:>14}  {goal:<14}  {verdict:<6}  {made_of}"
            out.append(line.rstrip())
        out += [f"  * {note}" for note in part.notes]
    judged = [figure for part in parts for figure in part.figures if figure.holds is not None]
    missed = [figure for figure in judged if not figure.holds]
    out += ["", f"{len(judged) - len(missed)} of {len(judged)} goals hold."]
    return "\n".join(out)


def _number(value: float, unit: str) -> str:
    if not unit:
        return f"{value:.3f}"
    digits = 0 if float(value).is_integer() else 3 if unit == "s" else 1
    return f"{value:,.{digits}f} {unit}"
