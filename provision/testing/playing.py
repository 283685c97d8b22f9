# SPDX-License-Identifier: MIT
"""A host that sends a board the requests of a recorded conversation, and compares the answers.

Whatever differs with every run is replaced, or not compared: boot numbers, generations, ids,
tokens, digests over secrets, addresses, and which networks are in range.
"""

from __future__ import annotations

import asyncio
import secrets as random_bytes
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType
from typing import Any

from provision.contract.digest import staged_digest
from provision.contract.line import LineReceiver
from provision.contract.messages import MAX_ID
from provision.contract.table import Run
from provision.link.errors import NoReply
from provision.link.streams import Stream
from provision.testing.conversation import (
    ConversationError,
    Said,
    as_line,
    as_said,
    messages_of,
)

_REPLY_TIME = 1.0  # seconds until a request is repeated, beyond what the board announced for it
_REPEATS = 4
_APPLY_TIME = 5.0  # seconds that the firmware is given to try settings, beyond what it announced
_LOOK_AGAIN = 0.1

_NAMED = MappingProxyType(
    {
        "discard": "boot",
        "restart": "boot",
        "undo": "generation",
        "erase": "generation",
        "confirm": "generation",
        "survey": "scan",
    }
)
"""What a request names that is this board's own, and has from an earlier reply."""

_NOT_COMPARED: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "hello-reply": frozenset({"unit", "boot", "token", "generation", "listens"}),
        "status-reply": frozenset({"boot", "generation", "address", "trial-left"}),
        "survey-reply": frozenset({"scan", "done", "count", "networks"}),
        **{
            f"{name}-reply": frozenset({"generation"})
            for name in ("commit", "undo", "erase", "confirm")
        },
    }
)


class Player:
    """Plays the host's part of a recorded conversation."""

    def __init__(self, said: Sequence[Said], secrets: Mapping[str, str | bytes]) -> None:
        """secrets: by full key, what to send in the place of what was replaced."""
        self._exchanges = [
            (request, answer)
            for request, answer in pairwise(said)
            if request.who == "host" and answer.who == "board"
        ]
        self._secrets = secrets
        self._known: dict[str, Any] = {}  # what the board's replies said last, by its name
        self._staged: dict[str, Any] = {}
        self._lines = LineReceiver()
        self._id = random_bytes.randbelow(MAX_ID + 1)

    async def play(self, stream: Stream) -> str | None:
        """Send every request; return the first answer that differs, in words.

        Raises LinkError, and ConversationError if a secret cannot replace what was sent.
        """
        for at, (recorded, expected) in enumerate(self._exchanges):
            if recorded.name == "status" and self._is_asked_again(at):
                continue  # how often a host looked is its own affair
            request = self._renewed(recorded)
            answer = await self._ask(stream, request)
            if request.name == "status":
                answer = await self._until_tried(stream, request, answer, expected)
            if _compared(answer) != _compared(expected):
                return (
                    f"At {recorded} this board says {answer}; when it was recorded, it was"
                    f" {expected}"
                )
            self._take(request, answer)
        return None

    def _is_asked_again(self, at: int) -> bool:
        following = self._exchanges[at + 1 : at + 2]
        return bool(following) and following[0][0].name == "status"

    def _renewed(self, recorded: Said) -> Said:
        """Return a request with what belongs to this board and this run."""
        body = dict(recorded.body)
        named = _NAMED.get(recorded.name)
        if named is not None and named in body:
            body[named] = self._known.get(named, body[named])
        if recorded.name == "set-field" and body["field"] in self._secrets:
            self._put_secret(body)
        if recorded.name == "commit":
            body["token"] = random_bytes.token_bytes(len(body["token"]))
            body["digest"] = staged_digest(self._staged.items())
        return replace(recorded, body=body)

    def _put_secret(self, body: dict[str, Any]) -> None:
        key = body["field"]
        value = self._secrets[key]
        if isinstance(body.get("value"), str) != isinstance(value, str) or "part" in body:
            raise ConversationError(
                f"{key}: was sent in parts, or as another kind of value: what is given cannot stand"
                " in for it."
            )
        body["value"] = value

    def _take(self, request: Said, answer: Said) -> None:
        """Keep what later requests name, and what a commit will be about."""
        self._known |= {
            name: answer.body[name]
            for name in ("boot", "generation", "scan")
            if name in answer.body
        }
        if answer.name == "set-field-reply":
            key = request.body["field"]
            if "part" in request.body:
                at = request.body["offset"]
                held = self._staged.get(key, b"")
                self._staged[key] = held[:at] + request.body["part"]
            else:
                self._staged[key] = request.body["value"]
        elif answer.name in ("discard-reply", "commit-reply", "erase-reply", "restart-reply"):
            self._staged.clear()
        if answer.name == "hello-reply":
            self._known |= {
                name: answer.body[name] for name in ("commit-time", "erase-time", "apply-time")
            }

    async def _until_tried(
        self, stream: Stream, request: Said, answer: Said, expected: Said
    ) -> Said:
        """Look until the firmware has tried its settings, if it had when this was recorded."""
        clock = asyncio.get_running_loop().time
        deadline = clock() + _APPLY_TIME + self._known.get("apply-time", 0) / 1000
        while (
            answer.body.get("run") == Run.APPLYING != expected.body.get("run")
            and clock() < deadline
        ):
            await asyncio.sleep(_LOOK_AGAIN)
            answer = await self._ask(stream, request)
        return answer

    async def _ask(self, stream: Stream, request: Said) -> Said:
        self._id = (self._id + 1) % (MAX_ID + 1)
        announced = self._known.get(f"{request.name}-time", 0) / 1000
        for _ in range(_REPEATS):
            stream.write(as_line(request, self._id))
            try:
                async with asyncio.timeout(_REPLY_TIME + announced):
                    while True:
                        answer = self._answer_in(await stream.read())
                        if answer is not None:
                            return answer
            except TimeoutError:
                continue
        raise NoReply(f"The board does not answer {request.name}: is it the right port?")

    def _answer_in(self, data: bytes) -> Said | None:
        for message in messages_of("board", self._lines, data):
            if message.id == self._id:
                return as_said("board", message, None)
        return None


def _compared(answer: Said) -> tuple[str, dict[str, Any]]:
    left_out = _NOT_COMPARED.get(answer.name, frozenset())
    return answer.name, {name: item for name, item in answer.body.items() if name not in left_out}
