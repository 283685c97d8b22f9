# SPDX-License-Identifier: MIT
"""Checks of trials: clauses 5.4 and 6.6."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import islice

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.committing import small_changes
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
from provision.conformance.checks.undoing import restart_board
from provision.conformance.checks.wholes import breaking, refused_whole
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.steps import Procedure
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


def _on_trial(bench: BoardUnderTest) -> Procedure[tuple[Values, bytes, Values, bytes]]:
    """Store a set, then another on trial; return values and token of both."""
    bench.needs(Capability.TRIAL)
    old, old_token = yield from store_set(bench, 0)
    yield from bench.say_hello()
    new, new_token = full_set(bench, 1), bench.token()
    yield from bench.stage_all(new)
    yield from bench.commit(new_token)
    return old, old_token, new, new_token


def _still_on_trial(bench: BoardUnderTest) -> Procedure[int]:
    """Return the generation while the trial goes on; end the check if the firmware ended it."""
    status = yield from bench.status()
    if status[StatusReplyKey.STORE] == Store.TRIAL:
        left, trial = status.get(StatusReplyKey.TRIAL_LEFT, 0), bench.known_schema().trial or 0
        assert isinstance(left, int)
        if left > trial * 1000:
            raise NotMet("`trial-left` is more than the schema states")
        generation = status[StatusReplyKey.GENERATION]
        assert isinstance(generation, int)
        return generation
    if status[StatusReplyKey.RUN] != Run.PROVEN:
        raise NotMet("a commit over an older set did not begin a trial")
    raise NotApplicable("the firmware reports proven at once, which ends every trial well")


def _left(bench: BoardUnderTest) -> Procedure[int | None]:
    left = (yield from bench.status()).get(StatusReplyKey.TRIAL_LEFT)
    return left if isinstance(left, int) else None


def _unless_proven(
    check: Callable[[BoardUnderTest], Procedure[None]], bench: BoardUnderTest
) -> Procedure[None]:
    """Run a check of trials; it does not count if the firmware ends the trial well meanwhile."""
    try:
        yield from check(bench)
    except NotMet:
        status = yield from bench.status()
        proven = status[StatusReplyKey.RUN] == Run.PROVEN
        if proven and status[StatusReplyKey.STORE] != Store.TRIAL:
            raise NotApplicable(
                "the firmware reported proven meanwhile, which ends a trial"
            ) from None
        raise


def trial_confirmed(bench: BoardUnderTest) -> Procedure[None]:
    """On trial the new set is in force; confirm keeps it, and may be repeated."""
    _, _, new, token = yield from _on_trial(bench)
    generation = yield from _still_on_trial(bench)
    if (yield from generation_and_token(bench)) != (generation, token):
        raise NotMet("on trial hello does not give the new set's token")
    yield from must_hold(bench, new, "on trial")
    yield from bench.refused(
        MessageType.CONFIRM,
        {1: (generation - 1) % 2**32},
        Refusal.MOVED_ON,
        what="another generation",
    )
    yield from _legal_on_trial(bench)
    yield from _still_on_trial(bench)
    parts = parts_if_any(bench)
    if parts is not None:
        yield from parts.take(0, 3, 3)
    yield from bench.answer(MessageType.CONFIRM, {1: generation})
    if parts is not None:
        yield from parts.take(3, 5, 5)
    yield from counts(bench, Store.COMPLETE, 0)
    after, still = yield from generation_and_token(bench)
    grew_once(generation, after, "confirm")
    if still != token:
        raise NotMet("the token changed with confirm")
    reply = yield from bench.ask(MessageType.CONFIRM, {1: generation})
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of a confirm was not answered like the first time")
    yield from bench.refused(MessageType.CONFIRM, {1: after}, Refusal.WRONG_STATE, what="no trial")
    yield from must_hold(bench, new, "after confirm")
    if Capability.RESTART in bench.capabilities:
        yield from restart_board(bench)
        yield from counts(bench, Store.COMPLETE, 0)
        yield from must_hold(bench, new, "after confirm and a restart")


def _legal_on_trial(bench: BoardUnderTest) -> Procedure[None]:
    """Ask, by wrong numbers, what is legal on trial, and what is not with a field staged."""
    one, _ = any_one(bench)
    asked = (
        (MessageType.UNDO, Capability.UNDO, bench.generation, Refusal.WRONG_STATE),
        (MessageType.CONFIRM, Capability.TRIAL, bench.generation, Refusal.WRONG_STATE),
        (MessageType.RESTART, Capability.RESTART, bench.boot, Refusal.WRONG_STATE),
        (MessageType.ERASE, Capability.ERASE, bench.generation, Refusal.MOVED_ON),
    )
    for what, is_staged in (("on trial", False), ("on trial, a field staged", True)):
        if is_staged:
            yield from bench.stage(one, None)
        for type_, capability, number, due in asked:
            if capability in bench.capabilities:
                code = due if is_staged else Refusal.MOVED_ON
                name = f"{type_.name.lower()} {what}"
                yield from bench.refused(type_, {1: number ^ 0x5A5A}, code, what=name)
    yield from bench.fresh()


def trial_in_status(bench: BoardUnderTest) -> Procedure[None]:
    """Status tells in a trial, and only there, how long it goes on, and that time runs.

    The repeat of the commit does not make it begin anew, nor does confirm what was reported.
    """
    _, _, new, token = yield from _on_trial(bench)
    body = yield from bench.status()
    check_status(bench, body)
    began = bench.now
    yield from _still_on_trial(bench)
    yield from bench.silence(1000)
    generation = yield from _still_on_trial(bench)
    yield from repeat_commit(bench, token, generation, "in a trial")
    later = yield from bench.status()
    check_status(bench, later)
    first, second = body.get(StatusReplyKey.TRIAL_LEFT), later.get(StatusReplyKey.TRIAL_LEFT)
    assert isinstance(first, int)
    if not isinstance(second, int) or abs(first - second - (bench.now - began)) > 500:
        raise NotMet(f"`trial-left` went from {first!a} to {second!a} in {bench.now - began} ms")
    yield from bench.answer(MessageType.CONFIRM, {1: generation})
    after = yield from bench.status()
    was_over = later[StatusReplyKey.RUN] != Run.APPLYING
    if was_over and after[StatusReplyKey.RUN] == Run.APPLYING:
        raise NotMet("confirm makes the firmware apply the set anew")
    if StatusReplyKey.STEP in later and StatusReplyKey.STEP not in after:
        raise NotMet("what the firmware had reported is forgotten with confirm")
    trial = 1000 * (bench.known_schema().trial or 0)
    yield from bench.silence(trial + _TRIAL_SLACK if bench.setup.patient else _SOON)
    yield from must_hold(bench, new, "some time after confirm")


def trial_undone(bench: BoardUnderTest) -> Procedure[None]:
    """Undo in a trial ends it badly at once: the older set and its token count again."""
    bench.needs(Capability.UNDO)
    old, old_token, new, new_token = yield from _on_trial(bench)
    generation = yield from _still_on_trial(bench)
    yield from bench.answer(MessageType.UNDO, {1: generation})
    yield from counts(bench, Store.COMPLETE, 0)
    if (yield from generation_and_token(bench))[1] != old_token:
        raise NotMet("the token of the older set does not count again")
    yield from must_hold(bench, old, "after undo in a trial")
    yield from bench.answer(MessageType.UNDO, {1: bench.generation})
    yield from counts(bench, Store.COMPLETE, 0)
    if (yield from generation_and_token(bench))[1] != new_token:
        raise NotMet("the token of the set that was on trial does not count again")
    yield from must_hold(bench, new, "after undoing the undo in a trial")
    setting, value = next(small_changes(bench, new), (None, None))
    if setting is not None:
        yield from bench.stage(setting, value)
        yield from bench.commit()
        yield from _still_on_trial(bench)


def trial_replaced(bench: BoardUnderTest) -> Procedure[None]:
    """A commit in a trial replaces the set on trial; the confirmed one stays kept.

    The rules of the whole hold for it as for any other.
    """
    old, old_token, new, _ = yield from _on_trial(bench)
    yield from _still_on_trial(bench)
    for code in (Refusal.MISSING, Refusal.PIN_CONFLICT):
        for changes in islice(breaking(bench, new, code), 1):
            yield from refused_whole(bench, new, changes, code)
    yield from bench.fresh()
    bench.needs(Capability.UNDO)
    yield from bench.stage_all(full_set(bench, 2))
    yield from bench.silence(_REPLACED_AFTER)
    before = yield from _still_on_trial(bench)
    began = bench.now
    grew_once(before, (yield from bench.commit()), "a commit in a trial")
    generation = yield from _still_on_trial(bench)
    left, due = (yield from _left(bench)), 1000 * (bench.known_schema().trial or 0)
    if left is not None and left + bench.now - began < due - _REPLACED_AFTER // 2:
        raise NotMet("the time of the set that was replaced runs on for the one that replaced it")
    yield from bench.answer(MessageType.UNDO, {1: generation})
    if (yield from generation_and_token(bench))[1] != old_token:
        raise NotMet("the token of the confirmed set does not count again")
    yield from must_hold(bench, old, "after undo of a second trial")


def trial_started_thrice(bench: BoardUnderTest) -> Procedure[None]:
    """At the third start within the trial the older set is in force again.

    One that the firmware makes to apply the set counts as well.
    """
    bench.needs(Capability.RESTART)
    old, old_token, new, _ = yield from _on_trial(bench)
    starts, boot = 0, bench.boot  # of the last hello, before the commit
    while True:
        for _ in range(_SOME_TIME // _START_POLL):
            yield from _still_on_trial(bench)
            yield from bench.silence(_START_POLL)
        before = yield from _still_on_trial(bench)
        left = yield from _left(bench)
        if starts == 0:
            yield from bench.say_hello()
            starts += bench.boot != boot
        if starts == _STARTS - 1:
            break
        starts += 1
        yield from restart_board(bench)
        again = yield from _left(bench)
        if left is not None and again is not None and again <= left:
            raise NotMet(f"the time of the trial did not begin anew at start {starts} within it")
        grew_once(before, (yield from _still_on_trial(bench)), f"start {starts} within a trial")
        yield from must_hold(bench, new, f"at start {starts} within a trial")
    yield from restart_board(bench)
    yield from counts(bench, Store.COMPLETE, 0)
    yield from must_hold(bench, old, "at the third start within a trial")
    grew_once(before, bench.generation, "the third start within a trial")
    if bench.hello[HelloReplyKey.TOKEN] != old_token:
        raise NotMet("the older token does not count again at the third start within a trial")


def _see_it_end(bench: BoardUnderTest, generation: int) -> Procedure[None]:
    """Ask for the status until the trial is over; each reply is of before it ended, or of after."""
    end = bench.now + _BEFORE_END + _TRIAL_SLACK
    while bench.now < end:
        status = yield from bench.status()
        check_status(bench, status)
        on_trial = status[StatusReplyKey.STORE] == Store.TRIAL
        if on_trial != (status[StatusReplyKey.GENERATION] == generation):
            raise NotMet("status has the generation of one side of the trial's end, else the other")
        if not on_trial:
            return
        yield from bench.silence(_END_POLL)


def trial_over(bench: BoardUnderTest) -> Procedure[None]:
    """When the time of a trial is over, the older set is in force again."""
    old, old_token, _, _ = yield from _on_trial(bench)
    generation = yield from _still_on_trial(bench)
    end = bench.now + 1000 * (bench.known_schema().trial or 0)
    one, _ = any_one(bench)
    yield from bench.stage(one, None)
    while bench.now < end - _BEFORE_END:
        yield from bench.silence(min(10_000, end - _BEFORE_END - bench.now))
        yield from _still_on_trial(bench)
    yield from _see_it_end(bench, generation)
    yield from counts(bench, Store.COMPLETE, 1)
    after, token = yield from generation_and_token(bench)
    grew_once(generation, after, "the end of the trial")
    if token != old_token:
        raise NotMet("the token of the older set does not count again")
    yield from must_hold(bench, old, "after a trial that ran out")


def first_set_is_no_trial(bench: BoardUnderTest) -> Procedure[None]:
    """A commit over nothing begins no trial."""
    bench.needs(Capability.TRIAL)
    bench.needs(Capability.ERASE)
    generation, _ = yield from generation_and_token(bench)
    yield from bench.answer(MessageType.ERASE, {1: generation})
    yield from bench.stage_all(full_set(bench, 0))
    yield from bench.commit()
    yield from counts(bench, Store.COMPLETE, 0)


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
