# SPDX-License-Identifier: MIT
"""What is derived from the tables `shared/messages.json` and `schema.json`: code, grammar and pages."""
