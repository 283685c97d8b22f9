# SPDX-License-Identifier: MIT
"""CBOR (RFC 8949) within the contract's strict profile; the only module that knows cbor2.

Admitted are integers from -2**31 to 2**32 - 1, byte strings, text strings of valid UTF-8, arrays,
maps with unsigned-integer keys, booleans and null, in core deterministic encoding (clause 4.2.1):
shortest heads, ascending keys, definite lengths. Tags, floating-point numbers, undefined and other
simple values are refused, and so are duplicate keys and bytes after the item.

Depth counts containers within each other: a scalar has depth 0, ``[]`` and ``[1]`` have 1, and
``[[]]`` and ``{0: []}`` have 2.
"""

from __future__ import annotations

from typing import cast

import cbor2

Item = int | bytes | str | bool | None | list["Item"] | dict[int, "Item"]

MESSAGE_DEPTH = 6
"""Deepest nesting that a message may have."""

SCHEMA_DEPTH = 10
"""Deepest nesting that a schema may have."""

# Major types (RFC 8949 clause 3.1), and false, true and null, the admitted ones of the last type.
_UNSIGNED, _NEGATIVE, _BYTES, _TEXT, _ARRAY, _MAP, _TAG = range(7)
_SIMPLE_VALUES = (0xF4, 0xF5, 0xF6)

_LEAST_INTEGER = -(2**31)
_GREATEST_INTEGER = 2**32 - 1


class ProfileError(ValueError):
    """An item lies outside the profile. The text never quotes the item, which may be a secret."""


def encode(item: Item, max_depth: int = MESSAGE_DEPTH) -> bytes:
    """Return the one encoding that the profile has for an item.

    Raises ProfileError if the profile has none for it, or if it is nested deeper than max_depth.
    """
    _check_item(item, max_depth)  # first of all, since deep nesting overflows the encoder's stack
    try:
        return cbor2.dumps(item, canonical=True)
    except UnicodeEncodeError:
        pass  # raised below, since this exception keeps the text, which may be a secret
    raise ProfileError("a text string has no UTF-8 form")


def decode(data: bytes, max_depth: int = MESSAGE_DEPTH) -> Item:
    """Return the item that the bytes encode, all of them.

    Raises ProfileError if they are not the profile's encoding of one item, or if that item is
    nested deeper than max_depth. Nothing is allocated for a length that the input does not hold.
    """
    # The scan comes first: the decoder by itself ignores bytes after the item, accepts longer
    # heads than needed, and compiles regular expressions out of tag 35.
    _scan(data, max_depth)
    try:
        return cast(Item, cbor2.loads(data))
    except cbor2.CBORDecodeError:
        pass  # raised below, since this exception keeps the text, which may be a secret
    raise ProfileError("a text string is not valid UTF-8")  # all that the scan leaves open


def _check_item(item: object, max_depth: int) -> None:
    """Raise ProfileError unless the profile has an encoding for the item (surrogates aside)."""
    depth = 0
    level = [item]  # one depth of nesting at a time, so that no item is too deep to check
    while level:
        below: list[object] = []
        container = False
        for each in level:
            if each is None or isinstance(each, (str, bytes)):
                continue
            if isinstance(each, int):
                if not _LEAST_INTEGER <= each <= _GREATEST_INTEGER:
                    raise ProfileError("an integer is outside -2^31 to 2^32-1")
            elif isinstance(each, list):
                container = True
                below += each
            elif isinstance(each, dict):
                container = True
                for key in each:
                    if not isinstance(key, int) or isinstance(key, bool):
                        raise ProfileError("a map key is not an unsigned integer")
                    if not 0 <= key <= _GREATEST_INTEGER:
                        raise ProfileError("a map key is outside 0 to 2^32-1")
                below += each.values()
            else:
                raise ProfileError(f"the profile has no form for a {type(each).__name__}")
        depth += container
        if depth > max_depth:
            raise ProfileError(f"the item is nested deeper than {max_depth}")
        level = below


def _scan(data: bytes, max_depth: int) -> None:
    """Raise ProfileError unless data is one item of the profile (UTF-8 aside). No recursion."""
    at = 0
    left = 1  # items, or in a map entries, still to come in the innermost container
    last_key: int | None = None  # None outside a map, -1 at the start of one
    enclosing: list[tuple[int, int | None]] = []  # (left, last_key) of the containers around it
    while left:
        left -= 1
        if last_key is not None:
            last_key, at = _read_key(data, at, last_key)
        major, argument, at = _read_head(data, at)
        if major in (_ARRAY, _MAP):
            if len(enclosing) >= max_depth:
                raise ProfileError(f"the item is nested deeper than {max_depth}")
            enclosing.append((left, last_key))
            left = argument
            last_key = -1 if major == _MAP else None
        elif major in (_BYTES, _TEXT):
            at += argument
            if at > len(data):
                raise ProfileError("a string is longer than the input")
        elif major == _NEGATIVE and argument > -1 - _LEAST_INTEGER:
            raise ProfileError(f"the integer before byte {at} is below -2^31")
        while not left and enclosing:
            left, last_key = enclosing.pop()
    if at < len(data):
        raise ProfileError(f"{len(data) - at} bytes follow the item")


def _read_key(data: bytes, at: int, last_key: int) -> tuple[int, int]:
    """Return the map key at a position, and where it ends."""
    major, key, end = _read_head(data, at)
    if major != _UNSIGNED:
        raise ProfileError(f"the map key at byte {at} is not an unsigned integer")
    if key <= last_key:
        raise ProfileError(f"the map key at byte {at} repeats or is out of order")
    return key, end


def _read_head(data: bytes, at: int) -> tuple[int, int, int]:
    """Return major type and argument of the head at a position, and where the head ends.

    The head itself is within the profile. Of false, true and null the argument is their number.
    """
    if at >= len(data):
        raise ProfileError("the input ends within an item")
    head = data[at]
    major = head >> 5
    argument = head & 0x1F
    if major >= _TAG and head not in _SIMPLE_VALUES:
        raise ProfileError(
            f"the item at byte {at} is a tag, a floating-point number, or a simple value other"
            " than false, true and null"
        )
    if argument < 24:
        return major, argument, at + 1
    # Of the longer forms (RFC 8949 clause 3), that of eight bytes serves no integer of the
    # profile and no length that fits its input.
    if argument > 27:
        raise ProfileError(f"the head at byte {at} is reserved or of indefinite length")
    if argument == 27:
        raise ProfileError(f"the head at byte {at} has an argument of eight bytes")
    width = 1 << (argument - 24)
    end = at + 1 + width
    if end > len(data):
        raise ProfileError("the input ends within an item")
    shorter = 24 if width == 1 else 1 << (4 * width)  # how many values a shorter head can hold
    argument = int.from_bytes(data[at + 1 : end])
    if argument < shorter:
        raise ProfileError(f"the head at byte {at} is not the shortest")
    return major, argument, end
