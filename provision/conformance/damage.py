# SPDX-License-Identifier: MIT
"""Why a line of a board is not a message, in words that help its author to mend it.

A wrong CHECK is compared with what usual mistakes make of the same line: another CRC of 32 bits,
the four-bit groups in another order, other bytes than the characters of BODY. Their parameters are
those of the catalogue of parametrised CRC algorithms, by the names that it has.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from provision.contract.line import MAX_BODY, crc32c

LOG_WITHIN = "CHECK does not match, and other bytes stand within: log output of its own?"
"""What is said of a line that looks like a message with text in its midst."""

_LENGTH = 8  # characters of CHECK
_ALPHABET = frozenset(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
_ALL_ONES = 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class Crc:
    """A CRC of 32 bits by its parameters."""

    name: str
    polynomial: int
    initial: int
    is_reflected: bool
    final: int

    def of(self, data: bytes) -> int:
        """Return the CRC of some bytes."""
        register = self.initial
        for byte in data:
            register ^= (_mirrored(byte, 8) if self.is_reflected else byte) << 24
            for _ in range(8):
                register = (register << 1) ^ (self.polynomial if register >> 31 else 0)
                register &= _ALL_ONES
        return (_mirrored(register, 32) if self.is_reflected else register) ^ self.final


def _mirrored(number: int, bits: int) -> int:
    return int(f"{number:0{bits}b}"[::-1], 2)


CRCS = (
    Crc("CRC-32C", 0x1EDC6F41, _ALL_ONES, True, _ALL_ONES),
    Crc("CRC-32/ISO-HDLC", 0x04C11DB7, _ALL_ONES, True, _ALL_ONES),
    Crc("CRC-32C without the final XOR (not inverted)", 0x1EDC6F41, _ALL_ONES, True, 0),
    Crc("CRC-32C with an initial value of 0", 0x1EDC6F41, 0, True, _ALL_ONES),
    Crc("CRC-32C with an initial value of 0 and without the final XOR", 0x1EDC6F41, 0, True, 0),
    Crc("CRC-32C that is not reflected", 0x1EDC6F41, _ALL_ONES, False, _ALL_ONES),
    Crc("CRC-32/JAMCRC", 0x04C11DB7, _ALL_ONES, True, 0),
    Crc("CRC-32/BZIP2", 0x04C11DB7, _ALL_ONES, False, _ALL_ONES),
    Crc("CRC-32/MPEG-2", 0x04C11DB7, _ALL_ONES, False, 0),
    Crc("CRC-32/CKSUM", 0x04C11DB7, 0, False, _ALL_ONES),
    Crc("CRC-32/BASE91-D", 0xA833982B, _ALL_ONES, True, _ALL_ONES),
)
"""What a CHECK may be by mistake, the likely first; the first of all is what it must be."""

_ORDERS: tuple[tuple[str, Callable[[str], str]], ...] = (
    ("", lambda digits: digits),
    (
        "with its bytes in the other order (least significant first)",
        lambda digits: "".join(digits[at : at + 2] for at in (6, 4, 2, 0)),
    ),
    ("with its four-bit groups in the other order", lambda digits: digits[::-1]),
    (
        "with the two four-bit groups of each byte swapped",
        lambda digits: "".join(digits[at + 1] + digits[at] for at in (0, 2, 4, 6)),
    ),
)
"""How eight hexadecimal digits of a CRC may have come to stand in another order."""


def check_of(body: bytes) -> bytes:
    """Return the CHECK that belongs to a BODY (clause 2.1)."""
    return bytes(0x40 + int(digit, 16) for digit in f"{crc32c(body):08x}")


def why_no_message(line: bytes) -> tuple[str, str]:
    """Return why a line that begins with a tilde is not a message, and the figures that show it."""
    body, check = line[1:-_LENGTH], line[-_LENGTH:]
    if len(line) < 2 + _LENGTH:
        return "it has fewer than 10 characters", f"it has {len(line)}"
    if len(body) > MAX_BODY:
        return "its BODY is longer than 655 characters", f"it has {len(body)}"
    if check != check_of(body):
        if any(byte not in _ALPHABET for byte in body):
            return LOG_WITHIN, _shown(bytes(sorted(set(body) - _ALPHABET)))
        due = check_of(body).decode()
        figures = f"CHECK is {_shown(check)}, and {due} (0x{crc32c(body):08X}) is due"
        return f"CHECK does not match BODY{_likeness(body, check)}", figures
    strange = sorted(set(body) - _ALPHABET)
    if strange:
        return "its BODY has a character that base64url does not have", _shown(bytes(strange))
    if len(body) % 4 == 1:
        return "its BODY has a length of 1 modulo 4", f"it has {len(body)} characters"
    return "its BODY has unused bits that are not zero", f"its last character is {chr(body[-1])}"


def _shown(octets: bytes) -> str:
    return (
        octets.decode("ascii")
        if octets.isascii() and octets.decode().isprintable()
        else (octets.hex(" "))
    )


def _likeness(body: bytes, check: bytes) -> str:
    """Return which usual mistake makes this CHECK of this BODY; empty where none is known."""
    for spelling, digits in _spellings(check):
        for crc in CRCS:
            for what, octets in _covered(body):
                value = f"{crc.of(octets):08x}"
                for order, arranged in _ORDERS:
                    if arranged(value) == digits:
                        parts = filter(None, [f"{crc.name} of {what}", order, spelling])
                        return f": it is {', '.join(parts)}"
    return ""


def _spellings(check: bytes) -> Iterator[tuple[str, str]]:
    """Yield the hexadecimal digits that a CHECK stands for, in each spelling that it may have."""
    if all(0x40 <= byte <= 0x4F for byte in check):
        yield "", "".join(f"{byte - 0x40:x}" for byte in check)
    if all(0x41 <= byte <= 0x50 for byte in check):
        yield "spelled from A for 0, not from @", "".join(f"{byte - 0x41:x}" for byte in check)
    text = check.decode("ascii", "replace").lower()
    if all(c in "0123456789abcdef" for c in text):
        yield "spelled in hexadecimal digits, not as @ to O", text


def _covered(body: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield what a CRC may have been taken of, instead of the characters of BODY."""
    yield "the characters of BODY", body
    try:
        decoded = base64.urlsafe_b64decode(body + b"=" * (-len(body) % 4))
    except (binascii.Error, ValueError):
        pass
    else:
        yield "the decoded bytes, not of the characters of BODY", decoded
    yield "the tilde and BODY", b"~" + body
    yield "LF, the tilde and BODY", b"\n~" + body
    yield "BODY and a zero byte behind it", body + b"\x00"
    yield "BODY and a LF behind it", body + b"\n"
    yield "BODY and the padding that it must not have", body + b"=" * (-len(body) % 4)
