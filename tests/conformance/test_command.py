# SPDX-License-Identifier: MIT
"""The command `provision conform`: what it prints, what it writes, and how it ends."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from provision.board.store import pack_values
from provision.cli import main
from provision.conformance.checks import CHECKS
from provision.conformance.command import MET, NO_BOARD, NOT_MET, PORT, USAGE
from provision.conformance.findings import Fault, Finding, Report, Verdict
from provision.conformance.junit import junit
from provision.conformance.leaks import LeakSearch
from provision.conformance.watch import Setup
from tests.conformance.making import Wrong
from tests.conformance.served import served_tcp
from tests.conformance.virtual import hold
from tests.conformance.wrong_conversation import ShowsStars


def parsed(octets: bytes) -> ET.Element:
    """Read a file as any reader of XML does."""
    return ET.fromstring(octets)  # noqa: S314 - it is our own


def conform(port: str, *more: str) -> int:
    """Run the command."""
    return main(["conform", "--port", port, *more])


def test_a_board_on_a_port_meets_all(capsys: pytest.CaptureFixture[str]) -> None:
    """Over TCP, with and without leave to change settings; the table says so."""
    device = Wrong.make()
    with served_tcp(device) as url:
        assert conform(url) == MET
        told = capsys.readouterr()
        assert " 0 not met," in told.out
        assert "untouched" in told.out
        assert told.err == ""
        assert conform(url, "--may-change-settings", "--json") == MET
    report = json.loads(capsys.readouterr().out)
    assert report["conforms"] is True
    assert report["settings"] == "The board was erased at the end."


def test_a_wrong_board_on_a_port_has_a_code_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    """1, and the table says which clause is not met."""
    device = type("Stars", (Wrong,), {"board": ShowsStars}).make()  # type: ignore[attr-defined]
    with served_tcp(device) as url:
        assert conform(url, "--may-change-settings") == NOT_MET
    assert "6.3   not met" in capsys.readouterr().out


def test_a_port_that_is_not_there(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """3, and one sentence without a traceback."""
    assert conform(str(tmp_path / "no-such-port")) == PORT
    told = capsys.readouterr()
    assert told.out == ""
    assert "no-such-port" in told.err


def test_a_silent_port(capsys: pytest.CaptureFixture[str]) -> None:
    """4 after ten seconds, and one sentence that says what to look at."""
    with served_tcp(None) as url:
        assert conform(url) == NO_BOARD
    assert "No board answered" in capsys.readouterr().err


def test_json_has_an_object_for_every_ending(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """A port that is not there, a port without a board: both say that nothing conforms."""
    assert conform(str(tmp_path / "no-such-port"), "--json") == PORT
    report = json.loads(capsys.readouterr().out)
    assert (report["conforms"], report["exit"]) == (False, PORT)
    assert "no-such-port" in report["words"]
    with served_tcp(None) as url:
        assert conform(url, "--json") == NO_BOARD
    report = json.loads(capsys.readouterr().out)
    assert (report["conforms"], report["exit"], report["clauses"]) == (False, NO_BOARD, [])


def test_the_checks_are_listed_without_a_board(capsys: pytest.CaptureFixture[str]) -> None:
    """Each by its clause, with what it asks for; of one clause alone if only that is wanted."""
    assert main(["conform", "--list"]) == MET
    listed = capsys.readouterr().out.splitlines()
    assert len(listed) == len(CHECKS)
    assert [line for line in listed if "--patient" in line and line.startswith("5.4")]
    assert main(["conform", "--list", "--only", "6.4.13"]) == MET
    chosen = capsys.readouterr().out.splitlines()
    assert chosen
    assert all("6.4.13" in line for line in chosen)


def test_a_clause_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    """2, before any port is opened."""
    for number in ("6.99", "6.", "", "x"):
        assert conform("/no/port", "--only", number) == USAGE
        assert "--list" in capsys.readouterr().err


def test_one_clause_runs_alone(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Its checks only, the schema read for them all the same; the JUnit file has them, too."""
    path = tmp_path / "report.xml"
    with served_tcp(Wrong.make()) as url:
        assert conform(url, "--only", "6.4", "--json", "--junit", str(path)) == MET
    report = json.loads(capsys.readouterr().out)
    numbers = [clause["requirements"] for clause in report["clauses"]]
    assert all(any(n.startswith("6.4.") for n in each) for each in numbers)
    assert report["met"] == len([check for check in CHECKS if check.is_about("6.4")])
    suite = parsed(path.read_bytes())
    assert suite.get("failures") == "0"
    assert "clause 6.4" in {case.get("classname") for case in suite.iter("testcase")}
    assert [file.name for file in tmp_path.iterdir()] == ["report.xml"]


def test_a_file_that_cannot_be_written_is_told_at_once(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """2, before the board is asked anything."""
    path = tmp_path / "no-such-folder" / "report.xml"
    assert conform("/no/port", "--junit", str(path)) == USAGE
    assert "no-such-folder" in capsys.readouterr().err


def test_no_file_is_left_where_there_is_no_report(tmp_path: Path) -> None:
    """Whole or not at all: an older file stays as it was."""
    path = tmp_path / "report.xml"
    path.write_text("the one before")
    assert conform(str(tmp_path / "no-such-port"), "--junit", str(path)) == PORT
    assert [file.name for file in tmp_path.iterdir()] == ["report.xml"]
    assert path.read_text() == "the one before"


def test_a_report_of_no_board_fails_in_its_file(tmp_path: Path) -> None:
    """A server that only reads the file must not take silence for success."""
    path = tmp_path / "report.xml"
    with served_tcp(None) as url:
        assert conform(url, "--junit", str(path)) == NO_BOARD
    suite = parsed(path.read_bytes())
    assert suite.get("failures") == "1"


# --------------------------------------------------------------------------------- the JUnit file


def test_hostile_texts_leave_the_file_well_formed() -> None:
    """Whatever a board calls itself, and whatever is in the words of a fault."""
    hostile = "".join(map(chr, range(0x20))) + "<&>\"']]>\ud800\uffff\u202e--><!--"
    findings = (
        Finding(("1.1.1",), hostile, Verdict.NOT_MET, faults=(Fault(hostile, figures=hostile),)),
        Finding(("2.1.1",), hostile, Verdict.NOT_APPLICABLE, hostile),
        Finding(("2.2.1",), "x", Verdict.NOT_MET, follows_from=hostile),
    )
    suite = parsed(junit(Report(hostile, findings, hostile, remarks=(hostile,))))
    assert (suite.get("tests"), suite.get("failures"), suite.get("skipped")) == ("3", "2", "1")
    assert "<&>" in (suite.findtext("system-out") or "")


def test_no_secret_is_in_any_report() -> None:
    """Neither one that a person set, nor one that the kit made up and a wrong board gave back."""

    class Refuses(Wrong):
        """Takes no value in parts beyond the first, so that the requests stand in the report."""

    board = Refuses.make()
    canary = "orchard-alarm-key-canary"
    schema = board.board.schema
    payload = pack_values(schema, {"words.secret": canary, "net.name": b"n"})
    board.board.store.commit(payload, bytes(8), bytes(8), on_trial=False)
    board.board.restart(9, 0)
    search = LeakSearch()
    search.add(canary.encode())
    kept: list[str] = []
    staged = board.board._staging.stage

    def stage(setting: object, value: object) -> None:
        staged(setting, value)  # type: ignore[arg-type]
        if getattr(setting, "key", "") in ("words.secret", "net.pass") and isinstance(value, str):
            kept.append(value)
            board.board._staging._values.pop("words.secret", None)  # and counts wrongly

    board.board._staging.stage = stage  # type: ignore[method-assign]
    report = hold(board, Setup(seed=1, patient=True))
    assert not report.is_met
    assert kept
    for secret in kept:
        search.add(secret.encode())
    for told in (json.dumps(report.as_json()), "\n".join(report.lines()), junit(report).decode()):
        assert not search.finds_within(told.encode())
        for found in re.findall(r"~([A-Za-z0-9_-]{11,})[@-O]{8}", told):
            assert not search.finds_within(found.encode())
        for found in re.findall(r'"hex": "([0-9a-f]*)"', told):
            assert not search.finds_within(bytes.fromhex(found))
