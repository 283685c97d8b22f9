# SPDX-License-Identifier: MIT
"""Boards that are wrong on purpose are caught, each by a check of what it breaks."""

from __future__ import annotations

import pytest

from provision.conformance.findings import Verdict
from provision.conformance.watch import Setup
from tests.conformance.making import Case
from tests.conformance.virtual import hold
from tests.conformance.wrong import CASES


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.breaks} {case.fault}")
def test_a_wrong_board_is_caught(case: Case) -> None:
    """By a check that looks at the requirement; the report says what is wrong."""
    only = case.seen_in or case.breaks
    report = hold(case.make(), Setup(may_change=True, patient=True, seed=1, only=only))
    not_met = report.of(Verdict.NOT_MET)
    caught = [finding for finding in not_met if case.breaks in finding.looks_at]
    assert caught, [finding.name for finding in not_met]
    assert all(f.follows_from or all(fault.words for fault in f.faults) for f in caught)
    assert not report.is_met
