# SPDX-License-Identifier: MIT
"""The kit that holds any board against the clauses of shared/protocol.md."""
