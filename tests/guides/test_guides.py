# SPDX-License-Identifier: MIT
"""The guides are followed word by word, in an empty folder, with the package as it is published."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.guide_runner import blocks, commands, follow, is_like

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
FIRST_DIALOG = ROOT / "schemas" / "FIRST-DIALOG.md"
INTEGRATING = ROOT / "firmware_stub" / "INTEGRATING.md"


def test_the_ten_minutes_to_a_dialog(clean_environment: dict[str, str], tmp_path: Path) -> None:
    """From installing to the generated C; what each command prints is what the guide shows."""
    assert follow(FIRST_DIALOG, tmp_path, clean_environment) >= 15
    assert (tmp_path / "firmware" / "gate_bell.c").exists()


def test_a_board_is_set_up_from_python(clean_environment: dict[str, str], tmp_path: Path) -> None:
    """README.md, "From Python": a script and a test that anybody can run."""
    assert follow(README, tmp_path, clean_environment) == 4


@pytest.mark.needs("cc", "objcopy")
def test_integrating_a_firmware_that_exists(
    clean_environment: dict[str, str], tmp_path: Path
) -> None:
    """From its source to a firmware that is set up, tested, updated and checked for publishing."""
    assert follow(INTEGRATING, tmp_path, clean_environment) >= 20
    assert not (tmp_path / "port").is_symlink()  # the firmware has ended


@pytest.mark.parametrize("guide", [FIRST_DIALOG, INTEGRATING], ids=lambda guide: guide.name)
def test_every_command_that_a_guide_shows_is_followed(guide: Path) -> None:
    """No block of commands is marked otherwise, and so passed over; nor a file without a name."""
    text = guide.read_text(encoding="utf-8")
    followed = sum(len(list(commands(block.text))) for block in blocks(text))
    assert followed == sum(line.startswith("$ ") for line in text.splitlines())
    assert text.count("\n```") == 2 * len(list(blocks(text)))


@pytest.mark.parametrize(
    ("said", "expected", "like"),
    [
        ("one\ntwo\n", "one\ntwo", True),
        ("one\ntwo\n", "one", False),
        ("one\n2.5 s\n", "one\n... s", True),
        ("a\nb\nc\n", "...\nc", True),
        ("a\nb\nd\n", "...\nc", False),
        ("", "", True),
        ("something\n", "", False),
    ],
)
def test_an_output_is_compared_line_by_line(said: str, expected: str, *, like: bool) -> None:
    """What follows a guide can fail."""
    assert is_like(said, expected) is like
