# SPDX-License-Identifier: MIT
"""What a schema file may have at the least and at the most."""

from __future__ import annotations

TRIAL_SECONDS = (10, 3600)
LEAST_SLOTS_OF_A_TRIAL = 3
SLOTS = (2, 8)
BAUD = (300, 4_000_000)
GREATEST_SIZE = 2**32 - 1
"""Bytes."""
MAX_UNIT = 8
"""Bytes of a unit's name."""
DIGITS = (1, 6)
"""Decimal digits."""
MAX_SCHEMES = 8
MAX_SCHEME = 12
"""Letters of a URL's scheme."""
MAX_OLDER_KEYS = 8
MAX_CONDITION_VALUES = 32
