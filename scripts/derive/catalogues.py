# SPDX-License-Identifier: MIT
"""The catalogues of provision/catalogues: their texts in step with the source, and compiled.

A text that is new in the source comes into a catalogue without translation, for a person to write;
one that is gone goes. Reading, merging and compiling are Babel's.
"""

from __future__ import annotations

import ast
import io
import re
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "provision" / "catalogues"
LANGUAGES = tuple(sorted(path.name for path in FOLDER.iterdir() if path.is_dir()))

_IN_PYTHON = {"tr": 1, "ntr": 2, "mark": 1}
"""By the name of a function of provision.catalogue: how many of its arguments are texts."""

_IN_THE_PAGE = {"say": None, "sayPlural": (1, 2)}
_PAGE = [("**.js", "javascript")]
# What no text depends on: dates, names, and addresses that Babel would make up.
_IDLE = re.compile(
    rb'^"(Report-Msgid-Bugs-To|Language-Team|Last-Translator|Generated-By|[A-Z-]+-Date): .*\n',
    re.MULTILINE | re.IGNORECASE,
)


def path_of(language: str, suffix: str) -> str:
    """Return where a catalogue lies, from the top of the project."""
    return f"provision/catalogues/{language}/LC_MESSAGES/provision.{suffix}"


def source() -> Catalog:
    """Return what the source says to people, in its own language."""
    found = Catalog(project="provision", charset="utf-8", fuzzy=False)
    for path in sorted((ROOT / "provision").rglob("*.py")):
        for message in _of_python(path):
            found.add(message)
    folder = ROOT / "provision" / "page"
    for _, _, message, _, _ in extract_from_dir(folder, _PAGE, keywords=_IN_THE_PAGE):
        found.add(message)
    return found


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
    out = io.BytesIO()
    write_mo(out, read_po(io.BytesIO(text(language)), locale=language))
    return out.getvalue()
