# SPDX-License-Identifier: MIT
"""What is made for a firmware's author out of a schema file."""
