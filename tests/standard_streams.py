# SPDX-License-Identifier: MIT
"""Runs commands with standard streams that fail, each in a process that is forked for it.

As a program it imports the command once. For each line of JSON on its standard input, a list of
arguments and the names of conditions, it forks, puts the streams into that condition, and lets the
child do what `python -m provision` does, to its real end: what a stream still holds is flushed
there, and can still fail. It answers with a line of JSON: code, standard output, standard error.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import threading
from typing import Any

from tests.line_process import LineProcess

CONDITIONS = ("out full", "out closed", "out broken", "err full", "all closed")
"""What can be wrong: a full disk, a stream that is closed, or all, a pipe that nobody reads."""

_LONGEST_S = 60  # until a command that hangs is ended


class Runner(LineProcess):
    """The program that forks, from the tests' side."""

    def __init__(self) -> None:
        super().__init__(sys.executable, "-m", "tests.standard_streams")

    def run(self, arguments: list[str], condition: str = "") -> dict[str, Any]:
        """Run a command; return `code`, `out` and `err`."""
        self.write(json.dumps([arguments, condition]))
        result: dict[str, Any] = json.loads(self.read())
        return result


def _set_up(condition: str, out: int, err: int) -> None:
    """Put the streams of this process into a condition, and open them as Python does at start."""
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.dup2(out, 1)
    os.dup2(err, 2)
    number = {"in": 0, "out": 1, "err": 2}
    stream, _, what = condition.partition(" ")
    if what == "full":
        os.dup2(os.open("/dev/full", os.O_WRONLY), number[stream])
    elif what == "broken":
        reading, writing = os.pipe()
        os.close(reading)
        os.dup2(writing, number[stream])
    elif stream == "all":
        os.closerange(0, 3)
    elif what == "closed":
        os.close(number[stream])
    sys.stdin = _open(0, "r")
    sys.stdout = _open(1, "w")
    sys.stderr = _open(2, "w")


def _open(number: int, mode: str) -> Any:
    try:
        os.fstat(number)
    except OSError:
        return None
    errors = "backslashreplace" if number == 2 else "strict"
    return open(number, mode, encoding="utf-8", errors=errors, closefd=False)


def _main() -> int:
    from provision.cli import main  # noqa: PLC0415

    for name in ("wizard.commands", "author.page", "board.engine", "conformance.port"):
        __import__(f"provision.{name}")
    for line in sys.stdin:
        arguments, condition = json.loads(line)
        # Not in a `with`, which would end in the child, too.
        files = {name: tempfile.TemporaryFile() for name in ("out", "err")}  # noqa: SIM115
        child = os.fork()
        if child == 0:
            _set_up(condition, files["out"].fileno(), files["err"].fileno())
            return main(arguments)
        guard = threading.Timer(_LONGEST_S, os.kill, (child, signal.SIGKILL))
        guard.start()
        _, status = os.waitpid(child, 0)
        guard.cancel()
        guard.join(_LONGEST_S)
        told: dict[str, Any] = {"code": os.waitstatus_to_exitcode(status)}
        for name, file in files.items():
            file.seek(0)
            told[name] = file.read().decode(errors="replace")
            file.close()
        sys.stdout.write(json.dumps(told) + "\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(_main())
