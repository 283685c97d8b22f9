# SPDX-License-Identifier: MIT
"""Boards and hosts for tests; `provision.testing.plugin` has them as pytest fixtures."""
