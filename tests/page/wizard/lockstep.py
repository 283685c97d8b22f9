# SPDX-License-Identifier: MIT
"""The dialog twice, in Python and in the page: told the same, both have to say the same."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping
from enum import Enum
from pathlib import Path
from typing import Any, TypeVar

import pytest

from provision.client.held import HeldSetting
from provision.client.sanitize import clean_schema
from provision.contract.profile import encode
from provision.contract.table import MAX_SCHEMA_DEPTH, Kind
from provision.schema.codec import to_item
from provision.schema.model import Schema, Value
from provision.schema.values import ValueProblem
from provision.wizard.flow import Flow
from provision.wizard.questions import (
    AnotherInstance,
    Answer,
    Given,
    Move,
    Prompt,
    Question,
    ReviewLine,
)
from tests.line_process import LineProcess

PROGRAM = Path(__file__).with_name("answering.js")

_Result = TypeVar("_Result")


class CallerError(Exception):
    """The page threw what is no problem of the person's."""


class Page(LineProcess):
    """The page's modules, in a process of their own."""

    def __init__(self) -> None:
        super().__init__("node", PROGRAM)

    def say(self, name: str, *values: object) -> Any:  # any: whatever JSON holds
        """Return what a command of answering.js comes to.

        Raises ValueProblem and CallerError as the page throws them.
        """
        self.write(as_text([name, *values]))
        reply = json.loads(self.read(), object_hook=_from_json)
        if "problem" in reply:
            raise ValueProblem(*reply["problem"])
        if "error" in reply:
            raise CallerError(reply["error"])
        return reply["result"]

    def take(self, schema: Schema) -> Any:
        """Give the page a schema as a board does; return it as the page has it, cleaned."""
        return self.say("schema", encode(to_item(schema), MAX_SCHEMA_DEPTH))


def as_text(value: object) -> str:
    """Return a value as a line of JSON, in which true is not 1, and octets are not their text."""
    return json.dumps(value, default=_to_json)


def _to_json(value: object) -> object:
    if isinstance(value, bytes):
        return {"octets": value.hex()}
    if isinstance(value, HeldSetting):
        return {"held": value.held, "value": value.value}
    if isinstance(value, Given):
        return {"value": value.value, "written": value.written}
    if isinstance(value, Move):
        return _name(value)
    if isinstance(value, frozenset):
        return sorted(value)
    raise TypeError(type(value))


def _from_json(entries: dict[str, Any]) -> object:
    return bytes.fromhex(entries["octets"]) if entries.keys() == {"octets"} else entries


def _name(member: Enum) -> str:
    return member.name.lower().replace("_", "-")


def told(step: Prompt | None) -> list[object] | None:
    """Return all that can be told of a question or an offer."""
    if step is None:
        return None
    if isinstance(step, AnotherInstance):
        return [step.section.key, step.instance, step.first]
    return [
        step.key,
        step.heading,
        _name(step.why),
        step.position,
        step.count,
        step.current,
        step.editable,
        _name(step.origin),
        step.can_clear,
        step.fault,
        step.conflict,
        [[choice.pin.number, choice.name, choice.obstacle] for choice in step.pins],
        step.network,
    ]


class Lockstep:
    """A Flow in Python and one in the page; its methods are those of Flow.

    After every move the two are compared in all that can be asked of a flow.
    """

    def __init__(
        self,
        page: Page,
        schema: Schema,
        held: Mapping[str, HeldSetting],
        *,
        ask_all: bool = False,
        keys: Collection[str] = (),
        only_keys: bool = False,
        removed: Collection[tuple[str, int]] = (),
        known: frozenset[str] = frozenset(),
        proposals: Mapping[Kind, Given] | None = None,
        remembered: Mapping[str, Given] | None = None,
        faults: Mapping[str, str] | None = None,
    ) -> None:
        """Begin both dialogs, with the schema as a board sends it."""
        self._page = page
        self._flow = Flow(
            clean_schema(schema),
            held,
            ask_all=ask_all,
            keys=keys,
            only_keys=only_keys,
            removed=removed,
            known=known,
            proposals=proposals,
            remembered=remembered,
            faults=faults,
        )
        page.take(schema)
        options = {
            "askAll": ask_all,
            "keys": list(keys),
            "onlyKeys": only_keys,
            "removed": list(removed),
            "known": known,
            "proposals": list((proposals or {}).items()),
            "remembered": list((remembered or {}).items()),
            "faults": list((faults or {}).items()),
        }
        page.say("flow", list(held.items()), options)
        self._compare()

    def next(self) -> Prompt | None:
        """Return what both ask next."""
        step = self._flow.next()
        assert self._page.say("next") == told(step)
        self._compare()
        if isinstance(step, Question):
            for answer in Move:
                self.cautions(step, answer)
        return step

    def answer(self, answer: Answer) -> None:
        """Answer both."""
        self._move(lambda: self._flow.answer(answer), "answer", answer)

    def answer_another(self, wanted: bool) -> None:
        """Answer both."""
        self._move(lambda: self._flow.answer_another(wanted), "answerAnother", wanted)

    def back(self) -> bool:
        """Go back in both."""
        return self._move(self._flow.back, "back")

    def change(self, key: str) -> None:
        """Change an answer in both."""
        self._move(lambda: self._flow.change(key), "change", key)

    def fault(self, key: str, words: str) -> None:
        """Refuse an answer in both."""
        self._move(lambda: self._flow.fault(key, words), "fault", key, words)

    def pass_over(self) -> None:
        """Leave a question in both."""
        self._move(self._flow.pass_over, "passOver")

    def read(self, question: Question, text: str) -> Given:
        """Have both read an answer to the question that next() returned."""
        given = self._both(lambda: self._flow.read(question, text), "read", text)
        self.cautions(question, given)
        return given

    def cautions(self, question: Question, answer: Answer) -> tuple[str, ...]:
        """Return the cautions that both find."""
        found = self._flow.cautions(question, answer)
        assert self._page.say("cautions", answer) == list(found)
        return found

    def changes(self) -> dict[str, Value | None]:
        """Return what both would store."""
        return self._flow.changes()

    def review(self) -> tuple[ReviewLine, ...]:
        """Return what both show of it."""
        return self._flow.review()

    def answers(self) -> dict[str, Given]:
        """Return what was answered."""
        return self._flow.answers()

    def untouched(self) -> int:
        """Return how many settings stay as they are."""
        return self._flow.untouched()

    def _move(self, do: Callable[[], _Result], name: str, *values: object) -> _Result:
        """Do the same to both, and compare where they stand then."""
        try:
            return self._both(do, name, *values)
        finally:
            self._compare()

    def _both(self, do: Callable[[], _Result], name: str, *values: object) -> _Result:
        """Do the same to both; return or raise what it comes to."""
        try:
            result = do()
        except ValueProblem as problem:
            self._expect(problem, name, *values)
            raise
        except (ValueError, KeyError):
            with pytest.raises(CallerError):
                self._page.say(name, *values)
            raise
        assert as_text(self._page.say(name, *values)) == as_text(result)
        return result

    def _expect(self, problem: ValueProblem, name: str, *values: object) -> None:
        with pytest.raises(ValueProblem) as found:
            self._page.say(name, *values)
        assert (str(found.value.words), found.value.code) == (str(problem.words), problem.code)

    def _compare(self) -> None:
        flow = self._flow
        changes = flow.changes()
        mine = {
            "changes": list(changes.items()),
            "keys": list(changes),
            "review": [[line.key, line.heading, line.label, line.shown] for line in flow.review()],
            "answers": sorted(flow.answers().items()),
            "asked": flow.asked(),
            "active": flow.active,
            "untouched": flow.untouched(),
        }
        assert as_text(self._page.say("standing")) == as_text(mine)
