# SPDX-License-Identifier: MIT
"""What is said to people, in their language.

The texts in the source are English. Every other language is a gettext catalogue in
provision/catalogues; scripts/regenerate.py keeps them in step with the source. Commands for
authors and `--help` are in English only.
"""

from __future__ import annotations

import gettext
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

DOMAIN = "provision"
FOLDER = Path(__file__).parent / "catalogues"

_SOURCE_LANGUAGE = "en"
_LOCALE = re.compile(r"([A-Za-z]{2,3})(?:[_-]([A-Za-z0-9]{2,8}))?(?:\..*|@.*)?\Z")


class _Spoken:
    """The language that is spoken in this process."""

    def __init__(self) -> None:
        self.wanted: tuple[str, ...] = ()
        self.catalogue = gettext.NullTranslations()


_spoken = _Spoken()


def use(wanted: Sequence[str]) -> None:
    """Speak the first wanted language that there is a catalogue for, else English.

    wanted: language tags such as "de-AT", the best first.
    """
    _spoken.wanted = tuple(wanted)
    _spoken.catalogue = gettext.NullTranslations()
    for tag in wanted:
        if tag.lower().split("-")[0] == _SOURCE_LANGUAGE:
            return
        if gettext.find(DOMAIN, FOLDER, [tag.replace("-", "_")]) is not None:
            _spoken.catalogue = gettext.translation(DOMAIN, FOLDER, [tag.replace("-", "_")])
            return


def wanted() -> tuple[str, ...]:
    """Return the tags of the languages that the person reads, the best first."""
    return _spoken.wanted


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


def tr(text: str, /, **values: object) -> str:
    """Return a text in the person's language, its `{names}` replaced by values."""
    spoken = _spoken.catalogue.gettext(text)
    return spoken.format(**values) if values else spoken


def ntr(one: str, many: str, count: int, /, **values: object) -> str:
    """Return a text with a count in it, `{count}`, in the form that the count needs."""
    return _spoken.catalogue.ngettext(one, many, count).format(count=count, **values)


def mark(text: str) -> str:
    """Return a text as it is: it is in the catalogues, and said with tr() later."""
    return text
