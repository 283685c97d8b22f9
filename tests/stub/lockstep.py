# SPDX-License-Identifier: MIT
"""The C stub, asked by itself or beside the Python board: same schema, same bytes, one clock."""

from __future__ import annotations

import ctypes as c
from dataclasses import dataclass
from typing import Any

from provision.board.engine import Board, from_declaration, settings_geometry
from provision.board.flash import Flash
from provision.board.state import Limits
from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, check_body, decode_message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    CommitKey,
    MessageType,
)
from provision.contract.table import MessageType as Type
from provision.schema.constraints import staged_digest
from provision.schema.declaration import Declaration
from tests.c_board.board import Stub
from tests.vectors.boards import declaration

TOKEN = bytes(range(8))


def messages(sent: bytes) -> list[Message]:
    """Return the replies that a board sent, each checked against the table."""
    found = []
    for event in LineReceiver().feed(sent):
        assert isinstance(event, Frame), event
        message = decode_message(event.item)
        check_body(message)
        found.append(message)
    return found


def request(
    type_: int, body: dict[int, Item] | None = None, *, id_: int = 1, version: int = 1
) -> bytes:
    """Return the line of a request."""
    return encode_line(encode_message(Message(version, type_, id_, body or {})))


class AskedStub(Stub):
    """A stub that has been started, and is asked."""

    def __init__(
        self,
        library: c.CDLL,
        declared: str | Declaration,
        content: bytes | None = None,
        **rest: Any,
    ) -> None:
        if isinstance(declared, str):
            declared = declaration(declared)
        super().__init__(library, declared, content, **rest)
        assert self.start() == 0

    def answer(self, type_: int, body: dict[int, Any] | None = None) -> Any:
        """Return the one reply to a request."""
        (reply,) = messages(self.receive(request(type_, body)))
        return reply

    def stage(self, level: int) -> None:
        """Stage the one setting of the trial board."""
        reply = self.answer(Type.SET_FIELD, {1: "lamp.level", 2: level})
        assert reply.type == Type.SET_FIELD_REPLY

    def store(self, level: int) -> None:
        """Commit a set of the trial board."""
        self.stage(level)
        self.flash.operations = 0
        digest = staged_digest(self.model, {"lamp.level": level})
        token = bytes([level, *TOKEN[1:]])
        assert self.answer(Type.COMMIT, {1: 1, 2: digest, 3: token}).type == Type.COMMIT_REPLY

    @property
    def generation(self) -> int:
        """The generation in force."""
        generation = self.answer(Type.STATUS).body[8]
        assert isinstance(generation, int)
        return generation


@dataclass
class Lockstep:
    """Both boards, and how far they agree."""

    stub: Stub
    board: Board
    last: bytes = b"\n"

    def send(self, line: bytes) -> Message | None:
        """Send a line to both; return the reply, in which they must agree."""
        self.last = line
        ours = messages(self.stub.receive(line))
        theirs = messages(self.board.receive(line, self.stub.now_ms))
        assert len(ours) == len(theirs) <= 1
        if not ours:
            return None
        assert ours == theirs
        return ours[0]

    def ask(self, type_: int, body: dict[int, Item] | None = None, *, version: int = 1) -> Message:
        """Send a request, which must be answered."""
        reply = self.send(request(type_, body, version=version))
        assert reply is not None
        return reply

    def commit(self, token: bytes = TOKEN) -> Message:
        """Commit what is staged."""
        staged = self.board.staged
        return self.ask(
            MessageType.COMMIT,
            {
                CommitKey.COUNT: len(staged),
                CommitKey.DIGEST: staged_digest(self.board.schema, staged),
                CommitKey.TOKEN: token,
            },
        )

    def wait(self, milliseconds: int) -> None:
        """Let time pass for both."""
        self.stub.now_ms += milliseconds
        assert self.stub.receive(b"") == b""
        self.board.tick(self.stub.now_ms)

    def report(self, run: int, step: int = 0, reason: int = 0) -> None:
        """Their firmware reports."""
        self.stub.report(run, step, reason)
        assert self.stub.poll() == b""
        self.board.report(run, step, reason)  # type: ignore[arg-type]

    def restart(self) -> None:
        """Start both again, on what their flash holds."""
        self.stub.config.boot_number += 1
        assert self.stub.start() == 0
        self.board.restart(self.stub.config.boot_number, self.stub.now_ms)


def in_lockstep(
    library: c.CDLL, name: str, *, presence: bool = False, listens: int = 0
) -> Lockstep:
    """Return both boards, switched on, with nothing stored."""
    declared = declaration(name)
    geometry = settings_geometry(declared)
    stub = Stub(library, declared, presence=presence, listens=listens)
    assert stub.start() == 0
    board = from_declaration(
        declared,
        flash=Flash(geometry),
        limits=Limits(presence=5000 if presence else None, listens=listens or None),
    )
    return Lockstep(stub, board)
