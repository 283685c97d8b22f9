# SPDX-License-Identifier: MIT
"""Twenty thousand sessions over bad lines keep the invariant that play.py states.

A violation names the command that plays its session again. The long run, and its table, is
`python scripts/bad_lines.py --sessions 100000`.
"""

from __future__ import annotations

import os
import shutil

import pytest

from tests.sessions.many import BOARDS, Found, Summary, play_many
from tests.sessions.play import BoardKind, End, Record, play
from tests.sessions.simulated_link import DAMAGES
from tests.sessions.transcript import Transcript
from tests.sessions.units import build

_SESSIONS = 20_000
_SHARES = 8  # test functions, each within the time that a test has

_EXPECTED = (
    *DAMAGES,
    "boot noise",
    "crlf",
    "echo",
    "killed host",
    "power cut",
    "reset",
    "settled over the bad line",
    "stale replies",
    "stall",
    "unplug, new boot",
    "unplug, same boot",
)


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the compiled stub."""
    return str(build(tmp_path_factory.mktemp("sessions")))


def sessions(board: BoardKind | None, first: int, count: int, library: str | None) -> Summary:
    """Play sessions on all cores; no violation is among them."""
    processes = os.cpu_count() or 1
    summary = play_many(range(first, first + count), board, library, processes=processes)
    found = [f"{each.violation}: {each.replay}" for each in summary.violations]
    assert not found, "\n".join(found[:10])
    return summary


def check_that_all_happened(summary: Summary) -> None:
    """Every fault struck, and every end was reached: else the sessions show little."""
    assert [name for name in _EXPECTED if not summary.struck_sessions[name]] == []
    assert [end for end in End if not summary.ends[end]] == []


@pytest.mark.needs("gcc")
@pytest.mark.parametrize("share", range(_SHARES // 2))
def test_sessions_with_the_c_board_keep_the_invariant(share: int, library: str) -> None:
    """Stored, not stored, or unknown and then settled; and the board holds what was said."""
    count = _SESSIONS // _SHARES
    check_that_all_happened(sessions("c", share * count, count, library))


@pytest.mark.parametrize("share", range(_SHARES // 2))
def test_sessions_with_the_python_board_keep_the_invariant(share: int) -> None:
    """The same, on the same seeds and on lines as bad."""
    count = _SESSIONS // _SHARES
    check_that_all_happened(sessions("python", share * count, count, None))


@pytest.mark.parametrize("board", BOARDS)
def test_a_seed_replays(board: BoardKind, request: pytest.FixtureRequest) -> None:
    """The same seed is the same conversation to the last line, and shows no value."""
    compiled = None
    if board == "c":
        if shutil.which("gcc") is None:
            pytest.skip("needs `gcc`, which is not installed (Debian package gcc)")
        compiled = request.getfixturevalue("library")
    told: list[list[str]] = [[], []]
    records: list[Record] = [play(4147, board, compiled, Transcript(each.append)) for each in told]
    assert told[0] == told[1]
    assert records[0] == records[1]
    assert len(told[0]) > 20


def test_a_violation_names_the_command_that_replays_it() -> None:
    """So that whoever sees it in a log can look at the conversation."""
    summary = Summary()
    summary.add(Record(7, "c", violation="the set is a mixture"))
    assert summary.violations == [Found(7, "c", "the set is a mixture")]
    assert summary.violations[0].replay == "python scripts/bad_lines.py --seed 7 --board c -v"
    assert "violations: 1" in summary.table()
