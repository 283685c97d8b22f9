# SPDX-License-Identifier: MIT
"""Text from a board, made fit for a terminal (CWE-150).

Whoever wrote the firmware, or whoever built the board, wrote these texts. On a screen they must not
move the cursor, ring, hide what stands beside them, or turn the direction of writing.
"""

from __future__ import annotations

from dataclasses import replace

from provision.settings.model import Field, Option, Pin, Schema, Section

LONGEST_TEXT = 400
"""Characters: the longest text of a schema is a help text (clause 8.1)."""

_CUT = "..."


def printable(text: str, limit: int = LONGEST_TEXT) -> str:
    """Return a text as one line of printable characters, of `limit` at most.

    White space of any kind, line breaks among it, becomes a single space. Every other character
    that is a control or format character, bidirectional ones among them, a surrogate, or not
    assigned, becomes a question mark.
    """
    return visible(" ".join(text[: 4 * limit].split()), limit)


def visible(text: str, limit: int = LONGEST_TEXT) -> str:
    """Return a text as printable characters, its spaces as they are; for values."""
    line = "".join(c if c.isprintable() else "?" for c in text[: limit + 1])
    return line if len(line) <= limit else line[: limit - len(_CUT)] + _CUT


def clean_schema(schema: Schema) -> Schema:
    """Return a schema with every text in it printable: whatever is shown of it is fit to be shown.

    Keys, limits and values stay: keys have no such characters, and a value is cleaned when it is
    shown.
    """
    return replace(
        schema,
        title=printable(schema.title),
        sections=tuple(_clean_section(section) for section in schema.sections),
        pins=tuple(_clean_pin(pin) for pin in schema.pins),
    )


def _maybe(text: str | None) -> str | None:
    return None if text is None else printable(text)


def _clean_section(section: Section) -> Section:
    return replace(
        section,
        label=printable(section.label),
        help=_maybe(section.help),
        fields=tuple(_clean_field(field) for field in section.fields),
    )


def _clean_field(field: Field) -> Field:
    return replace(
        field,
        label=printable(field.label),
        help=_maybe(field.help),
        unit=_maybe(field.unit),
        caution=_maybe(field.caution),
        options=tuple(
            Option(option.key, printable(option.label), _maybe(option.help))
            for option in field.options
        ),
        schemes=tuple(printable(scheme) for scheme in field.schemes),
    )


def _clean_pin(pin: Pin) -> Pin:
    return replace(pin, name=_maybe(pin.name), taken=_maybe(pin.taken), caution=_maybe(pin.caution))
