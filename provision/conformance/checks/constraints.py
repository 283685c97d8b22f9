# SPDX-License-Identifier: MIT
"""Checks of the rules that look at more than one field: clauses 9.5 and 9.6."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import product

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.sets import (
    Values,
    confirm,
    must_hold,
    store_set,
)
from provision.conformance.expected import (
    commit_refusal,
    default_in_force,
    holds_of,
    in_force,
    is_active,
    is_in_use,
    named_by,
    needs_value,
)
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.sample_values import good_value, pins_for
from provision.conformance.shown import code_words
from provision.conformance.steps import Steps
from provision.contract.profile import Item
from provision.contract.table import (
    CommitKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    StatusReplyKey,
)
from provision.schema.model import Schema, Setting, Value

_MOST_FAULTS_TRIED = 40
_ADMITTED_TRIED = {"lacks": 3, "unused": 2, "chain": 1, "same pin": 3, "swap": 1}
"""How many commits of a kind of doubt are tried: each wears the flash."""


def refused_whole(
    board: BoardUnderTest, base: Values, changes: Mapping[str, Value | None], due: Refusal
) -> Steps[None]:
    """Commit changes that break a rule of the whole; what is staged must stay."""
    schema = board.known_schema()
    fault = commit_refusal(schema, base, changes)
    assert fault is not None
    assert fault.code is due
    yield from board.fresh()
    yield from board.stage_all(changes)
    details: dict[int, Item] = {RefusalKey.FIELD: fault.field}
    if fault.other is not None:
        details[RefusalKey.OTHER] = fault.other
    what = ", ".join(
        f"{key} {'cleared' if value is None else 'set'}" for key, value in changes.items()
    )
    yield from board.refused(
        MessageType.COMMIT, board.commit_body(), due, details, what=f"{what:.120}"
    )
    if (yield from board.status())[StatusReplyKey.STAGED] != len(changes):
        raise NotMet(f"{what:.120}: what was staged did not stay after `{code_words(due)}`")
    commit = board.commit_body()
    commit[CommitKey.DIGEST] = 0
    yield from board.refused(
        MessageType.COMMIT, commit, Refusal.SET_DIFFERS, what=f"{what:.120}, and another digest"
    )
    board.staged.clear()


def partners(board: BoardUnderTest) -> Steps[None]:
    """Of a network name and its passphrase both are staged, or neither."""
    schema = board.known_schema()
    pairs = [
        (s, schema.setting(named_by(s, s.field.network)))
        for s in schema.settings
        if s.field.network is not None
    ]
    if not pairs:
        raise NotApplicable("the board's schema has no passphrase")
    values, _ = yield from store_set(board, 0)
    for passphrase, name in pairs:
        assert name is not None
        for setting in (name, passphrase):
            for value in (good_value(setting, schema, board.random, 5), None):
                yield from refused_whole(board, values, {setting.key: value}, Refusal.PARTNER)


def missing_fields(board: BoardUnderTest) -> Steps[None]:
    """A required field that is active has a value in force, or the commit is refused."""
    values, _ = yield from store_set(board, 0)
    tried = 0
    for changes in breaking(board, values, Refusal.MISSING):
        tried += 1
        yield from refused_whole(board, values, changes, Refusal.MISSING)
    if not tried:
        raise NotApplicable("no field of the board's schema can be missing")


def pin_conflicts(board: BoardUnderTest) -> Steps[None]:
    """No two active fields have the same pin, unless both share it."""
    values, _ = yield from store_set(board, 1)
    tried = 0
    for changes in breaking(board, values, Refusal.PIN_CONFLICT):
        tried += 1
        yield from refused_whole(board, values, changes, Refusal.PIN_CONFLICT)
    if not tried:
        raise NotApplicable("no two fields of the board's schema can have the same pin")
    for asleep, awake in _woken(board.known_schema(), values):
        yield from board.fresh()
        yield from board.stage_all(asleep)
        yield from board.commit()
        yield from confirm(board)
        yield from refused_whole(board, {**values, **asleep}, awake, Refusal.PIN_CONFLICT)
        return


def breaking(board: BoardUnderTest, values: Values, code: Refusal) -> Iterator[Values]:
    """Yield changes of a whole for which a commit must be refused with this code, not too many."""
    tried = 0
    for changes in mutations(board, values):
        fault = commit_refusal(board.known_schema(), values, changes)
        if fault is not None and fault.code is code and tried < _MOST_FAULTS_TRIED:
            tried += 1
            yield changes


def mutations(board: BoardUnderTest, values: Values) -> Iterator[Values]:
    """Yield changes of a whole that may or may not break a rule: clearings, conditions, pins."""
    schema = board.known_schema()
    found = [*_alone_in_use(schema, values), *_pins_in_special(schema, values)]
    for setting in schema.settings:
        alone: Values = {setting.key: None}
        found.append(with_partner(schema, alone))
        condition = setting.field.condition
        if condition is not None:  # the condition holds, and does not
            source = named_by(setting, condition.base_key)
            for value in (
                *condition.values,
                None,
                good_value(_of(schema, source), schema, board.random, 1),
            ):
                found += [{source: value, setting.key: None}, {source: value}]
        if setting.instance is not None:  # this instance is in use by one field alone
            beside = _beside(schema, setting)
            only = {s.key: values[s.key] if s is setting else None for s in beside}
            found.append(with_partner(schema, only))
            found.append(with_partner(schema, {s.key: None for s in beside}))
    found += _pin_mutations(schema, values)
    required = [
        s
        for s in schema.settings
        if needs_value(s.field, schema) and default_in_force(s.field, schema) is None
    ]
    found.append(with_partner(schema, {s.key: None for s in required}))  # which is the first?
    for change in found[:]:  # two rules broken at once: which comes first?
        refusal = commit_refusal(schema, values, change)
        if refusal is not None and refusal.code is Refusal.PIN_CONFLICT and required:
            found.append(with_partner(schema, {**change, required[0].key: None}))
            break
    unique = {str(sorted(change.items())): change for change in found}
    yield from unique.values()


def _beside(schema: Schema, setting: Setting) -> list[Setting]:
    """Return the fields of the same instance."""
    own = (setting.section, setting.instance)
    return [s for s in schema.settings if (s.section, s.instance) == own]


def _alone_in_use(schema: Schema, values: Values) -> list[Values]:
    """Return changes that leave one field of the last instance, and none of those before it."""
    found = []
    for setting in schema.settings:
        repeat = setting.section.repeat
        if repeat is not None and setting.instance == repeat.most > repeat.least + 1:
            of_section = [s for s in schema.settings if s.section == setting.section]
            spare = [s for s in of_section if s.instance and s.instance > repeat.least]
            only = {s.key: values[s.key] if s is setting else None for s in spare}
            found.append(with_partner(schema, only))
    return found


def _pins_in_special(schema: Schema, values: Values) -> list[Values]:
    """Return changes by which a pin is that of a default, or of two fields that share it."""
    found: list[Values] = []
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN]
    for unset in pins:
        default = default_in_force(unset.field, schema)
        fitting = [s for s in pins if s is not unset and default in pins_for(s.field, schema)]
        found += [{unset.key: None, s.key: default} for s in fitting]
    for number, later in enumerate(pins):
        sharing = [s for s in pins[:number] if s.field.shares][:2]
        if len(sharing) == 2 and not later.field.shares:  # which of the two is named?
            together = [*sharing, later]
            used = {values[s.key] for s in pins if s not in together}
            for pin in _common(schema, together) - used:
                found.append({s.key: pin for s in together})
                break
    return found


def _common(schema: Schema, settings: list[Setting]) -> set[int]:
    """Return the pins that each of some fields can have."""
    return set[int].intersection(*(set(pins_for(s.field, schema)) for s in settings))


def _woken(schema: Schema, values: Values) -> Iterator[tuple[Values, Values]]:
    """Yield changes that 9.6 admits, and one of no pin that then makes two fields have one pin."""
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN]
    for setting in pins:
        condition = setting.field.condition
        if condition is None:
            continue
        source = named_by(setting, condition.base_key)
        states: list[Value | None] = [*condition.values, values[source], None]
        if isinstance(values[source], bool):
            states.append(not values[source])
        for other, off, on in product(pins, states, states):
            for pin in sorted(_common(schema, [setting, other])):
                asleep: Values = {source: off, other.key: pin, setting.key: pin}
                awake: Values = {source: on}
                if commit_refusal(schema, values, asleep) is not None:
                    continue
                refusal = commit_refusal(schema, {**values, **asleep}, awake)
                if refusal is not None and refusal.code is Refusal.PIN_CONFLICT:
                    yield asleep, awake


def _pin_mutations(schema: Schema, values: Values) -> list[Values]:
    """Return changes that set two pins, or all, to the same number, or one to another's."""
    found: list[Values] = []
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN]
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            shared = [
                p for p in pins_for(later.field, schema) if p in pins_for(earlier.field, schema)
            ]
            for pin in shared[:1]:
                found += [{earlier.key: pin, later.key: pin}]
            if values[earlier.key] in shared:  # against what is stored
                found += [{later.key: values[earlier.key]}]
            if values[later.key] in shared:
                found += [{earlier.key: values[later.key]}]
    for pin in sorted({pin for s in pins for pin in pins_for(s.field, schema)})[:2]:
        found.append({s.key: pin for s in pins if pin in pins_for(s.field, schema)})
    return found


def with_partner(schema: Schema, changes: Values) -> Values:
    """Stage the other of a network name and its passphrase as well, as it must be: cleared."""
    more = dict(changes)
    for setting in schema.settings:
        if setting.field.network is not None:
            name = named_by(setting, setting.field.network)
            if (setting.key in more) != (name in more):
                more.setdefault(setting.key, None)
                more.setdefault(name, None)
    return more


def _of(schema: Schema, key: str) -> Setting:
    setting = schema.setting(key)
    assert setting is not None
    return setting


def admitted_wholes(board: BoardUnderTest) -> Steps[None]:
    """What is not active is not missing, and frees its pin; pins can be shared, and swapped."""
    schema = board.known_schema()
    values, _ = yield from store_set(board, 0)
    left = dict(_ADMITTED_TRIED)
    for changes in [*_swaps(schema, values), *mutations(board, values)]:
        if commit_refusal(schema, values, changes) is not None:
            continue
        new = _doubts(schema, {**values, **changes}) - _doubts(schema, values)
        swaps = changes in _swaps(schema, values)
        kinds = {"swap"} if swaps else {doubt[0] for doubt in new}
        wanted = [kind for kind in sorted(kinds) if left[kind]]
        if not wanted:
            continue
        for kind in wanted:
            left[kind] -= 1
        yield from board.fresh()
        yield from board.stage_all(changes)
        reply = yield from board.ask(MessageType.COMMIT, board.commit_body())
        if reply.type == MessageType.REFUSAL:
            code = code_words(reply.body[RefusalKey.CODE])
            raise NotMet(f"{', '.join(changes)}: refused with {code}, though 9.6 admits it")
        board.staged.clear()
        values = {**values, **changes}
        yield from must_hold(board, values, "after a commit that 9.6 admits")
        yield from confirm(board)
    if left == _ADMITTED_TRIED:
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


def _lack(setting: Setting, schema: Schema, whole: Values) -> str:
    """Return by which rule a board would have to overlook that a field has no value."""
    if not is_in_use(setting, schema, whole):
        return "unused"
    condition = setting.field.condition
    if condition is not None:
        source = _of(schema, named_by(setting, condition.base_key))
        of_value = holds_of(condition, in_force(source, schema, whole))
        return "chain" if of_value and not is_active(source, schema, whole) else "lacks"
    return "lacks"


def _doubts(schema: Schema, whole: Values) -> set[tuple[str, ...]]:
    """Return what a board that knew neither conditions nor instances nor sharing would refuse."""
    values = {s.key: in_force(s, schema, whole) for s in schema.settings}
    values = {key: value for key, value in values.items() if value is not None}
    doubts: set[tuple[str, ...]] = {
        (_lack(s, schema, whole), s.key)
        for s in schema.settings
        if needs_value(s.field, schema) and s.key not in values
    }
    pins = [s for s in schema.settings if s.field.kind is Kind.PIN and s.key in values]
    for number, later in enumerate(pins):
        for earlier in pins[:number]:
            if values[later.key] == values[earlier.key]:
                doubts.add(("same pin", later.key, earlier.key))
    return doubts


WHOLE_CHECKS = (
    Check(
        ("9.6.3", "6.5.4", "9.6.7", "9.6.6", "7.1.2", "7.1.3"),
        "A network name and its passphrase go together",
        partners,
        changes=True,
    ),
    Check(
        ("9.6.4", "9.6.2", "6.5.4", "9.6.6", "8.3.2", "9.5.1"),
        "No required field is missing",
        missing_fields,
        changes=True,
    ),
    Check(
        ("9.6.5", "9.6.6", "9.6.7", "7.1.3"), "No pin is used twice", pin_conflicts, changes=True
    ),
    Check(
        ("9.5.2", "9.5.1", "8.3.1", "9.6.5"),
        "What is not active is not asked for",
        admitted_wholes,
        changes=True,
    ),
)
"""They change what is stored."""
