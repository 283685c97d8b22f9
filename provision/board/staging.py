# SPDX-License-Identifier: MIT
"""What a host has sent and not committed: values whole, and one value that comes in parts.

Held in memory only. Every value was checked by itself when it came (clause 6.4); the rules of the
whole are for commit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from provision.contract.table import Refusal
from provision.schema.capacity import BYTE_KINDS, TEXT_KINDS
from provision.schema.model import Schema, Setting, Value
from provision.schema.values import check_value, limits


class RequestRefused(Exception):  # noqa: N818 - an answer, not an error of the code
    """A request is refused; the members are those of the refusal (clause 7)."""

    def __init__(
        self,
        code: Refusal,
        field: str | None = None,
        *,
        other: str | None = None,
        detail: int | None = None,
    ) -> None:
        super().__init__(code.name)
        self.code = code
        self.field = field
        self.other = other
        self.detail = detail


@dataclass(slots=True)
class _Parts:
    """The field that comes, or came, in parts."""

    key: str
    total: int
    held: bytearray = field(default_factory=bytearray, repr=False)
    last: int = 0
    """Where the last part began that was taken."""

    @property
    def complete(self) -> bool:
        return len(self.held) == self.total


class Staging:
    """The staged set of one board."""

    def __init__(self, schema: Schema) -> None:
        self._schema = schema
        self._values: dict[str, Value | None] = {}
        self._parts: _Parts | None = None

    @property
    def values(self) -> Mapping[str, Value | None]:
        """Full key to value of every field that is completely staged; None: it is to be cleared."""
        return MappingProxyType(self._values)

    @property
    def received(self) -> int:
        """Bytes held of the value that comes in parts."""
        return 0 if self._parts is None else len(self._parts.held)

    def stage(self, setting: Setting, value: Value | None) -> None:
        """Stage a whole value, or that the field is cleared; where it raises Refused, nothing."""
        if value is not None:
            self._check(setting, value)
        self._values[setting.key] = value
        if self._parts and (self._parts.key == setting.key or not self._parts.complete):
            self._forget_parts()

    def stage_part(self, setting: Setting, offset: int, total: int, part: bytes) -> None:
        """Take one part of a value of `total` bytes; the last one stages it.

        Raises Refused, and then keeps what is held, except where the whole value is refused, or a
        part of a secret neither continues nor repeats what is held: then the field is forgotten.
        """
        if setting.field.kind not in TEXT_KINDS | BYTE_KINDS:
            raise RequestRefused(Refusal.WRONG_KIND, setting.key)
        if total > limits(setting.field)[1]:
            raise RequestRefused(Refusal.LENGTH, setting.key)
        is_secret = setting.field.is_secret
        parts = self._parts
        if parts is None or (parts.key, parts.total) != (setting.key, total):
            parts = _Parts(setting.key, total)
        end, held = offset + len(part), len(parts.held)
        if is_secret:  # what the part contains is compared with nothing: a guess would be answered
            is_repeat = offset != 0 and (offset, end) == (parts.last, held)
        else:
            is_repeat = end <= held and parts.held[offset:end] == part
        if is_repeat:
            return
        if offset == 0:
            self._forget_parts()
            self._values.pop(setting.key, None)
            self._parts = parts = _Parts(setting.key, total)
        elif offset != held:
            if is_secret:
                self._unstage(setting.key)
                held = 0
            raise RequestRefused(Refusal.GAP, setting.key, detail=held)
        parts.held += part
        parts.last = offset
        if parts.complete:
            try:
                self._values[setting.key] = self._whole(setting, bytes(parts.held))
            except RequestRefused:
                self._forget_parts()
                raise

    def forget(self) -> None:
        """Drop all that is staged, and incomplete parts."""
        self._forget_parts()
        self._values.clear()

    def _whole(self, setting: Setting, octets: bytes) -> Value:
        if setting.field.kind in BYTE_KINDS:
            value: Value = octets
        else:
            try:
                value = octets.decode()
            except UnicodeDecodeError:
                raise self._no_text(setting, len(octets)) from None
        self._check(setting, value)
        return value

    def _no_text(self, setting: Setting, length: int) -> RequestRefused:
        """Return the refusal of bytes that are no UTF-8: their length counts first (clause 9.1)."""
        by_length = check_value(setting.field, "0" * length, self._schema)
        code = Refusal.LENGTH if by_length is Refusal.LENGTH else Refusal.CHARACTERS
        return RequestRefused(code, setting.key)

    def _check(self, setting: Setting, value: Value) -> None:
        code = check_value(setting.field, value, self._schema)
        if code is not None:
            raise RequestRefused(code, setting.key)

    def _unstage(self, key: str) -> None:
        """Forget what is held of a field, whole or in parts."""
        self._values.pop(key, None)
        if self._parts and self._parts.key == key:
            self._forget_parts()

    def _forget_parts(self) -> None:
        if self._parts is not None:
            self._parts.held[:] = bytes(len(self._parts.held))  # it may be a secret (clause 10)
            self._parts = None
