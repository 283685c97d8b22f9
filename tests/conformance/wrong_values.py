# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong about single values and parts: clauses 6.4, and 9.1 to 9.4."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from provision.board.engine import Board, Body
from provision.board.staging import RequestRefused, Staging
from provision.contract.table import Kind, Refusal, SetFieldKey
from provision.schema import constraints
from provision.schema.model import Field, Setting, Value
from tests.conformance.making import Case, R, T, checking, of_kind, other_code, staging, with_fields


def _unchecked(self: Staging, setting: Setting, octets: bytes) -> Value:
    is_octets = setting.field.kind in (Kind.HEX, Kind.BLOB, Kind.NETWORK_NAME, Kind.IP)
    return octets if is_octets else octets.decode(errors="replace")


def _one_part_only(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    held = self._parts
    if held and held.key == setting.key and held.total == total and offset == len(held.held) > 0:
        raise RequestRefused(Refusal.GAP, setting.key, detail=0)
    Staging.stage_part(self, setting, offset, total, part)


def _never_staged(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    Staging.stage_part(self, setting, offset, total, part)
    if self._parts and self._parts.complete:
        self._values.pop(setting.key, None)


def _forgets_complete(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    Staging.stage_part(self, setting, offset, total, part)
    if self._parts and self._parts.complete and offset:
        parts, self._parts = self._parts, None
        del parts


def _form_for_no_text(self: Staging, setting: Setting, length: int) -> RequestRefused:
    return RequestRefused(Refusal.FORM, setting.key)


def _form_for_no_key(self: Staging, setting: Setting, length: int) -> RequestRefused:
    if setting.field.kind is Kind.PASSPHRASE and length == 64:
        return RequestRefused(Refusal.FORM, setting.key)
    return Staging._no_text(self, setting, length)


def _comparing_secrets(
    self: Staging, setting: Setting, offset: int, total: int, part: bytes
) -> None:
    parts = self._parts
    if parts and setting.field.is_secret and parts.key == setting.key and parts.total == total:
        held = bytes(parts.held)
        if 0 < offset < len(held):
            if held[offset : offset + len(part)] == part:
                return
            raise RequestRefused(Refusal.GAP, setting.key, detail=len(held))
    Staging.stage_part(self, setting, offset, total, part)


def _keeping_secrets(self: Staging, setting: Setting, offset: int, total: int, part: bytes) -> None:
    parts, values = self._parts, dict(self._values)
    held = bytes(parts.held) if parts else b""
    try:
        Staging.stage_part(self, setting, offset, total, part)
    except RequestRefused:
        self._parts, self._values = parts, values
        if parts:
            parts.held[:] = held
        raise


def _parts_of_whole(self: Staging, setting: Setting, value: Value | None) -> None:
    parts = self._parts if self._parts and self._parts.complete else None
    held = bytes(parts.held) if parts else b""
    Staging.stage(self, setting, value)
    if parts:
        parts.held[:] = held
        self._parts = parts


class ActiveOnly(Board):
    """Takes nothing for a field that is not active."""

    def _setting(self, body: Body) -> Setting:
        setting = super()._setting(body)
        if setting.key not in constraints.active(self.schema, self.stored):
            raise RequestRefused(Refusal.UNKNOWN_FIELD, setting.key)
        return setting


class PinsAtOnce(Board):
    """Compares a pin with those that are staged when it comes."""

    def _set_field(self, body: Body) -> Body:
        setting = self._setting(body)
        value = body.get(SetFieldKey.VALUE)
        if setting.field.kind is Kind.PIN and not setting.field.shares and value is not None:
            for key, other in self.staged.items():
                beside = self.schema.setting(key)
                if (
                    beside
                    and beside.field.kind is Kind.PIN
                    and other == value
                    and key != setting.key
                ):
                    raise RequestRefused(Refusal.PIN_TAKEN, setting.key)
        return super()._set_field(body)


class EmptyClears(Board):
    """Takes an empty text for a field that is cleared."""

    def _set_field(self, body: Body) -> Body:
        if body.get(SetFieldKey.VALUE) in ("", b""):
            body = {**body, SetFieldKey.VALUE: None}
        return super()._set_field(body)


class EmptyTextClears(Board):
    """Takes an empty text for a field that is cleared, where the field takes one."""

    def _set_field(self, body: Body) -> Body:
        setting = self._setting(body)
        if setting.field.minimum == 0 and body.get(SetFieldKey.VALUE) == "":
            body = {**body, SetFieldKey.VALUE: None}
        return super()._set_field(body)


def _takes(
    kind: Kind, code: Refusal, fits: Callable[[Any], bool] = lambda _: True
) -> dict[str, Any]:
    """Return what makes a board that takes some values of a kind that it must refuse."""
    return {"board": checking(of_kind(kind, code, fits))}


def _refuses(kind: Kind, code: Refusal, fits: Callable[[Any], bool]) -> dict[str, Any]:
    """Return what makes a board that refuses some values of a kind with a code of its own."""

    def refuses(field: Field, value: Value) -> Refusal | None:
        return code if field.kind is kind and type(value) is str and fits(value) else None

    return {"board": checking(lambda *_: False, refuses)}


VALUES_CASES: tuple[Case, ...] = (
    # ---- parts
    Case("6.4.3", "says form for parts of a number", {"board": other_code(R.WRONG_KIND, R.FORM, T.SET_FIELD)}),
    Case("6.4.4", "says range for a total that is too long", {"board": other_code(R.LENGTH, R.RANGE, T.SET_FIELD)}),
    Case("6.4.6", "does not check what came in parts", {"board": staging(_whole=_unchecked)}),
    Case("6.4.7", "takes nothing for what is not active", {"board": ActiveOnly}),
    Case("6.4.8", "compares pins before commit", {"board": PinsAtOnce}),
    Case("6.4.13", "takes a value in one part only", {"board": staging(stage_part=_one_part_only)}),
    Case("6.4.10", "remembers parts of a field that was set whole", {"board": staging(stage=_parts_of_whole)}),
    Case("6.4.14", "stages nothing that came in parts", {"board": staging(stage_part=_never_staged)}),
    Case("6.4.20", "forgets parts when they are complete", {"board": staging(stage_part=_forgets_complete)}),
    Case("6.4.17", "compares the parts of a secret", {"board": staging(stage_part=_comparing_secrets)}),
    Case("6.4.18", "keeps a secret of which a part was wrong", {"board": staging(stage_part=_keeping_secrets)}),
    Case("9.1.21", "says form for what is no UTF-8", {"board": staging(_no_text=_form_for_no_text)}),
    Case("9.1.21", "says form for 64 bytes of a passphrase that are no UTF-8", {"board": staging(_no_text=_form_for_no_key)}),
    # ---- kinds
    Case("9.1.2", "takes secrets of any length", _takes(Kind.SECRET, R.LENGTH)),
    Case("9.1.4", "takes decimals above the largest", _takes(Kind.DECIMAL, R.RANGE)),
    Case("9.1.5", "takes 5 for yes", _takes(Kind.YES_NO, R.WRONG_KIND, lambda v: v == 5)),
    Case("9.1.5", "takes the text true for yes", _takes(Kind.YES_NO, R.WRONG_KIND, lambda v: v == "true")),
    Case("9.1.9", "takes the key of a network as bytes", _takes(Kind.PASSPHRASE, R.WRONG_KIND, lambda v: type(v) is bytes and len(v) == 32)),
    Case("9.1.9", "takes passphrases of any characters", _takes(Kind.PASSPHRASE, R.CHARACTERS)),
    Case("9.1.10", "takes anything for a host", _takes(Kind.HOST, R.FORM)),
    Case("9.1.11", "takes anything for a URL", _takes(Kind.URL, R.FORM)),
    Case("9.1.17", "takes blobs of any length", _takes(Kind.BLOB, R.LENGTH)),
    Case("9.1.18", "takes text for bytes", _takes(Kind.HEX, R.WRONG_KIND, lambda v: type(v) is str)),
    Case("9.1.19", "takes an empty text for a cleared field", {"board": EmptyClears}),
    Case("9.1.19", "takes an empty text for a cleared field, where it may be empty", {"board": EmptyTextClears, "schema": with_fields(lambda f: f.kind is Kind.TEXT, minimum=0)}),
    # ---- forms
    Case("9.2.1", "takes passphrases of 7 characters", _takes(Kind.PASSPHRASE, R.LENGTH, lambda v: len(v) == 7)),
    Case("9.2.2", "takes accents in passphrases", _takes(Kind.PASSPHRASE, R.CHARACTERS, lambda v: "é" in v)),
    Case("9.2.4", "takes passphrases where only the key is taken", {**_takes(Kind.PASSPHRASE, R.LENGTH, lambda v: len(v) < 64), "schema": with_fields(lambda f: f.kind is Kind.PASSPHRASE, minimum=64)}),
    Case("9.3.1", "takes hosts of 254 bytes", _takes(Kind.HOST, R.LENGTH, lambda v: len(v) == 254)),
    Case("9.3.2", "takes underscores in hosts", _takes(Kind.HOST, R.CHARACTERS, lambda v: "_" in v)),
    Case("9.3.5", "takes URLs of 256 bytes", _takes(Kind.URL, R.LENGTH, lambda v: len(v) == 256)),
    Case("9.3.6", "takes spaces in URLs", _takes(Kind.URL, R.CHARACTERS, lambda v: " " in v)),
    Case("9.3.7", "takes schemes in upper case", _takes(Kind.URL, R.FORM, lambda v: v[:1].isupper())),
    Case("9.3.7", "compares schemes by their beginning", _takes(Kind.URL, R.FORM, lambda v: v.startswith("httpsx:"))),
    Case("9.3.9", "takes addresses in URLs of any numbers", _takes(Kind.URL, R.FORM, lambda v: "://192.0.2.256" in v)),
    Case("9.3.9", "says characters for a host of a URL", _refuses(Kind.URL, R.CHARACTERS, lambda v: "://a..b" in v)),
    Case("9.3.10", "takes ports in URLs modulo 65536", _takes(Kind.URL, R.FORM, lambda v: ":65616" in v)),
    Case("9.3.11", "refuses small letters behind a %", _refuses(Kind.URL, R.FORM, lambda v: "%4a" in v)),
    Case("9.3.11", "takes a % without digits", _takes(Kind.URL, R.FORM, lambda v: "%z" in v)),
    Case("9.4.1", "takes zones of 64 bytes", _takes(Kind.TIME_ZONE, R.LENGTH, lambda v: len(v) == 64)),
    Case("9.4.2", "says form for a space in a zone", _refuses(Kind.TIME_ZONE, R.FORM, lambda v: " " in v)),
    Case("9.4.3", "refuses names of more than 6 letters", _refuses(Kind.TIME_ZONE, R.FORM, lambda v: v.startswith("Pacific"))),
    Case("9.4.3", "takes minutes of one digit", _takes(Kind.TIME_ZONE, R.FORM, lambda v: v == "UTC0:5")),
    Case("9.4.3", "takes a second offset without rules", _takes(Kind.TIME_ZONE, R.FORM, lambda v: v == "CET-1CEST-2")),
)  # fmt: skip
