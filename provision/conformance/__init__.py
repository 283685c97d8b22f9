# SPDX-License-Identifier: MIT
"""The test kit that checks any board against the clauses of shared/protocol.md."""
