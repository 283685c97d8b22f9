# SPDX-License-Identifier: MIT
"""The catalogues of provision/catalogues: their texts in step with the source, and compiled.

A text that is new in the source comes into a catalogue without translation, for a person to write;
one that is gone goes. Reading, merging and compiling are Babel's.
"""

from __future__ import annotations

import ast
import datetime as dt
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "provision" / "catalogues"
LANGUAGES = tuple(sorted(path.name for path in FOLDER.iterdir() if path.is_dir()))

_IN_PYTHON = {"tr": 1, "ntr": 2, "mark": 1, "phrase": 1, "counted": 2}
"""By the name of a function of catalogue.py or phrases.py: how many of its arguments are texts."""

_TEXT = r'"(?:[^"\\\n]|\\.)*"'
LITERALS = rf"{_TEXT}(?:\s*\+\s*{_TEXT})*"
_IN_THE_PAGE = re.compile(
    rf"\b(?:(?:say|mark)\(\s*({LITERALS})|sayPlural\(\s*({LITERALS}),\s*({LITERALS}))"
)
"""The same of provision/page/words.js: literals in double quotes, which may be joined by +."""
# What no text depends on: dates, names, and addresses that Babel would make up.
_IDLE = re.compile(
    rb'^"(Report-Msgid-Bugs-To|Language-Team|Last-Translator|Generated-By|[A-Z-]+-Date): .*\n',
    re.MULTILINE | re.IGNORECASE,
)


_LONG_AGO = dt.datetime.fromtimestamp(0, dt.UTC)


def path_of(language: str, suffix: str) -> str:
    """Return where a catalogue lies, from the top of the project."""
    return f"provision/catalogues/{language}/LC_MESSAGES/provision.{suffix}"


def source() -> Catalog:
    """Return what the source says to people, in its own language."""
    found = Catalog(project="provision", charset="utf-8", fuzzy=False)
    for path in sorted((ROOT / "provision").rglob("*.py")):
        for message in _of_python(path):
            found.add(message)
    for path in sorted((ROOT / "provision" / "page").rglob("*.js")):
        if path.parent.name != "built":
            for match in _IN_THE_PAGE.finditer(path.read_text(encoding="utf-8")):
                texts = [joined(text) or "" for text in match.groups() if text is not None]
                found.add(tuple(texts) if len(texts) > 1 else texts[0])
    return found


def joined(literals: str) -> str | None:
    """Return the text that literals joined by + make; None for escapes that JSON does not have."""
    try:
        return "".join(json.loads(literal) for literal in re.findall(_TEXT, literals))
    except json.JSONDecodeError:
        return None


def _of_python(path: Path) -> Iterator[str | tuple[str, ...]]:
    """Yield the texts of a module. Babel leaves out what stands within an f-string."""
    for node in ast.walk(ast.parse(path.read_bytes())):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        count = _IN_PYTHON.get(node.func.id, 0)
        constants = [a.value for a in node.args[:count] if isinstance(a, ast.Constant)]
        texts = [value for value in constants if isinstance(value, str)]
        if count and len(texts) == count:
            yield tuple(texts) if count > 1 else texts[0]


def read(language: str) -> Catalog:
    """Return a catalogue as it is checked in."""
    with (ROOT / path_of(language, "po")).open("rb") as file:
        return read_po(file, locale=language)


def pairs(message: Message) -> Iterator[tuple[str, str]]:
    """Yield each form of a text, one or those of a count, with its translation."""
    forms = [
        each if isinstance(each, tuple | list) else (each,) for each in (message.id, message.string)
    ]
    for ours, theirs in zip(*forms, strict=True):
        yield str(ours), str(theirs or "")


def text(language: str) -> bytes:
    """Return a catalogue's text, in step with the source and in alphabetical order."""
    catalogue = read(language)
    catalogue.update(source(), no_fuzzy_matching=True)
    catalogue.obsolete.clear()
    out = io.BytesIO()
    write_po(out, catalogue, width=98, sort_output=True, omit_header=False)
    return _IDLE.sub(b"", out.getvalue())


def compiled(language: str) -> bytes:
    """Return the same as gettext reads it."""
    catalogue = read_po(io.BytesIO(text(language)), locale=language)
    catalogue.creation_date = catalogue.revision_date = _LONG_AGO  # else it would be now
    out = io.BytesIO()
    write_mo(out, catalogue)
    return out.getvalue()
