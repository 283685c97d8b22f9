# SPDX-License-Identifier: MIT
"""Boards that are wrong on purpose, one fault each, on the Python board or on its bytes.

A board from a firmware's author can be wrong in any of these ways.
"""

from __future__ import annotations

from tests.conformance.making import Case
from tests.conformance.wrong_conversation import CONVERSATION_CASES
from tests.conformance.wrong_line import LINE_CASES
from tests.conformance.wrong_staging import STAGING_CASES
from tests.conformance.wrong_storing import STORING_CASES

CASES: tuple[Case, ...] = (*LINE_CASES, *CONVERSATION_CASES, *STAGING_CASES, *STORING_CASES)
