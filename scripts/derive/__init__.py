# SPDX-License-Identifier: MIT
"""What is derived from `shared/messages.json` and `schema.json`: code, grammar and pages."""
