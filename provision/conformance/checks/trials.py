# SPDX-License-Identifier: MIT
"""Checks of trials: clauses 5.4 and 6.6."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import islice

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.commit import small_changes
from provision.conformance.checks.constraints import breaking, refused_whole
from provision.conformance.checks.parts import parts_if_any
from provision.conformance.checks.reading import check_status
from provision.conformance.checks.sets import (
    Values,
    counts,
    full_set,
    generation_and_token,
    grew_once,
    must_hold,
    repeat_commit,
    store_set,
)
from provision.conformance.checks.staging import any_one
from provision.conformance.checks.undo import restart_board
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Steps
from provision.contract.table import (
    Capability,
    HelloReplyKey,
    MessageType,
    Refusal,
    Run,
    StatusReplyKey,
    Store,
)

_SOME_TIME = 3000  # ms of a trial that pass before a start, more than a start takes
_SOON = 2000  # ms after confirm in which no trial may end, where nobody waits for all of its time
_STARTS = 3  # of which the last one ends a trial badly
_START_POLL = 500  # ms between two looks then
_REPLACED_AFTER = 500  # ms of a trial after which another set replaces the one on trial
_BEFORE_END = 2000  # ms before the end of a trial from which on it is looked at closely
_END_POLL = 20  # ms between two looks then
_TRIAL_SLACK = 3000  # ms beyond the time of a trial in which it has to be over


def _on_trial(board: BoardUnderTest) -> Steps[tuple[Values, bytes, Values, bytes]]:
    """Store a set, then another on trial; return values and token of both."""
    board.needs(Capability.TRIAL)
    old, old_token = yield from store_set(board, 0)
    yield from board.say_hello()
    new, new_token = full_set(board, 1), board.token()
    yield from board.stage_all(new)
    yield from board.commit(new_token)
    return old, old_token, new, new_token


def _still_on_trial(board: BoardUnderTest) -> Steps[int]:
    """Return the generation while the trial goes on; end the check if the firmware ended it."""
    status = yield from board.status()
    if status[StatusReplyKey.STORE] == Store.TRIAL:
        left, trial = status.get(StatusReplyKey.TRIAL_LEFT, 0), board.known_schema().trial or 0
        assert isinstance(left, int)
        if left > trial * 1000:
            raise NotMet("`trial-left` is more than the schema states")
        generation = status[StatusReplyKey.GENERATION]
        assert isinstance(generation, int)
        return generation
    if status[StatusReplyKey.RUN] != Run.PROVEN:
        raise NotMet("a commit over an older set did not begin a trial")
    raise NotApplicable("the firmware reports proven at once, which ends every trial well")


def _left(board: BoardUnderTest) -> Steps[int | None]:
    left = (yield from board.status()).get(StatusReplyKey.TRIAL_LEFT)
    return left if isinstance(left, int) else None


def _unless_proven(
    check: Callable[[BoardUnderTest], Steps[None]], board: BoardUnderTest
) -> Steps[None]:
    """Run a check of trials; it does not count if the firmware ends the trial well meanwhile."""
    try:
        yield from check(board)
    except NotMet:
        status = yield from board.status()
        proven = status[StatusReplyKey.RUN] == Run.PROVEN
        if proven and status[StatusReplyKey.STORE] != Store.TRIAL:
            raise NotApplicable(
                "the firmware reported proven meanwhile, which ends a trial"
            ) from None
        raise


def trial_confirmed(board: BoardUnderTest) -> Steps[None]:
    """On trial the new set is in force; confirm keeps it, and may be repeated."""
    _, _, new, token = yield from _on_trial(board)
    generation = yield from _still_on_trial(board)
    if (yield from generation_and_token(board)) != (generation, token):
        raise NotMet("on trial hello does not give the new set's token")
    yield from must_hold(board, new, "on trial")
    yield from board.refused(
        MessageType.CONFIRM,
        {1: (generation - 1) % 2**32},
        Refusal.MOVED_ON,
        what="another generation",
    )
    yield from _legal_on_trial(board)
    yield from _still_on_trial(board)
    parts = parts_if_any(board)
    if parts is not None:
        yield from parts.take(0, 3, 3)
    yield from board.answer(MessageType.CONFIRM, {1: generation})
    if parts is not None:
        yield from parts.take(3, 5, 5)
    yield from counts(board, Store.COMPLETE, 0)
    after, still = yield from generation_and_token(board)
    grew_once(generation, after, "confirm")
    if still != token:
        raise NotMet("the token changed with confirm")
    reply = yield from board.ask(MessageType.CONFIRM, {1: generation})
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of a confirm was not answered like the first time")
    yield from board.refused(MessageType.CONFIRM, {1: after}, Refusal.WRONG_STATE, what="no trial")
    yield from must_hold(board, new, "after confirm")
    if Capability.RESTART in board.capabilities:
        yield from restart_board(board)
        yield from counts(board, Store.COMPLETE, 0)
        yield from must_hold(board, new, "after confirm and a restart")


def _legal_on_trial(board: BoardUnderTest) -> Steps[None]:
    """Ask, by wrong numbers, what is legal on trial, and what is not with a field staged."""
    one, _ = any_one(board)
    asked = (
        (MessageType.UNDO, Capability.UNDO, board.generation, Refusal.WRONG_STATE),
        (MessageType.CONFIRM, Capability.TRIAL, board.generation, Refusal.WRONG_STATE),
        (MessageType.RESTART, Capability.RESTART, board.boot, Refusal.WRONG_STATE),
        (MessageType.ERASE, Capability.ERASE, board.generation, Refusal.MOVED_ON),
    )
    for what, is_staged in (("on trial", False), ("on trial, a field staged", True)):
        if is_staged:
            yield from board.stage(one, None)
        for type_, capability, number, due in asked:
            if capability in board.capabilities:
                code = due if is_staged else Refusal.MOVED_ON
                name = f"{type_.name.lower()} {what}"
                yield from board.refused(type_, {1: number ^ 0x5A5A}, code, what=name)
    yield from board.fresh()


def trial_in_status(board: BoardUnderTest) -> Steps[None]:
    """Status tells in a trial, and only there, how long it goes on, and that time runs.

    The repeat of the commit does not make it begin anew, nor does confirm what was reported.
    """
    _, _, new, token = yield from _on_trial(board)
    body = yield from board.status()
    check_status(board, body)
    began = board.now
    yield from _still_on_trial(board)
    yield from board.silence(1000)
    generation = yield from _still_on_trial(board)
    yield from repeat_commit(board, token, generation, "in a trial")
    later = yield from board.status()
    check_status(board, later)
    first, second = body.get(StatusReplyKey.TRIAL_LEFT), later.get(StatusReplyKey.TRIAL_LEFT)
    assert isinstance(first, int)
    if not isinstance(second, int) or abs(first - second - (board.now - began)) > 500:
        raise NotMet(f"`trial-left` went from {first!a} to {second!a} in {board.now - began} ms")
    yield from board.answer(MessageType.CONFIRM, {1: generation})
    after = yield from board.status()
    was_over = later[StatusReplyKey.RUN] != Run.APPLYING
    if was_over and after[StatusReplyKey.RUN] == Run.APPLYING:
        raise NotMet("confirm makes the firmware apply the set anew")
    if StatusReplyKey.STEP in later and StatusReplyKey.STEP not in after:
        raise NotMet("what the firmware had reported is forgotten with confirm")
    trial = 1000 * (board.known_schema().trial or 0)
    yield from board.silence(trial + _TRIAL_SLACK if board.setup.patient else _SOON)
    yield from must_hold(board, new, "some time after confirm")


def trial_undone(board: BoardUnderTest) -> Steps[None]:
    """Undo in a trial ends it badly at once: the older set and its token count again."""
    board.needs(Capability.UNDO)
    old, old_token, new, new_token = yield from _on_trial(board)
    generation = yield from _still_on_trial(board)
    yield from board.answer(MessageType.UNDO, {1: generation})
    yield from counts(board, Store.COMPLETE, 0)
    if (yield from generation_and_token(board))[1] != old_token:
        raise NotMet("the token of the older set does not count again")
    yield from must_hold(board, old, "after undo in a trial")
    yield from board.answer(MessageType.UNDO, {1: board.generation})
    yield from counts(board, Store.COMPLETE, 0)
    if (yield from generation_and_token(board))[1] != new_token:
        raise NotMet("the token of the set that was on trial does not count again")
    yield from must_hold(board, new, "after undoing the undo in a trial")
    setting, value = next(small_changes(board, new), (None, None))
    if setting is not None:
        yield from board.stage(setting, value)
        yield from board.commit()
        yield from _still_on_trial(board)


def trial_replaced(board: BoardUnderTest) -> Steps[None]:
    """A commit in a trial replaces the set on trial; the confirmed one stays kept.

    The rules of the whole hold for it as for any other.
    """
    old, old_token, new, _ = yield from _on_trial(board)
    yield from _still_on_trial(board)
    for code in (Refusal.MISSING, Refusal.PIN_CONFLICT):
        for changes in islice(breaking(board, new, code), 1):
            yield from refused_whole(board, new, changes, code)
    yield from board.fresh()
    board.needs(Capability.UNDO)
    yield from board.stage_all(full_set(board, 2))
    yield from board.silence(_REPLACED_AFTER)
    before = yield from _still_on_trial(board)
    began = board.now
    grew_once(before, (yield from board.commit()), "a commit in a trial")
    generation = yield from _still_on_trial(board)
    left, due = (yield from _left(board)), 1000 * (board.known_schema().trial or 0)
    if left is not None and left + board.now - began < due - _REPLACED_AFTER // 2:
        raise NotMet("the time of the set that was replaced runs on for the one that replaced it")
    yield from board.answer(MessageType.UNDO, {1: generation})
    if (yield from generation_and_token(board))[1] != old_token:
        raise NotMet("the token of the confirmed set does not count again")
    yield from must_hold(board, old, "after undo of a second trial")


def trial_started_thrice(board: BoardUnderTest) -> Steps[None]:
    """At the third start within the trial the older set is in force again.

    One that the firmware makes to apply the set counts as well.
    """
    board.needs(Capability.RESTART)
    old, old_token, new, _ = yield from _on_trial(board)
    starts, boot = 0, board.boot  # of the last hello, before the commit
    while True:
        for _ in range(_SOME_TIME // _START_POLL):
            yield from _still_on_trial(board)
            yield from board.silence(_START_POLL)
        before = yield from _still_on_trial(board)
        left = yield from _left(board)
        if starts == 0:
            yield from board.say_hello()
            starts += board.boot != boot
        if starts == _STARTS - 1:
            break
        starts += 1
        yield from restart_board(board)
        again = yield from _left(board)
        if left is not None and again is not None and again <= left:
            raise NotMet(f"the time of the trial did not begin anew at start {starts} within it")
        grew_once(before, (yield from _still_on_trial(board)), f"start {starts} within a trial")
        yield from must_hold(board, new, f"at start {starts} within a trial")
    yield from restart_board(board)
    yield from counts(board, Store.COMPLETE, 0)
    yield from must_hold(board, old, "at the third start within a trial")
    grew_once(before, board.generation, "the third start within a trial")
    if board.hello[HelloReplyKey.TOKEN] != old_token:
        raise NotMet("the older token does not count again at the third start within a trial")


def _see_it_end(board: BoardUnderTest, generation: int) -> Steps[None]:
    """Ask for the status until the trial is over; each reply is of before it ended, or of after."""
    end = board.now + _BEFORE_END + _TRIAL_SLACK
    while board.now < end:
        status = yield from board.status()
        check_status(board, status)
        on_trial = status[StatusReplyKey.STORE] == Store.TRIAL
        if on_trial != (status[StatusReplyKey.GENERATION] == generation):
            raise NotMet("status has the generation of one side of the trial's end, else the other")
        if not on_trial:
            return
        yield from board.silence(_END_POLL)


def trial_over(board: BoardUnderTest) -> Steps[None]:
    """When the time of a trial is over, the older set is in force again."""
    old, old_token, _, _ = yield from _on_trial(board)
    generation = yield from _still_on_trial(board)
    end = board.now + 1000 * (board.known_schema().trial or 0)
    one, _ = any_one(board)
    yield from board.stage(one, None)
    while board.now < end - _BEFORE_END:
        yield from board.silence(min(10_000, end - _BEFORE_END - board.now))
        yield from _still_on_trial(board)
    yield from _see_it_end(board, generation)
    yield from counts(board, Store.COMPLETE, 1)
    after, token = yield from generation_and_token(board)
    grew_once(generation, after, "the end of the trial")
    if token != old_token:
        raise NotMet("the token of the older set does not count again")
    yield from must_hold(board, old, "after a trial that ran out")


def first_set_is_no_trial(board: BoardUnderTest) -> Steps[None]:
    """A commit over nothing begins no trial."""
    board.needs(Capability.TRIAL)
    board.needs(Capability.ERASE)
    generation, _ = yield from generation_and_token(board)
    yield from board.answer(MessageType.ERASE, {1: generation})
    yield from board.stage_all(full_set(board, 0))
    yield from board.commit()
    yield from counts(board, Store.COMPLETE, 0)


TRIAL_CHECKS = (
    Check(("5.4.3",), "The first set is on no trial", first_set_is_no_trial, changes=True),
    Check(
        ("6.6.10", "6.5.1", "6.6.2", "6.7.17"),
        "Status tells the time a trial has",
        partial(_unless_proven, trial_in_status),
        changes=True,
    ),
    Check(
        (
            *("6.7.17", "5.4.4", "5.4.2", "6.7.1", "6.7.2", "4.3.7"),
            *("5.1.1", "5.1.2", "5.1.7", "10.1.1"),
        ),
        "Confirm ends a trial well",
        partial(_unless_proven, trial_confirmed),
        changes=True,
    ),
    Check(
        ("5.4.11", "6.7.6", "5.4.2"),
        "Undo ends a trial badly",
        partial(_unless_proven, trial_undone),
        changes=True,
    ),
    Check(
        ("5.4.10", "9.6.7", "5.2.1", "5.4.5"),
        "A commit in a trial keeps the confirmed set",
        partial(_unless_proven, trial_replaced),
        changes=True,
    ),
    Check(
        ("5.4.6", "5.4.7", "5.2.1"),
        "The third start ends a trial badly",
        partial(_unless_proven, trial_started_thrice),
        changes=True,
    ),
    Check(
        ("5.4.5", "5.4.12", "6.1.6", "5.1.7"),
        "Time ends a trial badly",
        partial(_unless_proven, trial_over),
        changes=True,
        minutes=3,
        lasts_a_trial=True,
    ),
)
"""They change what is stored."""
