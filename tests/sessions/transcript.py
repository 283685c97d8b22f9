# SPDX-License-Identifier: MIT
"""A session as text for a person: every line on the wire decoded, values left out."""

from __future__ import annotations

from collections.abc import Callable

from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import MessageError, decode_message
from provision.contract.profile import Item
from provision.contract.table import (
    MESSAGES,
    GetSchemaReplyKey,
    GetValuesReplyKey,
    MessageType,
    Refusal,
    RefusalKey,
    SetFieldKey,
)

# Values may be secrets; of these keys only the size is shown.
_HIDDEN: dict[int, tuple[int, ...]] = {
    MessageType.SET_FIELD: (SetFieldKey.VALUE, SetFieldKey.PART),
    MessageType.GET_VALUES_REPLY: (GetValuesReplyKey.ENTRIES,),
    MessageType.GET_SCHEMA_REPLY: (GetSchemaReplyKey.PIECE,),
}


class Transcript:
    """Writes what happens in a session, one line each, to `write`."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write

    def line(self, now: float, arrow: str, data: bytes, note: str = "") -> None:
        """Bytes were sent, and perhaps damaged."""
        said = " | ".join(map(_words, LineReceiver().feed(data)))
        self._write(f"{now:9.3f}  {arrow:12}  {said}" + (f"   [{note}]" if note else ""))

    def event(self, now: float, text: str) -> None:
        """Something happened."""
        self._write(f"{now:9.3f}  -- {text}")


def _words(event: object) -> str:
    if not isinstance(event, Frame):
        return "no frame"
    try:
        message = decode_message(event.item)
    except MessageError:
        return "no message"
    row = MESSAGES.get(message.type)
    name = row.name if row else f"type {message.type}"
    hidden = _HIDDEN.get(message.type, ())
    told = [_member(message.type, key, item, key in hidden) for key, item in message.body.items()]
    return " ".join([f"#{message.id}", name, *told])


def _member(type_: int, key: int, item: Item, is_hidden: bool) -> str:
    if is_hidden:
        size = f"{len(item)}" if isinstance(item, str | bytes | list) else type(item).__name__
        return f"{key}:<{size}>"
    if type_ == MessageType.REFUSAL and key == RefusalKey.CODE and item in set(Refusal):
        assert isinstance(item, int)
        return Refusal(item).name.lower()
    return f"{key}:{item.hex() if isinstance(item, bytes) else item}"
