# SPDX-License-Identifier: MIT
"""Fuzzing for a while, and bugs planted for each target to find.

What a target promises stands at its head. `make fuzz SECONDS=…` runs them for as long as one likes.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.c_board import board
from tests.fuzz import seeds
from tests.fuzz.differential import Differ, Differential
from tests.fuzz.fuzzing import (
    C_TARGETS,
    TARGETS,
    build_replay,
    command_of,
    fuzz_board,
    is_missing,
    regressions,
    run,
)
from tests.fuzz.planted import BUGS, Bug
from tests.fuzz.schema import check
from tests.fuzz.steps import Sort, Step, read, step

SECONDS = int(os.environ.get("FUZZ_SECONDS", "20"))
PLANTED_SECONDS = 60
# Steps that the boards play against each other: some hundred a second.
MOST_INPUTS = 150

pytestmark = [pytest.mark.timeout(SECONDS + 240)]


@pytest.fixture(scope="module")
def corpora(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return a folder of inputs for each target: seeds, regressions, and what a run adds."""
    folders = {}
    for target in TARGETS:
        folder = tmp_path_factory.mktemp(f"corpus-{target}")
        assert seeds.write(target, folder) > 100
        for path in regressions(target):
            (folder / path.name).write_bytes(path.read_bytes())
        folders[target] = folder
    return folders


@pytest.mark.needs("gcc")
@pytest.mark.parametrize("target", C_TARGETS)
def test_no_regression_in_c(target: str, tmp_path: Path, corpora: dict[str, Path]) -> None:
    """What once found a bug, and every seed, keeps the target's promises, by another compiler."""
    inputs = regressions(target)
    assert inputs
    program = build_replay(target, tmp_path)
    names = [*map(str, inputs), *map(str, sorted(corpora[target].glob("seed-*")))]
    done = subprocess.run(
        [str(program), *names], check=False, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr[-3000:]


def test_no_regression_in_schemas() -> None:
    """The same of the schema decoder."""
    assert regressions("schema")
    for path in regressions("schema"):
        check(path.read_bytes())


@pytest.mark.parametrize("target", TARGETS)
def test_a_target_finds_nothing(target: str, tmp_path: Path, corpora: dict[str, Path]) -> None:
    """For so many seconds libFuzzer breaks no promise."""
    if (reason := is_missing(target)) is not None:
        pytest.skip(reason)
    command = command_of(target, tmp_path)
    result = run(command, target, corpora[target], seconds=SECONDS, artifacts=tmp_path)
    assert not result.found, result.why()
    assert result.runs > 500, result.output[-2000:]


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.name)
def test_a_planted_bug_is_found(bug: Bug, tmp_path: Path) -> None:
    """Within a minute, from the same seeds, by the promise that it breaks."""
    if (reason := is_missing(bug.target)) is not None:
        pytest.skip(reason)
    copy = bug.plant(tmp_path)
    corpus = tmp_path / "corpus"
    seeds.write(bug.target, corpus)
    command = command_of(bug.target, tmp_path, copy / "firmware_stub")
    result = run(
        command, bug.target, corpus, seconds=PLANTED_SECONDS, artifacts=tmp_path, folder=copy
    )
    assert result.found


# ------------------------------------------------------------------ the boards against each other


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> Differential:
    """Return what plays inputs on both boards."""
    return Differential(board.build(tmp_path_factory.mktemp("boards")))


@pytest.mark.needs("gcc")
def test_both_boards_say_the_same(boards: Differential, corpora: dict[str, Path]) -> None:
    """To regressions, seeds, and what libFuzzer found for the coverage of the C code."""
    own: list[Path] = []
    found: list[Path] = []
    for path in sorted(corpora["stub"].iterdir()):
        (own if path.suffix == ".bin" or path.name.startswith("seed-") else found).append(path)
    every = max(1, len(found) // MOST_INPUTS)
    chosen = [*own[:: max(1, len(own) // MOST_INPUTS)], *found[::every]]
    inputs, steps = boards.play_all(path.read_bytes() for path in chosen)
    assert inputs > 100
    assert steps > 1000


@pytest.mark.needs("gcc")
def test_a_bug_in_one_board_is_found(tmp_path: Path, corpora: dict[str, Path]) -> None:
    """A C board that forgets what is staged at a commit refused for its whole says so."""
    bug = Bug(
        "a set that breaks a rule of the whole is discarded",
        "stub",
        "firmware_stub/src/pv_requests.c",
        "    refusal = pv_check_whole(p);\n",
        "    refusal = pv_check_whole(p);\n    if (refusal != 0) {\n"
        "        pv_drop_staged(p);\n    }\n",
    )
    planted = Differential(board.build(tmp_path, stub=bug.plant(tmp_path) / "firmware_stub"))
    inputs = (path.read_bytes() for path in sorted(corpora["stub"].glob("seed-*")))
    with pytest.raises(Differ):
        planted.play_all(inputs)


KEYS = [setting.key for setting in fuzz_board().schema.settings]
VALUES = [
    b"\x63abc", b"\x05", b"\x18\x1a", b"\xf5", b"\xf4", b"\xf6", b"\x47orchard", b"\x64slow",
    b"\x66pulsed", b"\x19\x02\x00", b"\x20", b"\x60", b"\x40", b"\x44\x01\x02\x03\x04",
    b"\x67a.b.c.d", b"\x6dhttps://a.b/c", b"\x64UTC0", b"\x80", b"\xa0", b"\x62\xc3\xa9",
]  # fmt: skip
BYTE = st.integers(0, 255)
SMALL = st.integers(0, 48)
STEPS = st.one_of(
    st.builds(step, st.just(Sort.SET), st.integers(0, len(KEYS) - 1), st.sampled_from(VALUES)),
    st.builds(step, st.just(Sort.CANARY), st.integers(0, 2)),
    st.builds(step, st.just(Sort.COMMIT), st.integers(0, 3)),
    st.builds(step, st.just(Sort.NAMED), st.integers(0, 4), st.integers(0, 7)),
    st.builds(
        step,
        st.just(Sort.PART),
        st.integers(0, len(KEYS) - 1),
        SMALL,
        st.integers(0, 64),
        st.binary(max_size=48),
    ),
    st.builds(step, st.just(Sort.ASK), st.integers(0, 5), SMALL, SMALL),
    st.builds(step, st.just(Sort.WAIT), st.sampled_from([100, 3000, 6001, 60000])),
    st.builds(step, st.just(Sort.REPORT), BYTE, BYTE, BYTE, SMALL),
    st.builds(step, st.just(Sort.FOUND), BYTE, BYTE, BYTE, st.binary(min_size=1, max_size=32)),
    st.sampled_from([step(sort) for sort in (Sort.RESTART, Sort.PRESENT, Sort.AGAIN)]),
    st.builds(step, st.just(Sort.ITEM), st.binary(max_size=40)),
    st.builds(step, st.just(Sort.RAW), st.binary(max_size=40)),
)


@pytest.mark.needs("gcc")
@settings(max_examples=60)
@given(st.integers(0, 7), st.lists(STEPS, max_size=30))
def test_both_boards_say_the_same_to_structured_input(
    boards: Differential, options: int, steps: list[bytes]
) -> None:
    """To steps that mean something more often than bytes do."""
    boards.play(bytes([options]) + b"".join(steps))


@given(st.lists(STEPS, max_size=5))
def test_steps_are_read_as_they_were_written(steps: list[bytes]) -> None:
    """Seeds say what they mean: every step comes back."""
    assert list(read(b"".join(steps))) == [one for each in steps for one in _steps(each)]


def _steps(data: bytes) -> Iterator[Step]:
    yield from read(data)
