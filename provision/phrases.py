# SPDX-License-Identifier: MIT
"""What is said to people, as data: English words and the values that belong in them.

The rooms below the wizard make phrases and know no language. `catalogue.py` says a phrase in the
language of whoever reads it; str() says it in English.
"""

from __future__ import annotations

import gettext
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Phrase:
    """English words, with the names of values in braces; values may be phrases themselves."""

    words: str
    values: Mapping[str, object] = field(default_factory=dict)
    plural: str = ""
    """The words for any count but one."""
    count: int | None = None
    """The value {count}, which decides between `words` and `plural`."""

    def in_language(self, language: gettext.NullTranslations) -> str:
        """Return the phrase in the language of a gettext catalogue."""
        if self.count is None:
            spoken = language.gettext(self.words)
            if not self.values:
                return spoken
        else:
            spoken = language.ngettext(self.words, self.plural, self.count)
        values = {name: in_language(value, language) for name, value in self.values.items()}
        return spoken.format(**values, **({} if self.count is None else {"count": self.count}))

    def __str__(self) -> str:
        return self.in_language(_ENGLISH)


_ENGLISH = gettext.NullTranslations()


def in_language(what: object, language: gettext.NullTranslations) -> object:
    """Return a phrase, or an exception that carries one, in a language; all else as it is."""
    if isinstance(what, BaseException) and what.args:
        what = what.args[0] if isinstance(what.args[0], Phrase) else what
    return what.in_language(language) if isinstance(what, Phrase) else what


def phrase(words: str, /, **values: object) -> Phrase:
    """Return a phrase; its words go into the catalogues."""
    return Phrase(words, values)


def counted(one: str, many: str, count: int, /, **values: object) -> Phrase:
    """Return a phrase with a count in it, `{count}`; its words go into the catalogues."""
    return Phrase(one, values, many, count)


def joined(separator: object, parts: Iterable[object]) -> Phrase:
    """Return phrases and texts one after the other, with a separator between them."""
    values = {f"part_{number}": part for number, part in enumerate(parts)}
    words = "{separator}".join(f"{{{name}}}" for name in values)
    return Phrase(words, {"separator": separator, **values})


def mark(words: str) -> str:
    """Return words as they are: they go into the catalogues, and become a phrase later."""
    return words
