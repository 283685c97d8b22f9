# SPDX-License-Identifier: MIT
"""Boards that are wrong on purpose are caught, each by a check of the clause that it breaks."""

from __future__ import annotations

import pytest

from provision.conformance.checks import CHECKS
from provision.conformance.findings import Finding, Report, Verdict
from provision.conformance.kit import WATCHED
from provision.conformance.watch import Setup
from tests.conformance.making import Case
from tests.conformance.virtual import hold
from tests.conformance.wrong import CASES


def held(case: Case, only: str | None) -> tuple[Report, list[Finding]]:
    """Return the report on a board, and what of its clause is not met."""
    report = hold(case.make(), Setup(may_change=True, patient=True, seed=1, only=only))
    return report, [f for f in report.of(Verdict.NOT_MET) if f.clause == case.clause]


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.clause} {case.fault}")
def test_a_wrong_board_is_caught(case: Case) -> None:
    """The right clause is not met, and the report says what is wrong.

    Most are caught by the checks of the clause alone; what is watched in all that comes may take
    the others.
    """
    report, caught = held(case, case.clause)
    if not caught:
        report, caught = held(case, None)
    assert caught, [finding.name for finding in report.of(Verdict.NOT_MET)]
    assert all(f.follows_from or all(fault.words for fault in f.faults) for f in caught)
    assert not report.is_met
    assert any("not met" in line for line in report.lines())


def test_every_clause_of_the_kit_has_a_wrong_board() -> None:
    """No clause is checked of which nobody has seen that its check can fail."""
    checked = {check.clause for check in CHECKS} | {clause for clause, _ in WATCHED}
    # 2.4 and 6.9: a line with a foreign byte is no message (2.1), and a lamp is not on the line.
    assert checked - {case.clause for case in CASES} == {"2.4", "6.9"}
