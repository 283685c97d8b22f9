# SPDX-License-Identifier: MIT
"""Checks of undo, erase and restart, and of what is there at the next start: clauses 6.7 and 10."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.parts import Parts
from provision.conformance.checks.reading import check_status, hello_and_status
from provision.conformance.checks.sets import (
    Values,
    confirm,
    counts,
    full_set,
    generation_and_token,
    grew_once,
    must_hold,
    repeat_commit,
    store_set,
)
from provision.conformance.conversation import START_TIME
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import AskPerson, Steps
from provision.conformance.wire import Body
from provision.contract.table import (
    Capability,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    StatusReplyKey,
    Store,
)

_POLL = 100  # ms between two looks at the status


def _undo(board: BoardUnderTest) -> Steps[Body]:
    """Undo, by the present generation; return the request's body."""
    body: Body = {1: (yield from board.status())[StatusReplyKey.GENERATION]}
    yield from board.answer(MessageType.UNDO, body)
    return body


def undo(board: BoardUnderTest) -> Steps[None]:
    """Undo brings the set before this one back, with its token; undo again brings this one back.

    The older set outlives a restart.
    """
    board.needs(Capability.UNDO)
    first, first_token = yield from store_set(board, 0, less=True)
    second, second_token = yield from store_set(board, 1)
    generation, _ = yield from generation_and_token(board)
    for wrong in ((generation + 1) % 2**32, (generation - 1) % 2**32, generation ^ 2**31):
        yield from board.refused(
            MessageType.UNDO, {1: wrong}, Refusal.MOVED_ON,
            {RefusalKey.DETAIL: generation}, what="another generation",
        )  # fmt: skip
    body = yield from _undo(board)
    after, token = yield from generation_and_token(board)
    grew_once(generation, after, "an undo")
    yield from must_hold(board, first, "after an undo")
    if token != first_token:
        raise NotMet("after an undo the token of the older set does not count again")
    yield from counts(board, Store.COMPLETE, 0)
    yield from repeat_commit(board, first_token, after, "after an undo")
    reply = yield from board.ask(MessageType.UNDO, body)
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an undo was not answered like the first time")
    if (yield from generation_and_token(board)) != (after, first_token):
        raise NotMet("the repeat of an undo was done again")
    yield from board.stage(board.known_schema().settings[0], None)
    reply = yield from board.ask(MessageType.UNDO, body)
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an undo, with a field staged, is to be answered before that")
    yield from counts(board, None, 1)
    yield from board.fresh()
    yield from _undo(board)
    yield from must_hold(board, second, "after undoing an undo")
    if (yield from generation_and_token(board))[1] != second_token:
        raise NotMet("after undoing an undo the token of the newer set does not count again")
    if Capability.RESTART in board.capabilities:
        yield from restart_board(board)
        body = yield from _undo(board)
        yield from must_hold(board, first, "after a restart and an undo")
        yield from confirm(board)
        yield from restart_board(board)
        yield from board.refused(
            MessageType.UNDO, body, Refusal.MOVED_ON, what="the repeat of an undo after a restart"
        )


# -------------------------------------------------------------------------------- erase, clause 6.7


def erase(board: BoardUnderTest) -> Steps[None]:
    """Erase leaves nothing to read, nothing staged, nothing to undo; the generation grows."""
    board.needs(Capability.ERASE)
    yield from store_set(board, 0)
    values, _ = yield from store_set(board, 1)
    generation, _ = yield from generation_and_token(board)
    yield from board.refused(
        MessageType.ERASE, {1: (generation - 1) % 2**32}, Refusal.MOVED_ON,
        {RefusalKey.DETAIL: generation}, what="another generation",
    )  # fmt: skip
    yield from must_hold(board, values, "after an erase that was refused")
    setting = board.known_schema().settings[0]
    yield from board.stage(setting, None)
    yield from board.answer(MessageType.ERASE, {1: generation})
    board.staged.clear()
    after, token = yield from generation_and_token(board)
    grew_once(generation, after, "an erase")
    if token is not None:
        raise NotMet("a token is left after erase")
    check_status(board, (yield from counts(board, Store.EMPTY, 0)))
    yield from must_hold(board, {}, "after erase")
    reply = yield from board.ask(MessageType.ERASE, {1: generation})
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an erase was not answered like the first time")
    if (yield from generation_and_token(board))[0] != after:
        raise NotMet("the repeat of an erase was done again")
    board.asks_presence = False
    reply = yield from board.ask(
        MessageType.SET_FIELD, {SetFieldKey.FIELD: setting.key, SetFieldKey.VALUE: None}
    )
    if reply.type == MessageType.REFUSAL:
        raise NotMet("nothing is stored, and set-field was refused")
    reply = yield from board.ask(MessageType.ERASE, {1: after})
    if reply.type == MessageType.REFUSAL:
        raise NotMet("nothing is stored, and erase was refused")
    yield from counts(board, Store.EMPTY, 0)
    grew_once(after, (yield from generation_and_token(board))[0], "an erase of nothing")
    board.asks_presence = True
    yield from board.fresh()
    after = board.generation
    if Capability.UNDO in board.capabilities:
        yield from board.refused(MessageType.UNDO, {1: after}, Refusal.WRONG_STATE, what="undo")
        yield from board.stage_all(full_set(board, 2))
        yield from board.commit()
        yield from confirm(board)
        body: Body = {1: (yield from generation_and_token(board))[0]}
        other: Body = {1: board.generation ^ 0x5A5A}
        yield from board.refused(
            MessageType.UNDO,
            other,
            Refusal.MOVED_ON,
            what="undo of the first set, by another number",
        )
        yield from board.refused(
            MessageType.UNDO, body, Refusal.NO_OLDER_SET, what="undo of the first set after erase"
        )


# ---------------------------------------------------- restart, clause 6.7, 5.2 and power, clause 10


def restart_board(board: BoardUnderTest) -> Steps[int]:
    """Restart the board by what means there are; return the boot number before."""
    yield from board.say_hello()
    before = board.boot
    if Capability.RESTART in board.capabilities:
        yield from board.answer(MessageType.RESTART, {1: before})
    else:
        yield from _press_reset()
    yield from _await_start(board, before)
    return before


def refused_undo(board: BoardUnderTest) -> Steps[None]:
    """An undo that is refused leaves incomplete parts, whatever it is refused for."""
    board.needs(Capability.UNDO)
    board.needs(Capability.ERASE)
    yield from store_set(board, 1)
    generation, _ = yield from generation_and_token(board)
    yield from board.answer(MessageType.ERASE, {1: generation})
    yield from store_set(board, 0)
    generation, _ = yield from generation_and_token(board)
    parts = Parts(board)
    yield from parts.take(0, 3, 3)
    for number, due in (
        (generation ^ 0x5A5A, Refusal.MOVED_ON),
        (generation, Refusal.NO_OLDER_SET),
    ):
        yield from board.refused(MessageType.UNDO, {1: number}, due)
    yield from parts.take(3, 5, 5)


def _press_reset() -> Steps[None]:
    heard = yield AskPerson("Press the reset button of the board.")
    if not heard.done:
        raise NotApplicable("the board does not offer restart, and nobody pressed reset")


def _await_start(board: BoardUnderTest, before: int) -> Steps[None]:
    """Wait until the board answers with another boot number."""
    end = board.now + START_TIME
    while True:
        yield from board.await_hello(START_TIME)
        if board.boot != before:
            board.staged.clear()
            return
        yield from board.silence(_POLL)
        if board.now > end:
            raise NotMet("the board did not restart, or has the same boot number after it")


def restart(board: BoardUnderTest) -> Steps[None]:
    """Restart gives another boot number; the unit and what is stored are the same.

    A trial that was confirmed is over, and the older set is still there.
    """
    older, _ = yield from store_set(board, 1)
    values, token = yield from store_set(board, 0)
    store = yield from board.store()
    generation, _ = yield from generation_and_token(board)
    unit = board.hello[HelloReplyKey.UNIT]
    if Capability.RESTART in board.capabilities:
        yield from board.refused(
            MessageType.RESTART, {1: board.boot ^ 2**31}, Refusal.MOVED_ON,
            {RefusalKey.DETAIL: board.boot}, what="another boot number",
        )  # fmt: skip
    before = yield from restart_board(board)
    if board.hello[HelloReplyKey.UNIT] != unit:
        raise NotMet("the unit id changed with a restart")
    if (board.generation, board.hello[HelloReplyKey.TOKEN]) != (generation, token):
        raise NotMet("generation or token changed with a restart")
    yield from must_hold(board, values, "after a restart")
    yield from counts(board, store, 0)
    yield from hello_and_status(board)
    yield from repeat_commit(board, token, generation, "after a restart")
    if Capability.RESTART in board.capabilities:
        yield from board.refused(
            MessageType.RESTART, {1: before}, Refusal.MOVED_ON, what="the repeat of a restart"
        )
    if Capability.UNDO in board.capabilities:
        yield from _undo(board)
        yield from must_hold(board, older, "after a restart, and an undo of what was before it")


def restart_drops(board: BoardUnderTest) -> Steps[None]:
    """A restart drops incomplete parts; an erased board is empty after it, an undone one undone."""
    schema = board.known_schema()
    first, _ = yield from store_set(board, 0)
    yield from store_set(board, 1)
    expected: Values | None = None
    if Capability.UNDO in board.capabilities:
        yield from _undo(board)
        yield from confirm(board)
        expected = first
    texts = [s for s in schema.settings if s.field.kind in (Kind.TEXT, Kind.SECRET, Kind.BLOB)]
    part: Body | None = None
    if texts and board.takes_parts:
        part = {
            SetFieldKey.FIELD: texts[0].key,
            SetFieldKey.OFFSET: 0,
            SetFieldKey.TOTAL: 2,
            SetFieldKey.PART: b"a",
        }
        yield from board.ask(MessageType.SET_FIELD, part)
    yield from restart_board(board)
    if part is not None:
        following = {**part, SetFieldKey.OFFSET: 1}
        details: Body = {RefusalKey.DETAIL: 0}
        yield from board.refused(
            MessageType.SET_FIELD, following, Refusal.GAP, details, what="a part after a restart"
        )
    yield from counts(board, None, 0)
    if expected is not None:
        yield from must_hold(board, expected, "after undo and a restart")
    if Capability.ERASE in board.capabilities:
        generation, _ = yield from generation_and_token(board)
        yield from board.answer(MessageType.ERASE, {1: generation})
        erased, _ = yield from generation_and_token(board)
        yield from restart_board(board)
        yield from must_hold(board, {}, "after erase and a restart")
        if (board.generation, board.hello[HelloReplyKey.TOKEN]) != (erased, None):
            raise NotMet("the generation does not survive erase and a restart")


UNDO_CHECKS = (
    Check(("6.7.10", "6.7.8"), "An undo that is refused leaves parts", refused_undo, changes=True),
    Check(
        (
            *("6.7.5", "6.7.1", "6.7.2", "6.7.3", "4.3.5", "6.7.4", "6.7.6", "5.2.1", "6.1.2"),
            *("6.1.6", "6.5.1", "5.7.5"),
        ),
        "Undo brings the older set back",
        undo,
        changes=True,
    ),
    Check(
        (
            "6.7.12",
            "6.7.1",
            "6.7.2",
            "6.7.7",
            "6.7.14",
            "4.3.8",
            "5.5.2",
            "6.7.8",
            "5.2.1",
            "5.2.5",
            "5.7.5",
            "6.1.3",
            "5.1.5",
        ),
        "Erase leaves nothing",
        erase,
        changes=True,
    ),
    Check(
        (
            *("6.7.16", "6.7.15", "6.5.1", "6.5.7", "6.6.11", "5.2.6", "5.2.7", "6.7.1", "7.1.1"),
            "10.1.1",
        ),
        "Restart keeps what is stored",
        restart,
        changes=True,
    ),
    Check(
        ("10.1.1", "5.1.3", "6.7.12", "5.2.5"),
        "What is stored, undone or erased is so at the next start",
        restart_drops,
        changes=True,
    ),
)
"""They change what is stored."""
