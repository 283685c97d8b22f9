# SPDX-License-Identifier: MIT
"""Any schema, any board, any way through: the page's dialog goes where the terminal's does.

The terminal's is the reference here; what it promises is tested in tests/wizard.
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from provision.client.held import HeldSetting
from provision.contract.table import Held, Kind
from provision.schema.model import Field, Pin, Schema, Setting, Value
from provision.schema.table import LENGTH_OF_KEY
from provision.schema.values import ValueProblem, check_value
from provision.wizard.questions import AnotherInstance, Given, Move, Question
from tests.page.wizard.lockstep import Lockstep, Page
from tests.schema.test_codec import schemas
from tests.wizard import sample_schema

TYPED = [
    *("", " ", "yes", "off", "o1", "O2", "0", "1", "3", "7", "08", "-2", "5.25", "5,2 °C", "D3"),
    *("barn", "Gate ", "blossom-before-frost", "A9", "no such thing", "hex:f6 00", "1 h 30 min"),
    *("192.0.2.7", "2001:DB8::7", "alarm.example.org", "https://alarm.example.org/x", "UTC0"),
    *("Europe/London", "a1 b2", "ä\u202e\u00a0x", "0" * LENGTH_OF_KEY, "x" * 300, "8080", "warm"),
]
"""What fits some kinds and not others."""

VALUES: list[Value] = [
    *("ab", "o1", "alarm.example.org", "https://alarm.example.org/", "UTC0", True, False),
    *(0, 1, 3, 4, 7, 80, b"Farm", b"Tw\xf6 hills", b"\xc0\x00\x02\x07", bytes(16)),
]
"""What a board may hold: of each kind something."""

WORDS = ["Why it failed.", "must be another"]


@st.composite
def any_schema(draw: st.DrawFn) -> Schema:
    """Return a schema of tests/schema, with a pin taken, or of a board that takes only keys."""
    schema = draw(st.just(sample_schema.SCHEMA) | schemas())
    if draw(st.booleans()):
        taken = Pin(9, schema.pins[0].abilities, None, "SD")
        schema = replace(schema, pins=(*schema.pins, taken), translations=())
    only_key = LENGTH_OF_KEY if draw(st.booleans()) else None

    def changed(field: Field) -> Field:
        return replace(field, minimum=only_key) if field.kind is Kind.PASSPHRASE else field

    sections = tuple(
        replace(section, fields=tuple(changed(field) for field in section.fields))
        for section in schema.sections
    )
    return replace(schema, sections=sections)


@st.composite
def held_by(draw: st.DrawFn, setting: Setting, schema: Schema) -> HeldSetting:
    """Return what a board may hold for a setting (clause 6.3): what its firmware takes."""
    field = setting.field
    held = draw(st.sampled_from(Held))
    if held is Held.UNSET or field.is_secret:
        return HeldSetting(held)
    if field.kind is Kind.BLOB:
        return HeldSetting(held, draw(st.integers(1, 3)))
    fitting = [value for value in VALUES if check_value(field, value, schema) is None]
    return HeldSetting(held, draw(st.sampled_from(fitting))) if fitting else HeldSetting(Held.UNSET)


def given_for(setting: Setting, schema: Schema) -> st.SearchStrategy[Given] | None:
    """Return answers of an earlier dialog, None where nothing here fits."""
    fitting = [value for value in VALUES if check_value(setting.field, value, schema) is None]
    return st.sampled_from([Given(value) for value in fitting]) if fitting else None


class LockstepMachine(RuleBasedStateMachine):
    """Two dialogs, and a person who does anything in any order."""

    page: ClassVar[Page]

    @initialize(data=st.data())
    def begin(self, data: st.DataObject) -> None:
        """Begin as any of the commands might: for all, for some, after a failure."""
        draw = data.draw
        schema = draw(any_schema())
        some = st.sets(st.sampled_from([setting.key for setting in schema.settings]), max_size=3)
        instances = [(s.section.key, s.instance) for s in schema.settings if s.instance is not None]
        keys = sorted(draw(some))
        remembered = {
            setting.key: draw(answers)
            for setting in schema.settings
            if setting.key in draw(some) and (answers := given_for(setting, schema)) is not None
        }
        is_fresh = draw(st.booleans())
        base_keys = [setting.base_key for setting in schema.settings]
        self.keys = [setting.key for setting in schema.settings]
        self.both = Lockstep(
            self.page,
            schema,
            {} if is_fresh else {s.key: draw(held_by(s, schema)) for s in schema.settings},
            ask_all=draw(st.booleans()),
            keys=keys,
            only_keys=draw(st.booleans()),
            removed=draw(st.sets(st.sampled_from(instances), max_size=1)) if instances else (),
            known=frozenset(draw(st.sets(st.sampled_from(base_keys)))),
            proposals=draw(st.sampled_from([{}, {Kind.TIME_ZONE: Given("UTC0", "Etc/UTC")}])),
            remembered=remembered,
            faults=dict.fromkeys(keys, WORDS[0]) if draw(st.booleans()) else {},
        )

    @rule(text=st.sampled_from(TYPED))
    def answer(self, text: str) -> None:
        """Type something: taken, or refused in the same words."""
        step = self.both.next()
        if isinstance(step, Question):
            try:
                self.both.answer(self.both.read(step, text))
            except ValueProblem:
                return

    @rule(data=st.data())
    def answer_well(self, data: st.DataObject) -> None:
        """Answer so that it is taken, to get on."""
        step = self.both.next()
        if isinstance(step, AnotherInstance):
            self.both.answer_another(data.draw(st.booleans()))
        elif step is not None:
            move = Move.KEEP if step.current is not None else Move.CLEAR
            for text in data.draw(st.permutations(TYPED)):
                try:
                    answer = self.both.read(step, text)
                except ValueProblem:
                    continue
                self.both.answer(answer)
                return
            self.move(move)

    @rule(move=st.sampled_from(Move))
    def move(self, move: Move) -> None:
        """Keep, clear or go back: done, or not possible in both."""
        if isinstance(self.both.next(), Question):
            try:
                self.both.answer(move)
            except ValueError:
                return

    @rule()
    def back(self) -> None:
        """Go back, from wherever it is."""
        self.both.back()

    @rule()
    def pass_over(self) -> None:
        """Leave a question."""
        if isinstance(self.both.next(), Question):
            self.both.pass_over()

    @rule(data=st.data())
    def change(self, data: st.DataObject) -> None:
        """Choose a line of the review, or what is none."""
        changes = list(self.both.changes())
        try:
            self.both.change(data.draw(st.sampled_from(changes or self.keys)))
        except KeyError:
            return

    @rule(data=st.data(), words=st.sampled_from(WORDS))
    def fault(self, data: st.DataObject, words: str) -> None:
        """The board refuses what was answered, or names another setting that applies."""
        asked = list(self.both.answers()) or self.keys
        self.both.fault(data.draw(st.sampled_from(asked)), words)

    @rule()
    def look(self) -> None:
        """Ask what is next, which may find a fault in the whole."""
        self.both.next()


@pytest.mark.needs("node")
def test_the_page_s_dialog_goes_where_the_terminal_s_does(
    page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After each move both ask the same, for the same reason, and would store the same."""
    monkeypatch.setattr(LockstepMachine, "page", page, raising=False)
    run_state_machine_as_test(
        LockstepMachine, settings=settings(max_examples=100, stateful_step_count=30)
    )
