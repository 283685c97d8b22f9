# SPDX-License-Identifier: MIT
"""What a host does with a board, without a person: find it, read, store, follow, undo, erase."""
