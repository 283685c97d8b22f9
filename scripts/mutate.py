# SPDX-License-Identifier: MIT
"""Takes away one guard after the other, each in a copy of the tree, and looks whether a test fails.

python scripts/mutate.py                    all; 1 if a mutant survives
python scripts/mutate.py --only "pad bits"  those with this in their name
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from scripts.mutants import MUTANTS, Mutant  # noqa: E402

LONGEST = 1200  # seconds for the tests of one mutant; one that hangs is noticed as well


class StaleError(Exception):
    """The text that a mutant changes is not there once; str() says of which."""


def mutate(text: str, mutant: Mutant) -> str:
    """Return a source without the guard. Raises StaleError."""
    for old, new in mutant.changes:
        if text.count(old) != 1:
            raise StaleError(
                f"{mutant.name}: {mutant.file} has this {text.count(old)} times: {old}"
            )
        text = text.replace(old, new)
    return text


def copy_tree(to: Path) -> None:
    """Copy what git tracks."""
    listed = subprocess.run(["git", "ls-files", "-z"], check=True, cwd=ROOT, capture_output=True)
    for name in listed.stdout.decode().split("\0"):
        if name and (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, to / name)


def is_noticed(mutant: Mutant) -> bool:
    """Whether a test fails without the guard."""
    with tempfile.TemporaryDirectory(prefix="mutant-") as name:
        folder = Path(name)
        copy_tree(folder)
        source = folder / mutant.file
        source.write_text(mutate(source.read_text(encoding="utf-8"), mutant), encoding="utf-8")
        present = [test for test in mutant.tests if (folder / test).exists()]
        # The copy comes first on the path, before what is installed: see pythonpath of pytest.
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *present]
        environment = {**os.environ, "CI": "1", "FUZZ_SECONDS": "5"}
        try:
            done = subprocess.run(
                command,
                check=False,
                cwd=folder,
                env=environment,
                capture_output=True,
                timeout=LONGEST,
            )
        except subprocess.TimeoutExpired:
            return True
        if done.returncode not in (0, 1):
            raise RuntimeError(f"{mutant.name}: {done.stdout.decode()[-2000:]}")
        return done.returncode == 1


def main() -> int:
    """Run the mutants, and print which one no test notices."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="", help="a part of the name")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    arguments = parser.parse_args()
    chosen = [mutant for mutant in MUTANTS if arguments.only in mutant.name]
    survived = 0
    with ThreadPoolExecutor(arguments.jobs) as pool:
        for mutant, noticed in zip(chosen, pool.map(is_noticed, chosen), strict=True):
            survived += not noticed
            print(f"{'noticed ' if noticed else 'SURVIVED'}  {mutant.name}", flush=True)
    print(f"{len(chosen) - survived} of {len(chosen)} noticed.")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main())
