# SPDX-License-Identifier: MIT
"""Whole commands, as processes: no secret in what they print, keep, or show of themselves.

Allowed are the files that a person gave (answers, identity), what the stand-in knows of its world
(networks), and the board's own flash.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.wizard.result import ExitCode
from tests.secrets.vault import (
    CANARIES,
    IDENTITY,
    OTHER_PASSPHRASE,
    PASSPHRASE,
    SCHEMA,
    SEED,
    SERVICE_KEY,
    write_answers,
    write_networks,
)
from tests.waiting import join, next_line

ROOT = Path(__file__).parents[2]


class Surroundings:
    """A home, a folder for temporary files, and all that processes wrote and showed in them."""

    def __init__(self, folder: Path) -> None:
        self.given = folder / "given"
        """What a person and the stand-in's world know; not searched."""
        self.home = folder / "home"
        for path in (self.given, self.home, self.home / "tmp"):
            path.mkdir()
        self.written: list[tuple[str, bytes | str]] = []
        self.answers = write_answers(self.given)
        self.networks = write_networks(self.given)

    @property
    def environment(self) -> dict[str, str]:
        """Return an environment in which every file goes to this home."""
        mine = {"HOME": self.home, "TMPDIR": self.home / "tmp"}
        mine |= {f"XDG_{kind}_HOME": self.home / kind for kind in ("CACHE", "CONFIG", "DATA")}
        return {**os.environ, **{name: str(path) for name, path in mine.items()}}

    def run(
        self, *arguments: str | Path, extra: Mapping[str, str] | None = None, code: int = 0
    ) -> subprocess.CompletedProcess[bytes]:
        """Run a command to its end; keep what it writes, and what the system shows of it."""
        process = subprocess.Popen(
            [sys.executable, "-m", "provision", *map(str, arguments)],
            cwd=ROOT,
            env={**self.environment, **(extra or {})},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        with self.watching(process):
            out, err = process.communicate(timeout=100)
        self.written += [(f"{arguments[0]}: stdout", out), (f"{arguments[0]}: stderr", err)]
        assert process.returncode == code, err.decode()
        return subprocess.CompletedProcess(arguments, process.returncode, out, err)

    @contextmanager
    def watching(self, process: subprocess.Popen[bytes]) -> Iterator[None]:
        """Keep what the system shows of a process and its children while it runs."""
        seen: set[tuple[str, bytes]] = set()
        ended = threading.Event()

        def watch() -> None:
            while not ended.wait(0.01):
                seen.update(_shown(process.pid))

        seen.update(_shown(process.pid))
        watcher = threading.Thread(target=watch)
        watcher.start()
        try:
            yield
        finally:
            ended.set()
            join(watcher)
            self.written += sorted(seen)

    @contextmanager
    def board(self, *arguments: str | Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
        """Run a virtual board; yield its port and its process."""
        log = self.home / "tmp" / "stand-in"
        with log.open("wb") as errors:
            process = subprocess.Popen(
                [sys.executable, "-m", "provision", "stand-in", str(SCHEMA), *map(str, arguments)],
                cwd=ROOT,
                env=self.environment,
                stdout=subprocess.PIPE,
                stderr=errors,
            )
        try:
            said = next_line(process)
            self.written += [("stand-in: stdout", said), *_shown(process.pid)]
            yield said.decode().removeprefix("The board is on ").rstrip(".\n"), process
        finally:
            process.terminate()
            process.wait(timeout=20)
            assert process.stdout is not None
            process.stdout.close()

    def leaks(self) -> list[str]:
        """Return every secret found in what was printed, shown, and left in files."""
        files = [path for path in self.home.rglob("*") if path.is_file()]
        names = [("name", str(path)) for path in self.home.rglob("*")]
        contents = [(str(path), path.read_bytes()) for path in files]
        return CANARIES.find_in_all([*self.written, *names, *contents])


def _shown(pid: int) -> list[tuple[str, bytes]]:
    """Return what the system shows of a process and its children to others."""
    found = []
    numbers = [pid]
    for number in numbers:
        for name in ("cmdline", "environ", "comm"):
            try:
                found.append((f"process: {name}", Path(f"/proc/{number}/{name}").read_bytes()))
            except OSError:  # it has ended
                continue
        for task in Path(f"/proc/{number}/task").glob("*/children"):
            try:
                numbers += [int(child) for child in task.read_text().split()]
            except OSError:
                continue
    return found


@pytest.fixture
def around(tmp_path: Path) -> Surroundings:
    """Surroundings of their own for each test."""
    return Surroundings(tmp_path)


def test_the_search_of_the_surroundings_can_fail(around: Surroundings) -> None:
    """What is planted on each way out is found."""
    assert around.leaks() == []
    (around.home / "tmp" / "trace").write_bytes(b"~" + SEED.hex().encode())
    assert around.leaks()
    (around.home / "tmp" / "trace").unlink()
    around.run("--version", extra={"VAULT_KEY": SERVICE_KEY})
    assert any("environ" in leak for leak in around.leaks())
    around.written.clear()
    around.run(PASSPHRASE, code=ExitCode.USAGE)  # as a command, it is repeated
    assert any("cmdline" in leak for leak in around.leaks())
    assert any("stderr" in leak for leak in around.leaks())


def test_a_board_is_set_up_and_shown(around: Surroundings) -> None:
    """The whole way, twice, for people and for programs; only the flash has the secrets after."""
    flash = around.given / "flash"
    options = ("--flash", flash, "--networks", around.networks, "--log")
    with around.board(*options) as (port, _):
        done = around.run("setup", "--port", port, "--answers", around.answers)
        assert b"the board works with them" in done.stdout
        around.run("setup", "--port", port, "--answers", around.answers, "--json")
        around.run("show", "--port", port)
        around.run("show", "--port", port, "--json")
    with around.board(*options) as (port, _):  # after a restart
        around.run("show", "--port", port, "--json")
    assert around.leaks() == []
    stored = flash.read_bytes()
    for secret in (PASSPHRASE.encode(), SERVICE_KEY.encode(), SEED, IDENTITY):
        assert secret in stored  # so they did go where they belong


@pytest.mark.parametrize(
    "extra",
    [
        {"PYTHONASYNCIODEBUG": "1", "PYTHONDEVMODE": "1", "PYTHONFAULTHANDLER": "1"},
        {"PYTHONVERBOSE": "1"},
    ],
    ids=["development mode", "verbose"],
)
def test_a_board_is_set_up_under_every_debug_switch(
    around: Surroundings, extra: dict[str, str]
) -> None:
    """What the interpreter and the event loop say of themselves has no secret either."""
    with around.board("--networks", around.networks, "--log") as (port, _):
        around.run("setup", "--port", port, "--answers", around.answers, extra=extra)
    assert around.leaks() == []


def test_a_rehearsal(around: Surroundings) -> None:
    """Host and board in one process."""
    arguments = ("rehearse", SCHEMA, "--answers", around.answers, "--networks", around.networks)
    around.run(*arguments)
    around.run(*arguments, "--json")
    assert around.leaks() == []


@pytest.mark.parametrize("more", [(), ("--json",)], ids=["people", "programs"])
def test_a_wrong_passphrase(around: Surroundings, more: tuple[str, ...]) -> None:
    """The one that was stored, and the one that would have been right."""
    answers = write_answers(around.given / "other", OTHER_PASSPHRASE)
    with around.board("--networks", around.networks) as (port, _):
        ran = around.run(
            "setup", "--port", port, "--answers", answers, *more, code=ExitCode.NOT_WORKING
        )
    assert b"did not take this passphrase" in ran.stdout + ran.stderr
    assert around.leaks() == []


BAD_ANSWERS = {
    "a character too strange": f'[network]\npassphrase = "{PASSPHRASE}\u00e9"',
    "a key too long": f'[service]\nkey = "{SERVICE_KEY * 4}"',
    "a key with a space": f'[service]\nkey = "{SERVICE_KEY} {SERVICE_KEY}"',
    "an odd number of digits": f'[service]\nseed = "{SEED.hex()}0"',
    "bytes too many": f'[service]\nseed = "{SEED.hex()}00"',
    "a list": f'[service]\nkey = ["{SERVICE_KEY}"]',
    "a table": f'[service]\nkey = {{ value = "{SERVICE_KEY}" }}',
    "a file of that name": f'[service]\nkey = {{ file = "{SERVICE_KEY}" }}',
    "a file of a long name": f'[service]\nidentity = {{ file = "{SERVICE_KEY * 20}" }}',
    "a quote too few": f'[service]\nkey = "{SERVICE_KEY}\n',
    "no quotes": f"[service]\nkey = {SERVICE_KEY}\n",
    "a key twice": f'[service]\nkey = "{SERVICE_KEY}"\nkey = "{SERVICE_KEY}"\n',
    "a stray line": f'[service]\nkey = "x"\n{SERVICE_KEY}\n',
    "a bad escape": f'[service]\nkey = "\\{SERVICE_KEY}"\n',
    "the secret without a key": f'[network]\nname = "Vault"\n"{PASSPHRASE}"\n',
}


@pytest.mark.parametrize("content", BAD_ANSWERS.values(), ids=BAD_ANSWERS)
def test_an_answers_file_with_a_mistake(around: Surroundings, content: str) -> None:
    """The sentence names the place and never repeats the value."""
    path = around.given / "bad.toml"
    path.write_text(content, encoding="utf-8")
    around.run("rehearse", SCHEMA, "--answers", path, code=ExitCode.ANSWERS)
    assert around.leaks() == []


@contextmanager
def sending(around: Surroundings, port: str, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    """Start a setup, go on when it begins to send, and keep what it writes and shows."""
    arguments = [*options, "-m", "provision", "setup", "--port", port, "--answers"]
    process = subprocess.Popen(
        [sys.executable, *arguments, str(around.answers)],
        cwd=ROOT,
        env=around.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stderr is not None
    with around.watching(process):
        said = b""
        while b"To be stored" not in said:
            line = next_line(process, process.stderr)
            assert line, said
            said += line
        yield process
        # To settle a commit that was interrupted takes ten seconds.
        out, err = process.communicate(timeout=60)
    around.written += [("setup: stdout", out), ("setup: stderr", said + err)]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGABRT])
def test_a_command_that_is_killed_in_the_middle(
    around: Surroundings, number: signal.Signals
) -> None:
    """While the board, stopped, keeps it waiting with the secrets sent; a crash report included."""
    with around.board("--networks", around.networks, "--tcp", "0") as (port, board):
        with sending(around, port, "-X", "dev") as process:
            board.send_signal(signal.SIGSTOP)
            process.send_signal(number)
        board.send_signal(signal.SIGCONT)
    assert around.leaks() == []


def test_a_board_that_dies_in_the_middle(around: Surroundings) -> None:
    """The line is lost while the secrets are on their way."""
    with (
        around.board("--networks", around.networks, "--tcp", "0") as (port, board),
        sending(around, port),
    ):
        board.kill()
    assert not any(b"Traceback" in text for _, text in around.written if isinstance(text, bytes))
    assert around.leaks() == []
