# SPDX-License-Identifier: MIT
"""Boards in this process under the kit, in virtual time: nothing waits, whatever is waited for."""

from __future__ import annotations

from typing import Protocol

from provision.conformance.findings import Report
from provision.conformance.kit import NoBoard, examine
from provision.conformance.steps import Action, ActionResult, AskPerson, Listen, Send, Steps, Tell
from provision.conformance.watch import Setup

TICK_MS, LONG_TICK_MS = 20, 500  # the longer one in waits beyond two seconds


class Held(Protocol):
    """A board that is held against the page: bytes and milliseconds in, bytes out."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes; return what the board sends."""

    def tick(self, now_ms: int) -> bytes:
        """Let time pass; return what the board sends."""

    def asked(self, words: str, now_ms: int) -> bool:
        """Do what the person is asked for; return whether it can be done."""


class _Line:
    """The line to a board, and the clock."""

    def __init__(self, board: Held, told: list[str]) -> None:
        self._board = board
        self._told = told
        self._now = 0
        self._came = b""

    def take(self, step: Action) -> ActionResult:
        """Do a step; return what was heard."""
        if isinstance(step, Send):
            self._came += self._board.receive(step.data, self._now)
            return ActionResult(self._now)
        if isinstance(step, Tell):
            self._told.append(step.words)
            return ActionResult(self._now)
        if isinstance(step, AskPerson):
            return ActionResult(self._now, done=self._board.asked(step.words, self._now))
        assert isinstance(step, Listen)
        end = self._now + step.ms
        while not self._came and self._now < end:
            is_long = end - self._now > 2000
            self._now = min(end, self._now + (LONG_TICK_MS if is_long else TICK_MS))
            self._came += self._board.tick(self._now)
        data, self._came = self._came, b""
        return ActionResult(self._now, data)


def hold(board: Held, setup: Setup | None = None, told: list[str] | None = None) -> Report:
    """Hold a board against the page; everything is allowed unless the setup says otherwise.

    Of one that does not answer hello the report is on what came. told: gets what a person is told.
    """
    line = _Line(board, [] if told is None else told)
    work: Steps[Report] = examine(setup or Setup(may_change=True, patient=True, seed=1))
    step = next(work)
    while True:
        try:
            step = work.send(line.take(step))
        except StopIteration as end:
            report: Report = end.value
            return report
        except NoBoard as none:
            return none.report
