# SPDX-License-Identifier: MIT
"""The dialog: which question is next, how it is asked, and what is done with the answers."""
