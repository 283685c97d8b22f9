# SPDX-License-Identifier: MIT
"""The C stub under the kit: generated code for any schema, and a firmware that reports."""

from __future__ import annotations

import ctypes
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import Message, decode_message
from provision.contract.table import Capability, MessageType, Run, Security, Step, SurveyReplyKey
from provision.schema.codec import pack
from provision.schema.declaration import Declaration
from tests.c_board import board as c_board

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
        limits: Mapping[str, Any] = MappingProxyType({}),
        wants_presence: bool = False,
        platform: bool = False,
    ) -> None:
        self._outcome = outcome
        self._stub = c_board.Stub(
            library,
            declaration,
            schema=c_board.schema_of(library, "vector_board", pack(declaration.schema).deflated),
            unit=b"\xa1\xb2\xc3\xd4",
            presence=wants_presence,
            platform=platform,
            capabilities=int(capabilities or 0),
            **{"credit": 1400, "commit_time": 100, "erase_time": 400, "apply_time": 2000, **limits},
        )
        self._boot = 1000
        self._start()
        self._now = 0
        self._restarts = 0
        self._off_until: int | None = None
        self._report_due: int | None = None
        self._scan_due: int | None = None
        self._present_until = 0

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Held; what comes while the board starts is lost."""
        before = self.tick(now_ms)
        if self._off_until is not None:
            return before
        sent = self._stub.receive(data)
        for event in LineReceiver().feed(sent):
            if isinstance(event, Frame):
                self._watch(decode_message(event.item))
        if self._stub.c.restarts != self._restarts:
            self._restarts = self._stub.c.restarts
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
            self._start()
            self._report_due = now_ms + _REPORT_MS
        if self._present_until and now_ms >= self._present_until:
            self._present_until = 0
            self._stub.c.present = False
        self._advance(now_ms)
        if self._report_due is not None and now_ms >= self._report_due:
            self._report_due = None
            self._stub.report(self._outcome, Step.START)
        if self._scan_due is not None and now_ms >= self._scan_due:
            self._stub.found([(b"orchard", -60, Security.PERSONAL)])
            self._scan_due = None
        return self._stub.poll()

    def _advance(self, now_ms: int) -> None:
        self._stub.receive(b"", now_ms)
        self._now = now_ms

    def _start(self) -> None:
        self._stub.power()
        self._stub.config.boot_number = self._boot
        assert self._stub.start_anew() == 0

    def asked(self, words: str, now_ms: int) -> bool:
        """See Held: presence counts for five seconds."""
        if "reset" in words:
            self._off_until = now_ms + _START_MS
        else:
            self._present_until = now_ms + 5000
            self._stub.c.present = True
        return True

    def close(self) -> None:
        """Switch it off; it must have kept the rules of flash."""
        self._stub.check_rules()
