# SPDX-License-Identifier: MIT
"""Boards that are wrong on purpose, one fault each, on the Python board or on its bytes.

A board from a firmware's author can be wrong in any of these ways.
"""

from __future__ import annotations

from tests.conformance.making import Case
from tests.conformance.wrong_conversation import CONVERSATION_CASES
from tests.conformance.wrong_details import DETAILS_CASES
from tests.conformance.wrong_line import LINE_CASES
from tests.conformance.wrong_order import ORDER_CASES
from tests.conformance.wrong_reading import READING_CASES
from tests.conformance.wrong_staging import STAGING_CASES
from tests.conformance.wrong_storing import STORING_CASES
from tests.conformance.wrong_times import TIMES_CASES
from tests.conformance.wrong_values import VALUES_CASES
from tests.conformance.wrong_wholes import WHOLES_CASES

CASES: tuple[Case, ...] = (
    *LINE_CASES,
    *ORDER_CASES,
    *CONVERSATION_CASES,
    *TIMES_CASES,
    *READING_CASES,
    *STAGING_CASES,
    *VALUES_CASES,
    *STORING_CASES,
    *WHOLES_CASES,
    *DETAILS_CASES,
)
