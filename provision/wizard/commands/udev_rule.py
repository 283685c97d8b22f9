# SPDX-License-Identifier: MIT
"""`provision udev-rule`: print the rule that permits ports on USB (Linux)."""

from __future__ import annotations

import argparse

from provision.wizard.result import ExitCode


def add_arguments(_: argparse.ArgumentParser) -> None:
    """It takes nothing."""


def run(_options: argparse.Namespace) -> int:
    """Run the command; return its exit code."""
    from importlib.resources import files  # noqa: PLC0415

    print((files("provision.link") / "70-provision.rules").read_text(encoding="utf-8"), end="")
    return ExitCode.DONE
