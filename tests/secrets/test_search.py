# SPDX-License-Identifier: MIT
"""The search for secrets finds every form that it is for, so that finding none means something."""

from __future__ import annotations

import base64
import json
import random
from collections.abc import Callable

import pytest

from provision.contract.line import encode_line
from provision.contract.profile import encode
from tests.secrets.search import PART, Canaries

SECRET = b"Qz7xKvRmW3tLpY8jUf2h"
BINARY = bytes.fromhex("c3a97e5b1f60d284b7094aee31cd9658")
CANARIES = Canaries({"text": SECRET, "octets": BINARY})

FORMS: dict[str, Callable[[bytes], bytes]] = {
    "plain": lambda secret: secret,
    "reversed": lambda secret: secret[::-1],
    "hex": lambda secret: secret.hex().encode(),
    "hex in upper case": lambda secret: secret.hex().upper().encode(),
    "hex with spaces": lambda secret: secret.hex(" ").encode(),
    "hex with colons": lambda secret: secret.hex(":").encode(),
    "base64": base64.b64encode,
    "base64url": base64.urlsafe_b64encode,
    "base64 at the second byte": lambda secret: base64.b64encode(b"x" + secret),
    "base64 at the third byte": lambda secret: base64.b64encode(b"xy" + secret),
    "base64url at the second byte": lambda secret: base64.urlsafe_b64encode(b"x" + secret),
    "base64url at the third byte": lambda secret: base64.urlsafe_b64encode(b"xy" + secret),
    "a frame": lambda secret: encode_line(encode([1, 7, 300, {1: "service.key", 2: secret}])),
    "a repr": lambda secret: repr({"value": secret}).encode(),
    "a list of numbers": lambda secret: json.dumps([*secret]).encode(),
}


@pytest.mark.parametrize("secret", [SECRET, BINARY], ids=["text", "octets"])
@pytest.mark.parametrize("form", FORMS)
def test_a_planted_secret_is_found(form: str, secret: bytes) -> None:
    """Whole, in every form, in the middle of other bytes."""
    planted = b"frost watch: 1.5 C " + FORMS[form](secret) + b"\r\nready\n"
    assert CANARIES.find(planted)


@pytest.mark.parametrize("secret", [SECRET, BINARY], ids=["text", "octets"])
@pytest.mark.parametrize("form", FORMS)
def test_every_part_of_six_is_found(form: str, secret: bytes) -> None:
    """Whichever part it is."""
    for at in range(len(secret) - PART + 1):
        assert CANARIES.find(b"log " + FORMS[form](secret[at : at + PART]) + b" text"), at


def test_changed_case_is_found() -> None:
    """A program that folds case does not hide a text."""
    assert CANARIES.find(SECRET.lower()) == ["text (lower case)"]
    assert CANARIES.find(SECRET.decode().upper()) == ["text (upper case)"]


def test_nothing_is_found_where_nothing_is() -> None:
    """Five characters are none, and random bytes have none by chance."""
    assert CANARIES.find(SECRET[:5] + b" " + SECRET[6:11]) == []
    assert CANARIES.find(random.Random(3).randbytes(1 << 20)) == []
    assert CANARIES.find(base64.b64encode(random.Random(4).randbytes(1 << 19))) == []
