# SPDX-License-Identifier: MIT
"""Lines, by clause 2 of shared/protocol.md, written by hand.

BODY and CHECK of a case come from base64 and the package crc; which line is a message, and which is
not, was decided here.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from scripts.derive.vectors import encoding
from scripts.derive.vectors.encoding import body, check, frame, line

Event = dict[str, Any]

FLAGS = {
    "valid": "a line that is a message must be taken, whatever its item",
    "line-end": "LF, CR and both end a line, and nothing else does",
    "damaged": "a line that was changed on its way must not be taken",
    "truncated": "a line that lost its beginning or end must not be taken, nor cost the next one",
    "oversize": "a line beyond the limit must be dropped whole, in bounded memory",
    "spelling": "an item has one spelling in base64url; a lenient decoder takes others",
    "noise": "text around a message must neither become part of it nor hide it",
    "echo": "what was sent may come back",
    "secret": "log text must not show what may be a secret",
}


class Case(NamedTuple):
    """Bytes that arrive from a fresh start on, and what a receiver makes of them."""

    id: str
    shows: str
    clause: str
    flags: tuple[str, ...]
    bytes: bytes
    events: tuple[Event, ...]
    limit: int = encoding.LONGEST_BODY


def taken(item: bytes) -> Event:
    """A message."""
    return {"frame": item.hex()}


DAMAGED: Event = {"damaged": True}
"""A line that begins with a tilde and is not a message: nothing of it may be shown."""


def log(*pieces: str | None) -> Event:
    """Log text as it may be shown; None: something is replaced here."""
    return {"log": pieces}


def hello(id_: int, size: int | None = None) -> bytes:
    """A hello request, filled up to a size by a key that a board skips (clause 4.2)."""
    if size is None:
        return encoding.message("hello", id_, {})
    for length in range(size):
        item = encoding.message("hello", id_, {64: "x" * length})
        if len(item) == size:
            return item
    raise encoding.VectorError(f"No hello has {size} bytes.")


_ALPHABET = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
_EXAMPLE = b"~hAEBB6AKJIDNK@E"  # the page's own, clause 2.1
_SEVEN = hello(7)
_EIGHT = hello(8)

_CASES: list[Case] = [
    Case(
        "example",
        "the page's own example",
        "2.1",
        ("valid",),
        b"\n" + _EXAMPLE + b"\n",
        (taken(bytes.fromhex("84010107a0")),),
    ),
    *(
        Case(
            f"rfc4648-{text.decode()}",
            f"RFC 4648 clause 10: {text.decode()}",
            "2.1",
            ("valid",),
            b"\n" + frame(characters) + b"\n",
            (taken(text),),
        )
        for text, characters in (
            (b"f", b"Zg"),
            (b"fo", b"Zm8"),
            (b"foo", b"Zm9v"),
            (b"foob", b"Zm9vYg"),
            (b"fooba", b"Zm9vYmE"),
            (b"foobar", b"Zm9vYmFy"),
        )
    ),
    Case(
        "alphabet",
        "every character of base64url, in order",
        "2.1",
        ("valid",),
        b"\n" + frame(_ALPHABET) + b"\n",
        # 0b000000_000001_000010_... : three bytes of each four characters
        (
            taken(
                b"".join(
                    (n << 18 | n + 1 << 12 | n + 2 << 6 | n + 3).to_bytes(3, "big")
                    for n in range(0, 64, 4)
                )
            ),
        ),
    ),
    Case(
        "shortest",
        "two characters of BODY",
        "2.2",
        ("valid",),
        b"\n" + frame(b"AA") + b"\n",
        (taken(b"\0"),),
    ),
    Case(
        "longest",
        "655 characters of BODY",
        "2.3",
        ("valid", "oversize"),
        line(hello(7, 491)),
        (taken(hello(7, 491)),),
    ),
    Case(
        "too-long",
        "656 characters of BODY, the check right",
        "2.3",
        ("oversize",),
        line(hello(7, 492)),
        (DAMAGED,),
    ),
    Case(
        "too-long-then-good",
        "what is too long is dropped up to its end",
        "2.2",
        ("oversize",),
        b"\n~" + b"A" * 5000 + line(_SEVEN),
        (DAMAGED, taken(_SEVEN)),
    ),
    Case(
        "tail-of-too-long",
        "the end of a line that is too long is no line",
        "2.2",
        ("oversize",),
        b"\n~" + b"A" * 700 + _EXAMPLE + b"\n",
        (DAMAGED,),
    ),
    Case(
        "longest-of-small",
        "128 characters where 128 were announced",
        "2.3",
        ("valid", "oversize"),
        line(hello(7, 96)),
        (taken(hello(7, 96)),),
        limit=128,
    ),
    Case(
        "too-long-for-small",
        "130 characters where 128 were announced",
        "2.3",
        ("oversize",),
        line(hello(7, 97)) + line(_EIGHT),
        (DAMAGED, taken(_EIGHT)),
        limit=128,
    ),
    # ---- ends of lines
    Case(
        "first-of-all",
        "no LF before the first line of all",
        "2.2",
        ("line-end",),
        _EXAMPLE + b"\n",
        (taken(_SEVEN),),
    ),
    Case("cr", "CR ends a line", "2.2", ("line-end",), b"\r" + _EXAMPLE + b"\r", (taken(_SEVEN),)),
    Case(
        "cr-lf",
        "CR and LF together end a line",
        "2.2",
        ("line-end",),
        b"\r\n" + _EXAMPLE + b"\r\n",
        (taken(_SEVEN),),
    ),
    Case(
        "lf-shared",
        "one LF between two messages is enough",
        "2.2",
        ("line-end",),
        b"\n" + frame(body(_SEVEN)) + line(_EIGHT),
        (taken(_SEVEN), taken(_EIGHT)),
    ),
    Case(
        "two",
        "two messages as they are sent",
        "2.1",
        ("valid",),
        line(_SEVEN) + line(_EIGHT),
        (taken(_SEVEN), taken(_EIGHT)),
    ),
    Case(
        "empty-lines",
        "empty lines mean nothing",
        "2.2",
        ("line-end",),
        b"\n\r\n\n\r\r" + line(_SEVEN) + b"\n\n",
        (taken(_SEVEN),),
    ),
    Case(
        "not-ended",
        "a line without its end is not yet there",
        "2.2",
        ("line-end",),
        b"\n" + _EXAMPLE,
        (),
    ),
    Case(
        "nul-ends-nothing",
        "NUL ends no line",
        "2.2",
        ("line-end", "damaged"),
        b"\n" + _EXAMPLE + b"\0\n",
        (DAMAGED,),
    ),
    Case(
        "tab-ends-nothing",
        "vertical tab and form feed end no line",
        "2.2",
        ("line-end", "damaged"),
        b"\n" + _EXAMPLE + b"\x0b\x0c\n",
        (DAMAGED,),
    ),
    # ---- damage
    Case(
        "check-wrong",
        "one character of CHECK differs",
        "2.2",
        ("damaged",),
        b"\n~hAEBB6AKJIDNK@F\n",
        (DAMAGED,),
    ),
    Case(
        "check-swapped",
        "two characters of CHECK have changed places",
        "2.2",
        ("damaged",),
        b"\n~hAEBB6AKIJDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "check-backwards",
        "CHECK least significant first",
        "2.1",
        ("damaged",),
        b"\n~hAEBB6AE@KNDIJK\n",
        (DAMAGED,),
    ),
    Case(
        "check-lower-case",
        "CHECK in lower case",
        "2.1",
        ("damaged",),
        b"\n~hAEBB6Akjidnk@e\n",
        (DAMAGED,),
    ),
    Case(
        "check-hexadecimal",
        "CHECK in hexadecimal digits",
        "2.1",
        ("damaged",),
        b"\n~hAEBB6Aba94eb05\n",
        (DAMAGED,),
    ),
    Case(
        "check-of-bytes",
        "CHECK over the bytes of the item, not over its characters",
        "2.1",
        ("damaged",),
        b"\n~" + body(_SEVEN) + check(_SEVEN) + b"\n",
        (DAMAGED,),
    ),
    Case(
        "check-with-tilde",
        "CHECK over BODY and the tilde",
        "2.1",
        ("damaged",),
        b"\n~" + body(_SEVEN) + check(b"~" + body(_SEVEN)) + b"\n",
        (DAMAGED,),
    ),
    Case(
        "check-alone",
        "the check of nothing, and no BODY",
        "2.2",
        ("damaged",),
        b"\n~@@@@@@@@\n",
        (DAMAGED,),
    ),
    Case("tilde-alone", "a tilde alone", "2.2", ("damaged",), b"\n~\n", (DAMAGED,)),
    Case(
        "body-changed",
        "one bit of BODY differs",
        "2.2",
        ("damaged",),
        b"\n~hAECB6AKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "body-changed-case",
        "one letter of BODY in the other case",
        "2.2",
        ("damaged",),
        b"\n~hAEBb6AKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "character-twice",
        "a character came twice",
        "2.2",
        ("damaged",),
        b"\n~hAEBBB6AKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "top-bit",
        "the top bit of a character of BODY is set",
        "2.2",
        ("damaged",),
        b"\n~hAEB\xc26AKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "top-bit-of-tilde",
        "the top bit of the tilde is set",
        "2.2",
        ("damaged",),
        b"\n\xfehAEBB6AKJIDNK@E\n",
        ({"log": None},),
    ),
    # ---- other spellings
    Case(
        "pad-bits-four",
        "four unused bits are not zero",
        "2.2",
        ("spelling",),
        b"\n" + frame(b"Zh") + b"\n",
        (DAMAGED,),
    ),
    Case(
        "pad-bits-two",
        "two unused bits are not zero",
        "2.2",
        ("spelling",),
        b"\n" + frame(b"Zm9") + b"\n",
        (DAMAGED,),
    ),
    Case(
        "one-of-four",
        "length 1 modulo 4: the catalogue's check string and its check value",
        "2.2",
        ("spelling",),
        b"\n~123456789NC@FIBHC\n",
        (DAMAGED,),
    ),
    Case(
        "one-character",
        "one character of BODY",
        "2.2",
        ("spelling",),
        b"\n" + frame(b"A") + b"\n",
        (DAMAGED,),
    ),
    Case("padded", "padding", "2.1", ("spelling",), b"\n" + frame(b"hAEBB6A=") + b"\n", (DAMAGED,)),
    Case(
        "plus",
        "plus for minus: the other base64",
        "2.1",
        ("spelling",),
        b"\n" + frame(b"AA+A") + b"\n",
        (DAMAGED,),
    ),
    Case(
        "slash",
        "slash for underscore: the other base64",
        "2.1",
        ("spelling",),
        b"\n" + frame(b"AA/A") + b"\n",
        (DAMAGED,),
    ),
    Case(
        "space-inside",
        "a space inside of BODY",
        "2.2",
        ("spelling",),
        b"\n" + frame(b"hAEB B6A") + b"\n",
        (DAMAGED,),
    ),
    Case(
        "tilde-inside",
        "a tilde inside of BODY",
        "2.2",
        ("spelling",),
        b"\n" + frame(b"hAEB~B6A") + b"\n",
        (DAMAGED,),
    ),
    Case(
        "control-inside",
        "a control character inside of BODY",
        "2.2",
        ("spelling",),
        b"\n" + frame(b"hAEB\x08B6A") + b"\n",
        (DAMAGED,),
    ),
    # ---- cut
    Case(
        "end-lost",
        "the end is lost, and its LF",
        "2.2",
        ("truncated",),
        b"\n~hAEBB6AKJI" + line(_EIGHT),
        (DAMAGED, taken(_EIGHT)),
    ),
    Case(
        "end-lost-in-body",
        "the end is lost from within BODY on",
        "2.2",
        ("truncated",),
        b"\n~hAE" + line(_EIGHT),
        (DAMAGED, taken(_EIGHT)),
    ),
    Case(
        "last-lost",
        "the last character is lost",
        "2.2",
        ("truncated",),
        b"\n~hAEBB6AKJIDNK@\n",
        (DAMAGED,),
    ),
    Case(
        "first-lost",
        "the first character of BODY is lost",
        "2.2",
        ("truncated",),
        b"\n~AEBB6AKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "tilde-lost",
        "the tilde is lost",
        "2.2",
        ("truncated",),
        b"\nhAEBB6AKJIDNK@E\n",
        (log("hAEBB6AKJIDNK@E"),),
    ),
    Case(
        "middle-lost",
        "four characters in the middle are lost",
        "2.2",
        ("truncated",),
        b"\n~hAEKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "lf-lost",
        "the LF between two messages is lost",
        "2.2",
        ("truncated",),
        b"\n" + _EXAMPLE + frame(body(_EIGHT)) + b"\n",
        (DAMAGED,),
    ),
    Case(
        "split",
        "a line broken in two is none",
        "2.2",
        ("truncated",),
        b"\n~hAEBB6A\nKJIDNK@E\n",
        (DAMAGED, log("KJIDNK@E")),
    ),
    # ---- noise
    Case(
        "log-before",
        "log text before",
        "2.2",
        ("noise",),
        b"frost watch started\r\n" + line(_SEVEN),
        (log("frost watch started"), taken(_SEVEN)),
    ),
    Case(
        "log-not-ended",
        "log text that had no end yet: the leading LF ends it",
        "2.1",
        ("noise",),
        b"reading 4.5 C" + line(_SEVEN),
        (log("reading 4.5 C"), taken(_SEVEN)),
    ),
    Case(
        "log-after",
        "log text after",
        "2.2",
        ("noise",),
        line(_SEVEN) + b"reading 4.5 C\n",
        (taken(_SEVEN), log("reading 4.5 C")),
    ),
    Case(
        "log-between",
        "log text between two messages",
        "2.2",
        ("noise",),
        line(_SEVEN) + b"a\r\nb\r\n" + line(_EIGHT),
        (taken(_SEVEN), log("a"), log("b"), taken(_EIGHT)),
    ),
    Case(
        "log-glued",
        "log text right behind a message, in its line",
        "2.2",
        ("noise",),
        b"\n" + _EXAMPLE + b" done\n",
        (DAMAGED,),
    ),
    Case(
        "log-inside",
        "log text in the middle of a message",
        "2.2",
        ("noise", "damaged"),
        b"\n~hAEB[boot]B6AKJIDNK@E\n",
        (DAMAGED,),
    ),
    Case(
        "not-at-start",
        "a tilde that does not begin a line",
        "2.2",
        ("noise", "secret"),
        b"\nreading 4.5 C " + _EXAMPLE + b"\n",
        (log("reading 4.5 C ", None),),
    ),
    Case(
        "space-first",
        "a space before the tilde",
        "2.2",
        ("noise", "secret"),
        b"\n " + _EXAMPLE + b"\n",
        (log(" ", None),),
    ),
    Case("tilde-twice", "two tildes", "2.2", ("noise",), b"\n~" + _EXAMPLE + b"\n", (DAMAGED,)),
    Case(
        "bytes-before",
        "bytes of another rate before",
        "2.2",
        ("noise",),
        b"\x00\xff\xfe\x80\xf0" + line(_SEVEN),
        ({"log": None}, taken(_SEVEN)),
    ),
    Case(
        "echo",
        "a request, its echo, its reply",
        "2.2",
        ("echo",),
        line(_SEVEN) * 2 + line(encoding.message("commit-reply", 7, {1: 1})),
        (taken(_SEVEN), taken(_SEVEN), taken(encoding.message("commit-reply", 7, {1: 1}))),
    ),
    Case(
        "echo-prompt",
        "a console's prompt before an echo",
        "2.2",
        ("echo", "secret"),
        b"\n> " + _EXAMPLE + b"\n> ",
        (log("> ", None),),
    ),
    # ---- what may be shown
    Case(
        "run-of-15",
        "15 characters of base64url in a row may be shown",
        "2.2",
        ("secret",),
        b"\nkey ABCDEFGHIJKLMN- end\n",
        (log("key ABCDEFGHIJKLMN- end"),),
    ),
    Case(
        "run-of-16",
        "16 characters of base64url in a row may not",
        "2.2",
        ("secret",),
        b"\nkey ABCDEFGHIJKLMN-_ end\n",
        (log("key ", None, " end"),),
    ),
    Case(
        "two-runs",
        "each run is replaced",
        "2.2",
        ("secret",),
        b"\nabcdefghijklmnop: 0123456789012345.\n",
        (log(None, ": ", None, "."),),
    ),
    Case(
        "run-and-tilde",
        "a run before a tilde, and all behind the tilde",
        "2.2",
        ("secret",),
        b"\nabcdefghijklmnop ~ secret words\n",
        (log(None, " ", None),),
    ),
    Case(
        "body-without-tilde",
        "a message that lost its tilde",
        "2.2",
        ("secret", "truncated"),
        line(encoding.message("set-field", 7, {1: "net.pass", 2: "blossom-in-may"}))[2:],
        (log(None),),
    ),
]


def document() -> bytes:
    """The file shared/vectors/lines.json."""
    return encoding.document(
        "Lines that a receiver takes as messages, and lines that it does not",
        "lines.py",
        [
            {
                "id": case.id,
                "shows": case.shows,
                "clause": case.clause,
                "flags": case.flags,
                "limit": case.limit,
                "bytes": case.bytes.hex(),
                "events": case.events,
            }
            for case in _CASES
        ],
        flags=FLAGS,
    )
