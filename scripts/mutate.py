# SPDX-License-Identifier: MIT
"""Takes away one guard after the other, each in a copy of the tree, and looks whether a test fails.

python scripts/mutate.py                    all; 1 if a mutant survives
python scripts/mutate.py --only "pad bits"  those with this in their name

First the tests run with every guard in place, and have to pass. A mutant is noticed if a test
fails, if the process of the tests dies of it, or if they do not end; not if it does not compile, or
if no test could begin, which would be said of any change.
"""

from __future__ import annotations

import argparse
import os
import queue
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from scripts.mutants import MUTANTS, Mutant  # noqa: E402
from scripts.mutants_in_detail import DETAILED  # noqa: E402
from tests.stub.c_stub import WARNINGS  # noqa: E402

ALL = (*MUTANTS, *DETAILED)

LONGEST = 1200  # seconds for the tests of one mutant; one that hangs is noticed as well
_FAILED = re.compile(r"^FAILED (\S+)", re.MULTILINE)


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
    """Copy what git tracks, or would if it were added. Exits if tests would not import the copy."""
    listing = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(listing, check=True, cwd=ROOT, capture_output=True)
    for name in listed.stdout.decode().split("\0"):
        if name and (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, to / name)
    code = "import provision, tests; print(provision.__file__, tests.__file__, sep='\\n')"
    _, imported = run([sys.executable, "-c", code], to)
    if [Path(each).parents[1] for each in imported.split()] != [to, to]:
        sys.exit(f"Tests of the copy would import what is not in it: {imported}")


def run(command: list[str], tree: Path) -> tuple[int | None, str]:
    """Run a command in a copy; return its exit status, None if it did not end, and its output."""
    # The copy comes first on the path, before what is installed, in all that the tests start, too.
    environment = {**os.environ, "PYTHONPATH": str(tree), "CI": "1", "FUZZ_SECONDS": "5"}
    with subprocess.Popen(
        command,
        cwd=tree,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        start_new_session=True,
    ) as process:
        try:
            output, _ = process.communicate(timeout=LONGEST)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            return None, ""
        return process.returncode, output


def run_tests(tests: Sequence[str], tree: Path) -> tuple[int | None, str]:
    """Run tests of a copy up to the first that fails."""
    options = ["-q", "-x", "-p", "no:cacheprovider", f"--basetemp={tree}-tests"]
    present = [test for test in tests if (tree / test).exists()]
    return run([sys.executable, "-m", "pytest", *options, *present], tree)


def compile_fault(mutant: Mutant, tree: Path) -> str | None:
    """Return why what the tests would compile does not compile."""
    command = [sys.executable, "-c", "import sys; compile(open(sys.argv[1]).read(), '', 'exec')"]
    if mutant.file.endswith(".c"):
        include = [f"-I{tree}/firmware_stub/{part}" for part in ("include", "src")]
        command = ["gcc", *WARNINGS, "-O1", *include, "-c", "-o", os.devnull]
    status, output = run([*command, mutant.file], tree)
    return None if status == 0 else f"does not compile: {output}"


def attempt(mutant: Mutant, number: int, tree: Path) -> tuple[bool, str]:
    """Return whether a test notices that the guard is gone, and which, or why none does."""
    source = tree / mutant.file
    whole = source.read_bytes()
    source.write_text(mutate(whole.decode(), mutant), encoding="utf-8")
    # Python tells by size and second whether compiled code is still that of its source.
    os.utime(source, (number, number))
    try:
        if fault := compile_fault(mutant, tree):
            return False, fault
        status, output = run_tests(mutant.tests, tree)
    finally:
        source.write_bytes(whole)
    if status is None:
        return True, "the tests do not end"
    if status < 0:
        return True, f"the tests die of {signal.Signals(-status).name}"
    if status == 0:
        return False, "no test fails"
    failed = _FAILED.search(output)
    return (True, failed[1]) if failed else (False, f"no test can begin: {output[-2000:]}")


def main() -> int:
    """Run the mutants, and print which one no test notices."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="", help="a part of the name")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    arguments = parser.parse_args()
    started = time.monotonic()
    chosen = [mutant for mutant in ALL if arguments.only in mutant.name]
    survived = 0
    with tempfile.TemporaryDirectory(prefix="mutant-") as name:
        trees: queue.SimpleQueue[Path] = queue.SimpleQueue()
        for number in range(arguments.jobs):
            tree = Path(name).resolve() / f"tree-{number}"
            copy_tree(tree)
            trees.put(tree)
        whole = trees.get()
        status, output = run_tests(sorted({test for each in chosen for test in each.tests}), whole)
        trees.put(whole)
        if status != 0:
            sys.exit(f"With every guard in place not all tests pass:\n{output[-4000:]}")

        def attempt_one(numbered: tuple[int, Mutant]) -> tuple[bool, str]:
            number, mutant = numbered
            tree = trees.get()
            try:
                return attempt(mutant, number, tree)
            finally:
                trees.put(tree)

        with ThreadPoolExecutor(arguments.jobs) as pool:
            verdicts = pool.map(attempt_one, enumerate(chosen, 1))
            for mutant, (noticed, how) in zip(chosen, verdicts, strict=True):
                survived += not noticed
                print(
                    f"{'noticed ' if noticed else 'SURVIVED'}  {mutant.name:75}  {how}", flush=True
                )
    minutes = (time.monotonic() - started) / 60
    print(f"{len(chosen) - survived} of {len(chosen)} noticed, in {minutes:.0f} min.")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main())
