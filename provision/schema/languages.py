# SPDX-License-Identifier: MIT
"""The texts of a schema in several languages (shared/protocol.md, clause 8.4).

A schema is written in one language. A translation has a text, or none, for each of its texts, in
their order. Each text has a place, by which a schema file names it: "title", "siren.label",
"siren.mode.help", "siren.mode.options.loud.label", "pin.2.caution".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from provision.contract.table import Kind
from provision.schema.model import Field, Option, Pin, Schema, Section, Translation
from provision.schema.table import MAX_CAUTION, MAX_HELP, MAX_LABEL, MAX_UNIT

LONGEST_TEXT: Mapping[str, int] = MappingProxyType(
    {
        "title": MAX_LABEL,
        "label": MAX_LABEL,
        "help": MAX_HELP,
        "caution": MAX_CAUTION,
        "unit": MAX_UNIT,
        "taken": MAX_LABEL,
    }
)
"""Bytes of UTF-8, by the last part of a text's place (clause 8.1)."""

TextMapper = Callable[[str, str], str]
"""Takes the place of a text, and the text; returns the text to put there."""


def map_texts(schema: Schema, change: TextMapper) -> Schema:
    """Return a schema with every text changed, in the order of clause 8.4.

    The names of pins, which are printed on the board, and the units of durations, which are codes,
    are no texts.
    """
    return replace(
        schema,
        title=change("title", schema.title),
        sections=tuple([_section(section, change) for section in schema.sections]),
        pins=tuple([_pin(pin, change) for pin in schema.pins]),
    )


def texts(schema: Schema) -> list[tuple[str, str]]:
    """Return the place of each text and the text, in the order of clause 8.4."""
    found: list[tuple[str, str]] = []

    def note(place: str, text: str) -> str:
        found.append((place, text))
        return text

    map_texts(schema, note)
    return found


def in_language(schema: Schema, wanted: Sequence[str]) -> Schema:
    """Return a schema in the first wanted language that it has, else in its own.

    wanted: language tags, the best first. A text without translation stays in the schema's own.
    The lookup is that of RFC 4647 clause 3.4.
    """
    chosen = _lookup(schema, wanted)
    if chosen is None:
        return replace(schema, translations=())
    ours = iter(chosen.texts)
    return replace(
        map_texts(schema, lambda _, text: next(ours) or text),
        language=chosen.language,
        translations=(),
    )


def _lookup(schema: Schema, wanted: Sequence[str]) -> Translation | None:
    """Return the translation to use, None for the schema as it is."""
    known: dict[str, Translation | None] = {
        translation.language.lower(): translation for translation in schema.translations
    }
    if schema.language is not None:
        known[schema.language.lower()] = None
    for tag in wanted:
        subtags = tag.lower().split("-")
        while subtags:
            if "-".join(subtags) in known:
                return known["-".join(subtags)]
            subtags.pop()
    return None


def _section(section: Section, change: TextMapper) -> Section:
    key = section.key
    return replace(
        section,
        label=change(f"{key}.label", section.label),
        help=_maybe(f"{key}.help", section.help, change),
        fields=tuple([_field(f"{key}.{field.key}", field, change) for field in section.fields]),
    )


def _field(key: str, field: Field, change: TextMapper) -> Field:
    is_code = field.kind is Kind.DURATION
    return replace(
        field,
        label=change(f"{key}.label", field.label),
        help=_maybe(f"{key}.help", field.help, change),
        unit=field.unit if is_code else _maybe(f"{key}.unit", field.unit, change),
        caution=_maybe(f"{key}.caution", field.caution, change),
        options=tuple(_options(f"{key}.options", field.options, change)),
    )


def _options(place: str, options: Sequence[Option], change: TextMapper) -> Iterator[Option]:
    for option in options:
        at = f"{place}.{option.key}"
        label = change(f"{at}.label", option.label)
        yield Option(option.key, label, _maybe(f"{at}.help", option.help, change))


def _pin(pin: Pin, change: TextMapper) -> Pin:
    at = f"pin.{pin.number}"
    return replace(
        pin,
        taken=_maybe(f"{at}.taken", pin.taken, change),
        caution=_maybe(f"{at}.caution", pin.caution, change),
    )


def _maybe(place: str, text: str | None, change: TextMapper) -> str | None:
    return None if text is None else change(place, text)
