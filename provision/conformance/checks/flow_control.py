# SPDX-License-Identifier: MIT
"""Checks of credit and of repeats: clauses 5.6 and 5.7."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.crafted import STATUS, padded
from provision.conformance.findings import NotMet
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.table import (
    DiscardKey,
    GetSchemaKey,
    GetValuesKey,
    HelloReplyKey,
    MessageType,
    SetFieldKey,
)


def full_credit(board: BoardUnderTest) -> Steps[None]:
    """With as many bytes on their way as the credit admits, all is answered, in order."""
    credit = board.number(HelloReplyKey.CREDIT)
    _, short = board.line(STATUS)
    _, long = padded(board, board.line_limit * 3 // 4)
    for what, size, most in (
        ("longest", len(long), credit),
        ("short", len(short), min(credit, 8192)),
    ):
        lines = []
        left = most
        while left >= size:
            id_, line = (
                padded(board, board.line_limit * 3 // 4)
                if what == "longest"
                else board.line(STATUS)
            )
            if len(line) > left:
                break
            left -= len(line)
            lines.append((id_, line))
        got = yield from board.converse([line for _, line in lines], [id_ for id_, _ in lines])
        if [message.id for message in got] != [id_ for id_, _ in lines]:
            raise NotMet(
                f"of {len(lines)} requests of the {what} lines sent at once, {most - left} bytes of"
                f" credit {credit}, {len(got)} were answered, or not in order"
            )


def repeats(board: BoardUnderTest) -> Steps[None]:
    """The same bytes again get the same answer."""
    requests: tuple[tuple[int, Body], ...] = (
        (MessageType.GET_SCHEMA, {GetSchemaKey.OFFSET: 0, GetSchemaKey.LENGTH: 20}),
        (MessageType.GET_VALUES, {GetValuesKey.FIRST: 0}),
        (MessageType.SET_FIELD, {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0}),
        (MessageType.DISCARD, {DiscardKey.BOOT: board.boot}),
        (99, {}),
    )
    for type_, body in requests:
        id_, line = board.line(type_, body)
        first = yield from board.ask(type_, id_=id_, again=line)
        second = yield from board.ask(type_, id_=id_, again=line)
        if (first.type, first.body) != (second.type, second.body):
            raise NotMet("the repeat got another answer")


FLOW_CHECKS = (
    Check(("5.6.2",), "The announced credit can be used in full", full_credit),
    Check(("5.7.5",), "Repeats are harmless", repeats),
)
"""Clauses 5.6 and 5.7."""
