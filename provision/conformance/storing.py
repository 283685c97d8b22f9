# SPDX-License-Identifier: MIT
"""Checks of what a board stores: commit, undo, erase, restart, trial (5.2, 5.4, 6.5-6.7, 9.5, 9.6).

They change what is stored, and store values that the kit makes up. Each begins by storing a set of
all fields, so that it knows the whole whatever was there before, secrets included.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from itertools import pairwise

from provision.conformance.bench import Bench, Body
from provision.conformance.check import Check
from provision.conformance.findings import NotApplicable, NotMet, code_words
from provision.conformance.made_up import good_set, good_value, pins_for
from provision.conformance.reading import check_status, entries, hello_and_status, pages
from provision.conformance.staging import not_shown, presence
from provision.conformance.steps import AskPerson, Procedure
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    CommitKey,
    CommitReplyKey,
    Held,
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
from provision.settings.model import Schema, Setting, Value
from provision.settings.whole import check_whole, in_force, key_beside

_START_TIME = 30_000  # ms in which a board has to answer after a restart
_TRIAL_SLACK = 3000  # ms beyond the time of a trial in which it has to be over
_MOST_FAULTS_TRIED = 40
_ADMITTED_TRIED = 3  # commits of a kind: each wears the flash
_POLL = 100  # ms between two looks at the status

Values = dict[str, Value | None]


def stored(values: Mapping[str, Value | None]) -> dict[str, Value]:
    """Return what is stored of a set: what is cleared is not."""
    return {key: value for key, value in values.items() if value is not None}


def _set(bench: Bench, turn: int) -> Values:
    values = good_set(bench.known_schema(), bench.random, turn)
    if values is None or not stored(values):
        raise NotApplicable("the kit found no set of values that keeps the rules of this schema")
    return values


def _store(bench: Bench, turn: int) -> Procedure[tuple[Values, bytes]]:
    """Store a set of all fields; return it and its token. A trial that this begins is confirmed."""
    values, token = _set(bench, turn), bench.token()
    yield from bench.stage_all(values)
    yield from bench.commit(token)
    yield from _confirm(bench)
    return values, token


def _confirm(bench: Bench) -> Procedure[None]:
    """Keep the set on trial, if there is one, whatever the firmware does in the meantime."""
    for _ in range(3):
        status = yield from bench.status()
        if status[StatusReplyKey.STORE] != Store.TRIAL:
            return
        generation = status[StatusReplyKey.GENERATION]
        reply = yield from bench.ask(MessageType.CONFIRM, {1: generation})
        if reply.type != MessageType.REFUSAL:
            return
    raise NotMet("a trial could not be confirmed")


def _hello(bench: Bench) -> Procedure[tuple[int, Item]]:
    body = yield from bench.say_hello()
    return bench.generation, body[HelloReplyKey.TOKEN]


def _must_hold(bench: Bench, values: Mapping[str, Value | None], when: str) -> Procedure[None]:
    """End the check unless the board shows exactly these values as stored."""
    schema = bench.known_schema()
    for setting, entry in zip(schema.settings, (yield from bench.values()), strict=True):
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


def _counts(bench: Bench, store: Store | None, staged: int) -> Procedure[Body]:
    status = yield from bench.status()
    if status[StatusReplyKey.STAGED] != staged:
        raise NotMet(f"{status[StatusReplyKey.STAGED]!a} fields are staged, where {staged} are due")
    if store is not None and status[StatusReplyKey.STORE] != store:
        raise NotMet(
            f"`store` is {status[StatusReplyKey.STORE]!a}, where {store.name.lower()} is due"
        )
    return status


# ------------------------------------------------------------------------------- commit, clause 6.5


def whole_set(bench: Bench) -> Procedure[None]:
    """Commit stores all that is staged; generation, token, values and status tell of it."""
    before, _ = yield from _hello(bench)
    values, token = _set(bench, 0), bench.token()
    yield from bench.stage_all(values)
    generation = yield from bench.commit(token)
    if generation == before:
        raise NotMet("the generation did not grow with a commit")
    if (yield from _hello(bench))[1] != token:
        raise NotMet("the token in hello is not that of the commit")
    status = yield from _counts(bench, None, 0)
    if status[StatusReplyKey.STORE] not in (Store.COMPLETE, Store.TRIAL):
        raise NotMet("a set with all that is required was stored, and `store` is not complete")
    check_status(bench, status)
    yield from _must_hold(bench, values, "after a commit")
    yield from _confirm(bench)


def same_token(bench: Bench) -> Procedure[None]:
    """The newest commit again is answered with the generation, and not done; no older one is."""
    values, token = _set(bench, 1), bench.token()
    yield from bench.stage_all(values)
    commit = bench.commit_body(token)
    yield from bench.answer(MessageType.COMMIT, commit)
    bench.staged.clear()
    yield from _confirm(bench)
    generation, _ = yield from _hello(bench)
    for what in ("nothing staged", "a field staged"):
        reply = yield from bench.ask(MessageType.COMMIT, commit)
        if reply.type == MessageType.REFUSAL:
            code = code_words(reply.body[RefusalKey.CODE])
            raise NotMet(f"the repeat of a commit, with {what}, was refused with {code}")
        if reply.body[CommitReplyKey.GENERATION] != generation:
            raise NotMet(
                f"the repeat of a commit, with {what}, did not give the present generation"
            )
        if (yield from _hello(bench)) != (generation, token):
            raise NotMet("the repeat of a commit was done again")
        yield from _counts(bench, None, 0)
        if what == "nothing staged":
            setting = next(s for s in bench.known_schema().settings if values[s.key] is not None)
            yield from bench.stage(setting, None)
            bench.staged.clear()
    yield from _must_hold(bench, values, "after repeats of a commit")
    yield from _store(bench, 0)
    yield from bench.refused(
        MessageType.COMMIT, commit, Refusal.WRONG_STATE, what="the repeat of the commit before"
    )


def set_differs(bench: Bench) -> Procedure[None]:
    """Another count or digest is refused with `set-differs`, and what is staged is discarded."""
    values, token = yield from _store(bench, 0)
    generation, _ = yield from _hello(bench)
    setting = next(s for s in bench.known_schema().settings if values[s.key] is not None)
    for key in (CommitKey.COUNT, CommitKey.DIGEST):
        yield from bench.stage(setting, values[setting.key])
        body = bench.commit_body()
        number = body[key]
        assert isinstance(number, int)
        body[key] = number + 1 if key is CommitKey.COUNT else number ^ 1
        yield from bench.refused(
            MessageType.COMMIT, body, Refusal.SET_DIFFERS, what=f"another {key.name.lower()}"
        )
        bench.staged.clear()
        yield from _counts(bench, None, 0)
        yield from bench.refused(
            MessageType.COMMIT, body, Refusal.WRONG_STATE, what="the repeat of it"
        )
    if (yield from _hello(bench)) != (generation, token):
        raise NotMet("a commit that was refused was done")


def some_of_it(bench: Bench) -> Procedure[None]:
    """A commit of some fields leaves the others as they were; null clears."""
    values, _ = yield from _store(bench, 0)
    for setting, value in _small_changes(bench, values):
        yield from bench.fresh()
        yield from bench.stage(setting, value)
        values[setting.key] = value
        yield from bench.commit()
        yield from _must_hold(bench, values, f"after a commit of {setting.key} alone")
        yield from _confirm(bench)


def _small_changes(bench: Bench, values: Values) -> Iterator[tuple[Setting, Value | None]]:
    """Yield a field with another value, and one that is cleared, as the whole admits."""
    schema = bench.known_schema()
    changed = cleared = False
    for setting in schema.settings:
        value = good_value(setting, schema, bench.random, 3)
        one = {setting.key: value}
        if not changed and value is not None and check_whole(schema, stored(values), one) is None:
            changed = True
            yield setting, value
        nothing: Values = {setting.key: None}
        if (
            not cleared
            and values[setting.key] is not None
            and check_whole(schema, stored(values), nothing) is None
        ):
            cleared = True
            yield setting, None


def behind_commit(bench: Bench) -> Procedure[None]:
    """What follows a commit in the same flight is kept and answered, if hello says so."""
    bench.needs(Capability.RECEIVES_WHILE_STORING)
    yield from bench.stage_all(_set(bench, 2))
    commit_id, commit = bench.line(MessageType.COMMIT, bench.commit_body())
    ids, lines = [commit_id], [commit]
    for type_ in (MessageType.STATUS, MessageType.HELLO, MessageType.STATUS):
        id_, line = bench.line(type_)
        if sum(map(len, lines)) + len(line) <= bench.number(HelloReplyKey.CREDIT):
            ids.append(id_)
            lines.append(line)
    got = yield from bench.converse(lines, ids, bench.announced(MessageType.COMMIT))
    bench.staged.clear()
    if [message.id for message in got] != ids:
        raise NotMet(f"of {len(ids)} requests with a commit before them {len(got)} were answered")
    yield from _confirm(bench)


def generation_grows(bench: Bench) -> Procedure[None]:
    """The generation grows with every commit, in hello, in status and in the reply alike."""
    seen = []
    for turn in range(3):
        yield from bench.stage_all(_set(bench, turn))
        yield from bench.commit()
        yield from _confirm(bench)
        yield from hello_and_status(bench)
        seen.append((yield from _hello(bench))[0])
    if len(set(seen)) != len(seen):
        raise NotMet("two commits have the same generation")
    steps = [(after - before) % 2**32 for before, after in pairwise(seen)]
    if any(step > 2**31 for step in steps):
        raise NotMet("the generation went back with a commit")


def shown_when_stored(bench: Bench) -> Procedure[None]:
    """With a set of all fields stored, get-values gives each as it must."""
    yield from _store(bench, 0)
    yield from entries(bench)
    yield from pages(bench)
    yield from not_shown(bench)


def presence_when_stored(bench: Bench) -> Procedure[None]:
    """With a set stored, whatever changes something wants a person present."""
    bench.needs(Capability.PRESENCE)
    yield from _store(bench, 0)
    yield from presence(bench)


# ----------------------------------------------------------------------- the whole, clause 9.5, 9.6


def _refused_whole(
    bench: Bench, base: Values, changes: Mapping[str, Value | None], due: Refusal
) -> Procedure[None]:
    """Commit changes that break a rule of the whole; what is staged must stay."""
    schema = bench.known_schema()
    fault = check_whole(schema, stored(base), changes)
    assert fault is not None
    assert fault.code is due
    yield from bench.fresh()
    yield from bench.stage_all(changes)
    details: dict[int, Item] = {RefusalKey.FIELD: fault.field}
    if fault.other is not None:
        details[RefusalKey.OTHER] = fault.other
    what = ", ".join(
        f"{key} {'cleared' if value is None else 'set'}" for key, value in changes.items()
    )
    yield from bench.refused(
        MessageType.COMMIT, bench.commit_body(), due, details, what=f"{what:.120}"
    )
    if (yield from bench.status())[StatusReplyKey.STAGED] != len(changes):
        raise NotMet(f"{what:.120}: what was staged did not stay after `{code_words(due)}`")


def partners(bench: Bench) -> Procedure[None]:
    """Of a network name and its passphrase both are staged, or neither."""
    schema = bench.known_schema()
    pairs = [
        (s, schema.setting(key_beside(s, s.field.network)))
        for s in schema.settings
        if s.field.network is not None
    ]
    if not pairs:
        raise NotApplicable("the board's schema has no passphrase")
    values, _ = yield from _store(bench, 0)
    for passphrase, name in pairs:
        assert name is not None
        for setting in (name, passphrase):
            for value in (good_value(setting, schema, bench.random, 5), None):
                yield from _refused_whole(bench, values, {setting.key: value}, Refusal.PARTNER)


def missing_fields(bench: Bench) -> Procedure[None]:
    """A required field that is active has a value in force, or the commit is refused."""
    values, _ = yield from _store(bench, 0)
    tried = 0
    for changes in _mutations(bench, values):
        fault = check_whole(bench.known_schema(), stored(values), changes)
        if fault is not None and fault.code is Refusal.MISSING and tried < _MOST_FAULTS_TRIED:
            tried += 1
            yield from _refused_whole(bench, values, changes, Refusal.MISSING)
    if not tried:
        raise NotApplicable("no field of the board's schema can be missing")


def pin_conflicts(bench: Bench) -> Procedure[None]:
    """No two active fields have the same pin, unless both share it."""
    values, _ = yield from _store(bench, 0)
    tried = 0
    for changes in _mutations(bench, values):
        fault = check_whole(bench.known_schema(), stored(values), changes)
        if fault is not None and fault.code is Refusal.PIN_CONFLICT and tried < _MOST_FAULTS_TRIED:
            tried += 1
            yield from _refused_whole(bench, values, changes, Refusal.PIN_CONFLICT)
    if not tried:
        raise NotApplicable("no two fields of the board's schema can have the same pin")


def _mutations(bench: Bench, values: Values) -> Iterator[Values]:
    """Yield changes of a whole that may or may not break a rule: clearings, conditions, pins."""
    schema = bench.known_schema()
    found: list[Values] = []
    for setting in schema.settings:
        alone: Values = {setting.key: None}
        found.append(_with_partner(schema, alone))
        condition = setting.field.condition
        if condition is not None:  # the condition holds, and does not
            source = key_beside(setting, condition.base_key)
            for value in (
                *condition.values,
                None,
                good_value(_of(schema, source), schema, bench.random, 1),
            ):
                found += [{source: value, setting.key: None}, {source: value}]
        if setting.instance is not None:  # this instance is in use by one field alone
            beside = [
                s
                for s in schema.settings
                if (s.section, s.instance) == (setting.section, setting.instance)
            ]
            only = {s.key: values[s.key] if s is setting else None for s in beside}
            found.append(_with_partner(schema, only))
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN]
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            shared = [
                p for p in pins_for(later.field, schema) if p in pins_for(earlier.field, schema)
            ]
            for pin in shared[:1]:
                found += [{earlier.key: pin, later.key: pin}]
    required = [
        s
        for s in schema.settings
        if schema.needs_value(s.field) and schema.default_in_force(s.field) is None
    ]
    if len(pins) > 1 and required:  # two rules broken at once: which comes first?
        found.append(_with_partner(schema, {**found[-1], required[0].key: None}))
    unique = {str(sorted(change.items())): change for change in found}
    yield from unique.values()


def _with_partner(schema: Schema, changes: Values) -> Values:
    """Stage the other of a network name and its passphrase as well, as it must be: cleared."""
    more = dict(changes)
    for setting in schema.settings:
        if setting.field.network is not None:
            name = key_beside(setting, setting.field.network)
            if (setting.key in more) != (name in more):
                more.setdefault(setting.key, None)
                more.setdefault(name, None)
    return more


def _of(schema: Schema, key: str) -> Setting:
    setting = schema.setting(key)
    assert setting is not None
    return setting


def admitted_wholes(bench: Bench) -> Procedure[None]:
    """What is not active is not missing, and frees its pin; pins can be shared, and swapped."""
    schema = bench.known_schema()
    values, _ = yield from _store(bench, 0)
    left = {"lacks": _ADMITTED_TRIED, "same pin": _ADMITTED_TRIED, "swap": 1}
    for changes in [*_swaps(schema, values), *_mutations(bench, values)]:
        if check_whole(schema, stored(values), changes) is not None:
            continue
        new = _doubts(schema, stored({**values, **changes})) - _doubts(schema, stored(values))
        what = next(iter(sorted(new)), ("swap",) if changes in _swaps(schema, values) else ("",))[0]
        if not left.get(what):
            continue
        left[what] -= 1
        yield from bench.fresh()
        yield from bench.stage_all(changes)
        reply = yield from bench.ask(MessageType.COMMIT, bench.commit_body())
        if reply.type == MessageType.REFUSAL:
            code = code_words(reply.body[RefusalKey.CODE])
            raise NotMet(f"{', '.join(changes)}: refused with {code}, though 9.6 admits it")
        bench.staged.clear()
        values = {**values, **changes}
        yield from _must_hold(bench, values, "after a commit that 9.6 admits")
        yield from _confirm(bench)
    if left == {"lacks": _ADMITTED_TRIED, "same pin": _ADMITTED_TRIED, "swap": 1}:
        raise NotApplicable("the board's schema has neither conditions nor pins to try")


def _swaps(schema: Schema, values: Values) -> list[Values]:
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN and values[s.key] is not None]
    swaps: list[Values] = [
        {earlier.key: values[later.key], later.key: values[earlier.key]}
        for number, later in enumerate(pins)
        for earlier in pins[:number]
        if values[later.key] != values[earlier.key]
    ]
    possible = [
        s for s in swaps if all(v in pins_for(_of(schema, k).field, schema) for k, v in s.items())
    ]
    return possible[:1]


def _doubts(schema: Schema, whole: Mapping[str, Value]) -> set[tuple[str, ...]]:
    """Return what a board that knew neither conditions nor instances nor sharing would refuse."""
    values = in_force(schema, whole)
    doubts: set[tuple[str, ...]] = {
        ("lacks", s.key)
        for s in schema.settings
        if schema.needs_value(s.field) and s.key not in values
    }
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN and s.key in values]
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            if values[later.key] == values[earlier.key]:
                doubts.add(("same pin", later.key, earlier.key))
    return doubts


# --------------------------------------------------------------------------------- undo, clause 6.7


def _undo(bench: Bench) -> Procedure[Body]:
    """Undo, by the present generation; return the request's body."""
    body: Body = {1: (yield from bench.status())[StatusReplyKey.GENERATION]}
    yield from bench.answer(MessageType.UNDO, body)
    return body


def undo(bench: Bench) -> Procedure[None]:
    """Undo brings the set before this one back, with its token; undo again brings this one back.

    The older set outlives a restart.
    """
    bench.needs(Capability.UNDO)
    first, first_token = yield from _store(bench, 0)
    second, second_token = yield from _store(bench, 1)
    generation, _ = yield from _hello(bench)
    for wrong in ((generation + 1) % 2**32, (generation - 1) % 2**32):
        yield from bench.refused(
            MessageType.UNDO, {1: wrong}, Refusal.MOVED_ON,
            {RefusalKey.DETAIL: generation}, what="another generation",
        )  # fmt: skip
    body = yield from _undo(bench)
    after, token = yield from _hello(bench)
    if after == generation:
        raise NotMet("the generation did not grow with an undo")
    yield from _must_hold(bench, first, "after an undo")
    if token != first_token:
        raise NotMet("after an undo the token of the older set does not count again")
    reply = yield from bench.ask(MessageType.UNDO, body)
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an undo was not answered like the first time")
    if (yield from _hello(bench)) != (after, first_token):
        raise NotMet("the repeat of an undo was done again")
    yield from _undo(bench)
    yield from _must_hold(bench, second, "after undoing an undo")
    if (yield from _hello(bench))[1] != second_token:
        raise NotMet("after undoing an undo the token of the newer set does not count again")
    if Capability.RESTART in bench.capabilities:
        yield from _restart(bench)
        yield from _undo(bench)
        yield from _must_hold(bench, first, "after a restart and an undo")


# -------------------------------------------------------------------------------- erase, clause 6.7


def erase(bench: Bench) -> Procedure[None]:
    """Erase leaves nothing to read, nothing staged, nothing to undo; the generation grows."""
    bench.needs(Capability.ERASE)
    yield from _store(bench, 0)
    values, _ = yield from _store(bench, 1)
    generation, _ = yield from _hello(bench)
    yield from bench.refused(
        MessageType.ERASE, {1: (generation - 1) % 2**32}, Refusal.MOVED_ON,
        {RefusalKey.DETAIL: generation}, what="another generation",
    )  # fmt: skip
    yield from _must_hold(bench, values, "after an erase that was refused")
    setting = bench.known_schema().settings[0]
    yield from bench.stage(setting, None)
    yield from bench.answer(MessageType.ERASE, {1: generation})
    bench.staged.clear()
    after, token = yield from _hello(bench)
    if after == generation:
        raise NotMet("the generation did not grow with an erase")
    if token is not None:
        raise NotMet("a token is left after erase")
    check_status(bench, (yield from _counts(bench, Store.EMPTY, 0)))
    yield from _must_hold(bench, {}, "after erase")
    reply = yield from bench.ask(MessageType.ERASE, {1: generation})
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of an erase was not answered like the first time")
    if (yield from _hello(bench))[0] != after:
        raise NotMet("the repeat of an erase was done again")
    if Capability.UNDO in bench.capabilities:
        yield from bench.refused(MessageType.UNDO, {1: after}, Refusal.WRONG_STATE, what="undo")
        yield from bench.stage_all(_set(bench, 2))
        yield from bench.commit()
        yield from _confirm(bench)
        body = {1: (yield from _hello(bench))[0]}
        yield from bench.refused(
            MessageType.UNDO, body, Refusal.NO_OLDER_SET, what="undo of the first set after erase"
        )


# ---------------------------------------------------- restart, clause 6.7, 5.2 and power, clause 10


def _restart(bench: Bench) -> Procedure[int]:
    """Restart the board by what means there are; return the boot number before."""
    yield from bench.say_hello()
    before = bench.boot
    if Capability.RESTART in bench.capabilities:
        yield from bench.answer(MessageType.RESTART, {1: before})
    else:
        yield from _press_reset()
    yield from _await_start(bench, before)
    return before


def _press_reset() -> Procedure[None]:
    heard = yield AskPerson("Press the reset button of the board.")
    if not heard.done:
        raise NotApplicable("the board does not offer restart, and nobody pressed reset")


def _await_start(bench: Bench, before: int) -> Procedure[None]:
    """Wait until the board answers with another boot number."""
    end = bench.now + _START_TIME
    while True:
        yield from bench.await_hello(_START_TIME)
        if bench.boot != before:
            bench.staged.clear()
            return
        yield from bench.silence(_POLL)
        if bench.now > end:
            raise NotMet("the board did not restart, or has the same boot number after it")


def restart(bench: Bench) -> Procedure[None]:
    """Restart gives another boot number; the unit and what is stored are the same."""
    values, token = yield from _store(bench, 0)
    generation, _ = yield from _hello(bench)
    unit = bench.hello[HelloReplyKey.UNIT]
    if Capability.RESTART in bench.capabilities:
        yield from bench.refused(
            MessageType.RESTART, {1: bench.boot ^ 1}, Refusal.MOVED_ON,
            {RefusalKey.DETAIL: bench.boot}, what="another boot number",
        )  # fmt: skip
    before = yield from _restart(bench)
    if bench.hello[HelloReplyKey.UNIT] != unit:
        raise NotMet("the unit id changed with a restart")
    if (bench.generation, bench.hello[HelloReplyKey.TOKEN]) != (generation, token):
        raise NotMet("generation or token changed with a restart")
    yield from _must_hold(bench, values, "after a restart")
    if Capability.RESTART in bench.capabilities:
        yield from bench.refused(
            MessageType.RESTART, {1: before}, Refusal.MOVED_ON, what="the repeat of a restart"
        )


def restart_drops(bench: Bench) -> Procedure[None]:
    """A restart drops incomplete parts; an erased board is empty after it, an undone one undone."""
    schema = bench.known_schema()
    first, _ = yield from _store(bench, 0)
    yield from _store(bench, 1)
    expected: Values | None = None
    if Capability.UNDO in bench.capabilities:
        yield from _undo(bench)
        yield from _confirm(bench)
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
    yield from _restart(bench)
    if part is not None:
        following = {**part, SetFieldKey.OFFSET: 1}
        details: Body = {RefusalKey.DETAIL: 0}
        yield from bench.refused(
            MessageType.SET_FIELD, following, Refusal.GAP, details, what="a part after a restart"
        )
    yield from _counts(bench, None, 0)
    if expected is not None:
        yield from _must_hold(bench, expected, "after undo and a restart")
    if Capability.ERASE in bench.capabilities:
        generation, _ = yield from _hello(bench)
        yield from bench.answer(MessageType.ERASE, {1: generation})
        erased, _ = yield from _hello(bench)
        yield from _restart(bench)
        yield from _must_hold(bench, {}, "after erase and a restart")
        if (bench.generation, bench.hello[HelloReplyKey.TOKEN]) != (erased, None):
            raise NotMet("the generation does not survive erase and a restart")


# ----------------------------------------------------------------------------- run, clause 6.6, 6.1


def reports(bench: Bench) -> Procedure[None]:
    """After a commit the set is applied, and proven or failed in the time announced."""
    yield from _store(bench, 3)
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


# -------------------------------------------------------------------------------- trial, clause 5.4


def _on_trial(bench: Bench) -> Procedure[tuple[Values, bytes, Values, bytes]]:
    """Store a set, then another on trial; return values and token of both."""
    bench.needs(Capability.TRIAL)
    old, old_token = yield from _store(bench, 0)
    new, new_token = _set(bench, 1), bench.token()
    yield from bench.stage_all(new)
    yield from bench.commit(new_token)
    return old, old_token, new, new_token


def _still_on_trial(bench: Bench) -> Procedure[int]:
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


def _unless_proven(check: Callable[[Bench], Procedure[None]], bench: Bench) -> Procedure[None]:
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


def trial_confirmed(bench: Bench) -> Procedure[None]:
    """On trial the new set is in force; confirm keeps it, and may be repeated."""
    _, _, new, token = yield from _on_trial(bench)
    generation = yield from _still_on_trial(bench)
    if (yield from _hello(bench)) != (generation, token):
        raise NotMet("on trial hello does not give the new set's token")
    yield from _must_hold(bench, new, "on trial")
    yield from bench.refused(
        MessageType.CONFIRM,
        {1: (generation - 1) % 2**32},
        Refusal.MOVED_ON,
        what="another generation",
    )
    yield from _still_on_trial(bench)
    yield from bench.answer(MessageType.CONFIRM, {1: generation})
    yield from _counts(bench, Store.COMPLETE, 0)
    after, still = yield from _hello(bench)
    if after == generation:
        raise NotMet("the generation did not grow with confirm")
    if still != token:
        raise NotMet("the token changed with confirm")
    reply = yield from bench.ask(MessageType.CONFIRM, {1: generation})
    if reply.type == MessageType.REFUSAL or reply.body[1] != after:
        raise NotMet("the repeat of a confirm was not answered like the first time")
    yield from bench.refused(MessageType.CONFIRM, {1: after}, Refusal.WRONG_STATE, what="no trial")
    yield from _must_hold(bench, new, "after confirm")


def trial_in_status(bench: Bench) -> Procedure[None]:
    """Status tells in a trial, and only there, how long it goes on, and that time runs."""
    yield from _on_trial(bench)
    body = yield from bench.status()
    check_status(bench, body)
    began = bench.now
    yield from _still_on_trial(bench)
    yield from bench.silence(500)
    later = yield from bench.status()
    check_status(bench, later)
    first, second = body.get(StatusReplyKey.TRIAL_LEFT), later.get(StatusReplyKey.TRIAL_LEFT)
    assert isinstance(first, int)
    if not isinstance(second, int) or abs(first - second - (bench.now - began)) > 500:
        raise NotMet(f"`trial-left` went from {first!a} to {second!a} in {bench.now - began} ms")


def trial_undone(bench: Bench) -> Procedure[None]:
    """Undo in a trial ends it badly at once: the older set and its token count again."""
    bench.needs(Capability.UNDO)
    old, old_token, _, _ = yield from _on_trial(bench)
    generation = yield from _still_on_trial(bench)
    yield from bench.answer(MessageType.UNDO, {1: generation})
    yield from _counts(bench, Store.COMPLETE, 0)
    if (yield from _hello(bench))[1] != old_token:
        raise NotMet("the token of the older set does not count again")
    yield from _must_hold(bench, old, "after undo in a trial")


def trial_replaced(bench: Bench) -> Procedure[None]:
    """A commit in a trial replaces the set on trial; the confirmed one stays kept."""
    bench.needs(Capability.UNDO)
    old, old_token, _, _ = yield from _on_trial(bench)
    yield from _still_on_trial(bench)
    yield from bench.stage_all(_set(bench, 2))
    yield from bench.commit()
    generation = yield from _still_on_trial(bench)
    yield from bench.answer(MessageType.UNDO, {1: generation})
    if (yield from _hello(bench))[1] != old_token:
        raise NotMet("the token of the confirmed set does not count again")
    yield from _must_hold(bench, old, "after undo of a second trial")


def trial_started_thrice(bench: Bench) -> Procedure[None]:
    """At the third start within the trial the older set is in force again."""
    bench.needs(Capability.RESTART)
    old, old_token, new, _ = yield from _on_trial(bench)
    for start in (1, 2):
        yield from _still_on_trial(bench)
        yield from _restart(bench)
        yield from _still_on_trial(bench)
        yield from _must_hold(bench, new, f"at start {start} within a trial")
    before = bench.generation
    yield from _restart(bench)
    yield from _counts(bench, Store.COMPLETE, 0)
    yield from _must_hold(bench, old, "at the third start within a trial")
    if bench.hello[HelloReplyKey.TOKEN] != old_token or bench.generation == before:
        raise NotMet("the older token does not count again, or the generation did not grow")


def trial_over(bench: Bench) -> Procedure[None]:
    """When the time of a trial is over, the older set is in force again."""
    old, old_token, _, _ = yield from _on_trial(bench)
    generation = yield from _still_on_trial(bench)
    end = bench.now + 1000 * (bench.known_schema().trial or 0)
    while bench.now < end - 2000:
        yield from bench.silence(min(10_000, end - 2000 - bench.now))
        yield from _still_on_trial(bench)
    yield from bench.silence(2000 + _TRIAL_SLACK)
    yield from _counts(bench, Store.COMPLETE, 0)
    after, token = yield from _hello(bench)
    if after == generation:
        raise NotMet("the generation did not grow when the trial ended")
    if token != old_token:
        raise NotMet("the token of the older set does not count again")
    yield from _must_hold(bench, old, "after a trial that ran out")


def first_set_is_no_trial(bench: Bench) -> Procedure[None]:
    """A commit over nothing begins no trial."""
    bench.needs(Capability.TRIAL)
    bench.needs(Capability.ERASE)
    generation, _ = yield from _hello(bench)
    yield from bench.answer(MessageType.ERASE, {1: generation})
    yield from bench.stage_all(_set(bench, 0))
    yield from bench.commit()
    yield from _counts(bench, Store.COMPLETE, 0)


STORING_CHECKS = (
    Check("6.5", "Commit stores the whole set", whole_set, changes=True),
    Check("5.2", "The generation grows with every commit", generation_grows, changes=True),
    Check("6.3", "What is stored is shown, and no secret", shown_when_stored, changes=True),
    Check("5.5", "Changes of what is stored want a person", presence_when_stored, changes=True),
    Check("6.5", "The same token again is answered, not done", same_token, changes=True),
    Check("6.5", "Another count or digest is refused", set_differs, changes=True),
    Check("6.5", "What is not staged stays as it was", some_of_it, changes=True),
    Check("5.6", "What follows a commit is kept", behind_commit, changes=True),
    Check("9.6", "A network name and its passphrase go together", partners, changes=True),
    Check("9.6", "No required field is missing", missing_fields, changes=True),
    Check("9.6", "No pin is used twice", pin_conflicts, changes=True),
    Check("9.5", "What is not active is not asked for", admitted_wholes, changes=True),
    Check("6.6", "The set is applied in the time announced", reports, changes=True),
    Check("6.7", "Undo brings the older set back", undo, changes=True),
    Check("6.7", "Erase leaves nothing", erase, changes=True),
    Check("6.7", "Restart keeps what is stored", restart, changes=True),
    Check(
        "10",
        "What is stored, undone or erased is so at the next start",
        restart_drops,
        changes=True,
    ),
    Check("5.4", "The first set is on no trial", first_set_is_no_trial, changes=True),
    Check(
        "6.6",
        "Status tells the time a trial has",
        partial(_unless_proven, trial_in_status),
        changes=True,
    ),
    Check(
        "5.4", "Confirm ends a trial well", partial(_unless_proven, trial_confirmed), changes=True
    ),
    Check("5.4", "Undo ends a trial badly", partial(_unless_proven, trial_undone), changes=True),
    Check(
        "5.4",
        "A commit in a trial keeps the confirmed set",
        partial(_unless_proven, trial_replaced),
        changes=True,
    ),
    Check(
        "5.4",
        "The third start ends a trial badly",
        partial(_unless_proven, trial_started_thrice),
        changes=True,
    ),
    Check(
        "5.4",
        "Time ends a trial badly",
        partial(_unless_proven, trial_over),
        changes=True,
        minutes=3,
    ),
)
"""What changes the settings that are stored."""
