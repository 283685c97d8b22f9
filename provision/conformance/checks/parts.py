# SPDX-License-Identifier: MIT
"""Checks of values that come in parts: clause 6.4."""

from __future__ import annotations

from provision.conformance.board_under_test import BoardUnderTest
from provision.conformance.check import Check
from provision.conformance.checks.staging import any_two
from provision.conformance.expected_values import TYPES, limits, takes_parts
from provision.conformance.findings import NotApplicable, NotMet
from provision.conformance.sample_values import good_value
from provision.conformance.steps import Steps
from provision.conformance.wire import Body
from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    DiscardKey,
    Kind,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
    SetFieldReplyKey,
    StatusReplyKey,
)
from provision.schema.model import Setting


class Parts:
    """A field that takes parts, with a good value of several bytes, and another field.

    A secret one, or one that is none: their parts are judged by other rules.
    """

    def __init__(self, board: BoardUnderTest, *, secret: bool = False) -> None:
        self.board = board
        if not board.takes_parts:
            raise NotApplicable("the board takes values whole only")
        schema = board.known_schema()
        best: Setting | None = None
        for setting in schema.settings:
            longest = limits(best.field)[1] if best else 7
            fits = takes_parts(setting.field.kind) and setting.field.is_secret is secret
            if fits and limits(setting.field)[1] > longest:
                best = setting
        if best is None:
            what = "secret field" if secret else "field that is not a secret,"
            raise NotApplicable(f"the board's schema has no {what} of 8 bytes or more for parts")
        self.setting = best
        self.others = [
            s
            for s in schema.settings
            if s is not best and takes_parts(s.field.kind) and limits(s.field)[1] > 3
        ]
        value = good_value(best, schema, board.random, 1)
        octets = value.encode() if isinstance(value, str) else value
        if not isinstance(octets, bytes) or len(octets) < 6:
            raise NotApplicable("the kit found no value of 6 bytes or more for parts")
        self.octets = octets
        if best.field.is_secret:
            board.leaks.add(octets)
        self.value = value

    def body(
        self, offset: int, part: bytes, total: int | None = None, key: str | None = None
    ) -> Body:
        """Return the body of a set-field with this part."""
        return {
            SetFieldKey.FIELD: key or self.setting.key,
            SetFieldKey.OFFSET: offset,
            SetFieldKey.TOTAL: total or len(self.octets),
            SetFieldKey.PART: part,
        }

    def take(self, offset: int, end: int, held: int) -> Steps[None]:
        """Send the bytes from offset to end; `received` must be `held`."""
        reply = yield from self.board.answer(
            MessageType.SET_FIELD, self.body(offset, self.octets[offset:end])
        )
        received = reply.get(SetFieldReplyKey.RECEIVED)
        if received != held:
            raise NotMet(f"`received` is {received!a} at {offset} to {end}, where {held} is due")
        self.board.check_count(reply)

    def gap(self, body: Body, held: int, what: str) -> Steps[None]:
        """Send a part that must be refused with `gap`, and with what is held as detail."""
        yield from self.board.refused(
            MessageType.SET_FIELD, body, Refusal.GAP, {RefusalKey.DETAIL: held}, what=what
        )

    def finish(self, offset: int) -> Steps[int]:
        """Send the rest, which stages the value; return where the last part began."""
        self.board.staged[self.setting.key] = self.value
        last = at = offset
        while at < len(self.octets):
            end = min(len(self.octets), at + self.board.part_size(self.setting.key))
            if end == len(self.octets):
                yield from self.take(at, end, end)
            else:
                del self.board.staged[self.setting.key]
                yield from self.take(at, end, end)
                self.board.staged[self.setting.key] = self.value
            last, at = at, end
        return last


def parts_if_any(board: BoardUnderTest) -> Parts | None:
    """Return a field that takes parts; None if the board's schema has none."""
    try:
        return Parts(board)
    except NotApplicable:
        return None


def parts_in_order(board: BoardUnderTest) -> Steps[None]:
    """Parts are appended, counted, and staged when the last is there; they may repeat even then."""
    parts = Parts(board)
    yield from parts.take(0, 2, 2)
    yield from parts.take(2, 5, 5)
    if (yield from board.status())[StatusReplyKey.STAGED] != 0:
        raise NotMet("incomplete parts count as staged")
    yield from parts.finish(5)
    size = len(parts.octets)
    yield from parts.take(size - 1, size, size)
    yield from parts.take(0, 2, size)
    if (yield from board.status())[StatusReplyKey.STAGED] != 1:
        raise NotMet("a value that came in parts does not count as staged")
    (one, _), (other, _) = any_two(board)
    yield from board.stage(one if one is not parts.setting else other, None)
    yield from parts.take(size - 1, size, size)
    yield from board.stage(parts.setting, None)
    last = parts.body(size - 1, parts.octets[size - 1 :])
    yield from parts.gap(last, 0, "the last part, after the field was set whole")


def parts_repeat(board: BoardUnderTest) -> Steps[None]:
    """A part within what is held, and equal to it, is acknowledged again."""
    parts = Parts(board)
    yield from parts.take(0, 3, 3)
    yield from parts.take(0, 3, 3)
    yield from parts.take(3, 5, 5)
    yield from parts.take(0, 3, 5)
    yield from parts.take(1, 4, 5)
    yield from parts.take(3, 5, 5)
    yield from parts.finish(5)


def parts_gap(board: BoardUnderTest) -> Steps[None]:
    """A part that neither continues nor repeats is refused with `gap`, and changes nothing."""
    parts = Parts(board)
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


def parts_of_secrets(board: BoardUnderTest) -> Steps[None]:
    """Of a secret the last part may repeat, whatever it contains; any other forgets the field."""
    parts = Parts(board, secret=True)
    octets = parts.octets
    size = len(octets)
    yield from parts.take(0, 3, 3)
    yield from parts.take(3, 5, 5)
    for probe, what in (
        (parts.body(1, octets[1:2]), "a part that equals what is held"),
        (parts.body(1, bytes([octets[1] ^ 1])), "a part that differs from what is held"),
        (parts.body(3, octets[3:5]), "the repeat of a part before the last one"),
        (parts.body(6, octets[6:7], size - 1), "the next part with another total"),
    ):
        yield from parts.take(0, 3, 3)
        yield from parts.take(3, 5, 5)
        yield from parts.take(5, 6, 6)
        yield from parts.take(5, 6, 6)
        reply = yield from board.answer(MessageType.SET_FIELD, parts.body(5, bytes(1)))
        if reply.get(SetFieldReplyKey.RECEIVED) != 6:
            raise NotMet("the repeat of the last part with other bytes is told from the first")
        yield from parts.gap(probe, 0, what)
        yield from parts.gap(parts.body(6, octets[6:7]), 0, f"the next part after {what}")


def gap_unstages_secrets(board: BoardUnderTest) -> Steps[None]:
    """A part of a secret that does not continue unstages it, however that was staged."""
    parts = Parts(board, secret=True)
    probe = parts.body(1, parts.octets[1:2])
    yield from parts.take(0, 3, 3)
    last = yield from parts.finish(3)
    yield from parts.take(last, len(parts.octets), len(parts.octets))
    for how in ("in parts", "whole"):
        if how == "whole":
            yield from board.stage(parts.setting, parts.value)
        yield from parts.gap(probe, 0, f"a part of what is staged {how}")
        if (yield from board.status())[StatusReplyKey.STAGED] != 0:
            raise NotMet(f"a secret staged {how} stays so after a part was refused with `gap`")
        repeat = parts.body(last, parts.octets[last:])
        yield from parts.gap(repeat, 0, "the last part, after what was held is forgotten")
        board.staged.clear()


def parts_restart(board: BoardUnderTest) -> Steps[None]:
    """A part at 0 that differs starts the field again, and unstages it."""
    parts = Parts(board)
    yield from parts.take(0, 3, 3)
    changed = bytes([parts.octets[0] ^ 1]) + parts.octets[1:2]
    reply = yield from board.answer(MessageType.SET_FIELD, parts.body(0, changed))
    if reply.get(SetFieldReplyKey.RECEIVED) != 2:
        raise NotMet("a part at 0 that differs from what is held did not start the field again")
    yield from parts.take(0, 2, 2)
    yield from parts.finish(2)
    del board.staged[parts.setting.key]
    reply = yield from board.answer(MessageType.SET_FIELD, parts.body(0, changed))
    board.check_count(reply)
    yield from parts.gap(parts.body(5, parts.octets[5:6]), 2, "a part of the value before")


def parts_forgotten(board: BoardUnderTest) -> Steps[None]:
    """A whole set-field that is accepted forgets incomplete parts; one that is refused does not."""
    parts = Parts(board)
    unknown: Body = {SetFieldKey.FIELD: "no-such.field", SetFieldKey.VALUE: 0}
    yield from parts.take(0, 3, 3)
    (one, _), (other, _) = any_two(board)
    another = one if one is not parts.setting else other
    no_value = 0 if another.field.kind is Kind.YES_NO else True
    refused: Body = {SetFieldKey.FIELD: another.key, SetFieldKey.VALUE: no_value}
    yield from board.refused(MessageType.SET_FIELD, unknown, Refusal.UNKNOWN_FIELD)
    yield from board.refused(MessageType.SET_FIELD, refused, Refusal.WRONG_KIND)
    beyond = parts.body(len(parts.octets) - 1, b"ab")
    yield from board.refused(MessageType.SET_FIELD, beyond, Refusal.MALFORMED)
    yield from parts.take(3, 5, 5)
    yield from board.stage(another, None)
    yield from parts.gap(parts.body(5, parts.octets[5:6]), 0, "after another field was set")
    yield from parts.take(0, 3, 3)
    yield from board.stage(parts.setting, None)
    yield from parts.gap(parts.body(3, parts.octets[3:4]), 0, "after the field itself was cleared")
    del board.staged[parts.setting.key]
    yield from parts.take(0, 3, 3)
    yield from board.answer(MessageType.DISCARD, {DiscardKey.BOOT: board.boot})
    board.staged.clear()
    yield from parts.gap(parts.body(3, parts.octets[3:4]), 0, "after discard")
    yield from parts.take(0, 3, 3)
    yield from parts.finish(3)
    yield from board.answer(MessageType.DISCARD, {DiscardKey.BOOT: board.boot})
    board.staged.clear()
    last = parts.body(len(parts.octets) - 1, parts.octets[-1:])
    yield from parts.gap(last, 0, "the last part, after its value was discarded")


def parts_of_another(board: BoardUnderTest) -> Steps[None]:
    """Starting parts of another field forgets those of the first, but not what they staged."""
    parts = Parts(board)
    if not parts.others:
        raise NotApplicable("the board's schema has one such field only")
    other = parts.others[0]
    yield from parts.take(0, 3, 3)
    reply = yield from board.answer(MessageType.SET_FIELD, parts.body(0, b"a", 2, other.key))
    if reply.get(SetFieldReplyKey.RECEIVED) != 1:
        raise NotMet("a part of one byte was started, and `received` is not 1")
    yield from parts.gap(parts.body(3, parts.octets[3:4]), 0, "after another field started")
    yield from parts.take(0, 3, 3)
    last = yield from parts.finish(3)
    reply = yield from board.answer(MessageType.SET_FIELD, parts.body(0, b"a", 2, other.key))
    board.check_count(reply)
    repeat = parts.body(last, parts.octets[last:])
    yield from parts.gap(repeat, 0, "the last of complete parts, after another field started")


def parts_wrong(board: BoardUnderTest) -> Steps[None]:
    """What cannot come in parts, is too long, or is no text, is refused in the order of 6.4."""
    parts = Parts(board)
    schema = board.known_schema()
    _, most = limits(parts.setting.field)
    malformed = Refusal.MALFORMED
    set_field = MessageType.SET_FIELD
    if most < 65535:
        over = parts.body(0, b"ab", most + 1)
        yield from board.refused(set_field, over, Refusal.LENGTH, what="total above the longest")
        over = parts.body(2, b"ab", most + 1)
        yield from board.refused(set_field, over, Refusal.LENGTH, what="total before gap")
    yield from board.refused(set_field, parts.body(1, b"abc", 3), malformed, what="beyond total")
    # 16 bits of the sum are 1.
    over = parts.body(65535, b"ab", 3)
    yield from board.refused(set_field, over, malformed, what="beyond total and 16 bits")
    for setting in schema.settings:
        if TYPES[setting.field.kind] in (int, bool) or setting.field.kind is Kind.CHOICE:
            body = parts.body(0, b"ab", 65535, setting.key)
            details: Body = {RefusalKey.FIELD: setting.key}
            yield from board.refused(
                set_field, body, Refusal.WRONG_KIND, details, what=f"parts of {setting.key}"
            )
    yield from parts.take(0, 3, 3)
    texts = [s for s in schema.settings if TYPES[s.field.kind] is str and takes_parts(s.field.kind)]
    for setting in texts:
        least, most = limits(setting.field)
        # 64 bytes of a passphrase have another form, which counts for what is UTF-8 (9.2).
        sizes = {max(least, min(most, 10))} | ({most} if setting.field.network else set())
        for size in sorted(sizes):
            if least > 2:  # which is looked at when the value is whole
                yield from board.answer(set_field, parts.body(0, b"a", 2, setting.key))
            value = good_value(setting, schema, board.random, 0)
            if value is not None:
                yield from board.stage(setting, value)
                board.staged.clear()
            body = parts.body(0, b"a" * (size - 1) + b"\xff", size, setting.key)
            yield from board.refused(
                set_field, body, Refusal.CHARACTERS, what=f"{setting.key}: a byte that is no UTF-8"
            )
            if (yield from board.status())[StatusReplyKey.STAGED] != 0:
                raise NotMet(f"{setting.key} is staged, though its value in parts was refused")
            body = parts.body(size - 1, b"a", size, setting.key)
            if size > 1:
                yield from parts.gap(body, 0, "after a value in parts was refused")


def whole_values(board: BoardUnderTest) -> Steps[None]:
    """A board that takes values whole only has room in its line for each, and refuses parts."""
    board.needs(Capability.WHOLE_VALUES)
    for setting in board.known_schema().settings:
        kind, (_, most) = setting.field.kind, limits(setting.field)
        if takes_parts(kind):  # no other is longer than the shortest line
            longest: Item = "x" * most if TYPES[kind] is str else bytes(most)
            body: Body = {SetFieldKey.FIELD: setting.key, SetFieldKey.VALUE: longest}
            if not board.fits(MessageType.SET_FIELD, body):
                board.note(f"{setting.key} takes {most} bytes, which do not fit into `line` whole")
        part: Body = {SetFieldKey.OFFSET: 0, SetFieldKey.TOTAL: 2, SetFieldKey.PART: b"a"}
        for key in (setting.key, "no-such.field"):
            yield from board.refused(
                MessageType.SET_FIELD,
                {SetFieldKey.FIELD: key, **part},
                Refusal.NOT_OFFERED,
                what=f"a part of {key}",
            )
        part[SetFieldKey.TOTAL] = 1
        part[SetFieldKey.PART] = b"ab"
        yield from board.refused(
            MessageType.SET_FIELD,
            {SetFieldKey.FIELD: setting.key, **part},
            Refusal.MALFORMED,
            what="a part beyond its total",
        )


PARTS_CHECKS = (
    Check(
        ("6.4.13", "6.4.10", "6.4.14", "6.4.15", "6.4.19", "6.4.20", "6.4.21"),
        "Parts are appended and counted",
        parts_in_order,
    ),
    Check(("6.4.15", "6.4.19"), "Parts may be repeated", parts_repeat),
    Check(("6.4.16", "6.4.5", "7.2.3"), "Parts with a gap are refused", parts_gap),
    Check(("6.4.18", "6.4.17"), "Parts of a secret are compared with nothing", parts_of_secrets),
    Check(("6.4.18", "6.4.17"), "A gap unstages a secret", gap_unstages_secrets),
    Check(("6.4.12",), "A part at 0 starts again", parts_restart),
    Check(
        ("6.4.10", "6.4.11", "6.4.20", "4.3.10", "5.1.4"),
        "Incomplete parts are forgotten when they must be",
        parts_forgotten,
    ),
    Check(("6.4.12",), "Parts of one field at a time", parts_of_another),
    Check(
        ("6.4.1", "6.4.3", "6.4.4", "6.4.14", "6.4.6", "9.1.21"),
        "Parts that cannot be are refused",
        parts_wrong,
    ),
    Check(
        ("6.4.22", "6.4.23", "6.4.1"),
        "A board that takes values whole only refuses parts",
        whole_values,
    ),
)
"""Values in parts; changes nothing that is stored."""
