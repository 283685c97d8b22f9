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
from dataclasses import dataclass, field, replace

from provision.catalogue import tr
from provision.client.held import HeldSetting
from provision.contract.table import Held, Kind, Refusal
from provision.schema.constraints import active, check_whole, in_force, key_beside, pin_conflicts
from provision.schema.model import Field, Repeat, Schema, Section, Setting, Value
from provision.schema.values import (
    ValueProblem,
    as_typed,
    check_value,
    is_key_only,
    network_key,
    parse,
    refusal_words,
)
from provision.wizard.questions import (
    AnotherInstance,
    Answer,
    Given,
    Move,
    Origin,
    PinChoice,
    Question,
    ReviewLine,
    Step,
    Why,
    answered,
    heading,
    pin_name,
    shown_value,
    typed_value,
)


@dataclass(frozen=True, slots=True)
class _Another:
    """The place on the way where one more instance of a section is offered."""

    section: str
    instance: int


_Stop = str | _Another
"""A place on the way through the dialog: a setting's full key, or an instance offered."""


@dataclass(frozen=True, slots=True)
class _Whole:
    """What would be in force with the answers so far; of secrets and blobs a stand-in."""

    stored: dict[str, Value] = field(repr=False)  # answers are in it, secrets among them
    in_force: dict[str, Value] = field(repr=False)
    used: dict[str, tuple[int | None, ...]]
    active: frozenset[str]


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
        self._keys = set(keys)
        self._only_keys = only_keys
        self._removed = frozenset(removed)
        self._proposals = dict(proposals or {})
        self._remembered = dict(remembered or {})
        self._faults = dict(faults or {})
        self._tried = frozenset(self._faults)

        self._number = {setting.key: setting.number for setting in schema.settings}
        self._networks = [
            (setting, key_beside(setting, setting.field.network))
            for setting in schema.settings
            if setting.field.network is not None
        ]
        self._held = {s.key: held.get(s.key, HeldSetting(Held.UNSET)) for s in schema.settings}
        self._stored = {
            setting.key: self._known_value(setting)
            for setting in schema.settings
            if self._held[setting.key].held is Held.SET
        }
        self._active_before = active(schema, self._stored)
        self._conflicts = self._find_conflicts()
        # After an erase nothing counts as asked before.
        self._known = known if self._stored else frozenset()

        self._answers: dict[str, Given | None] = {}  # None: cleared
        self._kept: set[str] = set()  # secrets and blobs that stay as the board holds them
        self._passed_over: set[str] = set()
        self._added: dict[str, set[int]] = {section.key: set() for section in schema.sections}
        self._closed: set[str] = set()  # sections of which no further instance is wanted
        self._trail: list[_Stop] = []  # what was answered, in that order
        self._agenda: list[_Stop] = []  # what is asked before anything else
        self._changing = False  # whether the agenda came from the review
        self._whole = self._look()

    # ----------------------------------------------------------------- going through the questions

    def next(self) -> Step | None:
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
        setting = self._setting(stop)
        if answer is Move.BACK:
            self.back()
            return
        if answer is Move.KEEP:
            self._keep(setting)
        elif answer is Move.CLEAR:
            if self._schema.needs_value(setting.field):
                raise ValueError(f"{stop} is required.")
            self._answers[stop] = None
            self._kept.discard(stop)
        else:
            self._answers[stop] = answer
            self._kept.discard(stop)
        self._faults.pop(stop, None)
        self._leave(stop)

    def answer_another(self, wanted: bool) -> None:
        """Take the answer to the question whether one more instance is wanted."""
        stop = self._next_stop()
        assert isinstance(stop, _Another), "no instance is being offered"
        added = self._added[stop.section]
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
        for passphrase, name in self._networks:
            # A passphrase that failed is asked for alone; maybe its network is the wrong one.
            if current == passphrase.key and name not in path:
                self._keys.add(name)
                self._agenda = [name, current]
                return True
        return False

    def change(self, key: str) -> None:
        """Ask for this setting again, its answer kept; KeyError if it is not among the changes."""
        if key not in self._path():
            if key not in self.changes():
                raise KeyError(key)
            self._keys.add(key)  # a network's name that goes along with its passphrase
        self._agenda = [key]
        self._changing = True

    def fault(self, key: str, words: str) -> None:
        """Ask for this setting again, since its answer was refused; the other answers stay.

        What was refused is offered again, to be mended, unless it is a secret.
        """
        given = self._answers.pop(key, None)
        if given is not None and not self._setting(key).field.is_secret:
            self._remembered[key] = given
        self._kept.discard(key)
        self._faults[key] = words
        self._agenda = [key]
        self._changing = False
        self._whole = self._look()

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
        value = parse(question.field, text, self._schema)
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
                words = tr(
                    "must be another pin: {pin} is {obstacle}",
                    pin=choice.name,
                    obstacle=choice.obstacle,
                )
                raise ValueProblem(words, Refusal.PIN_CONFLICT)

    def cautions(self, question: Question, answer: Answer) -> tuple[str, ...]:
        """Return what a person must have read before this answer is taken."""
        if answer is Move.KEEP:
            value = self._offer(question.setting, question.pins)[0]
        else:
            value = answer.value if isinstance(answer, Given) else None
        if value is None or self._stored.get(question.key) == value:
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
        changed: dict[str, Value | None] = {}
        for key in self._answers.keys() & self._whole.active:
            given = self._answers[key]
            if given is not None and (self._differs(key, given.value) or key in self._tried):
                changed[key] = given.value
            elif given is None and self._held[key].held is not Held.UNSET:
                changed[key] = None
        for setting in self._schema.settings:
            if self._is_removed(setting) and self._held[setting.key].held is not Held.UNSET:
                changed[setting.key] = None
        for passphrase, name in self._networks:
            # The two are staged together or not at all (clause 9.6). A passphrase that is not among
            # the changes is none: one that is held stays only with a name that stays.
            if passphrase.key in changed or name in changed:
                changed.setdefault(name, self._whole.stored.get(name))
                changed.setdefault(passphrase.key, None)
                self._make_key(passphrase, changed, changed[name])
        return dict(sorted(changed.items(), key=lambda change: self._number[change[0]]))

    def _make_key(
        self, passphrase: Setting, changed: dict[str, Value | None], name: Value | None
    ) -> None:
        """Make the network's key where the board takes nothing but that (clause 9.2)."""
        typed = changed[passphrase.key]
        if is_key_only(passphrase.field) and isinstance(typed, str) and isinstance(name, bytes):
            changed[passphrase.key] = network_key(typed, name)

    def review(self) -> tuple[ReviewLine, ...]:
        """Return every change in words, secrets masked."""
        lines = []
        for key, value in self.changes().items():
            setting = self._setting(key)
            given = self._answers.get(key)
            shown = tr("none")
            if value is not None:
                shown = self.shown(setting.field, value, given.written if given else None)
            lines.append(ReviewLine(key, heading(setting), setting.field.label, shown))
        return tuple(lines)

    def answers(self) -> dict[str, Given]:
        """Return the values answered in this session, to be offered again by another dialog."""
        given = {key: answer for key, answer in self._answers.items() if answer is not None}
        return {**self._remembered, **given}

    def asked(self) -> frozenset[str]:
        """Return the base keys of what this dialog asks, answered or not."""
        return frozenset(
            self._setting(stop).base_key for stop in self._path() if isinstance(stop, str)
        )

    @property
    def active(self) -> frozenset[str]:
        """The full keys of what applies with the answers so far."""
        return self._whole.active

    def shown(self, declared: Field, value: Value, written: str | None = None) -> str:
        """Return a value as shown_value() does, a pin by its name on this board."""
        return shown_value(declared, value, written, pins=self._schema.pins)

    def untouched(self) -> int:
        """Return how many settings the board holds that the changes leave as they are."""
        return len(self._stored.keys() - self.changes().keys())

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
            used = self._whole.used[section.key]
            for instance in used:
                if instance in self._added[section.key]:
                    path.append(_Another(section.key, instance))
                path += [s.key for s in settings if s.instance == instance and s.key in wanted]
            if section.repeat is not None and self._offers_more(section):
                free = (n for n in range(1, section.repeat.most + 1) if n not in used)
                path += [_Another(section.key, n) for n in free][:1]
        return path

    def _wanted(self) -> set[str]:
        """Return the full keys of what is asked, answered or not."""
        active_now = self._whole.active
        wanted = {
            setting.key
            for setting in self._schema.settings
            if setting.key in active_now
            and (setting.key in self._answers or self._why(setting) is not None)
        }
        for passphrase, name in self._networks:
            key = passphrase.key
            if name in self._answers and self._answers[name] is None:
                wanted.discard(key)  # no network, no passphrase
            elif name in wanted and key in active_now:
                wanted.add(key)
            elif key in wanted and name in active_now and not self._goes_along(key, name):
                wanted.add(name)
        return wanted

    def _goes_along(self, passphrase: str, name: str) -> bool:
        """Whether a network's name is sent unasked: it has one, and the passphrase failed."""
        return passphrase in self._tried and name in self._whole.stored

    def _why(self, setting: Setting) -> Why | None:
        """Return why an active setting is asked for by itself, None if it is not."""
        key = setting.key
        if key in self._faults or key in self._tried:
            return Why.FAULT
        if key in self._conflicts:
            return Why.CONFLICT
        if key in self._keys:
            return Why.ASKED_FOR
        fell_back = self._held[key].held is Held.FELL_BACK
        if self._schema.needs_value(setting.field) and key not in self._whole.in_force:
            return Why.FELL_BACK if fell_back else Why.MISSING
        if self._ask_all:
            return Why.ASKED_FOR
        if key in self._stored:
            return None
        if setting.instance in self._added[setting.section.key] or key not in self._active_before:
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
        if self._ask_all or self._added[section.key]:
            return True
        settings = [s for s in self._schema.settings if s.section.key == section.key]
        seen = any(
            self._held[s.key].held is not Held.UNSET or s.base_key in self._known for s in settings
        )
        return not (self._only_keys or seen)

    def _is_answered(self, stop: _Stop) -> bool:
        if isinstance(stop, _Another):
            return stop.section in self._closed or stop.instance in self._added[stop.section]
        if stop in self._faults:
            return False
        if stop in self._kept:
            return self._can_keep_held(stop)
        return stop in self._answers or stop in self._passed_over

    def _find_fault(self) -> bool:
        """Look at the resulting whole; a setting at fault, if any, is asked for again."""
        found = check_whole(self._schema, self._stored, self.changes())
        if found is None:
            return False
        words = refusal_words(self._setting(found.field).field, found.code)
        if found.other is not None:
            words += f" ({self._place(self._setting(found.other))})"
        self.fault(found.field, words)
        return True

    def _find_conflicts(self) -> dict[str, tuple[int, Setting]]:
        """Return the settings that have one pin as the board is now: which, and with whom."""
        pins = in_force(self._schema, self._stored)
        found: dict[str, tuple[int, Setting]] = {}
        for clash in pin_conflicts(self._schema, self._stored):
            assert clash.other is not None
            for key, other in ((clash.field, clash.other), (clash.other, clash.field)):
                found.setdefault(key, (int(pins[key]), self._setting(other)))
        return found

    def _conflict_words(self, key: str) -> str | None:
        if key not in self._conflicts:
            return None
        number, other = self._conflicts[key]
        pin = self._schema.pin(number)
        assert pin is not None, "the value in force is one of the board's pins"
        return tr(
            "{pin} is used twice: by this setting and by {place}. The board does not work until one"
            " of them has another pin.",
            pin=pin_name(pin, self._schema.pins),
            place=self._place(other),
        )

    def _leave(self, stop: _Stop) -> None:
        """Go on from a place that was answered."""
        if self._agenda and self._agenda[0] == stop:
            self._agenda.pop(0)
        if stop in self._trail:
            self._trail.remove(stop)
        self._trail.append(stop)
        self._whole = self._look()

    # ---------------------------------------------------------------------------- one question

    def _step(self, stop: _Stop) -> Step:
        if isinstance(stop, _Another):
            section = next(s for s in self._schema.sections if s.key == stop.section)
            return AnotherInstance(section, stop.instance, first=stop.instance == 1)
        setting = self._setting(stop)
        asked = [step for step in self._path() if isinstance(step, str)]
        pins = self._pins(setting)
        value, written, origin = self._offer(setting, pins)
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
            conflict=self._conflict_words(stop),
            pins=pins,
            network=self._network_of(setting),
        )

    def _keep(self, setting: Setting) -> None:
        value, written, origin = self._offer(setting, self._pins(setting))
        if value is None:
            raise ValueError(f"Nothing is offered for {setting.key}.")
        if origin is Origin.HELD and setting.field.is_opaque:
            self._answers.pop(setting.key, None)
            self._kept.add(setting.key)
        else:
            self._answers[setting.key] = Given(value, written)

    def _offer(
        self, setting: Setting, pins: tuple[PinChoice, ...]
    ) -> tuple[Value | None, str | None, Origin]:
        """Return what Return gives, how it was written, and where it comes from."""
        key, declared = setting.key, setting.field
        nothing = (None, None, Origin.NONE)
        if declared.is_secret and key in self._faults:
            return nothing  # it failed, and nobody can see in what
        if key in self._answers and self._answers[key] is None:
            return nothing  # cleared, and gone back to
        offers = (
            (self._answers.get(key) or self._remembered.get(key), Origin.ANSWERED),
            (self._held_offer(setting), Origin.HELD),
            (self._proposals.get(declared.kind), Origin.PROPOSED),
            (None if declared.default is None else Given(declared.default), Origin.DEFAULT),
        )
        blocked = {choice.pin.number for choice in pins if choice.obstacle is not None}
        for given, origin in offers:
            if given is not None and not (pins and given.value in blocked):
                return given.value, given.written, origin
        return nothing

    def _held_offer(self, setting: Setting) -> Given | None:
        if setting.key not in self._stored:
            return None
        if setting.field.is_opaque and not self._can_keep_held(setting.key):
            return None
        return Given(self._stored[setting.key])

    def _can_keep_held(self, key: str) -> bool:
        """Whether a secret or blob can stay as the board holds it: a changed network's cannot."""
        for passphrase, name in self._networks:
            if key == passphrase.key:
                given = self._answers.get(name)
                changed = given is not None and self._differs(name, given.value)
                return not changed and name not in self._tried and key in self._stored
        return key in self._stored

    def _pins(self, setting: Setting) -> tuple[PinChoice, ...]:
        """Return the pins that have what a pin field needs, each with what stands in its way."""
        if setting.field.kind is not Kind.PIN:
            return ()
        users = self._pin_users(setting)
        needs = setting.field.needs
        return tuple(
            PinChoice(
                pin,
                pin_name(pin, self._schema.pins),
                tr("taken: {what}", what=pin.taken) if pin.taken else users.get(pin.number),
            )
            for pin in self._schema.pins
            if pin.abilities & needs == needs
        )

    def _pin_users(self, setting: Setting) -> dict[int, str]:
        """Return which pins other settings use. One that is still to be asked uses none yet."""
        pending = {stop for stop in self._path() if not self._is_answered(stop)}
        users = {}
        for other in self._schema.settings:
            if other.field.kind is not Kind.PIN or other.key == setting.key:
                continue
            if other.key in pending or other.key not in self._whole.active:
                continue
            pin = self._whole.in_force.get(other.key)
            if pin is not None and not (setting.field.shares and other.field.shares):
                users[int(pin)] = tr("used: {place}", place=self._place(other))
        return users

    def _network_of(self, setting: Setting) -> str | None:
        if setting.field.network is None:
            return None
        key = key_beside(setting, setting.field.network)
        name = self._whole.stored.get(key)
        return None if name is None else shown_value(self._setting(key).field, name)

    # ------------------------------------------------------------------------------- the whole

    def _look(self) -> _Whole:
        """Return what would be in force with the answers so far."""
        stored = {
            key: value
            for key, value in self._stored.items()
            if not self._is_removed(self._setting(key))
        }
        for key, given in self._answers.items():
            if given is not None:
                stored[key] = given.value
            else:
                stored.pop(key, None)
        used = {section.key: self._used(section) for section in self._schema.sections}
        # An instance that was only just begun has no value yet, so that by the letter of clause 8.3
        # it is not in use. Here all up to the last one are, and those between are taken out again.
        widened = replace(
            self._schema,
            sections=tuple(
                replace(
                    s, repeat=Repeat(max((n or 0 for n in used[s.key]), default=0), s.repeat.most)
                )
                if s.repeat
                else s
                for s in self._schema.sections
            ),
        )
        found = active(widened, stored)
        active_now = frozenset(
            s.key
            for s in self._schema.settings
            if s.key in found and s.instance in used[s.section.key]
        )
        return _Whole(stored, in_force(self._schema, stored), used, active_now)

    def _used(self, section: Section) -> tuple[int | None, ...]:
        """Return the instances in use, those begun in this dialog among them."""
        if section.repeat is None:
            return (None,)
        named = self._keys | self._stored.keys()
        numbers = {
            s.instance
            for s in self._schema.settings
            if s.section.key == section.key
            and s.instance is not None
            and not self._is_removed(s)
            and (s.instance <= section.repeat.least or s.key in named)
        }
        return tuple(sorted(numbers | self._added[section.key]))

    def _is_removed(self, setting: Setting) -> bool:
        return setting.instance is not None and (
            (setting.section.key, setting.instance) in self._removed
        )

    def _known_value(self, setting: Setting) -> Value:
        """Return what is stored for a setting, and a stand-in where a board does not tell."""
        value = self._held[setting.key].value
        return "" if value is None else value

    def _differs(self, key: str, value: Value) -> bool:
        opaque = self._setting(key).field.is_opaque
        return opaque or key not in self._stored or self._stored[key] != value

    def _setting(self, key: str) -> Setting:
        return self._schema.settings[self._number[key]]

    def _place(self, setting: Setting) -> str:
        return f"{heading(setting)}, {setting.field.label}"
