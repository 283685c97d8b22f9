# SPDX-License-Identifier: MIT
"""Messages: the envelope, and bodies checked against the table (shared/protocol.md, clause 4).

    body = {CommitKey.COUNT: 2, CommitKey.DIGEST: digest, CommitKey.TOKEN: token}
    item = encode_message(Message(PROTOCOL_VERSION, MessageType.COMMIT, 7, body))

    message = decode_message(item)
    check_body(message)

What comes in is decoded first and checked second, because a board answers a version or a type that
it does not know before it looks at the body (clause 4.3).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from provision.contract import profile
from provision.contract.profile import Item, ProfileError
from provision.contract.shapes import Integer
from provision.contract.table import (
    MESSAGES,
    SKIPPABLE_FROM,
    MessageType,
    Refusal,
    Row,
    Store,
)

MAX_ID = 0xFFFF
"""Largest id of a request; the next one is 0 (clause 4.1)."""

_ENVELOPE = (
    ("protocol version", Integer(1, 255)),
    ("message type", Integer(0, 255)),
    ("id", Integer(0, MAX_ID)),
)


def code_name(code: int) -> str:
    """Return a code's name as the contract has it, or its number."""
    name = getattr(code, "name", None)
    return name.lower().replace("_", "-") if isinstance(name, str) else str(int(code))


class MessageError(ValueError):
    """An item is not a message, or a message is not of the form that its type has.

    refusal is what a board answers; None stands for no answer, since the item is to be ignored as
    if its line had been damaged (clauses 3 and 4.1). The text names message and key, never a value.
    """

    def __init__(self, text: str, refusal: Refusal | None = None) -> None:
        super().__init__(text)
        self.refusal = refusal


@dataclass(frozen=True, slots=True)
class Message:
    """One request or reply. A number without a name is a type that this version does not know."""

    version: int
    type: MessageType | int
    id: int
    body: dict[int, Item] = field(default_factory=dict, repr=False)  # may hold a secret


def encode_message(message: Message) -> bytes:
    """Return the item that carries a message; ProfileError if the body has no form in CBOR."""
    return profile.encode([message.version, message.type, message.id, message.body])


def decode_message(item: bytes) -> Message:
    """Return the message that an item carries, its body unchecked.

    Raises MessageError without a refusal where the item is none.
    """
    try:
        envelope = profile.decode(item)
    except ProfileError as error:
        raise MessageError(f"No message: {error}.") from error
    if not isinstance(envelope, list) or len(envelope) != 4:
        raise MessageError("No message: the item is not an array of four.")
    for (name, form), element in zip(_ENVELOPE, envelope[:3], strict=True):
        if fault := form.fault(element):
            raise MessageError(f"No message: its {name} {fault}.")
    version, number, id_, body = envelope
    if not isinstance(body, dict):
        raise MessageError("No message: its body is not a map.")
    assert isinstance(version, int)
    assert isinstance(number, int)
    assert isinstance(id_, int)
    return Message(version, _known(number), id_, body)


def check_body(message: Message) -> None:
    """Raise MessageError unless the body has the form that the table gives for its type.

    A request may have keys that are not known only from SKIPPABLE_FROM on, a reply may have any; a
    code is good whether known or not (clause 4.2). The error's refusal is UNKNOWN_TYPE where the
    table has no such type, else MALFORMED.
    """
    row = MESSAGES.get(message.type)
    if row is None:
        raise MessageError(f"There is no message of type {message.type}.", Refusal.UNKNOWN_TYPE)
    if fault := _body_fault(row, message.body):
        raise MessageError(f"{row.name}: {fault}.", Refusal.MALFORMED)


def legal(message_type: MessageType, store: Store, staged: bool) -> bool:
    """Return whether a board takes this message in this state (clause 5.1); a reply it never does.

    Repeats of commit, undo, confirm and erase are answered before this is asked (clause 4.3).
    """
    row = MESSAGES[message_type]
    return store in row.stores and staged in row.staged


def _known(number: int) -> MessageType | int:
    try:
        return MessageType(number)
    except ValueError:
        return number


def _body_fault(row: Row, body: dict[int, Item]) -> str | None:
    for key, item in body.items():
        known = row.body.get(key)
        if known is None:
            if row.is_request and key < SKIPPABLE_FROM:
                return f"key {key} is not known"
        elif fault := known.shape.fault(item):
            return f"`{known.name}` {fault}"
    for key, known in row.body.items():
        if known.required and key not in body:
            return f"`{known.name}` is missing"
    if row.one_of:
        present = [keys for keys in row.one_of if keys & body.keys()]
        if len(present) != 1 or not present[0] <= body.keys():
            choices = (_names(row, keys) for keys in row.one_of)
            return f"takes exactly one of: {'; '.join(choices)}"
    return None


def _names(row: Row, keys: Iterable[int]) -> str:
    return " with ".join(f"`{row.body[key].name}`" for key in sorted(keys))
