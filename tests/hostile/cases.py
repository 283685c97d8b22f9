# SPDX-License-Identifier: MIT
"""What a hostile or broken board does, case by case, and how the command ends that meets it.

Each case is a sentence, a change to an honest board, and the ending that the documents promise.
The bounds on time are virtual seconds of the waits that the contract states (clause 5.7); those on
memory are what the command may hold above what it starts with.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item, encode
from provision.contract.table import (
    GetSchemaKey,
    GetValuesKey,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    StatusReplyKey,
)
from provision.schema.codec import to_item
from provision.wizard.result import ExitCode
from tests.hostile.harness import MIB, HostileBoard, line_with, reply_to
from tests.link.virtual import Body
from tests.wizard import sample_schema

Change = Callable[[HostileBoard], None]

SHOW, SETUP = "show", "setup"


@dataclass(frozen=True, slots=True)
class Case:
    """One hostile board."""

    name: str
    change: Change
    code: ExitCode
    says: str
    command: str
    seconds: float
    mib: float
    commits: bool


CASES: list[Case] = []


def case(
    name: str,
    code: ExitCode,
    says: str = "",
    *,
    command: str = SHOW,
    seconds: float = 12.0,
    mib: float = 2.0,
    commits: bool = False,
) -> Callable[[Change], Change]:
    """Register a case. commits: it fails, or does not, only after the commit was sent."""

    def register(change: Change) -> Change:
        CASES.append(Case(name, change, code, says, command, seconds, mib, commits))
        return change

    return register


def answers(board: HostileBoard, type_: MessageType, answer: Callable[[Message], Any]) -> None:
    """Let the board answer a type of request otherwise."""
    board.instead[type_] = answer


def first_of(request: Message) -> int:
    """Return the number or offset that a request for a page or piece begins at."""
    first = request.body[GetValuesKey.FIRST]
    assert isinstance(first, int)
    return first


def hello_with(**other: Any) -> Change:
    """Return a change of the hello reply by names of its keys."""

    def change(board: HostileBoard) -> None:
        more: Body = {HelloReplyKey[name.upper()]: value for name, value in other.items()}
        answers(board, MessageType.HELLO, lambda m: reply_to(m, 2, {**board.hello_body(), **more}))

    return change


def status_with(after_commit: bool = False, **other: Any) -> Change:
    """Return a change of the status reply by names of its keys."""

    def change(board: HostileBoard) -> None:
        more: Body = {StatusReplyKey[name.upper()]: value for name, value in other.items()}

        def answer(m: Message) -> Any:
            if after_commit and not board.commits:
                return None
            return reply_to(m, 12, {**board.status_body(), **more})

        answers(board, MessageType.STATUS, answer)

    return change


BREAKS = "The board breaks the protocol"
MENDING = "its firmware needs fixing"
WRONGLY = "The firmware declares its settings wrongly, which its author has to fix"
DAMAGED = "arrived damaged"
REFUSED, NO_BOARD, SCHEMA = ExitCode.REFUSED, ExitCode.NO_BOARD, ExitCode.SCHEMA

# ------------------------------------------------------------------------------------ hello

_WRONG_HELLOS: dict[str, dict[str, Any]] = {
    "no versions": {"versions": []},
    "a hundred versions": {"versions": [*range(1, 101)]},
    "a version of 0": {"versions": [0]},
    "a line limit of 0": {"line": 0},
    "a line limit of 127": {"line": 127},
    "a line limit of 4,294,967,295": {"line": 2**32 - 1},
    "a credit of 0": {"credit": 0},
    "a credit below one line": {"line": 655, "credit": 665},
    "a credit of 4,294,967,295": {"credit": 2**32 - 1},
    "a schema of 0 bytes": {"schema_size": 0},
    "a schema of 4 GiB": {"schema_size": 2**32 - 1},
    "a commit time of 49 days": {"commit_time": 2**32 - 1},
    "an apply time of 601 seconds": {"apply_time": 600_001},
    "a firmware name of 33 bytes": {"firmware": "x" * 33},
    "an empty board name": {"board": ""},
    "a unit id of 17 bytes": {"unit": bytes(17)},
    "a digest of 7 bytes": {"schema_digest": bytes(7)},
    "a token that is text": {"token": "12345678"},
    "a boot number that is true": {"boot": True},
    "a version that is an array in an array": {"versions": [[[1]]]},
}
for _name, _wrong in _WRONG_HELLOS.items():
    case(f"hello announces {_name}", NO_BOARD, BREAKS)(hello_with(**_wrong))

case("hello speaks only versions that nobody knows", NO_BOARD, "version 2, 3, 255")(
    hello_with(versions=[2, 3, 255])
)


@case("hello has keys that nobody knows", ExitCode.DONE)
def _(board: HostileBoard) -> None:
    more: dict[int, Item] = {40: "new", 64: [[[1]]], 2**32 - 1: None}
    answers(board, MessageType.HELLO, lambda m: reply_to(m, 2, {**board.hello_body(), **more}))


@case("hello lacks all its keys", NO_BOARD, BREAKS)
def _(board: HostileBoard) -> None:
    answers(board, MessageType.HELLO, lambda m: reply_to(m, 2, {}))


@case("hello is answered with an array for a body", NO_BOARD, "none of its lines holds a message")
def _(board: HostileBoard) -> None:
    answers(board, MessageType.HELLO, lambda m: reply_to(m, 2, [1, 2, 3]))


@case("hello is refused with no reason", NO_BOARD, BREAKS)
def _(board: HostileBoard) -> None:
    answers(board, MessageType.HELLO, lambda m: reply_to(m, 0, {}))


@case("hello is refused with a code that nobody knows", REFUSED, "code 254")
def _(board: HostileBoard) -> None:
    answers(board, MessageType.HELLO, lambda m: reply_to(m, 0, {1: 254}))


@case("hello is answered with a reply of the wrong type", NO_BOARD, BREAKS)
def _(board: HostileBoard) -> None:
    answers(board, MessageType.HELLO, lambda m: reply_to(m, 12, board.status_body()))


@case("everything is answered with busy for ever", REFUSED, "The board is busy")
def _(board: HostileBoard) -> None:
    for type_ in (MessageType.HELLO, MessageType.GET_VALUES, MessageType.STATUS):
        answers(board, type_, lambda _: Refusal.BUSY)


@case("all but hello is answered with busy for ever", REFUSED, "The board is busy")
def _(board: HostileBoard) -> None:
    for type_ in (*MessageType,):
        if type_ % 2 and type_ is not MessageType.HELLO:
            answers(board, type_, lambda _: Refusal.BUSY)


@case("hello is never answered, and all requests come back", NO_BOARD, "sends back what it is sent")
def _(board: HostileBoard) -> None:
    answers(board, MessageType.HELLO, lambda m: line_with(encode_message(m)))


# ------------------------------------------------------------------------------------- schema


def with_field(**other: Item) -> Item:
    """Return the barn's schema as an item, with a field added that has these keys."""
    item = to_item(sample_schema.SCHEMA)
    assert isinstance(item, dict)
    sections = item[3]
    assert isinstance(sections, list)
    door: Any = sections[1]
    field: dict[int, Item] = {1: "added", 2: int(Kind.TEXT), 3: "Added", 8: 20}
    field |= {int(key.removeprefix("k")): value for key, value in other.items()}
    field = {key: value for key, value in sorted(field.items()) if value is not None}
    door[5] = [*door[5], field]
    return item


for _name, _more, _where in (
    ("a key of 21 bytes", {"k1": "a" * 21}, "key of at most"),
    ("a key with an escape in it", {"k1": "a\x1b[2J"}, "key of at most"),
    ("a key with a line break at its end", {"k1": "added\n"}, "key of at most"),
    ("a label of 41 bytes", {"k3": "x" * 41}, "text of 1 to 40 bytes"),
    ("an empty label", {"k3": ""}, "text of 1 to 40 bytes"),
    ("a help of 401 bytes", {"k4": "x" * 401}, "text of 1 to 400 bytes"),
    ("a caution of 301 bytes", {"k11": "x" * 301}, "text of 1 to 300 bytes"),
    ("a maximum of 256 bytes", {"k8": 256}, "limits"),
    ("a minimum above its maximum", {"k7": 21}, "limits"),
    ("a default that it refuses itself", {"k6": "x" * 21}, "its default is refused"),
    ("a default of another kind", {"k6": 7}, "its default is refused"),
    ("a default for a secret", {"k2": int(Kind.SECRET), "k6": "open"}, "a secret has no default"),
    ("33 options", {"k2": 6, "k8": None, "k13": [[f"o{n}", "x"] for n in range(33)]}, "1 to 32"),
    ("no options", {"k2": 6, "k8": None, "k13": []}, "array of 1 to 32"),
    ("two options with one key", {"k2": 6, "k8": None, "k13": [["a", "A"]] * 2}, "same key"),
    ("seven digits", {"k2": 4, "k8": None, "k10": 7}, "integer from 1 to 6"),
    ("nine older keys", {"k17": [f"door.old{n}" for n in range(9)]}, "array of 1 to 8"),
    ("a condition on itself", {"k12": ["door.added", []]}, "names no earlier field"),
    ("a condition on a later field", {"k12": ["lamp.place", []]}, "names no earlier field"),
    ("a condition on no field", {"k12": ["no.such", []]}, "names no earlier field"),
    ("a condition on a value never had", {"k12": ["door.motor", ["on"]]}, "can never have"),
    ("33 values in a condition", {"k12": ["door.motor", [True] * 33]}, "array of 0 to 32"),
    ("a key that another field has", {"k1": "note"}, "two fields have the same key"),
    ("a network of another section", {"k2": 9, "k8": None, "k16": "network.name"}, "of its sect"),
    ("text for a number", {"k8": "twenty"}, "is not an integer"),
    ("a number for a label", {"k3": 7}, "is not a text"),
    ("a map for a default", {"k6": {1: 2}}, "it is not a value"),
):

    def _declares(item: Item) -> Change:
        return lambda board: board.declare_item(item)

    case(f"a field has {_name}", SCHEMA, _where)(_declares(with_field(**_more)))

case("a field is of a kind that nobody knows", SCHEMA, "needs a newer version")(
    lambda board: board.declare_item(with_field(k2=99))
)
case("a field has a key that nobody knows", SCHEMA, "needs a newer version")(
    lambda board: board.declare_item(with_field(k63=1))
)


def schema_with(sections: list[Item], pins: list[Item] | None = None) -> Item:
    """Return a schema item of these sections."""
    item: dict[int, Item] = {1: 1, 2: "Barn", 3: sections}
    return item | ({} if pins is None else {4: list(pins)})


def section(key: str, fields: list[Item], **other: Item) -> Item:
    """Return a section item."""
    repeat = {4: other["repeat"]} if other else {}
    return {1: key, 2: "S", **repeat, 5: fields}


def plain_field(key: str) -> Item:
    """Return the smallest field item."""
    return {1: key, 2: int(Kind.YES_NO), 3: "F"}


def plain_fields(count: int) -> list[Item]:
    """Return so many of the smallest field items."""
    return [plain_field(f"f{n}") for n in range(count)]


case("a section has 10,000 fields", SCHEMA, "array of 1 to 64", mib=6)(
    lambda board: board.declare_item(schema_with([section("a", plain_fields(10_000))]))
)
case("2,048 fields in 32 full sections", SCHEMA, "2048 fields", mib=4)(
    lambda board: board.declare_item(
        schema_with([section(f"s{n}", plain_fields(64)) for n in range(32)])
    )
)
case("513 fields", SCHEMA, "513 fields, and 512 is the limit")(
    lambda board: board.declare_item(
        schema_with([section(f"s{n}", plain_fields(57)) for n in range(9)])
    )
)
case("32,768 fields by repetition", SCHEMA, "32768 fields", mib=4)(
    lambda board: board.declare_item(
        schema_with([section(f"s{n}", plain_fields(64), repeat=[0, 16]) for n in range(32)])
    )
)
case("a section repeats 4,294,967,295 times", SCHEMA, "integer from 0 to 16")(
    lambda board: board.declare_item(
        schema_with([section("a", plain_fields(1), repeat=[0, 2**32 - 1])])
    )
)
case("33 sections", SCHEMA, "array of 1 to 32")(
    lambda board: board.declare_item(
        schema_with([section(f"s{n}", plain_fields(1)) for n in range(33)])
    )
)
case("129 pins", SCHEMA, "array of 0 to 128")(
    lambda board: board.declare_item(
        schema_with([section("a", plain_fields(1))], [{1: n, 3: 1} for n in range(129)])
    )
)
case("two pins with one number", SCHEMA, "do not ascend")(
    lambda board: board.declare_item(
        schema_with([section("a", plain_fields(1))], [{1: 4, 3: 1}, {1: 4, 3: 2}])
    )
)
case("a full key of 33 bytes", SCHEMA, "longer than 32 bytes")(
    lambda board: board.declare_item(schema_with([section("s" * 16, [plain_field("f" * 16)])]))
)
case("two conditions in a circle", SCHEMA, "names no earlier field")(
    lambda board: board.declare_item(
        schema_with(
            [
                section(
                    "a",
                    [
                        {1: "one", 2: 5, 3: "F", 12: ["a.two", [True]]},
                        {1: "two", 2: 5, 3: "F", 12: ["a.one", [True]]},
                    ],
                )
            ]
        )
    )
)
case("a title of 41 bytes", SCHEMA, "text of 1 to 40 bytes")(
    lambda board: board.declare_item({1: 1, 2: "x" * 41, 3: [section("a", plain_fields(1))]})
)
case("a trial of 3,601 seconds", SCHEMA, "integer from 10 to 3600")(
    lambda board: board.declare_item({1: 1, 2: "x", 3: [section("a", plain_fields(1))], 5: 3601})
)
case("a schema of another format", SCHEMA, "needs a newer version")(
    lambda board: board.declare_item({1: 2})
)
case("a schema that is an array of 262,000 nulls", SCHEMA, WRONGLY, mib=4)(
    lambda board: board.declare_bytes(b"\x9a" + (262_000).to_bytes(4, "big") + b"\xf6" * 262_000)
)
case("a schema nested 200,000 deep", SCHEMA, "nested deeper than 10")(
    lambda board: board.declare_bytes(b"\x81" * 200_000 + b"\x01")
)
case("a schema that claims 4 billion items", SCHEMA, "ends within an item")(
    lambda board: board.declare_bytes(b"\x9a\xff\xff\xff\xff")
)
case("a schema with a float, a tag and an endless string", SCHEMA, "tag, a floating-point")(
    lambda board: board.declare_bytes(b"\x83\xfb\x3f\xf0\0\0\0\0\0\0\xc1\x01\x5f\xff")
)
case("a schema with a repeated key", SCHEMA, "repeats or is out of order")(
    lambda board: board.declare_bytes(b"\xa2\x01\x01\x01\x01")
)
case("a schema whose title is no UTF-8", SCHEMA, "not valid UTF-8")(
    lambda board: board.declare_bytes(b"\xa2\x01\x01\x02\x62\xff\xfe")
)
case("a schema with bytes after it", SCHEMA, "bytes follow the item")(
    lambda board: board.declare_bytes(encode(to_item(sample_schema.SCHEMA), 10) + b"\0")
)
case("a schema of 262,145 bytes", SCHEMA, "larger than 262144 bytes")(
    lambda board: board.declare_bytes(b"\x81\x5a\x00\x03\xff\xfb" + bytes(262_139))
)


@case("a digest that lies", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.digest = b"no-truth"


@case("a digest of the deflated bytes", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.digest = hashlib.sha256(board.schema).digest()[:8]


def bomb(size: int) -> Change:
    """Return a schema that inflates to so many zeros, its digest telling the truth."""

    def change(board: HostileBoard) -> None:
        deflate = zlib.compressobj(9, wbits=-zlib.MAX_WBITS)
        digest = hashlib.sha256()
        packed = b""
        chunk = bytes(MIB)
        for _ in range(size // MIB):
            packed += deflate.compress(chunk)
            digest.update(chunk)
        board.schema = packed + deflate.flush()
        board.digest = digest.digest()[:8]

    return change


case("a schema that inflates to 4 MiB", SCHEMA, "larger than 262144 bytes")(bomb(4 * MIB))
case("a schema that inflates to 200 MiB", SCHEMA, "larger than 262144 bytes", mib=6)(
    bomb(200 * MIB)
)


@case("a deflate stream that is cut", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.schema = board.schema[:-3]


@case("bytes behind the deflate stream", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.schema += b"\0" * 40


@case("a schema that is no deflate stream", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.schema = b"\xff" * 1000


@case("262,144 bytes that are no deflate stream", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.schema = b"\xff" * 262_144


@case("a deflate stream of empty blocks without an end", SCHEMA, DAMAGED)
def _(board: HostileBoard) -> None:
    board.schema = b"\0\0\0\xff\xff" * 52_000


@case("a schema in pieces of one byte", NO_BOARD, "not asked for", mib=12)
def _(board: HostileBoard) -> None:
    board.schema = bytes(262_144)
    board.piece = 1


@case("pieces of a schema that are empty", NO_BOARD, BREAKS)
def _(board: HostileBoard) -> None:
    answers(board, MessageType.GET_SCHEMA, lambda m: reply_to(m, 4, {1: m.body[1], 2: b""}))


@case("pieces of a schema from elsewhere", NO_BOARD, "not asked for")
def _(board: HostileBoard) -> None:
    answers(
        board,
        MessageType.GET_SCHEMA,
        lambda m: reply_to(m, 4, {1: first_of(m) + 1, 2: b"x"}),
    )


@case("pieces of a schema longer than asked for", NO_BOARD, "not asked for")
def _(board: HostileBoard) -> None:
    def answer(m: Message) -> bytes:
        return reply_to(m, 4, {1: m.body[GetSchemaKey.OFFSET], 2: bytes(470)})

    board.schema = bytes(100)
    answers(board, MessageType.GET_SCHEMA, answer)


@case("a schema of which no piece comes", NO_BOARD, "stopped answering", seconds=40)
def _(board: HostileBoard) -> None:
    answers(board, MessageType.GET_SCHEMA, lambda _: b"")


def dawdling(answer: Callable[[Message], Any] = lambda _: None) -> Callable[[Message], Any]:
    """Return what answers a request only when it has been repeated for nearly ten seconds."""
    sent: dict[int, int] = {}

    def wait(request: Message) -> Any:
        sent[request.id] = sent.get(request.id, 0) + 1
        return b"" if sent[request.id] < 9 else answer(request)

    return wait


@case(
    "the largest schema, each piece at the last moment",
    NO_BOARD,
    "takes too long",
    seconds=400,
    mib=12,
)
def _(board: HostileBoard) -> None:
    board.schema = bytes(262_144)
    board.credit = 666
    answers(board, MessageType.GET_SCHEMA, dawdling())


@case("512 pages of values, each at the last moment", NO_BOARD, "takes too long", seconds=400)
def _(board: HostileBoard) -> None:
    answers(
        board,
        MessageType.GET_VALUES,
        dawdling(lambda m: {1: m.body[1], 2: 512, 3: [[f"a.f{first_of(m)}", 0]]}),
    )


# ------------------------------------------------------------------------------------- values

CONTRADICTS = "list of values contradicts itself"
NOT_FITTING = "does not fit its list of settings"
NOT_ADMITTED = "that its own firmware does not allow"


def values_as(entries: Callable[[HostileBoard], list[Item]]) -> Change:
    """Return a change of the list of values, all of it on one page."""
    return lambda board: answers(
        board,
        MessageType.GET_VALUES,
        lambda m: reply_to(m, 6, {1: 0, 2: len(entries(board)), 3: entries(board)}),
    )


def value_of(key: str, *held: Item) -> Change:
    """Return a change of one entry in the list of values."""
    return values_as(
        lambda board: [
            [key, *held] if isinstance(entry, list) and entry[0] == key else entry
            for entry in board.entries()
        ]
    )


for _name, _key, _held in (
    ("a number for a text", "door.note", (1, 7)),
    ("text for a number", "door.contact", (1, "5")),
    ("text for octets", "network.name", (1, "Farm")),
    ("a number for yes or no", "door.motor", (1, 1)),
    ("an option that is none", "lamp.1.colour", (1, "green")),
    ("a pin that is none", "door.contact", (1, 77)),
    ("a pin that is taken", "door.contact", (1, 3)),
    ("a text that is too long", "door.note", (1, "x" * 21)),
    ("a text with an escape in it", "door.note", (1, "\x1b[2J")),
    ("nothing where it says that it is set", "door.contact", (1,)),
):
    case(f"the board holds {_name}", SCHEMA, NOT_ADMITTED)(value_of(_key, *_held))

case("a value that is an array", NO_BOARD, BREAKS)(value_of("door.note", 1, [1]))
case("a value that is a map", NO_BOARD, BREAKS)(value_of("door.note", 1, {1: 1}))
case("a held code that nobody knows", ExitCode.DONE, "not set")(value_of("door.note", 9))
case("the board gives a secret back", ExitCode.DONE, "set, not shown")(
    value_of("door.code", 1, "7391")
)
case("the board gives a value of what is unset", ExitCode.DONE, "Note: not set")(
    value_of("door.note", 0, "left over")
)
case("values for fields that nobody declared", SCHEMA, NOT_FITTING)(
    values_as(lambda board: [*board.entries(), ["no.such-field", 0]])
)
case("values for fields that nobody declared, in place of others", SCHEMA, NOT_FITTING)(
    values_as(lambda board: [*board.entries()[1:], ["\x1b[2J\u202e", 0]])
)
case("a field that is listed twice", NO_BOARD, CONTRADICTS)(
    values_as(lambda board: [*board.entries()[1:], board.entries()[-1]])
)
case("more values than counted", NO_BOARD, CONTRADICTS)(
    lambda board: answers(
        board, MessageType.GET_VALUES, lambda m: reply_to(m, 6, {1: 0, 2: 1, 3: board.entries()})
    )
)
case("an empty page of values", NO_BOARD, BREAKS)(
    lambda board: answers(
        board, MessageType.GET_VALUES, lambda m: reply_to(m, 6, {1: 0, 2: 9, 3: []})
    )
)
case("a count of 513 values", NO_BOARD, BREAKS)(
    lambda board: answers(
        board, MessageType.GET_VALUES, lambda m: reply_to(m, 6, {1: 0, 2: 513, 3: [["a.b", 0]]})
    )
)


@case("the same page of values again and again", NO_BOARD, CONTRADICTS)
def _(board: HostileBoard) -> None:
    answers(board, MessageType.GET_VALUES, lambda m: {1: m.body[1], 2: 512, 3: [["a.b", 0]]})


@case("a count of values that grows with every page", NO_BOARD, CONTRADICTS)
def _(board: HostileBoard) -> None:
    def answer(m: Message) -> Any:
        first = first_of(m)
        return {1: first, 2: min(first + 2, 512), 3: [[f"a.f{first}", 0]]}

    answers(board, MessageType.GET_VALUES, answer)


@case("512 pages of one value each", SCHEMA, NOT_FITTING)
def _(board: HostileBoard) -> None:
    answers(
        board,
        MessageType.GET_VALUES,
        lambda m: {1: m.body[1], 2: 512, 3: [[f"a.f{first_of(m)}", 0]]},
    )


# ------------------------------------------------------------------------------------- status

case("codes of status that nobody knows", ExitCode.DONE, "77")(
    status_with(store=77, run=78, step=79, reason=80)
)
case("a status that lacks its keys", NO_BOARD, BREAKS)(
    lambda board: answers(board, MessageType.STATUS, lambda m: reply_to(m, 12, {1: 2}))
)
case("a network address of five bytes", NO_BOARD, BREAKS)(status_with(address=bytes(5)))
case("a field at fault that nobody declared", ExitCode.DONE, "does not work")(
    status_with(run=3, reason=10, field="\x1b[2J\u202eno.such")
)

# ------------------------------------------------------------------------------------ refusals

for _code in (0, 26, 255):

    def _refusing(code: int) -> Change:
        def change(board: HostileBoard) -> None:
            for type_ in MessageType:
                if type_ % 2 and type_ is not MessageType.HELLO:
                    answers(board, type_, lambda m: reply_to(m, 0, {1: code}))

        return change

    case(f"every request but hello is refused with code {_code}", REFUSED, f"code {_code}")(
        _refusing(_code)
    )

case("a refusal with no reason", NO_BOARD, BREAKS)(
    lambda board: answers(board, MessageType.STATUS, lambda m: reply_to(m, 0, {}))
)
case("a refusal with a code of 256", NO_BOARD, BREAKS)(
    lambda board: answers(board, MessageType.STATUS, lambda m: reply_to(m, 0, {1: 256}))
)
case("a refusal of hostile text", REFUSED, "The board refused the request status: form")(
    lambda board: answers(
        board,
        MessageType.STATUS,
        lambda m: reply_to(
            m, 0, {1: int(Refusal.FORM), 2: "\x1b[2J\u202e", 3: 2**32 - 1, 4: "\x07\x9b"}
        ),
    )
)


def refuses(type_: MessageType, code: int, **other: Any) -> Change:
    """Return a change that refuses one type of request."""
    more = {int(RefusalKey[name.upper()]): value for name, value in other.items()}
    return lambda board: answers(board, type_, lambda m: reply_to(m, 0, {1: code, **more}))


for _field in ("no.such", "door.code", "lamp.3.place", "\x1b[2J\u202e", ""):
    case(
        f"a value is refused with the foreign field {_field!a}",
        REFUSED,
        "The board refused|was refused by the board" if _field else "did not arrive whole",
        command=SETUP,
    )(refuses(MessageType.SET_FIELD, int(Refusal.PARTNER) + 100, field=_field))

case("a value is refused with a code that does not suit its kind", REFUSED, command=SETUP)(
    refuses(MessageType.SET_FIELD, int(Refusal.PIN_TAKEN), field="door.note")
)
case(
    "values are refused as if somebody had to be present, for ever",
    REFUSED,
    "its button",
    command=SETUP,
    seconds=135,
)(refuses(MessageType.SET_FIELD, int(Refusal.PRESENCE)))
case("values are refused as busy for ever", REFUSED, "busy", command=SETUP, seconds=24)(
    refuses(MessageType.SET_FIELD, int(Refusal.BUSY))
)
case("discard is refused for ever", REFUSED, "code 99", command=SETUP)(
    refuses(MessageType.DISCARD, 99)
)
case("values are never answered", REFUSED, "did not arrive whole", command=SETUP, seconds=42)(
    lambda board: answers(board, MessageType.SET_FIELD, lambda _: b"")
)
case("values are answered with another type", REFUSED, "did not arrive whole", command=SETUP)(
    lambda board: answers(board, MessageType.SET_FIELD, lambda m: reply_to(m, 12, {}))
)
