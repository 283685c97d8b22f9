# SPDX-License-Identifier: MIT
"""`make bench`: every part runs, at a tiny scale, and says what it is there to say.

No figure of speed is judged here: that is for whoever reads the table.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace

import pytest

from scripts.bench import __main__ as program
from scripts.bench import boards, codec, growth, line, messages, promptness
from scripts.bench.demo import WITHOUT_TIME, changes, cold, demo, known
from scripts.bench.figures import Figure, Part, table
from scripts.bench.virtual import BITS_PER_BYTE, Conditions, message_of, talk

LF_AND_TILDE = 2
CHECK_AND_LF = 9


def names(part: Part) -> str:
    """Return the names of a part's figures, a line each."""
    assert all(figure.value >= 0 for figure in part.figures)
    return "\n".join(figure.name for figure in part.figures)


def test_the_line() -> None:
    """Each line and both ways of meeting a board are there; storing takes three flights, cold."""
    part = line.measure(bauds=[115200], latencies_ms=[0, 16], repeats=1)
    told = names(part)
    for way in ("cold", "known schema"):
        for latency in (0, 16):
            assert f"{way}, 115200 baud, latency timer {latency} ms: time ÷ limit" in told
    assert "limit ÷ limit in binary frames without compression" in told
    flights = {figure.name: figure.value for figure in part.figures if figure.unit == "flights"}
    assert flights["cold: flights to meet and store"] == 3


def test_the_limit_is_what_the_bytes_and_the_flash_take() -> None:
    """No conversation is quicker than its requests that must precede, its replies, its flash."""
    talked = talk(demo(), cold(), WITHOUT_TIME)
    byte = BITS_PER_BYTE / WITHOUT_TIME.baud
    replies = sum(len(one.reply) for one in talked.exchanged) * byte
    requests = sum(len(one.request) for one in talked.exchanged) * byte
    flash = sum(one.flash for one in talked.exchanged)
    assert flash > 0
    assert max(replies, requests) + flash < talked.seconds < replies + requests + flash
    assert dict(changes()) == (talked.device and dict(talked.device.board.stored))


def test_a_latency_timer_costs_each_flight_once_at_the_most() -> None:
    """What the bridge keeps back at the end of a flight is all that it adds to full packets."""
    for host in (cold(), known()):
        limit = talk(demo(), host, WITHOUT_TIME)
        slow = talk(demo(), host, replace(WITHOUT_TIME, latency_ms=16))
        assert limit.seconds < slow.seconds <= limit.seconds + 0.016 * slow.flights + 1e-6


def test_time_of_code_counts_only_where_it_should() -> None:
    """The limit is the same in every run; a run with time of code is longer than it."""
    first, second = (talk(demo(), cold(), WITHOUT_TIME).seconds for _ in range(2))
    # An id below 256 makes a line a byte or two shorter, and ids begin at random.
    assert first == pytest.approx(second, rel=0.01)
    assert talk(demo(), cold(), Conditions()).seconds > first


def test_a_binary_frame_is_its_item_and_what_goes_around_it() -> None:
    """4 bytes of CRC, one at each end, one for stuffing: against base64 by hand."""
    request = talk(demo(), cold(), WITHOUT_TIME).exchanged[0].request
    body = len(request) - LF_AND_TILDE - CHECK_AND_LF
    assert line.binary_size(request) == body * 3 // 4 + 4 + 2 + 1
    assert message_of(request).type == 1  # hello


def test_the_bytes() -> None:
    """Every type of message is counted, and every shape of the schema weighed."""
    part = messages.measure()
    told = names(part)
    for name in ("hello", "get-schema", "get-values", "set-field", "commit", "keys as texts"):
        assert name in told
    values = {figure.name: figure.value for figure in part.figures if figure.unit == "bytes"}
    assert values.pop("all") == sum(values.values())


def test_the_codec() -> None:
    """Both ways, and every kind of noise."""
    told = names(codec.measure(rounds=1, noise_size=1 << 14))
    for name in ("requests encoded", "replies decoded", "random bytes", "text full of ~"):
        assert name in told


def test_many_boards() -> None:
    """Boards in another process, on ports, are provisioned; nothing of it is left behind."""
    told = names(boards.measure(counts=[1, 2], repeats=1))
    for name in ("2 boards: time ÷ one board's", "processor time for an exchange", "memory"):
        assert name in told


def test_promptness() -> None:
    """Hang-up, close and help are timed; help imports nothing heavy."""
    part = promptness.measure(repeats=1)
    assert "until it is noticed" in names(part)
    assert part.figures[-1].value == 0


def test_growth() -> None:
    """Few and more fields, a short and a longer value."""
    told = names(growth.measure(fields=[3, 6], blobs=[256, 512], repeats=1))
    for name in ("fields, 6 ÷ 3: wire bytes", "bytes of a value, 512 ÷ 256", "128 characters"):
        assert name in told


def test_a_goal_that_is_missed_says_so() -> None:
    """In the table and in JSON alike."""
    met, missed = (Figure("part", str(value), value, at_most=1.0) for value in (1.0, 1.1))
    told = table([Part("Title", [met, missed])]).splitlines()
    assert [word for row in told for word in ("holds", "MISSED") if row.endswith(word)] == [
        "holds",
        "MISSED",
    ]
    assert told[-1] == "1 of 2 goals hold."
    assert [figure.as_item()["holds"] for figure in (met, missed)] == [True, False]


def test_json(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """`--json` has one row for each figure."""
    monkeypatch.setattr(sys, "argv", ["bench", "--json", "bytes"])
    program.main()
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert {row["part"] for row in rows} == {"bytes"}
    assert set(rows[0]) == {"part", "name", "value", "unit", "goal", "holds", "counts"}
