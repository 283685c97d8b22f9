# SPDX-License-Identifier: MIT
"""Fuzz for as long as one likes, and say what was covered: `make fuzz SECONDS=3600`.

The corpus grows in fuzz-corpus/<target>, which git ignores, from run to run; what breaks a promise
is written to fuzz-found/. An input that found a bug belongs into tests/fuzz/regressions/<target>/
as a .bin file, named after the rule that it broke, in the commit that mends the bug.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from scripts.branches import Tally, add_gcov, python_tally, table  # noqa: E402
from tests.fuzz import seeds  # noqa: E402
from tests.fuzz.fuzzing import (  # noqa: E402
    TARGETS,
    build_replay,
    command_of,
    is_missing,
    regressions,
    run,
)

CORPUS = ROOT / "fuzz-corpus"
FOUND = ROOT / "fuzz-found"


def covered(target: str, corpus: Path, folder: Path) -> list[Tally]:
    """Return the branches that a corpus takes in the sources that a target is about."""
    if target == "schema":
        return python_tally(
            [
                sys.executable,
                "-m",
                "coverage",
                "run",
                "-m",
                "tests.fuzz.replay_schemas",
                str(corpus),
            ],
            ["provision/schema/codec.py", "provision/contract/profile.py"],
            folder,
        )
    program = build_replay(target, folder, counting=True)
    names = [str(path) for path in sorted(corpus.iterdir())]
    for first in range(0, len(names), 500):
        subprocess.run(
            [str(program), *names[first : first + 500]], check=True, stderr=subprocess.DEVNULL
        )
    tallies: dict[str, Tally] = {}
    add_gcov(tallies, folder)
    wanted = {"line": ["pv_line.c"], "cbor": ["pv_cbor.c", "pv_values.c"]}.get(target)
    return [tally for name, tally in sorted(tallies.items()) if not wanted or name in wanted]


def main() -> int:
    """Run the targets one after the other; return 1 if one found something."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--target", choices=TARGETS, action="append")
    arguments = parser.parse_args()
    FOUND.mkdir(exist_ok=True)
    found = False
    for target in arguments.target or TARGETS:
        if (reason := is_missing(target)) is not None:
            print(f"{target}: skipped, {reason}")
            continue
        corpus = CORPUS / target
        seeds.write(target, corpus)
        for path in regressions(target):
            shutil.copy(path, corpus)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            command = command_of(target, folder)
            result = run(command, target, corpus, seconds=arguments.seconds, artifacts=FOUND)
            words = f"found: {result.why()}" if result.found else "nothing found"
            print(f"{target}: {result.runs:,} inputs in {result.seconds} s, {words}")
            found |= result.found
            if not result.found:
                print(table(covered(target, corpus, folder)))
    if found:
        print(f"What broke a promise is in {FOUND.name}/.")
    return int(found)


if __name__ == "__main__":
    sys.exit(main())
