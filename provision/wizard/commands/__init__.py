# SPDX-License-Identifier: MIT
"""The commands for people, a module each: add_arguments() and run()."""
