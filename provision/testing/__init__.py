# SPDX-License-Identifier: MIT
"""Boards and hosts for tests; `plugin` has them as fixtures of pytest."""
