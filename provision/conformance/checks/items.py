# SPDX-License-Identifier: MIT
"""Checks of the profile of CBOR: clause 3."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.crafted import carried
from provision.conformance.steps import Steps
from provision.contract.profile import encode


def _item(board: BoardUnderTest, tail: bytes, head: bytes = b"\x84\x01\x0b") -> bytes:
    """Return the item of a status request whose body is `tail`."""
    return head + encode(0x0100 | board.next_id()) + tail


def _skipped(board: BoardUnderTest, value: bytes) -> bytes:
    """Return the item of a status request with a key to be skipped, and this as its value."""
    return _item(board, b"\xa1\x18\x40" + value)


def profile_heads(board: BoardUnderTest) -> Steps[None]:
    """Heads that are not the shortest, or of indefinite length, make a message none."""
    id_ = b"\x19" + (0x0100 | board.next_id()).to_bytes(2)
    for what, item in (
        ("an envelope with a head of two bytes", b"\x98\x04\x01\x0b" + id_ + b"\xa0"),
        ("an envelope of indefinite length", b"\x9f\x01\x0b" + id_ + b"\xa0\xff"),
        ("a version with a head of two bytes", b"\x84\x18\x01\x0b" + id_ + b"\xa0"),
        ("a type with a head of three bytes", b"\x84\x01\x19\x00\x0b" + id_ + b"\xa0"),
        ("an id below 256 in two bytes", b"\x84\x01\x0b\x19\x00\x07\xa0"),
        ("an id below 24 in one byte", b"\x84\x01\x0b\x18\x07\xa0"),
        ("an id in four bytes", b"\x84\x01\x0b\x1a\x00\x00" + id_[1:] + b"\xa0"),
        ("an id in eight bytes", b"\x84\x01\x0b\x1b" + bytes(6) + id_[1:] + b"\xa0"),
        ("a body with a head of two bytes", _item(board, b"\xb8\x00")),
        ("a body of indefinite length", _item(board, b"\xbf\xff")),
        ("a key with a head that is not the shortest", _item(board, b"\xa1\x19\x00\x40\x00")),
        ("a text with a head that is not the shortest", _skipped(board, b"\x78\x01a")),
        ("a text of indefinite length", _skipped(board, b"\x7f\x61a\xff")),
        ("bytes of indefinite length", _skipped(board, b"\x5f\x41a\xff")),
        ("a negative integer that is not the shortest", _skipped(board, b"\x38\x00")),
        ("an array of indefinite length", _skipped(board, b"\x9f\xff")),
        ("a map with a head that is not the shortest", _skipped(board, b"\xb9\x00\x00")),
    ):
        yield from board.ignored(what, carried(item))


def profile_maps(board: BoardUnderTest) -> Steps[None]:
    """Keys of maps are unsigned integers, ascend, and do not repeat."""
    for what, tail in (
        ("keys that descend", b"\xa2\x18\x41\x00\x18\x40\x00"),
        ("a key twice", b"\xa2\x18\x40\x00\x18\x40\x00"),
        ("a negative key", b"\xa1\x20\x00"),
        ("a key of text", b"\xa1\x61a\x00"),
        ("a key of bytes", b"\xa1\x41a\x00"),
        ("a key that is true", b"\xa1\xf5\x00"),
        ("keys that descend, further down", b"\xa1\x18\x40\xa2\x02\x00\x01\x00"),
        ("a key twice, further down", b"\xa1\x18\x40\xa2\x01\x00\x01\x00"),
        ("a key of text, further down", b"\xa1\x18\x40\xa1\x61a\x00"),
        ("a map that ends behind a key", b"\xa1\x18\x40"),
    ):
        yield from board.ignored(what, carried(_item(board, tail)))


def profile_values(board: BoardUnderTest) -> Steps[None]:
    """Tags, floating-point numbers, other simple values and integers out of range have no place."""
    for what, value in (
        ("a tag", b"\xc0\x60"),
        ("a tag of two bytes", b"\xd8\x23\x60"),
        ("a half-precision number", b"\xf9\x3c\x00"),
        ("a single-precision number", b"\xfa\x3f\x80\x00\x00"),
        ("a double-precision number", b"\xfb\x3f\xf0" + bytes(6)),
        ("undefined", b"\xf7"),
        ("a simple value", b"\xe0"),
        ("a simple value of two bytes", b"\xf8\xff"),
        ("a stray break", b"\xff"),
        ("a reserved head", b"\x1c"),
        ("an integer of 2^32", b"\x1b" + (2**32).to_bytes(8)),
        ("an integer of -2^31 - 1", b"\x3a\x80\x00\x00\x00"),
        ("an integer of -2^32", b"\x3a\xff\xff\xff\xff"),
        ("a text that is no UTF-8", b"\x61\xff"),
        ("a text with an overlong form", b"\x62\xc0\x80"),
        ("a text with a surrogate", b"\x63\xed\xa0\x80"),
        ("a text beyond U+10FFFF", b"\x64\xf4\x90\x80\x80"),
        ("a text that ends within a character", b"\x61\xc3"),
        ("an array with a float in it", b"\x81\xf9\x3c\x00"),
    ):
        yield from board.ignored(what, carried(_skipped(board, value)))


def profile_ends(board: BoardUnderTest) -> Steps[None]:
    """An item that ends too early, or has bytes behind it, is not a message."""
    for what, tail in (
        ("a byte behind the item", b"\xa0\x00"),
        ("another item behind it", b"\xa0\xa0"),
        ("three bytes behind it", b"\xa0\x00\x00\x00"),
        ("no body", b""),
        ("a text longer than the rest", b"\xa1\x18\x40\x62a"),
        ("an array longer than the rest", b"\xa1\x18\x40\x82\x00"),
        ("bytes of four gibibytes", b"\xa1\x18\x40\x5a\xff\xff\xff\xff"),
        ("an array of four gibi-items", b"\xa1\x18\x40\x9a\xff\xff\xff\xff"),
        ("a head that is cut", b"\xa1\x18"),
    ):
        yield from board.ignored(what, carried(_item(board, tail)))


def profile_depth(board: BoardUnderTest) -> Steps[None]:
    """A depth of 6 is taken, a depth of 7 is not."""
    for what, inner in (("arrays", b"\x81"), ("maps", b"\xa1\x00")):
        for depth in (3, 4):
            id_ = board.next_id()
            value = inner * (depth - 1) + (b"\x80" if inner == b"\x81" else b"\xa0")
            item = b"\x84\x01\x0b" + encode(id_) + b"\xa1\x18\x40" + value
            yield from board.taken(f"{what} of depth {depth + 2}", carried(item), id_)
        for depth in (5, 6, 60):
            value = inner * (depth - 1) + (b"\x80" if inner == b"\x81" else b"\xa0")
            yield from board.ignored(
                f"{what} of depth {depth + 2}", carried(_skipped(board, value))
            )


ITEM_CHECKS = (
    Check(("3.1.2",), "Heads are the shortest, lengths definite", profile_heads),
    Check(("3.1.2",), "Keys of maps ascend, and are unsigned integers", profile_maps),
    Check(("3.1.3",), "No tags, floats, other values, bad UTF-8", profile_values),
    Check(("3.1.4",), "Nothing missing, nothing behind the item", profile_ends),
    Check(("3.1.4",), "Depth 6 is taken, depth 7 is not", profile_depth),
)
"""Clause 3."""
