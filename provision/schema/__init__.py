# SPDX-License-Identifier: MIT
"""What a firmware lets people set: the schema, its values, and what an update does to them."""
