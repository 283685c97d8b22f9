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
from provision.conformance.steps import AskPerson, Procedure
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


def _undo(bench: BoardUnderTest) -> Procedure[Body]:
    """Undo, by the present generation; return the request's body."""
    body: Body = {1: (yield from bench.status())[StatusReplyKey.GENERATION]}
    yield from bench.answer(MessageType.UNDO, body)
    return body


def undo(bench: BoardUnderTest) -> Procedure[None]:
    """Undo brings the set before this one back, with its token; undo again brings this one back.

    The older set outlives a restart.
    """
    bench.needs(Capability.UNDO)
    first, first_token = yield from store_set(bench, 0, less=True)
    second, second_token = yield from store_set(bench, 1)
    generation, _ = yield from generation_and_token(bench)
    for wrong in ((generation + 1) % 2**32, (generation - 1) % 2**32, generation ^ 2**31):
        yield from bench.refused(
            MessageType.UNDO, {1: wrong}, Refusal.MOVED_ON,
            {RefusalKey.DETAIL: generation}, what="another generation",
        )  # fmt: skip
    body = yield from _undo(bench)
    after, token = yield from generation_and_token(bench)
    grew_once(generation, after, "an undo")
    yield from must_hold(bench, first, "after an undo")
    if token != first_token:
        raise NotMet("after an undo the token of the older set does not count again")
    yield from counts(bench, Store.COMPLETE, 0)
    yield from repeat_commit(bench, first_token, after, "after an undo")
    reply = yield from bench.ask(MessageType.UNDO, body)
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an undo was not answered like the first time")
    if (yield from generation_and_token(bench)) != (after, first_token):
        raise NotMet("the repeat of an undo was done again")
    yield from bench.stage(bench.known_schema().settings[0], None)
    reply = yield from bench.ask(MessageType.UNDO, body)
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an undo, with a field staged, is to be answered before that")
    yield from counts(bench, None, 1)
    yield from bench.fresh()
    yield from _undo(bench)
    yield from must_hold(bench, second, "after undoing an undo")
    if (yield from generation_and_token(bench))[1] != second_token:
        raise NotMet("after undoing an undo the token of the newer set does not count again")
    if Capability.RESTART in bench.capabilities:
        yield from restart_board(bench)
        body = yield from _undo(bench)
        yield from must_hold(bench, first, "after a restart and an undo")
        yield from confirm(bench)
        yield from restart_board(bench)
        yield from bench.refused(
            MessageType.UNDO, body, Refusal.MOVED_ON, what="the repeat of an undo after a restart"
        )


# -------------------------------------------------------------------------------- erase, clause 6.7


def erase(bench: BoardUnderTest) -> Procedure[None]:
    """Erase leaves nothing to read, nothing staged, nothing to undo; the generation grows."""
    bench.needs(Capability.ERASE)
    yield from store_set(bench, 0)
    values, _ = yield from store_set(bench, 1)
    generation, _ = yield from generation_and_token(bench)
    yield from bench.refused(
        MessageType.ERASE, {1: (generation - 1) % 2**32}, Refusal.MOVED_ON,
        {RefusalKey.DETAIL: generation}, what="another generation",
    )  # fmt: skip
    yield from must_hold(bench, values, "after an erase that was refused")
    setting = bench.known_schema().settings[0]
    yield from bench.stage(setting, None)
    yield from bench.answer(MessageType.ERASE, {1: generation})
    bench.staged.clear()
    after, token = yield from generation_and_token(bench)
    grew_once(generation, after, "an erase")
    if token is not None:
        raise NotMet("a token is left after erase")
    check_status(bench, (yield from counts(bench, Store.EMPTY, 0)))
    yield from must_hold(bench, {}, "after erase")
    reply = yield from bench.ask(MessageType.ERASE, {1: generation})
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an erase was not answered like the first time")
    if (yield from generation_and_token(bench))[0] != after:
        raise NotMet("the repeat of an erase was done again")
    bench.asks_presence = False
    reply = yield from bench.ask(
        MessageType.SET_FIELD, {SetFieldKey.FIELD: setting.key, SetFieldKey.VALUE: None}
    )
    if reply.type == MessageType.REFUSAL:
        raise NotMet("nothing is stored, and set-field was refused")
    reply = yield from bench.ask(MessageType.ERASE, {1: after})
    if reply.type == MessageType.REFUSAL:
        raise NotMet("nothing is stored, and erase was refused")
    yield from counts(bench, Store.EMPTY, 0)
    grew_once(after, (yield from generation_and_token(bench))[0], "an erase of nothing")
    bench.asks_presence = True
    yield from bench.fresh()
    after = bench.generation
    if Capability.UNDO in bench.capabilities:
        yield from bench.refused(MessageType.UNDO, {1: after}, Refusal.WRONG_STATE, what="undo")
        yield from bench.stage_all(full_set(bench, 2))
        yield from bench.commit()
        yield from confirm(bench)
        body: Body = {1: (yield from generation_and_token(bench))[0]}
        other: Body = {1: bench.generation ^ 0x5A5A}
        yield from bench.refused(
            MessageType.UNDO,
            other,
            Refusal.MOVED_ON,
            what="undo of the first set, by another number",
        )
        yield from bench.refused(
            MessageType.UNDO, body, Refusal.NO_OLDER_SET, what="undo of the first set after erase"
        )


# ---------------------------------------------------- restart, clause 6.7, 5.2 and power, clause 10


def restart_board(bench: BoardUnderTest) -> Procedure[int]:
    """Restart the board by what means there are; return the boot number before."""
    yield from bench.say_hello()
    before = bench.boot
    if Capability.RESTART in bench.capabilities:
        yield from bench.answer(MessageType.RESTART, {1: before})
    else:
        yield from _press_reset()
    yield from _await_start(bench, before)
    return before


def refused_undo(bench: BoardUnderTest) -> Procedure[None]:
    """An undo that is refused leaves incomplete parts, whatever it is refused for."""
    bench.needs(Capability.UNDO)
    bench.needs(Capability.ERASE)
    yield from store_set(bench, 1)
    generation, _ = yield from generation_and_token(bench)
    yield from bench.answer(MessageType.ERASE, {1: generation})
    yield from store_set(bench, 0)
    generation, _ = yield from generation_and_token(bench)
    parts = Parts(bench)
    yield from parts.take(0, 3, 3)
    for number, due in (
        (generation ^ 0x5A5A, Refusal.MOVED_ON),
        (generation, Refusal.NO_OLDER_SET),
    ):
        yield from bench.refused(MessageType.UNDO, {1: number}, due)
    yield from parts.take(3, 5, 5)


def _press_reset() -> Procedure[None]:
    heard = yield AskPerson("Press the reset button of the board.")
    if not heard.done:
        raise NotApplicable("the board does not offer restart, and nobody pressed reset")


def _await_start(bench: BoardUnderTest, before: int) -> Procedure[None]:
    """Wait until the board answers with another boot number."""
    end = bench.now + START_TIME
    while True:
        yield from bench.await_hello(START_TIME)
        if bench.boot != before:
            bench.staged.clear()
            return
        yield from bench.silence(_POLL)
        if bench.now > end:
            raise NotMet("the board did not restart, or has the same boot number after it")


def restart(bench: BoardUnderTest) -> Procedure[None]:
    """Restart gives another boot number; the unit and what is stored are the same.

    A trial that was confirmed is over, and the older set is still there.
    """
    older, _ = yield from store_set(bench, 1)
    values, token = yield from store_set(bench, 0)
    store = yield from bench.store()
    generation, _ = yield from generation_and_token(bench)
    unit = bench.hello[HelloReplyKey.UNIT]
    if Capability.RESTART in bench.capabilities:
        yield from bench.refused(
            MessageType.RESTART, {1: bench.boot ^ 2**31}, Refusal.MOVED_ON,
            {RefusalKey.DETAIL: bench.boot}, what="another boot number",
        )  # fmt: skip
    before = yield from restart_board(bench)
    if bench.hello[HelloReplyKey.UNIT] != unit:
        raise NotMet("the unit id changed with a restart")
    if (bench.generation, bench.hello[HelloReplyKey.TOKEN]) != (generation, token):
        raise NotMet("generation or token changed with a restart")
    yield from must_hold(bench, values, "after a restart")
    yield from counts(bench, store, 0)
    yield from hello_and_status(bench)
    yield from repeat_commit(bench, token, generation, "after a restart")
    if Capability.RESTART in bench.capabilities:
        yield from bench.refused(
            MessageType.RESTART, {1: before}, Refusal.MOVED_ON, what="the repeat of a restart"
        )
    if Capability.UNDO in bench.capabilities:
        yield from _undo(bench)
        yield from must_hold(bench, older, "after a restart, and an undo of what was before it")


def restart_drops(bench: BoardUnderTest) -> Procedure[None]:
    """A restart drops incomplete parts; an erased board is empty after it, an undone one undone."""
    schema = bench.known_schema()
    first, _ = yield from store_set(bench, 0)
    yield from store_set(bench, 1)
    expected: Values | None = None
    if Capability.UNDO in bench.capabilities:
        yield from _undo(bench)
        yield from confirm(bench)
        expected = first
    texts = [s for s in schema.settings if s.field.kind in (Kind.TEXT, Kind.SECRET, Kind.BLOB)]
    part: Body | None = None
    if texts:
        part = {
            SetFieldKey.FIELD: texts[0].key,
            SetFieldKey.OFFSET: 0,
            SetFieldKey.TOTAL: 2,
            SetFieldKey.PART: b"a",
        }
        yield from bench.ask(MessageType.SET_FIELD, part)
    yield from restart_board(bench)
    if part is not None:
        following = {**part, SetFieldKey.OFFSET: 1}
        details: Body = {RefusalKey.DETAIL: 0}
        yield from bench.refused(
            MessageType.SET_FIELD, following, Refusal.GAP, details, what="a part after a restart"
        )
    yield from counts(bench, None, 0)
    if expected is not None:
        yield from must_hold(bench, expected, "after undo and a restart")
    if Capability.ERASE in bench.capabilities:
        generation, _ = yield from generation_and_token(bench)
        yield from bench.answer(MessageType.ERASE, {1: generation})
        erased, _ = yield from generation_and_token(bench)
        yield from restart_board(bench)
        yield from must_hold(bench, {}, "after erase and a restart")
        if (bench.generation, bench.hello[HelloReplyKey.TOKEN]) != (erased, None):
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
