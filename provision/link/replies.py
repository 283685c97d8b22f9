# SPDX-License-Identifier: MIT
"""What a board's replies say, as values (shared/protocol.md, clause 6).

Bodies come in checked against the table of messages. Texts are as the board sent them: hostile
until whoever shows them has cleaned them. A code without a name came with a later version.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, TypeVar

from provision.contract.profile import Item
from provision.contract.table import (
    Capability,
    Held,
    HelloReplyKey,
    Reason,
    Refusal,
    RefusalKey,
    Run,
    Security,
    StatusReplyKey,
    Step,
    Store,
)
from provision.link.errors import Refused

Body = Mapping[int, Any]  # any: the table has checked each value's form

_Code = TypeVar("_Code", bound=IntEnum)


@dataclass(frozen=True, slots=True)
class Hello:
    """Who is there, and what it can take (clause 6.1). Times are in milliseconds."""

    versions: tuple[int, ...]
    firmware: str
    firmware_version: str
    board: str
    unit: bytes
    boot: int
    schema_digest: bytes
    schema_size: int
    line: int
    credit: int
    commit_time: int
    erase_time: int
    apply_time: int
    capabilities: Capability
    token: bytes | None
    listens: int | None
    generation: int


@dataclass(frozen=True, slots=True)
class HeldValue:
    """What a board holds for a field; of a secret never a value, of a blob its length."""

    held: Held | int
    value: Item = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class Status:
    """Where a board stands (clause 6.6). trial_left is in milliseconds."""

    store: Store | int
    staged: int
    run: Run | int
    generation: int
    boot: int
    step: Step | int | None = None
    reason: Reason | int | None = None
    field: str | None = None
    address: bytes | None = None
    trial_left: int | None = None
    missing: str | None = None
    conflict: Sequence[str] | None = None
    """Of two settings with the same pin: the later one, the earlier one."""


@dataclass(frozen=True, slots=True)
class Network:
    """A wireless network in range: its name in octets, its signal in dBm."""

    name: bytes
    signal: int
    security: Security | int


@dataclass(frozen=True, slots=True)
class Stored:
    """The set is durable; status is what the board said right behind it, if it could."""

    generation: int
    status: Status | None = None


@dataclass(frozen=True, slots=True)
class NotStored:
    """What was in force before still is. refused says why, unless a hello alone showed it."""

    refused: Refused | None = None


@dataclass(frozen=True, slots=True)
class Unknown:
    """Commit was sent, and no board said any more what came of it."""


CommitOutcome = Stored | NotStored | Unknown
"""How a session that set out to store ends (clause 5.3)."""


def known(codes: type[_Code], code: int) -> _Code | int:
    """Return the code by its name, or as it is where this version has no name for it."""
    try:
        return codes(code)
    except ValueError:
        return code


def read_hello(body: Body) -> Hello:
    """Return what a hello reply says."""
    values = {key.name.lower(): body[key] for key in HelloReplyKey}
    values["versions"] = tuple(values["versions"])
    values["capabilities"] = Capability(values["capabilities"])
    return Hello(**values)


def read_status(body: Body) -> Status:
    """Return what a status reply says."""
    values = {key.name.lower(): body[key] for key in StatusReplyKey if key in body}
    for name, codes in (("store", Store), ("run", Run), ("step", Step), ("reason", Reason)):
        if name in values:
            values[name] = known(codes, values[name])
    return Status(**values)


def read_refusal(body: Body) -> Refused:
    """Return what a refusal says."""
    return Refused(
        known(Refusal, body[RefusalKey.CODE]),
        body.get(RefusalKey.FIELD),
        body.get(RefusalKey.OTHER),
        body.get(RefusalKey.DETAIL),
    )
