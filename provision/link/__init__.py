# SPDX-License-Identifier: MIT
"""The link: ports, byte streams, and the session with a board."""
