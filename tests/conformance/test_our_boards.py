# SPDX-License-Identifier: MIT
"""Both boards of the project meet every clause that the kit can hold them to."""

from __future__ import annotations

import ctypes
import shutil
from dataclasses import replace
from typing import Any

import pytest

from provision.board.firmware import Surroundings
from provision.board.state import OFFERED, Limits
from provision.conformance.checks import CHECKS
from provision.conformance.findings import Report, Verdict
from provision.conformance.kit import WATCHED
from provision.conformance.watch import Setup
from provision.contract.table import Capability, Run
from provision.schema.capacity import whole_line
from tests.conformance.c_boards import CBoard
from tests.conformance.making import NETWORKS, Wrong, declaration
from tests.conformance.virtual import hold
from tests.vectors.boards import build

SCHEMAS = ("board", "trial-board", "orchard-frost-alarm")
EVERY_CAPABILITY = (
    Capability.UNDO
    | Capability.ERASE
    | Capability.RESTART
    | Capability.SURVEY
    | Capability.LOCATE
    | Capability.RECEIVES_WHILE_STORING
)


def not_met(report: Report) -> list[str]:
    """Return the faults found, in words."""
    return [
        f"{finding.name}: {fault.words}"
        for finding in report.of(Verdict.NOT_MET)
        for fault in finding.faults
    ]


def not_applicable(report: Report) -> set[str]:
    """Return why clauses were left out."""
    return {finding.why for finding in report.of(Verdict.NOT_APPLICABLE)}


def python_report(setup: Setup | None = None, **made_of: Any) -> Report:
    """Hold a Python board against the page."""
    device = type("Ours", (Wrong,), made_of).make()  # type: ignore[attr-defined]
    return hold(device, setup)


@pytest.mark.parametrize("schema", SCHEMAS)
@pytest.mark.parametrize("works", [True, False], ids=["proven", "failing"])
def test_the_python_board_meets_all(schema: str, *, works: bool) -> None:
    """With each schema, whether its firmware works with the settings or not."""
    around = Surroundings() if works else Surroundings(())
    report = python_report(schema=schema, surroundings=around)
    assert not_met(report) == []
    assert len(report.findings) == len(CHECKS) + len(WATCHED) + 1


def test_every_check_applies_to_one_of_our_boards() -> None:
    """No check lies idle: the boards that these tests hold take each of them somewhere."""
    reports = [
        python_report(surroundings=NETWORKS, limits=Limits(presence=5000)),
        python_report(schema="orchard-frost-alarm", surroundings=Surroundings(())),
        python_report(capabilities=Capability(0)),
        python_report(limits=Limits(listens=20_000)),
        python_report(schema="trial-board", capabilities=Capability.WHOLE_VALUES),
    ]
    met = {f.title for report in reports for f in report.of(Verdict.MET)}
    everything = {f.title for report in reports for f in report.findings}
    # A board that begins empty wants nobody present; the twin of this check stores a set first.
    idle = {"Changes want a person present"}
    assert everything - met == idle


@pytest.mark.parametrize(
    ("what", "made_of"),
    [
        ("the shortest line and credit", {"limits": Limits(line=128, credit=139)}),
        ("a button", {"limits": Limits(presence=5000)}),
        ("forty networks in range", {"surroundings": NETWORKS}),
        ("nothing offered", {"capabilities": Capability(0)}),
        ("an end to its listening", {"limits": Limits(listens=20_000)}),
        ("log text beside its replies", {"chatty": True}),
        ("no parts", {"schema": "trial-board", "capabilities": OFFERED | Capability.WHOLE_VALUES}),
    ],
)
def test_a_python_board_in_other_circumstances_meets_all(
    what: str, made_of: dict[str, Any]
) -> None:
    """Whatever limits it announces, and whatever else is on its port."""
    assert not_met(python_report(**made_of)) == []


@pytest.mark.parametrize(("trial", "verdict"), [(10, Verdict.MET), (60, Verdict.NOT_APPLICABLE)])
def test_the_end_of_a_short_trial_is_awaited_without_patience(trial: int, verdict: Verdict) -> None:
    """Of one that lasts seconds: of a longer one `--patient` is wanted."""
    alarm = declaration("orchard-frost-alarm")
    short = replace(alarm, schema=replace(alarm.schema, trial=trial))
    setup = Setup(may_change=True, seed=1, only="5.4.5")
    report = python_report(setup, schema=short, surroundings=Surroundings(()))
    ends = [f for f in report.findings if f.title == "Time ends a trial badly"]
    assert [finding.verdict for finding in ends] == [verdict]


def test_a_board_with_settings_is_left_as_it_was() -> None:
    """Without leave to change settings the kit finds as much as can be, and stores nothing."""
    device = Wrong.make()
    hold(device, Setup(may_change=True, seed=3))
    board = device.board
    report = hold(device, Setup(seed=4))
    before = (board.generation, dict(board.stored), board.store.flash.content)
    report = hold(device, Setup(seed=5))
    assert not_met(report) == []
    assert (board.generation, dict(board.stored), board.store.flash.content) == before
    assert "untouched" in report.settings
    assert "it changes the stored settings: run with --may-change-settings" in not_applicable(
        report
    )


@pytest.fixture(scope="module")
def libraries(tmp_path_factory: pytest.TempPathFactory) -> dict[str, ctypes.CDLL]:
    """Compile the stub with the generated code of each schema."""
    if shutil.which("gcc") is None:
        pytest.skip("needs `gcc`, which is not installed (Debian package gcc)")
    places = {name: name for name in SCHEMAS}
    places["orchard-frost-alarm"] = "../../schemas/orchard-frost-alarm"
    return {name: build(place, tmp_path_factory.mktemp(name)) for name, place in places.items()}


@pytest.mark.parametrize("schema", SCHEMAS)
@pytest.mark.parametrize("outcome", [Run.PROVEN, Run.FAILED], ids=["proven", "failing"])
def test_the_c_board_meets_all(
    libraries: dict[str, ctypes.CDLL], schema: str, outcome: Run
) -> None:
    """With each schema, whether its firmware works with the settings or not."""
    offered = EVERY_CAPABILITY
    if schema != "board":
        offered |= Capability.TRIAL
    board = CBoard(libraries[schema], declaration(schema), outcome=outcome, capabilities=offered)
    report = hold(board)
    board.close()
    assert not_met(report) == []


@pytest.mark.parametrize(
    ("what", "more"),
    [
        ("the shortest line and credit", {"limits": {"line": 128, "credit": 139}}),
        ("a button", {"wants_presence": True, "capabilities": EVERY_CAPABILITY}),
        ("nothing offered", {"capabilities": Capability(0)}),
    ],
)
def test_a_c_board_in_other_circumstances_meets_all(
    libraries: dict[str, ctypes.CDLL], what: str, more: dict[str, Any]
) -> None:
    """Whatever limits it announces."""
    board = CBoard(libraries["board"], declaration("board"), **more)
    report = hold(board)
    board.close()
    assert not_met(report) == []


def test_a_c_board_without_parts_meets_all(libraries: dict[str, ctypes.CDLL]) -> None:
    """One whose config names no pv_parts, with the shortest line that its schema admits."""
    declared = declaration("trial-board")
    size = whole_line(declared.schema)
    assert size is not None
    board = CBoard(
        libraries["trial-board"],
        declared,
        capabilities=EVERY_CAPABILITY | Capability.TRIAL | Capability.WHOLE_VALUES,
        limits={"line": size - 8},  # CHECK (clause 2.1)
    )
    report = hold(board)
    board.close()
    assert not_met(report) == []
    assert "the board takes values whole only" in not_applicable(report)


@pytest.mark.parametrize("store", ["two slots", "a platform's own"])
def test_a_c_board_that_keeps_no_older_set_meets_all(
    libraries: dict[str, ctypes.CDLL], store: str
) -> None:
    """It offers neither undo nor trials, though schema and firmware ask for both."""
    asked = EVERY_CAPABILITY | Capability.TRIAL
    declared = declaration("trial-board")
    declared = replace(declared, board=replace(declared.board, slots=2))
    platform = store == "a platform's own"
    board = CBoard(libraries["trial-board"], declared, capabilities=asked, platform=platform)
    report = hold(board)
    board.close()
    assert not_met(report) == []
    assert {"the board does not offer undo", "the board does not offer trial"} <= not_applicable(
        report
    )
