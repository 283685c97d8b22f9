# SPDX-License-Identifier: MIT
"""Builds and runs the fuzz targets, makes their seeds, and reports what they covered.

A target is a C file of this folder with its LLVMFuzzerTestOneInput, or schema.py. C targets are
compiled by clang with libFuzzer, or, to replay inputs and to count branches, by gcc with replay.c.
"""

from __future__ import annotations

import dataclasses
import importlib.util
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from provision.schema.declaration import Declaration
from tests.c_board.abi import HERE as C_BOARD
from tests.c_board.board import STUB, compile_c, generated, includes, sources_of
from tests.fuzz.seeds import DICTIONARY
from tests.vectors.boards import declaration

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
BOARD = "fuzz_board"
C_TARGETS = ("line", "cbor", "stub")
TARGETS = (*C_TARGETS, "schema")

# The address sanitizer looks around each memory: no guards that would lie between.
SANITIZERS = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-DGUARD=0"]
# An input that takes longer has found something as well; libFuzzer's own default is 1,200 s.
SECONDS_AN_INPUT = 10
MEGABYTES = 1024
LONGEST_INPUT = {"line": 900, "cbor": 700, "stub": 2000, "schema": 8000}


def fuzz_board() -> Declaration:
    """Return the board of the vectors, with a trial, on less flash, so that starts are quick."""
    declared = declaration("board")
    return dataclasses.replace(
        declared,
        schema=dataclasses.replace(declared.schema, trial=60),
        board=dataclasses.replace(
            declared.board, settings_size=4 * 3072, erase_unit=1024, program_unit=16, slots=4
        ),
    )


def _harness(target: str, folder: Path) -> list[Path]:
    """Return the sources of a target beside the stub; generates the board's into the folder."""
    board = [C_BOARD / "board.c", C_BOARD / "flash.c", generated(fuzz_board(), BOARD, folder)]
    return [HERE / f"{target}.c", HERE / "reference.c", *board]


def build(target: str, folder: Path, stub: Path = STUB) -> Path:
    """Compile a C target with libFuzzer and the sanitizers; return the program.

    Only the stub, which may be a changed copy, is instrumented for coverage: what the harness does
    is no discovery. A whole board goes without the tracing of comparisons, which costs it three of
    four runs.
    """
    objects = folder / "objects"
    objects.mkdir(exist_ok=True)
    how = ["-O1", "-g", "-fno-omit-frame-pointer", *SANITIZERS, *includes(folder, HERE, stub=stub)]
    coverage = ["-w", "-fsanitize=fuzzer-no-link"]  # planted faults are odd
    if target == "stub":
        coverage += ["-fno-sanitize-coverage=trace-cmp"]
    made = [
        compile_c(objects / f"{each.stem}.o", [each], *how, *coverage, "-c", compiler="clang")
        for each in sources_of(stub)
    ]
    plain = "-fno-sanitize-coverage=trace-cmp,inline-8bit-counters,pc-table"
    linked = [*_harness(target, folder), *made]
    program = folder / f"fuzz-{target}"
    return compile_c(program, linked, *how, "-fsanitize=fuzzer", plain, compiler="clang")


def build_replay(target: str, folder: Path, *, counting: bool = False) -> Path:
    """Compile a C target with gcc, to run files only; counting: with branch counters instead."""
    how = ["--coverage", "-O0"] if counting else ["-O1", *SANITIZERS]
    sources = [*_harness(target, folder), *sources_of(), HERE / "replay.c"]
    program = folder / f"replay-{target}"
    return compile_c(program, sources, "-g", *how, *includes(folder, HERE), folder=folder)


def regressions(target: str) -> list[Path]:
    """Return the inputs that once found something, and those that name a rule."""
    return sorted((HERE / "regressions" / target).glob("*.bin"))


@dataclass(frozen=True, slots=True)
class Result:
    """What a run of libFuzzer said."""

    found: bool
    output: str
    runs: int
    seconds: int
    features: int

    def why(self) -> str:
        """Return the line that says what broke."""
        pattern = r"(promise broken: .*|ERROR: .*|SUMMARY: .*|runtime error: .*|\w+Error: .*)"
        match = re.search(pattern, self.output)
        return match.group(1) if match else self.output[-2000:]


def run(
    command: list[str],
    target: str,
    corpus: Path,
    *,
    seconds: int,
    artifacts: Path,
    folder: Path = ROOT,
    seed: int | None = None,
) -> Result:
    """Run libFuzzer on a corpus, which it adds to, for so long or until it finds something."""
    dictionary = artifacts / "dictionary.txt"
    dictionary.write_text(DICTIONARY)
    options = [
        f"-max_total_time={seconds}",
        f"-timeout={SECONDS_AN_INPUT}",
        f"-rss_limit_mb={MEGABYTES}",
        f"-max_len={LONGEST_INPUT[target]}",
        f"-dict={dictionary}",
        f"-artifact_prefix={artifacts}/",
        "-print_final_stats=1",
        *([f"-seed={seed}"] if seed is not None else []),
    ]
    done = subprocess.run(
        [*command, *options, str(corpus)],
        check=False,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=seconds + 120,
        cwd=folder,
    )
    output = done.stdout + done.stderr
    runs = re.search(r"stat::number_of_executed_units: (\d+)", output)
    took = re.search(r"Done \d+ runs in (\d+) second", output)
    features = re.findall(r" ft: (\d+)", output)
    return Result(
        found=done.returncode != 0,
        output=output,
        runs=int(runs.group(1)) if runs else 0,
        seconds=int(took.group(1)) if took else 0,
        features=int(features[-1]) if features else 0,
    )


def command_of(target: str, folder: Path, stub: Path = STUB) -> list[str]:
    """Return the command that fuzzes a target, built into the folder if it is in C."""
    if target == "schema":
        return [sys.executable, "-m", "tests.fuzz.schema"]
    return [str(build(target, folder, stub))]


def is_missing(target: str) -> str | None:
    """Return what a target needs and is not here."""
    if target == "schema":
        if importlib.util.find_spec("atheris") is None:
            return "needs `atheris`, which has no build for this system"
        return None
    if shutil.which("clang") is None:
        return "needs `clang`, which is not installed (Debian packages clang, libclang-rt-14-dev)"
    return None
