# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong in what they stage: clauses 6.4, and 9.1 to 9.4."""

from __future__ import annotations

from provision.board.engine import (
    Board,
    Body,
    _integer,
)
from provision.board.staging import RequestRefused, Staging
from provision.board.state import OFFERED
from provision.contract.messages import Message
from provision.contract.table import (
    Capability,
    Kind,
    Refusal,
    SetFieldKey,
    SetFieldReplyKey,
)
from provision.schema.model import Field, Setting, Value
from provision.schema.values import limits
from tests.conformance.making import (
    Case,
    R,
    answering,
    checking,
    is_part,
    of_kind,
    other_code,
    staging,
)


def _count_parts(board: Board, message: Message, reply: Body) -> Body:
    if is_part(message) and board._staging._parts and not board._staging._parts.complete:
        reply[SetFieldReplyKey.STAGED] = _integer(reply, SetFieldReplyKey.STAGED) + 1
    return reply


def _received_of_part(board: Board, message: Message, reply: Body) -> Body:
    if is_part(message):
        offset, part = message.body[SetFieldKey.OFFSET], message.body[SetFieldKey.PART]
        assert isinstance(offset, int)
        assert isinstance(part, bytes)
        reply[SetFieldReplyKey.RECEIVED] = offset + len(part)
    return reply


def _no_repeat_of_parts(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and 0 < offset < len(parts.held):
        raise RequestRefused(Refusal.GAP, setting.key, detail=len(parts.held))
    Staging.stage_part(self, setting, offset, total, part)


def _overwriting_parts(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and 0 < offset < len(parts.held) and parts.total == total:
        part = bytes(parts.held[offset : offset + len(part)]) or part
        if offset + len(part) > len(parts.held):
            part = part[: len(parts.held) - offset]
    Staging.stage_part(self, setting, offset, total, part)


def _any_total(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    parts = self._parts
    if parts and parts.key == setting.key and offset:
        total = parts.total
    Staging.stage_part(self, setting, offset, total, part)


def _parts_kept(self: Staging, setting: Setting, value: Value | None) -> None:
    if value is not None:
        self._check(setting, value)
    self._values[setting.key] = value


def _parts_forgotten_first(self: Staging, setting: Setting, value: Value | None) -> None:
    self._forget_parts()
    Staging.stage(self, setting, value)


def _restart_keeps(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    held = self._values.get(setting.key)
    had = setting.key in self._values
    Staging.stage_part(self, setting, offset, total, part)
    if had and setting.key not in self._values:
        self._values[setting.key] = held


def _stays_after_discard(self: Staging) -> None:
    self._values.clear()


def _longest_by_characters(field: Field, value: Value, code: Refusal) -> bool:
    if code is not Refusal.LENGTH or not isinstance(value, str):
        return False
    return len(value) == limits(field)[1] < len(value.encode())


WHOLE = OFFERED | Capability.WHOLE_VALUES


class _TakesParts(Board):
    """Takes parts, whatever it says."""

    def _set_part(self, body: Body) -> Body:
        said, self.capabilities = self.capabilities, self.capabilities & ~Capability.WHOLE_VALUES
        try:
            return super()._set_part(body)
        finally:
            self.capabilities = said


STAGING_CASES: tuple[Case, ...] = (
    Case("6.4.21", "counts incomplete parts as staged", {"board": answering(_count_parts)}),
    Case("6.4.19", "gives the end of the part as received", {"board": answering(_received_of_part)}),
    Case("6.4.15", "refuses the repeat of a part", {"board": staging(stage_part=_no_repeat_of_parts)}),
    Case("6.4.16", "takes a part that differs from what is held", {"board": staging(stage_part=_overwriting_parts)}),
    Case("6.4.16", "takes any total", {"board": staging(stage_part=_any_total)}),
    Case("6.4.10", "keeps parts when another field is set", {"board": staging(stage=_parts_kept)}),
    Case("6.4.11", "forgets parts before a value is checked", {"board": staging(stage=_parts_forgotten_first)}),
    Case("6.4.12", "keeps the old value when parts start", {"board": staging(stage_part=_restart_keeps)}),
    Case("5.1.4", "keeps incomplete parts at discard", {"board": staging(forget=_stays_after_discard)}),
    Case("6.4.19", "gives `received` always", {"board": answering(lambda b, m, r: {**r, 2: r.get(2, 1)} if m.type == 7 else r)}),
    Case("6.4.2", "says range for an unknown field", {"board": other_code(R.UNKNOWN_FIELD, R.RANGE)}),
    Case("6.4.22", "says malformed for parts where it takes none", {"schema": "trial-board", "capabilities": WHOLE, "board": other_code(R.NOT_OFFERED, R.MALFORMED)}),
    Case("6.4.22", "takes parts though it says that it takes none", {"schema": "trial-board", "capabilities": WHOLE, "board": _TakesParts}),
    Case("6.4.23", "takes no parts of a value beyond its line", {"capabilities": WHOLE}),
    Case("6.4.5", "says malformed for a gap", {"board": other_code(R.GAP, R.FORM)}),
    Case("9.1.1", "counts characters, not bytes", {"board": checking(_longest_by_characters)}),
    Case("9.1.1", "takes control characters", {"board": checking(of_kind(Kind.TEXT, R.CHARACTERS, lambda v: any(c < " " for c in v)))}),
    Case("9.1.3", "takes integers above the largest", {"board": checking(of_kind(Kind.INTEGER, R.RANGE))}),
    Case("9.1.13", "takes port 0", {"board": checking(of_kind(Kind.PORT, R.RANGE, lambda v: v == 0))}),
    Case("9.1.7", "takes pins that are taken", {"board": checking(of_kind(Kind.PIN, R.PIN_TAKEN))}),
    Case("9.1.7", "takes pins that cannot do it", {"board": checking(of_kind(Kind.PIN, R.PIN_UNFIT, lambda v: v < 30))}),
    Case("9.1.7", "takes pin numbers modulo 256", {"board": checking(of_kind(Kind.PIN, R.PIN_UNFIT, lambda v: 256 <= v < 300))}),
    Case("9.1.6", "compares options by their beginning", {"board": checking(of_kind(Kind.CHOICE, R.NO_SUCH_OPTION, lambda v: v == "slowx"))}),
    Case("9.1.12", "takes IPv6 where only IPv4 is admitted", {"board": checking(lambda f, v, c: f.families == 1 and c is R.LENGTH and len(v) == 16)}),  # type: ignore[arg-type]
    Case("9.1.15", "says length for what is out of range", {"board": other_code(R.RANGE, R.LENGTH)}),
    Case("9.1.16", "takes longer byte strings", {"board": checking(of_kind(Kind.HEX, R.LENGTH, lambda v: len(v) > 4))}),
    Case("9.2.3", "takes 64 characters that are no key", {"board": checking(of_kind(Kind.PASSPHRASE, R.FORM))}),
    Case("9.1.8", "takes network names of 33 octets", {"board": checking(of_kind(Kind.NETWORK_NAME, R.LENGTH, lambda v: len(v) == 33))}),
    Case("9.1.20", "refuses network names with a zero octet", {"board": checking(lambda f, v, c: False, lambda f, v: R.CHARACTERS if f.kind is Kind.NETWORK_NAME and isinstance(v, bytes) and b"\0" in v else None)}),
    Case("9.3.3", "takes labels that end with a hyphen", {"board": checking(of_kind(Kind.HOST, R.FORM, lambda v: v == "a-"))}),
    Case("9.3.4", "takes IPv4 addresses with leading zeros", {"board": checking(of_kind(Kind.HOST, R.FORM, lambda v: v == "01.2.3.4"))}),
    Case("9.3.8", "takes names and passwords in URLs", {"board": checking(of_kind(Kind.URL, R.FORM, lambda v: "@" in v))}),
    Case("9.3.10", "takes port 65536 in URLs", {"board": checking(of_kind(Kind.URL, R.FORM, lambda v: ":65536" in v))}),
    Case("9.4.3", "takes a second name without rules", {"board": checking(of_kind(Kind.TIME_ZONE, R.FORM, lambda v: v == "CET-1CEST"))}),
    Case("9.1.14", "refuses hours above 24 in rules", {"board": checking(lambda f, v, c: False, lambda f, v: R.FORM if f.kind is Kind.TIME_ZONE and "167" in str(v) else None)}),
)  # fmt: skip
