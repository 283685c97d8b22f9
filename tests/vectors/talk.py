# SPDX-License-Identifier: MIT
"""Says what a host says, and reads what a board answers, through cbor2 and the package crc."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from typing import Any

import cbor2

from provision.contract.table import MessageType, Refusal
from scripts.derive.vectors import encoding
from tests.vectors.boards import VectorBoard


@dataclass(frozen=True, slots=True)
class Answer:
    """A board's reply or refusal."""

    type: int
    id: int
    body: dict[int, Any]

    @property
    def refused(self) -> str | None:
        """The name of the refusal, None for a reply."""
        if self.type != MessageType.REFUSAL:
            return None
        return Refusal(self.body[1]).name.lower().replace("_", "-")


def answers(sent: bytes) -> list[Answer]:
    """Read what a board sent, which must be nothing but whole lines of the right form."""
    lines = re.findall(rb"\n~([A-Za-z0-9_-]{2,655})([@A-O]{8})\n", sent)
    assert b"".join(b"\n~" + body + check + b"\n" for body, check in lines) == sent
    found = []
    for body, check in lines:
        assert encoding.check(body) == check
        item = base64.urlsafe_b64decode(body + b"=" * (-len(body) % 4))
        envelope = cbor2.loads(item)
        assert encoding.item(envelope) == item  # deterministic, and nothing after it
        version, type_, id_, content = envelope
        assert version == 1
        found.append(Answer(type_, id_, content))
    return found


def ask(board: VectorBoard, type_: str, body: dict[int, Any], id_: int = 1) -> Answer:
    """Send a request; return the one answer."""
    (answer,) = answers(board.receive(encoding.line(encoding.message(type_, id_, body))))
    assert answer.id == id_
    return answer
