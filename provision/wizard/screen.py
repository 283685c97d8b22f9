# SPDX-License-Identifier: MIT
"""The dialog on a terminal: one question at a time, in the normal screen.

Return takes what stands at the cursor in pale letters. F1 (or `?`) explains, F2 (or `<`) goes back,
F3 shows a secret while it is typed, `-` answers "none". Text from a board was cleaned before it
comes here and is shown as plain text only; none of it is ever read as markup.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

from prompt_toolkit import PromptSession, print_formatted_text
from prompt_toolkit.application import get_app
from prompt_toolkit.completion import CompleteEvent, Completer, Completion, PathCompleter
from prompt_toolkit.document import Document
from prompt_toolkit.filters import Condition
from prompt_toolkit.formatted_text import FormattedText
from prompt_toolkit.history import DummyHistory
from prompt_toolkit.input import Input, create_input
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.output import ColorDepth, Output, create_output
from prompt_toolkit.styles import Style

from provision.catalogue import tr
from provision.contract.table import Kind, Refusal
from provision.phrases import phrase
from provision.schema.model import Pin
from provision.schema.time_zones import zones
from provision.schema.values import (
    ValueProblem,
    as_typed,
    is_key_only,
    read_yes_or_no,
    refusal_words,
)
from provision.wizard import status_text
from provision.wizard.answers import read_bytes
from provision.wizard.flow import Flow
from provision.wizard.questions import (
    AnotherInstance,
    Answer,
    Given,
    InRange,
    Move,
    Origin,
    PinChoice,
    Question,
    ReviewLine,
    yes_and_no,
    yes_or_no,
)
from provision.wizard.ui import ChangeAnswer, LeftError, ReviewVerdict

if sys.platform != "win32":  # whose terminals echo nothing by themselves
    import termios

_WIDEST = 78  # columns; longer lines are hard to read on any screen
_MOST_COMPLETIONS = 40
_INDENT = "  "
_PROMPT = f"{_INDENT}> "

_STYLE = Style.from_dict(
    {
        "heading": "bold",
        "position": "ansigray",
        "label": "bold",
        "pale": "ansigray",
        "fault": "bold ansired",
        "caution": "bold",
        "bottom-toolbar": "noreverse",
    }
)


class Word(Enum):
    """What a key, or a word typed alone, asks for instead of giving a value."""

    HELP = auto()
    BACK = auto()
    NONE = auto()
    WRONG = auto()


TYPED_WORDS: Mapping[str, Word] = {"?": Word.HELP, "<": Word.BACK, "-": Word.NONE}
"""What is typed alone for what a key does."""

_WANTED: Mapping[Kind, Refusal] = {
    Kind.TEXT: Refusal.LENGTH,
    Kind.SECRET: Refusal.LENGTH,
    Kind.INTEGER: Refusal.RANGE,
    Kind.DECIMAL: Refusal.RANGE,
    Kind.YES_NO: Refusal.FORM,
    Kind.CHOICE: Refusal.NO_SUCH_OPTION,
    Kind.PIN: Refusal.PIN_UNFIT,
    Kind.NETWORK_NAME: Refusal.LENGTH,
    Kind.PASSPHRASE: Refusal.LENGTH,
    Kind.HOST: Refusal.FORM,
    Kind.URL: Refusal.FORM,
    Kind.IP: Refusal.FORM,
    Kind.PORT: Refusal.RANGE,
    Kind.TIME_ZONE: Refusal.FORM,
    Kind.DURATION: Refusal.RANGE,
    Kind.HEX: Refusal.LENGTH,
    Kind.BLOB: Refusal.LENGTH,
}
"""The refusal whose words say best what a kind of field wants."""


@contextmanager
def without_echo() -> Iterator[None]:
    """Keep the terminal from echoing what is typed between two questions: it may be a secret.

    Keys that are signals stay signals. Where there is no such terminal nothing is done.
    """
    if sys.platform == "win32" or not sys.stdin.isatty():
        yield
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    quiet = list(before)
    quiet[3] &= ~termios.ECHO
    termios.tcsetattr(descriptor, termios.TCSANOW, quiet)
    try:
        yield
    finally:
        with suppress(termios.error):  # the terminal has hung up
            termios.tcsetattr(descriptor, termios.TCSANOW, before)


@dataclass(frozen=True, slots=True)
class _Item:
    """Something to choose: what is typed for it, what is said beside it, another name for it."""

    text: str
    beside: str = ""
    also: str = ""


class _Items(Completer):
    """Completes from a short list: what begins with the text first, then what contains it."""

    def __init__(self, items: Sequence[_Item]) -> None:
        self._items = items

    def matching(self, text: str) -> list[_Item]:
        """Return the items that a text may stand for."""
        typed = text.strip().casefold()
        found = [item for item in self._items if typed in f"{item.text} {item.also}".casefold()]
        return sorted(found, key=lambda item: not item.text.casefold().startswith(typed))

    def get_completions(
        self,
        document: Document,
        complete_event: CompleteEvent,  # noqa: ARG002
    ) -> Iterable[Completion]:
        """Yield the items that fit what is typed."""
        for item in self.matching(document.text)[:_MOST_COMPLETIONS]:
            yield Completion(
                item.text,
                start_position=-len(document.text),
                display=item.text,
                display_meta=item.beside,
            )


class ScreenAsker:
    """Asks a person at a terminal."""

    def __init__(
        self,
        input: Input | None = None,  # noqa: A002 - the library's own word for it
        output: Output | None = None,
        environment: Mapping[str, str] = os.environ,
    ) -> None:
        """input, output: of the terminal; by default those of the process.

        environment: NO_COLOR in it, if not empty, means no colours.
        """
        self._input = input or create_input()
        # Results go to standard output, which may be a file: the dialog is where the person is.
        self._output = output or create_output(always_prefer_tty=True)
        self._depth = ColorDepth.DEPTH_1_BIT if environment.get("NO_COLOR") else None
        self._heading = ""
        self._greeted = False

    # ------------------------------------------------------------------------------- telling

    def say(self, text: str) -> None:
        """Say it, wrapped to the width of the terminal."""
        self._print(text)

    def progress(self, done: int, count: int) -> None:
        """Show how many steps are done, on one line."""
        said = tr("Storing: {done} of {count}", done=done, count=count)
        self._output.write_raw(f"\r{said} ")
        if done == count:
            self._output.write_raw("\r\n")
        self._output.flush()

    def _print(self, text: str = "", style: str = "", indent: str = "") -> None:
        """Print a paragraph, hung under its own indentation."""
        lead = text[: len(text) - len(text.lstrip())] + indent
        lines = textwrap.wrap(
            text.strip(), self._width(), initial_indent=lead, subsequent_indent=lead
        )
        print_formatted_text(
            FormattedText([(style, "\n".join(lines))]),
            output=self._output,
            style=_STYLE,
            color_depth=self._depth,
            include_default_pygments_style=False,
        )

    def _width(self) -> int:
        return max(20, min(_WIDEST, self._output.get_size().columns - 1))

    # -------------------------------------------------------------------------------- asking

    def chooses(self, question: Question) -> bool:  # noqa: ARG002
        """Return whether there is a choice worth showing to a person."""
        return True

    async def ask(self, question: Question, flow: Flow) -> Answer:
        """Return the answer to a question. Raises LeftError."""
        self._introduce(question)
        reading = _Reading(question, flow)
        text = await self._prompt(
            question.field.label,
            tr("{number} of {count}", number=question.position, count=question.count),
            check=reading.problem,
            completer=reading.completer,
            pale=_pale(question),
            editable=question.editable,
            secret=question.field.is_secret and question.field.kind is not Kind.BLOB,
            can_clear=question.can_clear,
            while_typing=question.field.kind is not Kind.BLOB,
            explain=lambda: self._explain(question),
        )
        return Move.BACK if text is Word.BACK else reading.answer(text)

    async def ask_another(self, offer: AnotherInstance) -> bool | None:
        """Return whether one more instance is wanted; None: back. Raises LeftError."""
        label = offer.section.label
        self._print()
        if offer.first and offer.section.help:
            self._print(offer.section.help, indent=_INDENT)
        return await self._yes_or_no(
            tr("Set up a {label} (number {number})?", label=label, number=offer.instance)
            if offer.first
            else tr(
                "Set up another {label} (number {number})?", label=label, number=offer.instance
            ),
            default=False,
        )

    async def confirm(self, question: Question, caution: str) -> bool:
        """Return whether a caution is accepted; one that stands above is not repeated.

        Return alone is no answer. Raises LeftError.
        """
        if caution != question.field.caution:
            self._print(tr("Caution: {caution}", caution=caution), "class:caution", _INDENT)
        answer = await self._yes_or_no(
            tr(
                "Have you read the caution, and do you accept it ({label})?",
                label=question.field.label,
            ),
            default=None,
        )
        return answer is True

    async def stands_by(self, question: Question, doubt: str) -> bool:
        """Return whether the person means an answer that looks wrong. Raises LeftError."""
        label = question.field.label
        asked = tr("{label} {doubt}. Is that right?", label=label, doubt=doubt)
        return await self._yes_or_no(asked, default=None) is True

    async def does_it_work(self) -> bool:
        """Return whether the person sees the board work. Raises LeftError."""
        answer = await self._yes_or_no(tr("Does the board do what it should?"), default=None)
        return answer is True

    async def review(
        self, lines: Sequence[ReviewLine], untouched: int
    ) -> ReviewVerdict | ChangeAnswer:
        """Show what is to be stored; return what is to be done. Raises LeftError."""
        self._heading = ""
        self._print()
        self._print(tr("To be stored"), "class:heading")
        heading = None
        for number, line in enumerate(lines, start=1):
            if line.heading != heading:
                heading = line.heading
                self._print(heading, indent=_INDENT)
            self._print(f"{number:>3}  {line.label}: {line.shown}", indent=_INDENT)
        if untouched:
            said = tr("{untouched} more stay as they are.", untouched=untouched)
            self._print(said, indent=_INDENT)
        self._print()

        def problem(text: str) -> str | None:
            word = text.strip().casefold()
            if word in ("", "q", *TYPED_WORDS) or _number(word, len(lines)) is not None:
                return None
            return tr("press Return, or type a number from 1 to {most}, or q", most=len(lines))

        while True:
            text = await self._prompt(
                tr(
                    "Return stores this; a number changes that answer; q leaves the board as it is."
                ),
                "",
                check=problem,
            )
            if text is Word.BACK:
                return ReviewVerdict.BACK
            if isinstance(text, Word):
                continue
            word = text.strip().casefold()
            if not word:
                return ReviewVerdict.SEND
            if word == "q":
                return ReviewVerdict.QUIT
            chosen = _number(word, len(lines))
            assert chosen is not None
            return ChangeAnswer(lines[chosen].key)

    async def agree(self, title: str, question: str) -> bool:
        """Return whether the person agrees: Return alone is no answer. Raises LeftError."""
        self._print(title)
        self._print()
        return await self._yes_or_no(question, default=None) is True

    async def choose(self, title: str, options: Sequence[str]) -> int:
        """Return the number of the option chosen, from 0. Raises LeftError."""
        (chosen,) = await self._choose(title, options, tr("Number"), most=1)
        return chosen

    async def choose_some(self, title: str, options: Sequence[str]) -> list[int]:
        """Return the numbers of the options chosen, from 0. Raises LeftError."""
        label = tr("Numbers, with spaces between")
        return await self._choose(title, options, label, most=len(options))

    async def _choose(
        self, title: str, options: Sequence[str], label: str, *, most: int
    ) -> list[int]:
        self._print(title)
        for number, option in enumerate(options, start=1):
            self._print(f"{number:>3}  {option}", indent=_INDENT)

        def chosen(text: str) -> set[int | None]:
            return {_number(word, len(options)) for word in text.replace(",", " ").split()}

        def problem(text: str) -> str | None:
            numbers = chosen(text)
            if text.strip() in TYPED_WORDS or (
                numbers and None not in numbers and len(numbers) <= most
            ):
                return None
            return tr("type a number from 1 to {most}", most=len(options))

        while True:
            text = await self._prompt(label, "", check=problem)
            if text is Word.BACK:
                raise LeftError
            if not isinstance(text, Word):
                return sorted(number for number in chosen(text) if number is not None)

    async def _yes_or_no(self, label: str, default: bool | None) -> bool | None:
        """Return the answer, None for back."""

        def problem(text: str) -> str | None:
            word = text.strip()
            known = word in TYPED_WORDS or (not word and default is not None)
            return (
                None
                if known or read_yes_or_no(word, *yes_and_no()) is not None
                else tr("type yes or no")
            )

        while True:
            text = await self._prompt(
                label,
                "",
                check=problem,
                completer=_Items(_yes_and_no()),
                pale="" if default is None else yes_or_no(default),
            )
            if text is Word.BACK:
                return None
            if not isinstance(text, Word):
                return read_yes_or_no(text, *yes_and_no()) if text.strip() else default

    # ----------------------------------------------------------------------- one question

    def _introduce(self, question: Question) -> None:
        """Print what stands above a question."""
        if not self._greeted:
            self._greeted = True
            self._print(tr("? explains a question, < goes back, Ctrl-C leaves the board as it is."))
        if question.heading != self._heading:
            self._heading = question.heading
            self._print()
            self._print(question.heading, "class:heading")
            if question.setting.section.help:
                self._print(question.setting.section.help, indent=_INDENT)
        self._print()
        if question.fault is not None:
            said = status_text.fault_sentence(question.field.label, question.fault)
            self._print(f"! {said}", "class:fault", _INDENT)
        elif question.conflict is not None:
            self._print(f"! {question.conflict}", "class:fault", _INDENT)
        elif question.why in status_text.WHYS and question.network is None:
            self._print(tr(status_text.WHYS[question.why]), indent=_INDENT)
        if question.network is not None:
            self._print(tr("For the network {network}.", network=question.network), indent=_INDENT)
        if question.field.caution is not None:
            said = tr("Caution: {caution}", caution=question.field.caution)
            self._print(said, "class:caution", _INDENT)
        for option in question.field.options:
            beside = f": {option.help}" if option.help else ""
            self._print(f"{option.label}{beside}", indent=_INDENT * 2)
        for line in (*_pin_lines(question.pins), *_network_lines(question.networks)):
            self._print(line, indent=_INDENT)

    def _explain(self, question: Question) -> None:
        """Print the help."""
        field = question.field
        self._print()
        for text in (question.setting.section.help, field.help):
            if text is not None:
                self._print(text, indent=_INDENT)
        wanted = refusal_words(as_typed(field), _WANTED[field.kind])
        self._print(tr("It {words}.", words=wanted), indent=_INDENT)
        if is_key_only(field):
            self._print(
                tr("Only a key made from it goes to the board, never the passphrase itself."),
                indent=_INDENT,
            )
        if field.kind is Kind.BLOB:
            self._print(tr("Type the name of the file that holds it."), indent=_INDENT)
        for choice in question.pins:
            if choice.pin.caution is not None:
                self._print(f"{choice.name}: {choice.pin.caution}", indent=_INDENT)
        if question.current is not None:
            keeps = tr("Return takes the answer in pale letters; Up lets you edit it.")
            if field.is_secret:
                keeps = tr("Return keeps the one that is set.")
            self._print(keeps, indent=_INDENT)
        if question.can_clear:
            self._print(tr("A hyphen alone means none."), indent=_INDENT)
        self._print(
            tr(
                "? or F1 shows this, < or F2 goes back, Ctrl-C leaves the board as it is. A"
                " backslash before ?, < or - makes it a plain character."
            ),
            indent=_INDENT,
        )
        self._print()

    async def _prompt(
        self,
        label: str,
        position: str,
        *,
        check: Callable[[str], str | None],
        completer: Completer | None = None,
        pale: str = "",
        editable: str = "",
        secret: bool = False,
        can_clear: bool = False,
        while_typing: bool = True,
        explain: Callable[[], None] = lambda: None,
    ) -> str | Word:
        """Return what was typed, or the word that a key or a typed word stands for, but for HELP.

        Every prompt has a session of its own, without a history: from one, the next question would
        give a secret back.
        """
        items = completer if isinstance(completer, _Items) else None
        entry = _Entry(check, items, secret=secret, while_typing=while_typing)
        keys_line = _keys_line(secret=secret, can_clear=can_clear)

        def toolbar() -> FormattedText:
            words_ = entry.complaint(get_app().current_buffer.text)
            complaint = textwrap.wrap(words_ or "", self._width())
            return FormattedText(
                [*(("class:fault", f"{line}\n") for line in complaint), ("", keys_line)]
            )

        # From the label on what is pressed is a key of this question. Without raw mode a Ctrl-C at
        # that moment would be a signal, which the start of a prompt discards.
        with self._input.raw_mode():
            self._print(f"{position}  {label}".strip(), "class:label")
            while True:
                session: PromptSession[str | Word] = PromptSession(
                    _PROMPT,
                    input=self._input,
                    output=self._output,
                    history=DummyHistory(),
                    completer=completer,
                    complete_while_typing=completer is not None,
                    reserve_space_for_menu=6,
                    placeholder=FormattedText([("class:pale", pale)]),
                    is_password=Condition(entry.is_hidden),
                    bottom_toolbar=toolbar,
                    key_bindings=entry.keys(editable),
                    style=_STYLE,
                    color_depth=self._depth,
                    include_default_pygments_style=False,
                )
                try:
                    text = await session.prompt_async(default=entry.typed)
                except (KeyboardInterrupt, EOFError):
                    raise LeftError from None
                if isinstance(text, str):
                    entry.typed = ""
                    text = text.strip("\r\n")  # pasted along with it
                    text = TYPED_WORDS.get(text.strip(), text)
                if text is Word.WRONG:
                    # Said above the prompt, where every terminal shows it, and where it stays.
                    self._print(f"! {check(entry.typed)}", "class:fault", _INDENT)
                elif text is Word.HELP:
                    explain()
                    self._print(f"{position}  {label}".strip(), "class:label")
                else:
                    return text


class _Entry:
    """The state of one prompt: whether a secret is shown, and what is wrong with the text."""

    def __init__(
        self,
        check: Callable[[str], str | None],
        items: _Items | None,
        *,
        secret: bool,
        while_typing: bool,
    ) -> None:
        self.typed = ""
        """What was typed when help was asked for, or when it was wrong."""
        self._check = check
        self._items = items
        self._secret = secret
        self._while_typing = while_typing
        self._revealed = False

    def is_hidden(self) -> bool:
        """Whether what is typed is hidden: what was entered always is, or it would stay there."""
        return self._secret and (not self._revealed or get_app().is_done)

    def complaint(self, text: str) -> str | None:
        """Return what is wrong with what is typed so far."""
        if not text or not self._while_typing:
            return None
        if self._items is not None and self._items.matching(text):
            return None  # it may yet become one of them
        return self._check(text)

    def keys(self, editable: str) -> KeyBindings:
        """Return what the keys do; Up fetches what can be edited."""
        keys = KeyBindings()

        @keys.add("up", filter=Condition(lambda: not get_app().current_buffer.text))
        def _(event: KeyPressEvent) -> None:
            event.current_buffer.insert_text(editable)

        @keys.add("enter")
        def _(event: KeyPressEvent) -> None:
            if self._check(event.current_buffer.text) is None:
                event.current_buffer.validate_and_handle()
            else:
                self.typed = event.current_buffer.text
                event.app.exit(result=Word.WRONG)

        @keys.add("f1")
        def _(event: KeyPressEvent) -> None:
            self.typed = event.current_buffer.text
            event.app.exit(result=Word.HELP)

        @keys.add("f2")
        def _(event: KeyPressEvent) -> None:
            event.app.exit(result=Word.BACK)

        @keys.add("f3", filter=Condition(lambda: self._secret))
        @keys.add("c-r", filter=Condition(lambda: self._secret))
        def _(_event: KeyPressEvent) -> None:
            self._revealed = not self._revealed

        return keys


class _Reading:
    """What is typed as the answer to one question, and what it means."""

    def __init__(self, question: Question, flow: Flow) -> None:
        self._question = question
        self._flow = flow
        self._items = _Items(_items(question))
        self.completer: Completer | None = None
        if question.field.kind is Kind.BLOB:
            self.completer = PathCompleter(expanduser=True)
        elif _items(question):
            self.completer = self._items

    def problem(self, text: str) -> str | None:
        """Return what is wrong with a text as the answer, None if it is one."""
        text = text.strip("\r\n")
        word = TYPED_WORDS.get(text.strip())
        if word in (Word.HELP, Word.BACK):
            return None
        try:
            self.answer(text if word is None else word)
        except ValueProblem as problem:
            return tr("It {words}.", words=problem.words)
        return None

    def answer(self, text: str | Word) -> Answer:
        """Return the answer that a text means. Raises ValueProblem if it means none."""
        question = self._question
        if text is Word.NONE:
            if question.can_clear:
                return Move.CLEAR
            text = "-"
        assert isinstance(text, str)
        if not text.strip():
            if question.current is not None:
                return Move.KEEP
            if question.can_clear and question.fault is None:
                return Move.CLEAR
            # What failed is not taken away by a Return too many: a passphrase would be.
            raise ValueProblem(phrase("needs an answer"), Refusal.MISSING)
        chosen = _number(text, len(question.networks))
        if chosen is not None:
            return Given(question.networks[chosen].name)
        if text.strip().removeprefix("\\") in TYPED_WORDS:
            text = text.strip().removeprefix("\\")
        if question.field.kind is Kind.BLOB:
            return self._from_file(text.strip())
        try:
            return self._flow.read(question, text)
        except ValueProblem:
            found = self._items.matching(text)
            if len(found) != 1:
                raise
            return self._flow.read(question, found[0].text)

    def _from_file(self, name: str) -> Given:
        try:
            path = Path(name).expanduser()
            is_file = path.is_file()  # a device could keep us waiting
        except (OSError, RuntimeError):  # too long, or the home of nobody: maybe a pasted secret
            path, is_file = Path(), False
        if not is_file:
            raise ValueProblem(phrase("must be the name of a file"), Refusal.FORM)
        content = read_bytes(path)
        self._flow.check(self._question, content)
        return Given(content)


def _items(question: Question) -> list[_Item]:
    """Return what a question lets one choose from."""
    field = question.field
    if field.kind is Kind.YES_NO:
        return _yes_and_no()
    if field.kind is Kind.CHOICE:
        return [_Item(option.label, option.help or "") for option in field.options]
    if field.kind is Kind.PIN:
        return [
            _Item(str(choice.pin.number), choice.pin.name or "", choice.pin.name or "")
            for choice in question.pins
            if choice.obstacle is None
        ]
    if field.kind is Kind.TIME_ZONE:
        return [_Item(name) for name in zones()]
    if field.kind is Kind.NETWORK_NAME:
        return [_Item(n.shown, f"{n.strength}, {n.security}") for n in question.networks]
    return []


def _yes_and_no() -> list[_Item]:
    return [_Item(yes_or_no(True)), _Item(yes_or_no(False))]


def _network_lines(networks: Sequence[InRange]) -> Iterator[str]:
    """Yield the networks in range, each with the number that chooses it."""
    if not networks:
        return
    yield tr("In range; type a number, or the name of a hidden network:")
    for number, network in enumerate(networks, start=1):
        yield f"{number:>3}  {network.shown} ({network.strength}, {network.security})"


def _pin_lines(pins: Sequence[PinChoice]) -> Iterator[str]:
    """Yield the pins that can serve, then the others by what stands in their way."""
    groups: dict[str, list[Pin]] = {}
    for choice in pins:
        groups.setdefault(choice.obstacle or "", []).append(choice.pin)
    for obstacle, group in sorted(groups.items()):
        numbers = _ranges(group)
        if obstacle:
            yield tr("Not free: {numbers} ({obstacle})", numbers=numbers, obstacle=obstacle)
        else:
            yield tr("Suitable: {numbers}", numbers=numbers)


def _ranges(pins: Sequence[Pin]) -> str:
    """Return pins as numbers, runs of them as ranges; a name that tells more stands beside."""
    runs: list[list[str]] = []
    last = None
    for pin in pins:
        name = pin.name or ""
        is_plain = re.fullmatch(rf"[^0-9]*0*{pin.number}", name) or not name
        words = str(pin.number) if is_plain else f"{pin.number} {name}"
        words += f" ({tr('caution')})" if pin.caution else ""
        continues = last is not None and pin.number == last + 1 and words == str(pin.number)
        if continues and runs[-1][-1] == str(last):
            runs[-1].append(words)
        else:
            runs.append([words])
        last = pin.number
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def _pale(question: Question) -> str:
    """Return what stands where the answer goes while nothing is typed."""
    if question.current is None:
        if not question.can_clear or question.fault is not None:
            return ""
        is_passphrase = question.field.kind is Kind.PASSPHRASE
        return tr("none: the network is open") if is_passphrase else tr("none")
    if question.field.is_secret:
        typed = question.origin is Origin.ANSWERED
        return tr("as typed before") if typed else tr("as it is on the board")
    return question.current


def _keys_line(*, secret: bool, can_clear: bool) -> str:
    """Return what the keys do; it fits 40 columns."""
    keys = [f"?F1 {tr('help')}", f"<F2 {tr('back')}"]
    keys += [f"F3 {tr('reveal')}"] if secret else []
    keys += [f"- {tr('none')}"] if can_clear else []
    return "  ".join(keys)


def _number(text: str, count: int) -> int | None:
    """Return the number typed, counted from 0, if it is one of `count`."""
    word = text.strip()
    if not (word.isascii() and word.isdigit() and len(word) <= 4):
        return None
    return int(word) - 1 if 1 <= int(word) <= count else None
