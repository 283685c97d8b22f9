# SPDX-License-Identifier: MIT
"""The author's schema file: reading it, checking it, and naming each mistake with its line."""
