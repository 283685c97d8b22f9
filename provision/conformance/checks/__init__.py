# SPDX-License-Identifier: MIT
"""The checks, by clause: one module for each group of clauses, and all of them in their order.

Every check, and what it calls, raises NotMet where the board breaks the clause, and NotApplicable
where the check cannot be made.
"""

from __future__ import annotations

from provision.conformance.check import Check
from provision.conformance.checks.commit import COMMIT_CHECKS
from provision.conformance.checks.constraints import WHOLE_CHECKS
from provision.conformance.checks.envelopes import ENVELOPE_CHECKS
from provision.conformance.checks.flow_control import FLOW_CHECKS
from provision.conformance.checks.framing import LINE_CHECKS
from provision.conformance.checks.items import ITEM_CHECKS
from provision.conformance.checks.networks import LATER_CHECKS, NETWORK_CHECKS
from provision.conformance.checks.parts import PARTS_CHECKS
from provision.conformance.checks.reading import READING_CHECKS
from provision.conformance.checks.staging import STAGING_CHECKS
from provision.conformance.checks.states import STATE_CHECKS
from provision.conformance.checks.trials import TRIAL_CHECKS
from provision.conformance.checks.undo import UNDO_CHECKS
from provision.conformance.checks.values import VALUE_CHECKS

CHECKS: tuple[Check, ...] = (
    *READING_CHECKS,
    *LINE_CHECKS,
    *ITEM_CHECKS,
    *ENVELOPE_CHECKS,
    *FLOW_CHECKS,
    *NETWORK_CHECKS,  # from here to LATER_CHECKS no other check starts a scan
    *STAGING_CHECKS,
    *VALUE_CHECKS,
    *PARTS_CHECKS,
    *LATER_CHECKS,
    *STATE_CHECKS,
    *COMMIT_CHECKS,
    *WHOLE_CHECKS,
    *UNDO_CHECKS,
    *TRIAL_CHECKS,
)
"""In the order in which they run: reading first, since the others want the schema."""
