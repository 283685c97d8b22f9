# SPDX-License-Identifier: MIT
"""Checks of values that are staged whole: clauses 6.3 and 6.4."""

from __future__ import annotations

from collections.abc import Iterator

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.sample_values import good_value, pins_for
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.table import (
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
)
from provision.schema.model import Setting, Value


def any_one(board: BoardUnderTest) -> tuple[Setting, Value]:
    """Return a field and a good value of it; end the check if there is none."""
    for found in _settable(board):
        return found
    raise NotApplicable("the board's schema has no field that the kit can set")


def _settable(board: BoardUnderTest) -> Iterator[tuple[Setting, Value]]:
    schema = board.known_schema()
    for setting in schema.settings:
        value = good_value(setting, schema, board.random, 0)
        if value is not None and board.requests_for(setting, value):
            yield setting, value


def any_two(board: BoardUnderTest) -> tuple[tuple[Setting, Value], tuple[Setting, Value]]:
    """Return two fields and a good value of each; end the check if there are no two."""
    found = list(_settable(board))
    if len(found) < 2:
        raise NotApplicable("the board's schema has fewer than two fields that the kit can set")
    return found[0], found[-1]


def whole_values(board: BoardUnderTest) -> Steps[None]:
    """A value takes the place of what was staged for its field; null is staged as well."""
    (one, first), (other, second) = any_two(board)
    yield from board.stage(one, first)
    yield from board.stage(one, first)
    yield from board.stage(other, second)
    yield from board.stage(one, None)
    yield from board.stage(other, None)
    body: Body = {SetFieldKey.FIELD: one.key, SetFieldKey.VALUE: None}
    if SetFieldReplyKey.RECEIVED in (yield from board.answer(MessageType.SET_FIELD, body)):
        raise NotMet("`received` is in the reply to a value that came whole")
    if (yield from board.status())[StatusReplyKey.STAGED] != 2:
        raise NotMet("status counts otherwise than set-field what is staged")


def clearing(board: BoardUnderTest) -> Steps[None]:
    """Any field can be cleared, and a field that is not active can be set."""
    schema = board.known_schema()
    for setting in schema.settings:
        yield from board.stage(setting, None)


def not_shown(board: BoardUnderTest) -> Steps[None]:
    """Staged values are not shown, neither by get-values nor by hello."""
    before = yield from board.values()
    hello = dict((yield from board.say_hello()))
    (one, first), (other, _) = any_two(board)
    yield from board.stage(one, first)
    yield from board.stage(other, None)
    if (yield from board.values()) != before:
        raise NotMet("get-values changed with what is staged")
    after = dict((yield from board.say_hello()))
    hello.pop(HelloReplyKey.LISTENS)
    after.pop(HelloReplyKey.LISTENS)
    if after != hello:
        raise NotMet("hello changed with what is staged")


def by_themselves(board: BoardUnderTest) -> Steps[None]:
    """A value is looked at by itself: two fields may have the same pin staged, until commit."""
    schema = board.known_schema()
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN]
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            own = pins_for(earlier.field, schema)
            shared = [pin for pin in pins_for(later.field, schema) if pin in own]
            if shared and not (later.field.shares and earlier.field.shares):
                yield from board.stage(earlier, shared[0])
                yield from board.stage(later, shared[0])
                return
    raise NotApplicable("no two fields of the board's schema can have the same pin")


def unknown_fields(board: BoardUnderTest) -> Steps[None]:
    """A key that no field has is refused with `unknown-field`, whatever comes with it."""
    schema = board.known_schema()
    keys = {setting.key for setting in schema.settings}
    one = schema.settings[0].key
    near = {
        "a",
        "no-such.field",
        one[:-1],
        f"{one}x"[:32],
        one.upper(),
        one.replace(".", "_"),
        "é" * 16,
    }
    for setting in schema.settings:
        repeat = setting.section.repeat
        if repeat is not None:
            section, field = setting.section.key, setting.field.key
            for number in ("0", "01", str(repeat.most + 1), "1.1"):
                near.add(f"{section}.{number}.{field}")
            near.add(setting.base_key)
    for key in sorted(near - keys):
        if not 1 <= len(key.encode()) <= 32:
            continue
        wholes_and_parts: tuple[Body, ...] = (
            {SetFieldKey.VALUE: 0},
            {SetFieldKey.VALUE: None},
            {SetFieldKey.OFFSET: 5, SetFieldKey.TOTAL: 65535, SetFieldKey.PART: b"x"},
        )
        for more in wholes_and_parts[: 3 if board.takes_parts else 2]:
            body = {SetFieldKey.FIELD: key, **more}
            yield from board.refused(
                MessageType.SET_FIELD,
                body,
                Refusal.UNKNOWN_FIELD,
                {RefusalKey.FIELD: key},
                what=key,
            )


STAGING_CHECKS = (
    Check(
        ("6.4.8", "6.4.9", "6.4.19", "6.4.21"),
        "A whole value takes the place of the one staged",
        whole_values,
    ),
    Check(("6.4.9", "6.4.7"), "Every field can be cleared", clearing),
    Check(("6.4.8",), "A value is looked at by itself", by_themselves),
    Check(("6.3.11",), "What is staged is not shown", not_shown),
    Check(("6.4.2",), "Fields that are not there are refused", unknown_fields),
)
"""What is staged only; changes nothing that is stored."""
