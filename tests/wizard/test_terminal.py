# SPDX-License-Identifier: MIT
"""The command on a real terminal, a pty: Ctrl-C as the terminal gives it, width, no colours."""

from __future__ import annotations

import fcntl
import os
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from provision.wizard.result import ExitCode
from provision.wizard.screen import without_echo
from tests.link.served import is_free
from tests.test_cli import NETWORKS, ROOT, SCHEMA, SECRETS, provision, stand_in
from tests.wizard.bench import CTRL_C, first_time

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")

_COLOURS = re.compile(r"\x1b\[(?:\d+;)*(?:3[0-7]|9[0-7]|38;[0-9;]*|4[0-7])m")
_ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|[@-Z\\-_])")


class Terminal:
    """A command that runs on a terminal of its own."""

    def __init__(self, master: int, process: subprocess.Popen[bytes]) -> None:
        self._master = master
        self.process = process
        self.raw = ""

    @property
    def text(self) -> str:
        """What stood on the terminal, without the codes that move the cursor."""
        return _ESCAPES.sub("", self.raw)

    def type(self, *keys: str) -> None:
        """Press keys."""
        os.write(self._master, "".join(keys).encode())

    def resize(self, *, columns: int) -> None:
        """Change the size of the terminal, which tells the command by a signal."""
        fcntl.ioctl(self._master, termios.TIOCSWINSZ, struct.pack("HHHH", 30, columns, 0, 0))

    def wait_for(self, text: str, patience: float = 30) -> None:
        """Read until this text has appeared since the last time; fail with what came instead."""
        seen = len(self.text)
        deadline = time.monotonic() + patience
        while text not in self.text[max(0, seen - len(text)) :]:
            assert time.monotonic() < deadline, f"no {text!r} in {self.text[-2000:]!r}"
            if not self.read():
                raise AssertionError(f"ended without {text!r}: {self.text[-2000:]!r}")

    def end(self, patience: float = 60) -> int:
        """Read to the end; return the exit code."""
        deadline = time.monotonic() + patience
        while self.read():
            assert time.monotonic() < deadline, f"has not ended: {self.text[-2000:]!r}"
        return self.process.wait(timeout=30)

    def close(self) -> None:
        """Close the window that the terminal is in, and wait until the command has ended."""
        if self._master >= 0:
            os.close(self._master)
            self._master = -1
        self.process.wait(timeout=30)

    def read(self, patience: float = 1) -> bool:
        """Read what has come; False when the command has ended."""
        ready, _, _ = select.select([self._master], [], [], patience)
        if not ready:
            return self.process.poll() is None
        try:
            data = os.read(self._master, 65536)
        except OSError:  # EIO: the command has gone
            return False
        self.raw += data.decode(errors="replace")
        return bool(data)


def _as_for_a_person() -> None:
    """Make the terminal the controlling one, so that Ctrl-C is a signal, and none is ignored.

    Some are where the tests themselves run in the background of a shell, or under nohup.
    """
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    for number in (signal.SIGINT, signal.SIGQUIT, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


@contextmanager
def terminal(
    *arguments: str,
    columns: int = 80,
    lines: int = 30,
    program: tuple[str, ...] = ("-m", "provision"),
    **environment: str,
) -> Iterator[Terminal]:
    """Run the command on a terminal of this size."""
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
    process = subprocess.Popen(
        [sys.executable, *program, *arguments],
        cwd=ROOT,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
        preexec_fn=_as_for_a_person,  # noqa: PLW1509 - no threads
        env={**os.environ, "TERM": "xterm", "PROMPT_TOOLKIT_NO_CPR": "1", **environment},
    )
    os.close(slave)
    here = Terminal(master, process)
    try:
        yield here
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(timeout=30)
        here.close()


@pytest.fixture
def port() -> Iterator[str]:
    """The port of a virtual board."""
    with stand_in("--networks", NETWORKS) as name:
        yield name


def test_a_person_sets_a_board_up(port: str) -> None:
    """The whole way on a terminal, with no secret left on it."""
    with terminal("setup", "--port", port) as here:
        here.wait_for("1 of 23")
        here.type(*first_time())
        here.wait_for("Return stores this")
        here.type("\r")
        assert here.end() == ExitCode.DONE
        assert "the board works with them" in " ".join(here.text.split())
        assert not [secret for secret in SECRETS if secret in here.text]
    assert "Name of the mast: Orchard mast" in provision("show", "--port", port).stdout


def test_an_interrupt_at_a_question_changes_nothing(port: str) -> None:
    """Ctrl-C, its own exit code, and a sentence."""
    with terminal("setup", "--port", port) as here:
        here.wait_for("1 of 23")
        here.type(CTRL_C)
        assert here.end() == ExitCode.INTERRUPTED
        assert "Nothing was changed on the board." in here.text
    assert "nothing is stored" in provision("show", "--port", port).stdout


def test_an_interrupt_while_the_board_tries_the_settings_says_that_they_are_stored(
    port: str,
) -> None:
    """After commit an interrupt no longer undoes anything, and nobody may think so."""
    with terminal("setup", "--port", port) as here:
        here.wait_for("1 of 23")
        here.type(*first_time())
        here.wait_for("Return stores this")
        here.type("\r")
        here.wait_for("Waiting for the board to try")
        here.type(CTRL_C)
        assert here.end() == ExitCode.DONE
        assert "The settings are stored" in " ".join(here.text.split())
    assert "Network: Orchard Gate" in provision("show", "--port", port).stdout


def test_an_interrupt_while_no_board_answers_ends_at_once() -> None:
    """Waiting says what to do, and how to leave."""
    master, slave = os.openpty()  # a port with nobody behind it
    try:
        with terminal("setup", "--port", os.ttyname(slave)) as here:
            here.wait_for("press its reset button")
            here.type(CTRL_C)
            assert here.end() == ExitCode.INTERRUPTED
            assert "Nothing was changed on the board." in here.text
    finally:
        os.close(slave)
        os.close(master)


def test_a_terminal_that_is_resized_loses_nothing(port: str) -> None:
    """What is typed stays, and the dialog goes on in the new width."""
    with terminal("setup", "--port", port) as here:
        here.wait_for("1 of 23")
        here.type("Orchard ")
        here.wait_for("Orchard ")
        here.resize(columns=40)
        here.type("Gate\r")
        here.wait_for("For the network Orchard Gate.")
        here.type(CTRL_C)
        assert here.end() == ExitCode.INTERRUPTED


def test_a_narrow_terminal_without_colours(port: str) -> None:
    """At 40 columns no line of ours is longer, and NO_COLOR is honoured."""
    with terminal("setup", "--port", port, columns=40, NO_COLOR="1") as here:
        here.wait_for("1 of 23")
        here.type(*first_time())
        here.wait_for("To be stored")
        here.type(CTRL_C)
        assert here.end() == ExitCode.INTERRUPTED
        assert not _COLOURS.findall(here.raw)
        lines = re.split(r"[\r\n]|(?=  > )", here.text)  # a prompt is drawn again in its place
        assert [line for line in lines if len(line.rstrip()) > 40] == []


def test_rehearsing_needs_no_hardware() -> None:
    """The same dialog, on a board in the same process."""
    with terminal("rehearse", str(SCHEMA), "--networks", str(NETWORKS)) as here:
        here.wait_for("1 of 23")
        here.type(*first_time())
        here.wait_for("Return stores this")
        here.type("\r")
        assert here.end() == ExitCode.DONE
        assert "198.51.100.7" in here.text


@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT])
def test_a_program_that_is_told_to_end_leaves_the_board_as_it_was(
    port: str, end: signal.Signals
) -> None:
    """As by Ctrl-C: what was not sent was never there, and the port is anybody's again."""
    with terminal("setup", "--port", port) as here:
        here.type(*first_time()[:3])
        here.wait_for("Probe 1")
        assert not is_free(port)
        here.process.send_signal(end)
        assert here.end() == ExitCode.INTERRUPTED
        assert "Nothing was changed on the board." in here.text
    assert is_free(port)
    assert "nothing is stored" in provision("show", "--port", port).stdout


def test_a_terminal_that_is_closed_leaves_the_board_as_it_was(port: str) -> None:
    """The same where nobody sees any more what is said."""
    with terminal("setup", "--port", port) as here:
        here.type(*first_time()[:3])
        here.wait_for("Probe 1")
        here.close()
    assert is_free(port)
    assert "nothing is stored" in provision("show", "--port", port).stdout


@pytest.mark.parametrize("command", ["log", "conform"])
def test_other_commands_let_go_of_the_port_when_they_are_told_to_end(
    port: str, command: str
) -> None:
    """Each of them would otherwise keep it for nobody."""
    with terminal(command, "--port", port) as here:
        deadline = time.monotonic() + 30
        while is_free(port):
            assert time.monotonic() < deadline, "the command did not open the port"
            assert here.read(0.02), here.text
        here.process.terminate()
        here.end()
    assert is_free(port)


def test_a_signal_that_is_ignored_stays_ignored(port: str) -> None:
    """So that nohup does what it is for."""
    script = (
        "import signal, sys\n"
        "signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
        "from provision.cli import main\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    with terminal("log", "--port", port, program=("-c", script)) as here:
        here.wait_for("Ctrl-C leaves")
        here.process.send_signal(signal.SIGHUP)
        here.process.send_signal(signal.SIGCONT)  # is delivered after it, if it is
        assert here.read(0.5), "hung up"
        here.type(CTRL_C)
        assert here.end() == ExitCode.DONE


def test_a_terminal_echoes_nothing_between_two_questions(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is typed ahead may be a secret; afterwards the terminal is as it was."""
    near, far = os.openpty()
    with open(far, encoding="utf-8") as terminal:  # noqa: PTH123 - a descriptor, not a path
        monkeypatch.setattr(sys, "stdin", terminal)
        before = termios.tcgetattr(far)
        assert before[3] & termios.ECHO
        with without_echo():
            quiet = termios.tcgetattr(far)
            assert not quiet[3] & termios.ECHO
            assert quiet[3] & termios.ISIG  # Ctrl-C stays what it is
        assert termios.tcgetattr(far) == before
    os.close(near)
