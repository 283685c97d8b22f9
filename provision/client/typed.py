# SPDX-License-Identifier: MIT
"""What a program or a person gives for a setting, as the value that a board stores for it."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from ipaddress import IPv4Address, IPv6Address

from provision import toml
from provision.contract.table import Kind, Refusal
from provision.phrases import Phrase, phrase
from provision.schema.model import Field, Schema, Value
from provision.schema.values import ValueProblem, check_value, parse, refusal_words

GivenValue = bool | int | float | Decimal | str | bytes | timedelta | IPv4Address | IPv6Address
"""A value in its Python type, or as a person types it."""


def value_of(field: Field, given: object, schema: Schema) -> Value:
    """Return the value that is meant. Raises ValueProblem if none is, or one that boards refuse.

    A number is in the unit of the field; bytes are the octets of a network's name or a blob.
    """
    if isinstance(given, bytes | bytearray):
        return checked(field, bytes(given), schema)
    if isinstance(given, bool):
        if field.kind is not Kind.YES_NO:
            raise _problem(phrase("must be a text or a number, not true or false"))
        return given
    if isinstance(given, timedelta):
        given = f"{given // timedelta(milliseconds=1)} ms"
    elif isinstance(given, int | float | Decimal):
        given = toml.written(given)
    elif isinstance(given, IPv4Address | IPv6Address):
        given = str(given)
    if not isinstance(given, str):
        raise _problem(phrase("must be a text, a number, true or false"))
    return parse(field, given, schema)


def checked(field: Field, value: Value, schema: Schema) -> Value:
    """Return a value that is a board's already. Raises ValueProblem if boards refuse it."""
    code = check_value(field, value, schema)
    if code is not None:
        raise ValueProblem(refusal_words(field, code), code)
    return value


def _problem(words: Phrase) -> ValueProblem:
    return ValueProblem(words, Refusal.WRONG_KIND)
