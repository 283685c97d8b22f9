# SPDX-License-Identifier: MIT
"""The sources of shared/vectors: cases written by hand, and how they become bytes."""
