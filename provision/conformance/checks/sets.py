# SPDX-License-Identifier: MIT
"""Sets that the checks store, and what a board must then show of them.

A check that stores begins by storing a set of all fields, so that it knows the whole whatever was
there before, secrets included.
"""

from __future__ import annotations

from collections.abc import Mapping

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.expected import commit_refusal
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.sample_values import good_set
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.profile import Item
from provision.contract.table import (
    CommitReplyKey,
    Held,
    HelloReplyKey,
    Kind,
    MessageType,
    StatusReplyKey,
    Store,
)
from provision.schema.model import Value

Values = dict[str, Value | None]


def full_set(board: BoardUnderTest, turn: int) -> Values:
    """Return values for all fields; end the check if the kit finds none that keep the rules."""
    values = good_set(board.known_schema(), board.random, turn)
    if values is None or all(value is None for value in values.values()):
        raise NotApplicable("the kit found no set of values that keeps the rules of this schema")
    return values


def less_one(board: BoardUnderTest, values: Values) -> Values:
    """Return a set without the first value that it can do without, if there is one."""
    schema = board.known_schema()
    for key in values:
        fewer = {**values, key: None}
        if values[key] is not None and commit_refusal(schema, {}, fewer) is None:
            return fewer
    return values


def store_set(
    board: BoardUnderTest, turn: int, *, less: bool = False
) -> Steps[tuple[Values, bytes]]:
    """Store a set of all fields; return it and its token. A trial that this begins is confirmed.

    less: one field that can do without is stored without a value.
    """
    values, token = full_set(board, turn), board.token()
    if less:
        values = less_one(board, values)
    yield from board.stage_all(values)
    yield from board.commit(token)
    yield from confirm(board)
    return values, token


def confirm(board: BoardUnderTest) -> Steps[None]:
    """Keep the set on trial, if there is one, whatever the firmware does in the meantime."""
    for _ in range(3):
        status = yield from board.status()
        if status[StatusReplyKey.STORE] != Store.TRIAL:
            return
        generation = status[StatusReplyKey.GENERATION]
        reply = yield from board.ask(MessageType.CONFIRM, {1: generation})
        if reply.type != MessageType.REFUSAL:
            return
    raise NotMet("a trial could not be confirmed")


def generation_and_token(board: BoardUnderTest) -> Steps[tuple[int, Item]]:
    """Ask hello for the generation and the token."""
    body = yield from board.say_hello()
    return board.generation, body[HelloReplyKey.TOKEN]


def grew_once(before: int, after: int, what: str) -> None:
    """End the check unless the generation grew by one (5.2); 1 follows the largest, never 0."""
    if after == 0 and before != 0:
        raise NotMet(f"the generation went to 0 with {what}")
    grown = after if before == 0 else (after - before) % (2**32 - 1)
    if grown == 0:
        raise NotMet(f"the generation did not grow with {what}")
    if grown > 2**31:
        raise NotMet(f"the generation went back with {what}")
    if grown != 1:
        raise NotMet(f"the generation grew by {grown} with {what}, where 1 is due")


def must_hold(board: BoardUnderTest, values: Mapping[str, Value | None], when: str) -> Steps[None]:
    """End the check unless the board shows exactly these values as stored."""
    schema = board.known_schema()
    for setting, entry in zip(schema.settings, (yield from board.values()), strict=True):
        due: list[Item] = [setting.key, int(Held.UNSET)]
        value = values.get(setting.key)
        if value is not None:
            due[1] = int(Held.SET)
            if setting.field.kind is Kind.BLOB and isinstance(value, bytes):
                value = len(value)
            if not setting.field.is_secret:
                due.append(value)
        if entry != due:
            raise NotMet(
                f"{when}, {setting.key} is {entry[1:]!a:.60}, where {due[1:]!a:.60} is due"
            )


def repeat_commit(board: BoardUnderTest, token: bytes, generation: int, when: str) -> Steps[None]:
    """Commit with the token of the set in force, which must be answered and not done."""
    reply = yield from board.ask(MessageType.COMMIT, board.commit_body(token))
    if reply.type == MessageType.REFUSAL:
        raise NotMet(f"{when}, a commit with the token of the set in force was refused")
    if reply.body[CommitReplyKey.GENERATION] != generation:
        raise NotMet(f"{when}, the repeat of a commit did not give the present generation")


def counts(board: BoardUnderTest, store: Store | None, staged: int) -> Steps[Body]:
    """End the check unless the status counts so; return the status."""
    status = yield from board.status()
    if status[StatusReplyKey.STAGED] != staged:
        raise NotMet(f"{status[StatusReplyKey.STAGED]!a} fields are staged, where {staged} are due")
    if store is not None and status[StatusReplyKey.STORE] != store:
        raise NotMet(
            f"`store` is {status[StatusReplyKey.STORE]!a}, where {store.name.lower()} is due"
        )
    return status
