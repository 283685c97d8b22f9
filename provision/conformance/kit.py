# SPDX-License-Identifier: MIT
"""The kit: all checks in order, and the report on a board. Sans-I/O, like the checks."""

from __future__ import annotations

from collections.abc import Iterator

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check, Watched
from provision.conformance.checks import CHECKS
from provision.conformance.checks.reading import READ_SCHEMA
from provision.conformance.findings import (
    Fault,
    Finding,
    Gone,
    NotApplicable,
    NotMet,
    Report,
    Verdict,
    tell_once,
)
from provision.conformance.refusals import REFUSAL_NUMBERS
from provision.conformance.steps import Steps, Tell
from provision.conformance.watch import Setup
from provision.conformance.wire import SLOW
from provision.contract.table import (
    MESSAGES,
    Capability,
    HelloReplyKey,
    MessageType,
    StatusReplyKey,
)

WATCHED = (
    Watched(("6.3.9",), "No secret that was sent came back, in no form"),
    Watched(("2.1.1", "2.1.2"), "Every line of the board is LF ~ BODY CHECK LF"),
    Watched(("2.3.1",), "No BODY of the board is longer than 655 characters"),
    Watched(("3.1.1",), "Every item of the board is in the profile"),
    Watched(
        ("4.1.2", "4.1.3", "4.1.4", "4.1.5", "4.2.3"),
        "Every reply fits its request, once and in order",
    ),
    Watched(("4.1.6", "4.1.7", "2.3.2"), "Every body of the board has the form of the table"),
    Watched(("6.1.7",), "Hello stays the same within a start"),
    Watched(("5.7.1", "5.7.2", "5.7.3"), "Replies come in the time announced"),
    Watched(("5.5.5", "6.1.5"), "Presence is demanded only where it is announced"),
    Watched(("6.8.10",), "Only a survey is refused with busy"),
    Watched(REFUSAL_NUMBERS, "Refusals have the keys of their code, and no other"),
)
"""What is looked at in all that comes, whatever check runs."""

_UNTOUCHED = Watched(("4.3.10", "5.2.2"), "What is refused, or only staged, changes nothing stored")


EVERYTHING: tuple[Watched, ...] = (*WATCHED, _UNTOUCHED, *CHECKS)
"""All that looks at a requirement."""

_NOTHING_ASKED = "Nothing was asked of the board beyond hello."
_MAY_CHANGE = "it changes the stored settings: run with --may-change-settings"
_SHORT_TRIAL = 15  # seconds of a trial whose end is awaited without patience
_TIMES_JUDGED = 3  # replies of a type after which they are judged by themselves
_LATE_ADMITTED = 50  # one late reply in so many may be the computer's own doing


class NoBoard(Exception):  # noqa: N818 - an ending, no error of the kit
    """No board answered hello, and without that nothing conforms; `report` has what came."""

    def __init__(self, report: Report) -> None:
        super().__init__("\n".join(report.lines()))
        self.report = report


def chosen(only: str | None) -> tuple[Check, ...]:
    """Return the checks of a clause or a requirement, of all where it is None."""
    return tuple(check for check in CHECKS if check.is_about(only))


def is_known(number: str) -> bool:
    """Whether anything looks at a requirement, or at one of a clause."""
    return any(each.is_about(number) for each in EVERYTHING)


def examine(setup: Setup) -> Steps[Report]:
    """Hold the board that is on the line against the page. Raises NoBoard if there is none."""
    board = BoardUnderTest(setup)
    try:
        yield from board.meet()
    except Gone:
        raise NoBoard(_report(board, [], _NOTHING_ASKED, has_answered=False)) from None
    except NotMet:
        return _report(board, [], _NOTHING_ASKED)
    checks = chosen(setup.only)
    before = yield from _what_is_stored(board)
    if READ_SCHEMA not in checks:
        yield from _run(board, READ_SCHEMA)  # which the others want
    findings = yield from _run_all(board, [check for check in checks if not check.changes])
    untouched, settings = yield from _untouched(board, before)
    if _UNTOUCHED.is_about(setup.only):
        findings.append(untouched)
    findings += yield from _run_all(board, [check for check in checks if check.changes])
    if setup.may_change:
        settings = yield from _leave(board)
    return _report(board, findings, settings or "What the board holds now is not known.")


def _run_all(board: BoardUnderTest, checks: list[Check]) -> Steps[list[Finding]]:
    findings = []
    for check in checks:
        why = _why_not(board, check)
        finding = _not_applicable(check, why) if why else (yield from _run(board, check))
        findings.append(finding)
    return findings


def _why_not(board: BoardUnderTest, check: Check) -> str:
    if board.gone:
        return "the board answers no more"
    if board.is_slow and not board.setup.patient:
        return SLOW
    if check.changes and not board.setup.may_change:
        return _MAY_CHANGE
    if check.minutes and not board.setup.patient and not _is_short(board, check):
        return f"it waits {check.minutes} minutes or more: run with --patient"
    if check.minutes and board.hello[HelloReplyKey.LISTENS] is not None:
        return "it waits for minutes, and the board does not listen for as long as it runs"
    return ""


def _is_short(board: BoardUnderTest, check: Check) -> bool:
    trial = board.schema.trial if board.schema else None
    return check.lasts_a_trial and (trial or 0) <= _SHORT_TRIAL


def _not_applicable(check: Check, why: str) -> Finding:
    return Finding(check.looks_at, check.title, Verdict.NOT_APPLICABLE, why)


def _run(board: BoardUnderTest, check: Check) -> Steps[Finding]:
    if board.setup.on_check:
        board.setup.on_check(check.name)
    if board.is_slow:
        yield Tell(f"{check.name} ...")
    board.faults = []
    board.asks_presence = True
    try:
        yield from board.fresh()
        yield from check.run(board)
    except NotMet as finding:
        board.note(str(finding))
    except Gone as finding:
        board.gone = True
        board.faults.append(Fault(str(finding)))
    except NotApplicable as finding:
        if not board.faults:
            return _not_applicable(check, str(finding))
    verdict = Verdict.NOT_MET if board.faults else Verdict.MET
    return Finding(check.looks_at, check.title, verdict, faults=tuple(board.faults))


# ----------------------------------------------------------------------- what is stored, at the end


def _what_is_stored(board: BoardUnderTest) -> Steps[object]:
    """Return what the board tells of what is stored, to be compared; None if it does not."""
    try:
        yield from board.say_hello()
        status = yield from board.status()
        values = yield from board.values()
    except NotMet:
        return None
    hello = board.hello
    return (
        hello[HelloReplyKey.GENERATION],
        hello[HelloReplyKey.TOKEN],
        status[StatusReplyKey.STORE],
        values,
    )


def _untouched(board: BoardUnderTest, before: object) -> Steps[tuple[Finding, str]]:
    """Look whether the board holds what it held before."""
    numbers, title = _UNTOUCHED.looks_at, _UNTOUCHED.title
    after = None
    try:
        if not board.gone:
            yield from board.fresh()
            after = yield from _what_is_stored(board)
    except (Gone, NotMet, NotApplicable):
        pass
    if before is None or after is None:
        why = "generation, status and values could not be read at the beginning and at the end"
        return Finding(numbers, title, Verdict.NOT_APPLICABLE, why), ""
    if before != after:
        fault = Fault("generation, token, state or values differ from those at the beginning")
        settings = "The board's stored settings have changed, though nothing was committed."
        return Finding(numbers, title, Verdict.NOT_MET, faults=(fault,)), settings
    settings = (
        "The board's stored settings are untouched: generation, token, state and values are"
        " those of the beginning."
    )
    return Finding(numbers, title, Verdict.MET), settings


def _leave(board: BoardUnderTest) -> Steps[str]:
    """Leave no made-up settings in force, if that can be."""
    if board.gone:
        return ""
    try:
        yield from board.fresh()
        if Capability.ERASE in board.capabilities:
            yield from board.answer(MessageType.ERASE, {1: board.generation})
            return "The board was erased at the end."
    except (Gone, NotMet, NotApplicable):
        return ""
    return "The board holds values that the kit made up: set it up again."


# --------------------------------------------------------------------------------------- the report


def _report(
    board: BoardUnderTest, findings: list[Finding], settings: str, *, has_answered: bool = True
) -> Report:
    board.end()
    # What nobody asked for, or what did not come, is told only if it is wrong all the same.
    watched = _watched(board, told=has_answered)
    everything = sorted([*findings, *watched], key=lambda finding: _order(finding.clause))
    return Report(
        _introduction(board) if has_answered else "No board answered hello.",
        tell_once(everything),
        settings,
        board.exchanges,
        has_answered,
        board.remarks,
    )


def _order(clause: str) -> tuple[int, ...]:
    return tuple(map(int, clause.split(".")))


def _watched(board: BoardUnderTest, *, told: bool) -> Iterator[Finding]:
    """Yield what was watched; unless it is to be told, or was not asked for, faults only."""
    watch = board.watch
    late = sum(ms > 0 for ms in board.late)
    if late * _LATE_ADMITTED > len(board.late):
        watch.broke(
            "5.7.1",
            Fault(
                f"{late} of {len(board.late)} replies came later than their bytes at line rate and"
                f" 250 ms, the latest by {max(board.late)} ms"
            ),
        )
    for type_, times in board.late_of.items():
        slow = [ms for ms in times if ms > 0]
        if len(times) >= _TIMES_JUDGED and 2 * len(slow) > len(times):
            watch.broke(
                "5.7.1",
                Fault(
                    f"the replies to {_name_of(type_)} come later than their bytes at line rate"
                    f" and 250 ms, {len(slow)} of {len(times)}, the latest by {max(slow)} ms"
                ),
            )
    for each in WATCHED:
        faults = tuple(fault for number in each.looks_at for fault in watch.faults.get(number, ()))
        why = ""
        if "6.3.9" in each.looks_at and not board.leaks.secrets:
            why = "the board has no secret of 8 bytes"
        elif each.looks_at == REFUSAL_NUMBERS and not watch.refusals:
            why = "nothing was refused"
        if faults:
            yield Finding(each.looks_at, each.title, Verdict.NOT_MET, faults=faults)
        elif told and each.is_about(board.setup.only):
            verdict = Verdict.NOT_APPLICABLE if why else Verdict.MET
            yield Finding(each.looks_at, each.title, verdict, why)


def _name_of(type_: int | None) -> str:
    if type_ is None:
        return "requests that come at once"
    return MESSAGES[type_].name if type_ in MESSAGES else f"type {type_}"


def _introduction(board: BoardUnderTest) -> str:
    if not board.hello:
        return "A board whose answer to hello is none."
    keys = (HelloReplyKey.FIRMWARE, HelloReplyKey.FIRMWARE_VERSION, HelloReplyKey.BOARD)
    firmware, version, name = (ascii(board.hello[key])[1:-1] for key in keys)
    return f"{firmware} {version} on {name}"
