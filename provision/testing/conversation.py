# SPDX-License-Identifier: MIT
"""The messages between host and board: inspected by a test, kept in a file, and played again.

In a file each message is a line: who speaks, the message's name, and its body in JSON, keys by the
names of shared/protocol.md. Byte strings are {"bytes": "hex"}. A file never contains the value of
a secret: an "f" replaces each character, which keeps the length and, of a key in hex digits, the
form.
"""

from __future__ import annotations

import json
from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from provision.board.firmware import Running
from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import (
    Message,
    MessageError,
    check_body,
    decode_message,
    encode_message,
)
from provision.contract.profile import Item
from provision.contract.table import (
    MESSAGES,
    PROTOCOL_VERSION,
    CommitKey,
    GetSchemaReplyKey,
    MessageType,
    Refusal,
    SetFieldKey,
)
from provision.schema.codec import SchemaError, unpack
from provision.schema.model import Schema

_FIRST_LINE = "conversation of provision, format 1"
_STANDS_FOR_SECRET = "f"  # noqa: S105 - what replaces one
_LARGEST_FILE = 4 << 20  # bytes

Who = Literal["host", "board"]


class ConversationError(Exception):
    """A conversation file cannot be used; str() is one sentence with the file and line."""


@dataclass(frozen=True, slots=True)
class Said:
    """One message. The body has the protocol's names as keys, and no secret."""

    who: Who
    name: str
    body: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.who} {self.name} {json.dumps(_as_json(self.body), ensure_ascii=False)}"


class TrafficRecorder:
    """Hears both sides of a line, and keeps what was said."""

    def __init__(self, schema: Schema | None = None) -> None:
        """schema: the board's, which says what is secret; None: the one that the board gives."""
        self._schema = schema
        self._messages: list[tuple[Who, Message]] = []  # secrets are among them
        self._host, self._board = LineReceiver(), LineReceiver()

    def __repr__(self) -> str:
        return f"<an ear that heard {len(self._messages)} messages>"

    @property
    def said(self) -> list[Said]:
        """What was said, in its order, secrets replaced."""
        schema = self._known_schema()
        return [as_said(who, message, schema) for who, message in self._messages]

    @property
    def exchanges(self) -> list[Said]:
        """The same messages, with each answered request followed by its answer."""
        schema = self._known_schema()
        answers = {message.id: message for who, message in self._messages if who == "board"}
        paired = []
        for who, message in self._messages:
            if who == "host":
                paired.append(as_said(who, message, schema))
                if message.id in answers:
                    paired.append(as_said("board", answers.pop(message.id), schema))
        return paired

    def hear_host(self, data: bytes) -> None:
        """Take what the host sends."""
        self._hear("host", self._host, data)

    def hear_board(self, data: bytes) -> None:
        """Take what the board sends."""
        self._hear("board", self._board, data)

    def _hear(self, who: Who, receiver: LineReceiver, data: bytes) -> None:
        self._messages += [(who, message) for message in messages_of(who, receiver, data)]

    def _known_schema(self) -> Schema | None:
        if self._schema is None:
            everything = [as_said(who, message, None) for who, message in self._messages]
            self._schema = _schema_of(everything)
        return self._schema


def messages_of(who: Who, receiver: LineReceiver, data: bytes) -> Iterator[Message]:
    """Yield the complete, well-formed messages of one side, without echoes."""
    for event in receiver.feed(data):
        if not isinstance(event, Frame):
            continue
        try:
            message = decode_message(event.item)
            check_body(message)
        except MessageError:
            continue
        if MESSAGES[message.type].is_request == (who == "host"):
            yield message


class RecordedBoard:
    """A running board whose messages are recorded."""

    def __init__(self, device: Running, ear: TrafficRecorder) -> None:
        self._device = device
        self._ear = ear

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes from the host; return what the board sends."""
        self._ear.hear_host(data)
        return self._heard(self._device.receive(data, now_ms))

    def tick(self, now_ms: int) -> bytes:
        """Let time pass; return what the board sends."""
        return self._heard(self._device.tick(now_ms))

    def reset(self, now_ms: int) -> None:
        """Press reset."""
        self._device.reset(now_ms)

    def _heard(self, data: bytes) -> bytes:
        self._ear.hear_board(data)
        return data


class Replay:
    """A board that answers each request as it was answered when it was recorded.

    Requests are told apart by what they ask, not by when: a host may send them in another order,
    and more often; the last answer to a request is its answer from then on. Tokens, digests and
    values of secrets are not compared, since they differ with every run. From the first request on
    that was not recorded it refuses all, as a firmware that does not know them.
    """

    def __init__(self, said: Sequence[Said]) -> None:
        self._answers: dict[tuple[str, str], deque[Said]] = defaultdict(deque)
        for request, answer in pairwise(said):
            if request.who == "host" and answer.who == "board":
                self._answers[_likeness(request)].append(answer)
        self.unasked = {f"{name} {body}" for name, body in self._answers}
        """What was asked when it was recorded, and has not been asked yet."""
        self.deviation: str | None = None
        """The first request that was not among what was recorded, in words."""
        self._schema = _schema_of(said)
        self._lines = LineReceiver()

    def receive(self, data: bytes, now_ms: int) -> bytes:  # noqa: ARG002
        """Take requests from the host; return the recorded answers."""
        return b"".join(
            as_line(self._answer(as_said("host", request, self._schema)), request.id)
            for request in messages_of("host", self._lines, data)
        )

    def tick(self, now_ms: int) -> bytes:  # noqa: ARG002
        """Let time pass; a replayed board sends nothing by itself."""
        return b""

    def reset(self, now_ms: int) -> None:
        """Press reset, which changes nothing on a replayed board."""

    def _answer(self, request: Said) -> Said:
        likeness = _likeness(request)
        answers = self._answers.get(likeness)
        if not answers:
            self.deviation = self.deviation or f"This was not asked when it was recorded: {request}"
        if self.deviation is not None or not answers:
            return _NOT_KNOWN
        self.unasked.discard(" ".join(likeness))
        return answers.popleft() if len(answers) > 1 else answers[0]


def write(path: Path, said: Iterable[Said]) -> None:
    """Write a conversation to a file, overwriting it if it exists. Raises OSError."""
    lines = [f"# {_FIRST_LINE}", *map(str, said)]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")


def read(path: Path) -> list[Said]:
    """Read a conversation. Raises ConversationError."""
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
        text = content.decode()
    except OSError as error:
        raise ConversationError(f"{path}: cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise ConversationError(f"{path}: is not written in UTF-8.") from None
    if len(content) > _LARGEST_FILE:
        raise ConversationError(f"{path}: is larger than a conversation can be.")
    lines = text.splitlines()
    if not lines or lines[0] != f"# {_FIRST_LINE}":
        raise ConversationError(f"{path}: is not a conversation: its first line is wrong.")
    said = []
    for number, line in enumerate(lines, start=1):
        if not line or line.startswith("#"):
            continue
        try:
            said.append(_read_line(line))
        except (ValueError, KeyError, TypeError, AttributeError):
            raise ConversationError(
                f"{path}: line {number}: is not a message: record the conversation again."
            ) from None
    return said


def _read_line(line: str) -> Said:
    who, name, body = line.split(" ", 2)
    if who not in ("host", "board") or name not in _TYPES:
        raise ValueError
    said = Said("host" if who == "host" else "board", name, _from_json(json.loads(body)))
    message = Message(PROTOCOL_VERSION, _TYPES[name], 0, dict(_numbered(said)))
    try:
        check_body(message)
    except MessageError as error:
        raise ValueError from error
    if MESSAGES[message.type].is_request != (who == "host"):
        raise ValueError
    return said


_TYPES: Mapping[str, MessageType] = {row.name: row.type for row in MESSAGES.values()}


_NOT_KNOWN = Said("board", "refusal", {"code": Refusal.UNKNOWN_TYPE})


def as_said(who: Who, message: Message, schema: Schema | None) -> Said:
    """Return a message by names; values of secrets are replaced, of all fields without a schema."""
    row = MESSAGES[message.type]
    body: dict[str, object] = {
        row.body[key].name if key in row.body else str(key): item
        for key, item in message.body.items()
    }
    if message.type == MessageType.SET_FIELD:
        value = row.body[SetFieldKey.VALUE].name
        part = row.body[SetFieldKey.PART].name
        key = message.body.get(SetFieldKey.FIELD)
        if _is_secret(key, schema):
            body |= {name: _masked(body[name]) for name in (value, part) if name in body}
    return Said(who, row.name, body)


def _is_secret(key: object, schema: Schema | None) -> bool:
    setting = schema.setting(key) if schema is not None and isinstance(key, str) else None
    return setting is None or setting.field.is_secret


def _masked(value: object) -> object:
    if isinstance(value, str):
        return _STANDS_FOR_SECRET * len(value)
    if isinstance(value, bytes):
        return _STANDS_FOR_SECRET.encode() * len(value)
    return value


def _likeness(request: Said) -> tuple[str, str]:
    """Return what makes two requests the same; masked values differ in length alone."""
    body = dict(request.body)
    row = MESSAGES[_TYPES[request.name]]
    if request.name == MESSAGES[MessageType.COMMIT].name:
        for key in (CommitKey.TOKEN, CommitKey.DIGEST):
            body.pop(row.body[key].name, None)
    if request.name == MESSAGES[MessageType.SET_FIELD].name:
        name = row.body[SetFieldKey.VALUE].name
        if isinstance(body.get(name), str) and set(body[name]) == {_STANDS_FOR_SECRET}:
            body[name] = _STANDS_FOR_SECRET  # whatever the length of the secret
    return request.name, json.dumps(_as_json(body), sort_keys=True)


def _schema_of(said: Sequence[Said]) -> Schema | None:
    """Return the schema whose pieces the board gave, None if they are not all there."""
    row = MESSAGES[MessageType.GET_SCHEMA_REPLY]
    offset, piece = (row.body[k].name for k in (GetSchemaReplyKey.OFFSET, GetSchemaReplyKey.PIECE))
    pieces = {one.body[offset]: one.body[piece] for one in said if one.name == row.name}
    hello = next((one.body for one in said if one.name == "hello-reply"), None)
    if hello is None:
        return None
    try:
        return unpack(b"".join(pieces[at] for at in sorted(pieces)), hello["schema-digest"])
    except SchemaError:
        return None


def as_line(said: Said, id_: int) -> bytes:
    """Return the line that carries a message with this id."""
    message = Message(PROTOCOL_VERSION, _TYPES[said.name], id_, dict(_numbered(said)))
    return encode_line(encode_message(message))


def _numbered(said: Said) -> Iterator[tuple[int, Item]]:
    numbers = {known.name: key for key, known in MESSAGES[_TYPES[said.name]].body.items()}
    for name, item in sorted(
        said.body.items(), key=lambda entry: numbers.get(entry[0]) or int(entry[0])
    ):
        yield numbers.get(name) or int(name), item


def _as_json(item: Any) -> Any:
    if isinstance(item, bytes):
        return {"bytes": item.hex()}
    if isinstance(item, list):
        return [_as_json(each) for each in item]
    if isinstance(item, Mapping):
        return {key: _as_json(each) for key, each in item.items()}
    return item


def _from_json(item: Any) -> Any:
    if isinstance(item, dict):
        if item.keys() == {"bytes"}:
            return bytes.fromhex(item["bytes"])
        return {key: _from_json(each) for key, each in item.items()}
    if isinstance(item, list):
        return [_from_json(each) for each in item]
    return item
