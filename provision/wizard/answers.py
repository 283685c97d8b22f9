# SPDX-License-Identifier: MIT
"""The dialog without a terminal: answers from a TOML file.

    clear = ["door.note", "lamp.2"]      # settings, or whole instances, to remove
    accept = ["door.relay"]              # cautions that were read

    [network]
    name = "Farm"
    passphrase = { file = "farm.secret" }

    [lamp.2]
    place = "gate"
    code = { ask = true }                # is asked for, as everything that is not here

Every mistake that can be seen before anything is sent is reported, all of them in one run. No
message repeats a value.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from provision import toml
from provision.catalogue import ntr, spoken, tr
from provision.client.changes import unknown_words
from provision.client.sanitize import printable
from provision.client.typed import checked, value_of
from provision.contract.table import MAX_BLOB, Kind, Refusal
from provision.errors import ProvisionError
from provision.link.known_secrets import KnownSecrets
from provision.phrases import Phrase, phrase
from provision.schema.model import Schema, Setting
from provision.schema.values import ValueProblem
from provision.wizard.flow import Flow
from provision.wizard.questions import (
    AnotherInstance,
    Answer,
    Given,
    Move,
    Origin,
    Question,
    ReviewLine,
    answered,
)
from provision.wizard.ui import Asker, ChangeAnswer, ReviewVerdict, UnanswerableError

_LARGEST_FILE = 1 << 20  # bytes; the longest value has 16 KiB
_LISTS = ("clear", "accept")
_ASK = {"ask": True}
"""Stands for an answer that the file leaves to the person."""


class AnswersError(ProvisionError):
    """An answers file cannot be used; `problems` has a sentence for each mistake, place first."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True, slots=True)
class AnswersFile:
    """A file that was read as TOML, not yet compared with a schema."""

    path: Path
    entries: Mapping[str, Any] = field(repr=False)
    """By section key, what stands in its table."""
    clear: tuple[str, ...]
    accept: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Answers:
    """A file's answers to the settings of one schema."""

    name: str
    given: Mapping[str, Given | None] = field(repr=False)
    """By full key; None clears."""
    removed: frozenset[tuple[str, int]]
    """Instances to clear whole."""
    accepted: frozenset[str]
    left_open: frozenset[str] = frozenset()
    """What the file says is to be asked for, unless the board holds it already."""


def no_answers() -> Answers:
    """Return what stands for a file where there is none, and nobody to ask."""
    return Answers(tr("Without a terminal"), {}, frozenset(), frozenset())


def read_file(path: Path) -> AnswersFile:
    """Read an answers file. Raises AnswersError if there is none, or it is no TOML of this form."""
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except OSError as error:
        raise AnswersError(
            [tr("{path}: cannot be read ({why}).", path=path, why=error.strerror)]
        ) from error
    if len(content) > _LARGEST_FILE:
        raise AnswersError([tr("{path}: is larger than an answers file can be.", path=path)])
    try:
        entries = toml.loads(content.decode())
    except UnicodeDecodeError as error:
        raise AnswersError([tr("{path}: is not written in UTF-8.", path=path)]) from error
    except ValueError as error:
        # The decoder's sentence names a place, and of the text a single character at the most.
        raise AnswersError(
            [tr("{path}: is not a TOML file ({error}).", path=path, error=error)]
        ) from error
    lists: dict[str, tuple[str, ...]] = dict.fromkeys(_LISTS, ())
    problems = []
    for name in _LISTS:
        if isinstance(entries.get(name), list):
            keys = entries.pop(name)
            if not all(isinstance(key, str) for key in keys):
                problems.append(
                    tr(
                        "{path}: {name}: must list keys of settings, as texts.",
                        path=path,
                        name=name,
                    )
                )
            lists[name] = tuple(key for key in keys if isinstance(key, str))
    if problems:
        raise AnswersError(problems)
    return AnswersFile(path, entries, lists["clear"], lists["accept"])


def everything_in(file: AnswersFile) -> KnownSecrets:
    """Return what knows every text of a file of answers, for a board that may print them.

    Without a schema nobody can tell which of them are secret. Raises AnswersError where a file that
    it names cannot be read.
    """
    known = KnownSecrets()
    problems = []

    def take(place: str, value: object) -> None:
        if _is_file(value):
            assert isinstance(value, dict)
            try:
                known.add(read_bytes(file.path.parent / value["file"]))
            except ValueProblem as problem:
                problems.append(f"{file.path}: {place}: {spoken(problem.words)}.")
        elif isinstance(value, dict):
            for name, inner in value.items():
                take(f"{place}.{name}".lstrip("."), inner)
        elif isinstance(value, str):
            known.add(value.encode())
            with contextlib.suppress(ValueError):
                known.add(bytes.fromhex(value))

    take("", file.entries)
    if problems:
        raise AnswersError(problems)
    return known


def match(file: AnswersFile, schema: Schema) -> Answers:
    """Return a file's answers to a schema's settings. Raises AnswersError with every mistake."""
    matching = _Matching(file, schema)
    matching.take_values()
    matching.take_clears()
    matching.take_accepts()
    if matching.problems:
        raise AnswersError(matching.problems)
    return Answers(
        str(file.path),
        matching.given,
        frozenset(matching.removed),
        frozenset(file.accept),
        frozenset(matching.left_open),
    )


class _Matching:
    """One comparison of a file with a schema: what was found so far, mistakes among it."""

    def __init__(self, file: AnswersFile, schema: Schema) -> None:
        self._file = file
        self._schema = schema
        self.problems: list[str] = []
        self.given: dict[str, Given | None] = {}
        self.removed: set[tuple[str, int]] = set()
        self.left_open: set[str] = set()

    def take_values(self) -> None:
        for key, value in _flatten(self._file.entries, self._schema):
            setting = self._schema.setting(key)
            if setting is None:
                self._report(key, unknown_words(self._schema, key))
                continue
            if value == _ASK:
                self.left_open.add(key)
                continue
            try:
                self.given[key] = _read_value(setting, value, self._schema, self._file.path.parent)
            except ValueProblem as problem:
                self._report(key, problem.words)

    def take_clears(self) -> None:
        answered = set(self.given)
        for key in self._file.clear:
            place = f"clear: {key}"
            setting = self._schema.setting(key)
            instance = _instance(key, self._schema)
            if instance is not None:
                self.removed.add(instance)
                if any(other.startswith(f"{key}.") for other in answered):
                    self._report(place, tr("also has answers: give only one of the two"))
            elif setting is None:
                self._report(place, unknown_words(self._schema, key))
            elif key in answered:
                self._report(place, tr("also has an answer: give only one of the two"))
            elif self._schema.needs_value(setting.field):
                self._report(place, tr("is required and cannot be cleared"))
            else:
                self.given[key] = None

    def take_accepts(self) -> None:
        for key in self._file.accept:
            if self._schema.setting(key) is None:
                self._report(f"accept: {key}", unknown_words(self._schema, key))

    def _report(self, place: str, words: Phrase | str) -> None:
        # Whoever wrote the file chose its keys: on a screen they must not do more than be read.
        self.problems.append(f"{self._file.path}: {printable(place)}: {spoken(words)}.")


def rehearse(
    answers: Answers, flow: Flow, *, somebody_is_there: bool
) -> tuple[list[str], list[str]]:
    """Go through a dialog to its end before anything is sent, which uses the flow up.

    Returns what is wrong, in sentences, and the keys in the file that are not asked for: those of
    settings whose condition does not hold. somebody_is_there: to answer what the file does not.
    """
    asker = AnswersAsker(answers, lambda _: None)
    problems: list[str] = []
    reported: set[str] = set()
    asked: set[str] = set()
    while (step := flow.next()) is not None:
        if isinstance(step, AnotherInstance):
            flow.answer_another(False)
            continue
        if step.key in reported:  # the whole lacks what was passed over
            break
        if step.fault is not None:
            problems.append(f"{answers.name}: {step.key}: {step.fault}.")
            break
        asked.add(step.key)
        try:
            answer = asker.answer_to(step, flow)
            if not somebody_is_there:
                asker.check_cautions(step, flow.cautions(step, answer))
        except UnanswerableError as error:
            if step.key in answers.given or not somebody_is_there:
                problems.append(spoken(error))
            reported.add(step.key)
            flow.pass_over()
        else:
            flow.answer(answer)
    unasked = [key for key, given in answers.given.items() if given and key not in asked]
    return problems, unasked


class AnswersAsker:
    """Answers from a file, and says what was asked and answered; the rest is asked of a person."""

    def __init__(
        self, answers: Answers, say: Callable[[str], None], person: Asker | None = None
    ) -> None:
        """say: where each line goes. person: who is asked what the file does not answer."""
        self._answers = answers
        self._say = say
        self._person = person
        self._asked_in_person: set[str] = set()
        self._heading = ""

    def say(self, text: str) -> None:
        """Say it."""
        self._say(text)

    def progress(self, done: int, count: int) -> None:
        """Say only when all is done: a log has no use for a moving bar."""
        if done == count:
            self._say(tr("Sent."))

    def chooses(self, question: Question) -> bool:
        """Return whether the file leaves this to a person."""
        return self._person is not None and question.key not in self._answers.given

    async def ask(self, question: Question, flow: Flow) -> Answer:
        """Return the file's answer, else what Return gives, else none where that is allowed."""
        try:
            answer = self._from_file(question, flow)
        except UnanswerableError:
            if self._person is None:
                raise
            self._asked_in_person.add(question.key)
            return await self._person.ask(question, flow)
        if question.heading != self._heading:
            self._heading = question.heading
            self._say(self._heading)
        self._say(f"  {question.field.label}: {_shown(question, answer, flow)}")
        return answer

    async def ask_another(self, offer: AnotherInstance) -> bool | None:  # noqa: ARG002
        """Return no: an instance that the file names is there already."""
        return False

    async def confirm(self, question: Question, caution: str) -> bool:
        """Take a caution as read if the file says so."""
        if self._person is not None and question.key not in self._answers.accepted:
            return await self._person.confirm(question, caution)
        self._say(f"  {tr('Caution: {caution}', caution=caution)}")
        self.check_cautions(question, (caution,))
        return True

    async def stands_by(self, question: Question, doubt: str) -> bool:
        """Say it: whoever wrote the file is not here, or has answered already."""
        if self._person is not None and question.key in self._asked_in_person:
            return await self._person.stands_by(question, doubt)
        said = tr("{label} {doubt}: is that right?", label=question.field.label, doubt=doubt)
        self._say(f"  {said}")
        return True

    async def review(
        self, lines: Sequence[ReviewLine], untouched: int
    ) -> ReviewVerdict | ChangeAnswer:
        """Send, unless a person answered as well: whoever wrote the file has reviewed it."""
        if self._person is not None and self._asked_in_person:
            verdict = await self._person.review(lines, untouched)
            if isinstance(verdict, ChangeAnswer):
                self._asked_in_person.add(verdict.key)
            return verdict
        said = ntr("To be stored: {count} setting.", "To be stored: {count} settings.", len(lines))
        if untouched:
            said += " " + tr("{untouched} more stay as they are.", untouched=untouched)
        self._say(said)
        return ReviewVerdict.SEND

    async def does_it_work(self) -> bool:
        """Ask a person. Raises UnanswerableError without one: a file cannot see the board."""
        if self._person is not None:
            return await self._person.does_it_work()
        raise UnanswerableError(
            tr("{name}: cannot tell whether the board works.", name=self._answers.name)
        )

    async def agree(self, title: str, question: str) -> bool:
        """Ask a person. Raises UnanswerableError without one: a file agrees only to cautions."""
        if self._person is not None:
            return await self._person.agree(title, question)
        raise UnanswerableError(
            tr("{title} {question} A file cannot answer that.", title=title, question=question)
        )

    async def choose_some(self, title: str, options: Sequence[str]) -> list[int]:
        """Ask a person. Raises UnanswerableError without one: a file lists only settings."""
        if self._person is not None:
            return await self._person.choose_some(title, options)
        raise UnanswerableError(
            tr(
                "{title} A file cannot answer that: {options}.",
                title=title,
                options=", ".join(options),
            )
        )

    async def choose(self, title: str, options: Sequence[str]) -> int:
        """Ask a person. Raises UnanswerableError without one: a file chooses no port."""
        if self._person is not None:
            return await self._person.choose(title, options)
        raise UnanswerableError(
            tr("{title} Name one with --port: {options}.", title=title, options=", ".join(options))
        )

    def _from_file(self, question: Question, flow: Flow) -> Answer:
        """Return the answer as answer_to() does, unless it is known not to serve."""
        place = f"{self._answers.name}: {question.key}"
        if question.fault is not None:
            raise UnanswerableError(f"{place}: {question.fault}.")
        if question.key in self._asked_in_person:
            raise UnanswerableError(tr("{place}: was asked for already.", place=place))
        return self.answer_to(question, flow)

    def answer_to(self, question: Question, flow: Flow) -> Answer:
        """Return the answer to a question. Raises UnanswerableError if the file has none."""
        place = f"{self._answers.name}: {question.key}"
        if question.key in self._answers.given:
            given = self._answers.given[question.key]
            if given is None:
                return Move.CLEAR
            try:
                flow.check(question, given.value)
            except ValueProblem as problem:
                raise UnanswerableError(f"{place}: {spoken(problem.words)}.") from None
            return given
        if question.current is not None:
            return Move.KEEP
        if question.key in self._answers.left_open:
            raise UnanswerableError(
                tr("{place}: needs a person to answer, and there is nobody to ask.", place=place)
            )
        if question.can_clear:
            return Move.CLEAR
        raise UnanswerableError(
            tr(
                "{place}: has no answer, and is required ({heading}, {label}).",
                place=place,
                heading=question.heading,
                label=question.field.label,
            )
        )

    def check_cautions(self, question: Question, cautions: Sequence[str]) -> None:
        """Raise UnanswerableError if there is a caution that the file does not accept."""
        if cautions and question.key not in self._answers.accepted:
            raise UnanswerableError(
                tr(
                    "{name}: {key}: carries a caution; read it, and list the key under `accept`"
                    " to go on:"
                    ' "{caution}"',
                    name=self._answers.name,
                    key=question.key,
                    caution=cautions[0],
                )
            )


def _shown(question: Question, answer: Answer, flow: Flow) -> str:
    if isinstance(answer, Given):
        return flow.shown(question.field, answer.value, answer.written)
    if answer is Move.CLEAR:
        return tr("none")
    origins = {
        Origin.HELD: tr("as it is on the board"),
        Origin.DEFAULT: tr("the firmware's default"),
        Origin.PROPOSED: tr("this computer's"),
    }
    origin = origins.get(question.origin)
    return f"{question.current}" + (f" ({origin})" if origin else "")


def _flatten(entries: Mapping[str, Any], schema: Schema) -> Iterator[tuple[str, Any]]:
    """Yield full keys and values; a table of one setting (`{ file = … }`) counts as a value."""
    repeating = {section.key for section in schema.sections if section.repeat is not None}
    for section, table in entries.items():
        if not isinstance(table, dict):
            yield section, table
            continue
        for name, value in table.items():
            if section in repeating and isinstance(value, dict):
                for inner, innermost in value.items():
                    yield f"{section}.{name}.{inner}", innermost
            else:
                yield f"{section}.{name}", value


def _is_file(value: object) -> bool:
    return isinstance(value, dict) and value.keys() == {"file"} and isinstance(value["file"], str)


def _instance(key: str, schema: Schema) -> tuple[str, int] | None:
    """Return section and number if a key names a whole instance of a section that repeats."""
    name, _, number = key.partition(".")
    section = next((s for s in schema.sections if s.key == name), None)
    if section is None or section.repeat is None or not number.isdecimal():
        return None
    found = section.repeat.least < int(number) <= section.repeat.most
    return (name, int(number)) if found else None


def _read_value(setting: Setting, value: object, schema: Schema, folder: Path) -> Given | None:
    """Return the answer that a TOML value means. Raises ValueProblem if it means none."""
    declared = setting.field
    if _is_file(value):
        assert isinstance(value, dict)
        content = read_bytes(folder / value["file"])
        if declared.kind is Kind.BLOB:
            return Given(checked(declared, content, schema))
        try:
            value = content.decode().removesuffix("\n").removesuffix("\r")
        except UnicodeDecodeError:
            raise _problem(phrase("must be given in a file that is written in UTF-8")) from None
    if declared.kind is Kind.PASSPHRASE and value == "":
        return None  # an open network
    if not isinstance(value, str | int | float | Decimal):
        raise _problem(phrase('must be a text, a number, true, false or { file = "..." }'))
    return answered(declared, value_of(declared, value, schema), str(value))


def read_bytes(path: Path) -> bytes:
    """Return what a file holds, for a value. Raises ValueProblem, in words that follow a label."""
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BLOB + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        why = getattr(error, "strerror", None) or phrase("its name is not valid")
        raise _problem(phrase("cannot be read from its file ({why})", why=why)) from None
    if len(content) > MAX_BLOB:
        raise _problem(
            phrase(
                "comes from a file that is longer than {most} bytes",
                most=MAX_BLOB,
            )
        )
    return content


def _problem(words: Phrase) -> ValueProblem:
    return ValueProblem(words, Refusal.WRONG_KIND)
