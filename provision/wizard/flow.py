# SPDX-License-Identifier: MIT
"""Which question is next: the dialog without a terminal, a clock or a board.

A Flow takes the schema, what a board holds and the answers so far. It says what to ask next and,
once nothing is left to ask, which changes the answers make:

    flow = Flow(schema, held)
    while (step := flow.next()) is not None:
        flow.answer(...)                      # or flow.back()
    changes = flow.changes()

What is set and not asked stays out of the changes. Every question can be gone back to; answers come
and go with the conditions that they make true or false, and are not forgotten on the way.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from provision.catalogue import spoken, tr
from provision.client.held import HeldSetting
from provision.contract.table import Held, Kind, Refusal
from provision.phrases import phrase
from provision.schema.constraints import active, check_whole
from provision.schema.model import Field, Schema, Section, Setting, Value
from provision.schema.values import (
    ValueProblem,
    as_typed,
    check_value,
    parse,
    refusal_words,
)
from provision.wizard.draft import Draft
from provision.wizard.offers import Offers
from provision.wizard.questions import (
    AnotherInstance,
    Answer,
    Given,
    Move,
    Origin,
    PinChoice,
    Prompt,
    Question,
    ReviewLine,
    Why,
    answered,
    heading,
    shown_value,
    typed_value,
    yes_and_no,
)


@dataclass(frozen=True, slots=True)
class _Another:
    """The place on the way where one more instance of a section is offered."""

    section: str
    instance: int


_Stop = str | _Another
"""A place on the way through the dialog: a setting's full key, or an instance offered."""


class Flow:
    """The state of one dialog."""

    def __init__(
        self,
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
        """Begin a dialog.

        Arguments:
            schema: What the firmware declares, its texts cleaned.
            held: What the board holds, by full key.
            ask_all: Ask for every active setting, set or not.
            keys: Full keys to ask for in any case; one of an instance that is not in use begins it.
            only_keys: Ask for nothing else, but for what becomes necessary by the answers.
            removed: Instances to clear whole, as section key and number.
            known: Base keys that were asked for on this board before, so that what is unset among
                them was left out on purpose.
            proposals: What this computer proposes for the settings of a kind.
            remembered: Answers of an earlier dialog in this session, offered again.
            faults: Settings with which the board does not work, and why, in words that follow the
                label. They are asked for again, and their answers count as changes even if they
                are the same as before: storing them once more is trying once more.
        """
        self._schema = schema
        self._ask_all = ask_all
        self._only_keys = only_keys
        self._faults = dict(faults or {})
        self._draft = Draft(
            schema, held, asked_for=keys, removed=removed, tried=frozenset(self._faults)
        )
        self._offers = Offers(self._draft, proposals or {}, dict(remembered or {}), self._faults)
        self._active_before = active(schema, self._draft.held_values)
        # After an erase nothing counts as asked before.
        self._known = known if self._draft.held_values else frozenset()

        self._passed_over: set[str] = set()
        self._closed: set[str] = set()  # sections of which no further instance is wanted
        self._trail: list[_Stop] = []  # what was answered, in that order
        self._agenda: list[_Stop] = []  # what is asked before anything else
        self._changing = False  # whether the agenda came from the review

    # ----------------------------------------------------------------- going through the questions

    def next(self) -> Prompt | None:
        """Return what to ask now, None when every question has its answer."""
        stop = self._next_stop()
        if stop is None and self._find_fault():
            stop = self._next_stop()
        return None if stop is None else self._step(stop)

    def answer(self, answer: Answer) -> None:
        """Take the answer to the question that next() returned.

        Raises ValueError for a KEEP where nothing is offered, and a CLEAR of what is required.
        """
        stop = self._next_stop()
        assert isinstance(stop, str), "no setting is being asked for"
        setting = self._draft.setting(stop)
        if answer is Move.BACK:
            self.back()
            return
        if answer is Move.KEEP:
            self._keep(setting)
        elif answer is Move.CLEAR:
            if self._schema.needs_value(setting.field):
                raise ValueError(f"{stop} is required.")
            self._draft.answers[stop] = None
            self._draft.kept.discard(stop)
        else:
            self._draft.answers[stop] = answer
            self._draft.kept.discard(stop)
        self._faults.pop(stop, None)
        self._leave(stop)

    def answer_another(self, wanted: bool) -> None:
        """Take the answer to the question whether one more instance is wanted."""
        stop = self._next_stop()
        assert isinstance(stop, _Another), "no instance is being offered"
        added = self._draft.added[stop.section]
        if wanted:
            added.add(stop.instance)
            self._closed.discard(stop.section)
        else:
            # Gone back to after a yes: that instance goes, and those begun after it.
            added.difference_update([n for n in added if n >= stop.instance])
            self._closed.add(stop.section)
        self._leave(stop)

    def back(self) -> bool:
        """Go to the question before, its answer kept; False if there is none."""
        if self._changing:
            self._agenda.clear()
            if self._next_stop() is None:
                return True  # back to the review that the change began at
        current, path = self._next_stop(), self._path()
        while self._trail:
            stop = self._trail.pop()
            if stop in path and stop != current:
                self._agenda.insert(0, stop)
                return True
        for passphrase, name in self._draft.networks:
            # A passphrase that failed is asked for alone; maybe its network is the wrong one.
            if current == passphrase.key and name not in path:
                self._draft.asked_for.add(name)
                self._agenda = [name, current]
                return True
        return False

    def change(self, key: str) -> None:
        """Ask for this setting again, its answer kept; KeyError if it is not among the changes."""
        if key not in self._path():
            if key not in self._draft.changes():
                raise KeyError(key)
            self._draft.asked_for.add(key)  # a network's name that goes along with its passphrase
        self._agenda = [key]
        self._changing = True

    def fault(self, key: str, words: str) -> None:
        """Ask for this setting again, since its answer was refused; the other answers stay.

        What was refused is offered again, to be mended, unless it is a secret.
        """
        given = self._draft.answers.pop(key, None)
        if given is not None and not self._draft.setting(key).field.is_secret:
            self._offers.remembered[key] = given
        self._draft.kept.discard(key)
        self._faults[key] = words
        self._agenda = [key]
        self._changing = False
        self._draft.update()

    def pass_over(self) -> None:
        """Leave the present question without an answer, to find out what else is asked."""
        stop = self._next_stop()
        assert isinstance(stop, str), "no setting is being asked for"
        self._passed_over.add(stop)
        self._faults.pop(stop, None)
        self._leave(stop)

    # -------------------------------------------------------------------------------- checking

    def read(self, question: Question, text: str) -> Given:
        """Return the answer that a text means.

        Raises ValueProblem if it means none that the board would take, or a pin that is not free.
        """
        value = parse(question.field, text, self._schema, yes_and_no())
        self.check(question, value)
        return answered(question.field, value, text)

    def check(self, question: Question, value: Value) -> None:
        """Raise ValueProblem unless a value can be the answer to a question."""
        field = as_typed(question.field)
        code = check_value(field, value, self._schema)
        if code is not None:
            raise ValueProblem(refusal_words(field, code), code)
        for choice in question.pins:
            if choice.pin.number == value and choice.obstacle is not None:
                words = phrase(
                    "must be another pin: {pin} is {obstacle}",
                    pin=choice.name,
                    obstacle=choice.obstacle,
                )
                raise ValueProblem(words, Refusal.PIN_CONFLICT)

    def cautions(self, question: Question, answer: Answer) -> tuple[str, ...]:
        """Return what a person must have read before this answer is taken."""
        if answer is Move.KEEP:
            value = self._offers.offer(question.setting, question.pins)[0]
        else:
            value = answer.value if isinstance(answer, Given) else None
        if value is None or self._draft.held_values.get(question.key) == value:
            return ()
        found = [question.field.caution] if question.field.caution else []
        found += [
            f"{choice.name}: {choice.pin.caution}"
            for choice in question.pins
            if choice.pin.number == value and choice.pin.caution
        ]
        return tuple(found)

    # --------------------------------------------------------------------------------- results

    def changes(self) -> dict[str, Value | None]:
        """Return what the answers change, in schema order; None clears a setting."""
        return self._draft.changes()

    def untouched(self) -> int:
        """Return how many settings the board holds that the changes leave as they are."""
        return self._draft.untouched()

    def review(self) -> tuple[ReviewLine, ...]:
        """Return every change in words, secrets masked."""
        lines = []
        for key, value in self._draft.changes().items():
            setting = self._draft.setting(key)
            given = self._draft.answers.get(key)
            shown = tr("none")
            if value is not None:
                shown = self.shown(setting.field, value, given.written if given else None)
            lines.append(ReviewLine(key, heading(setting), setting.field.label, shown))
        return tuple(lines)

    def answers(self) -> dict[str, Given]:
        """Return the values answered in this session, to be offered again by another dialog."""
        given = {key: answer for key, answer in self._draft.answers.items() if answer is not None}
        return {**self._offers.remembered, **given}

    def asked(self) -> frozenset[str]:
        """Return the base keys of what this dialog asks, answered or not."""
        return frozenset(
            self._draft.setting(stop).base_key for stop in self._path() if isinstance(stop, str)
        )

    @property
    def active(self) -> frozenset[str]:
        """The full keys of what applies with the answers so far."""
        return self._draft.active

    def shown(self, declared: Field, value: Value, written: str | None = None) -> str:
        """Return a value as shown_value() does, a pin by its name on this board."""
        return shown_value(declared, value, written, pins=self._schema.pins)

    # --------------------------------------------------------------------- the way through

    def _next_stop(self) -> _Stop | None:
        path = self._path()
        self._agenda = [stop for stop in self._agenda if stop in path]
        if self._agenda:
            return self._agenda[0]
        self._changing = False
        return next((stop for stop in path if not self._is_answered(stop)), None)

    def _path(self) -> list[_Stop]:
        """Return the places on the way in schema order, those already answered among them."""
        wanted = self._wanted()
        path: list[_Stop] = []
        for section in self._schema.sections:
            settings = [s for s in self._schema.settings if s.section.key == section.key]
            used = self._draft.used[section.key]
            for instance in used:
                if instance in self._draft.added[section.key]:
                    path.append(_Another(section.key, instance))
                path += [s.key for s in settings if s.instance == instance and s.key in wanted]
            if section.repeat is not None and self._offers_more(section):
                free = (n for n in range(1, section.repeat.most + 1) if n not in used)
                path += [_Another(section.key, n) for n in free][:1]
        return path

    def _wanted(self) -> set[str]:
        """Return the full keys of what is asked, answered or not."""
        active_now = self._draft.active
        wanted = {
            setting.key
            for setting in self._schema.settings
            if setting.key in active_now
            and (setting.key in self._draft.answers or self._why(setting) is not None)
        }
        for passphrase, name in self._draft.networks:
            key = passphrase.key
            if name in self._draft.answers and self._draft.answers[name] is None:
                wanted.discard(key)  # no network, no passphrase
            elif name in wanted and key in active_now:
                wanted.add(key)
            elif key in wanted and name in active_now and not self._goes_along(key, name):
                wanted.add(name)
        return wanted

    def _goes_along(self, passphrase: str, name: str) -> bool:
        """Whether a network's name is sent unasked: it has one, and the passphrase failed."""
        return passphrase in self._draft.tried and name in self._draft.stored

    def _why(self, setting: Setting) -> Why | None:
        """Return why an active setting is asked for by itself, None if it is not."""
        key = setting.key
        if key in self._faults or key in self._draft.tried:
            return Why.FAULT
        if key in self._offers.conflicts:
            return Why.CONFLICT
        if key in self._draft.asked_for:
            return Why.ASKED_FOR
        fell_back = self._draft.held[key].held is Held.FELL_BACK
        if self._schema.needs_value(setting.field) and key not in self._draft.in_force:
            return Why.FELL_BACK if fell_back else Why.MISSING
        if self._ask_all:
            return Why.ASKED_FOR
        if key in self._draft.held_values:
            return None
        if (
            setting.instance in self._draft.added[setting.section.key]
            or key not in self._active_before
        ):
            return Why.NEW
        if self._only_keys:
            return None
        if fell_back:
            return Why.FELL_BACK
        if setting.field.kind is Kind.PASSPHRASE or setting.base_key in self._known:
            return None  # a passphrase is asked for with its network's name
        return Why.NEW

    def _offers_more(self, section: Section) -> bool:
        """Whether instances beyond those in use are offered: where the section is new."""
        if self._ask_all or self._draft.added[section.key]:
            return True
        settings = [s for s in self._schema.settings if s.section.key == section.key]
        seen = any(
            self._draft.held[s.key].held is not Held.UNSET or s.base_key in self._known
            for s in settings
        )
        return not (self._only_keys or seen)

    def _is_answered(self, stop: _Stop) -> bool:
        if isinstance(stop, _Another):
            return stop.section in self._closed or stop.instance in self._draft.added[stop.section]
        if stop in self._faults:
            return False
        if stop in self._draft.kept:
            return self._draft.can_keep_held(stop)
        return stop in self._draft.answers or stop in self._passed_over

    def _find_fault(self) -> bool:
        """Look at the resulting whole; a setting at fault, if any, is asked for again."""
        found = check_whole(self._schema, self._draft.held_values, self._draft.changes())
        if found is None:
            return False
        words = spoken(refusal_words(self._draft.setting(found.field).field, found.code))
        if found.other is not None:
            words += f" ({self._draft.place(self._draft.setting(found.other))})"
        self.fault(found.field, words)
        return True

    def _leave(self, stop: _Stop) -> None:
        """Go on from a place that was answered."""
        if self._agenda and self._agenda[0] == stop:
            self._agenda.pop(0)
        if stop in self._trail:
            self._trail.remove(stop)
        self._trail.append(stop)
        self._draft.update()

    # ---------------------------------------------------------------------------- one question

    def _step(self, stop: _Stop) -> Prompt:
        if isinstance(stop, _Another):
            section = next(s for s in self._schema.sections if s.key == stop.section)
            return AnotherInstance(section, stop.instance, first=stop.instance == 1)
        setting = self._draft.setting(stop)
        asked = [step for step in self._path() if isinstance(step, str)]
        pins = self._pins(setting)
        value, written, origin = self._offers.offer(setting, pins)
        return Question(
            setting,
            self._why(setting) or Why.PARTNER,
            asked.index(stop) + 1,
            len(asked),
            current=None if value is None else self.shown(setting.field, value, written),
            editable="" if value is None else typed_value(setting.field, value, written),
            origin=origin,
            can_clear=not setting.field.required and setting.field.default is None,
            fault=self._faults.get(stop),
            conflict=self._offers.conflict_words(stop),
            pins=pins,
            network=self._offers.network_of(setting),
        )

    def _pins(self, setting: Setting) -> tuple[PinChoice, ...]:
        if setting.field.kind is not Kind.PIN:
            return ()
        pending = {stop for stop in self._path() if not self._is_answered(stop)}
        return self._offers.pins(setting, pending)

    def _keep(self, setting: Setting) -> None:
        value, written, origin = self._offers.offer(setting, self._pins(setting))
        if value is None:
            raise ValueError(f"Nothing is offered for {setting.key}.")
        if origin is Origin.HELD and setting.field.is_opaque:
            self._draft.answers.pop(setting.key, None)
            self._draft.kept.add(setting.key)
        else:
            self._draft.answers[setting.key] = Given(value, written)

    # ------------------------------------------------------------------------------- the whole
