# SPDX-License-Identifier: MIT
"""What is derived from the table of messages, `shared/messages.json`: code, grammar and pages."""
