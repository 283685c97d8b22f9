# SPDX-License-Identifier: MIT
"""`make bench`: how fast, how small and how many, each figure beside its goal."""
