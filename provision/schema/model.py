# SPDX-License-Identifier: MIT
"""What a firmware's author declares: sections of fields, and the pins of the board.

The model is that of the wire schema (shared/protocol.md, clause 8): texts as the author wrote
them, limits and defaults as wire values. Nothing here knows TOML, CBOR or a screen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from provision.contract.table import Ability, Characters, Kind
from provision.schema.table import SECRET_KINDS

Value = int | bool | str | bytes
"""A value as it goes over the line (clause 9.1); decimals are scaled integers."""

NO_ABILITY = Ability(0)


@dataclass(frozen=True, slots=True)
class Option:
    """One of the options of a choice."""

    key: str
    label: str
    help: str | None = None


@dataclass(frozen=True, slots=True)
class Pin:
    """A pin of the board; `taken` says what the board itself uses it for."""

    number: int
    abilities: Ability
    name: str | None = None
    taken: str | None = None
    caution: str | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """Holds when the field with `base_key` has one of `values` in force; any value if empty."""

    base_key: str
    values: tuple[int | bool | str, ...] = ()


@dataclass(frozen=True, slots=True)
class Field:
    """One setting as declared (clause 8.1). Limits are wire values, or lengths in bytes."""

    key: str
    kind: Kind
    label: str
    help: str | None = None
    required: bool = False
    default: Value | None = None
    minimum: int | None = None
    maximum: int | None = None
    unit: str | None = None
    digits: int | None = None
    caution: str | None = None
    condition: Condition | None = None
    options: tuple[Option, ...] = ()
    needs: Ability = NO_ABILITY
    shares: bool = False
    network: str | None = None
    was: tuple[str, ...] = ()
    characters: Characters = Characters.PRINTABLE
    schemes: tuple[str, ...] = ()
    secret: bool = False
    families: int = 3
    kept: bool = field(default=False, compare=False)
    """Whether the firmware keeps the value in flash alone; nothing that a host is told."""

    @property
    def is_secret(self) -> bool:
        """Whether the value never leaves the board."""
        return self.secret or self.kind in SECRET_KINDS

    @property
    def is_opaque(self) -> bool:
        """Whether a board never gives a value of this field back: a secret, or a blob."""
        return self.is_secret or self.kind is Kind.BLOB


@dataclass(frozen=True, slots=True)
class Repeat:
    """How often a section repeats: `least` instances are always in use, `most` can be."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Section:
    """A group of settings that are asked together."""

    key: str
    label: str
    fields: tuple[Field, ...]
    help: str | None = None
    repeat: Repeat | None = None


@dataclass(frozen=True, slots=True)
class Setting:
    """A field of one instance of its section: what has a full key, a number and a value."""

    number: int
    key: str
    field: Field
    section: Section
    instance: int | None

    @property
    def label(self) -> str:
        """What a person knows it by, within its section."""
        return self.field.label

    @property
    def base_key(self) -> str:
        """The key without the number of the instance (clause 8.2)."""
        return f"{self.section.key}.{self.field.key}"


@dataclass(frozen=True, slots=True)
class Translation:
    """The texts of a schema in one more language, by its tag; None where there is none for one.

    Their order is that of provision.schema.languages.
    """

    language: str
    texts: tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class Schema:
    """All that a board's firmware wants to know from a person.

    language: the tag of the language that its texts are in, if the author says.
    """

    title: str
    sections: tuple[Section, ...]
    pins: tuple[Pin, ...] = ()
    trial: int | None = None
    language: str | None = None
    translations: tuple[Translation, ...] = ()
    settings: tuple[Setting, ...] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "settings", tuple(_expand(self.sections)))

    def __getitem__(self, key: str) -> Setting:
        """The setting with this full key. Raises KeyError."""
        found = self.setting(key)
        if found is None:
            raise KeyError(key)
        return found

    def setting(self, key: str) -> Setting | None:
        """The setting with this full key."""
        return next((s for s in self.settings if s.key == key), None)

    def pin(self, number: int) -> Pin | None:
        """The pin with this number."""
        return next((p for p in self.pins if p.number == number), None)

    def only_proposes(self, declared: Field) -> bool:
        """Whether a field's default carries a caution, so that a person has to choose it.

        The caution is that of the field, or of the pin that is the default (clause 9.6).
        """
        return declared.default is not None and bool(self.cautions(declared, declared.default))

    def cautions(self, declared: Field, value: Value) -> tuple[str, ...]:
        """Return what a person must have read before a value comes into force (clause 9.6)."""
        pin = self.pin(int(value)) if declared.kind is Kind.PIN else None
        found = (declared.caution, None if pin is None else pin.caution)
        return tuple(caution for caution in found if caution)

    def default_in_force(self, declared: Field) -> Value | None:
        """Return the value that is in force for a field while nothing is stored."""
        return None if self.only_proposes(declared) else declared.default

    def needs_value(self, declared: Field) -> bool:
        """Whether a value must be in force for a field while it is active (clause 9.6)."""
        return declared.required or self.only_proposes(declared)


def _expand(sections: tuple[Section, ...]) -> Iterator[Setting]:
    """Settings in schema order, instances expanded (clause 8.3)."""
    number = 0
    for section in sections:
        instances = range(1, section.repeat.most + 1) if section.repeat else (None,)
        for instance in instances:
            infix = "" if instance is None else f"{instance}."
            for declared in section.fields:
                yield Setting(
                    number, f"{section.key}.{infix}{declared.key}", declared, section, instance
                )
                number += 1
