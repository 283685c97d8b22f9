# SPDX-License-Identifier: MIT
"""Conversations between a host and a board, written by hand from shared/protocol.md.

Requests and replies stand here by the names of shared/messages.json; the vectors carry the lines.
Every reply was written from the page, none was taken from a board. What only follows by
arithmetic (digests, how many entries fit into a line) is computed from cbor2 and the package crc,
not from this project's code.

The boards are those of shared/vectors/*.toml on flash that reads 0xFF, with the configuration of
BOARDS. Their firmware reports nothing unless a step says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Body = Mapping[Any, Any]
"""Keys by their names, or by their numbers where there is no name or it is wrong."""


@dataclass(frozen=True, slots=True)
class Ask:
    """The host sends a request; the board answers with the reply, or refuses."""

    request: str | int
    body: Body = field(default_factory=dict)
    reply: Body | None = None
    refused: Body | None = None
    version: int = 1
    reply_version: int = 1


@dataclass(frozen=True, slots=True)
class Again:
    """The reply was lost: the host sends the same line once more. None: the same reply comes."""

    reply: Body | None = None
    refused: Body | None = None


@dataclass(frozen=True, slots=True)
class Values:
    """The host asks for values from `first` on, a number or a key; as many as fit come back.

    held has what is not unset: key to (held, value) or (held,).
    """

    first: int | str
    held: Mapping[str, tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes arrive that are no request; the board says nothing."""

    bytes: bytes


@dataclass(frozen=True, slots=True)
class Restart:
    """The board loses its power and starts again with this boot number."""

    boot: int


@dataclass(frozen=True, slots=True)
class Update:
    """The board gets the firmware of another board of BOARDS, and starts with what is stored."""

    board: str
    boot: int


@dataclass(frozen=True, slots=True)
class Wait:
    """Time passes, in milliseconds."""

    ms: int


@dataclass(frozen=True, slots=True)
class Report:
    """The firmware reports."""

    run: str
    step: str = "none"
    reason: str = "none"
    field: str | None = None
    address: bytes = b""


@dataclass(frozen=True, slots=True)
class Present:
    """A person presses the button (true), or the time for it is over."""

    is_present: bool


@dataclass(frozen=True, slots=True)
class Found:
    """The scan that runs finds these networks too: name, signal in dBm, security."""

    networks: tuple[tuple[bytes, int, str], ...]
    done: bool


Step = Ask | Again | Values | Noise | Restart | Update | Wait | Report | Present | Found


@dataclass(frozen=True, slots=True)
class Board:
    """How a board of the vectors is configured, beyond its schema file."""

    schema: str
    line: int = 655
    credit: int = 1400
    capabilities: tuple[str, ...] = ("undo", "restart", "erase")
    unit: bytes = bytes.fromhex("a1b2c3d4")
    boot: int = 1000
    commit_time: int = 100
    erase_time: int = 400
    apply_time: int = 5000
    listens: int | None = None


BOARDS = {
    "vector": Board("board.toml"),
    "small": Board("board.toml", line=128, credit=139),
    "button": Board("board.toml", capabilities=("undo", "restart", "erase", "presence")),
    "radio": Board("board.toml", capabilities=("undo", "restart", "erase", "survey", "locate")),
    "brief": Board("board.toml", listens=5000),
    "trial": Board("trial-board.toml", capabilities=("undo", "trial", "restart", "erase")),
    "smallest": Board("smallest-board.toml", line=128, credit=139, capabilities=("erase",)),
    # Two versions of one firmware.
    "dryer-1": Board("dryer-1.toml"),
    "dryer-2": Board("dryer-2.toml", capabilities=("undo", "trial", "restart", "erase")),
}


@dataclass(frozen=True, slots=True)
class Conversation:
    """One conversation, from a board's first start on."""

    id: str
    shows: str
    clause: str
    steps: tuple[Step, ...]
    board: str = "vector"
    first_id: int = 1


TOKEN_A = bytes.fromhex("00112233445566ff")
TOKEN_B = bytes.fromhex("b0b1b2b3b4b5b6b7")
TOKEN_C = bytes.fromhex("c0c1c2c3c4c5c6c7")

Pairs = list[tuple[str, Any]]


def stage(key: str, value: Any, staged: int) -> Ask:
    """A set-field that is accepted; staged is the number of fields staged after it."""
    return Ask("set-field", {"field": key, "value": value}, {"staged": staged})


def refuse(key: str, value: Any, code: str) -> Ask:
    """A set-field that is refused."""
    return Ask("set-field", {"field": key, "value": value}, refused={"code": code, "field": key})


def part(key: str, offset: int, total: int, data: bytes, *counts: int) -> Ask:
    """A part that is accepted; counts: the fields staged after it, the bytes received."""
    staged, received = counts
    return Ask(
        "set-field",
        {"field": key, "offset": offset, "total": total, "part": data},
        {"staged": staged, "received": received},
    )


def part_refused(key: str, offset: int, total: int, data: bytes, **refused: Any) -> Ask:
    """A part that is refused."""
    return Ask(
        "set-field",
        {"field": key, "offset": offset, "total": total, "part": data},
        refused={"field": key, **refused},
    )


def commit(pairs: Pairs, token: bytes, **outcome: Any) -> Ask:
    """A commit of the pairs, in schema order; the vectors' maker puts in count and digest."""
    return Ask("commit", {"pairs": pairs, "token": token}, **outcome)


def status(
    store: str,
    staged: int = 0,
    run: str = "idle",
    generation: int = 0,
    boot: int = 1000,
    **more: Any,
) -> Ask:
    """A status and its reply."""
    base = {"store": store, "staged": staged, "run": run, "generation": generation, "boot": boot}
    return Ask("status", {}, {**base, **more})


NET: Pairs = [("net.name", b"orchard"), ("net.pass", "blossom-in-may")]


def provisioned(token: bytes = TOKEN_A) -> tuple[Step, ...]:
    """The steps of a first commit: network name and passphrase, generation 1."""
    return (
        stage(*NET[0], 1),
        stage(*NET[1], 2),
        commit(NET, token, reply={"generation": 1}),
    )


def updated(*pairs: tuple[str, Any]) -> tuple[Step, ...]:
    """The steps of a first commit by the older dryer firmware, generation 1, and of its update."""
    return (
        *(stage(key, value, number) for number, (key, value) in enumerate(pairs, 1)),
        commit([*pairs], TOKEN_A, reply={"generation": 1}),
        status("complete", run="applying", generation=1),
        Update("dryer-2", 1001),
    )


def on_trial(generation: int) -> Ask:
    """The status of the newer dryer firmware right after a commit."""
    more = {"trial-left": 60_000}
    return status("trial", run="applying", generation=generation, boot=1001, **more)


# With the newer dryer firmware the heater is on 14 by its default; here the fan was set to that.
_HEATER_AND_FAN = ["dryer.heater", "dryer.fan"]


def _hello(
    board: str = "vector",
    boot: int = 1000,
    token: bytes | None = None,
    generation: int = 0,
    **more: int,
) -> Body:
    base = {"hello-of": board, "boot": boot, "token": token, "generation": generation}
    return {**base, **more}


_NEAR = (b"orchard", -48, "personal")
_GUEST = (b"guests", -60, "open")
_FAR = (b"\xc3\x84pfel", -128, "unknown")


def _scan(scan: int, done: bool, count: int, first: int, *networks: tuple[bytes, int, str]) -> Body:
    return {"scan": scan, "done": done, "count": count, "first": first, "networks": networks}


CONVERSATIONS: list[Conversation] = [
    Conversation(
        "smallest",
        "all that a host needs of the smallest board: the conversation of shared/start-here.md",
        "5.3",
        (
            Ask("hello", {}, _hello("smallest")),
            Ask("discard", {"boot": 1000}, {}),
            Ask(
                "get-schema",
                {"offset": 0, "length": 470},
                {"offset": 0, "piece": (0, 470)},
            ),
            stage("post.name", "Mast 7", 1),
            refuse("post.code", "abc", "length"),
            stage("post.code", "abcd", 2),
            commit(
                [("post.name", "Mast 7"), ("post.code", "abcd")], TOKEN_A, reply={"generation": 1}
            ),
            status("complete", run="applying", generation=1),
            Report("proven"),
            status("complete", run="proven", generation=1, step="none"),
            Ask("hello", {}, _hello("smallest", token=TOKEN_A, generation=1)),
            Values(0, {"post.name": ("set", "Mast 7"), "post.code": ("set",)}),
        ),
        board="smallest",
    ),
    Conversation(
        "first-provisioning",
        "from a freshly flashed board to a proven set",
        "5.3",
        (
            Ask("hello", {}, _hello()),
            Ask("discard", {"boot": 1000}, {}),
            status("empty"),
            Values(0, {}),
            *provisioned(),
            status("complete", run="applying", generation=1),
            Report("applying", step="join"),
            status("complete", run="applying", generation=1, step="join"),
            Report("proven", address=bytes([192, 0, 2, 7])),
            status(
                "complete", run="proven", generation=1, step="none", address=bytes([192, 0, 2, 7])
            ),
            Ask("hello", {}, _hello(token=TOKEN_A, generation=1)),
            Values(0, {"net.name": ("set", b"orchard"), "net.pass": ("set",)}),
            Restart(1001),
            Ask("hello", {}, _hello(boot=1001, token=TOKEN_A, generation=1)),
            status("complete", run="applying", generation=1, boot=1001),
            Values(0, {"net.name": ("set", b"orchard"), "net.pass": ("set",)}),
        ),
        # Wraps on the way (clause 4.1), and has ids of three bytes where the values are long.
        first_id=65_530,
    ),
    Conversation(
        "failed",
        "the firmware tells at which step, why, and which field is at fault",
        "6.6",
        (
            *provisioned(),
            Report("failed", step="join", reason="passphrase-wrong", field="net.pass"),
            status(
                "complete",
                run="failed",
                generation=1,
                step="join",
                reason="passphrase-wrong",
                field="net.pass",
            ),
            stage("net.name", b"orchard", 1),
            stage("net.pass", "blossom-in-june", 2),
            commit(
                [("net.name", b"orchard"), ("net.pass", "blossom-in-june")],
                TOKEN_B,
                reply={"generation": 2},
            ),
            status("complete", run="applying", generation=2),
        ),
    ),
    Conversation(
        "set-field-reply-lost",
        "a repeat of set-field stages nothing twice",
        "5.7",
        (
            stage("words.text", "apple", 1),
            Again(),
            Again(),
            stage("words.text", "pear", 1),
            status("empty", 1),
        ),
    ),
    Conversation(
        "commit-reply-lost",
        "a repeat of commit is answered and writes nothing",
        "6.5",
        (
            *provisioned(),
            Again(),
            status("complete", run="applying", generation=1),
            Ask("hello", {}, _hello(token=TOKEN_A, generation=1)),
        ),
    ),
    Conversation(
        "commit-reply-lost-by-reset",
        "after a reset hello shows the token, and commit is still answered",
        "6.5",
        (
            *provisioned(),
            Restart(1001),
            Ask("hello", {}, _hello(boot=1001, token=TOKEN_A, generation=1)),
            commit(NET, TOKEN_A, reply={"generation": 1}),
            status("complete", run="applying", generation=1, boot=1001),
        ),
    ),
    Conversation(
        "commit-known-token-drops-staged",
        "a known token answers first, and what is staged goes",
        "6.5",
        (
            *provisioned(),
            stage("words.text", "apple", 1),
            commit([("words.text", "apple")], TOKEN_A, reply={"generation": 1}),
            status("complete", run="applying", generation=1),
            Values("words.text", {}),
        ),
    ),
    Conversation(
        "reset-while-staging",
        "what is staged does not survive; commit says so",
        "5.1",
        (
            stage(*NET[0], 1),
            Restart(1001),
            status("empty", boot=1001),
            stage(*NET[1], 1),
            commit(NET, TOKEN_A, refused={"code": "set-differs"}),
            status("empty", boot=1001),
            commit(NET, TOKEN_A, refused={"code": "wrong-state"}),
            *provisioned(),
        ),
    ),
    Conversation(
        "set-differs",
        "a wrong count or digest discards what is staged",
        "6.5",
        (
            stage("words.text", "apple", 1),
            Ask(
                "commit",
                {"pairs": [("words.text", "pears")], "token": TOKEN_A},
                refused={"code": "set-differs"},
            ),
            status("empty"),
            stage("words.text", "apple", 1),
            stage("words.word", "pear", 2),
            commit([("words.text", "apple")], TOKEN_A, refused={"code": "set-differs"}),
            status("empty"),
        ),
    ),
    Conversation(
        "staged-in-any-order",
        "the digest goes by schema order, not by the order of staging",
        "6.5",
        (stage(*NET[1], 1), stage(*NET[0], 2), commit(NET, TOKEN_A, reply={"generation": 1})),
    ),
    Conversation(
        "discard",
        "discard drops what is staged, and names the boot",
        "6.7",
        (
            stage("words.text", "apple", 1),
            Ask("discard", {"boot": 999}, refused={"code": "moved-on", "detail": 1000}),
            status("empty", 1),
            Ask("discard", {"boot": 1000}, {}),
            Again(),
            status("empty"),
        ),
    ),
    Conversation(
        "clear",
        "null clears a stored field",
        "6.4",
        (
            *provisioned(),
            stage("words.text", "apple", 1),
            commit([("words.text", "apple")], TOKEN_B, reply={"generation": 2}),
            Values("words.text", {"words.text": ("set", "apple")}),
            stage("words.text", None, 1),
            commit([("words.text", None)], TOKEN_C, reply={"generation": 3}),
            Values("words.text", {}),
        ),
    ),
    Conversation(
        "every-kind",
        "values of every kind come back as they were set; of secrets only that they are",
        "6.3",
        (
            *provisioned(),
            stage("words.secret", "silver-frost-9", 1),
            stage("numbers.integer", -10, 2),
            stage("numbers.decimal", -15, 3),
            stage("numbers.yes", False, 4),
            stage("numbers.choice", "fast", 5),
            stage("numbers.duration", 90, 6),
            stage("pins.analog", 27, 7),
            stage("names.host", "weather.example.net", 8),
            stage("names.ip", bytes.fromhex("20010db8000000000000000000000007"), 9),
            stage("names.port", 8883, 10),
            stage("names.zone", "EST5EDT,M3.2.0,M11.1.0", 11),
            stage("octets.hex", bytes.fromhex("00ff10ef"), 12),
            stage("octets.key", bytes(range(16)), 13),
            stage("octets.cert", b"-----BEGIN", 14),
            commit(
                [
                    ("words.secret", "silver-frost-9"),
                    ("numbers.integer", -10),
                    ("numbers.decimal", -15),
                    ("numbers.yes", False),
                    ("numbers.choice", "fast"),
                    ("numbers.duration", 90),
                    ("pins.analog", 27),
                    ("names.host", "weather.example.net"),
                    ("names.ip", bytes.fromhex("20010db8000000000000000000000007")),
                    ("names.port", 8883),
                    ("names.zone", "EST5EDT,M3.2.0,M11.1.0"),
                    ("octets.hex", bytes.fromhex("00ff10ef")),
                    ("octets.key", bytes(range(16))),
                    ("octets.cert", b"-----BEGIN"),
                ],
                TOKEN_B,
                reply={"generation": 2},
            ),
            *(
                step
                for boot in (None, 1001)
                for step in (
                    *((Restart(boot),) if boot else ()),
                    *(
                        Values(
                            first,
                            {
                                "net.name": ("set", b"orchard"),
                                "net.pass": ("set",),
                                "words.secret": ("set",),
                                "numbers.integer": ("set", -10),
                                "numbers.decimal": ("set", -15),
                                "numbers.yes": ("set", False),
                                "numbers.choice": ("set", "fast"),
                                "numbers.duration": ("set", 90),
                                "pins.analog": ("set", 27),
                                "names.host": ("set", "weather.example.net"),
                                "names.ip": (
                                    "set",
                                    bytes.fromhex("20010db8000000000000000000000007"),
                                ),
                                "names.port": ("set", 8883),
                                "names.zone": ("set", "EST5EDT,M3.2.0,M11.1.0"),
                                "octets.hex": ("set", bytes.fromhex("00ff10ef")),
                                "octets.key": ("set",),
                                "octets.cert": ("set", 10),
                            },
                        )
                        for first in (0, 20)
                    ),
                )
            ),
        ),
    ),
    Conversation(
        "parts",
        "a long value in parts: repeats, gaps, a fresh start, the count when complete",
        "6.4",
        (
            part("octets.cert", 0, 9, b"abc", 0, 3),
            Again(),
            part("octets.cert", 3, 9, b"def", 0, 6),
            part("octets.cert", 1, 9, b"bcde", 0, 6),
            part_refused("octets.cert", 7, 9, b"hi", code="gap", detail=6),
            part_refused("octets.cert", 3, 9, b"dex", code="gap", detail=6),
            part_refused("octets.cert", 5, 9, b"fg", code="gap", detail=6),
            status("empty"),
            part("octets.cert", 6, 9, b"ghi", 1, 9),
            Again(),
            status("empty", 1),
            stage(*NET[0], 2),
            stage(*NET[1], 3),
            commit([*NET, ("octets.cert", b"abcdefghi")], TOKEN_A, reply={"generation": 1}),
            Values("octets.cert", {"octets.cert": ("set", 9)}),
        ),
    ),
    Conversation(
        "parts-started-anew",
        "a part at offset 0 that differs, or another total, starts anew",
        "6.4",
        (
            part("octets.cert", 0, 6, b"abc", 0, 3),
            part("octets.cert", 0, 6, b"xyz", 0, 3),
            part_refused("octets.cert", 3, 7, b"defg", code="gap", detail=0),
            part("octets.cert", 3, 6, b"def", 1, 6),
            part("octets.cert", 0, 4, b"ab", 0, 2),
            part("octets.cert", 2, 4, b"cd", 1, 4),
            stage(*NET[0], 2),
            stage(*NET[1], 3),
            commit([*NET, ("octets.cert", b"abcd")], TOKEN_A, reply={"generation": 1}),
        ),
    ),
    Conversation(
        "parts-forgotten",
        "another field forgets incomplete parts; commit does not count them",
        "6.4",
        (
            part("octets.cert", 0, 6, b"abc", 0, 3),
            stage(*NET[0], 1),
            part_refused("octets.cert", 3, 6, b"def", code="gap", detail=0),
            part("octets.cert", 0, 6, b"abc", 1, 3),
            part("words.long-text", 0, 4, b"wo", 1, 2),
            part_refused("octets.cert", 3, 6, b"def", code="gap", detail=0),
            part("words.long-text", 2, 4, b"rd", 2, 4),
            stage(*NET[1], 3),
            commit([*NET, ("words.long-text", "word")], TOKEN_A, reply={"generation": 1}),
        ),
    ),
    Conversation(
        "parts-kept",
        "what is refused forgets no parts; complete ones are remembered for their repeat",
        "6.4",
        (
            part("octets.cert", 0, 6, b"abc", 0, 3),
            refuse("words.text", "a", "length"),
            part_refused("words.text", 0, 13, b"abc", code="length"),
            part("octets.cert", 3, 6, b"def", 1, 6),
            stage("words.text", "apple", 2),
            part("octets.cert", 3, 6, b"def", 2, 6),
            part("octets.cert", 0, 6, b"abc", 2, 6),
            stage("octets.cert", b"xyz", 2),
            part_refused("octets.cert", 3, 6, b"def", code="gap", detail=0),
            status("empty", 2),
        ),
    ),
    Conversation(
        "parts-dropped",
        "parts go with what is staged: by discard, and after ten minutes without a request",
        "5.1",
        (
            part("octets.cert", 0, 6, b"abc", 0, 3),
            Ask("discard", {"boot": 1000}, {}),
            part_refused("octets.cert", 3, 6, b"def", code="gap", detail=0),
            part("octets.cert", 0, 6, b"abc", 0, 3),
            Wait(601_000),
            part_refused("octets.cert", 3, 6, b"def", code="gap", detail=0),
            part("octets.cert", 0, 6, b"abcdef", 1, 6),
            Wait(599_000),
            Ask("survey", {}, refused={"code": "not-offered"}),
            Wait(599_000),
            status("empty", 1),
        ),
    ),
    Conversation(
        "secret-in-parts",
        "of a secret the last part may be repeated, and what it contains is compared with nothing",
        "6.4",
        (
            *provisioned(),
            part("words.secret", 0, 12, b"silv", 0, 4),
            part("words.secret", 4, 12, b"er-f", 0, 8),
            Again(),
            part("words.secret", 4, 12, b"xxxx", 0, 8),
            part("words.secret", 8, 12, b"rost", 1, 12),
            Again(),
            part("words.secret", 8, 12, b"xxxx", 1, 12),
            stage("words.text", "apple", 2),
            part("words.secret", 8, 12, b"rost", 2, 12),
            commit(
                [("words.text", "apple"), ("words.secret", "silver-frost")],
                TOKEN_B,
                reply={"generation": 2},
            ),
        ),
    ),
    Conversation(
        "secret-parts-started-anew",
        "a part of a secret at offset 0 always starts anew, even if it equals what is held",
        "6.4",
        (
            part("net.pass", 0, 8, b"bl", 0, 2),
            Again(),
            part("net.pass", 2, 8, b"os", 0, 4),
            part("net.pass", 0, 8, b"bl", 0, 2),
            part("net.pass", 2, 8, b"ossoms", 1, 8),
            part("net.pass", 0, 8, b"bl", 0, 2),
            status("empty"),
            part("net.pass", 2, 8, b"ossoms", 1, 8),
            part("net.pass", 0, 8, b"blossoms", 1, 8),
            Again(),
            stage(*NET[0], 2),
            commit([NET[0], ("net.pass", "blossoms")], TOKEN_A, reply={"generation": 1}),
        ),
    ),
    Conversation(
        "secret-parts-do-not-tell",
        "any other part of a secret is refused alike, and forgets the field",
        "6.4",
        (
            # Equal to what is held, but not the last part.
            part("octets.key", 0, 16, b"abcd", 0, 4),
            part("octets.key", 4, 16, b"efgh", 0, 8),
            part_refused("octets.key", 5, 16, b"f", code="gap", detail=0),
            part_refused("octets.key", 8, 16, b"ijkl", code="gap", detail=0),
            # Other bytes there.
            part("octets.key", 0, 16, b"abcd", 0, 4),
            part("octets.key", 4, 16, b"efgh", 0, 8),
            part_refused("octets.key", 5, 16, b"x", code="gap", detail=0),
            part_refused("octets.key", 8, 16, b"ijkl", code="gap", detail=0),
            # The last part's offset with another length, and its end with another offset.
            part("octets.key", 0, 16, b"abcd", 0, 4),
            part("octets.key", 4, 16, b"efgh", 0, 8),
            part_refused("octets.key", 4, 16, b"efg", code="gap", detail=0),
            part("octets.key", 0, 16, b"abcd", 0, 4),
            part("octets.key", 4, 16, b"efgh", 0, 8),
            part_refused("octets.key", 6, 16, b"gh", code="gap", detail=0),
            # Behind a gap, and another total.
            part("octets.key", 0, 16, b"abcd", 0, 4),
            part_refused("octets.key", 5, 16, b"f", code="gap", detail=0),
            part_refused("octets.key", 4, 16, b"efgh", code="gap", detail=0),
            part("octets.key", 0, 16, b"abcd", 0, 4),
            part_refused("octets.key", 4, 15, b"efgh", code="gap", detail=0),
            part_refused("octets.key", 4, 16, b"efgh", code="gap", detail=0),
            # What is staged goes as well, in parts or whole; other fields stay.
            stage("words.text", "apple", 1),
            part("octets.key", 0, 16, b"abcdefgh", 1, 8),
            part("octets.key", 8, 16, b"ijklmnop", 2, 16),
            part_refused("octets.key", 4, 16, b"efgh", code="gap", detail=0),
            status("empty", 1),
            stage("octets.key", b"abcdefghijklmnop", 2),
            part_refused("octets.key", 8, 16, b"ijklmnop", code="gap", detail=0),
            status("empty", 1),
            # A part that is refused for another reason changes nothing.
            part("octets.key", 0, 16, b"abcdefgh", 1, 8),
            part_refused("octets.key", 5, 17, b"f", code="length"),
            part("octets.key", 8, 16, b"ijklmnop", 2, 16),
        ),
    ),
    Conversation(
        "parts-order",
        "of parts the kind is judged first, then the total, then the gap",
        "6.4",
        (
            part_refused("no.field", 5, 65_535, b"abc", code="unknown-field"),
            part_refused("numbers.integer", 5, 65_535, b"abc", code="wrong-kind"),
            part_refused("octets.cert", 5, 601, b"abc", code="length"),
            part_refused("octets.cert", 5, 600, b"abc", code="gap", detail=0),
        ),
    ),
    Conversation(
        "digest-example",
        "the page's own example of a digest: the set agrees, so that the whole is judged",
        "6.5",
        (
            stage("words.word", None, 1),
            stage("words.text", "apple", 2),
            Ask(
                "commit",
                {"count": 2, "digest": 0xBA312C02, "token": TOKEN_A},
                refused={"code": "missing", "field": "net.name"},
            ),
            status("empty", 2),
        ),
    ),
    Conversation(
        "parts-refused",
        "limits of parts, and the check when the last has come",
        "6.4",
        (
            part_refused("octets.cert", 0, 601, b"abc", code="length"),
            Ask(
                "set-field",
                {"field": "octets.cert", "offset": 4, "total": 6, "part": b"abc"},
                refused={"code": "malformed"},
            ),
            Ask(
                "set-field",
                {"field": "no.field", "offset": 4, "total": 6, "part": b"abc"},
                refused={"code": "malformed"},
            ),
            part_refused("numbers.choice", 0, 4, b"slow", code="wrong-kind"),
            part_refused("net.pass", 0, 64, b"\xff" * 64, code="characters"),
            part_refused("numbers.integer", 0, 3, b"abc", code="wrong-kind"),
            part_refused("no.field", 0, 3, b"abc", code="unknown-field"),
            part_refused("words.text", 0, 2, b"a\x07", code="characters"),
            part_refused("words.text", 0, 2, b"\xc3\x28", code="characters"),
            part("words.text", 0, 3, b"\xc3", 0, 1),
            part("words.text", 1, 3, b"\xa9a", 1, 3),
            part_refused("words.text", 0, 1, b"a", code="length"),
            status("empty", 0),
        ),
    ),
    Conversation(
        "partner",
        "network name and passphrase are set together",
        "9.6",
        (
            stage("net.name", b"orchard", 1),
            commit(
                [("net.name", b"orchard")],
                TOKEN_A,
                refused={"code": "partner", "field": "net.name", "other": "net.pass"},
            ),
            status("empty", 1),
            stage("net.pass", None, 2),
            commit(
                [("net.name", b"orchard"), ("net.pass", None)], TOKEN_A, reply={"generation": 1}
            ),
            Values(0, {"net.name": ("set", b"orchard")}),
            stage("net.pass", "blossom-in-may", 1),
            commit(
                [("net.pass", "blossom-in-may")],
                TOKEN_B,
                refused={"code": "partner", "field": "net.pass", "other": "net.name"},
            ),
        ),
    ),
    Conversation(
        "missing",
        "a required field has no value: nothing is stored, and one field mends it",
        "9.6",
        (
            stage("words.text", "apple", 1),
            commit(
                [("words.text", "apple")], TOKEN_A, refused={"code": "missing", "field": "net.name"}
            ),
            status("empty", 1),
            stage(*NET[0], 2),
            stage(*NET[1], 3),
            commit([*NET, ("words.text", "apple")], TOKEN_A, reply={"generation": 1}),
            stage("net.name", None, 1),
            stage("net.pass", None, 2),
            commit(
                [("net.name", None), ("net.pass", None)],
                TOKEN_B,
                refused={"code": "missing", "field": "net.name"},
            ),
        ),
    ),
    Conversation(
        "conditions",
        "a field is required only while its condition holds, through a chain",
        "9.5",
        (
            *provisioned(),
            stage("siren.fitted", True, 1),
            commit(
                [("siren.fitted", True)],
                TOKEN_B,
                refused={"code": "missing", "field": "siren.pattern"},
            ),
            stage("siren.pattern", "pulsed", 2),
            commit(
                [("siren.fitted", True), ("siren.pattern", "pulsed")],
                TOKEN_B,
                refused={"code": "missing", "field": "siren.pulse"},
            ),
            stage("siren.pattern", "steady", 2),
            commit(
                [("siren.fitted", True), ("siren.pattern", "steady")],
                TOKEN_B,
                reply={"generation": 2},
            ),
            stage("siren.fitted", False, 1),
            stage("siren.pattern", "pulsed", 2),
            commit(
                [("siren.fitted", False), ("siren.pattern", "pulsed")],
                TOKEN_C,
                reply={"generation": 3},
            ),
            Values(
                "siren.fitted", {"siren.fitted": ("set", False), "siren.pattern": ("set", "pulsed")}
            ),
        ),
    ),
    Conversation(
        "pins",
        "two fields never get one pin, unless both share; a hidden field frees its pin",
        "9.6",
        (
            *provisioned(),
            stage("pins.out", 26, 1),
            stage("pins.analog", 26, 2),
            commit(
                [("pins.out", 26), ("pins.analog", 26)],
                TOKEN_B,
                refused={"code": "pin-conflict", "field": "pins.analog", "other": "pins.out"},
            ),
            stage("pins.analog", 27, 2),
            commit([("pins.out", 26), ("pins.analog", 27)], TOKEN_B, reply={"generation": 2}),
            stage("pins.out", 27, 1),
            commit(
                [("pins.out", 27)],
                TOKEN_C,
                refused={"code": "pin-conflict", "field": "pins.analog", "other": "pins.out"},
            ),
            stage("pins.analog", 26, 2),
            commit([("pins.out", 27), ("pins.analog", 26)], TOKEN_C, reply={"generation": 3}),
            stage("pins.bus-a", 3, 1),
            stage("pins.bus-b", 3, 2),
            commit([("pins.bus-a", 3), ("pins.bus-b", 3)], TOKEN_A, reply={"generation": 4}),
            stage("siren.pin", 3, 1),
            commit([("siren.pin", 3)], TOKEN_B, reply={"generation": 5}),
            stage("siren.fitted", True, 1),
            stage("siren.pattern", "steady", 2),
            commit(
                [("siren.fitted", True), ("siren.pattern", "steady")],
                TOKEN_C,
                refused={"code": "pin-conflict", "field": "siren.pin", "other": "pins.bus-a"},
            ),
        ),
    ),
    Conversation(
        "instances",
        "an instance is in use when one of its fields is set, and then needs what is required",
        "8.3",
        (
            *provisioned(),
            stage("probe.2.offset", 3, 1),
            commit(
                [("probe.2.offset", 3)],
                TOKEN_B,
                refused={"code": "missing", "field": "probe.2.label"},
            ),
            stage("probe.2.label", "south", 2),
            commit(
                [("probe.2.label", "south"), ("probe.2.offset", 3)],
                TOKEN_B,
                reply={"generation": 2},
            ),
            Values(
                "probe.1.label", {"probe.2.label": ("set", "south"), "probe.2.offset": ("set", 3)}
            ),
        ),
    ),
    Conversation(
        "versions",
        "hello is answered in any version, another request only in a known one",
        "4.2",
        (
            Ask("hello", {}, _hello(), version=9),
            Ask("hello", {1: 1}, _hello(), version=9),
            Ask("status", {}, refused={"code": "unsupported-version"}, version=9),
            Ask(
                "status",
                {99: True},
                refused={"code": "unsupported-version"},
                version=2,
            ),
            status("empty"),
        ),
    ),
    Conversation(
        "unknown-types",
        "a request type that nobody knows, and types that are not offered",
        "4.2",
        (
            Ask(99, {}, refused={"code": "unknown-type"}),
            Ask("survey", {}, refused={"code": "not-offered"}),
            Ask("locate", {}, refused={"code": "not-offered"}),
            Ask("confirm", {"generation": 0}, refused={"code": "not-offered"}),
            Ask("confirm", {}, refused={"code": "not-offered"}),
        ),
    ),
    Conversation(
        "bodies",
        "keys that must be understood, keys that may be skipped, values of the wrong form",
        "4.2",
        (
            Ask("status", {63: 1}, refused={"code": "malformed"}),
            Ask(
                "status",
                {64: [1, {2: "any"}]},
                {"store": "empty", "staged": 0, "run": "idle", "generation": 0, "boot": 1000},
            ),
            Ask("hello", {1: 1}, refused={"code": "malformed"}),
            Ask("hello", {64: "a host's name"}, _hello()),
            Ask("discard", {}, refused={"code": "malformed"}),
            Ask("discard", {"boot": "1000"}, refused={"code": "malformed"}),
            Ask("discard", {"boot": -1}, refused={"code": "malformed"}),
            Ask("get-schema", {"offset": 0}, refused={"code": "malformed"}),
            Ask("get-schema", {"offset": 0, "length": 0}, refused={"code": "malformed"}),
            Ask("get-schema", {"offset": 0, "length": 471}, refused={"code": "malformed"}),
            Ask("get-schema", {"offset": 262144, "length": 1}, refused={"code": "malformed"}),
            Ask("set-field", {"field": "words.text"}, refused={"code": "malformed"}),
            Ask(
                "set-field",
                {"field": "words.text", "value": "ab", "offset": 0, "total": 2, "part": b"ab"},
                refused={"code": "malformed"},
            ),
            Ask(
                "set-field",
                {"field": "words.text", "offset": 0, "part": b"ab"},
                refused={"code": "malformed"},
            ),
            Ask("set-field", {"field": "", "value": "ab"}, refused={"code": "malformed"}),
            Ask("set-field", {"field": "f" * 33, "value": "ab"}, refused={"code": "malformed"}),
            Ask(
                "set-field", {"field": "words.text", "value": ["ab"]}, refused={"code": "malformed"}
            ),
            Ask("set-field", {"field": "words.text", "value": {}}, refused={"code": "malformed"}),
            Ask("commit", {1: 1, 2: 1, 3: bytes(7)}, refused={"code": "malformed"}),
            Ask("commit", {1: 0, 2: 1, 3: bytes(8)}, refused={"code": "malformed"}),
            status("empty"),
        ),
    ),
    Conversation(
        "out-of-bounds",
        "nothing beyond the schema and the fields",
        "6.2",
        (
            Ask(
                "get-schema",
                {"offset": "schema-size", "length": 10},
                refused={"code": "out-of-bounds", "detail": "schema-size"},
            ),
            Ask(
                "get-values",
                {"first": "field-count"},
                refused={"code": "out-of-bounds", "detail": "field-count"},
            ),
            Ask(
                "get-values",
                {"first": 511},
                refused={"code": "out-of-bounds", "detail": "field-count"},
            ),
        ),
    ),
    Conversation(
        "schema",
        "the schema in pieces, the last one shorter",
        "6.2",
        (
            Ask("get-schema", {"offset": 0, "length": 64}, {"offset": 0, "piece": (0, 64)}),
            Ask("get-schema", {"offset": 64, "length": 300}, {"offset": 64, "piece": (64, 300)}),
            Ask(
                "get-schema",
                {"offset": "last", "length": 64},
                {"offset": "last", "piece": ("last", 1)},
            ),
        ),
    ),
    Conversation(
        "undo",
        "the set before, and back; a repeat is answered; nothing older at first",
        "6.7",
        (
            Ask("undo", {"generation": 0}, refused={"code": "wrong-state"}),
            *provisioned(),
            Ask("undo", {"generation": 1}, refused={"code": "no-older-set"}),
            stage("words.text", "apple", 1),
            Ask("undo", {"generation": 1}, refused={"code": "wrong-state"}),
            commit([("words.text", "apple")], TOKEN_B, reply={"generation": 2}),
            Ask("undo", {"generation": 1}, refused={"code": "moved-on", "detail": 2}),
            Ask("undo", {"generation": 2}, {"generation": 3}),
            Again(),
            Values("words.text", {}),
            Ask("hello", {}, _hello(token=TOKEN_A, generation=3)),
            Ask("undo", {"generation": 3}, {"generation": 4}),
            Values("words.text", {"words.text": ("set", "apple")}),
            Ask("hello", {}, _hello(token=TOKEN_B, generation=4)),
            Restart(1001),
            Ask("undo", {"generation": 3}, refused={"code": "moved-on", "detail": 4}),
            Values("words.text", {"words.text": ("set", "apple")}),
        ),
    ),
    Conversation(
        "erase",
        "nothing is left; a repeat is answered, after a restart it is not",
        "6.7",
        (
            *provisioned(),
            stage("words.text", "apple", 1),
            Ask("erase", {"generation": 2}, refused={"code": "moved-on", "detail": 1}),
            Ask("erase", {"generation": 1}, {"generation": 2}),
            Again(),
            status("empty", generation=2),
            Ask("hello", {}, _hello(generation=2)),
            Values(0, {}),
            Ask("undo", {"generation": 2}, refused={"code": "wrong-state"}),
            Restart(1001),
            status("empty", generation=2, boot=1001),
            Ask("erase", {"generation": 1}, refused={"code": "moved-on", "detail": 2}),
            stage(*NET[0], 1),
            stage(*NET[1], 2),
            commit(NET, TOKEN_B, reply={"generation": 3}),
            Ask("undo", {"generation": 3}, refused={"code": "no-older-set"}),
        ),
    ),
    Conversation(
        "erase-empty",
        "a board on which nothing was stored can be erased",
        "6.7",
        (Ask("erase", {"generation": 0}, {"generation": 1}), status("empty", generation=1)),
    ),
    Conversation(
        "staged-lifetime",
        "what is staged goes after ten minutes without a request",
        "5.1",
        (
            stage("words.text", "apple", 1),
            Wait(599_000),
            status("empty", 1),
            Wait(599_000),
            status("empty", 1),
            Wait(601_000),
            status("empty"),
        ),
    ),
    Conversation(
        "restart",
        "restart is answered first, names the boot, and keeps nothing staged",
        "6.7",
        (
            stage("words.text", "apple", 1),
            Ask("restart", {"boot": 1000}, refused={"code": "wrong-state"}),
            Ask("discard", {"boot": 1000}, {}),
            Ask("restart", {"boot": 1}, refused={"code": "moved-on", "detail": 1000}),
            Ask("restart", {"boot": 1000}, {}),
            Restart(1001),
            Ask("restart", {"boot": 1000}, refused={"code": "moved-on", "detail": 1001}),
            status("empty", boot=1001),
        ),
    ),
    Conversation(
        "noise",
        "log text, echoes, damage and stray bytes change nothing",
        "2.2",
        (
            Noise(b"frost watch started\r\n"),
            status("empty"),
            Noise(b"\x00\xff\x1b[31m~~~~\n"),
            Noise(b"~hAECB6AKJIDNK@E\n"),
            Noise(b"reading 4.5 C ~hAEBB6AKJIDNK@E"),
            stage("words.text", "apple", 1),
            Noise(b"~" + b"A" * 5000),
            status("empty", 1),
        ),
    ),
    Conversation(
        "order-of-checks",
        "the first check that fails decides",
        "4.3",
        (
            Ask(99, {1: 1}, refused={"code": "unsupported-version"}, version=3),
            Ask("survey", {1: "x"}, refused={"code": "not-offered"}),
            Ask("commit", {1: 1, 2: 2, 3: bytes(7)}, refused={"code": "malformed"}),
            Ask("commit", {1: 1, 2: 2, 3: bytes(8)}, refused={"code": "wrong-state"}),
            stage("words.text", "apple", 1),
            Ask("restart", {"boot": 5}, refused={"code": "wrong-state"}),
        ),
    ),
    Conversation(
        "small-board",
        "a board with short lines takes a long value in parts, and no longer line",
        "2.3",
        (
            Ask("hello", {}, _hello("small")),
            part("words.long-text", 0, 60, b"x" * 30, 0, 30),
            part("words.long-text", 30, 60, b"y" * 30, 1, 60),
            Noise(b"\n~" + b"A" * 129 + b"@@@@@@@@\n"),
            stage(*NET[0], 2),
            stage(*NET[1], 3),
            commit(
                [*NET, ("words.long-text", "x" * 30 + "y" * 30)], TOKEN_A, reply={"generation": 1}
            ),
            Values("words.long-text", {"words.long-text": ("set", "x" * 30 + "y" * 30)}),
        ),
        board="small",
    ),
    Conversation(
        "presence",
        "once something is stored, changes want a person",
        "5.5",
        (
            *provisioned(),
            Again(),
            Ask(
                "set-field", {"field": "words.text", "value": "apple"}, refused={"code": "presence"}
            ),
            Ask("set-field", {"field": "words.text"}, refused={"code": "malformed"}),
            Ask("commit", {1: 1, 2: 2, 3: TOKEN_B}, refused={"code": "presence"}),
            Ask("undo", {"generation": 1}, refused={"code": "presence"}),
            Ask("erase", {"generation": 1}, refused={"code": "presence"}),
            Ask("restart", {"boot": 1000}, refused={"code": "presence"}),
            status("complete", run="applying", generation=1),
            Values(0, {"net.name": ("set", b"orchard"), "net.pass": ("set",)}),
            Present(True),
            stage("words.text", "apple", 1),
            Present(False),
            commit([("words.text", "apple")], TOKEN_B, refused={"code": "presence"}),
            Present(True),
            commit([("words.text", "apple")], TOKEN_B, reply={"generation": 2}),
        ),
        board="button",
    ),
    Conversation(
        "presence-repeats",
        "what was done is answered again, though the person has gone",
        "4.3",
        (
            *provisioned(),
            Again(),
            commit(NET, TOKEN_B, refused={"code": "presence"}),
            Present(True),
            stage("words.text", "apple", 1),
            commit([("words.text", "apple")], TOKEN_B, reply={"generation": 2}),
            Present(False),
            commit([("words.text", "apple")], TOKEN_B, reply={"generation": 2}),
            Present(True),
            Ask("undo", {"generation": 2}, {"generation": 3}),
            Present(False),
            Again(),
            Ask("undo", {"generation": 3}, refused={"code": "presence"}),
            Present(True),
            Ask("erase", {"generation": 3}, {"generation": 4}),
            Present(False),
            Again(),
            stage("words.text", "apple", 1),
        ),
        board="button",
    ),
    Conversation(
        "trial-confirmed",
        "a second set is on trial until the host confirms it",
        "5.4",
        (
            Ask("hello", {}, _hello("trial")),
            stage("lamp.level", 1, 1),
            commit([("lamp.level", 1)], TOKEN_A, reply={"generation": 1}),
            status("complete", run="applying", generation=1),
            Ask("confirm", {"generation": 1}, refused={"code": "wrong-state"}),
            stage("lamp.level", 2, 1),
            commit([("lamp.level", 2)], TOKEN_B, reply={"generation": 2}),
            status("trial", run="applying", generation=2, **{"trial-left": 60000}),
            Wait(20_000),
            status("trial", run="applying", generation=2, **{"trial-left": 40000}),
            Ask("confirm", {"generation": 1}, refused={"code": "moved-on", "detail": 2}),
            Ask("confirm", {"generation": 2}, {"generation": 3}),
            Again(),
            status("complete", run="applying", generation=3),
            Wait(100_000),
            status("complete", run="applying", generation=3),
            Values(0, {"lamp.level": ("set", 2)}),
            Ask("hello", {}, _hello("trial", token=TOKEN_B, generation=3)),
            Ask("undo", {"generation": 3}, {"generation": 4}),
            Values(0, {"lamp.level": ("set", 1)}),
        ),
        board="trial",
    ),
    Conversation(
        "trial-proven",
        "the firmware's report ends a trial well",
        "5.4",
        (
            stage("lamp.level", 1, 1),
            commit([("lamp.level", 1)], TOKEN_A, reply={"generation": 1}),
            stage("lamp.level", 2, 1),
            commit([("lamp.level", 2)], TOKEN_B, reply={"generation": 2}),
            Report("proven"),
            status("complete", run="proven", generation=3, step="none"),
            Restart(1001),
            status("complete", run="applying", generation=3, boot=1001),
            Values(0, {"lamp.level": ("set", 2)}),
        ),
        board="trial",
    ),
    Conversation(
        "trial-expires",
        "nobody confirmed: the older set is in force again, with its token",
        "5.4",
        (
            stage("lamp.level", 1, 1),
            commit([("lamp.level", 1)], TOKEN_A, reply={"generation": 1}),
            stage("lamp.level", 2, 1),
            commit([("lamp.level", 2)], TOKEN_B, reply={"generation": 2}),
            Report("failed", step="hardware", reason="no-response"),
            status(
                "trial",
                run="failed",
                generation=2,
                step="hardware",
                reason="no-response",
                **{"trial-left": 60000},
            ),
            Wait(60_000),
            status("complete", run="applying", generation=3),
            Values(0, {"lamp.level": ("set", 1)}),
            Ask("hello", {}, _hello("trial", token=TOKEN_A, generation=3)),
        ),
        board="trial",
    ),
    Conversation(
        "trial-restarts",
        "a board that restarts three times in a trial goes back",
        "5.4",
        (
            stage("lamp.level", 1, 1),
            commit([("lamp.level", 1)], TOKEN_A, reply={"generation": 1}),
            stage("lamp.level", 2, 1),
            commit([("lamp.level", 2)], TOKEN_B, reply={"generation": 2}),
            Restart(1001),
            status("trial", run="applying", generation=3, boot=1001, **{"trial-left": 60000}),
            Restart(1002),
            status("trial", run="applying", generation=4, boot=1002, **{"trial-left": 60000}),
            Restart(1003),
            status("complete", run="applying", generation=5, boot=1003),
            Values(0, {"lamp.level": ("set", 1)}),
            Ask("hello", {}, _hello("trial", boot=1003, token=TOKEN_A, generation=5)),
        ),
        board="trial",
    ),
    Conversation(
        "trial-time-anew",
        "the time of a trial begins anew at every start",
        "5.4",
        (
            stage("lamp.level", 1, 1),
            commit([("lamp.level", 1)], TOKEN_A, reply={"generation": 1}),
            stage("lamp.level", 2, 1),
            commit([("lamp.level", 2)], TOKEN_B, reply={"generation": 2}),
            Wait(50_000),
            Restart(1001),
            Wait(59_999),
            status("trial", run="applying", generation=3, boot=1001, **{"trial-left": 1}),
            Wait(1),
            status("complete", run="applying", generation=4, boot=1001),
        ),
        board="trial",
    ),
    Conversation(
        "trial-replaced",
        "a commit in a trial replaces the set on trial; the confirmed one stays",
        "5.4",
        (
            stage("lamp.level", 1, 1),
            commit([("lamp.level", 1)], TOKEN_A, reply={"generation": 1}),
            stage("lamp.level", 2, 1),
            commit([("lamp.level", 2)], TOKEN_B, reply={"generation": 2}),
            stage("lamp.level", 3, 1),
            commit([("lamp.level", 3)], TOKEN_C, reply={"generation": 3}),
            status("trial", run="applying", generation=3, **{"trial-left": 60000}),
            Ask("undo", {"generation": 3}, {"generation": 4}),
            Again(),
            status("complete", run="applying", generation=4),
            Values(0, {"lamp.level": ("set", 1)}),
        ),
        board="trial",
    ),
    Conversation(
        "survey",
        "a scan is read on while it runs, and its networks keep their numbers",
        "6.8",
        (
            Ask("survey", {"first": 1}, refused={"code": "out-of-bounds", "detail": 0}),
            Ask("survey", {}, _scan(1, False, 0, 0)),
            Ask("survey", {"scan": 1}, _scan(1, False, 0, 0)),
            Found((_NEAR, _GUEST), done=False),
            Ask("survey", {}, _scan(1, False, 2, 0, _NEAR, _GUEST)),
            Ask("survey", {"first": 1}, _scan(1, False, 2, 1, _GUEST)),
            Ask("survey", {"scan": 1, "first": 1}, _scan(1, False, 2, 1, _GUEST)),
            Again(),
            Ask("survey", {"scan": 1, "first": 2}, _scan(1, False, 2, 2)),
            Ask("survey", {"scan": 1, "first": 3}, refused={"code": "out-of-bounds", "detail": 2}),
            Ask("survey", {"scan": 2}, refused={"code": "out-of-bounds", "detail": 2}),
            Found((_FAR,), done=True),
            Ask("survey", {"scan": 1, "first": 2}, _scan(1, True, 3, 2, _FAR)),
            Ask("survey", {}, _scan(2, False, 0, 0)),
            Ask("survey", {"scan": 1}, refused={"code": "out-of-bounds", "detail": 0}),
            Found((), done=True),
            Ask("survey", {"scan": 2}, _scan(2, True, 0, 0)),
        ),
        board="radio",
    ),
    Conversation(
        "survey-and-staged",
        "a scan and showing itself leave what is staged alone",
        "11.1",
        (
            stage("words.text", "apple", 1),
            Ask("survey", {}, _scan(1, False, 0, 0)),
            Ask("locate", {}, {}),
            Again(),
            status("empty", 1),
        ),
        board="radio",
    ),
    Conversation(
        "listens",
        "a board that listens for a while is silent afterwards, until its next start",
        "5.7",
        (
            Ask("hello", {}, _hello("brief", listens=5000)),
            Wait(2000),
            Ask("hello", {}, _hello("brief", listens=3000)),
            Wait(2999),
            Ask("hello", {}, _hello("brief", listens=1)),
            Wait(1),
            Noise(b"\n~hAEBB6AKJIDNK@E\n"),
            Restart(1001),
            Ask("hello", {}, _hello("brief", boot=1001, listens=5000)),
        ),
        board="brief",
    ),
    Conversation(
        "update-and-a-default-pin",
        "an update's default is the pin that another field was set to: nothing is applied",
        "9.6",
        (
            *updated(("dryer.fan", 14), ("dryer.limit", 50)),
            status("incomplete", generation=1, boot=1001, conflict=_HEATER_AND_FAN),
            Values(0, {"dryer.fan": ("set", 14), "dryer.limit": ("set", 50)}),
            stage("dryer.heater", 14, 1),
            commit(
                [("dryer.heater", 14)],
                TOKEN_B,
                refused={"code": "pin-conflict", "field": "dryer.heater", "other": "dryer.fan"},
            ),
            stage("dryer.heater", 15, 1),
            commit([("dryer.heater", 15)], TOKEN_B, reply={"generation": 2}),
            on_trial(2),
            Ask("undo", {"generation": 2}, refused={"code": "no-older-set"}),
            Report("proven"),
            status("complete", run="proven", step="none", generation=3, boot=1001),
            Ask("undo", {"generation": 3}, refused={"code": "no-older-set"}),
            Restart(1002),
            status("complete", run="applying", generation=3, boot=1002),
        ),
        board="dryer-1",
    ),
    Conversation(
        "trial-over-a-pin-conflict",
        "a trial ends badly, and the set in force again has two fields on one pin",
        "5.4",
        (
            *updated(("dryer.fan", 14), ("dryer.limit", 50)),
            stage("dryer.heater", 15, 1),
            commit([("dryer.heater", 15)], TOKEN_B, reply={"generation": 2}),
            on_trial(2),
            Wait(60_000),
            status("incomplete", generation=3, boot=1001, conflict=_HEATER_AND_FAN),
            Ask("undo", {"generation": 3}, {"generation": 4}),
            status("complete", run="applying", generation=4, boot=1001),
        ),
        board="dryer-1",
    ),
    Conversation(
        "update-and-a-new-pin",
        "a new field's default is a pin that somebody uses; to clear the field does not mend it",
        "9.6",
        (
            *updated(("dryer.fan", 5), ("dryer.heater", 6), ("dryer.limit", 50)),
            status("incomplete", generation=1, boot=1001, conflict=["dryer.mist", "dryer.fan"]),
            stage("dryer.mist", None, 1),
            commit(
                [("dryer.mist", None)],
                TOKEN_B,
                refused={"code": "pin-conflict", "field": "dryer.mist", "other": "dryer.fan"},
            ),
            stage("dryer.fan", 7, 2),
            commit([("dryer.fan", 7), ("dryer.mist", None)], TOKEN_B, reply={"generation": 2}),
            on_trial(2),
        ),
        board="dryer-1",
    ),
    Conversation(
        "update-refuses-a-value-under-a-caution",
        "a value falls back, and the default, which carries a caution, is not in force",
        "9.6",
        (
            *updated(("dryer.fan", 2), ("dryer.heater", 6), ("dryer.limit", 75)),
            status("incomplete", generation=1, boot=1001, missing="dryer.limit"),
            Values(
                0,
                {
                    "dryer.fan": ("set", 2),
                    "dryer.heater": ("set", 6),
                    "dryer.limit": ("fell-back",),
                },
            ),
            stage("dryer.mist", 8, 1),
            commit(
                [("dryer.mist", 8)], TOKEN_B, refused={"code": "missing", "field": "dryer.limit"}
            ),
            # As a value that a person chose it counts, in the condition of another field too.
            stage("dryer.limit", 45, 2),
            commit(
                [("dryer.limit", 45), ("dryer.mist", 8)],
                TOKEN_B,
                refused={"code": "missing", "field": "dryer.alarm"},
            ),
            stage("dryer.alarm", 5, 3),
            commit(
                [("dryer.limit", 45), ("dryer.alarm", 5), ("dryer.mist", 8)],
                TOKEN_B,
                reply={"generation": 2},
            ),
            on_trial(2),
        ),
        board="dryer-1",
    ),
    Conversation(
        "defaults-under-a-caution",
        "a default is only proposed where the field, or the pin that it is, carries a caution",
        "9.6",
        (
            *updated(("dryer.fan", 2), ("dryer.heater", 6)),
            status("incomplete", generation=1, boot=1001, missing="dryer.limit"),
            Values(0, {"dryer.fan": ("set", 2), "dryer.heater": ("set", 6)}),
            stage("dryer.limit", None, 1),
            commit(
                [("dryer.limit", None)],
                TOKEN_B,
                refused={"code": "missing", "field": "dryer.limit"},
            ),
            stage("dryer.limit", 50, 1),
            stage("dryer.lit", True, 2),
            commit(
                [("dryer.limit", 50), ("dryer.lit", True)],
                TOKEN_B,
                refused={"code": "missing", "field": "dryer.lamp"},
            ),
            stage("dryer.lamp", 9, 3),
            commit(
                [("dryer.limit", 50), ("dryer.lit", True), ("dryer.lamp", 9)],
                TOKEN_B,
                reply={"generation": 2},
            ),
            on_trial(2),
        ),
        board="dryer-1",
    ),
    Conversation(
        "update-with-two-faults",
        "what is missing is told before two fields that have one pin",
        "6.6",
        (
            *updated(("dryer.fan", 14)),
            status("incomplete", generation=1, boot=1001, missing="dryer.limit"),
            stage("dryer.limit", 50, 1),
            commit(
                [("dryer.limit", 50)],
                TOKEN_B,
                refused={"code": "pin-conflict", "field": "dryer.heater", "other": "dryer.fan"},
            ),
            status("incomplete", 1, generation=1, boot=1001, missing="dryer.limit"),
        ),
        board="dryer-1",
    ),
]
