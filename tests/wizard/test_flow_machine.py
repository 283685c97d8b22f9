# SPDX-License-Identifier: MIT
"""The dialog in whatever order a person goes forward, back, and over things again.

Hypothesis chooses the moves; after each of them holds what is promised of every dialog.
"""

from __future__ import annotations

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from provision.schema.constraints import active, check_whole
from provision.schema.values import ValueProblem
from provision.wizard.flow import Flow
from provision.wizard.questions import AnotherInstance, Move, Prompt, Question
from tests.wizard.sample_schema import SCHEMA, TYPED

MOST_QUESTIONS = 60
WORDS = ["", "yes", "no", "red", "3", "5", "17", "barn", "blossom-before-frost", "no such thing"]


class FlowMachine(RuleBasedStateMachine):
    """A dialog with a fresh board."""

    def __init__(self) -> None:
        super().__init__()
        self.flow = Flow(SCHEMA, {})
        self.numbers = {setting.key: setting.number for setting in SCHEMA.settings}

    def _answer(self, step: Prompt, text: str) -> bool:
        """Answer as somebody would who types this; whether it was taken."""
        if isinstance(step, AnotherInstance):
            self.flow.answer_another(text == "yes")
            return True
        try:
            self.flow.answer(self.flow.read(step, text))
        except ValueProblem:
            return False
        return True

    @rule(text=st.sampled_from(WORDS))
    def answer(self, text: str) -> None:
        """What is taken leads on; what is not leaves the question where it is."""
        step = self.flow.next()
        if step is not None and not self._answer(step, text):
            assert self.flow.next() == step

    @rule()
    def answer_well(self) -> None:
        """Answer so that it is taken."""
        step = self.flow.next()
        if not isinstance(step, Question):
            return
        free = [str(each.pin.number) for each in step.pins if each.obstacle is None]
        text = free[0] if free else TYPED.get(step.key, "")
        if not self._answer(step, text):
            assert step.current is not None or step.can_clear, step.key
            self.flow.answer(Move.KEEP if step.current is not None else Move.CLEAR)

    @rule()
    def back(self) -> None:
        """Going back alone changes no answer."""
        changes = self.flow.changes()
        if self.flow.back():  # to a question, or to the review that a change began at
            assert self.flow.changes() == changes

    @rule(data=st.data())
    def change(self, data: st.DataObject) -> None:
        """Of the review every line can be chosen."""
        if self.flow.next() is None and self.flow.changes():
            key = data.draw(st.sampled_from(sorted(self.flow.changes())))
            self.flow.change(key)
            step = self.flow.next()
            assert isinstance(step, Question)
            assert step.key == key

    @invariant()
    def changes_fit(self) -> None:
        """In schema order, only of what applies; and with nothing left to ask, a whole set."""
        changes = self.flow.changes()
        numbers = [self.numbers[key] for key in changes]
        assert numbers == sorted(numbers)
        result = {key: value for key, value in changes.items() if value is not None}
        assert changes.keys() <= active(SCHEMA, result) | {"network.passphrase"}
        if self.flow.next() is None:
            assert check_whole(SCHEMA, {}, changes) is None

    def teardown(self) -> None:
        """Whoever goes on answering comes to the end."""
        for _ in range(MOST_QUESTIONS):
            step = self.flow.next()
            if step is None:
                return
            if isinstance(step, AnotherInstance):
                self.flow.answer_another(False)
            else:
                self.answer_well()
        raise AssertionError("the dialog does not end")

    @invariant()
    def no_secret_shows(self) -> None:
        """The review masks secrets."""
        shown = " ".join(line.shown for line in self.flow.review())
        assert TYPED["network.passphrase"] not in shown


TestFlowMachine = FlowMachine.TestCase
TestFlowMachine.settings = settings(max_examples=60, stateful_step_count=50)
