# SPDX-License-Identifier: MIT
"""Secrets that this computer knows are blanked in what a board prints, however it writes them."""

from __future__ import annotations

import base64
import urllib.parse
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.line import LineReceiver, LogText
from provision.link.known_secrets import LEAST, KnownSecrets
from tests.secrets.search import Canaries

SECRET = b"w7 Zephyr&0419 / \xc3\xa9t\xc3\xa9"
FORMS: dict[str, Callable[[bytes], bytes]] = {
    "as typed": lambda secret: secret,
    "in capitals": bytes.upper,
    "hex": lambda secret: secret.hex().encode(),
    "hex, capitals": lambda secret: secret.hex().upper().encode(),
    "hex, spaced": lambda secret: secret.hex(" ").encode(),
    "hex, colons": lambda secret: secret.hex(":").encode(),
    "hex, as in C": lambda secret: b", ".join(b"0x%02x" % byte for byte in secret),
    "base64": base64.b64encode,
    "base64url": base64.urlsafe_b64encode,
    "base64 of more than the secret": lambda secret: base64.b64encode(b"user:" + secret + b"\n"),
    "percent-encoded": lambda secret: urllib.parse.quote(secret, safe="").encode(),
    "percent-encoded, slashes as they are": lambda secret: urllib.parse.quote(secret).encode(),
    "as in a form": lambda secret: urllib.parse.quote_plus(secret).encode(),
    "in colours": lambda secret: b"\x1b[1m".join(secret[n : n + 3] for n in range(0, 24, 3)),
}


def printed(known: KnownSecrets, *chunks: bytes) -> str:
    """Return the log text of what a port delivers."""
    receiver = LineReceiver(blank=known.blank)
    events = [event for chunk in chunks for event in receiver.feed(chunk)]
    return "\n".join(event.text for event in events if isinstance(event, LogText))


def knowing(*secrets: bytes) -> KnownSecrets:
    """Return who knows these."""
    known = KnownSecrets()
    for secret in secrets:
        known.add(secret)
    return known


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
def test_a_secret_is_blanked_in_the_usual_forms(form: Callable[[bytes], bytes]) -> None:
    """The rest of the line stays, so that the log is worth reading."""
    line = b"W (9) net: key <" + form(SECRET) + b"> taken\r\n"
    said = printed(knowing(b"another-of-them", SECRET), line)
    assert Canaries({"secret": SECRET}).find(said) == []
    assert said.startswith("W (9) net: key <")
    assert said.endswith("> taken")
    assert "[secret removed]" in said


@pytest.mark.parametrize("at", range(1, len(SECRET)))
def test_no_more_than_seven_bytes_stay_where_a_line_or_a_chunk_ends_within(at: int) -> None:
    """The pieces are shorter than what is blanked; chunks make no difference at all."""
    known = knowing(SECRET)
    assert printed(known, b"key " + SECRET[:at], SECRET[at:] + b".\n") == "key [secret removed]."
    first, second = printed(known, b"key " + SECRET[:at] + b"\n", SECRET[at:] + b".\n").split("\n")
    left = first.removeprefix("key ")
    assert left == "[secret removed]" or len(left.encode()) < LEAST
    assert second in ("[secret removed].", SECRET[at:].decode(errors="replace") + ".")
    assert second == "[secret removed]." or len(SECRET) - at < LEAST


def test_a_secret_of_several_lines_is_blanked_as_a_firmware_prints_it() -> None:
    """A key file, line by line."""
    identity = b"-- A key --\n" + base64.b64encode(bytes(range(90))) + b"\n-- End of it --\n"
    said = printed(knowing(identity), identity)
    assert Canaries({"identity": identity}).find(said) == []


@pytest.mark.parametrize(
    ("secret", "line"),
    [
        (b"tilde ~ in the middle", b"key tilde ~ in the middle.\n"),
        (b"runs ABCDEFGHIJKLMNOPQRST", b"key runs ABCDEFGHIJKLMNOPQRST.\n"),
        (b"at the end of a long line", b"x " * 475 + b"at the end of a long line\n"),
    ],
)
def test_what_cleaning_cuts_off_leaves_no_beginning_of_a_secret(secret: bytes, line: bytes) -> None:
    """Secrets are looked for in the line as it came."""
    assert Canaries({"secret": secret}).find(printed(knowing(secret), line)) == []


def test_what_is_too_short_to_be_told_from_other_text_is_left() -> None:
    """To blank each 7391 in a log would tell that this is the code."""
    assert printed(knowing(b"7391"), b"W (7391) door\n") == "W (7391) door"
    assert printed(knowing(b"frost-7"), b"frost-7\n") == "frost-7"


def test_text_beside_it_is_left() -> None:
    """Without anything known, and where nothing is found."""
    line = b"I (12) mast: up, 3.5% humid + rising, 0x1f\n"
    for known in (KnownSecrets(), knowing(SECRET)):
        assert printed(known, line) == line.decode().rstrip()


@given(st.binary(min_size=8, max_size=40), st.binary(max_size=20), st.binary(max_size=20))
def test_no_secret_gets_through_whatever_stands_around_it(
    secret: bytes, before: bytes, after: bytes
) -> None:
    """Any bytes at all, but those that end a line or begin a frame or a code of the terminal."""
    plain = bytes.maketrans(b"\r\n~\x1b", b"    ")
    secret, before, after = (part.translate(plain) for part in (secret, before, after))
    known = knowing(secret)
    assert secret not in known.blank(before + secret + after).replace(b"[secret removed]", b"\n")


def test_it_shows_nothing_of_what_it_knows() -> None:
    """Nor in a debugger's or a log's words for it."""
    assert "Zephyr" not in repr(knowing(SECRET))
