# SPDX-License-Identifier: MIT
"""Changes one place of the code after the other, each in a copy of the tree; a test must notice.

python scripts/mutate.py                   the named mutants, then a sample; 1 if one survives
python scripts/mutate.py --since main      then those of the lines that were changed since
python scripts/mutate.py --only pv_line    of files that have this in their name, no named ones

What survives needs a test, or in scripts/survivors.toml a reason why none can tell the difference.
"""

from __future__ import annotations

import argparse
import itertools
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from queue import SimpleQueue
from threading import Lock

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from scripts.mutants import NAMED  # noqa: E402
from scripts.operators import (  # noqa: E402
    LANGUAGES,
    Mutant,
    difference,
    is_read,
    mutants_of,
    mutate,
)
from tests.c_board.board import WARNINGS  # noqa: E402

# Without what drives a terminal, waits in real time, or asks what the compiler made of the stub.
C_TESTS = "start line_and_cbor kinds newer_firmware flash_faults staged_secrets store conversation"
WIZARD_TESTS = "flow answers status_text exact show choosing finder update"
TESTS = {
    "firmware_stub/src": [
        *(f"tests/stub/test_{each}.py" for each in C_TESTS.split()),
        "tests/vectors/test_values.py",
    ],
    "provision/board": ["tests/board"],
    "provision/client": ["tests/client"],
    "provision/contract": ["tests/contract"],
    "provision/link": ["tests/link"],
    "provision/page/contract": ["tests/page/core"],
    "provision/page/client": ["tests/page/wizard"],
    "provision/page/link": ["tests/page/link"],
    "provision/page/schema": ["tests/page/core"],
    "provision/page/wizard": ["tests/page/wizard"],
    "provision/schema": ["tests/schema"],
    "provision/schema_file": ["tests/schema_file"],
    "provision/wizard": [f"tests/wizard/test_{each}.py" for each in WIZARD_TESTS.split()],
}
"""Where the code is that is changed, and the tests that must notice, beside those of its name."""

PLAYED = (
    "at_port.py command_line.py dialog.py result.py erasing.py failures.py plain.py screen.py ui.py"
    " board_client.py changing.py discovery.py dialog.js screen.js snapshot.js"
)
"""What only tests of whole dialogs see, at a terminal or in a browser: minutes for each mutant."""

SPARED = {"table.py", "table.js", "zones.js", *PLAYED.split()}  # the first three are generated


def sources() -> list[str]:
    """Return the files that are changed, by name."""
    found: list[Path] = []
    for folder in TESTS:
        found += [path for path in (ROOT / folder).iterdir() if path.suffix in LANGUAGES]
    return sorted(str(path.relative_to(ROOT)) for path in found if path.name not in SPARED)


def changed_since(commit: str) -> set[tuple[str, int]]:
    """Return file and number of each line that is not as it was in a commit."""
    diff = ["git", "diff", "--unified=0", "--no-ext-diff", "--no-color", "--relative", commit]
    said = subprocess.run(diff, cwd=ROOT, capture_output=True, text=True, check=False)
    if said.returncode != 0:
        sys.exit(f"git does not tell what changed since {commit}: {said.stderr.strip()}")
    changed: set[tuple[str, int]] = set()
    file = ""
    for line in said.stdout.splitlines():
        if line.startswith("+++ b/"):
            file = line.removeprefix("+++ b/")
        elif found := re.match(r"@@ -\S+ \+(\d+)(?:,(\d+))? @@", line):
            first = int(found[1])
            changed |= {(file, first + each) for each in range(int(found[2] or 1))}
    return changed


def sample(files: list[str], seed: int, since: str | None) -> list[Mutant]:
    """Return the mutants of files, in the order of the seed, the languages by turns."""
    changed = changed_since(since) if since else None
    by_language: dict[str, list[Mutant]] = {suffix: [] for suffix in LANGUAGES}
    for file in files:
        source = (ROOT / file).read_bytes()
        for mutant in mutants_of(file, source):
            line = 1 + source.count(b"\n", 0, mutant.start)
            if changed is None or (file, line) in changed:
                by_language[Path(file).suffix].append(mutant)
    for mutants in by_language.values():
        random.Random(seed).shuffle(mutants)  # noqa: S311 - wants to be repeatable
    turns = itertools.zip_longest(*by_language.values())
    return [mutant for turn in turns for mutant in turn if mutant is not None]


def admitted() -> list[tuple[str, str, str]]:
    """Return file, lines, and what they become, of the mutants that no test can notice."""
    text = (ROOT / "scripts" / "survivors.toml").read_text(encoding="utf-8")
    return [(each["file"], each["was"], each["becomes"]) for each in tomllib.loads(text)["mutant"]]


# ----------------------------------------------------------------------------------- running them


def copy_tree(to: Path) -> None:
    """Copy what git tracks, or would if it were added. Exits if tests would not import the copy."""
    listing = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(listing, check=True, cwd=ROOT, capture_output=True)
    for name in listed.stdout.decode().split("\0"):
        if name and (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, to / name)
    if (ROOT / "node_modules").exists():
        (to / "node_modules").symlink_to(ROOT / "node_modules")
    code = "import provision, tests; print(provision.__file__, tests.__file__, sep='\\n')"
    _, imported = run([sys.executable, "-c", code], to, 60)
    if [Path(each).parents[1] for each in imported.split()] != [to, to]:
        sys.exit(f"Tests of the copy would import what is not in it: {imported}")


def run(command: list[str], tree: Path, seconds: float) -> tuple[int | None, str]:
    """Run a command in a copy; return its exit status, None if it did not end, and its output."""
    # The copy comes first on the path, before what is installed, in all that the tests start, too.
    environment = {**os.environ, "PYTHONPATH": str(tree), "CI": "1"}
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
            output, _ = process.communicate(timeout=max(seconds, 0))
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            return None, ""
        return process.returncode, output


def belonging(file: str) -> tuple[str, ...]:
    """Return the tests that belong to a file, those named after it first."""
    stem = Path(file).stem.removeprefix("pv_")
    found: list[Path] = []
    for name in TESTS[str(Path(file).parent)]:
        path = ROOT / name
        found += sorted(path.rglob("test_*.py")) if path.is_dir() else [path]
    own = found[0].parent / f"test_{stem}.py"
    found += [own] if own.exists() and own not in found else []
    found.sort(key=lambda path: stem not in path.stem)
    return tuple(str(path.relative_to(ROOT)) for path in found)


def run_tests(tests: tuple[str, ...], tree: Path, seconds: float) -> tuple[int | None, str]:
    """Run tests of a copy up to the first that fails."""
    # Of the stub, what is drawn takes two minutes.
    drawn = tests[0].startswith("tests/stub/") and "::" not in tests[0]
    options = ["-m", "not hypothesis"] if drawn else []
    options += ["-q", "-x", "-p", "no:cacheprovider", f"--basetemp={tree}-tests"]
    return run([sys.executable, "-m", "pytest", *options, *tests], tree, seconds)


def is_valid(file: str, tree: Path) -> bool:
    """Whether a changed file still is what its language admits: any test notices if it is not."""
    if file.endswith(".c"):
        include = [f"-I{tree}/firmware_stub/{part}" for part in ("include", "src")]
        command = ["gcc", *WARNINGS, "-O1", *include, "-c", "-o", os.devnull, file]
        return run(command, tree, 60)[0] == 0
    return is_read(file, (tree / file).read_bytes())


class Runner:
    """Copies of the tree, as many as there are jobs, until a time."""

    def __init__(self, folder: Path, jobs: int, deadline: float) -> None:
        self._trees: SimpleQueue[Path] = SimpleQueue()
        self._deadline = deadline
        self.failing = 0
        """So many kinds of files have tests that fail with nothing changed."""
        self._longest: dict[tuple[str, ...], float | None] = {}
        self._locks: defaultdict[tuple[str, ...], Lock] = defaultdict(Lock)
        self._numbers = itertools.count(1)
        for number in range(jobs):
            copy_tree(folder / f"tree-{number}")
            self._trees.put(folder / f"tree-{number}")

    def _longest_for(self, tests: tuple[str, ...]) -> float | None:
        """Return how long tests may take; None if they fail with nothing changed, or time ends."""
        key = tuple(sorted(tests))
        with self._locks[key]:
            if key not in self._longest:
                tree, started = self._trees.get(), time.monotonic()
                status, output = run_tests(tests, tree, self._deadline - started)
                self._trees.put(tree)
                if status is None:
                    return None
                if status != 0:
                    print(f"With nothing changed not all of {tests} pass:\n{output[-3000:]}")
                    self.failing += 1
                # Three times as long, since others may use the machine as well.
                took = time.monotonic() - started
                self._longest[key] = 30 + 3 * took if status == 0 else None
            return self._longest[key]

    def attempt(self, file: str, mutated: bytes, tests: tuple[str, ...]) -> tuple[str, str]:
        """Return what becomes of a mutant, and the test that notices it, if any."""
        longest = self._longest_for(tests)
        left = self._deadline - time.monotonic()
        if longest is None or left <= 0:
            return "not tried", ""
        tree = self._trees.get()
        source = tree / file
        whole = source.read_bytes()
        source.write_bytes(mutated)
        # Python tells by size and second whether compiled code is still that of its source.
        os.utime(source, (number := next(self._numbers), number))
        try:
            if not is_valid(file, tree):
                return "invalid", ""
            status, output = run_tests(tests, tree, min(left, longest))
        finally:
            source.write_bytes(whole)
            self._trees.put(tree)
        if status is None:
            return ("timed out" if longest <= left else "not tried"), ""
        if status in (3, 4, 5):  # pytest itself failed, was called wrongly, or found no test
            sys.exit(f"The tests of {file} did not run:\n{output[-3000:]}")
        failed = re.search(r"^(?:FAILED|ERROR) (\S+)", output, re.MULTILINE)
        return "survived" if status == 0 else "killed", failed[1] if failed else f"status {status}"


def try_named(runner: Runner, pool: ThreadPoolExecutor) -> int:
    """Try the named mutants, and return how many no test notices."""
    whole = {named: (ROOT / named.file).read_bytes() for named in NAMED}
    verdicts = [
        pool.submit(runner.attempt, named.file, named.applied(text), named.tests)
        for named, text in whole.items()
    ]
    missed = 0
    for named, waited in zip(NAMED, verdicts, strict=True):
        verdict, how = waited.result()
        missed += verdict != "killed"
        print(f"{verdict:9}  {named.name:50}  {how}", flush=True)
    return missed


def try_sample(runner: Runner, pool: ThreadPoolExecutor, mutants: list[Mutant]) -> int:
    """Try mutants until the time is over; print each that survives, and return how many do."""
    reasons = set(admitted())
    counts: Counter[tuple[str, str]] = Counter()

    def attempt(mutant: Mutant) -> tuple[str, str]:
        source = (ROOT / mutant.file).read_bytes()
        mutated = mutate(source, mutant)
        line, was, becomes = difference(source, mutated)
        if (mutant.file, was, becomes) in reasons:
            return "admitted", ""
        verdict, _ = runner.attempt(mutant.file, mutated, belonging(mutant.file))
        removed, added = was.replace("\n", "\n  - "), becomes.replace("\n", "\n  + ")
        return verdict, f"{mutant.file}:{line}\n  - {removed}\n  + {added}"

    tried = {pool.submit(attempt, mutant): mutant for mutant in mutants}
    for done in as_completed(tried):
        verdict, shown = done.result()
        counts[Path(tried[done].file).suffix, verdict] += 1
        if verdict == "survived":
            print(f"SURVIVED  {shown}", flush=True)
    verdicts = ("killed", "survived", "timed out", "admitted", "invalid", "not tried")
    for suffix in LANGUAGES:
        row = ", ".join(f"{counts[suffix, verdict]} {verdict}" for verdict in verdicts)
        print(f"{suffix:4} {row}")
    return sum(counts[suffix, "survived"] for suffix in LANGUAGES)


def main() -> int:
    """Print what survives; return 1 if anything does."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=18)
    parser.add_argument("--seed", type=int, default=1, help="of the order in which they are tried")
    parser.add_argument("--since", metavar="COMMIT", help="only lines changed since")
    parser.add_argument("--only", metavar="PART", help="only files with this in their name")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    arguments = parser.parse_args()
    deadline = time.monotonic() + 60 * arguments.minutes
    files = [file for file in sources() if (arguments.only or "") in file]
    mutants = sample(files, arguments.seed, arguments.since)
    survived = 0
    with tempfile.TemporaryDirectory(prefix="mutants-") as name:
        runner = Runner(Path(name).resolve(), arguments.jobs, deadline)
        pool = ThreadPoolExecutor(arguments.jobs)
        try:
            if not arguments.only:
                survived += try_named(runner, pool)
            survived += try_sample(runner, pool, mutants)
        finally:
            pool.shutdown(cancel_futures=True)
    print(f"{survived} survived, of seed {arguments.seed}.")
    return 1 if survived or runner.failing else 0


if __name__ == "__main__":
    sys.exit(main())
