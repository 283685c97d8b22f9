# SPDX-License-Identifier: MIT
"""What the kit finds: results by clause, with what was sent and what came, and how they are told.

Texts from a board are shown as ASCII only. Of replies with values that a person may have set, only
keys are shown.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import Message, MessageError, decode_message
from provision.contract.profile import Item
from provision.contract.table import (
    MESSAGES,
    GetValuesReplyKey,
    Held,
    MessageType,
    Refusal,
    RefusalKey,
)

_LONGEST_VALUE = 60  # characters of one value in words
_HEX_SHOWN = 32  # bytes of a line in the table; --json has all
_WIDTH = 96
_FAULTS_SHOWN = 4


class Verdict(Enum):
    """What became of a check."""

    MET = "met"
    NOT_MET = "not met"
    NOT_APPLICABLE = "not applicable"


class NotMet(Exception):  # noqa: N818 - a finding, no error of the kit
    """The board does not do what the clause says; str() is in words."""


class NotApplicable(Exception):  # noqa: N818 - a finding, no error of the kit
    """The clause cannot be held against this board, or not now; str() says why."""


class Gone(Exception):  # noqa: N818 - a finding, no error of the kit
    """The board answers no more, not even hello; str() is in words."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A line in words and as it went over the wire; no bytes where a person's values could be."""

    words: str
    raw: bytes | None

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {"words": self.words, "hex": None if self.raw is None else self.raw.hex()}


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: in words, what was sent, what came."""

    words: str
    sent: tuple[Shown, ...] = ()
    came: tuple[Shown, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check; why: why it is not applicable."""

    clause: str
    title: str
    verdict: Verdict
    why: str = ""
    faults: tuple[Fault, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "clause": self.clause,
            "title": self.title,
            "verdict": self.verdict.value,
            "why": self.why or None,
            "faults": [
                {
                    "words": fault.words,
                    "sent": [shown.as_json() for shown in fault.sent],
                    "came": [shown.as_json() for shown in fault.came],
                }
                for fault in self.faults
            ],
        }


@dataclass(frozen=True, slots=True)
class Report:
    """All findings about one board."""

    board: str
    """Who it is, in one line."""

    findings: tuple[Finding, ...]
    settings: str
    """What the run did to the board's settings, in one sentence."""

    exchanges: int = field(default=0)
    """How often the kit waited for the board's answer."""

    @property
    def is_met(self) -> bool:
        """Whether nothing was found that the board does otherwise than the page says."""
        return not self.of(Verdict.NOT_MET)

    def of(self, verdict: Verdict) -> tuple[Finding, ...]:
        """Return the findings with this verdict."""
        return tuple(finding for finding in self.findings if finding.verdict is verdict)

    def summary(self) -> str:
        """Return the counts in one sentence."""
        met, not_met, other = (len(self.of(verdict)) for verdict in Verdict)
        return f"{met} met, {not_met} not met, {other} not applicable."

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        return {
            "board": self.board,
            "conforms": self.is_met,
            "met": len(self.of(Verdict.MET)),
            "not_met": len(self.of(Verdict.NOT_MET)),
            "not_applicable": len(self.of(Verdict.NOT_APPLICABLE)),
            "settings": self.settings,
            "exchanges": self.exchanges,
            "clauses": [finding.as_json() for finding in self.findings],
        }

    def lines(self) -> list[str]:
        """Return the table for people."""
        lines = [self.board, ""]
        for finding in self.findings:
            lines.append(f"{finding.clause:<5} {finding.verdict.value:<15} {finding.title}")
            if finding.why:
                lines += _indented(finding.why)
            for fault in finding.faults[:_FAULTS_SHOWN]:
                lines += _indented(fault.words)
                lines += _shown("sent", fault.sent) + _shown("came", fault.came)
            more = len(finding.faults) - _FAULTS_SHOWN
            if more > 0:
                lines += _indented(f"and {more} more of this kind")
        return [*lines, "", self.summary(), self.settings]


def _indented(text: str, by: int = 22, first: str = "") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=" " * by + first, subsequent_indent=" " * (by + len(first))
    )


def _shown(what: str, lines: Sequence[Shown]) -> list[str]:
    if not lines:
        return _indented("nothing", first=f"{what}: ")
    told = []
    for line in lines:
        told += _indented(line.words, first=f"{what}: ")
        if line.raw is not None:
            octets = line.raw[:_HEX_SHOWN].hex(" ") + (" ..." if line.raw[_HEX_SHOWN:] else "")
            told += _indented(octets, 22 + len(what) + 2)
    return told


# ----------------------------------------------------------------------------------- lines in words


def show_line(raw: bytes) -> Shown:
    """Return a line that was sent or came, in words."""
    item, message = _read(raw)
    if message is not None:
        words = in_words(message.version, message.type, message.id, message.body)
        return Shown(words, None if message.type == MessageType.GET_VALUES_REPLY else raw)
    if item is not None:
        return Shown(f"a line whose item is no message: {item.hex(' ')}", raw)
    return Shown(f"{len(raw)} bytes that are no message", raw)


def show_without_values(raw: bytes) -> Shown:
    """Return a line that came when values were asked for: of what is no good reply, the size."""
    _, message = _read(raw)
    if message is not None and message.type in (MessageType.REFUSAL, MessageType.GET_VALUES_REPLY):
        return show_line(raw)
    return Shown(f"{len(raw)} bytes, not shown since they may hold values that were set", None)


def asks_values(line: bytes) -> bool:
    """Whether a line is a request for values."""
    _, message = _read(line.strip(b"\r\n"))
    return message is not None and message.type == MessageType.GET_VALUES


def _read(raw: bytes) -> tuple[bytes | None, Message | None]:
    """Return the item and the message of a line, None for what it has not."""
    for event in LineReceiver().feed(b"\n" + raw + b"\n"):
        if isinstance(event, Frame):
            try:
                return event.item, decode_message(event.item)
            except MessageError:
                return event.item, None
    return None, None


def in_words(version: int, type_: int, id_: int, body: dict[int, Item]) -> str:
    """Return a message in words: its name, its id, its keys by name."""
    row = MESSAGES.get(type_)
    name = row.name if row else f"type {type_}"
    told = [name] if version == 1 else [name, f"of version {version}"]
    told.append(f"id {id_}")
    for key, item in body.items():
        known = row.body.get(key) if row else None
        told.append(f"{known.name if known else f'key {key}'} {_item_words(type_, key, item)}")
    return ", ".join(told)


def _item_words(type_: int, key: int, item: Item) -> str:
    if (type_, key) == (MessageType.GET_VALUES_REPLY, GetValuesReplyKey.ENTRIES):
        return f"of {', '.join(_entries(item))}"
    if (type_, key) == (MessageType.REFUSAL, RefusalKey.CODE) and isinstance(item, int):
        return code_words(item)
    text = item.hex() if isinstance(item, bytes) else ascii(item)
    return text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]}..."


def _entries(item: Item) -> Iterable[str]:
    for entry in item if isinstance(item, list) else ():
        if isinstance(entry, list) and len(entry) > 1:
            held = entry[1]
            known = isinstance(held, int) and held in tuple(Held)
            yield f"{entry[0]!a} {Held(held).name.lower() if known else ascii(held)}"  # type: ignore[arg-type]


def code_words(code: object) -> str:
    """Return a code of refusal by its name."""
    if isinstance(code, int) and code in tuple(Refusal):
        return Refusal(code).name.lower().replace("_", "-")
    return f"code {code!a}"
