# SPDX-License-Identifier: MIT
"""Checks of what is legal when, and of presence: clauses 5.1, 5.5, 6.5, 6.7."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.parts import parts_if_any
from provision.conformance.checks.staging import any_one, any_two
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Steps, Tell
from provision.conformance.wire import Body
from provision.contract.table import (
    STAGED_LIFETIME_MS,
    Capability,
    CommitKey,
    DiscardKey,
    HelloReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    StatusReplyKey,
    Store,
)

_LONGEST_AWAITED = 120_000  # ms of listening whose end is awaited without patience
_BEFORE_END, _BEYOND_END = 1000, 1500  # ms before it ends and after, where the board is asked
_LAPSE_POLL = 250  # ms between two looks whether presence has lapsed
PRESENCE_WINDOW = 300_000
"""Milliseconds for which a person may count as present, before the kit gives up waiting."""


def discard(board: BoardUnderTest) -> Steps[None]:
    """Discard drops what is staged, if it names the boot number."""
    (one, first), (other, _) = any_two(board)
    generation = board.generation
    yield from board.stage(one, first)
    yield from board.stage(other, None)
    for wrong in (board.boot ^ 1, board.boot ^ 2**31, 0 if board.boot else 1):
        yield from board.refused(
            MessageType.DISCARD,
            {DiscardKey.BOOT: wrong},
            Refusal.MOVED_ON,
            {RefusalKey.DETAIL: board.boot},
            what="another boot number",
        )
    if (yield from board.status())[StatusReplyKey.STAGED] != 2:
        raise NotMet("a discard that was refused dropped what is staged")
    yield from board.answer(MessageType.DISCARD, {DiscardKey.BOOT: board.boot})
    if (yield from board.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("something is staged after discard")
    yield from board.say_hello()
    if board.generation != generation:
        raise NotMet("the generation changed with a discard")
    yield from board.answer(MessageType.DISCARD, {DiscardKey.BOOT: board.boot})


def nothing_staged(board: BoardUnderTest) -> Steps[None]:
    """Commit with nothing staged is refused with `wrong-state`."""
    body: Body = {CommitKey.COUNT: 1, CommitKey.DIGEST: 0, CommitKey.TOKEN: board.token()}
    yield from board.refused(MessageType.COMMIT, body, Refusal.WRONG_STATE, what="commit")
    parts = parts_if_any(board)
    if parts is None:
        return
    yield from parts.take(0, 3, 3)
    yield from board.refused(
        MessageType.COMMIT, body, Refusal.WRONG_STATE, what="commit with incomplete parts"
    )


def not_in_this_state(board: BoardUnderTest) -> Steps[None]:
    """Undo, restart and confirm want nothing staged, undo a set, confirm a trial."""
    # Each names a wrong generation or boot number: a board that grants it changes nothing.
    other = {1: board.generation ^ 0x5A5A}
    store = yield from board.store()
    looked = False
    for capability, type_, legal in (
        (Capability.UNDO, MessageType.UNDO, store is not Store.EMPTY),
        (Capability.TRIAL, MessageType.CONFIRM, store is Store.TRIAL),
    ):
        if capability in board.capabilities and not legal:
            looked = True
            yield from board.refused(
                type_, other, Refusal.WRONG_STATE, what=f"with {store.name.lower()}"
            )
    (one, _), _ = any_two(board)
    yield from board.stage(one, None)
    for capability, type_, named in (
        (Capability.UNDO, MessageType.UNDO, other),
        (Capability.TRIAL, MessageType.CONFIRM, other),
        (Capability.RESTART, MessageType.RESTART, {1: board.boot ^ 0x5A5A}),
    ):
        if capability in board.capabilities:
            looked = True
            yield from board.refused(type_, named, Refusal.WRONG_STATE, what="with a field staged")
    if not looked:
        raise NotApplicable("the board offers neither undo nor trial nor restart")
    yield from board.status()
    if (yield from board.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("a refused request dropped what is staged")


def legal_when_staged(board: BoardUnderTest) -> Steps[None]:
    """Hello, get-schema, get-values, status are legal whatever is staged, and drop nothing."""
    (one, first), _ = any_two(board)
    yield from board.stage(one, first)
    yield from board.say_hello()
    yield from board.answer(MessageType.GET_SCHEMA, {1: 0, 2: 1})
    yield from board.answer(MessageType.GET_VALUES, {1: 0})
    for capability, type_ in (
        (Capability.SURVEY, MessageType.SURVEY),
        (Capability.LOCATE, MessageType.LOCATE),
    ):
        if capability in board.capabilities:
            reply = yield from board.ask(type_)
            refused = reply.type == MessageType.REFUSAL
            if refused and reply.body[RefusalKey.CODE] == Refusal.WRONG_STATE:
                raise NotMet(f"{type_.name.lower()} was refused since a field is staged")
    yield from board.ask(99)
    if (yield from board.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("a request that only reads dropped what is staged")


def dropped_in_time(board: BoardUnderTest) -> Steps[None]:
    """What is staged is dropped after 10 minutes without an answered request, and not before.

    A board that listens for as long as it runs still answers then.
    """
    (one, first), _ = any_two(board)
    yield from board.stage(one, first)
    yield from board.silence(STAGED_LIFETIME_MS - 20_000)
    yield from board.ask(99)  # a refusal is an answer
    yield from board.silence(STAGED_LIFETIME_MS - 20_000)
    if (yield from board.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("what is staged was dropped within 10 minutes of an answer")
    yield from board.silence(STAGED_LIFETIME_MS + 1000)
    if (yield from board.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("what is staged outlived 10 minutes without an answered request")


# ----------------------------------------------------------------------------- presence, clause 5.5


def presence(board: BoardUnderTest) -> Steps[None]:
    """With something stored, whatever changes something is refused until the button is pressed."""
    board.needs(Capability.PRESENCE)
    if (yield from board.store()) is Store.EMPTY:
        raise NotApplicable("nothing is stored, so the board wants nobody present")
    yield from wants_presence(board)


def wants_presence(board: BoardUnderTest, within: int = PRESENCE_WINDOW) -> Steps[tuple[int, int]]:
    """Wait until presence lapses; look at what is refused then, and granted after the button.

    within: milliseconds from now in which it must lapse. Return for how many of them a person
    counted as present, at least and at most.
    """
    board.asks_presence = False
    one, first = any_one(board)
    stage = board.requests_for(one, first)[0]
    lasted = yield from _await_lapse(board, stage, within)
    # The window has closed. What was staged in it is dropped, which is legal at any time.
    yield from board.answer(MessageType.DISCARD, {DiscardKey.BOOT: board.boot})
    board.staged.clear()
    other: Body = {1: board.generation ^ 0x5A5A}
    other_boot: Body = {1: board.boot ^ 0x5A5A}
    clearing: Body = {SetFieldKey.FIELD: one.key, SetFieldKey.VALUE: None}
    unknown: Body = {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0}
    beyond: Body = {
        SetFieldKey.FIELD: one.key,
        SetFieldKey.OFFSET: 3,
        SetFieldKey.TOTAL: 4,
        SetFieldKey.PART: b"ab",
    }
    commit: Body = {CommitKey.COUNT: 1, CommitKey.DIGEST: 0, CommitKey.TOKEN: board.token()}
    for capability, type_, body in (
        (None, MessageType.SET_FIELD, stage),
        (None, MessageType.SET_FIELD, clearing),
        (None, MessageType.SET_FIELD, unknown),
        (None, MessageType.SET_FIELD, beyond),
        (None, MessageType.COMMIT, commit),
        (Capability.UNDO, MessageType.UNDO, other),
        (Capability.ERASE, MessageType.ERASE, other),
        (Capability.TRIAL, MessageType.CONFIRM, other),
        (Capability.RESTART, MessageType.RESTART, other_boot),
    ):
        if capability is None or capability in board.capabilities:
            yield from board.refused(type_, body, Refusal.PRESENCE, what=type_.name.lower())
    if (yield from board.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("something is staged, though nobody was present")
    malformed = Refusal.MALFORMED
    yield from board.refused(MessageType.COMMIT, {}, malformed, what="form before presence")
    yield from board.say_hello()
    repeat: Body = {**commit, CommitKey.TOKEN: board.hello[HelloReplyKey.TOKEN]}
    reply = yield from board.ask(MessageType.COMMIT, repeat)
    if reply.type == MessageType.REFUSAL:
        raise NotMet("the repeat of the newest commit was refused for want of presence")
    board.asks_presence = True
    reply = yield from board.ask(MessageType.SET_FIELD, stage)
    if reply.type == MessageType.REFUSAL:
        raise NotMet("the button was pressed, and set-field is still refused")
    board.asks_presence = False
    reply = yield from board.ask(MessageType.SET_FIELD, stage)
    if reply.type == MessageType.REFUSAL:
        raise NotMet("presence lapses with one request, not with time")
    board.asks_presence = True
    return lasted


def _await_lapse(board: BoardUnderTest, stage: Body, within: int) -> Steps[tuple[int, int]]:
    """Ask until presence has lapsed; return how long it lasted, at least and at most."""
    began, absent = board.present_at, board.absent_at
    end, granted = board.now + within, board.now
    told = False
    while True:
        reply = yield from board.ask(MessageType.SET_FIELD, stage)
        if reply.type == MessageType.REFUSAL:
            break
        granted = board.now
        if board.now > end:
            raise NotMet(
                f"set-field was granted for {within // 1000} s: nobody needs to be present"
            )
        if not told:
            told = True
            yield Tell(
                "Waiting until the person's presence lapses, at most"
                f" {within // 1000} s: leave the button alone."
            )
        yield from board.silence(_LAPSE_POLL)
    board.must_refuse(reply, Refusal.PRESENCE, what="set-field")
    return (granted - began if told and began is not None else 0), board.now - absent


def presence_when_empty(board: BoardUnderTest) -> Steps[None]:
    """While nothing is stored nobody needs to be present."""
    board.needs(Capability.PRESENCE)
    if (yield from board.store()) is not Store.EMPTY:
        raise NotApplicable("something is stored")
    board.asks_presence = False
    (one, _), _ = any_two(board)
    yield from board.stage(one, None)


def falls_silent(board: BoardUnderTest) -> Steps[None]:
    """A board listens for as long as it announced, and is silent from then on."""
    listens = board.number(HelloReplyKey.LISTENS)
    if board.hello.get(HelloReplyKey.LISTENS) is None:
        raise NotApplicable("the board listens for as long as it runs")
    if listens > _LONGEST_AWAITED and not board.setup.patient:
        raise NotApplicable(f"it waits for {listens // 1000} s: run with --patient")
    if listens > _BEFORE_END:
        yield from board.silence(listens - _BEFORE_END)
        yield from board.status()
    yield from board.silence(_BEFORE_END + _BEYOND_END)
    for type_ in (MessageType.STATUS, MessageType.HELLO):
        id_, line = board.line(type_)
        if (yield from board.converse([line], [id_])):
            raise NotMet(f"the board still answers after {listens} ms, which `listens` announced")


STATE_CHECKS = (
    Check(("5.1.4", "5.2.2", "6.7.1", "7.2.1"), "Discard drops what is staged", discard),
    Check(("6.5.2",), "Nothing staged, nothing committed", nothing_staged),
    Check(("5.1.1", "4.3.7"), "What is not legal now is refused", not_in_this_state),
    Check(("5.1.7", "5.1.2"), "Reading drops nothing that is staged", legal_when_staged),
    Check(
        ("5.1.6", "5.1.7", "5.7.6", "5.7.7"),
        "What is staged is dropped after 10 minutes",
        dropped_in_time,
        minutes=30,
    ),
    Check(
        ("5.5.1", "5.5.3", "5.5.4", "4.3.5", "4.3.6", "4.3.9", "4.3.10"),
        "Changes want a person present",
        presence,
    ),
    Check(("5.5.2",), "An empty board wants nobody present", presence_when_empty),
    Check(("5.7.7", "5.7.6"), "The board falls silent when it said it would", falls_silent),
)
"""What is legal when; changes nothing that is stored."""
