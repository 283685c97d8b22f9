# SPDX-License-Identifier: MIT
"""A firmware that prints the secrets it was given: what of them this computer knows is blanked."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from provision.contract.table import MessageType, Run
from provision.wizard.result import ExitCode
from tests.hostile.harness import run
from tests.secrets.test_dialog import RETURN, fresh_board, leaks, typed
from tests.secrets.vault import CANARIES, PASSPHRASE, SCHEMA, SEED, SERVICE_KEY, write_answers
from tests.waiting import next_line, until

ROOT = Path(__file__).parents[2]
PRINTED = (
    f"net: joining Vault with {PASSPHRASE}\r\n"
    f"net: key={SERVICE_KEY[:9]}\n{SERVICE_KEY[9:]}\r\n"
    f"seed: {SEED.hex(' ')}\r\n"
    "watch: up\r\n"
).encode()


def test_what_was_typed_is_blanked_in_the_log_of_the_dialog(tmp_path: Path) -> None:
    """From the commit on, while the board tries the settings; other lines are shown."""
    board = fresh_board()
    board.run_after = Run.APPLYING
    receive = board.receive
    looks = iter(range(3))

    def print_all(data: bytes) -> bytes:
        is_stored = any(request.type == MessageType.COMMIT for request in board.requests)
        if is_stored and next(looks, None) is None:
            board.run_after = Run.PROVEN
        return PRINTED * is_stored + bytes(receive(data))

    board.receive = print_all  # type: ignore[method-assign]
    keys = [*typed(tmp_path), RETURN]
    ran = run(board, "setup", "--log", folder=tmp_path, keys=keys, measured=False)
    assert ran.code == ExitCode.DONE, ran.err
    assert "Its log: net: joining Vault with [secret removed]" in ran.screen
    assert "Its log: watch: up" in ran.screen
    assert leaks(ran, tmp_path) == []


@contextmanager
def printing(*arguments: str | Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """Run a command on a port; yield it, and what the board's end of the port is."""
    board, port = os.openpty()
    tty.setraw(port)
    process = subprocess.Popen(
        [sys.executable, "-m", "provision", *map(str, arguments), "--port", os.ttyname(port)],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    try:
        yield process, board
    finally:
        process.kill()
        process.communicate(timeout=20)
        os.close(board)
        os.close(port)


def test_what_a_file_of_answers_has_is_blanked_in_the_log(tmp_path: Path) -> None:
    """Nobody typed it here: the person names the file that the board was set up with."""
    answers = write_answers(tmp_path)
    with printing("log", "--answers", answers) as (process, board):
        assert b"prints" in next_line(process, process.stderr)
        os.write(board, PRINTED)
        said = b"".join(iter(lambda: next_line(process), b"watch: up\n"))
    assert b"net: joining Vault with [secret removed]" in said
    assert CANARIES.find(said) == []


def test_what_a_file_of_answers_has_is_blanked_in_a_diagnosis(tmp_path: Path) -> None:
    """On the screen, and in the file for whoever helps."""
    answers, report = write_answers(tmp_path), tmp_path / "report.json"
    with printing("diagnose", "--answers", answers, "--out", report) as (process, board):
        # Again and again, since what comes before the port is opened is lost.
        os.set_blocking(board, False)

        def print_once() -> None:
            with suppress(BlockingIOError):
                os.write(board, PRINTED)
            time.sleep(0.2)

        until(lambda: process.poll() is not None, "the diagnosis ends", print_once)
        out, err = process.communicate(timeout=60)
    assert process.returncode == ExitCode.NO_BOARD
    assert b"[secret removed]" in out
    assert "[secret removed]" in report.read_text(encoding="utf-8")
    assert CANARIES.find_in_all([("out", out), ("err", err), ("file", report.read_bytes())]) == []


@pytest.mark.skipif(not Path("/proc/self/limits").exists(), reason="no /proc here")
def test_a_program_that_holds_secrets_leaves_no_core(tmp_path: Path) -> None:
    """Even where whoever started it wants cores: the limit is 0, and a crash writes no file."""
    flash = tmp_path / "flash"
    wants_cores = (
        "import os, resource, sys;"
        "_, most = resource.getrlimit(resource.RLIMIT_CORE);"
        "resource.setrlimit(resource.RLIMIT_CORE, (most, most));"
        "os.execv(sys.executable, [sys.executable, *sys.argv[1:]])"
    )
    command = ["-m", "provision", "stand-in", str(SCHEMA), "--flash", str(flash)]
    process = subprocess.Popen(
        [sys.executable, "-c", wants_cores, *command],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
    )
    try:
        assert next_line(process)
        limits = Path(f"/proc/{process.pid}/limits").read_text(encoding="ascii")
        (cores,) = [line for line in limits.splitlines() if line.startswith("Max core file size")]
        assert cores.split()[4] == "0"
        process.send_signal(signal.SIGABRT)
        _, status = os.waitpid(process.pid, 0)
    finally:
        process.kill()
        if process.stdout is not None:
            process.stdout.close()
    assert os.WTERMSIG(status) == signal.SIGABRT
    assert not os.WCOREDUMP(status)
    assert [path.name for path in tmp_path.iterdir()] == ["flash"]
