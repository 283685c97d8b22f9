# SPDX-License-Identifier: MIT
"""What a person sees on the main ways through the dialog, kept in screens/ for a reader.

Each way is played on a terminal of 80 columns and 30 lines against the compiled stub. Before every
answer, what is new on the screen is kept; all of it, where lines changed that stood there before.
`PROVISION_SCREENS=write` writes the files anew; then look at the difference. screens/README.md
lists how many questions and keystrokes each way takes.
"""

from __future__ import annotations

import difflib
import os
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pyte
import pytest

from provision.wizard.result import ExitCode
from tests.test_cli import ANSWERS, provision
from tests.wizard.bench import PASSPHRASE, SERVICE_KEY
from tests.wizard.test_compiled_board import BOARD, board
from tests.wizard.test_terminal import Terminal, terminal

SCREENS = Path(__file__).parent / "screens"
WRITES = os.environ.get("PROVISION_SCREENS") == "write"
COLUMNS, LINES = 80, 30

_QUIET = 0.3  # seconds without output after which a screen has settled
_LONGEST = 30.0

# What differs from run to run, or with how quick the machine is.
_VARIES = (
    (re.compile(r"id [0-9a-f]{16}"), "id ................"),
    (re.compile(r"^  (The board is|Das Board ist dabei,) .*\n", re.MULTILINE), ""),
)

pytestmark = pytest.mark.skipif(
    not BOARD.exists(), reason="needs the compiled stub, firmware_stub/build/board_pty (make stub)"
)


@dataclass
class Way:
    """One way through the dialog as it is played: what was seen, and what it took."""

    here: Terminal
    seen: list[str] = field(default_factory=list)
    questions: int = 0
    keystrokes: int = 0
    _read: int = 0
    _stood: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._screen = pyte.Screen(COLUMNS, LINES)
        self._stream = pyte.Stream(self._screen)

    def answer(self, *answers: str) -> None:
        """Answer one question after the other, each with Return, when its screen stands there."""
        for text in answers:
            shown = text.replace(PASSPHRASE, "(the passphrase)").replace(SERVICE_KEY, "(the key)")
            self.look()
            self.seen.append(f"{self._news()}\n\n[{shown}{' ' if shown else ''}Return]")
            self.questions += 1
            self.keystrokes += len(text) + 1
            self.here.type(text, "\r")

    def end(self) -> int:
        """Read to the end; return the exit code."""
        deadline = time.monotonic() + _LONGEST
        while self.here.read(0.1):
            assert time.monotonic() < deadline, self._now()
        code = self.here.end()
        self.seen.append(f"{self._news()}\n\n[exit code {code}]")
        return code

    def look(self) -> None:
        """Read until a question stands there and nothing moves any more."""
        deadline = time.monotonic() + _LONGEST
        while True:
            before = len(self.here.raw)
            quiet_until = time.monotonic() + _QUIET
            while time.monotonic() < quiet_until:
                self.here.read(0.05)
            if len(self.here.raw) == before and self._is_asking():
                return
            assert time.monotonic() < deadline, self._now()

    def _is_asking(self) -> bool:
        self._feed()
        line = self._screen.display[self._screen.cursor.y]
        return line.lstrip().startswith(">")

    def _feed(self) -> None:
        self._stream.feed(self.here.raw[self._read :])
        self._read = len(self.here.raw)

    def _now(self) -> str:
        self._feed()
        text = "\n".join(line.rstrip() for line in self._screen.display).rstrip("\n") + "\n"
        for pattern, instead in _VARIES:
            text = pattern.sub(instead, text)
        return text.rstrip("\n")

    def _news(self) -> str:
        lines, stood = self._now().splitlines(), self._stood
        self._stood = lines[:-1]  # without the line that is typed into
        scrolled = next(n for n in range(len(stood) + 1) if lines[: len(stood) - n] == stood[n:])
        return "\n".join(lines[len(stood) - scrolled :]).strip("\n")


@contextmanager
def way(*arguments: str) -> Iterator[Way]:
    """Begin a way; its command runs on a terminal."""
    with terminal(*arguments, columns=COLUMNS, lines=LINES, TZ="Europe/Vienna") as here:
        yield Way(here)


# --- The ways, each played with the port of a fresh board


def played(command: str, port: str, *answers: str, keys: Sequence[str] = ()) -> Way:
    """Play a command to its good end with these answers."""
    with way(command, *keys, "--port", port) as here:
        here.answer(*answers)
        assert here.end() == ExitCode.DONE
    return here


def first_provisioning(port: str) -> Way:
    """A board that was just flashed."""
    network = ("1", PASSPHRASE, "")  # the first in range; no fixed address
    service = ("", "", SERVICE_KEY, "", "")
    measuring = ("", "", "")
    probe = ("", "", "26", "", "")
    siren = ("", "", "y", "", "", "")  # the relay's caution is read
    return played("setup", port, *network, *service, *measuring, *probe, *siren, "", "", "", "")


def changes_in_german(port: str) -> Way:
    """A network and a pin for a person who reads German: the program's texts and the firmware's."""
    _set_up(port)
    keys = ("network.name", "siren.relay", "--language", "de")
    return played("change", port, "1", PASSPHRASE, "14", "ja", "", keys=keys)


def a_wrong_passphrase_in_german(port: str) -> Way:
    """The network refuses the passphrase, and a question is explained."""
    _set_up(port, {"blossom-before-frost": "blossom-after-frost"})
    return played("setup", port, "?", PASSPHRASE, "", keys=["--language", "de"])


def an_open_network_and_a_wrong_key(port: str) -> Way:
    """An open network wants no passphrase; the service refuses the key, which is asked again."""
    _set_up(port, {"Orchard Gate": "Orchard Gaze", SERVICE_KEY: "not-the-key-of-it"})
    return played("setup", port, "2", "", SERVICE_KEY, "")


def a_wrong_passphrase(port: str) -> Way:
    """The network refuses the passphrase; it is asked again, with the reason."""
    _set_up(port, {"blossom-before-frost": "blossom-after-frost"})
    return played("setup", port, PASSPHRASE, "")


def a_network_out_of_range(port: str) -> Way:
    """No network of this name is found; name and passphrase are asked again."""
    _set_up(port, {"Orchard Gate": "Orchard Gaze"})
    return played("setup", port, "1", PASSPHRASE, "")


def a_name_that_nobody_knows(port: str) -> Way:
    """The service's host name cannot be looked up; only that is asked again."""
    _set_up(port, {"[service]": '[service]\nhost = "weather.invalid"'})
    return played("setup", port, "weather.example.net", "")


def a_service_that_does_not_answer(port: str) -> Way:
    """The service cannot be reached; its host is asked again."""
    _set_up(port, {"[service]": '[service]\nhost = "192.0.2.7"'})
    return played("setup", port, "weather.example.net", "")


def one_change(port: str) -> Way:
    """One setting of a board that is set."""
    _set_up(port)
    return played("change", port, "?", "0.5", "", keys=["mast.alarm-below"])


def going_back(port: str) -> Way:
    """To the settings before the present ones."""
    _set_up(port)
    _set_up(port, {"Lower orchard": "Upper orchard"})
    return played("undo", port, "y")


def giving_it_away(port: str) -> Way:
    """Everything is erased."""
    _set_up(port)
    return played("erase", port, "y")


def nothing_to_do(port: str) -> Way:
    """A board that is set, and works."""
    _set_up(port)
    return played("setup", port)


WAYS = [
    first_provisioning,
    an_open_network_and_a_wrong_key,
    a_wrong_passphrase,
    a_network_out_of_range,
    a_name_that_nobody_knows,
    a_service_that_does_not_answer,
    one_change,
    going_back,
    giving_it_away,
    nothing_to_do,
    changes_in_german,
    a_wrong_passphrase_in_german,
]


def _set_up(port: str, changed: Mapping[str, str] | None = None) -> None:
    """Give a board the demo's answers, with these texts changed in them."""
    answers = ANSWERS.read_text(encoding="utf-8")
    for was, instead in (changed or {}).items():
        answers = answers.replace(was, instead)
    file = Path(port).parent / "answers.toml"
    file.write_text(answers, encoding="utf-8")
    provision("setup", "--port", port, "--answers", file)


def _write_row(row: str) -> None:
    page = SCREENS / "README.md"
    lines = page.read_text(encoding="utf-8").splitlines()
    begin = row.partition("](")[0]
    lines = [row if line.startswith(begin) else line for line in lines]
    page.write_text("\n".join(lines if row in lines else [*lines, row]) + "\n", encoding="utf-8")


@pytest.mark.parametrize("play", WAYS, ids=lambda play: play.__name__)
def test_the_screens_are_those_that_are_kept(play: Callable[[str], Way], tmp_path: Path) -> None:
    """Every screen of the way, and no secret on any of them; and no question more than listed."""
    with board(tmp_path, "--survey") as (port, _):
        way = play(port)
    story = f"{play.__doc__}\n\n" + "\n\n".join(way.seen) + "\n"
    assert PASSPHRASE not in story
    assert SERVICE_KEY not in story
    file = SCREENS / f"{play.__name__.replace('_', '-')}.txt"
    row = f"| [{file.name}]({file.name}) | {way.questions} | {way.keystrokes} |"
    if WRITES:
        file.write_text(story, encoding="utf-8")
        _write_row(row)
        return
    kept = file.read_text(encoding="utf-8")
    difference = "\n".join(difflib.unified_diff(kept.splitlines(), story.splitlines(), lineterm=""))
    assert story == kept, difference
    assert row in (SCREENS / "README.md").read_text(encoding="utf-8")
