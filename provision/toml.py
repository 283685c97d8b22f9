# SPDX-License-Identifier: MIT
"""TOML as this program reads it: what people wrote, and never more than a sentence if it is none.

tomllib leaves some of what can be wrong with a text to whoever uses its result: numbers that no
program can print, and nesting that no program can walk.
"""

from __future__ import annotations

import tomllib
from decimal import Decimal, InvalidOperation
from typing import Any

from provision.phrases import mark, phrase

TOO_DEEP = mark("it is nested too deep")
TOO_LONG = mark("it has a number of thousands of digits")

_MOST_DIGITS = 1000
"""Far beyond any limit of a setting, and short of what Python refuses to print."""


class TooDeepError(ValueError):
    """A text is nested too deep to be read."""

    def __init__(self) -> None:
        super().__init__(phrase(TOO_DEEP))


def loads(text: str) -> dict[str, Any]:
    """Return what a text says. Raises ValueError, whose sentence may name a place as tomllib does.

    A number with a decimal point is a Decimal.

    No sentence repeats more of the text than a single character. Raises TooDeepError, which is a
    ValueError too, where the text is nested too deep.
    """
    try:
        document = tomllib.loads(text, parse_float=_number)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise TooDeepError from None
    except ValueError:  # Python reads no decimal number of thousands of digits
        raise ValueError(phrase(TOO_LONG)) from None
    left: list[Any] = [document]
    while left:
        value = left.pop()
        if isinstance(value, dict):
            left += value.values()
        elif isinstance(value, list):
            left += value
        elif isinstance(value, int) and abs(value) >= 10**_MOST_DIGITS:
            raise ValueError(phrase(TOO_LONG))  # in another base Python reads any number
    return document


def _number(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent that no memory holds
        return Decimal("NaN")


def written(number: float | Decimal) -> str:
    """Return a number as people write it: 0.00001, where str() says 1e-05."""
    if isinstance(number, int):
        return str(number)
    exact = Decimal(repr(number)) if isinstance(number, float) else number
    if exact.is_finite() and abs(exact.adjusted()) < _MOST_DIGITS:
        return f"{exact:f}"
    return str(exact)
