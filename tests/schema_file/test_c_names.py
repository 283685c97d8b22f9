# SPDX-License-Identifier: MIT
"""Names of keys in C: which words are taken."""

from __future__ import annotations

import re
import subprocess

import pytest

from provision.schema_file import c_names

LOWER_CASE_MACROS = re.compile(r"^#define ([a-z][a-z0-9_]*)(?: |$)", re.MULTILINE)


@pytest.mark.needs("cc")
def test_no_macro_of_the_compiler_or_of_the_stubs_headers_can_be_a_member() -> None:
    """Every object-like macro in lower case that a compiler defines by itself is reserved."""
    program = "#include <stdbool.h>\n#include <stddef.h>\n#include <stdint.h>\n"
    listing = subprocess.run(
        ["cc", "-std=gnu99", "-dM", "-E", "-"],
        input=program,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    ).stdout
    found = set(LOWER_CASE_MACROS.findall(listing))
    assert "true" in found
    assert found <= c_names.RESERVED


@pytest.mark.needs("cc")
@pytest.mark.parametrize("standard", ["c99", "gnu99"])
def test_a_key_that_is_not_reserved_is_no_keyword(standard: str) -> None:
    """Words near the keywords name struct members; each reserved keyword of C99 does not."""
    for word in ("relay", "defaults", "classes", "states"):
        assert word not in c_names.RESERVED
        assert compiles(f"enum {{ {word} }};", standard)
    for word in ("default", "int", "register", "inline", "restrict"):
        assert word in c_names.RESERVED
        assert not compiles(f"enum {{ {word} }};", standard)


def compiles(program: str, standard: str) -> bool:
    """Return whether a compiler takes a program."""
    command = ["cc", f"-std={standard}", "-fsyntax-only", "-x", "c", "-"]
    return not subprocess.run(
        command, input=program, text=True, capture_output=True, check=False, timeout=60
    ).returncode


def test_keys_become_names() -> None:
    """Hyphens become underscores; constants are in capitals, with instances numbered."""
    assert c_names.member("alarm-below") == "alarm_below"
    assert c_names.constant("probe.2.alarm-pin") == "PROBE_2_ALARM_PIN"
    assert c_names.constant("siren", "pattern", "on-off") == "SIREN_PATTERN_ON_OFF"
