# SPDX-License-Identifier: MIT
"""Puts the conversations of conversations.py into lines: shared/vectors/conversations.json."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from scripts.derive.vectors import boards, encoding
from scripts.derive.vectors.conversations import (
    BOARDS,
    CONVERSATIONS,
    Again,
    Ask,
    Board,
    Conversation,
    Found,
    Noise,
    Present,
    Report,
    Restart,
    Step,
    Update,
    Values,
    Wait,
)
from scripts.derive.vectors.encoding import VectorError, named, numbered
from scripts.derive.vectors.schemas import board_schema_id

Row = dict[str, Any]


def document() -> bytes:
    """The file shared/vectors/conversations.json."""
    return encoding.document(
        "Conversations of a host with a board, from the board's first start on",
        "conversations.py",
        [
            {
                "id": each.id,
                "shows": each.shows,
                "clause": each.clause,
                "board": each.board,
                "steps": list(_Talk(each).steps()),
            }
            for each in CONVERSATIONS
        ],
        boards={name: _board(board) for name, board in BOARDS.items()},
    )


def _board(board: Board) -> Row:
    declared = boards.load(board.schema).declared
    return {
        "schema": board_schema_id(board.schema),
        "firmware": declared["firmware"]["name"],
        "firmware-version": declared["firmware"]["version"],
        "board": declared["board"]["name"],
        "unit": board.unit.hex(),
        "boot": board.boot,
        "line": board.line,
        "credit": board.credit,
        "commit-time": board.commit_time,
        "erase-time": board.erase_time,
        "apply-time": board.apply_time,
        "listens": board.listens,
        "capabilities": list(board.capabilities),
    }


class _Talk:
    """One conversation on its way into lines."""

    def __init__(self, conversation: Conversation) -> None:
        self._conversation = conversation
        self._run(conversation.board)
        self._id = conversation.first_id
        self._last: Row = {}

    def _run(self, board: str) -> None:
        self._schema = boards.load(BOARDS[board].schema)

    def steps(self) -> list[Row]:
        return [self._step(step) for step in self._conversation.steps]

    def _step(self, step: Step) -> Row:
        match step:
            case Ask():
                return self._ask(step)
            case Again():
                return {**self._last, "note": f"again: {self._last['note']}"}
            case Values():
                return self._values(step)
            case Noise():
                return {"host": step.bytes.hex(), "board": "", "note": "no request"}
            case Restart():
                return {"restart": step.boot, "note": "power off and on"}
            case Update():
                self._run(step.board)
                return {"update": step.board, "boot": step.boot, "note": "an update, and a start"}
            case Wait():
                return {"wait": step.ms, "note": "milliseconds pass"}
            case Report():
                return _reported(step)
            case Present():
                note = "a person pressed the button" if step.is_present else "that was too long ago"
                return {"present": step.is_present, "note": note}
            case Found():
                return _found(step)

    def _ask(self, ask: Ask) -> Row:
        if (ask.reply is None) == (ask.refused is None):
            raise VectorError(f"{self._conversation.id}: either a reply or a refusal")
        asked = {**ask.body}
        if "pairs" in asked:
            asked = {**self._digested(asked.pop("pairs")), **asked}
        sent = numbered(ask.request, self._filled(asked))
        if ask.refused is not None:
            answer, came = "refusal", self._filled(ask.refused)
        else:
            answer, came = f"{ask.request}-reply", self._filled(ask.reply or {})
        return self._exchange(ask, sent, answer, numbered(answer, came))

    def _exchange(self, ask: Ask, sent: dict[int, Any], answer: str, came: Any) -> Row:
        request = encoding.message(ask.request, self._id, sent, ask.version)
        reply = encoding.message(answer, self._id, came, ask.reply_version)
        self._id = (self._id + 1) % 65_536
        self._last = {
            "host": encoding.line(request).hex(),
            "board": encoding.line(reply).hex(),
            "note": f"{ask.request} {named(ask.request, sent)} -> {answer} {named(answer, came)}",
        }
        return self._last

    def _digested(self, pairs: Sequence[tuple[str, Any]]) -> Row:
        """Count and digest of a staged set (clause 6.5)."""
        order = [self._schema.fields.index(key) for key, _ in pairs]
        if order != sorted(order):
            raise VectorError(f"{self._conversation.id}: a commit's pairs are in schema order")
        digest = encoding.crc32c(b"".join(encoding.item([key, value]) for key, value in pairs))
        return {"count": len(pairs), "digest": digest}

    def _filled(self, body: Mapping[Any, Any]) -> dict[Any, Any]:
        """A body with what follows from the board's schema and configuration filled in."""
        if "hello-of" in body:
            return self._hello(**{name.replace("-", "_"): body[name] for name in body})
        size = len(self._schema.deflated)
        meant = {"schema-size": size, "last": size - 1, "field-count": len(self._schema.fields)}
        filled = {
            name: meant.get(value, value) if name in ("offset", "detail", "first") else value
            for name, value in body.items()
        }
        if isinstance(filled.get("piece"), tuple):
            start, length = filled["piece"]
            start = meant.get(start, start)
            filled["piece"] = self._schema.deflated[start : start + length]
        if "networks" in filled:
            filled["networks"] = [
                [name, signal, encoding.code("security", security)]
                for name, signal, security in filled["networks"]
            ]
        return filled

    def _hello(
        self,
        *,
        hello_of: str,
        boot: int,
        token: bytes | None,
        generation: int,
        listens: int | None = None,
    ) -> dict[str, Any]:
        board = BOARDS[hello_of]
        row = _board(board)
        return {
            "versions": [1],
            "firmware": row["firmware"],
            "firmware-version": row["firmware-version"],
            "board": row["board"],
            "unit": board.unit,
            "boot": boot,
            "schema-digest": self._schema.digest,
            "schema-size": len(self._schema.deflated),
            "line": board.line,
            "credit": board.credit,
            "commit-time": board.commit_time,
            "erase-time": board.erase_time,
            "apply-time": board.apply_time,
            "capabilities": board.capabilities,
            "token": token,
            "listens": listens,
            "generation": generation,
        }

    def _values(self, step: Values) -> Row:
        """As many entries as fit into a reply (clause 6.3)."""
        fields = self._schema.fields
        first = step.first if isinstance(step.first, int) else fields.index(step.first)
        reply: dict[int, Any] = {1: first, 2: len(fields), 3: []}
        for key in fields[first:]:
            state, *value = step.held.get(key, ("unset",))
            longer = {**reply, 3: [*reply[3], [key, encoding.code("held", state), *value]]}
            if len(encoding.message("get-values-reply", self._id, longer)) > encoding.LONGEST_ITEM:
                break
            reply = longer
        shown = {entry[0] for entry in reply[3]}
        # What lies before `first`, or is too far on to fit, a step may name for its sequel.
        if step.held and not shown & step.held.keys():
            raise VectorError(f"{self._conversation.id}: nothing of what is held is shown")
        ask = Ask("get-values", {"first": first}, {})
        return self._exchange(ask, {1: first}, "get-values-reply", reply)


def _reported(step: Report) -> Row:
    report = {"run": step.run, "step": step.step, "reason": step.reason}
    if step.field:
        report["field"] = step.field
    if step.address:
        report["address"] = step.address.hex()
    return {"report": report, "note": f"the firmware reports {step.run}"}


def _found(step: Found) -> Row:
    networks = [[name.hex(), *rest] for name, *rest in step.networks]
    note = "the scan ends" if step.done else "the scan goes on"
    return {"found": networks, "done": step.done, "note": note}
