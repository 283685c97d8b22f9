# SPDX-License-Identifier: MIT
"""Checks of commit: clauses 5.2, 6.3, 6.5, 6.6."""

from __future__ import annotations

from collections.abc import Iterator

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.constraints import mutations, with_partner
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
from provision.conformance.expected import commit_refusal
from provision.conformance.expected_values import TYPES, takes_parts, value_refusal
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.sample_values import good_value
from provision.conformance.shown import code_words
from provision.conformance.steps import Steps
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


def whole_set(board: BoardUnderTest) -> Steps[None]:
    """Commit stores all that is staged; generation, token, values and status tell of it."""
    before, _ = yield from generation_and_token(board)
    values, token = full_set(board, 0), board.token()
    yield from board.stage_all(dict.fromkeys(values))  # each value takes the place of a cleared one
    yield from board.stage_all(values)
    generation = yield from board.commit(token)
    grew_once(before, generation, "a commit")
    now, in_force = yield from generation_and_token(board)
    if in_force != token:
        raise NotMet("the token in hello is not that of the commit")
    if now != generation:
        raise NotMet("the reply to a commit has another generation than hello after it")
    status = yield from counts(board, None, 0)
    if status[StatusReplyKey.STORE] not in (Store.COMPLETE, Store.TRIAL):
        raise NotMet("a set with all that is required was stored, and `store` is not complete")
    check_status(board, status)
    yield from must_hold(board, values, "after a commit")
    yield from confirm(board)


def same_token(board: BoardUnderTest) -> Steps[None]:
    """The newest commit again is answered with the generation, and not done; no older one is."""
    values, token = full_set(board, 1), board.token()
    yield from board.stage_all(values)
    commit = board.commit_body(token)
    yield from board.answer(MessageType.COMMIT, commit)
    board.staged.clear()
    yield from confirm(board)
    generation, _ = yield from generation_and_token(board)
    for what in ("nothing staged", "a field staged"):
        reply = yield from board.ask(MessageType.COMMIT, commit)
        if reply.type == MessageType.REFUSAL:
            code = code_words(reply.body[RefusalKey.CODE])
            raise NotMet(f"the repeat of a commit, with {what}, was refused with {code}")
        if reply.body[CommitReplyKey.GENERATION] != generation:
            raise NotMet(
                f"the repeat of a commit, with {what}, did not give the present generation"
            )
        if (yield from generation_and_token(board)) != (generation, token):
            raise NotMet("the repeat of a commit was done again")
        yield from counts(board, None, 0)
        if what == "nothing staged":
            setting = next(s for s in board.known_schema().settings if values[s.key] is not None)
            yield from board.stage(setting, None)
            board.staged.clear()
    yield from must_hold(board, values, "after repeats of a commit")
    yield from store_set(board, 0)
    yield from board.refused(
        MessageType.COMMIT, commit, Refusal.WRONG_STATE, what="the repeat of the commit before"
    )


def set_differs(board: BoardUnderTest) -> Steps[None]:
    """Another count or digest is refused with `set-differs`, and what is staged is discarded."""
    older, _ = yield from store_set(board, 1)
    values, token = yield from store_set(board, 0)
    generation, _ = yield from generation_and_token(board)
    settings = board.known_schema().settings[:2]
    for key, other, what in (
        (CommitKey.COUNT, len(settings) + 1, "a count above"),
        (CommitKey.COUNT, max(1, len(settings) - 1), "a count below"),
        (CommitKey.DIGEST, 1, "a digest with another lowest bit"),
        (CommitKey.DIGEST, 2**31, "a digest with another highest bit"),
    ):
        for setting in settings:
            yield from board.stage(setting, values[setting.key])
        body = board.commit_body()
        number = body[key]
        assert isinstance(number, int)
        body[key] = other if key is CommitKey.COUNT else number ^ other
        if body[key] == number:
            continue  # of one field there is no count below
        yield from board.refused(MessageType.COMMIT, body, Refusal.SET_DIFFERS, what=what)
        board.staged.clear()
        yield from counts(board, None, 0)
        yield from board.refused(
            MessageType.COMMIT, body, Refusal.WRONG_STATE, what="the repeat of it"
        )
    if (yield from generation_and_token(board)) != (generation, token):
        raise NotMet("a commit that was refused was done")
    if Capability.UNDO in board.capabilities:
        yield from board.answer(MessageType.UNDO, {1: generation})
        yield from must_hold(board, older, "after `set-differs` and an undo")


def some_of_it(board: BoardUnderTest) -> Steps[None]:
    """A commit of some fields leaves the others as they were; null clears."""
    values, _ = yield from store_set(board, 0)
    for setting, value in small_changes(board, values):
        yield from board.fresh()
        yield from board.stage(setting, value)
        values[setting.key] = value
        yield from board.commit()
        yield from must_hold(board, values, f"after a commit of {setting.key} alone")
        yield from confirm(board)


def small_changes(board: BoardUnderTest, values: Values) -> Iterator[tuple[Setting, Value | None]]:
    """Yield a field with another value, one with an empty one, and one that is cleared.

    As the whole admits; few fields take an empty value, which is not the same as none.
    """
    schema = board.known_schema()
    wanted = {"another", "empty", "none"}
    for setting in schema.settings:
        empty = TYPES[setting.field.kind]() if takes_parts(setting.field.kind) else None
        for what, value in (
            ("another", good_value(setting, schema, board.random, 3)),
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


def behind_storing(board: BoardUnderTest) -> Steps[None]:
    """What follows a commit, confirm, undo or erase in the same flight is kept and answered."""
    board.needs(Capability.RECEIVES_WHILE_STORING)
    yield from store_set(board, 1)
    yield from board.stage_all(full_set(board, 2))
    yield from _with_more_behind(board, MessageType.COMMIT, board.commit_body())
    board.staged.clear()
    for type_, capability in (
        (MessageType.CONFIRM, Capability.TRIAL),
        (MessageType.UNDO, Capability.UNDO),
        (MessageType.ERASE, Capability.ERASE),
    ):
        status = yield from board.status()
        on_trial = status[StatusReplyKey.STORE] == Store.TRIAL
        if capability in board.capabilities and (on_trial or type_ != MessageType.CONFIRM):
            yield from _with_more_behind(board, type_, {1: status[StatusReplyKey.GENERATION]})


def _with_more_behind(board: BoardUnderTest, type_: int, body: Body) -> Steps[None]:
    """Send a request that stores, one behind it and more a moment later; all are answered."""
    id_, line = board.line(type_, body)
    ids, lines, name = [id_], [line], MESSAGES[type_].name
    for behind in (MessageType.STATUS, MessageType.HELLO, MessageType.STATUS, MessageType.HELLO):
        id_, line = board.line(behind)
        if sum(map(len, lines)) + len(line) <= board.number(HelloReplyKey.CREDIT):
            ids.append(id_)
            lines.append(line)
    got = yield from board.converse(lines[:2], ids, board.announced(type_), later=lines[2:])
    if [message.id for message in got] != ids:
        raise NotMet(f"of {len(ids)} requests, {name} the first, {len(got)} were answered")


def generation_grows(board: BoardUnderTest) -> Steps[None]:
    """The generation grows with every commit, in hello, in status and in the reply alike."""
    for turn in range(3):
        before, _ = yield from generation_and_token(board)
        yield from board.stage_all(full_set(board, turn))
        grew_once(before, (yield from board.commit()), "a commit")
        yield from confirm(board)
        yield from hello_and_status(board)


def shown_when_stored(board: BoardUnderTest) -> Steps[None]:
    """With a set of all fields stored, get-values gives each as it must."""
    values, _ = yield from store_set(board, 0)
    yield from must_hold(board, values, "with a set of all fields stored")
    yield from entries(board)
    yield from pages(board)
    yield from not_shown(board)


def staged_in_any_order(board: BoardUnderTest) -> Steps[None]:
    """The digest is over the fields in schema order, whatever the order in which they came."""
    values = full_set(board, 1)
    settings = [s for s in board.known_schema().settings if s.key in values]
    for setting in reversed(settings):
        yield from board.stage(setting, values[setting.key])
    yield from board.commit()
    yield from must_hold(board, values, "after a commit of fields that came in another order")
    yield from confirm(board)


def secret_in_parts(board: BoardUnderTest) -> Steps[None]:
    """A secret that came in parts is what came first, whatever the repeats of parts contained.

    The commit shows it by its digest.
    """
    parts = Parts(board, secret=True)
    size = len(parts.octets)
    yield from board.stage_all(full_set(board, 1))
    del board.staged[parts.setting.key]
    yield from parts.take(0, 3, 3)
    yield from parts.take(3, 5, 5)
    yield from board.answer(MessageType.SET_FIELD, parts.body(3, bytes(2)))
    last = yield from parts.finish(5)
    yield from board.answer(MessageType.SET_FIELD, parts.body(last, bytes(size - last)))
    yield from board.commit()
    yield from confirm(board)


def drops_parts(board: BoardUnderTest) -> Steps[None]:
    """Commit, set-differs, undo and erase drop incomplete parts; these count for nothing."""
    parts = Parts(board)
    yield from store_set(board, 0)
    values = full_set(board, 1)
    yield from board.stage_all(values)
    held = board.staged.pop(parts.setting.key)
    yield from parts.take(0, 3, 3)
    if held is not None and parts.setting.field.required:
        raise NotApplicable("the field that comes in parts is a required one")
    yield from board.commit()
    next_part = parts.body(3, parts.octets[3:5])
    yield from parts.gap(next_part, 0, "after a commit")
    yield from confirm(board)
    (one, _), (other, _) = any_two(board)
    yield from board.stage(other if one is parts.setting else one, None)
    yield from parts.take(0, 3, 3)
    another = {**board.commit_body(), CommitKey.COUNT: 2}
    yield from board.refused(MessageType.COMMIT, another, Refusal.SET_DIFFERS)
    board.staged.clear()
    yield from parts.gap(next_part, 0, "after `set-differs`")
    for type_, capability in (
        (MessageType.UNDO, Capability.UNDO),
        (MessageType.ERASE, Capability.ERASE),
    ):
        if capability in board.capabilities:
            yield from parts.take(0, 3, 3)
            generation, _ = yield from generation_and_token(board)
            yield from board.answer(type_, {1: generation})
            yield from parts.gap(next_part, 0, f"after {type_.name.lower()}")


def refused_changes_nothing(board: BoardUnderTest) -> Steps[None]:
    """Whatever is refused leaves what is stored, what is staged and the generation as they were.

    The commit at the end shows by its digest that the staged values are the same.
    """
    yield from store_set(board, 1)  # so that there is something to undo
    values, _ = yield from store_set(board, 0)
    before = yield from generation_and_token(board)
    (setting, value), (other, _) = any_two(board)
    changes: Values = {setting.key: value, other.key: values[other.key]}
    changes = with_partner(board.known_schema(), changes)
    if commit_refusal(board.known_schema(), values, changes) is not None:
        raise NotApplicable("the kit found no two fields that can be changed together")
    yield from board.stage_all(changes)
    wrong = 0 if setting.field.kind is Kind.YES_NO else True
    wrong_generation: Body = {1: before[0] ^ 0x5A5A}
    wrong_boot: Body = {1: board.boot ^ 0x5A5A}
    set_field, field, whole = MessageType.SET_FIELD, SetFieldKey.FIELD, SetFieldKey.VALUE
    refused: tuple[tuple[int, Body], ...] = (
        (set_field, {field: setting.key, whole: wrong}),
        (set_field, {field: other.key, whole: [], SetFieldKey.OFFSET: 0}),
        (set_field, {field: "no-such.field", whole: None}),
        (MessageType.COMMIT, {CommitKey.COUNT: 0, CommitKey.DIGEST: 0}),
        (MessageType.DISCARD, wrong_boot),
        (MessageType.DISCARD, {1: board.boot, 2: 0}),
        (MessageType.UNDO, {1: before[0]}),
        (MessageType.CONFIRM, {1: before[0]}),
        (MessageType.ERASE, wrong_generation),
        (MessageType.RESTART, {1: board.boot}),
        (MessageType.GET_SCHEMA, {1: 262_143, 2: 1}),
        (99, {}),
    )
    for type_, body in refused:
        name = MESSAGES[type_].name if type_ in MESSAGES else f"type {type_}"
        reply = yield from board.ask(type_, body)
        if reply.type != MessageType.REFUSAL:
            raise NotMet(f"{name} was granted, where a refusal is due")
        if (yield from generation_and_token(board)) != before:
            raise NotMet(f"generation or token changed with a {name} that was refused")
        yield from counts(board, None, len(changes))
    yield from must_hold(board, values, "after requests that were refused")
    yield from board.commit()
    yield from must_hold(board, {**values, **changes}, "after what is staged was committed")
    yield from confirm(board)
    yield from _refused_commit_leaves_parts(board, {**values, **changes})


def _refused_commit_leaves_parts(board: BoardUnderTest, stored: Values) -> Steps[None]:
    parts, schema = parts_if_any(board), board.known_schema()
    for wrong in mutations(board, stored):
        due = commit_refusal(schema, stored, wrong)
        if due is not None and parts is not None and parts.setting.key not in wrong:
            yield from board.stage_all(wrong)
            yield from parts.take(0, 3, 3)
            yield from board.refused(MessageType.COMMIT, board.commit_body(), due.code)
            yield from parts.take(3, 5, 5)
            return


def presence_when_stored(board: BoardUnderTest) -> Steps[None]:
    """With a set stored, or on trial, changes want a person present; with none, they do not."""
    board.needs(Capability.PRESENCE)
    yield from store_set(board, 0)
    one, first = any_one(board)
    yield from board.stage(one, first)  # with which presence begins, if it did not before
    counted, at_most = yield from wants_presence(board)
    board.asks_presence = True
    yield from board.fresh()
    yield from board.stage_all(full_set(board, 1))
    yield from board.commit()
    board.asks_presence = False
    reply = yield from board.ask(MessageType.SET_FIELD, board.requests_for(one, first)[0])
    if reply.type == MessageType.REFUSAL and board.now - board.absent_at < counted:
        raise NotMet("presence lapses with a commit, not with time")
    _, at_most = yield from wants_presence(board, min(at_most, PRESENCE_WINDOW))
    if Capability.ERASE not in board.capabilities:
        yield from confirm(board)
        return
    generation, _ = yield from generation_and_token(board)
    yield from board.answer(MessageType.ERASE, {1: generation})
    board.asks_presence = False
    yield from board.silence(at_most)
    yield from board.stage(one, None)
    generation, _ = yield from generation_and_token(board)
    yield from board.answer(MessageType.ERASE, {1: generation})


def reports(board: BoardUnderTest) -> Steps[None]:
    """After a commit the set is applied, and proven or failed in the time announced.

    Proven ends a trial well. When undo brings a set back it is applied anew; an erase forgets what
    was reported.
    """
    yield from store_set(board, 2)
    values, token = full_set(board, 3), board.token()
    yield from board.stage_all(values)
    yield from board.commit(token)
    if board.number(HelloReplyKey.APPLY_TIME) >= 1000 * (board.known_schema().trial or 0):
        yield from confirm(board)  # of the older set, which came into force again, no report is due
    took, run = yield from _reported(board)
    if run == Run.PROVEN:
        yield from counts(board, Store.COMPLETE, 0)
        if (yield from generation_and_token(board))[1] != token:
            raise NotMet("the token changed when the firmware reported proven")
        yield from must_hold(board, values, "after the firmware reported proven")
    yield from confirm(board)
    if Capability.UNDO in board.capabilities:
        is_slow = _POLL < took <= _SOON  # so that it is seen applying
        for _ in range(2 if is_slow else 1):  # to the older set, and back to this one
            body: Body = {1: (yield from generation_and_token(board))[0]}
            yield from board.answer(MessageType.UNDO, body)
        if is_slow and (yield from board.status())[StatusReplyKey.RUN] != Run.APPLYING:
            raise NotMet(f"a set is applied for {took} ms after its commit, and not after undo")
        yield from _reported(board)
    if Capability.ERASE in board.capabilities:
        generation, _ = yield from generation_and_token(board)
        yield from board.answer(MessageType.ERASE, {1: generation})
        check_status(board, (yield from board.status()))


def _reported(board: BoardUnderTest) -> Steps[tuple[int, Item]]:
    """Wait until the firmware has reported on a complete set; return after how long, and what."""
    began = board.now
    allowed = board.number(HelloReplyKey.APPLY_TIME)
    while True:
        status = yield from board.status()
        check_status(board, status)
        if status[StatusReplyKey.RUN] != Run.APPLYING:
            break
        if board.now - began > allowed + 1000:
            raise NotMet(f"after {allowed} ms (`apply-time`) the set is still being applied")
        yield from board.silence(_POLL)
    if status[StatusReplyKey.RUN] == Run.IDLE:
        raise NotMet("a complete set is in force, and `run` is idle")
    return board.now - began, status[StatusReplyKey.RUN]


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
