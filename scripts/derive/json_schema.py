# SPDX-License-Identifier: MIT
"""The JSON Schema (draft-07) of schema files, with which editors complete and check them.

Keys, kinds, words, limits and patterns are those of shared/schema.json and those that the reader
itself goes by (provision/schema_file); the few that it has within its code are named here
once more, and tests/author/test_json_schema.py asks both at each of them.

It refuses nothing that `provision check` takes. The reverse cannot be: what depends on another
place of the file, on calculating, or on bytes of UTF-8 is left to `provision check`. Its patterns
keep to what regular expressions of every kind understand (ECMA 262 and Python, for two).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from provision.contract.table import MAX_KEY, MAX_NAME, MAX_TEXT, MAX_VERSION, Characters, Kind
from provision.schema import table as limits
from provision.schema.table import KEYS_OF_KINDS, KIND_LIMITS
from provision.schema.values import CHARACTER_SETS, DECIMAL_OCTET, KIND_CHARACTERS
from provision.schema_file.c_names import RESERVED, STATE_MEMBER
from provision.schema_file.fields import (
    ABILITIES,
    CHARACTERS,
    EVERY_KIND,
    FAMILIES,
    KINDS,
    MEASURED,
    OF_KIND,
)
from provision.schema_file.load import PROGRAM_UNITS
from provision.schema_file.reader import SIZES, TIMES
from scripts.derive.source import Table

Json = dict[str, Any]

# ------------------------------------------------------------------------------- kinds of value


def _described(title: str, description: str, schema: Json) -> Json:
    return {"title": title, "description": description, **schema}


_CONTROLS = r"\x00-\x1f\x7f-\x9f"


def _line(longest: int) -> Json:
    """Return what a text for a screen is: not blank, and without control characters.

    Its length is in bytes, of which every character has at least one.
    """
    pattern = f"^[^{_CONTROLS}]*[^{_CONTROLS} ][^{_CONTROLS}]*$"
    return {"type": "string", "maxLength": longest, "pattern": pattern}


def _paragraph(longest: int) -> Json:
    """Return what a text over several lines is: white space, which is joined, counts for nothing.

    Regular expressions differ in whether a few control characters are white space: those pass.
    """
    shown = r"[^\s\x00-\x08\x0e-\x1b\x7f-\x84\x86-\x9f]"
    return {"type": "string", "pattern": rf"^\s*({shown}\s*){{1,{longest}}}$"}


def _described_line(title: str, words: str, longest: int) -> Json:
    return _described(title, f"{words}, up to {longest} bytes.", _line(longest))


def _described_paragraph(title: str, words: str, longest: int) -> Json:
    return _described(title, f"{words}, up to {longest} bytes.", _paragraph(longest))


def _key(longest: int, taken: Iterable[str] = ()) -> Json:
    key: Json = {"type": "string", "pattern": f"^[a-z][a-z0-9-]{{0,{longest - 1}}}$"}
    words = sorted(word.replace("_", "-") for word in taken)
    return {**key, "not": {"enum": words}} if words else key


def _whole(least: int, most: int) -> Json:
    return {"type": "integer", "minimum": least, "maximum": most}


def _word(words: Iterable[str]) -> Json:
    return {"type": "string", "enum": list(words)}


def _list_of(item: Json, most: int) -> Json:
    return {
        "type": "array",
        "items": item,
        "minItems": 1,
        "maxItems": most,
        "uniqueItems": True,
    }


def _only(required: Sequence[str], properties: Mapping[str, Json | bool]) -> Json:
    """Return what a table is that has these keys and no others."""
    return {
        "type": "object",
        "required": list(required),
        "properties": dict(properties),
        "additionalProperties": False,
    }


def _where(key: str, value: object, then: Json) -> Json:
    """Return a rule for tables in which a key has a value; with None, in which it is at all."""
    condition: Json = {"required": [key]}
    if value is not None:
        condition["properties"] = {key: {"const": value}}
    return {"if": condition, "then": then}


def _size(least: int) -> Json:
    digits = "[0-9]{1,15}" if least == 0 else "0{0,14}[1-9][0-9]{0,14}"
    return {
        "type": ["integer", "string"],
        "minimum": least,
        "maximum": limits.MAX_SIZE,
        "pattern": f"^{digits} *({'|'.join(SIZES)})$",
    }


def _program_unit() -> Json:
    units = "|".join(map(str, PROGRAM_UNITS))
    text = {"type": "string", "pattern": f"^0{{0,12}}({units}) *B$"}
    return {"anyOf": [{"enum": list(PROGRAM_UNITS)}, text]}


def _time(least: int, most: int) -> Json:
    """Return what a length of time is; the limits count for numbers, not for text."""
    return {
        "type": ["integer", "string"],
        "minimum": least,
        "maximum": most,
        "pattern": f"^[0-9]{{1,15}} *({'|'.join(TIMES)})$",
    }


def _pin_numbers() -> Json:
    octet = "(0{0,2}[0-9]|0?[1-9][0-9]|1[0-9][0-9]|2[0-4][0-9]|25[0-5])"
    part = f" *{octet} *(- *{octet} *)?"
    return {"type": "string", "pattern": f"^{part}(,{part})*$"}


def _of_characters(characters: Characters) -> Json:
    return {"pattern": f"^{CHARACTER_SETS[characters].pattern}$"}


# --------------------------------------------------------------------------------------- the top


def _top() -> Json:
    with_trial = {
        "properties": {
            "board": {"properties": {"slots": {"minimum": limits.MIN_SLOTS_OF_OLDER}}},
        }
    }
    table = _only(
        ("format", "title", "firmware", "board", "section"),
        {
            "format": _described(
                "Format", "1, the format of schema files that this describes.", _whole(1, 1)
            ),
            "title": _described_line("Title", "What a person calls the thing", limits.MAX_LABEL),
            "language": _described(
                "Language",
                'The language of the texts, a tag as in "en". Needed where there are translations.',
                {"type": "string", "pattern": f"^{limits.LANGUAGE_PATTERN}$"},
            ),
            "trial": _described(
                "Trial",
                'How long new settings have to prove themselves before the old ones come back: "10'
                ' s" to "1 h", or a number of seconds. Without it they stay. Needs at least'
                f" {limits.MIN_SLOTS_OF_OLDER} slots.",
                _time(limits.MIN_TRIAL, limits.MAX_TRIAL),
            ),
            "firmware": {"$ref": "#/definitions/firmware"},
            "board": {"$ref": "#/definitions/board"},
            "pin": _described(
                "Pins",
                f"The pins of the board, {limits.MAX_PINS} at most.",
                {
                    "type": "array",
                    "items": {"$ref": "#/definitions/pin"},
                    "maxItems": limits.MAX_PINS,
                },
            ),
            "section": _described(
                "Sections",
                f"Groups of settings that are asked together, {limits.MAX_SECTIONS} at most.",
                {
                    "type": "array",
                    "items": {"$ref": "#/definitions/section"},
                    "minItems": 1,
                    "maxItems": limits.MAX_SECTIONS,
                },
            ),
            "translation": _described(
                "Translations",
                f"The texts in further languages, {limits.MAX_TRANSLATIONS} at most, by language"
                " tag.",
                {
                    "type": "object",
                    "propertyNames": {"pattern": f"^{limits.LANGUAGE_PATTERN}$"},
                    "additionalProperties": {"$ref": "#/definitions/texts"},
                    "maxProperties": limits.MAX_TRANSLATIONS,
                },
            ),
        },
    )
    rules = [
        _where("trial", None, with_trial),
        _where("translation", None, {"required": ["language"]}),
    ]
    return {**table, "allOf": rules}


def _texts() -> Json:
    """Return what the texts of a translation are: by dotted keys, which TOML makes tables of."""
    return _described(
        "Texts",
        "Texts by their place, as in `network.name.label`, `siren.mode.options.loud.label`,"
        " `pin.2.caution`.",
        {
            "type": "object",
            "additionalProperties": {
                "anyOf": [_paragraph(limits.MAX_HELP), {"$ref": "#/definitions/texts"}],
            },
        },
    )


def _firmware() -> Json:
    table = _only(
        ("name", "version"),
        {
            "name": _described_line("Name", "The firmware's name", MAX_NAME),
            "version": _described_line(
                "Version", "The firmware's version, in any form", MAX_VERSION
            ),
        },
    )
    return _described("Firmware", "The firmware that has these settings.", table)


def _board() -> Json:
    size = 'in bytes, or as in "4 KiB".'
    table = _only(
        ("name", "flash-size", "erase-unit", "program-unit", "settings-at", "settings-size"),
        {
            "name": _described_line("Name", "The board's name", MAX_NAME),
            "flash-size": _described("Size of the flash", f"The whole flash, {size}", _size(1)),
            "erase-unit": _described(
                "Erase unit", f"What the flash erases at a time, {size}", _size(1)
            ),
            "program-unit": _described(
                "Program unit",
                "What the flash programs at a time, in bytes: a power of two from"
                f" {PROGRAM_UNITS[0]} to {PROGRAM_UNITS[-1]}.",
                _program_unit(),
            ),
            "settings-at": _described(
                "Where the settings are",
                f"The offset from the start of the flash, aligned to an erase unit, {size}",
                _size(0),
            ),
            "settings-size": _described(
                "Size of the settings",
                f"The part of the flash that holds settings, in whole erase units, {size}",
                _size(1),
            ),
            "slots": _described(
                "Slots",
                "The number of slots in that part; the largest set must fit into one.",
                {**_whole(limits.MIN_SLOTS, limits.MAX_SLOTS), "default": 4},
            ),
            "baud": _described(
                "Rate",
                "The rate of the serial port, in baud.",
                {**_whole(limits.MIN_BAUD, limits.MAX_BAUD), "default": 115200},
            ),
        },
    )
    return _described("Board", "What the board is like.", table)


def _pin() -> Json:
    table = _only(
        (),
        {
            "number": _described("Number", "The number of one pin.", _whole(0, limits.MAX_PIN)),
            "numbers": _described(
                "Numbers", 'The numbers of several pins that are alike: "0-5, 8".', _pin_numbers()
            ),
            "name": _described(
                "Name",
                f"As printed on the board, up to {limits.MAX_PIN_NAME} bytes; # stands for the"
                " number.",
                _line(limits.MAX_PIN_NAME),
            ),
            "can": _described(
                "What it can do",
                "May be left out for a pin that is taken.",
                _list_of(_word(ABILITIES), len(ABILITIES)),
            ),
            "taken": _described(
                "Taken",
                "What the board itself uses the pin for; such a pin is never offered.",
                _line(limits.MAX_LABEL),
            ),
            "caution": _described(
                "Caution",
                f"Shown when the pin is chosen, and to be accepted; up to {limits.MAX_CAUTION}"
                " bytes.",
                _paragraph(limits.MAX_CAUTION),
            ),
        },
    )
    numbered = {"oneOf": [{"required": ["number"]}, {"required": ["numbers"]}]}
    useful = {"anyOf": [{"required": ["can"]}, {"required": ["taken"]}]}
    return _described(
        "Pin", "One pin of the board, or several alike.", {**table, **numbered, **useful}
    )


def _section() -> Json:
    repeat = _only(
        ("least", "most"),
        {
            "least": _described(
                "Least", "How many instances are always in use.", _whole(0, limits.MAX_INSTANCES)
            ),
            "most": _described("Most", "How many can be in use.", _whole(1, limits.MAX_INSTANCES)),
        },
    )
    table = _only(
        ("key", "label", "field"),
        {
            "key": _described(
                "Key",
                "Never change it, since values are stored under it. Lower-case letters, digits and"
                f" hyphens, beginning with a letter; up to {limits.MAX_KEY_PART}.",
                _key(limits.MAX_KEY_PART, (*RESERVED, STATE_MEMBER)),
            ),
            "label": _described_line(
                "Label", "What a person reads above the questions", limits.MAX_LABEL
            ),
            "help": _described_paragraph("Help", "What it is about", limits.MAX_HELP),
            "repeat": _described(
                "Repeat", "How many times the section is there: { least = 1, most = 4 }.", repeat
            ),
            "field": _described(
                "Fields",
                f"The settings of the section, {limits.MAX_SECTION_FIELDS} at most.",
                {
                    "type": "array",
                    "items": {"$ref": "#/definitions/field"},
                    "minItems": 1,
                    "maxItems": limits.MAX_SECTION_FIELDS,
                },
            ),
        },
    )
    return _described("Section", "A group of settings that are asked together.", table)


# ------------------------------------------------------------------------------------- the fields


def _field(source: Table) -> Json:
    """Return what every field is; what a field of a kind is follows from its kind."""
    keys = {**_keys_of_every_kind(source), **_titles_of_other_keys(source)}
    by_kind = [
        _where("kind", name, {"$ref": f"#/definitions/{_definition(name)}"}) for name in KINDS
    ]
    table = _only(("key", "kind", "label"), keys)
    return _described("Field", "One setting.", {**table, "allOf": by_kind})


def _definition(kind: str) -> str:
    return f"field-of-kind-{kind}"


def _keys_of_every_kind(source: Table) -> dict[str, Json]:
    older = f"^({limits.KEY_PART_PATTERN}[.])?{limits.KEY_PART_PATTERN}$"
    kinds = "\n".join(f"{kind.name}: {kind.editor}" for kind in source.schema.kinds)
    keys = {
        "key": _described(
            "Key",
            "Never change it, since the value is stored under it. Lower-case letters, digits and"
            f" hyphens, beginning with a letter; up to {limits.MAX_KEY_PART}, and up to {MAX_KEY}"
            " together with the key of the section.",
            _key(limits.MAX_KEY_PART, RESERVED),
        ),
        "kind": _described("Kind", f"What the setting holds.\n{kinds}", _word(KINDS)),
        "label": _described_line(
            "Label", "What a person reads before the answer", limits.MAX_LABEL
        ),
        "help": _described_paragraph("Help", "What a person should know", limits.MAX_HELP),
        "required": _described(
            "Required",
            "True: the field needs a value while it is asked.",
            {"type": "boolean", "default": False},
        ),
        "caution": _described(
            "Caution",
            f"Up to {limits.MAX_CAUTION} bytes; shown when the value is chosen, and to be accepted."
            " Anything that can hurt somebody needs one that refers to local codes and licensed"
            " practice. The default of such a field is only proposed to a person.",
            _paragraph(limits.MAX_CAUTION),
        ),
        "asked-if": {"$ref": "#/definitions/asked-if"},
        "was": _described(
            "Older keys",
            'Keys under which a value may still be stored: ["old-key", "old-section.key"].'
            " Never declare a key again that is listed here.",
            _list_of({"type": "string", "pattern": older}, limits.MAX_OLDER_KEYS),
        ),
    }
    return {name: keys[name] for name in EVERY_KIND}


def _asked_if() -> Json:
    value: Json = {"type": ["boolean", "integer", "string"]}
    several = _list_of(value, limits.MAX_CONDITION_VALUES)
    table = _only(
        ("field",),
        {
            "field": _described(
                "Field",
                "The earlier field that decides: its key, or section.key.",
                {"type": "string"},
            ),
            "is": _described(
                "Is",
                "Its value, or a list of values. Left out: asked if it has any value.",
                {"anyOf": [value, several]},
            ),
        },
    )
    return _described(
        "Asked if",
        'Asked, and needed, only if another field has a value: { field = "fitted", is = true }.',
        table,
    )


def _own_keys(source: Table) -> dict[str, tuple[str, str]]:
    """Return title and description of the keys that not every kind has."""
    own = {key.name: (key.name.capitalize(), key.editor) for key in source.schema.own_keys}
    characters = (f"{code.name}: {code.editor}" for code in source.code_set("characters").codes)
    own["characters"] = ("Characters", "\n".join((own["characters"][1], *characters)))
    own["key-only"] = (
        "Key only",
        "Whether only the network's key is stored, which the dialog derives from the passphrase.",
    )
    own["kept"] = (
        "Kept",
        (
            "`flash`: the firmware reads the value from flash piece by piece, and it takes no RAM."
            f" Needs {limits.MIN_SLOTS_OF_KEPT} slots, and admits no default."
        ),
    )
    return own


def _titles_of_other_keys(source: Table) -> dict[str, Json]:
    """Return the keys that only some kinds have, for completion while there is no kind yet."""
    names = dict.fromkeys(name for own in OF_KIND.values() for name in own)
    own = _own_keys(source)
    return {name: _described(*own[name], {}) for name in names}


def _of_kind(kind: Kind, source: Table) -> Json:
    """Return what a field of a kind is, beside what every field is."""
    values: dict[str, Json] = {name: _value(kind, name) for name in OF_KIND[kind]}
    titles = _own_keys(source)
    own = {name: _described(*titles[name], value) for name, value in values.items()}
    common: dict[str, Json | bool] = dict.fromkeys(EVERY_KIND, True)
    if kind is Kind.PASSPHRASE:
        common["required"] = {
            "const": False,
            "description": "Never true: an open network has no passphrase.",
        }
    table = _only(
        [key.name.lower() for key, must in KEYS_OF_KINDS[kind].items() if must], {**common, **own}
    )
    rules = list(_rules(kind))
    return {
        "title": f"Field of kind {kind.name.lower().replace('_', '-')}",
        "description": next(each.editor for each in source.schema.kinds if each.code == kind),
        **table,
        **({"allOf": rules} if rules else {}),
    }


def _value(kind: Kind, name: str) -> Json:
    """Return what a key of a kind of field may hold."""
    if name == "default":
        return _default(kind)
    if name in ("minimum", "maximum"):
        if kind in MEASURED:
            return _whole(0 if name == "minimum" else 1, KIND_LIMITS[kind][1])
        return _number(kind)
    if name == "unit" and kind is Kind.DURATION:
        return _word(("ms", "s"))
    others: dict[str, Json] = {
        "unit": _line(limits.MAX_UNIT),
        "digits": _whole(limits.MIN_DIGITS, limits.MAX_DIGITS),
        "characters": {**_word(CHARACTERS), "default": "printable"},
        "options": _options(),
        "needs": _list_of(_word(ABILITIES), len(ABILITIES)),
        "shares": {"type": "boolean", "default": False},
        "network": _key(limits.MAX_KEY_PART),
        "key-only": {"type": "boolean", "default": False},
        "schemes": _list_of(
            {"type": "string", "pattern": rf"^{limits.SCHEME_PATTERN}$"},
            limits.MAX_SCHEMES,
        ),
        "families": _list_of({"enum": list(FAMILIES)}, len(FAMILIES)),
        "secret": {"type": "boolean", "default": False},
        "kept": _word(("flash",)),
    }
    return others[name]


def _options() -> Json:
    option = _only(
        ("key", "label"),
        {
            "key": _described(
                "Key",
                f"Stable for ever; up to {limits.MAX_OPTION_KEY}.",
                _key(limits.MAX_OPTION_KEY),
            ),
            "label": _described_line("Label", "What a person reads", limits.MAX_LABEL),
            "help": _described_paragraph("Help", "What it means", limits.MAX_HELP),
        },
    )
    return {"type": "array", "items": option, "minItems": 1, "maxItems": limits.MAX_OPTIONS}


def _number(kind: Kind) -> Json:
    if kind is Kind.DURATION:
        return _time(*KIND_LIMITS[kind])
    return _scaled(limits.MIN_DIGITS) if kind is Kind.DECIMAL else _whole(*KIND_LIMITS[kind])


def _scaled(digits: int) -> Json:
    scale = 10**digits
    return {
        "type": "number",
        "minimum": limits.LEAST_INTEGER / scale,
        "maximum": limits.GREATEST_INTEGER / scale,
    }


_IPV4 = rf"{DECIMAL_OCTET}([.]{DECIMAL_OCTET}){{3}}".replace("(?:", "(")
_IPV6 = r"[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*"


def _default(kind: Kind) -> Json:
    """Return what a default may be, as this file writes values of the kind."""
    if kind in (Kind.INTEGER, Kind.DECIMAL, Kind.DURATION, Kind.PORT, Kind.PIN):
        return _number(kind)
    if kind is Kind.YES_NO:
        return {"type": "boolean"}
    longest = KIND_LIMITS[kind][1]
    texts: dict[Kind, Json] = {
        Kind.TEXT: {"maxLength": MAX_TEXT, **_of_characters(Characters.PRINTABLE)},
        Kind.CHOICE: _key(longest),
        Kind.NETWORK_NAME: {"minLength": 1, "maxLength": longest},
        Kind.HOST: {"maxLength": longest, "pattern": f"^{_LABEL}([.]{_LABEL})*$"},
        Kind.URL: {
            "maxLength": longest,
            "pattern": f"^{limits.SCHEME_PATTERN}://{KIND_CHARACTERS[Kind.URL].pattern}$",
        },
        Kind.IP: {"pattern": f"^({_IPV4}|{_IPV6})$"},
        Kind.TIME_ZONE: {"pattern": "^[!-~]+$"},
        Kind.HEX: {"pattern": r"^\s*([0-9A-Fa-f]{2}\s*)*$"},
        Kind.BLOB: {"pattern": r"^\s*([0-9A-Fa-f]{2}\s*)*$"},
    }
    return {"type": "string", **texts.get(kind, {"maxLength": longest})}


_LABEL = "[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?"  # RFC 1123 section 2.1


def _rules(kind: Kind) -> Iterable[Json]:
    """Yield what one key of a kind of field says about another."""
    if kind is Kind.TEXT:
        for name, characters in CHARACTERS.items():
            default = {"properties": {"default": _of_characters(characters)}}
            yield _where("characters", name, default)
    elif kind is Kind.DECIMAL:
        for digits in range(limits.MIN_DIGITS, limits.MAX_DIGITS + 1):
            number = _scaled(digits)
            limited = {"properties": dict.fromkeys(("default", "minimum", "maximum"), number)}
            yield _where("digits", digits, limited)
    elif kind is Kind.IP:
        for family, pattern in ((4, _IPV4), (6, _IPV6)):
            default = {"properties": {"default": {"pattern": f"^{pattern}$"}}}
            yield _where("families", [family], default)
    elif kind in (Kind.HEX, Kind.BLOB):
        yield _where("secret", True, {"not": {"required": ["default"]}})
        if kind is Kind.BLOB:
            yield _where("kept", "flash", {"not": {"required": ["default"]}})


# ------------------------------------------------------------------------------------ the document


def json_schema(source: Table) -> Json:
    """Return the JSON Schema as a value."""
    return {
        "$schema": "http://json-schema.org/draft-07/schema#",
        "$comment": "Made by scripts/regenerate.py from what the reader of the file goes by.",
        "title": "Schema file",
        "description": "The settings that a firmware needs, and what its board is like.",
        **_top(),
        "definitions": {
            "firmware": _firmware(),
            "board": _board(),
            "pin": _pin(),
            "section": _section(),
            "field": _field(source),
            "asked-if": _asked_if(),
            "texts": _texts(),
            **{_definition(name): _of_kind(kind, source) for name, kind in KINDS.items()},
        },
    }


def document(source: Table) -> str:
    """Return the JSON Schema as the text of its file."""
    text = json.dumps(json_schema(source), indent=2)
    # A list of plain values reads best on one line, where it fits.
    return re.sub(r"\[\n[^][{}]*\]", _on_one_line, text) + "\n"


def _on_one_line(found: re.Match[str]) -> str:
    line = re.sub(r"\n *", " ", found[0]).replace("[ ", "[").replace(" ]", "]")
    return line if len(line) <= 80 else found[0]
