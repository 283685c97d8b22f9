# SPDX-License-Identifier: MIT
"""A wrong CHECK is told by its cause, against CRCs written independently."""

from __future__ import annotations

import base64
import zlib

import pytest
from crc import Calculator, Configuration

from provision.conformance.damage import CRCS, Crc, check_of, why_no_message

ITEM = bytes.fromhex("84010c07a5010002000300080009184d")
BODY = base64.urlsafe_b64encode(ITEM).rstrip(b"=")


def independent(crc: Crc) -> Calculator:
    """Return the same CRC from a library that shares nothing with ours."""
    initial = crc.initial
    return Calculator(
        Configuration(32, crc.polynomial, initial, crc.final, crc.is_reflected, crc.is_reflected)
    )


@pytest.mark.parametrize("crc", CRCS, ids=lambda crc: crc.name)
def test_each_crc_is_what_its_parameters_say(crc: Crc) -> None:
    """By the library, over bytes of any kind."""
    for data in (b"123456789", b"", bytes(range(256)), BODY):
        assert crc.of(data) == independent(crc).checksum(data)


@pytest.mark.parametrize(
    ("name", "check"),
    [
        ("CRC-32C", 0xE3069283),
        ("CRC-32/ISO-HDLC", 0xCBF43926),
        ("CRC-32/BZIP2", 0xFC891918),
        ("CRC-32/MPEG-2", 0x0376E6E7),
        ("CRC-32/CKSUM", 0x765E7680),
        ("CRC-32/JAMCRC", 0x340BC6D9),
        ("CRC-32/BASE91-D", 0x87315576),
    ],
)
def test_the_names_are_those_of_the_catalogue(name: str, check: int) -> None:
    """The catalogue of parametrised CRC algorithms gives each one's value of 123456789."""
    (crc,) = (crc for crc in CRCS if crc.name == name)
    assert crc.of(b"123456789") == check


def spelled(number: int) -> bytes:
    """Return a CRC as CHECK has it."""
    return bytes(0x40 + (number >> shift & 15) for shift in range(28, -4, -4))


RIGHT = int.from_bytes(bytes.fromhex(check_of(BODY).translate(
    bytes.maketrans(b"@ABCDEFGHIJKLMNO", b"0123456789abcdef")).decode()))  # fmt: skip
C = independent(CRCS[0])


@pytest.mark.parametrize(
    ("check", "told"),
    [
        (spelled(zlib.crc32(BODY)), "CRC-32/ISO-HDLC of the characters of BODY"),
        (spelled(C.checksum(ITEM)), "the decoded bytes"),
        (spelled(RIGHT ^ 0xFFFFFFFF), "not inverted"),
        (spelled(int.from_bytes(RIGHT.to_bytes(4), "little")), "bytes in the other order"),
        (spelled(RIGHT)[::-1], "four-bit groups in the other order"),
        (f"{RIGHT:08x}".encode(), "hexadecimal digits"),
        (spelled(C.checksum(b"~" + BODY)), "the tilde and BODY"),
        (spelled(C.checksum(BODY + b"\x00")), "a zero byte"),
        (
            spelled(int.from_bytes(zlib.crc32(ITEM).to_bytes(4), "little")),
            "CRC-32/ISO-HDLC of the decoded bytes",
        ),
    ],
)
def test_the_likely_mistake_is_named(check: bytes, told: str) -> None:
    """And what was expected stands beside what came."""
    words, figures = why_no_message(b"~" + BODY + check)
    assert "CHECK does not match BODY: it is " in words
    assert told in words
    assert check.decode() in figures
    assert check_of(BODY).decode() in figures


def test_no_mistake_is_made_up() -> None:
    """A CHECK that is no usual mistake is only said to be wrong."""
    words, _ = why_no_message(b"~" + BODY + spelled(RIGHT ^ 0x00010000))
    assert words == "CHECK does not match BODY"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"~" + BODY[:-2] + b"+/" + check_of(BODY[:-2] + b"+/"), "base64url does not have"),
        (b"~" + BODY[:5] + check_of(BODY[:5]), "length of 1 modulo 4"),
        (b"~AB" + check_of(b"AB"), "unused bits"),
        (b"~ABC", "fewer than 10 characters"),
    ],
)
def test_what_else_is_wrong_is_told(line: bytes, told: str) -> None:
    """Characters, length, unused bits (clause 2.2)."""
    assert told in why_no_message(line)[0]
