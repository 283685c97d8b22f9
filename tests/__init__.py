# SPDX-License-Identifier: MIT
"""Tests, in folders that mirror the packages."""
