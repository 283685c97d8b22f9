# SPDX-License-Identifier: MIT
"""Play the whole job: the compiled stub is a freshly flashed board, the dialog sets it up.

    python scripts/demo.py              in a terminal: you answer
    python scripts/demo.py --scripted   the answers file answers (so also without a terminal)

The board is firmware_stub/build/board_pty on a port of its own, its flash a new file in a temporary
folder. After the dialog the board is killed and started again, and asked what it holds.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BOARD = ROOT / "firmware_stub" / "build" / "board_pty"
SCHEMAS = ROOT / "schemas"
NETWORKS = SCHEMAS / "orchard.networks"
ANSWERS = SCHEMAS / "orchard-frost-alarm.answers.toml"


@contextmanager
def board(folder: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """Start the board; its port is a link in the folder, its flash a file there."""
    port = folder / "port"
    process = subprocess.Popen(
        [
            str(BOARD),
            "--flash",
            str(folder / "flash.bin"),
            "--link",
            str(port),
            "--networks",
            str(NETWORKS),
            "--survey",
            "--log",
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        if not process.stdout.readline():  # it says where it is once it can be spoken to
            sys.exit("demo: the board did not start")
        yield str(port), process
    finally:
        process.terminate()
        process.wait(timeout=10)
        if process.stdout is not None:
            process.stdout.close()


def provision(*arguments: str) -> int:
    """Run the command as a person would."""
    print(f"\n$ provision {' '.join(arguments)}", flush=True)
    return subprocess.run([sys.executable, "-m", "provision", *arguments], check=False).returncode


def main() -> int:
    """Run the demo; the exit code is that of the first command that failed."""
    parser = argparse.ArgumentParser(description="A freshly flashed board, set up by the dialog.")
    parser.add_argument("--scripted", action="store_true", help="the answers file answers")
    scripted = parser.parse_args().scripted or not (sys.stdin.isatty() and sys.stdout.isatty())
    if not BOARD.exists():
        sys.exit("demo: the board is not compiled yet: run make stub")
    with tempfile.TemporaryDirectory(prefix="provision-demo-") as name:
        folder = Path(name)
        with board(folder) as (port, process):
            print(
                "A freshly flashed board is on the cable: the compiled stub, on a port of its own."
            )
            if not scripted:
                print("Networks in its range, and the key its weather service takes:")
                print(NETWORKS.read_text(encoding="utf-8"))
            answers = ["--answers", str(ANSWERS)] if scripted else []
            code = provision("setup", "--port", port, *answers)
            if code:
                return code
            process.kill()  # as if the power had gone
            process.wait()
        print("\nThe board lost its power, and starts again.")
        with board(folder) as (port, _):
            code = provision("show", "--port", port)
    return code


if __name__ == "__main__":
    sys.exit(main())
