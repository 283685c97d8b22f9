# SPDX-License-Identifier: MIT
"""Checks of the envelope, and of the order in which a board looks at a request: clauses 4, 11.2."""

from __future__ import annotations

from collections.abc import Iterator

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.crafted import STATUS, carried
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.profile import Item, encode
from provision.contract.shapes import Array, Bytes, Either, FieldValue, Integer, Shape, Text
from provision.contract.table import (
    MESSAGES,
    SKIPPABLE_FROM,
    Capability,
    CommitKey,
    DiscardKey,
    GetSchemaKey,
    GetValuesKey,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    UndoKey,
)


def envelopes(board: BoardUnderTest) -> Steps[None]:
    """An item that is not [1...255, 0...255, 0...65535, map] is ignored."""
    id_ = board.next_id()
    forms: tuple[tuple[str, Item], ...] = (
        ("an array of three", [1, STATUS, id_]),
        ("an array of five", [1, STATUS, id_, {}, 0]),
        ("an empty array", []),
        ("a map", {1: STATUS}),
        ("an integer", 7),
        ("null", None),
        ("version 0", [0, STATUS, id_, {}]),
        ("version 256", [256, STATUS, id_, {}]),
        ("version -1", [-1, STATUS, id_, {}]),
        ("a version of text", ["1", STATUS, id_, {}]),
        ("type 256 + 11", [1, 256 + STATUS, id_, {}]),
        ("a negative type", [1, -2, id_, {}]),
        ("a type that is true", [1, True, id_, {}]),
        ("id 65536", [1, STATUS, 65536, {}]),
        ("a negative id", [1, STATUS, -1, {}]),
        ("an id of bytes", [1, STATUS, b"\x01", {}]),
        ("a body that is an array", [1, STATUS, id_, []]),
        ("a body that is null", [1, STATUS, id_, None]),
        ("a body of bytes", [1, STATUS, id_, b""]),
    )
    for what, item in forms:
        yield from board.ignored(what, carried(encode(item)))


def ids(board: BoardUnderTest) -> Steps[None]:
    """Every id is carried back, those at the ends of the range too."""
    for id_ in (0, 1, 23, 24, 255, 256, 65535):
        _, line = board.line(STATUS, id_=id_)
        got = yield from board.converse([line], [id_])
        if [message.id for message in got] != [id_]:
            raise NotMet(f"the request with id {id_} was not answered with this id")


def in_order(board: BoardUnderTest) -> Steps[None]:
    """One reply to each request, in the order in which they came."""
    kinds: tuple[tuple[int, Body], ...] = (
        (MessageType.HELLO, {}),
        (STATUS, {}),
        (MessageType.GET_SCHEMA, {GetSchemaKey.OFFSET: 0, GetSchemaKey.LENGTH: 5}),
        (99, {}),
        (MessageType.GET_VALUES, {GetValuesKey.FIRST: 511, 3: 3}),
    )
    yield from board.ask_many([kinds[n % len(kinds)] for n in range(25)])
    yield from board.after()


def unasked(board: BoardUnderTest) -> Steps[None]:
    """A board speaks only when asked."""
    yield from board.silence(1500)


def _base_body(board: BoardUnderTest, type_: int) -> Body:
    """Return a body of the right form that changes nothing, whatever becomes of it."""
    other = board.generation ^ 0x5A5A
    bodies: dict[int, Body] = {
        MessageType.GET_SCHEMA: {GetSchemaKey.OFFSET: 0, GetSchemaKey.LENGTH: 1},
        MessageType.GET_VALUES: {GetValuesKey.FIRST: 0},
        MessageType.SET_FIELD: {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0},
        MessageType.COMMIT: {
            CommitKey.COUNT: 512,
            CommitKey.DIGEST: 0,
            CommitKey.TOKEN: board.token(),
        },
        MessageType.DISCARD: {DiscardKey.BOOT: board.boot},
        MessageType.UNDO: {UndoKey.GENERATION: other},
        MessageType.ERASE: {1: other},
        MessageType.RESTART: {1: board.boot ^ 0x5A5A},
        MessageType.CONFIRM: {1: other},
    }
    return bodies.get(type_, {})


def _requests(board: BoardUnderTest) -> Iterator[int]:
    """Yield the types of requests that the board offers."""
    for type_, row in MESSAGES.items():
        if row.is_request and (row.needs is None or row.needs in board.capabilities):
            yield int(type_)


def unknown_keys(board: BoardUnderTest) -> Steps[None]:
    """A key below 64 that is not known makes any request `malformed`."""
    for type_ in _requests(board):
        for key in (0, 30, 63):
            body = {**_base_body(board, type_), key: 0}
            what = f"{MESSAGES[type_].name} with key {key}"
            yield from board.refused(
                type_, dict(sorted(body.items())), Refusal.MALFORMED, what=what
            )


def skipped_keys(board: BoardUnderTest) -> Steps[None]:
    """A key from 64 up is skipped, whatever its value within the profile."""
    values: tuple[Item, ...] = (
        0, -1, -(2**31), 2**32 - 1, True, False, None, "", "é", b"", bytes(40), [], {},
        [1, "a", [b""]], {0: {5: []}}, list(range(30)),
    )  # fmt: skip
    for value in values:
        yield from board.answer(STATUS, {SKIPPABLE_FROM: value})
    for key in (64, 255, 256, 65536, 2**32 - 1):
        yield from board.answer(STATUS, {key: 0})
    for type_ in (MessageType.HELLO, MessageType.GET_SCHEMA, MessageType.GET_VALUES):
        yield from board.answer(type_, {**_base_body(board, type_), 64: 0, 100: [{}]})
    for number in _requests(board):
        body = _base_body(board, number)
        first = yield from board.ask(number, body)
        second = yield from board.ask(number, {**body, 64: "x"})
        code = RefusalKey.CODE
        if first.type != second.type or (
            first.type == MessageType.REFUSAL and first.body[code] != second.body[code]
        ):
            raise NotMet(f"{MESSAGES[number].name} with key 64 got another answer than without")


def hello_of_any_version(board: BoardUnderTest) -> Steps[None]:
    """A hello of any version is answered, and of its body nothing is looked at."""
    hellos: tuple[tuple[int, Body], ...] = (
        (2, {}),
        (255, {}),
        (2, {1: 7}),
        (200, {0: "x", 5: [1, {2: b""}], 63: None}),
    )
    for version, body in hellos:
        reply = yield from board.ask(MessageType.HELLO, body, version=version)
        if reply.type != MessageType.HELLO_REPLY:
            raise NotMet(f"a hello of version {version} was refused")


def other_versions(board: BoardUnderTest) -> Steps[None]:
    """A request of another version is refused with `unsupported-version`, before all else."""
    spoken = board.hello[HelloReplyKey.VERSIONS]
    assert isinstance(spoken, list)
    asked: list[tuple[int, Body]] = [(STATUS, {1: 1}), (99, {})]
    asked += [(t, {}) for t, row in MESSAGES.items() if row.is_request and t != MessageType.HELLO]
    for version in (2, 255):
        if version in spoken:
            continue
        for type_, body in asked:  # what is not offered, too
            yield from board.refused(
                type_, body, Refusal.UNSUPPORTED_VERSION, version=version,
                what=f"type {type_} of version {version}",
            )  # fmt: skip


def unknown_types(board: BoardUnderTest) -> Steps[None]:
    """A type that the board does not know is refused with `unknown-type`."""
    for type_ in (27, 29, 63, 99, 127, 255):
        for body in ({}, {1: 1}):
            yield from board.refused(type_, body, Refusal.UNKNOWN_TYPE, what=f"type {type_}")


def not_offered(board: BoardUnderTest) -> Steps[None]:
    """A type whose capability the board does not offer is refused with `not-offered`."""
    offered = set(_requests(board))
    missing = [int(t) for t, row in MESSAGES.items() if row.is_request and t not in offered]
    if not missing:
        raise NotApplicable("the board offers everything")
    for type_ in missing:
        what = MESSAGES[type_].name
        for body in (_base_body(board, type_), {63: 0}):
            yield from board.refused(type_, body, Refusal.NOT_OFFERED, what=what)


def forms(board: BoardUnderTest) -> Steps[None]:
    """A body that lacks a key, or has a value outside the table, is `malformed`."""
    for type_ in _requests(board):
        row = MESSAGES[type_]
        base = _base_body(board, type_)
        bad: list[tuple[str, Body]] = []
        for key, known in row.body.items():
            if known.required:
                bad.append((f"without {known.name}", {k: v for k, v in base.items() if k != key}))
            bad += [
                (f"with {known.name} {value!a:.30}", dict(sorted({**base, key: value}.items())))
                for value in _outside(known.shape)
            ]
        if type_ == MessageType.SET_FIELD:
            bad += _bad_set_fields()
        for what, body in bad:
            if not board.fits(type_, body):
                continue
            yield from board.refused(type_, body, Refusal.MALFORMED, what=f"{row.name} {what}")


def _outside(shape: Shape) -> list[Item]:
    """Return values that do not have this form."""
    match shape:
        case Integer(least, most):
            ends = [least - 1, most + 1]
            return [
                *(end for end in ends if -(2**31) <= end < 2**32),
                "1",
                b"1",
                None,
                True,
                [1],
                {},
            ]
        case Text(least, most):
            return [
                "a" * (most + 1),
                "é" * (most // 2 + 1),
                *([""] if least else []),
                b"a",
                1,
                None,
            ]
        case Bytes(least, most):
            return [bytes(most + 1), *([bytes(least - 1)] if least else []), "a", 1, None, [b"a"]]
        case Either(shapes) if any(isinstance(each, FieldValue) for each in shapes):
            return [[], {}, [1]]
        case Array():
            return [1]
    return []


def _bad_set_fields() -> list[tuple[str, Body]]:
    key, value, offset, total, part = SetFieldKey
    whole: Body = {key: "no-such.field", value: 0}
    parts: Body = {key: "no-such.field", offset: 0, total: 4, part: b"ab"}
    return [
        ("with neither value nor part", {key: "no-such.field"}),
        ("with value and part", {**whole, offset: 0, total: 4, part: b"ab"}),
        ("with value and offset", {**whole, offset: 0}),
        ("without offset", {k: v for k, v in parts.items() if k != offset}),
        ("without total", {k: v for k, v in parts.items() if k != total}),
        ("without part", {k: v for k, v in parts.items() if k != part}),
        ("with a part of no bytes", {**parts, part: b""}),
        ("with a part of text", {**parts, part: "ab"}),
        ("with total 0", {**parts, total: 0}),
        ("with total 65536", {**parts, total: 65536}),
        ("with offset -1", {**parts, offset: -1}),
        ("with a part beyond total", {**parts, offset: 3}),
        ("with a part longer than total", {**parts, total: 1}),
    ]


def order_of_checks(board: BoardUnderTest) -> Steps[None]:
    """Version, type, capability, form, presence, state, generation: the first fault decides."""
    yield from board.refused(
        99, {1: 1}, Refusal.UNSUPPORTED_VERSION, version=3, what="version, type"
    )
    malformed = Refusal.MALFORMED
    commit: Body = {CommitKey.COUNT: 0, CommitKey.DIGEST: 0, CommitKey.TOKEN: bytes(8)}
    yield from board.refused(MessageType.COMMIT, commit, malformed, what="form, state")
    yield from board.refused(
        MessageType.DISCARD, {1: board.boot ^ 1, 2: 0}, malformed, what="form, boot"
    )
    for capability, type_ in (
        (Capability.UNDO, MessageType.UNDO),
        (Capability.ERASE, MessageType.ERASE),
        (Capability.TRIAL, MessageType.CONFIRM),
        (Capability.RESTART, MessageType.RESTART),
    ):
        if capability in board.capabilities:
            yield from board.refused(type_, {1: -1}, malformed, what="form, state, generation")


ENVELOPE_CHECKS = (
    Check(("4.1.1",), "An item of another form is ignored", envelopes),
    Check(("4.1.5",), "Every id is carried back", ids),
    Check(("4.1.2", "4.1.3"), "One reply to each request, in order", in_order),
    Check(("4.1.2",), "The board speaks only when asked", unasked),
    Check(("4.2.1",), "Unknown keys below 64 are refused", unknown_keys),
    Check(("4.2.2",), "Keys from 64 up are skipped", skipped_keys),
    Check(("4.2.3", "4.2.4"), "A hello of any version is answered", hello_of_any_version),
    Check(("4.2.5", "4.3.1"), "Requests of other versions are refused", other_versions),
    Check(("4.2.6", "4.3.2"), "Unknown types are refused", unknown_types),
    Check(("4.2.7", "4.3.3", "6.1.5"), "What is not offered is refused as such", not_offered),
    Check(("4.3.4",), "Bodies of another form are refused", forms),
    Check(("4.3.1", "4.3.4"), "The first check that fails decides", order_of_checks),
)
"""Clause 4."""
