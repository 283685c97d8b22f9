# SPDX-License-Identifier: MIT
"""What is asked and what is answered: the words between the flow of the dialog and who asks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum, auto

from provision.catalogue import ntr, spoken, tr
from provision.client.sanitize import visible
from provision.contract.table import Kind
from provision.schema.model import Field, Pin, Section, Setting, Value
from provision.schema.values import NO, YES, show

MASK = "********"
"""What stands for a secret wherever one would be shown: of one length, whatever the secret's."""


class Why(Enum):
    """Why a question is asked."""

    NEW = auto()
    """It was never asked on this board."""

    MISSING = auto()
    """Without an answer the board cannot work."""

    FELL_BACK = auto()
    """The firmware no longer takes the value that is stored."""

    CONFLICT = auto()
    """It has the same pin as another setting, so that the board does not work."""

    ASKED_FOR = auto()
    """The person asked to be asked."""

    PARTNER = auto()
    """A network's name and its passphrase are set together."""

    FAULT = auto()
    """The answer was refused, or the board does not work with it."""


class Origin(Enum):
    """Where the answer that Return gives comes from."""

    NONE = auto()
    """There is none."""

    ANSWERED = auto()
    """Given earlier in this session."""

    HELD = auto()
    """What the board holds."""

    PROPOSED = auto()
    """What this computer proposes, its own time zone for one."""

    DEFAULT = auto()
    """What the firmware's author proposes."""


class Move(Enum):
    """An answer that is not a value."""

    KEEP = auto()
    """What the question offers; of a secret, which is not shown, the one that is set."""

    CLEAR = auto()
    """Nothing: what was set is removed."""

    BACK = auto()
    """The question before."""


@dataclass(frozen=True, slots=True)
class Given:
    """A value given as an answer."""

    value: Value = field(repr=False)
    written: str | None = field(default=None, repr=False)
    """How it was written, where that says more: a time zone's name, which boards do not know."""


Answer = Given | Move


@dataclass(frozen=True, slots=True)
class PinChoice:
    """A pin that has what a question needs, and what stands in the way of choosing it."""

    pin: Pin
    name: str
    """What it is called among the pins of the board."""
    obstacle: str | None = None


@dataclass(frozen=True, slots=True)
class InRange:
    """A wireless network that the board finds, in words; `name` is what is stored for it."""

    name: bytes
    shown: str
    strength: str
    security: str
    is_open: bool


@dataclass(frozen=True, slots=True)
class Question:
    """One setting to be asked for."""

    setting: Setting
    why: Why
    position: int
    """This is question number `position`..."""
    count: int
    """...of so many, as far as the answers so far tell."""
    current: str | None = field(default=None, repr=False)
    """What Return gives, fit to be shown; None if Return is no answer."""
    editable: str = field(default="", repr=False)
    """The same as it is typed, for who wants to change it; empty of what is never shown."""
    origin: Origin = Origin.NONE
    can_clear: bool = False
    """Whether no value at all is an answer: where it is not required, and there is no default."""
    fault: str | None = None
    """Why it is asked again, in words that follow the label."""
    conflict: str | None = None
    """Which pin it shares with which setting, where that is why it is asked, in a sentence."""
    pins: tuple[PinChoice, ...] = ()
    network: str | None = None
    """Of a passphrase: the network that it is for, fit to be shown."""
    networks: tuple[InRange, ...] = ()
    """Of a network's name: those in range, where the board can tell."""

    @property
    def key(self) -> str:
        """The full key of the setting."""
        return self.setting.key

    @property
    def field(self) -> Field:
        """What the author declared."""
        return self.setting.field

    @property
    def heading(self) -> str:
        """The label of the section, with the number of the instance if it repeats."""
        return heading(self.setting)


@dataclass(frozen=True, slots=True)
class AnotherInstance:
    """Whether one more instance of a section that repeats is wanted."""

    section: Section
    instance: int
    first: bool


Prompt = Question | AnotherInstance


@dataclass(frozen=True, slots=True)
class ReviewLine:
    """One change as it is shown before anything is stored."""

    key: str
    heading: str
    label: str
    shown: str


def heading(setting: Setting) -> str:
    """Return the label of a setting's section, with the number of the instance if it repeats."""
    label = setting.section.label
    return label if setting.instance is None else f"{label} {setting.instance}"


def pin_name(pin: Pin, pins: Sequence[Pin]) -> str:
    """Return a pin's name as printed on the board, else its number; both if `pins` share the name.

    pins: all of the board.
    """
    if not pin.name:
        return tr("pin {number}", number=pin.number)
    is_alone = sum(other.name == pin.name for other in pins) == 1
    return pin.name if is_alone else tr("{name} (pin {number})", name=pin.name, number=pin.number)


def answered(declared: Field, value: Value, written: str) -> Given:
    """Return a value as an answer, with how it was written where that is worth keeping."""
    return Given(value, written.strip() if declared.kind is Kind.TIME_ZONE else None)


def shown_value(
    declared: Field, value: Value, written: str | None = None, *, pins: Sequence[Pin] = ()
) -> str:
    """Return a value fit to be shown on one line: masked, sized or cleaned.

    Of a blob the value may be its length in bytes, which is all that a board tells. Quotes show
    where a text begins or ends with a space. pins: all of the board, cleaned; a pin among them is
    shown by its name.
    """
    if declared.is_secret:
        return MASK
    if declared.kind is Kind.BLOB:
        size = len(value) if isinstance(value, bytes | str) else value
        return ntr("{count} byte", "{count} bytes", size)
    if declared.kind is Kind.PIN:
        for pin in pins:
            if pin.number == value:
                return pin_name(pin, pins)
    text = typed_value(declared, value, written)
    return text if text == text.strip() else f'"{text}"'


def yes_and_no() -> tuple[str, str]:
    """Return the two words as a person reads them, and types them."""
    return spoken(YES), spoken(NO)


def yes_or_no(value: bool) -> str:
    """Return the word for a value."""
    return spoken(YES if value else NO)


def typed_value(declared: Field, value: Value, written: str | None = None) -> str:
    """Return a value as it is typed, cleaned; an empty text for what is never shown."""
    if declared.is_opaque:
        return ""
    if declared.kind is Kind.YES_NO:
        return yes_or_no(bool(value))
    return visible(show(declared, value) if written is None else written, 255)
