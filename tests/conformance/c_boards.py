# SPDX-License-Identifier: MIT
"""The C stub under the kit: generated code for any schema, and a firmware that reports."""

from __future__ import annotations

import ctypes
from collections.abc import Mapping

from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import Message, decode_message
from provision.contract.table import Capability, MessageType, Run, Step, SurveyReplyKey
from provision.schema.codec import pack
from provision.schema.declaration import Declaration
from tests.vectors.boards import _Options

_OUTPUT = 65536
_START_MS = 300
_REPORT_MS = 400
_APPLIES = frozenset({MessageType.COMMIT_REPLY, MessageType.UNDO_REPLY, MessageType.ERASE_REPLY})


class CBoard:
    """The stub as somebody holds it: it restarts when it says so, and reports what it is told to.

    `outcome` is what its firmware makes of every set: proven, or failed.
    """

    def __init__(
        self,
        library: ctypes.CDLL,
        declaration: Declaration,
        *,
        outcome: Run = Run.PROVEN,
        capabilities: Capability | None = None,
        limits: Mapping[str, int] | None = None,
        wants_presence: bool = False,
    ) -> None:
        self._library = library
        self._outcome = outcome
        self._deflated = pack(declaration.schema).deflated  # kept: the board points into it
        unit = b"\xa1\xb2\xc3\xd4"
        options = _Options(
            boot_number=1000,
            capabilities=int(capabilities or 0),
            restarts=1,
            surveys=1,
            locates=1,
            wants_presence=wants_presence,
            unit_id_size=len(unit),
            unit_id=(ctypes.c_uint8 * 16)(*unit),
            deflated_size=len(self._deflated),
            deflated=self._deflated,
            **{
                "line": 655,
                "credit": 1400,
                "commit_time": 100,
                "erase_time": 400,
                "apply_time": 2000,
                "listens": 0,
                **(limits or {}),
            },
        )
        self._buffer = ctypes.create_string_buffer(_OUTPUT)
        result = ctypes.c_int(-99)
        self._board = library.board_create(ctypes.byref(options), ctypes.byref(result))
        assert self._board
        assert result.value == 0
        self._now = 0
        self._restarts = 0
        self._boot = 1000
        self._off_until: int | None = None
        self._report_due: int | None = None
        self._scan_due: int | None = None
        self._present_until = 0

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Held; what comes while the board starts is lost."""
        before = self.tick(now_ms)
        if self._off_until is not None:
            return before
        self._library.board_receive(self._board, data, len(data))
        sent = self._output()
        for event in LineReceiver().feed(sent):
            if isinstance(event, Frame):
                self._watch(decode_message(event.item))
        if self._library.board_restarts(self._board) != self._restarts:
            self._restarts = self._library.board_restarts(self._board)
            self._off_until = now_ms + _START_MS
        return before + sent

    def _watch(self, reply: Message) -> None:
        """Have the firmware do its part after what the stub has just answered."""
        if reply.type in _APPLIES:
            self._report_due = self._now + _REPORT_MS
            return
        is_scan = reply.type == MessageType.SURVEY_REPLY
        if is_scan and not reply.body[SurveyReplyKey.DONE] and self._scan_due is None:
            self._scan_due = self._now + _REPORT_MS

    def tick(self, now_ms: int) -> bytes:
        """See Held."""
        if self._off_until is not None:
            if now_ms < self._off_until:
                return b""
            self._off_until = None
            self._boot += 1
            self._advance(now_ms)
            assert self._library.board_start(self._board, self._boot) == 0
            self._report_due = now_ms + _REPORT_MS
        if self._present_until and now_ms >= self._present_until:
            self._present_until = 0
            self._library.board_present(self._board, 0)
        self._advance(now_ms)
        if self._report_due is not None and now_ms >= self._report_due:
            self._report_due = None
            self._library.board_report(self._board, self._outcome, Step.START, 0, None)
        if self._scan_due is not None and now_ms >= self._scan_due:
            self._library.board_found(self._board, b"orchard", 7, -60, 1)
            self._library.board_scan_done(self._board)
            self._scan_due = None
        self._library.board_advance(self._board, 0)
        return self._output()

    def _advance(self, now_ms: int) -> None:
        self._library.board_advance(self._board, now_ms - self._now)
        self._now = now_ms

    def asked(self, words: str, now_ms: int) -> bool:
        """See Held: presence counts for five seconds."""
        if "reset" in words:
            self._off_until = now_ms + _START_MS
        else:
            self._present_until = now_ms + 5000
            self._library.board_present(self._board, 1)
        return True

    def close(self) -> None:
        """Switch it off; it must have kept the rules of flash."""
        assert self._library.board_broken_rules(self._board) == 0
        self._library.board_destroy(self._board)

    def _output(self) -> bytes:
        size = self._library.board_output(self._board, self._buffer)
        return self._buffer.raw[:size]
