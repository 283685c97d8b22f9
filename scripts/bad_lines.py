# SPDX-License-Identifier: MIT
"""Play provisioning sessions over bad lines, in virtual time, and count what came of them.

    python scripts/bad_lines.py --sessions 100000         the long run, half of it with each board
    python scripts/bad_lines.py --seed 4147 --board c -v  one session again, with its conversation
    python scripts/bad_lines.py --flips 1000000           flipped bits alone, by what they make

tests/sessions/play.py states the invariant. The exit code is 1 if a session violates it; every
violation is shown with the command that plays it again. Values are left out of conversations.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

from tests.sessions import flips
from tests.sessions.many import BOARDS, Summary, play_many
from tests.sessions.play import BoardKind, play
from tests.sessions.transcript import Transcript
from tests.sessions.units import build


def main() -> int:
    """Play what the arguments ask for."""
    parser = argparse.ArgumentParser(
        description="Provisioning sessions over bad lines, in virtual time, each from a seed."
    )
    parser.add_argument("--sessions", type=int, default=1000, help="how many (default: 1000)")
    parser.add_argument("--first", type=int, default=0, help="the first seed (default: 0)")
    parser.add_argument("--seed", type=int, help="play the session of this seed alone")
    parser.add_argument("--board", choices=BOARDS, help="one board (default: both in turn)")
    parser.add_argument(
        "--processes", type=int, default=os.cpu_count() or 1, help="default: one for each core"
    )
    parser.add_argument("--flips", type=int, help="count what becomes of so many patterns of flips")
    parser.add_argument("-v", "--verbose", action="store_true", help="show the conversation")
    arguments = parser.parse_args()
    if arguments.flips is not None:
        print(flips.table(arguments.flips))
        return 0
    with tempfile.TemporaryDirectory(prefix="bad-lines-") as folder:
        library = None if arguments.board == "python" else str(build(Path(folder)))
        if arguments.seed is not None:
            boards = (arguments.board,) if arguments.board else BOARDS
            return max(_one(arguments.seed, each, library, arguments.verbose) for each in boards)
        began = time.monotonic()
        summary = play_many(
            range(arguments.first, arguments.first + arguments.sessions),
            arguments.board,
            library,
            processes=arguments.processes,
        )
    print(
        summary.table(),
        f"in {time.monotonic() - began:.0f} s with {arguments.processes} processes",
        sep="\n",
        flush=True,
    )
    return _tell_violations(summary)


def _one(seed: int, board: BoardKind, library: str | None, verbose: bool) -> int:
    print(f"seed {seed}, board {board}")
    record = play(seed, board, library, Transcript(print) if verbose else None)
    struck = ", ".join(f"{count} {name}" for name, count in sorted(record.struck.items()))
    print(f"struck: {struck or 'nothing'}")
    print(f"{record.lines} lines of the host, {record.seconds:.1f} s of virtual time")
    if record.violation is not None:
        print(f"VIOLATION: {record.violation}")
        return 1
    assert record.end is not None
    print(f"ended: {record.end.value}" + (f" ({record.why})" if record.why else ""))
    return 0


def _tell_violations(summary: Summary) -> int:
    for each in summary.violations:
        print(f"{each.violation}\n    {each.replay}", file=sys.stderr)
    return 1 if summary.violations else 0


if __name__ == "__main__":
    sys.exit(main())
