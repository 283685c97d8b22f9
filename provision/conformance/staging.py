# SPDX-License-Identifier: MIT
"""Checks of what is staged and never stored: values, parts, states (5.1, 5.5, 6.4, 6.5, 9)."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from provision.conformance.bench import Bench, Body
from provision.conformance.check import Check
from provision.conformance.findings import NotApplicable, NotMet, code_words
from provision.conformance.made_up import good_value, tries
from provision.conformance.steps import Procedure
from provision.contract.profile import Item
from provision.contract.table import (
    STAGED_LIFETIME_MS,
    Capability,
    CommitKey,
    DiscardKey,
    HelloReplyKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
    Store,
)
from provision.settings.model import Setting, Value
from provision.settings.values import VALUE_TYPES, check_value, limits

_CLAUSES = {
    Kind.PASSPHRASE: "9.2",
    Kind.NETWORK_NAME: "9.2",
    Kind.HOST: "9.3",
    Kind.URL: "9.3",
    Kind.TIME_ZONE: "9.4",
}
_WINDOW = 300_000  # ms for which a person's presence may count, before the kit gives up waiting


# -------------------------------------------------------------------------- values, clause clause 9


def values_of(kind: Kind, bench: Bench) -> Procedure[None]:
    """Every field of a kind takes and refuses what clause 9 says, and refusing changes nothing."""
    schema = bench.known_schema()
    settings = [setting for setting in schema.settings if setting.field.kind is kind]
    # Instances of a section differ in nothing that counts here.
    seen = {setting.base_key: setting for setting in settings}
    if not seen:
        raise NotApplicable("the board's schema has no field of this kind")
    for setting in seen.values():
        for value in tries(setting, schema, bench.random):
            for parts in (False, True):
                yield from _try(bench, setting, value, parts=parts)
        yield from bench.fresh()


def _try(bench: Bench, setting: Setting, value: Item, *, parts: bool) -> Procedure[None]:
    """Send a value; note it if the board takes or refuses it against clause 9."""
    bodies = bench.requests_for(setting, value, parts=parts)
    if not bodies or (parts and SetFieldKey.PART not in bodies[0]):
        return
    assert isinstance(value, int | str | bytes)
    due = check_value(setting.field, value, bench.known_schema())
    how = " in parts" if SetFieldKey.PART in bodies[0] else ""
    shown = f"a secret of {len(str(value))}" if setting.field.is_secret else f"{value!a:.40}"
    what = f"{setting.key}{how}: {shown}"
    *first, last = bodies
    for body in first:
        reply = yield from bench.ask(MessageType.SET_FIELD, body)
        if reply.type == MessageType.REFUSAL:
            break
    else:
        reply = yield from bench.ask(MessageType.SET_FIELD, last)
    refused = reply.type == MessageType.REFUSAL
    if how:
        bench.staged.pop(setting.key, None)  # parts of it started, or are refused for good
    if refused:
        code = reply.body[RefusalKey.CODE]
        if code != due:
            wanted = "taken" if due is None else f"refused with {code_words(due)}"
            bench.note(f"{what}: refused with {code_words(code)}, and must be {wanted}")
        elif reply.body.get(RefusalKey.FIELD, setting.key) != setting.key:
            bench.note(f"{what}: `field` is not the field that was sent")
        if how:  # whether its parts started is not worth knowing here
            yield from bench.fresh()
        return
    bench.staged[setting.key] = value
    if due is not None:
        bench.note(f"{what}: taken, and must be refused with {code_words(due)}")
    elif reply.body[SetFieldReplyKey.STAGED] != len(bench.staged):
        bench.note(f"{what}: `staged` is {reply.body[SetFieldReplyKey.STAGED]!a}")


# ---------------------------------------------------------------------------- set-field, clause 6.4


def _pick(
    bench: Bench, fits: Callable[[Setting], bool], what: str
) -> tuple[Setting, Callable[[int], Value]]:
    """Return a field that fits and makes good values of it, another at each turn."""
    schema = bench.known_schema()
    for setting in schema.settings:
        value = good_value(setting, schema, bench.random, 0)
        if fits(setting) and value is not None:

            def another(turn: int, chosen: Setting = setting, first: Value = value) -> Value:
                return good_value(chosen, schema, bench.random, turn) or first

            return setting, another
    raise NotApplicable(f"the board's schema has no {what}")


def _any_two(bench: Bench) -> tuple[tuple[Setting, Value], tuple[Setting, Value]]:
    schema = bench.known_schema()
    found = []
    for setting in schema.settings:
        value = good_value(setting, schema, bench.random, 0)
        if value is not None and bench.requests_for(setting, value):
            found.append((setting, value))
    if len(found) < 2:
        raise NotApplicable("the board's schema has fewer than two fields that the kit can set")
    return found[0], found[-1]


def whole_values(bench: Bench) -> Procedure[None]:
    """A value takes the place of what was staged for its field; null is staged as well."""
    (one, first), (other, second) = _any_two(bench)
    yield from bench.stage(one, first)
    yield from bench.stage(one, first)
    yield from bench.stage(other, second)
    yield from bench.stage(one, None)
    yield from bench.stage(other, None)
    body: Body = {SetFieldKey.FIELD: one.key, SetFieldKey.VALUE: None}
    if SetFieldReplyKey.RECEIVED in (yield from bench.answer(MessageType.SET_FIELD, body)):
        raise NotMet("`received` is in the reply to a value that came whole")
    if (yield from bench.status())[StatusReplyKey.STAGED] != 2:
        raise NotMet("status counts otherwise than set-field what is staged")


def clearing(bench: Bench) -> Procedure[None]:
    """Any field can be cleared, and a field that is not active can be set."""
    schema = bench.known_schema()
    for setting in schema.settings:
        yield from bench.stage(setting, None)


def not_shown(bench: Bench) -> Procedure[None]:
    """Staged values are not shown, neither by get-values nor by hello."""
    before = yield from bench.values()
    hello = dict((yield from bench.say_hello()))
    (one, first), (other, _) = _any_two(bench)
    yield from bench.stage(one, first)
    yield from bench.stage(other, None)
    if (yield from bench.values()) != before:
        raise NotMet("get-values changed with what is staged")
    after = dict((yield from bench.say_hello()))
    hello.pop(HelloReplyKey.LISTENS)
    after.pop(HelloReplyKey.LISTENS)
    if after != hello:
        raise NotMet("hello changed with what is staged")


def unknown_fields(bench: Bench) -> Procedure[None]:
    """A key that no field has is refused with `unknown-field`, whatever comes with it."""
    schema = bench.known_schema()
    keys = {setting.key for setting in schema.settings}
    one = schema.settings[0].key
    near = {
        "a",
        "no-such.field",
        one[:-1],
        f"{one}x"[:32],
        one.upper(),
        one.replace(".", "_"),
        "é" * 16,
    }
    for setting in schema.settings:
        repeat = setting.section.repeat
        if repeat is not None:
            section, field = setting.section.key, setting.field.key
            for number in ("0", "01", str(repeat.most + 1), "1.1"):
                near.add(f"{section}.{number}.{field}")
            near.add(setting.base_key)
    for key in sorted(near - keys):
        if not 1 <= len(key.encode()) <= 32:
            continue
        wholes_and_parts: tuple[Body, ...] = (
            {SetFieldKey.VALUE: 0},
            {SetFieldKey.VALUE: None},
            {SetFieldKey.OFFSET: 5, SetFieldKey.TOTAL: 65535, SetFieldKey.PART: b"x"},
        )
        for more in wholes_and_parts:
            body = {SetFieldKey.FIELD: key, **more}
            yield from bench.refused(
                MessageType.SET_FIELD,
                body,
                Refusal.UNKNOWN_FIELD,
                {RefusalKey.FIELD: key},
                what=key,
            )


# -------------------------------------------------------------------------------- parts, clause 6.4


class _Parts:
    """A field that takes parts, with a good value of several bytes, and another field.

    A secret one, or one that is none: their parts are judged by other rules.
    """

    def __init__(self, bench: Bench, *, secret: bool = False) -> None:
        self.bench = bench
        schema = bench.known_schema()
        best: Setting | None = None
        for setting in schema.settings:
            longest = limits(best.field)[1] if best else 7
            fits = self._takes(setting) and setting.field.is_secret is secret
            if fits and limits(setting.field)[1] > longest:
                best = setting
        if best is None:
            what = "secret field" if secret else "field that is no secret,"
            raise NotApplicable(f"the board's schema has no {what} of 8 bytes or more for parts")
        self.setting = best
        self.others = [
            s
            for s in schema.settings
            if s is not best and self._takes(s) and limits(s.field)[1] > 3
        ]
        value = good_value(best, schema, bench.random, 1)
        octets = value.encode() if isinstance(value, str) else value
        if not isinstance(octets, bytes) or len(octets) < 6:
            raise NotApplicable("the kit found no value of 6 bytes or more for parts")
        self.octets = octets
        if best.field.is_secret:
            bench.leaks.add(octets)
        self.value = value

    @staticmethod
    def _takes(setting: Setting) -> bool:
        kind = setting.field.kind
        return VALUE_TYPES[kind] in (str, bytes) and kind is not Kind.CHOICE

    def body(
        self, offset: int, part: bytes, total: int | None = None, key: str | None = None
    ) -> Body:
        return {
            SetFieldKey.FIELD: key or self.setting.key,
            SetFieldKey.OFFSET: offset,
            SetFieldKey.TOTAL: total or len(self.octets),
            SetFieldKey.PART: part,
        }

    def take(self, offset: int, end: int, held: int) -> Procedure[None]:
        """Send the bytes from offset to end; `received` must be `held`."""
        reply = yield from self.bench.answer(
            MessageType.SET_FIELD, self.body(offset, self.octets[offset:end])
        )
        received = reply.get(SetFieldReplyKey.RECEIVED)
        if received != held:
            raise NotMet(f"`received` is {received!a} at {offset} to {end}, where {held} is due")
        self.bench.check_count(reply)

    def gap(self, body: Body, held: int, what: str) -> Procedure[None]:
        """Send a part that must be refused with `gap`, and with what is held as detail."""
        yield from self.bench.refused(
            MessageType.SET_FIELD, body, Refusal.GAP, {RefusalKey.DETAIL: held}, what=what
        )

    def finish(self, offset: int) -> Procedure[None]:
        """Send the rest, which stages the value."""
        self.bench.staged[self.setting.key] = self.value
        at = offset
        while at < len(self.octets):
            end = min(len(self.octets), at + self.bench.part_size(self.setting.key))
            if end == len(self.octets):
                yield from self.take(at, end, end)
            else:
                del self.bench.staged[self.setting.key]
                yield from self.take(at, end, end)
                self.bench.staged[self.setting.key] = self.value
            at = end


def parts_in_order(bench: Bench) -> Procedure[None]:
    """Parts are appended, counted, and staged when the last is there; the last one may repeat."""
    parts = _Parts(bench)
    yield from parts.take(0, 2, 2)
    yield from parts.take(2, 5, 5)
    if (yield from bench.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("incomplete parts count as staged")
    yield from parts.finish(5)
    size = len(parts.octets)
    yield from parts.take(size - 1, size, size)
    yield from parts.take(0, 2, size)
    if (yield from bench.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("a value that came in parts does not count as staged")


def parts_repeat(bench: Bench) -> Procedure[None]:
    """A part within what is held, and equal to it, is acknowledged again."""
    parts = _Parts(bench)
    yield from parts.take(0, 3, 3)
    yield from parts.take(0, 3, 3)
    yield from parts.take(3, 5, 5)
    yield from parts.take(0, 3, 5)
    yield from parts.take(1, 4, 5)
    yield from parts.take(3, 5, 5)
    yield from parts.finish(5)


def parts_gap(bench: Bench) -> Procedure[None]:
    """A part that neither continues nor repeats is refused with `gap`, and changes nothing."""
    parts = _Parts(bench)
    octets = parts.octets
    wrong = bytes([octets[1] ^ 1])
    yield from parts.gap(parts.body(2, octets[2:4]), 0, "a part at 2 of nothing held")
    yield from parts.take(0, 3, 3)
    yield from parts.gap(parts.body(4, octets[4:5]), 3, "a part behind a gap")
    yield from parts.gap(parts.body(1, wrong), 3, "a part that differs from what is held")
    yield from parts.gap(parts.body(2, octets[2:4]), 3, "a part that overlaps what is held")
    total = len(octets) - 1
    yield from parts.gap(parts.body(3, octets[3:4], total), 0, "a part with another total")
    if parts.others:
        other = parts.others[0]
        yield from parts.gap(parts.body(1, b"a", 2, other.key), 0, "a part of another field")
    yield from parts.take(3, 5, 5)
    yield from parts.finish(5)


def parts_of_secrets(bench: Bench) -> Procedure[None]:
    """Of a secret the last part may repeat, whatever it contains; any other forgets the field."""
    parts = _Parts(bench, secret=True)
    octets = parts.octets
    yield from parts.take(0, 3, 3)
    yield from parts.take(3, 5, 5)
    yield from parts.take(0, 3, 3)
    for probe, what in (
        (octets[1:2], "a part that equals what is held"),
        (bytes([octets[1] ^ 1]), "a part that differs from what is held"),
    ):
        yield from parts.take(3, 5, 5)
        yield from parts.take(3, 5, 5)
        reply = yield from bench.answer(MessageType.SET_FIELD, parts.body(3, bytes(2)))
        if reply.get(SetFieldReplyKey.RECEIVED) != 5:
            raise NotMet("the repeat of the last part with other bytes is told from the first")
        yield from parts.gap(parts.body(1, probe), 0, what)
        yield from parts.gap(parts.body(5, octets[5:6]), 0, f"the next part after {what}")
        yield from parts.take(0, 3, 3)
    yield from parts.finish(3)
    del bench.staged[parts.setting.key]
    yield from parts.gap(parts.body(1, octets[1:2]), 0, "a part of what is staged")
    if (yield from bench.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("a secret is still staged after a part of it was refused with `gap`")


def parts_restart(bench: Bench) -> Procedure[None]:
    """A part at 0 that differs starts the field again, and unstages it."""
    parts = _Parts(bench)
    yield from parts.take(0, 3, 3)
    changed = bytes([parts.octets[0] ^ 1]) + parts.octets[1:2]
    reply = yield from bench.answer(MessageType.SET_FIELD, parts.body(0, changed))
    if reply.get(SetFieldReplyKey.RECEIVED) != 2:
        raise NotMet("a part at 0 that differs from what is held did not start the field again")
    yield from parts.take(0, 2, 2)
    yield from parts.finish(2)
    del bench.staged[parts.setting.key]
    reply = yield from bench.answer(MessageType.SET_FIELD, parts.body(0, changed))
    bench.check_count(reply)
    yield from parts.gap(parts.body(5, parts.octets[5:6]), 2, "a part of the value before")


def parts_forgotten(bench: Bench) -> Procedure[None]:
    """A whole set-field that is accepted forgets incomplete parts; one that is refused does not."""
    parts = _Parts(bench)
    unknown: Body = {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0}
    yield from parts.take(0, 3, 3)
    (one, _), (other, _) = _any_two(bench)
    another = one if one is not parts.setting else other
    no_value = 0 if another.field.kind is Kind.YES_NO else True
    refused: Body = {SetFieldKey.FIELD: another.key, SetFieldKey.VALUE: no_value}
    yield from bench.refused(MessageType.SET_FIELD, unknown, Refusal.UNKNOWN_FIELD)
    yield from bench.refused(MessageType.SET_FIELD, refused, Refusal.WRONG_KIND)
    yield from parts.take(3, 5, 5)
    yield from bench.stage(another, None)
    yield from parts.gap(parts.body(5, parts.octets[5:6]), 0, "after another field was set")
    yield from parts.take(0, 3, 3)
    yield from bench.stage(parts.setting, None)
    yield from parts.gap(parts.body(3, parts.octets[3:4]), 0, "after the field itself was cleared")
    del bench.staged[parts.setting.key]
    yield from parts.take(0, 3, 3)
    yield from bench.answer(MessageType.DISCARD, {DiscardKey.BOOT: bench.boot})
    bench.staged.clear()
    yield from parts.gap(parts.body(3, parts.octets[3:4]), 0, "after discard")


def parts_of_another(bench: Bench) -> Procedure[None]:
    """Starting parts of another field forgets those of the first."""
    parts = _Parts(bench)
    if not parts.others:
        raise NotApplicable("the board's schema has one such field only")
    other = parts.others[0]
    yield from parts.take(0, 3, 3)
    reply = yield from bench.answer(MessageType.SET_FIELD, parts.body(0, b"a", 2, other.key))
    if reply.get(SetFieldReplyKey.RECEIVED) != 1:
        raise NotMet("a part of one byte was started, and `received` is not 1")
    yield from parts.gap(parts.body(3, parts.octets[3:4]), 0, "after another field started")


def parts_wrong(bench: Bench) -> Procedure[None]:
    """What cannot come in parts, is too long, or is no text, is refused in the order of 6.4."""
    parts = _Parts(bench)
    schema = bench.known_schema()
    _, most = limits(parts.setting.field)
    malformed = Refusal.MALFORMED
    set_field = MessageType.SET_FIELD
    if most < 65535:
        over = parts.body(0, b"ab", most + 1)
        yield from bench.refused(set_field, over, Refusal.LENGTH, what="total above the longest")
        over = parts.body(2, b"ab", most + 1)
        yield from bench.refused(set_field, over, Refusal.LENGTH, what="total before gap")
    yield from bench.refused(set_field, parts.body(1, b"abc", 3), malformed, what="beyond total")
    for setting in schema.settings:
        if VALUE_TYPES[setting.field.kind] in (int, bool) or setting.field.kind is Kind.CHOICE:
            body = parts.body(0, b"ab", 65535, setting.key)
            details: Body = {RefusalKey.FIELD: setting.key}
            yield from bench.refused(
                set_field, body, Refusal.WRONG_KIND, details, what=f"parts of {setting.key}"
            )
    yield from parts.take(0, 3, 3)
    texts = [s for s in schema.settings if VALUE_TYPES[s.field.kind] is str and _Parts._takes(s)]  # noqa: SLF001
    for setting in texts:
        least, most = limits(setting.field)
        size = max(least, min(most, 10))
        body = parts.body(0, b"a" * (size - 1) + b"\xff", size, setting.key)
        if setting.field.kind is Kind.PASSPHRASE and size == 64:
            continue
        yield from bench.refused(
            set_field, body, Refusal.CHARACTERS, what=f"{setting.key}: a byte that is no UTF-8"
        )
        body = parts.body(size - 1, b"a", size, setting.key)
        if size > 1:
            yield from parts.gap(body, 0, "after a value in parts was refused")


# --------------------------------------------------------------------- states, clause 5.1, 6.5, 6.7


def discard(bench: Bench) -> Procedure[None]:
    """Discard drops what is staged, if it names the boot number."""
    (one, first), (other, _) = _any_two(bench)
    yield from bench.stage(one, first)
    yield from bench.stage(other, None)
    for wrong in (bench.boot ^ 1, 0 if bench.boot else 1):
        yield from bench.refused(
            MessageType.DISCARD,
            {DiscardKey.BOOT: wrong},
            Refusal.MOVED_ON,
            {RefusalKey.DETAIL: bench.boot},
            what="another boot number",
        )
    if (yield from bench.status())[StatusReplyKey.STAGED] != 2:
        raise NotMet("a discard that was refused dropped what is staged")
    yield from bench.answer(MessageType.DISCARD, {DiscardKey.BOOT: bench.boot})
    if (yield from bench.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("something is staged after discard")
    yield from bench.answer(MessageType.DISCARD, {DiscardKey.BOOT: bench.boot})


def nothing_staged(bench: Bench) -> Procedure[None]:
    """Commit with nothing staged is refused with `wrong-state`."""
    body: Body = {CommitKey.COUNT: 1, CommitKey.DIGEST: 0, CommitKey.TOKEN: bench.token()}
    yield from bench.refused(MessageType.COMMIT, body, Refusal.WRONG_STATE, what="commit")
    try:
        parts = _Parts(bench)
    except NotApplicable:
        return
    yield from parts.take(0, 3, 3)
    yield from bench.refused(
        MessageType.COMMIT, body, Refusal.WRONG_STATE, what="commit with incomplete parts"
    )


def not_in_this_state(bench: Bench) -> Procedure[None]:
    """Undo, restart and confirm want nothing staged, undo a set, confirm a trial."""
    # Each names a wrong generation or boot number: a board that grants it changes nothing.
    other = {1: bench.generation ^ 0x5A5A}
    store = yield from bench.store()
    looked = False
    for capability, type_, legal in (
        (Capability.UNDO, MessageType.UNDO, store is not Store.EMPTY),
        (Capability.TRIAL, MessageType.CONFIRM, store is Store.TRIAL),
    ):
        if capability in bench.capabilities and not legal:
            looked = True
            yield from bench.refused(
                type_, other, Refusal.WRONG_STATE, what=f"with {store.name.lower()}"
            )
    (one, _), _ = _any_two(bench)
    yield from bench.stage(one, None)
    for capability, type_, named in (
        (Capability.UNDO, MessageType.UNDO, other),
        (Capability.TRIAL, MessageType.CONFIRM, other),
        (Capability.RESTART, MessageType.RESTART, {1: bench.boot ^ 0x5A5A}),
    ):
        if capability in bench.capabilities:
            looked = True
            yield from bench.refused(type_, named, Refusal.WRONG_STATE, what="with a field staged")
    if not looked:
        raise NotApplicable("the board offers neither undo nor trial nor restart")
    yield from bench.status()
    if (yield from bench.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("a refused request dropped what is staged")


def legal_when_staged(bench: Bench) -> Procedure[None]:
    """Hello, get-schema, get-values, status are legal whatever is staged, and drop nothing."""
    (one, first), _ = _any_two(bench)
    yield from bench.stage(one, first)
    yield from bench.say_hello()
    yield from bench.answer(MessageType.GET_SCHEMA, {1: 0, 2: 1})
    yield from bench.answer(MessageType.GET_VALUES, {1: 0})
    yield from bench.ask(99)
    if (yield from bench.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("a request that only reads dropped what is staged")


def dropped_in_time(bench: Bench) -> Procedure[None]:
    """What is staged is dropped after 10 minutes without an answered request, and not before."""
    (one, first), _ = _any_two(bench)
    yield from bench.stage(one, first)
    yield from bench.silence(STAGED_LIFETIME_MS - 20_000)
    yield from bench.ask(99)  # a refusal is an answer
    yield from bench.silence(STAGED_LIFETIME_MS - 20_000)
    if (yield from bench.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("what is staged was dropped within 10 minutes of an answer")
    yield from bench.silence(STAGED_LIFETIME_MS + 1000)
    if (yield from bench.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("what is staged outlived 10 minutes without an answered request")


# ----------------------------------------------------------------------------- presence, clause 5.5


def presence(bench: Bench) -> Procedure[None]:
    """With something stored, whatever changes something is refused until the button is pressed."""
    bench.needs(Capability.PRESENCE)
    if (yield from bench.store()) is Store.EMPTY:
        raise NotApplicable("nothing is stored, so the board wants nobody present")
    bench.asks_presence = False
    schema = bench.known_schema()
    stage: Body = {SetFieldKey.FIELD: schema.settings[0].key, SetFieldKey.VALUE: None}
    end = bench.now + _WINDOW
    while True:
        reply = yield from bench.ask(MessageType.SET_FIELD, stage)
        if reply.type == MessageType.REFUSAL:
            break
        if bench.now > end:
            raise NotMet(
                f"set-field was granted for {_WINDOW // 1000} s: nobody needs to be present"
            )
        yield from bench.silence(1000)
    bench.must_refuse(reply, Refusal.PRESENCE, what="set-field")
    # The window has closed. What was staged in it is dropped, which is legal at any time.
    yield from bench.answer(MessageType.DISCARD, {DiscardKey.BOOT: bench.boot})
    bench.staged.clear()
    other = {1: bench.generation ^ 0x5A5A}
    unknown: Body = {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0}
    commit: Body = {CommitKey.COUNT: 1, CommitKey.DIGEST: 0, CommitKey.TOKEN: bench.token()}
    for capability, type_, body in (
        (None, MessageType.SET_FIELD, unknown),
        (None, MessageType.COMMIT, commit),
        (Capability.UNDO, MessageType.UNDO, other),
        (Capability.ERASE, MessageType.ERASE, other),
        (Capability.TRIAL, MessageType.CONFIRM, other),
        (Capability.RESTART, MessageType.RESTART, {1: bench.boot ^ 0x5A5A}),
    ):
        if capability is None or capability in bench.capabilities:
            yield from bench.refused(type_, body, Refusal.PRESENCE, what=type_.name.lower())
    malformed = Refusal.MALFORMED
    yield from bench.refused(MessageType.COMMIT, {}, malformed, what="form before presence")
    if (yield from bench.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("something is staged, though nobody was present")
    bench.asks_presence = True
    reply = yield from bench.ask(MessageType.SET_FIELD, stage)
    if reply.type == MessageType.REFUSAL:
        raise NotMet("the button was pressed, and set-field is still refused")


def _kind_name(kind: Kind) -> str:
    return kind.name.lower().replace("_", "-")


STAGING_CHECKS = (
    Check("6.4", "A whole value takes the place of the one staged", whole_values),
    Check("6.4", "Every field can be cleared", clearing),
    Check("6.3", "What is staged is not shown", not_shown),
    Check("6.4", "Fields that are not there are refused", unknown_fields),
    *(
        Check(
            _CLAUSES.get(kind, "9.1"),
            f"Values of kind {_kind_name(kind)}",
            partial(values_of, kind),
        )
        for kind in Kind
    ),
    Check("6.4", "Parts are appended and counted", parts_in_order),
    Check("6.4", "Parts may be repeated", parts_repeat),
    Check("6.4", "Parts with a gap are refused", parts_gap),
    Check("6.4", "Parts of a secret are compared with nothing", parts_of_secrets),
    Check("6.4", "A part at 0 starts again", parts_restart),
    Check("6.4", "Incomplete parts are forgotten when they must be", parts_forgotten),
    Check("6.4", "Parts of one field at a time", parts_of_another),
    Check("6.4", "Parts that cannot be are refused", parts_wrong),
    Check("6.7", "Discard drops what is staged", discard),
    Check("6.5", "Nothing staged, nothing committed", nothing_staged),
    Check("5.1", "What is not legal now is refused", not_in_this_state),
    Check("5.1", "Reading drops nothing that is staged", legal_when_staged),
    Check("5.1", "What is staged is dropped after 10 minutes", dropped_in_time, minutes=30),
    Check("5.5", "Changes want a person present", presence),
)
"""What is staged only; changes nothing that is stored."""
