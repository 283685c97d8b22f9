# SPDX-License-Identifier: MIT
"""What a board has to say to a single value, by clauses 9.1 to 9.4 alone.

Written from the page, sentence by sentence, and sharing nothing with the host's own checks: an
error of the host must not become a fault of the boards that are held against the page.
"""

from __future__ import annotations

import string
from collections.abc import Mapping

from provision.contract.profile import Item
from provision.contract.table import MAX_BLOB, MAX_TEXT, Characters, Kind, Refusal
from provision.schema.model import Field, Schema

TYPES: Mapping[Kind, type] = {
    Kind.TEXT: str,
    Kind.SECRET: str,
    Kind.INTEGER: int,
    Kind.DECIMAL: int,
    Kind.YES_NO: bool,
    Kind.CHOICE: str,
    Kind.PIN: int,
    Kind.NETWORK_NAME: bytes,
    Kind.PASSPHRASE: str,
    Kind.HOST: str,
    Kind.URL: str,
    Kind.IP: bytes,
    Kind.PORT: int,
    Kind.TIME_ZONE: str,
    Kind.DURATION: int,
    Kind.HEX: bytes,
    Kind.BLOB: bytes,
}
"""The type of each kind (the table of clause 9.1)."""

KEY_LENGTH = 64
"""Hexadecimal digits of a network's key (clause 9.2)."""

_STATED: Mapping[Kind, tuple[int, int]] = {
    Kind.TEXT: (1, MAX_TEXT),
    Kind.SECRET: (1, MAX_TEXT),
    Kind.INTEGER: (-(2**31), 2**31 - 1),
    Kind.DECIMAL: (-(2**31), 2**31 - 1),
    Kind.DURATION: (0, 2**31 - 1),
    Kind.HOST: (1, 253),
    Kind.URL: (1, 255),
    Kind.HEX: (1, MAX_TEXT),
    Kind.BLOB: (1, MAX_BLOB),
}
"""Limits where a field states none, of the kinds that may state some (clauses 8.1 and 9.3)."""

_FIXED: Mapping[Kind, tuple[int, int]] = {
    Kind.YES_NO: (0, 1),
    Kind.CHOICE: (1, 16),
    Kind.PIN: (0, 255),
    Kind.NETWORK_NAME: (1, 32),
    Kind.PORT: (1, 65535),
    Kind.TIME_ZONE: (1, 63),
}
"""Limits of the kinds that state none (clauses 8.1, 8.2, 9.1, 9.2, 9.4)."""

_LETTERS = frozenset(string.ascii_letters)
_DIGITS = frozenset(string.digits)
_HEX = frozenset(string.hexdigits)
_WORD = _LETTERS | _DIGITS | frozenset("._-")
_HOST = _LETTERS | _DIGITS | frozenset("-.")
_GEN_DELIMS, _SUB_DELIMS = frozenset(":/?#@"), frozenset("!$&'()*+,;=")  # without [ and ]
_URL = _LETTERS | _DIGITS | frozenset("-._~") | _GEN_DELIMS | _SUB_DELIMS | frozenset("%")


def takes_parts(kind: Kind) -> bool:
    """Whether a value of this kind can come in parts (clause 6.4)."""
    return TYPES[kind] in (str, bytes) and kind is not Kind.CHOICE


def is_key_only(field: Field) -> bool:
    """Whether a field takes nothing but the key of a network (clause 9.2, last sentence)."""
    return field.kind is Kind.PASSPHRASE and field.minimum == KEY_LENGTH


def limits(field: Field) -> tuple[int, int]:
    """Return the smallest and largest number, or the shortest and longest length in bytes."""
    if field.kind is Kind.PASSPHRASE:
        return (KEY_LENGTH if is_key_only(field) else 8), KEY_LENGTH
    if field.kind is Kind.IP:
        return (4 if field.families & 1 else 16), (16 if field.families & 2 else 4)
    if field.kind in _FIXED:
        return _FIXED[field.kind]
    least, most = _STATED[field.kind]
    return (
        least if field.minimum is None else field.minimum,
        most if field.maximum is None else field.maximum,
    )


def value_refusal(field: Field, value: Item, schema: Schema) -> Refusal | None:
    """Return the refusal that is due to a value for a field by itself, None where it is taken."""
    if type(value) is not TYPES[field.kind]:  # which keeps true and false apart from numbers
        return Refusal.WRONG_KIND
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return _of_number(field, value, schema)
    if isinstance(value, bytes):
        return _of_octets(field, len(value))
    assert isinstance(value, str)
    if field.kind is Kind.CHOICE:
        known = [option.key for option in field.options]
        return None if value in known else Refusal.NO_SUCH_OPTION
    if field.kind is Kind.PASSPHRASE:
        return _of_passphrase(field, value)
    return _of_text(field, value)


def _of_number(field: Field, number: int, schema: Schema) -> Refusal | None:
    if field.kind is Kind.PIN:
        for pin in schema.pins:
            if pin.number == number:
                if pin.taken is not None:
                    return Refusal.PIN_TAKEN
                return Refusal.PIN_UNFIT if int(field.needs) & ~int(pin.abilities) else None
        return Refusal.PIN_UNFIT
    least, most = limits(field)
    return Refusal.RANGE if number < least or number > most else None


def _of_octets(field: Field, length: int) -> Refusal | None:
    least, most = limits(field)
    if field.kind is Kind.IP and length not in (4, 16):
        return Refusal.LENGTH
    return Refusal.LENGTH if length < least or length > most else None


def _of_passphrase(field: Field, text: str) -> Refusal | None:
    length = len(text.encode())
    if length < (KEY_LENGTH if is_key_only(field) else 8) or length > KEY_LENGTH:
        return Refusal.LENGTH
    if length == KEY_LENGTH:
        return None if all(c in _HEX for c in text) else Refusal.FORM
    return None if all(" " <= c <= "~" for c in text) else Refusal.CHARACTERS


def _of_text(field: Field, text: str) -> Refusal | None:
    least, most = limits(field)
    if not least <= len(text.encode()) <= most:
        return Refusal.LENGTH
    if not all(_is_admitted(field, c) for c in text):
        return Refusal.CHARACTERS
    well_formed = (
        (field.kind is not Kind.HOST or _is_host(text))
        and (field.kind is not Kind.URL or _is_url(text, field.schemes))
        and (field.kind is not Kind.TIME_ZONE or _TimeZone(text).is_one())
    )
    return None if well_formed else Refusal.FORM


def _is_admitted(field: Field, c: str) -> bool:
    if field.kind is Kind.HOST:
        return c in _HOST
    if field.kind is Kind.URL:
        return c in _URL
    if field.kind is Kind.TIME_ZONE:
        return "\x21" <= c <= "\x7e"
    if field.characters is Characters.WORD:
        return c in _WORD
    if field.characters is Characters.DIGITS:
        return c in _DIGITS
    if field.characters is Characters.ASCII:
        return "\x20" <= c <= "\x7e"
    return not (c <= "\x1f" or "\x7f" <= c <= "\x9f")


# ------------------------------------------------------------------ host names and URLs, clause 9.3


def _is_host(text: str) -> bool:
    labels = text.split(".")
    for label in labels:
        if not 1 <= len(label) <= 63 or not all(c in _HOST for c in label):
            return False
        if label[0] == "-" or label[-1] == "-":
            return False
    if not all(c in _DIGITS for c in labels[-1]):
        return True
    return len(labels) == 4 and all(_is_decimal_octet(label) for label in labels)


def _is_decimal_octet(label: str) -> bool:
    if not 1 <= len(label) <= 3 or not all(c in _DIGITS for c in label):
        return False
    return int(label) <= 255 and (label == "0" or label[0] != "0")


def _is_url(text: str, schemes: tuple[str, ...]) -> bool:
    scheme = next((s for s in schemes if text.startswith(f"{s}://")), None)
    if scheme is None or text.count("#") > 1:
        return False
    for at, c in enumerate(text):
        if c == "%":
            digits = text[at + 1 : at + 3]
            if len(digits) != 2 or not all(digit in _HEX for digit in digits):
                return False
    rest = text[len(scheme) + 3 :]
    end = min([rest.find(mark) for mark in "/?#" if mark in rest], default=len(rest))
    authority = rest[:end]
    if "@" in authority:
        return False
    if ":" not in authority:
        return _is_host(authority)
    host, port = authority.split(":", 1)
    if not 1 <= len(port) <= 5 or not all(c in _DIGITS for c in port):
        return False
    return 1 <= int(port) <= 65535 and _is_host(host)


# ------------------------------------------------------------------------------ zones, clause 9.4


class _TimeZone:
    """Reads a TZ string by the grammar of clause 9.4, rule by rule."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0

    def is_one(self) -> bool:
        """Whether the whole text is `tz`."""
        if not (self._name() and self._offset()):
            return False
        if self._is_at_end():
            return True
        if not self._name():
            return False
        if self._next() not in (",", "") and not self._offset():
            return False
        return self._rule() and self._rule() and self._is_at_end()

    def _is_at_end(self) -> bool:
        return self._at == len(self._text)

    def _next(self) -> str:
        return self._text[self._at : self._at + 1]

    def _takes(self, what: str) -> bool:
        taken = bool(what) and self._text.startswith(what, self._at)
        self._at += len(what) if taken else 0
        return taken

    def _run(self, admitted: frozenset[str], most: int) -> str:
        start = self._at
        while self._at - start < most and self._next() and self._next() in admitted:
            self._at += 1
        return self._text[start : self._at]

    def _number(self, digits: int, least: int, most: int) -> bool:
        found = self._run(_DIGITS, digits)
        return bool(found) and least <= int(found) <= most

    def _sign(self) -> None:
        if self._next() in ("+", "-"):
            self._at += 1

    def _name(self) -> bool:
        if self._takes("<"):
            inner = self._run(_LETTERS | _DIGITS | frozenset("+-"), 63)
            return len(inner) >= 3 and self._takes(">")
        return len(self._run(_LETTERS, 63)) >= 3

    def _sixties(self) -> bool:
        for _ in range(2):
            if not self._takes(":"):
                return True
            if len(found := self._run(_DIGITS, 2)) != 2 or int(found) > 59:
                return False
        return True

    def _offset(self) -> bool:
        self._sign()
        return self._number(2, 0, 24) and self._sixties()

    def _rule(self) -> bool:
        if not (self._takes(",") and self._date()):
            return False
        if not self._takes("/"):
            return True
        self._sign()
        return self._number(3, 0, 167) and self._sixties()

    def _date(self) -> bool:
        if self._takes("M"):
            return (
                self._number(2, 1, 12)
                and self._takes(".")
                and self._number(1, 1, 5)
                and self._takes(".")
                and self._number(1, 0, 6)
            )
        if self._takes("J"):
            return self._number(3, 1, 365)
        return self._number(3, 0, 365)
