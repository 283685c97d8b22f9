# SPDX-License-Identifier: MIT
"""What the stub costs is written down, and the page says what the compiler makes of it today."""

from __future__ import annotations

import subprocess

import pytest

from scripts import footprint
from tests.waiting import LONG

pytestmark = pytest.mark.needs("arm-none-eabi-gcc", "clang", "make")


def test_the_page_says_what_the_build_has() -> None:
    """After a change of the stub `python scripts/footprint.py --write` has been run."""
    measured = footprint.measure()
    written = footprint.PAGE.read_text(encoding="utf-8")
    if f"arm-none-eabi-gcc {measured.compiler}," not in written:
        pytest.skip(f"the page was made by another compiler than {measured.compiler}")
    assert footprint.page(measured) == written


def test_what_a_firmware_does_not_name_is_not_linked() -> None:
    """A typical firmware carries neither undo nor trials, parts, time zones, nor their like."""
    measured = footprint.measure()
    everything = {file for file, _ in measured.firmwares["everything, four slots"].functions}
    typical = {file for file, _ in measured.firmwares["typical, two slots"].functions}
    optional = {"undo", "trial", "survey", "locate", "restart", "parts", "pins", "rules", "slots"}
    optional |= {"kept", "time_zone", "decimal", "config"}
    assert {f"pv_{each}.c" for each in optional} == everything - typical
    assert typical - everything == {"pv_pair.c"}
    assert all(size > 0 for size in measured.without.values())
    whole = measured.firmwares["everything, four slots"].flash
    assert all(size < whole for size in measured.without.values())


def test_no_byte_order_is_assumed() -> None:
    """No integer is read or written through a pointer to bytes, or a union.

    With -Wcast-align=strict gcc reports every cast of a pointer to a type of larger alignment.
    What goes through a pointer to void is a member of a settings struct or the header of a record,
    which only this machine reads, and a base's way back to the struct around it.
    """
    command = ["arm-none-eabi-gcc", "-std=c99", "-mcpu=cortex-m0plus", "-mthumb", "-ffreestanding"]
    command += ["-fsyntax-only", "-Wcast-align=strict", f"-I{footprint.STUB / 'include'}"]
    command += ["-isystem", str(footprint.STUB / "ports" / "mps2" / "include")]
    for source in sorted((footprint.STUB / "src").glob("*.c")):
        done = subprocess.run(
            [*command, str(source)], check=True, capture_output=True, text=True, timeout=LONG
        )
        assert done.stderr == "", source.name
        assert "union" not in source.read_text(encoding="utf-8")
