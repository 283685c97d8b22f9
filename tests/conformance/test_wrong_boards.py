# SPDX-License-Identifier: MIT
"""Boards that are wrong on purpose are caught, each by a check of the clause that it breaks."""

from __future__ import annotations

import pytest

from provision.conformance.checks import CHECKS
from provision.conformance.findings import Verdict
from provision.conformance.kit import WATCHED
from tests.conformance.virtual import hold
from tests.conformance.wrong import CASES, Case


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.clause} {case.fault}")
def test_a_wrong_board_is_caught(case: Case) -> None:
    """The right clause is not met, and the report shows what was sent, or came, or both."""
    report = hold(case.make())
    caught = [f for f in report.of(Verdict.NOT_MET) if f.clause == case.clause]
    assert caught, [f"{f.clause} {f.title}" for f in report.of(Verdict.NOT_MET)]
    assert all(fault.words for finding in caught for fault in finding.faults)
    assert not report.is_met
    assert any("not met" in line for line in report.lines())


def test_every_clause_of_the_kit_has_a_wrong_board() -> None:
    """No clause is checked of which nobody has seen that its check can fail."""
    checked = {check.clause for check in CHECKS} | {clause for clause, _ in WATCHED}
    # 2.4 and 6.9: a line with a foreign byte is no message (2.1), and a lamp is not on the line.
    assert checked - {case.clause for case in CASES} == {"2.4", "6.9"}
