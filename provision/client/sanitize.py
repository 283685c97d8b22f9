# SPDX-License-Identifier: MIT
"""Text from a board, made fit for a terminal (CWE-150).

Whoever wrote the firmware, or whoever built the board, wrote these texts. On a screen they must not
move the cursor, ring, hide what stands beside them, or turn the direction of writing.
"""

from __future__ import annotations

from dataclasses import replace

from provision.schema.languages import map_texts
from provision.schema.model import Field, Schema
from provision.schema.table import MAX_HELP

_CUT = "..."


def printable(text: str, limit: int = MAX_HELP) -> str:
    """Return a text as one line of printable characters, of `limit` at most.

    White space of any kind, line breaks among it, becomes a single space. Every other character
    that is a control or format character, bidirectional ones among them, a surrogate, or not
    assigned, becomes a question mark.
    """
    return visible(" ".join(text[: 4 * limit].split()), limit)


def visible(text: str, limit: int = MAX_HELP) -> str:
    """Return a text as printable characters, its spaces as they are; for values."""
    line = "".join(c if c.isprintable() else "?" for c in text[: limit + 1])
    return line if len(line) <= limit else line[: limit - len(_CUT)] + _CUT


def clean_schema(schema: Schema) -> Schema:
    """Return a schema with every text in it printable: whatever is shown of it is fit to be shown.

    Keys, limits and values stay: keys have no such characters, and a value is cleaned when it is
    shown. So do translations: a schema is cleaned in the language that it is shown in.
    """
    shown = map_texts(schema, lambda _, text: printable(text))
    return replace(
        shown,
        sections=tuple(
            replace(section, fields=tuple(_clean_codes(field) for field in section.fields))
            for section in shown.sections
        ),
        pins=tuple(
            replace(pin, name=None if pin.name is None else printable(pin.name))
            for pin in shown.pins
        ),
    )


def _clean_codes(field: Field) -> Field:
    """Clean what is no text for people, and shown all the same."""
    unit = None if field.unit is None else printable(field.unit)
    return replace(field, unit=unit, schemes=tuple(printable(each) for each in field.schemes))
