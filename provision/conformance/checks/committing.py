# SPDX-License-Identifier: MIT
"""Checks of commit: clauses 5.2, 6.3, 6.5, 6.6."""

from __future__ import annotations

from collections.abc import Iterator

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.parts import Parts, parts_if_any
from provision.conformance.checks.reading import check_status, entries, hello_and_status, pages
from provision.conformance.checks.sets import (
    Values,
    confirm,
    counts,
    full_set,
    generation_and_token,
    grew_once,
    must_hold,
    store_set,
)
from provision.conformance.checks.staging import any_one, any_two, not_shown
from provision.conformance.checks.states import PRESENCE_WINDOW, wants_presence
from provision.conformance.checks.wholes import mutations, with_partner
from provision.conformance.expected import commit_refusal
from provision.conformance.expected_values import TYPES, takes_parts, value_refusal
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.sample_values import good_value
from provision.conformance.shown import code_words
from provision.conformance.steps import Procedure
from provision.conformance.wire import Body
from provision.contract.profile import Item
from provision.contract.table import (
    MESSAGES,
    Capability,
    CommitKey,
    CommitReplyKey,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    Run,
    SetFieldKey,
    StatusReplyKey,
    Store,
)
from provision.schema.model import Setting, Value

_POLL = 100  # ms between two looks at the status
_SOON = 5000  # ms until a firmware reports, beyond which it is not waited for more than once


def whole_set(bench: BoardUnderTest) -> Procedure[None]:
    """Commit stores all that is staged; generation, token, values and status tell of it."""
    before, _ = yield from generation_and_token(bench)
    values, token = full_set(bench, 0), bench.token()
    yield from bench.stage_all(dict.fromkeys(values))  # each value takes the place of a cleared one
    yield from bench.stage_all(values)
    generation = yield from bench.commit(token)
    grew_once(before, generation, "a commit")
    now, in_force = yield from generation_and_token(bench)
    if in_force != token:
        raise NotMet("the token in hello is not that of the commit")
    if now != generation:
        raise NotMet("the reply to a commit has another generation than hello after it")
    status = yield from counts(bench, None, 0)
    if status[StatusReplyKey.STORE] not in (Store.COMPLETE, Store.TRIAL):
        raise NotMet("a set with all that is required was stored, and `store` is not complete")
    check_status(bench, status)
    yield from must_hold(bench, values, "after a commit")
    yield from confirm(bench)


def same_token(bench: BoardUnderTest) -> Procedure[None]:
    """The newest commit again is answered with the generation, and not done; no older one is."""
    values, token = full_set(bench, 1), bench.token()
    yield from bench.stage_all(values)
    commit = bench.commit_body(token)
    yield from bench.answer(MessageType.COMMIT, commit)
    bench.staged.clear()
    yield from confirm(bench)
    generation, _ = yield from generation_and_token(bench)
    for what in ("nothing staged", "a field staged"):
        reply = yield from bench.ask(MessageType.COMMIT, commit)
        if reply.type == MessageType.REFUSAL:
            code = code_words(reply.body[RefusalKey.CODE])
            raise NotMet(f"the repeat of a commit, with {what}, was refused with {code}")
        if reply.body[CommitReplyKey.GENERATION] != generation:
            raise NotMet(
                f"the repeat of a commit, with {what}, did not give the present generation"
            )
        if (yield from generation_and_token(bench)) != (generation, token):
            raise NotMet("the repeat of a commit was done again")
        yield from counts(bench, None, 0)
        if what == "nothing staged":
            setting = next(s for s in bench.known_schema().settings if values[s.key] is not None)
            yield from bench.stage(setting, None)
            bench.staged.clear()
    yield from must_hold(bench, values, "after repeats of a commit")
    yield from store_set(bench, 0)
    yield from bench.refused(
        MessageType.COMMIT, commit, Refusal.WRONG_STATE, what="the repeat of the commit before"
    )


def set_differs(bench: BoardUnderTest) -> Procedure[None]:
    """Another count or digest is refused with `set-differs`, and what is staged is discarded."""
    older, _ = yield from store_set(bench, 1)
    values, token = yield from store_set(bench, 0)
    generation, _ = yield from generation_and_token(bench)
    settings = bench.known_schema().settings[:2]
    for key, other, what in (
        (CommitKey.COUNT, len(settings) + 1, "a count above"),
        (CommitKey.COUNT, max(1, len(settings) - 1), "a count below"),
        (CommitKey.DIGEST, 1, "a digest with another lowest bit"),
        (CommitKey.DIGEST, 2**31, "a digest with another highest bit"),
    ):
        for setting in settings:
            yield from bench.stage(setting, values[setting.key])
        body = bench.commit_body()
        number = body[key]
        assert isinstance(number, int)
        body[key] = other if key is CommitKey.COUNT else number ^ other
        if body[key] == number:
            continue  # of one field there is no count below
        yield from bench.refused(MessageType.COMMIT, body, Refusal.SET_DIFFERS, what=what)
        bench.staged.clear()
        yield from counts(bench, None, 0)
        yield from bench.refused(
            MessageType.COMMIT, body, Refusal.WRONG_STATE, what="the repeat of it"
        )
    if (yield from generation_and_token(bench)) != (generation, token):
        raise NotMet("a commit that was refused was done")
    if Capability.UNDO in bench.capabilities:
        yield from bench.answer(MessageType.UNDO, {1: generation})
        yield from must_hold(bench, older, "after `set-differs` and an undo")


def some_of_it(bench: BoardUnderTest) -> Procedure[None]:
    """A commit of some fields leaves the others as they were; null clears."""
    values, _ = yield from store_set(bench, 0)
    for setting, value in small_changes(bench, values):
        yield from bench.fresh()
        yield from bench.stage(setting, value)
        values[setting.key] = value
        yield from bench.commit()
        yield from must_hold(bench, values, f"after a commit of {setting.key} alone")
        yield from confirm(bench)


def small_changes(bench: BoardUnderTest, values: Values) -> Iterator[tuple[Setting, Value | None]]:
    """Yield a field with another value, one with an empty one, and one that is cleared.

    As the whole admits; few fields take an empty value, which is not the same as none.
    """
    schema = bench.known_schema()
    wanted = {"another", "empty", "none"}
    for setting in schema.settings:
        empty = TYPES[setting.field.kind]() if takes_parts(setting.field.kind) else None
        for what, value in (
            ("another", good_value(setting, schema, bench.random, 3)),
            ("empty", empty),
            ("none", None),
        ):
            if what not in wanted or value == values[setting.key]:
                continue
            if value is None and what != "none":
                continue
            if value is not None and value_refusal(setting.field, value, schema) is not None:
                continue
            if commit_refusal(schema, values, {setting.key: value}) is None:
                wanted.remove(what)
                yield setting, value


def behind_storing(bench: BoardUnderTest) -> Procedure[None]:
    """What follows a commit, confirm, undo or erase in the same flight is kept and answered."""
    bench.needs(Capability.RECEIVES_WHILE_STORING)
    yield from store_set(bench, 1)
    yield from bench.stage_all(full_set(bench, 2))
    yield from _with_more_behind(bench, MessageType.COMMIT, bench.commit_body())
    bench.staged.clear()
    for type_, capability in (
        (MessageType.CONFIRM, Capability.TRIAL),
        (MessageType.UNDO, Capability.UNDO),
        (MessageType.ERASE, Capability.ERASE),
    ):
        status = yield from bench.status()
        on_trial = status[StatusReplyKey.STORE] == Store.TRIAL
        if capability in bench.capabilities and (on_trial or type_ != MessageType.CONFIRM):
            yield from _with_more_behind(bench, type_, {1: status[StatusReplyKey.GENERATION]})


def _with_more_behind(bench: BoardUnderTest, type_: int, body: Body) -> Procedure[None]:
    """Send a request that stores, one behind it and more a moment later; all are answered."""
    id_, line = bench.line(type_, body)
    ids, lines, name = [id_], [line], MESSAGES[type_].name
    for behind in (MessageType.STATUS, MessageType.HELLO, MessageType.STATUS, MessageType.HELLO):
        id_, line = bench.line(behind)
        if sum(map(len, lines)) + len(line) <= bench.number(HelloReplyKey.CREDIT):
            ids.append(id_)
            lines.append(line)
    got = yield from bench.converse(lines[:2], ids, bench.announced(type_), later=lines[2:])
    if [message.id for message in got] != ids:
        raise NotMet(f"of {len(ids)} requests, {name} the first, {len(got)} were answered")


def generation_grows(bench: BoardUnderTest) -> Procedure[None]:
    """The generation grows with every commit, in hello, in status and in the reply alike."""
    for turn in range(3):
        before, _ = yield from generation_and_token(bench)
        yield from bench.stage_all(full_set(bench, turn))
        grew_once(before, (yield from bench.commit()), "a commit")
        yield from confirm(bench)
        yield from hello_and_status(bench)


def shown_when_stored(bench: BoardUnderTest) -> Procedure[None]:
    """With a set of all fields stored, get-values gives each as it must."""
    values, _ = yield from store_set(bench, 0)
    yield from must_hold(bench, values, "with a set of all fields stored")
    yield from entries(bench)
    yield from pages(bench)
    yield from not_shown(bench)


def staged_in_any_order(bench: BoardUnderTest) -> Procedure[None]:
    """The digest is over the fields in schema order, whatever the order in which they came."""
    values = full_set(bench, 1)
    settings = [s for s in bench.known_schema().settings if s.key in values]
    for setting in reversed(settings):
        yield from bench.stage(setting, values[setting.key])
    yield from bench.commit()
    yield from must_hold(bench, values, "after a commit of fields that came in another order")
    yield from confirm(bench)


def secret_in_parts(bench: BoardUnderTest) -> Procedure[None]:
    """A secret that came in parts is what came first, whatever the repeats of parts contained.

    The commit shows it by its digest.
    """
    parts = Parts(bench, secret=True)
    size = len(parts.octets)
    yield from bench.stage_all(full_set(bench, 1))
    del bench.staged[parts.setting.key]
    yield from parts.take(0, 3, 3)
    yield from parts.take(3, 5, 5)
    yield from bench.answer(MessageType.SET_FIELD, parts.body(3, bytes(2)))
    last = yield from parts.finish(5)
    yield from bench.answer(MessageType.SET_FIELD, parts.body(last, bytes(size - last)))
    yield from bench.commit()
    yield from confirm(bench)


def drops_parts(bench: BoardUnderTest) -> Procedure[None]:
    """Commit, set-differs, undo and erase drop incomplete parts; these count for nothing."""
    parts = Parts(bench)
    yield from store_set(bench, 0)
    values = full_set(bench, 1)
    yield from bench.stage_all(values)
    held = bench.staged.pop(parts.setting.key)
    yield from parts.take(0, 3, 3)
    if held is not None and parts.setting.field.required:
        raise NotApplicable("the field that comes in parts is a required one")
    yield from bench.commit()
    next_part = parts.body(3, parts.octets[3:5])
    yield from parts.gap(next_part, 0, "after a commit")
    yield from confirm(bench)
    (one, _), (other, _) = any_two(bench)
    yield from bench.stage(other if one is parts.setting else one, None)
    yield from parts.take(0, 3, 3)
    another = {**bench.commit_body(), CommitKey.COUNT: 2}
    yield from bench.refused(MessageType.COMMIT, another, Refusal.SET_DIFFERS)
    bench.staged.clear()
    yield from parts.gap(next_part, 0, "after `set-differs`")
    for type_, capability in (
        (MessageType.UNDO, Capability.UNDO),
        (MessageType.ERASE, Capability.ERASE),
    ):
        if capability in bench.capabilities:
            yield from parts.take(0, 3, 3)
            generation, _ = yield from generation_and_token(bench)
            yield from bench.answer(type_, {1: generation})
            yield from parts.gap(next_part, 0, f"after {type_.name.lower()}")


def refused_changes_nothing(bench: BoardUnderTest) -> Procedure[None]:
    """Whatever is refused leaves what is stored, what is staged and the generation as they were.

    The commit at the end shows by its digest that the staged values are the same.
    """
    yield from store_set(bench, 1)  # so that there is something to undo
    values, _ = yield from store_set(bench, 0)
    before = yield from generation_and_token(bench)
    (setting, value), (other, _) = any_two(bench)
    changes: Values = {setting.key: value, other.key: values[other.key]}
    changes = with_partner(bench.known_schema(), changes)
    if commit_refusal(bench.known_schema(), values, changes) is not None:
        raise NotApplicable("the kit found no two fields that can be changed together")
    yield from bench.stage_all(changes)
    wrong = 0 if setting.field.kind is Kind.YES_NO else True
    wrong_generation: Body = {1: before[0] ^ 0x5A5A}
    wrong_boot: Body = {1: bench.boot ^ 0x5A5A}
    set_field, field, whole = MessageType.SET_FIELD, SetFieldKey.FIELD, SetFieldKey.VALUE
    refused: tuple[tuple[int, Body], ...] = (
        (set_field, {field: setting.key, whole: wrong}),
        (set_field, {field: other.key, whole: [], SetFieldKey.OFFSET: 0}),
        (set_field, {field: "no-such.field", whole: None}),
        (MessageType.COMMIT, {CommitKey.COUNT: 0, CommitKey.DIGEST: 0}),
        (MessageType.DISCARD, wrong_boot),
        (MessageType.DISCARD, {1: bench.boot, 2: 0}),
        (MessageType.UNDO, {1: before[0]}),
        (MessageType.CONFIRM, {1: before[0]}),
        (MessageType.ERASE, wrong_generation),
        (MessageType.RESTART, {1: bench.boot}),
        (MessageType.GET_SCHEMA, {1: 262_143, 2: 1}),
        (99, {}),
    )
    for type_, body in refused:
        name = MESSAGES[type_].name if type_ in MESSAGES else f"type {type_}"
        reply = yield from bench.ask(type_, body)
        if reply.type != MessageType.REFUSAL:
            raise NotMet(f"{name} was granted, where a refusal is due")
        if (yield from generation_and_token(bench)) != before:
            raise NotMet(f"generation or token changed with a {name} that was refused")
        yield from counts(bench, None, len(changes))
    yield from must_hold(bench, values, "after requests that were refused")
    yield from bench.commit()
    yield from must_hold(bench, {**values, **changes}, "after what is staged was committed")
    yield from confirm(bench)
    yield from _refused_commit_leaves_parts(bench, {**values, **changes})


def _refused_commit_leaves_parts(bench: BoardUnderTest, stored: Values) -> Procedure[None]:
    parts, schema = parts_if_any(bench), bench.known_schema()
    for wrong in mutations(bench, stored):
        due = commit_refusal(schema, stored, wrong)
        if due is not None and parts is not None and parts.setting.key not in wrong:
            yield from bench.stage_all(wrong)
            yield from parts.take(0, 3, 3)
            yield from bench.refused(MessageType.COMMIT, bench.commit_body(), due.code)
            yield from parts.take(3, 5, 5)
            return


def presence_when_stored(bench: BoardUnderTest) -> Procedure[None]:
    """With a set stored, or on trial, changes want a person present; with none, they do not."""
    bench.needs(Capability.PRESENCE)
    yield from store_set(bench, 0)
    one, first = any_one(bench)
    yield from bench.stage(one, first)  # with which presence begins, if it did not before
    counted, at_most = yield from wants_presence(bench)
    bench.asks_presence = True
    yield from bench.fresh()
    yield from bench.stage_all(full_set(bench, 1))
    yield from bench.commit()
    bench.asks_presence = False
    reply = yield from bench.ask(MessageType.SET_FIELD, bench.requests_for(one, first)[0])
    if reply.type == MessageType.REFUSAL and bench.now - bench.absent_at < counted:
        raise NotMet("presence lapses with a commit, not with time")
    _, at_most = yield from wants_presence(bench, min(at_most, PRESENCE_WINDOW))
    if Capability.ERASE not in bench.capabilities:
        yield from confirm(bench)
        return
    generation, _ = yield from generation_and_token(bench)
    yield from bench.answer(MessageType.ERASE, {1: generation})
    bench.asks_presence = False
    yield from bench.silence(at_most)
    yield from bench.stage(one, None)
    generation, _ = yield from generation_and_token(bench)
    yield from bench.answer(MessageType.ERASE, {1: generation})


def reports(bench: BoardUnderTest) -> Procedure[None]:
    """After a commit the set is applied, and proven or failed in the time announced.

    Proven ends a trial well. When undo brings a set back it is applied anew; an erase forgets what
    was reported.
    """
    yield from store_set(bench, 2)
    values, token = full_set(bench, 3), bench.token()
    yield from bench.stage_all(values)
    yield from bench.commit(token)
    if bench.number(HelloReplyKey.APPLY_TIME) >= 1000 * (bench.known_schema().trial or 0):
        yield from confirm(bench)  # of the older set, which came into force again, no report is due
    took, run = yield from _reported(bench)
    if run == Run.PROVEN:
        yield from counts(bench, Store.COMPLETE, 0)
        if (yield from generation_and_token(bench))[1] != token:
            raise NotMet("the token changed when the firmware reported proven")
        yield from must_hold(bench, values, "after the firmware reported proven")
    yield from confirm(bench)
    if Capability.UNDO in bench.capabilities:
        is_slow = _POLL < took <= _SOON  # so that it is seen applying
        for _ in range(2 if is_slow else 1):  # to the older set, and back to this one
            body: Body = {1: (yield from generation_and_token(bench))[0]}
            yield from bench.answer(MessageType.UNDO, body)
        if is_slow and (yield from bench.status())[StatusReplyKey.RUN] != Run.APPLYING:
            raise NotMet(f"a set is applied for {took} ms after its commit, and not after undo")
        yield from _reported(bench)
    if Capability.ERASE in bench.capabilities:
        generation, _ = yield from generation_and_token(bench)
        yield from bench.answer(MessageType.ERASE, {1: generation})
        check_status(bench, (yield from bench.status()))


def _reported(bench: BoardUnderTest) -> Procedure[tuple[int, Item]]:
    """Wait until the firmware has reported on a complete set; return after how long, and what."""
    began = bench.now
    allowed = bench.number(HelloReplyKey.APPLY_TIME)
    while True:
        status = yield from bench.status()
        check_status(bench, status)
        if status[StatusReplyKey.RUN] != Run.APPLYING:
            break
        if bench.now - began > allowed + 1000:
            raise NotMet(f"after {allowed} ms (`apply-time`) the set is still being applied")
        yield from bench.silence(_POLL)
    if status[StatusReplyKey.RUN] == Run.IDLE:
        raise NotMet("a complete set is in force, and `run` is idle")
    return bench.now - began, status[StatusReplyKey.RUN]


COMMIT_CHECKS = (
    Check(
        ("6.5.8", "6.1.2", "6.4.8", "5.1.5", "6.5.9"),
        "Commit stores the whole set",
        whole_set,
        changes=True,
    ),
    Check(
        ("5.2.1", "6.5.9", "6.1.6", "6.1.7"),
        "The generation grows with every commit",
        generation_grows,
        changes=True,
    ),
    Check(
        ("6.3.5", "6.3.2", "6.3.4", "6.3.8", "9.5.3", "6.3.9", "6.3.10", "6.3.11"),
        "What is stored is shown, and no secret",
        shown_when_stored,
        changes=True,
    ),
    Check(
        ("5.5.1", "5.5.2", "5.5.3", "5.5.4", "4.3.5", "4.3.6", "4.3.9", "4.3.10"),
        "Changes of what is stored want a person",
        presence_when_stored,
        changes=True,
    ),
    Check(
        ("6.5.1", "6.5.10", "5.7.5"),
        "The same token again is answered, not done",
        same_token,
        changes=True,
    ),
    Check(
        ("6.5.3", "5.1.5", "9.1.20", "4.3.10"),
        "Another count or digest is refused",
        set_differs,
        changes=True,
    ),
    Check(
        ("6.5.8", "6.4.9", "9.5.3", "9.1.19"),
        "What is not staged stays as it was",
        some_of_it,
        changes=True,
    ),
    Check(("5.1.5",), "What stores drops incomplete parts", drops_parts, changes=True),
    Check(("6.5.6",), "Fields may come in any order", staged_in_any_order, changes=True),
    Check(("6.4.17",), "A secret in parts is what came first", secret_in_parts, changes=True),
    Check(
        ("4.3.10", "5.2.2"),
        "What is refused changes nothing",
        refused_changes_nothing,
        changes=True,
    ),
    Check(("5.6.3",), "What comes while a board stores is kept", behind_storing, changes=True),
    Check(
        ("5.7.4", "5.4.4", "6.1.7", "6.6.1", "6.6.2", "6.6.3", "6.6.6", "6.6.7", "6.6.8"),
        "The set is applied in the time announced",
        reports,
        changes=True,
    ),
)
"""They change what is stored."""
