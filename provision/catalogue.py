# SPDX-License-Identifier: MIT
"""What is said to people, in their language.

The texts in the source are English. Each further language is a catalogue of GNU gettext, in
provision/catalogues; scripts/catalogues.py keeps them in step with the source. Commands for authors
and `--help` are in English only.
"""

from __future__ import annotations

import gettext
import re
import sys
from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from pathlib import Path

from provision.phrases import Phrase, in_language, mark

__all__ = ["Catalogue", "mark", "ntr", "of_environment", "spoken", "tr", "use", "wanted"]

DOMAIN = "provision"
FOLDER = Path(__file__).parent / "catalogues"

_SOURCE_LANGUAGE = "en"
_LOCALE = re.compile(r"([A-Za-z]{2,3})(?:[_-]([A-Za-z0-9]{2,8}))?(?:\..*|@.*)?\Z")


class Catalogue:
    """One language, in which people are told what is to be told."""

    def __init__(self, wanted: Sequence[str] = ()) -> None:
        """Speak the first wanted language that there is a catalogue for, else English.

        wanted: language tags such as "de-AT", the best first.
        """
        self.wanted = tuple(wanted)
        self._words = gettext.NullTranslations()
        for tag in wanted:
            if tag.lower().split("-")[0] == _SOURCE_LANGUAGE:
                return
            if gettext.find(DOMAIN, FOLDER, [tag.replace("-", "_")]) is not None:
                self._words = gettext.translation(DOMAIN, FOLDER, [tag.replace("-", "_")])
                return

    def spoken(self, what: object) -> str:
        """Return a phrase, or an exception that carries one, in this language; else its str()."""
        return str(in_language(what, self._words))


_catalogue: ContextVar[Catalogue] = ContextVar("catalogue", default=Catalogue())  # noqa: B039


def use(wanted: Sequence[str]) -> None:
    """Speak a language from here on, in this task or thread; see Catalogue."""
    _catalogue.set(Catalogue(wanted))


def wanted() -> tuple[str, ...]:
    """Return the tags of the languages that the person reads, the best first."""
    return _catalogue.get().wanted


def of_environment(environment: Mapping[str, str]) -> list[str]:
    """Return the tags of the languages that an environment asks for, the best first.

    By POSIX (Base Definitions, clause 8.2) LC_ALL comes before LC_MESSAGES and LANG; with GNU
    gettext (its manual, "The LANGUAGE variable") LANGUAGE has a list that comes before all of them,
    unless they ask for the locale C.
    """
    names = ("LC_ALL", "LC_MESSAGES", "LANG")
    locale = next((environment[name] for name in names if environment.get(name)), "")
    if not locale:
        locale = _of_windows()
    if locale.partition(".")[0] in ("C", "POSIX"):
        return []
    listed = [*environment.get("LANGUAGE", "").split(":"), locale]
    matches = (_LOCALE.match(each) for each in listed)
    return [
        "-".join(part for part in (match[1].lower(), match[2]) if part)
        for match in matches
        if match is not None
    ]


def _of_windows() -> str:
    """Return the language that Windows shows its own menus in, which it tells in no variable."""
    if sys.platform == "win32":
        import ctypes  # noqa: PLC0415 - takes time, and only Windows needs it
        import locale  # noqa: PLC0415

        number = ctypes.windll.kernel32.GetUserDefaultUILanguage()
        return locale.windows_locale.get(number, "")
    return ""


def spoken(what: object) -> str:
    """Return a phrase, or an exception that carries one, in the person's language."""
    return _catalogue.get().spoken(what)


def tr(text: str, /, **values: object) -> str:
    """Return a text in the person's language, its `{names}` replaced by values."""
    return spoken(Phrase(text, values))


def ntr(one: str, many: str, count: int, /, **values: object) -> str:
    """Return a text with a count in it, `{count}`, in the form that the count needs."""
    return spoken(Phrase(one, values, many, count))
