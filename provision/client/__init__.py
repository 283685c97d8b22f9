# SPDX-License-Identifier: MIT
"""What a host does with a board, without a person: meet it, read, store, follow, undo, erase."""
