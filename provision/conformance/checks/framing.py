# SPDX-License-Identifier: MIT
"""Checks of what a board makes of the lines that it receives: clause 2."""

from __future__ import annotations

import base64

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.crafted import STATUS, carried, framed, padded
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.profile import encode
from provision.contract.table import (
    LINE_OVERHEAD,
    SKIPPABLE_FROM,
    MessageType,
    RefusalKey,
)

_EDITING = (0x00, 0x08, 0x15, 0x18, 0x1B, 0x7F)  # with which a console edits its line
_LONG_PAUSE = 400  # ms for which a host may be held up within a line

_ALPHABET = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"


def line_ends(board: BoardUnderTest) -> Steps[None]:
    """LF, CR and both end a line, and a message needs no empty line before it."""
    for what, before, after in (
        ("LF before and behind", b"\n", b"\n"),
        ("CR before and behind", b"\r", b"\r"),
        ("CR LF before and behind", b"\r\n", b"\r\n"),
        ("empty lines before and behind", b"\n\n\r\r\n\n", b"\n\n\n"),
        ("only a CR behind", b"", b"\r"),
    ):
        id_, line = board.line(STATUS)
        yield from board.after()  # ends whatever line was open
        yield from board.taken(what, before + line.strip(b"\n") + after, id_)


def noise(board: BoardUnderTest) -> Steps[None]:
    """Whatever stood on the line before a message, the message is taken."""
    for what, before in (
        ("log text before it", b"\nfrost watch: 4.5 C"),
        ("bytes 00 to FF before it", bytes(range(256))),
        ("half a message before it", b"\n~hAEBB6AKJID"),
        ("a damaged message before it", b"\n~hAEBB6AKJIDNK@A\n"),
        ("empty lines and spaces before it", b"\r\n \r\n\n"),
        ("one byte before it", b"\x00"),
        ("a lone tilde before it", b"\n~\n"),
    ):
        id_, line = board.line(STATUS)
        yield from board.taken(what, before + line, id_)
    for size in (100, board.line_limit + 100):
        for end in (b"\n", b"\r"):
            id_, line = board.line(STATUS)
            what = f"{size} bytes of log text before it, ended by {end!a}"
            yield from board.taken(what, b"\n" + b"x" * size + end + line.lstrip(b"\n"), id_)


def tilde_within(board: BoardUnderTest) -> Steps[None]:
    """A tilde that does not begin a line has no meaning."""
    for what, before in (
        ("text before the tilde", b"\nlog: "),
        ("a space before the tilde", b"\n "),
        ("a tilde before the tilde", b"\n~"),
        ("a byte 00 before the tilde", b"\n\x00"),
        ("a prompt before the tilde", b"\n> "),
        ("another prompt before the tilde", b"\n$ "),
        *((f"x and a byte {byte:02X} before the tilde", b"\nx%c" % byte) for byte in _EDITING),
        ("a whole message before the tilde", b"\n~hAEBB6AKJIDNK@"),
    ):
        _, line = board.line(STATUS)
        yield from board.ignored(what, before + line.lstrip(b"\n"))


def damaged(board: BoardUnderTest) -> Steps[None]:
    """What has a wrong CHECK, a foreign character, or too few characters, is ignored."""
    _, line = board.line(STATUS)
    text = line.strip(b"\n")
    for at in range(len(text) - 8, len(text)):
        other = text[:at] + bytes([0x40 + (text[at] - 0x40 ^ 5)]) + text[at + 1 :]
        yield from board.ignored("CHECK with a wrong character", b"\n" + other + b"\n")
        for bit in (0x10, 0x20):
            other = text[:at] + bytes([text[at] ^ bit]) + text[at + 1 :]
            yield from board.ignored("CHECK with a character outside @ to O", b"\n" + other + b"\n")
    body = text[1:-8]
    for what, other in (
        ("an empty BODY", b""),
        ("a BODY with padding", body + b"=" * (-len(body) % 4 or 4)),
        ("a BODY with a space", body[:4] + b" " + body[4:]),
        ("a BODY with a space at its end", body + b" "),
        ("a BODY with a byte above 7F", body[:4] + b"\xc1" + body[5:]),
    ):
        yield from board.ignored(what, framed(other))
    yield from board.ignored("a line with a character behind CHECK", b"\n" + text + b"x\n")
    yield from board.ignored("a line with a space behind CHECK", b"\n" + text + b" \n")
    yield from board.ignored("CHECK without BODY", b"\n~" + text[-8:] + b"\n")


def alphabet(board: BoardUnderTest) -> Steps[None]:
    """BODY is in the alphabet of base64url; plus and slash are not in it."""
    id_ = board.next_id()
    # Six bits of 62 four times in a row at any alignment, and of 63: hyphens and underscores.
    sixes = b"\xfb\xef\xbe" * 2 + b"\xef\xbe\xfb" * 2 + b"\xbe\xfb\xef" * 2
    body: Body = {SKIPPABLE_FROM: sixes + b"\xff" * 6}
    line = carried(encode([1, STATUS, id_, body]))
    yield from board.taken("a BODY with hyphens and underscores", line, id_)
    text = line.strip(b"\n")[1:-8]
    for what, old, new in (("a plus", b"-", b"+"), ("a slash", b"_", b"/")):
        yield from board.ignored(f"a BODY with {what}", framed(text.replace(old, new)))


def lengths(board: BoardUnderTest) -> Steps[None]:
    """A length of 1 modulo 4 and bits that are not used and not zero make a line no message."""
    # Longer by one byte each: one of these has two unused bits, one four, one none.
    for extra in range(3):
        item = encode([1, STATUS, board.next_id(), {64: bytes(extra)}])
        text = base64.urlsafe_b64encode(item).rstrip(b"=")
        last = _ALPHABET.index(text[-1:])
        if len(text) % 4:
            for bit in (1, 2) if len(text) % 4 == 3 else (1, 2, 4, 8):
                other = text[:-1] + _ALPHABET[last ^ bit : (last ^ bit) + 1]
                yield from board.ignored("a BODY with an unused bit set", framed(other))
        else:
            yield from board.ignored("a BODY of length 1 modulo 4", framed(text + b"A"))


def flipped_bits(board: BoardUnderTest) -> Steps[None]:
    """One flipped bit anywhere in a request is noticed, and so are two."""
    _, line = board.line(STATUS)
    text = line.strip(b"\n")
    singles = [(at, bit) for at in range(len(text)) for bit in range(8)]
    pairs = [board.random.sample(singles, 2) for _ in range(60)]
    for flips in [[single] for single in singles] + pairs:
        other = bytearray(text)
        for at, bit in flips:
            other[at] ^= 1 << bit
        if bytes(other) == text or set(other) & set(b"\r\n") or b"~" in other[1:]:
            continue  # where the line begins or ends is left to chance (clause 2.3)
        yield from board.ignored(f"{len(flips)} flipped bit(s)", b"\n" + other + b"\n")


def longest_line(board: BoardUnderTest) -> Steps[None]:
    """A line of exactly the announced length is taken."""
    size = board.line_limit * 3 // 4
    for less in (0, 1, 2):
        id_, line = padded(board, size - less)
        yield from board.taken(f"a BODY of {len(line) - LINE_OVERHEAD} characters", line, id_)


def oversize(board: BoardUnderTest) -> Steps[None]:
    """What is longer than the announced length is dropped up to its end, and holds nothing up."""
    size = board.line_limit * 3 // 4 + 1
    while -(-size * 4 // 3) <= board.line_limit:
        size += 1
    for more in (0, 1, 3, 60):
        _, line = padded(board, size + more)
        yield from board.ignored(f"a BODY of {len(line) - LINE_OVERHEAD} characters", line)
    _, hidden = board.line(STATUS)
    limit = board.line_limit
    for before in (limit, limit + 8, limit + 9, limit + 10, limit + 11, 1024, 3000):
        for filler in (b"x", b"~A"):
            text = (filler * before)[:before]
            yield from board.ignored(
                f"a message behind {before} characters of the same line",
                b"\n" + text + hidden.lstrip(b"\n"),
            )


def log_text(board: BoardUnderTest) -> Steps[None]:
    """Nobody answers log text."""
    for text in (
        b"hello",
        b"\x1b[2J",
        b"AT",
        b"?",
        b"help",
        bytes(range(128, 256)),
        b"hAEBB6AKJIDNK@E",
    ):
        yield from board.ignored("log text", b"\n" + text + b"\n")


def echoes(board: BoardUnderTest) -> Steps[None]:
    """An echo of the board's own lines, and every even type, is ignored."""
    lines = []
    for type_ in (int(MessageType.HELLO), STATUS, int(MessageType.GET_SCHEMA)):
        id_, line = board.line(type_)
        yield from board.converse([line], [id_])
        lines += [came.raw for came in board.last_came]
    for line in lines:
        yield from board.ignored("its own line", b"\n" + line + b"\n")
    for type_ in (0, 2, 4, 8, 10, 12, 20, 26, 28, 254):
        _, line = board.line(type_)
        yield from board.ignored(f"a message of the even type {type_}", line)
    refusal: Body = {RefusalKey.CODE: 2}
    for version in (1, 2):
        _, line = board.line(MessageType.REFUSAL, refusal, version=version)
        yield from board.ignored("a refusal", line)


def stalls(board: BoardUnderTest) -> Steps[None]:
    """A request that comes in pieces of three bytes, with pauses, one of them long, is taken."""
    id_, line = board.line(STATUS)
    yield from board.after()
    at = 0
    while at < len(line) - 3:
        yield from board.send(line[at : at + 3])
        yield from board.silence(_LONG_PAUSE if at == 9 else 10)
        at += 3
    yield from board.taken("a request in pieces", line[at:], id_)


LINE_CHECKS = (
    Check(("2.2.1", "2.2.2"), "LF, CR and both end a line", line_ends),
    Check(("2.2.7",), "A message is taken whatever stood before it", noise),
    Check(("2.2.6",), "A tilde that does not begin a line means nothing", tilde_within),
    Check(("2.2.4", "2.2.5"), "Damaged lines are ignored in silence", damaged),
    Check(("2.2.5",), "BODY is base64url: no plus, no slash", alphabet),
    Check(("2.2.5",), "No length of 1 modulo 4, no unused bit set", lengths),
    Check(("2.2.4",), "One or two flipped bits are always noticed", flipped_bits),
    Check(("2.2.8",), "A line that is too long is dropped up to its end", oversize),
    Check(("2.2.6",), "Log text is not answered", log_text),
    Check(("2.2.9",), "Echoes of replies are ignored", echoes),
    Check(("2.3.3",), "A request may come in pieces", stalls),
    Check(("2.3.3",), "A line of the announced length is taken", longest_line),
)
"""Clause 2."""
