# SPDX-License-Identifier: MIT
# ruff: noqa: ARG005, E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong in what they count, and in what they do with time: clauses 5.2 to 5.7, 6.6."""

from __future__ import annotations

from typing import Any

from provision.board.engine import Board, Body, _octets
from provision.board.state import Limits
from provision.board.store import pack_values
from provision.contract.line import Frame
from provision.contract.messages import Message
from provision.contract.table import (
    Capability,
    CommitKey,
    HelloReplyKey,
    MessageType,
    Run,
    StatusReplyKey,
    Store,
)
from tests.conformance.board import PressedDevice
from tests.conformance.making import (
    BUTTON,
    ON_TRIAL,
    Case,
    R,
    T,
    answering,
    changed,
    lacking,
    lines,
    type_of,
)
from tests.conformance.wrong_conversation import Slow
from tests.conformance.wrong_order import before
from tests.conformance.wrong_storing import NoTokens


class GrowsByTwo(Board):
    """Writes each set twice, and counts both."""

    def _commit(self, body: Body) -> Body:
        super()._commit(body)
        current = self.store.current
        self.store.commit(
            current.payload,
            _octets(body, CommitKey.TOKEN),
            self._packed.digest,
            on_trial=current.on_trial,
        )
        self._come_into_force()
        return {1: self.generation}


class DiscardCounts(Board):
    """Counts a discard as a change of what is stored."""

    added = 0

    def _discard(self, body: Body) -> Body:
        self.added += 1
        return super()._discard(body)

    @property
    def generation(self) -> int:
        """See Board."""
        return self.store.current.generation + self.added


class EraseSetsBack(Board):
    """Counts from 1 again after an erase."""

    behind = 0

    def _erase(self, body: Body) -> Body:
        super()._erase(body)
        self.behind = self.store.current.generation - 1
        return {1: self.generation}

    @property
    def generation(self) -> int:
        """See Board."""
        return max(0, self.store.current.generation - self.behind)


class Miscounts(Board):
    """Counts otherwise than its store does."""

    behind = 0

    @property
    def generation(self) -> int:
        """See Board."""
        return max(0, self.store.current.generation - self.behind)


class CountsNoCommitOnTrial(Miscounts):
    """Does not count a commit in a trial."""

    def _commit(self, body: Body) -> Body:
        on_trial = self.store.current.on_trial
        super()._commit(body)
        self.behind += on_trial
        return {1: self.generation}


class CountsNoEmptyErase(Miscounts):
    """Does not count an erase of nothing."""

    def _erase(self, body: Body) -> Body:
        is_set = self.store.current.is_set
        super()._erase(body)
        self.behind += not is_set
        return {1: self.generation}


class CountsNoStart(Miscounts):
    """Does not count the starts within a trial."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self.behind += self.store.current.on_trial


class CountsThirdStartTwice(Miscounts):
    """Counts the third start within a trial, and the end of the trial."""

    on_trial = False

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self.behind -= self.on_trial and not self.store.current.on_trial

    def tick(self, now_ms: int) -> None:
        """See Board."""
        super().tick(now_ms)
        self.on_trial = self.store.current.on_trial


class NoTrialOfOne(Board):
    """Begins no trial where one field changes."""

    def _commit(self, body: Body) -> Body:
        capabilities = self.capabilities
        if len(self.staged) == 1:
            self.capabilities &= ~Capability.TRIAL
        try:
            return super()._commit(body)
        finally:
            self.capabilities = capabilities


class ProvenStaysOnTrial(Board):
    """Goes on with a trial when the firmware reports proven."""

    def _keep_trial(self) -> None:
        self._extend_trial()


class OldTimeRunsOn(Board):
    """Lets the time of a trial run on when another set replaces the one on trial."""

    def _commit(self, body: Body) -> Body:
        ends = self._trial_ends if self.store.current.on_trial else None
        reply = super()._commit(body)
        self._trial_ends = ends or self._trial_ends
        return reply


class FirstOnTrial(Board):
    """Puts the first set on trial as well."""

    def _status(self, body: Body) -> Body:
        reply = super()._status(body)
        if reply[StatusReplyKey.STORE] == Store.COMPLETE and self.store._older() is None:
            reply[StatusReplyKey.STORE] = int(Store.TRIAL)
            reply[StatusReplyKey.TRIAL_LEFT] = 1000
        return reply


class ConfirmChangesToken(Board):
    """Has another token after confirm."""

    confirmed = False

    def _confirm(self, body: Body) -> Body:
        self.confirmed = True
        return super()._confirm(body)

    def _hello(self, body: Body) -> Body:
        reply = super()._hello(body)
        return {**reply, HelloReplyKey.TOKEN: b"another!"} if self.confirmed else reply


class KeepsDeadline(Board):
    """Lets the time of a trial run on over a start."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        ends = getattr(self, "_trial_ends", None)
        super().restart(boot_number, now_ms)
        if ends is not None and self.store.current.on_trial:
            self._trial_ends = ends


class EndsInPieces(Board):
    """Counts the end of a trial when its status has been asked for."""

    told: int | None = None

    def _status(self, body: Body) -> Body:
        reply = super()._status(body)
        number = reply[StatusReplyKey.GENERATION]
        assert isinstance(number, int)
        if self.told is not None and number == self.told + 1:
            reply[StatusReplyKey.GENERATION] = self.told
        self.told = number if reply[StatusReplyKey.STORE] == Store.TRIAL else None
        return reply


class ConfirmsNothing(Board):
    """Answers confirm, and leaves the set on trial."""

    def _confirm(self, _body: Body) -> Body:
        self._brought = (MessageType.CONFIRM, self.generation, self.generation)
        return {1: self.generation}


class AlwaysPresence(Board):
    """Wants a person present though nothing is stored."""

    def _presence_suffices(self) -> bool:
        return Capability.PRESENCE not in self.capabilities or self._now < self._present_until


class PresenceOnceSet(Board):
    """Wants a person present where nothing is stored, once something was."""

    def _presence_suffices(self) -> bool:
        return self.generation == 0 or self._now < self._present_until


class FreeOnTrial(Board):
    """Wants nobody present on trial."""

    def _presence_suffices(self) -> bool:
        return self.store.current.on_trial or super()._presence_suffices()


class ClearsFreely(Board):
    """Wants nobody present to clear a field."""

    clears = False

    def _handle(self, message: Message) -> Body:
        self.clears = message.type == T.SET_FIELD and message.body.get(2, 0) is None
        return super()._handle(message)

    def _presence_suffices(self) -> bool:
        return self.clears or super()._presence_suffices()


class PresenceForOneCommit(Board):
    """Takes one commit for each time that the button is pressed."""

    def _commit(self, body: Body) -> Body:
        reply = super()._commit(body)
        self._present_until = self._now
        return reply


class PresenceForOne(Board):
    """Takes one change for each time that the button is pressed."""

    def _handle(self, message: Message) -> Body:
        reply = super()._handle(message)
        if message.type == T.SET_FIELD:
            self._present_until = self._now
        return reply


class LosesBehind(PressedDevice):
    """Loses what arrives while it stores."""

    reply = T.COMMIT_REPLY

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = b""
        for line in lines(data):
            sent += super().receive(line, now_ms)
            if type_of(lines(sent)[-1] if sent else b"") == self.reply:
                break
        return sent


class LosesBehindUndo(LosesBehind):
    """Loses what arrives while it undoes."""

    reply = T.UNDO_REPLY


class SlowTogether(Slow):
    """Takes its time where more than three requests come at once."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        self.by = 400 if data.count(b"~") > 3 else 0
        return super().receive(data, now_ms)


class AppliesForEverAfterUndo(Board):
    """Hears no report of a set that undo put in force."""

    undone = False

    def _undo(self, body: Body) -> Body:
        self.undone = True
        return super()._undo(body)

    def _commit(self, body: Body) -> Body:
        self.undone = False
        return super()._commit(body)

    def report(self, *told: Any, **more: Any) -> None:
        """See Board."""
        if not self.undone:
            super().report(*told, **more)


class SlowSchema(Slow):
    """Takes its time for a piece of its schema."""

    only = bytes([T.GET_SCHEMA_REPLY])
    by = 400


class NeverSilent(Board):
    """Goes on listening when its time is over."""

    def _listens(self) -> int | None:
        listens = super()._listens()
        return listens if listens is None else max(1, listens)


class AnswersHelloForEver(Board):
    """Goes on answering hello when its time is over."""

    is_hello = False

    def _answer(self, event: object) -> bytes:
        self.is_hello = isinstance(event, Frame) and event.item[2] == T.HELLO
        return super()._answer(event)

    def _listens(self) -> int | None:
        listens = super()._listens()
        return max(1, listens) if listens is not None and self.is_hello else listens


class SilentEarly(Board):
    """Listens for half of the time that it announces."""

    def _answer(self, event: object) -> bytes:
        over = self._now - self._started > (self.limits.listens or 0) // 2
        return b"" if over else super()._answer(event)


class FallsSilent(Board):
    """Listens for ten minutes, and announces no end."""

    def _answer(self, event: object) -> bytes:
        return b"" if self._now - self._started > 600_000 else super()._answer(event)


class OneByOne(Board):
    """Gives its schema, of more than 8,192 bytes, in pieces of one byte."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        from dataclasses import replace  # noqa: PLC0415

        super().restart(boot_number, now_ms)
        if len(self._packed.deflated) < 8192:
            empty = b"\x00\x00\x00\xff\xff"  # an empty stored block (RFC 1951 section 3.2.4)
            self._packed = replace(self._packed, deflated=empty * 1640 + self._packed.deflated)

    def _get_schema(self, body: Body) -> Body:
        return super()._get_schema({**body, 2: 1})


class Incomplete(PressedDevice):
    """Holds a set that lacks required fields, as after an update of its firmware."""

    def _begin(self, now_ms: int) -> None:
        board = self.board
        if not board.store.current.is_set:
            payload = pack_values(board.schema, {"words.word": "orchard"})
            board.store.commit(payload, b"lacking!", bytes(8), on_trial=False)
        super()._begin(now_ms)
        board._come_into_force()


INCOMPLETE: dict[str, Any] = {"device": Incomplete}


def _status_with(run: Run | None = None, **more: Any) -> type[Board]:
    """Return a board whose status has more, with this `run` or with any."""

    def change(board: Board, message: Message, reply: Body) -> Body:
        if message.type != T.STATUS or run not in (None, reply[StatusReplyKey.RUN]):
            return reply
        keys = {StatusReplyKey[name.upper()]: value for name, value in more.items()}
        return dict(sorted({**reply, **{int(key): value for key, value in keys.items()}}.items()))

    return answering(change)


TIMES_CASES: tuple[Case, ...] = (
    # ---- the generation, tokens
    Case("5.2.1", "grows by two with a commit", {"board": GrowsByTwo}),
    Case("5.2.2", "grows with a discard", {"board": DiscardCounts}),
    Case("5.2.1", "does not count a commit in a trial", {"board": CountsNoCommitOnTrial, **ON_TRIAL}),
    Case("5.2.1", "does not count an erase of nothing", {"board": CountsNoEmptyErase}),
    Case("5.2.1", "does not count a start in a trial", {"board": CountsNoStart, **ON_TRIAL}),
    Case("5.4.6", "counts the third start and the end of the trial", {"board": CountsThirdStartTwice, **ON_TRIAL}),
    Case("5.2.5", "counts from 1 again after an erase", {"board": EraseSetsBack}),
    Case("6.1.2", "gives the token backwards", {"board": changed(T.HELLO, HelloReplyKey.TOKEN, lambda t: t and t[::-1])}),
    Case("6.5.9", "gives the generation before in the reply to a commit", {"board": changed(T.COMMIT, 1, lambda n: n - 1)}),
    # ---- trials
    Case("5.4.1", "offers trials and states no time", {"board": changed(T.HELLO, HelloReplyKey.CAPABILITIES, lambda c: c | 2)}),
    Case("5.4.3", "puts the first set on trial", {"board": FirstOnTrial, **ON_TRIAL}),
    Case("5.4.4", "has another token after confirm", {"board": ConfirmChangesToken, **ON_TRIAL}),
    Case("5.4.2", "begins no trial where one field changes", {"board": NoTrialOfOne, **ON_TRIAL}),
    Case("5.4.4", "goes on with a trial that is proven", {"board": ProvenStaysOnTrial, "schema": "orchard-frost-alarm"}),
    Case("5.4.5", "lets the time of a replaced set run on", {"board": OldTimeRunsOn, **ON_TRIAL}),
    Case("5.4.7", "lets the time of a trial run on over a start", {"board": KeepsDeadline, **ON_TRIAL}),
    Case("5.4.12", "counts the end of a trial a request later", {"board": EndsInPieces, **ON_TRIAL}),
    Case("5.4.11", "refuses undo in a trial", {"board": before(lambda b, m: m.type == T.UNDO and b.store.current.on_trial, R.NO_OLDER_SET), **ON_TRIAL}),
    Case("6.7.17", "leaves the set on trial at confirm", {"board": ConfirmsNothing, **ON_TRIAL}),
    # ---- presence, credit, time
    Case("5.5.2", "wants a person present though nothing is stored", {"board": AlwaysPresence, "limits": BUTTON}),
    Case("5.5.1", "wants nobody present on trial", {"board": FreeOnTrial, "limits": BUTTON, **ON_TRIAL}),
    Case("5.5.1", "wants nobody present to clear a field", {"board": ClearsFreely, "limits": BUTTON}),
    Case("5.5.2", "wants a person present once something was stored", {"board": PresenceOnceSet, "limits": BUTTON}),
    Case("5.5.3", "wants the button pressed for each commit", {"board": PresenceForOneCommit, "limits": BUTTON}),
    Case("5.5.3", "wants the button pressed for each change", {"board": PresenceForOne, "limits": BUTTON}),
    Case("5.5.4", "wants a person present for a discard", {"board": before(lambda b, m: m.type == T.DISCARD and bool(b.stored) and b._now >= b._present_until, R.PRESENCE), "limits": BUTTON}),
    Case("5.5.5", "demands presence, which it does not announce", {"board": before(lambda b, m: m.type == T.SET_FIELD, R.PRESENCE)}, "6.4.9"),
    Case("5.6.3", "loses what comes behind a commit", {"device": LosesBehind}),
    Case("5.6.3", "loses what comes behind an undo", {"device": LosesBehindUndo}),
    Case("5.7.1", "takes 400 ms for requests that come at once", {"device": SlowTogether}, "4"),
    Case("5.7.4", "never ends applying after an undo", {"board": AppliesForEverAfterUndo}),
    Case("5.7.7", "falls silent, though it announces no end", {"board": FallsSilent}),
    Case("5.7.7", "answers hello when its time is over", {"board": AnswersHelloForEver, "limits": Limits(listens=20_000)}),
    Case("5.7.1", "takes 400 ms for a piece of its schema", {"device": SlowSchema}, "6.2"),
    Case("5.7.5", "carries out a commit that is repeated", {"board": NoTokens}),
    Case("5.7.6", "announces the same time of listening always", {"board": changed(T.HELLO, HelloReplyKey.LISTENS, lambda n: 20_000), "limits": Limits(listens=20_000)}),
    Case("5.7.7", "goes on listening when its time is over", {"board": NeverSilent, "limits": Limits(listens=20_000)}),
    Case("5.7.6", "listens for half the time that it announces", {"board": SilentEarly, "limits": Limits(listens=20_000)}),
    Case("5.7.8", "gives its schema in pieces of one byte", {"board": OneByOne}),
    # ---- status
    Case("6.6.1", "applies a set that lacks something", {"board": changed(T.STATUS, StatusReplyKey.RUN, lambda _: int(Run.APPLYING)), **INCOMPLETE}),
    Case("6.6.4", "calls an empty store complete", {"board": changed(T.STATUS, StatusReplyKey.STORE, lambda s: s or int(Store.COMPLETE))}),
    Case("6.6.5", "names the last field that is missing", {"board": changed(T.STATUS, StatusReplyKey.MISSING, lambda _: "words.text"), **INCOMPLETE}),
    Case("9.6.8", "calls a set complete that lacks something", {"board": answering(lambda b, m, r: {**{k: v for k, v in r.items() if k != 11}, 1: int(Store.COMPLETE)} if m.type == T.STATUS and 11 in r else r), **INCOMPLETE}),
    Case("6.6.3", "gives the step of a former set", {"board": answering(lambda b, m, r: {**r, 4: 5} if m.type == T.STATUS and 4 not in r else r)}),
    Case("6.6.6", "never gives a step", {"board": lacking(T.STATUS, StatusReplyKey.STEP)}),
    Case("6.6.7", "gives no reason with failed", {"board": lacking(T.STATUS, StatusReplyKey.REASON), **ON_TRIAL}),
    Case("6.6.8", "names a field that there is not", {"board": _status_with(Run.FAILED, field="no-such.field"), **ON_TRIAL}),
    Case("6.6.9", "gives the address of a former set", {"board": _status_with(address=b"\xc0\x00\x02\x07")}),
)  # fmt: skip
