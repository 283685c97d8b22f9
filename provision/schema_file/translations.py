# SPDX-License-Identifier: MIT
"""The texts of a schema file in further languages: its tables [translation.TAG].

A table names each text by its place, as in `siren.mode.label = "Modus"`. A pin, or several alike,
are named as they were declared: `pin.16-19.taken`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from provision.schema import languages
from provision.schema.model import Schema, Translation
from provision.schema.table import LANGUAGE_PATTERN, MAX_HELP, MAX_TRANSLATIONS
from provision.schema_file import reader as reading
from provision.schema_file.reader import NotedError, Spot, Table

_TAG = re.compile(rf"{LANGUAGE_PATTERN}\Z")
_PARAGRAPHS = ("help", "caution")


def language(spot: Spot) -> str:
    """Read the tag of a language."""
    right = 'write a language tag, as in "en" or "pt-BR"'
    if not isinstance(spot.value, str):
        raise spot.wrong_type(right)
    if not _TAG.match(spot.value):
        raise spot.wrong(f"`{reading.shown(spot.value)}` is no language tag", right)
    return spot.value


def translations(top: Table, schema: Schema, own: str | None) -> tuple[Translation, ...]:
    """Read every table of a translation; own: the language that the file itself is in."""
    found = top.get("translation", lambda spot: _tables(spot, schema, own))
    if found and own is None and "language" not in top.bad:
        top.report.add(
            (*top.path, "translation"),
            "the file has translations, and does not say what language it is in",
            'add `language = "en"`, or what it is, at the top',
        )
    return tuple(found or ())


def untranslated(schema: Schema) -> dict[str, list[str]]:
    """Return the places of the texts without translation, by the language that lacks them.

    Units are left aside: most are signs that every language shares.
    """
    places = [place for place, _ in languages.texts(schema)]
    return {
        each.language: [
            place
            for place, text in zip(places, each.texts, strict=True)
            if text is None and not place.endswith(".unit")
        ]
        for each in schema.translations
    }


def _tables(spot: Spot, schema: Schema, own: str | None) -> list[Translation]:
    table = reading.table(spot)
    if len(table.content) > MAX_TRANSLATIONS:
        raise spot.wrong(
            f"there are {len(table.content)} translations",
            f"keep {MAX_TRANSLATIONS} at most",
        )
    places = _places(table, schema)
    found = []
    seen = {own.lower()} if own else set[str]()
    for tag in table.content:
        if not _TAG.match(tag):
            table.wrong(
                tag,
                f"`{reading.shown(tag)}` is no language tag",
                "write the header as in [translation.de] or [translation.pt-BR]",
            )
        elif tag.lower() in seen:
            table.wrong(tag, f"the language `{tag}` is there already", "leave one of the two out")
        else:
            texts = table.get(tag, lambda spot: _texts(reading.table(spot), places))
            in_order = (place for place, _ in languages.texts(schema))
            found.append(Translation(tag, tuple((texts or {}).get(place) for place in in_order)))
        seen.add(tag.lower())
    return found


def _places(table: Table, schema: Schema) -> dict[str, list[str]]:
    """Return the texts that a translation can name: by its name, the places in the schema."""
    places = {place: [place] for place, _ in languages.texts(schema)}
    pins = table.report.document.get("pin")
    for declared in pins if isinstance(pins, list) else ():
        if not isinstance(declared, dict) or not isinstance(declared.get("numbers"), str):
            continue
        numbers = reading.pin_numbers(declared["numbers"]) or []
        for part in ("taken", "caution"):
            alike = [f"pin.{number}.{part}" for number in numbers]
            if alike and all(place in places for place in alike):
                for place in alike:
                    del places[place]
                places[f"pin.{declared['numbers']}.{part}"] = alike
    return places


def _texts(table: Table, places: dict[str, list[str]]) -> dict[str, str]:
    """Read the texts of one translation, by place."""
    found: dict[str, str] = {}
    complete = True
    for name, spot in _named(table):
        try:
            if not table.report.mistakes and name not in places:
                # With mistakes above it is not known which texts there are.
                shown = reading.shown(name)
                fix = reading.meant(name, places) or "name a text as in `network.name.label`"
                raise spot.wrong(f"the schema has no text `{shown}`", fix)
            longest = languages.LONGEST_TEXT.get(name.rpartition(".")[2], MAX_HELP)
            is_paragraph = name.endswith(_PARAGRAPHS)
            text = (reading.paragraph if is_paragraph else reading.text)(longest)(spot)
        except NotedError:
            complete = False
        else:
            found |= dict.fromkeys(places.get(name, ()), text)
    if not complete:
        raise NotedError
    return found


def _named(table: Table) -> Iterator[tuple[str, Spot]]:
    """Yield every value of a table, and of the tables in it, with its keys joined by dots."""
    for key in table.content:
        spot = table.spot(key)
        if isinstance(spot.value, dict):
            for name, inner in _named(Table(table.report, spot.path, spot.value)):
                yield f"{key}.{name}", inner
        else:
            yield key, spot
