# SPDX-License-Identifier: MIT
"""Checks of single values, field by field: clauses 9.1 to 9.4."""

from __future__ import annotations

from functools import partial

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.expected_values import value_refusal
from provision.conformance.findings import NotApplicable
from provision.conformance.sample_values import tries
from provision.conformance.shown import code_words
from provision.conformance.steps import Steps
from provision.contract.profile import Item
from provision.contract.table import (
    Kind,
    MessageType,
    RefusalKey,
    SetFieldKey,
    SetFieldReplyKey,
)
from provision.schema.model import Setting

_OWN = {
    Kind.NETWORK_NAME: ("9.1.8",),
    Kind.PASSPHRASE: ("9.2.1", "9.2.2", "9.2.3", "9.2.4", "9.1.9"),
    Kind.HOST: ("9.3.1", "9.3.2", "9.3.3", "9.3.4", "9.1.10"),
    Kind.URL: ("9.3.5", "9.3.6", "9.3.7", "9.3.8", "9.3.9", "9.3.10", "9.3.11", "9.1.11"),
    Kind.TIME_ZONE: ("9.4.1", "9.4.2", "9.4.3", "9.1.14"),
}
"""What is demanded of the values of some kinds, beyond their row in the table of 9.1."""

_OF_ALL = ("9.1.18", "9.1.19", "9.1.20", "6.4.6")


def _numbers(kind: Kind) -> tuple[str, ...]:
    """Return the requirements on a kind; the rows of the table stand in the order of its codes."""
    return (*_OWN.get(kind, (f"9.1.{kind.value}",)), *_OF_ALL)


def values_of(kind: Kind, board: BoardUnderTest) -> Steps[None]:
    """Every field of a kind takes and refuses what clause 9 says, and refusing changes nothing."""
    schema = board.known_schema()
    settings = [setting for setting in schema.settings if setting.field.kind is kind]
    # Instances of a section differ in nothing that counts here.
    seen = {setting.base_key: setting for setting in settings}
    if not seen:
        raise NotApplicable("the board's schema has no field of this kind")
    for setting in seen.values():
        for value in tries(setting, schema, board.random):
            for parts in (False, True):
                yield from _try(board, setting, value, parts=parts)
        yield from board.fresh()


def _try(board: BoardUnderTest, setting: Setting, value: Item, *, parts: bool) -> Steps[None]:
    """Send a value; note it if the board takes or refuses it against clause 9."""
    bodies = board.requests_for(setting, value, parts=parts)
    if not bodies or (parts and SetFieldKey.PART not in bodies[0]):
        return
    assert isinstance(value, int | str | bytes)
    due = value_refusal(setting.field, value, board.known_schema())
    how = " in parts" if SetFieldKey.PART in bodies[0] else ""
    shown = f"a secret of {len(str(value))}" if setting.field.is_secret else f"{value!a:.40}"
    what = f"{setting.key}{how}: {shown}"
    *first, last = bodies
    for body in first:
        reply = yield from board.ask(MessageType.SET_FIELD, body)
        if reply.type == MessageType.REFUSAL:
            break
    else:
        reply = yield from board.ask(MessageType.SET_FIELD, last)
    refused = reply.type == MessageType.REFUSAL
    if how:
        board.staged.pop(setting.key, None)  # parts of it started, or are refused for good
    if refused:
        code = reply.body[RefusalKey.CODE]
        if code != due:
            wanted = "taken" if due is None else f"refused with {code_words(due)}"
            board.note(f"{what}: refused with {code_words(code)}, and must be {wanted}")
        elif reply.body.get(RefusalKey.FIELD, setting.key) != setting.key:
            board.note(f"{what}: `field` is not the field that was sent")
        if how:  # whether its parts started is not worth knowing here
            yield from board.fresh()
        return
    board.staged[setting.key] = value
    if due is not None:
        board.note(f"{what}: taken, and must be refused with {code_words(due)}")
    elif reply.body[SetFieldReplyKey.STAGED] != len(board.staged):
        board.note(f"{what}: `staged` is {reply.body[SetFieldReplyKey.STAGED]!a}")


def _kind_name(kind: Kind) -> str:
    return kind.name.lower().replace("_", "-")


VALUE_CHECKS = (
    *(
        Check(
            _numbers(kind),
            f"Values of kind {_kind_name(kind)}",
            partial(values_of, kind),
        )
        for kind in Kind
    ),
)
"""Clauses 9.1 to 9.4."""
