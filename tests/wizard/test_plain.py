# SPDX-License-Identifier: MIT
"""The dialog line by line, on a real terminal: for whoever has it read out."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from provision.wizard.result import ExitCode
from tests.test_cli import NETWORKS, SECRETS, provision, stand_in
from tests.waiting import until
from tests.wizard.bench import CTRL_C, CTRL_D, first_time
from tests.wizard.test_terminal import Terminal, terminal


@pytest.fixture
def port() -> Iterator[str]:
    """The port of a virtual board."""
    with stand_in("--networks", NETWORKS) as name:
        yield name


class Lines:
    """Somebody who answers each question when its prompt is there."""

    def __init__(self, here: Terminal) -> None:
        self._here = here
        self._answered = 0

    def answer(self, *answers: str) -> None:
        """Type lines."""
        for one in answers:
            until(
                lambda: self._here.text.count("\n> ") > self._answered,
                f"the prompt that {one!r} answers",
                self._read_on,
            )
            self._answered += 1
            self._here.type(one, "\n")

    def _read_on(self) -> None:
        assert self._here.read(), self._here.text


LINES = [line for keys in first_time() for line in keys.split("\r")[:-1]]


@pytest.mark.parametrize("way", ["flag", "environment"])
def test_a_board_is_set_up_without_anything_drawn_twice(port: str, way: str) -> None:
    """No code moves the cursor or colours a letter; no secret stands there; the board works."""
    arguments = ["setup", "--port", port, *(["--plain"] if way == "flag" else [])]
    with terminal(*arguments, PROVISION_PLAIN="1" if way == "environment" else "") as here:
        Lines(here).answer(*LINES, "")
        assert here.end() == ExitCode.DONE, here.text
    assert "\x1b" not in here.raw
    assert "\r" not in here.raw.replace("\r\n", "")
    assert not [secret for secret in SECRETS if secret in here.raw]
    assert "What you type is not shown." in here.text
    assert "Name of the mast: Orchard mast" in provision("show", "--port", port).stdout


def test_words_do_what_keys_do(port: str) -> None:
    """Help, back, and what is wrong in words; the question comes again."""
    with terminal("setup", "--port", port, "--plain", columns=40) as here:
        lines = Lines(here)
        lines.answer("?", "Orchard Gate", "seven77", "<", "Barn", "", "")
        here.type(CTRL_C)
        assert here.end() == ExitCode.INTERRUPTED
    assert "It must" in here.text
    assert "Not taken:" in here.text
    assert here.text.count("1 of 23") == 3  # asked, explained, gone back to
    assert max(len(line) for line in here.text.splitlines()) <= 40
    assert "Nothing was changed on the board." in " ".join(here.text.split())


def test_the_end_of_the_input_leaves_the_board_as_it_was(port: str) -> None:
    """Ctrl-D at a question."""
    with terminal("setup", "--port", port, "--plain") as here:
        here.wait_for("\n> ")
        here.type(CTRL_D)
        assert here.end() == ExitCode.INTERRUPTED
    assert "Nothing was changed on the board." in here.text


def test_the_other_commands_ask_line_by_line_as_well(port: str) -> None:
    """Change with its list of numbers, and erase."""
    with terminal("setup", "--port", port, "--plain") as here:
        Lines(here).answer(*LINES, "")
        assert here.end() == ExitCode.DONE
    with terminal("change", "orchard.name", "--port", port, "--plain") as here:
        Lines(here).answer("Upper orchard", "")
        assert here.end() == ExitCode.DONE, here.text
    with terminal("erase", "--port", port, "--plain") as here:
        Lines(here).answer("", "yes")
        assert here.end() == ExitCode.DONE
    assert "Not taken:" in here.text
    assert "nothing is stored" in provision("show", "--port", port).stdout
    assert os.environ.get("PROVISION_PLAIN") is None
