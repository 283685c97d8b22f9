# SPDX-License-Identifier: MIT
"""Lines that were sent or came, in words and whole, as text that can be pasted.

Texts from a board are shown as ASCII only. Of replies with values that a person may have set only
keys are shown, and no secret is, whether a person's or one that the kit made up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
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
    SetFieldKey,
)

_LONGEST_VALUE = 60  # characters of one value in words
_HIDDEN = "(a secret)"


@dataclass(frozen=True, slots=True)
class Shown:
    """A line in words, and as it went over the wire where that may be shown."""

    words: str
    raw: bytes | None

    @property
    def text(self) -> str | None:
        """The line as text: what is not printable ASCII, and the backslash, as printf has it."""
        if self.raw is None:
            return None
        return "".join(
            chr(byte) if 0x20 <= byte <= 0x7E and byte != 0x5C else f"\\x{byte:02x}"
            for byte in self.raw
        )

    def as_json(self) -> dict[str, Any]:
        """Return the same for programs."""
        octets = None if self.raw is None else self.raw.hex()
        return {"words": self.words, "text": self.text, "hex": octets}


def show_line(raw: bytes, is_secret: Callable[[bytes, Message | None], bool]) -> Shown:
    """Return a line that was sent or came, in words; is_secret: whether an item has a secret."""
    item, message = _read(raw)
    hidden = is_secret(raw, message) or (item is not None and is_secret(item, message))
    if message is not None:
        words = in_words(message.version, message.type, message.id, message.body, hidden=hidden)
        hidden = hidden or message.type == MessageType.GET_VALUES_REPLY
        return Shown(words, None if hidden else raw)
    if hidden:
        return Shown(f"{len(raw)} bytes, not shown since there is a secret in them", None)
    if item is not None:
        return Shown("a line whose item is not a message", raw)
    return Shown(f"{len(raw)} bytes that are not a message", raw)


def show_without_values(raw: bytes, is_secret: Callable[[bytes, Message | None], bool]) -> Shown:
    """Return a line that came when values were asked for: of a bad reply, the size."""
    _, message = _read(raw)
    if message is not None and message.type in (MessageType.REFUSAL, MessageType.GET_VALUES_REPLY):
        return show_line(raw, is_secret)
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


def in_words(
    version: int, type_: int, id_: int, body: dict[int, Item], *, hidden: bool = False
) -> str:
    """Return a message in words: its name, its id, its keys by name."""
    row = MESSAGES.get(type_)
    name = row.name if row else f"type {type_}"
    told = [name] if version == 1 else [name, f"of version {version}"]
    told.append(f"id {id_}")
    for key, item in body.items():
        known = row.body.get(key) if row else None
        is_hidden = hidden and isinstance(item, str | bytes) and not _is_field(type_, key)
        shown = _HIDDEN if is_hidden else _item_words(type_, key, item)
        told.append(f"{known.name if known else f'key {key}'} {shown}")
    return ", ".join(told)


def _is_field(type_: int, key: int) -> bool:
    return (type_, key) == (MessageType.SET_FIELD, SetFieldKey.FIELD)


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
