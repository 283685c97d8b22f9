# SPDX-License-Identifier: MIT
"""A board in Python: engine, store and flash without input or output, and the ports they serve."""
