# SPDX-License-Identifier: MIT
"""A host's way with one board, over as many connections as it takes (shared/protocol.md, 5.3)."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from enum import Enum, auto

from provision.client.changing import (
    SETTLE_TIME,
    change_generation,
    stay,
    with_presence,
)
from provision.client.held import HeldSetting, held_settings
from provision.client.snapshot import BoardSnapshot, read_board
from provision.contract.table import MessageType, Refusal, Run, Store
from provision.link.connection import Connection
from provision.link.errors import BoardRefused, LineLost, LinkError, NoReply
from provision.link.known_secrets import KnownSecrets
from provision.link.operations import OnProgress
from provision.link.replies import CommitOutcome, Hello, NotStored, Status, Stored, Unknown
from provision.phrases import phrase
from provision.schema.model import Value

_FOLLOW_PAUSE = 0.25  # seconds between looks at the status
_FOLLOW_GRACE = 10.0  # seconds beyond the time that the board announces (clause 5.3)

FindAgain = Callable[[bytes], Awaitable[Connection]]
"""Waits for the board with this unit id and returns a new connection to it."""


class Event(Enum):
    """What a person may want to know while the client waits."""

    PRESENCE = auto()
    """The board waits for its button to be pressed."""

    GONE = auto()
    """The board was lost before anything was sent to it."""

    GONE_STORING = auto()
    """The board was lost, and has not said whether it stored the settings."""

    SETTLING = auto()
    """The client is finding out whether the settings were stored."""


class Followed(Enum):
    """How following a board ended."""

    REPORTED = auto()
    """It says that it works, that it does not, or that it does not report."""

    WENT_BACK = auto()
    """A trial ended badly: the set before is in force again."""

    TIMED_OUT = auto()
    """It has not said either in time."""


@dataclass(frozen=True, slots=True)
class FollowResult:
    """The result of following; status is the last one seen, if any."""

    followed: Followed
    status: Status | None


class BoardClient:
    """One board, as it was met, and what was stored on it since.

    Its `connection` may be another one after a board was unplugged.
    """

    def __init__(
        self,
        connection: Connection,
        met: BoardSnapshot,
        *,
        find_again: FindAgain | None = None,
        on_event: Callable[[Event], None] = lambda _: None,
        just_met: bool = False,
    ) -> None:
        """Go on with a board that was met.

        Arguments:
            connection: The line to it.
            met: What it said.
            find_again: How it is found when it was unplugged; None: that is an error.
            on_event: Told what a person may want to know.
            just_met: Whether it was met only now, so that it need not be asked again who it is
                before the first settings are sent.
        """
        self.connection = connection
        self.met = met
        self.generation = met.hello.generation
        self.sent: dict[str, Value | None] = {}
        """What was stored, or was tried to be, in all rounds together."""
        self._find_again = find_again
        self._on_event = on_event
        self._just_met = just_met
        self._token: bytes | None = None  # of a commit whose outcome is open
        self._durable = met.hello.token  # of the set that is followed
        self._on_log: Callable[[str], None] | None = None
        self._secrets = KnownSecrets()

    # ------------------------------------------------------------------------------- storing

    async def store(
        self, changes: Mapping[str, Value | None], on_progress: OnProgress | None = None
    ) -> CommitOutcome:
        """Make changes durable, all or none of them, by full key; None clears a setting.

        They must be what the board's own schema admits. Raises LinkError; while is_open is true,
        what became of the commit is then to be found out with leave().
        """
        if not self._just_met:  # the person took their time (clause 5.3)
            hello = await self._meet_again()
            if hello.generation != self.generation:
                # A trial ended meanwhile, or somebody else stored: what was sent before may be
                # gone, so that all of it goes once more.
                changes = {**self.sent, **changes}
            await self.connection.discard()
        self._just_met = False
        self.sent |= changes
        settings = self.met.schema.settings
        in_order = [(s.key, changes[s.key]) for s in settings if s.key in changes]
        try:
            outcome = await with_presence(
                lambda: self._send(in_order, on_progress), self._tell_presence
            )
        except BoardRefused as error:
            if error.refused.code != Refusal.PRESENCE:
                raise
            outcome = NotStored(error.refused)
        if isinstance(outcome, Stored):
            self.generation = outcome.generation
        return outcome

    async def _send(
        self, changes: list[tuple[str, Value | None]], on_progress: OnProgress | None
    ) -> CommitOutcome:
        self._token = secrets.token_bytes(8)
        outcome = await self.connection.store(changes, token=self._token, on_progress=on_progress)
        if isinstance(outcome, Unknown) and self._find_again is not None:
            self._on_event(Event.GONE_STORING)
            await self._reconnect()
            outcome = await self.connection.resolve_commit(self._token, self.met.hello.unit)
        if isinstance(outcome, Stored):
            self._durable = self._token
        self._token = None
        refused = outcome.refused if isinstance(outcome, NotStored) else None
        if refused is not None and refused.code == Refusal.PRESENCE:
            raise BoardRefused(MessageType.COMMIT, refused)
        return outcome

    @property
    def is_open(self) -> bool:
        """Whether a commit was sent whose outcome is unknown."""
        return self._token is not None and self.connection.commit_sent

    async def leave(self) -> CommitOutcome:
        """Leave the board in a known state, whatever store() was about; return what became of it.

        Takes SETTLE_TIME at most, and a cancellation of this task back.
        """
        stay()
        outcome: CommitOutcome = NotStored()
        try:
            async with asyncio.timeout(SETTLE_TIME):
                if self.is_open:
                    assert self._token is not None
                    self._on_event(Event.SETTLING)
                    outcome = await self.connection.resolve_commit(self._token, self.met.hello.unit)
                if isinstance(outcome, NotStored):
                    await self.connection.discard()
        except (LinkError, OSError):  # TimeoutError is one
            if self.is_open and not isinstance(outcome, Stored):
                outcome = Unknown()
        return outcome

    async def held(self) -> dict[str, HeldSetting]:
        """Read what the board holds now, by full key."""
        return held_settings(self.met.schema, await self.connection.values())

    # ----------------------------------------------------------------------------- following

    def listen(self, on_log: Callable[[str], None] | None, known: KnownSecrets) -> None:
        """Let on_log take each line that the board prints, these blanked; None: nobody."""
        self._on_log, self._secrets = on_log, known
        self.connection.listen(on_log, known)

    @property
    def follow_time(self) -> float:
        """Seconds that the board may take to say whether it works (clause 5.3)."""
        return self.met.hello.apply_time / 1000 + _FOLLOW_GRACE

    async def follow(
        self,
        status: Status | None = None,
        *,
        on_status: Callable[[Status], None] = lambda _: None,
        on_trial: Callable[[Status], Awaitable[bool]] | None = None,
    ) -> FollowResult:
        """Look at what the board does with its settings until it says so, or the time is up.

        Arguments:
            status: The one that came with the commit, if any.
            on_status: Told of each status while the board has not said.
            on_trial: Whether a set is kept of which the firmware cannot tell whether it works.
        """
        loop = asyncio.get_running_loop()
        deadline = loop.time() + self.follow_time
        while loop.time() < deadline:
            if status is not None:
                # Not ours: a trial that ended in a set with which this firmware cannot work.
                is_ours = status.generation == self.generation
                went_back = status.store == Store.INCOMPLETE and not is_ours
                if went_back or status.run not in (Run.IDLE, Run.APPLYING):
                    return await self._conclude(status, on_trial)
                on_status(status)
            await asyncio.sleep(_FOLLOW_PAUSE)
            status = await self._look(deadline)
        return FollowResult(Followed.TIMED_OUT, status)

    async def _look(self, deadline: float) -> Status | None:
        """Return the status, None while the board cannot be reached, or is busy restarting."""
        try:
            async with asyncio.timeout_at(deadline):
                return await self.connection.status()
        except (NoReply, BoardRefused, TimeoutError):
            return None
        except LineLost:
            if self._find_again is None:
                raise
        # A board with a native USB port takes its port with it when it restarts.
        try:
            async with asyncio.timeout_at(deadline):
                await self._reconnect()
        except TimeoutError:
            pass
        return None

    async def _conclude(
        self, status: Status, on_trial: Callable[[Status], Awaitable[bool]] | None
    ) -> FollowResult:
        if (
            on_trial is not None
            and (status.run, status.store) == (Run.NOT_REPORTED, Store.TRIAL)
            and await on_trial(status)
        ):
            await self.connection.confirm(status.generation)
        if status.generation != self.generation and not await self._is_still_ours(status):
            return FollowResult(Followed.WENT_BACK, status)
        return FollowResult(Followed.REPORTED, status)

    async def _is_still_ours(self, status: Status) -> bool:
        """Whether a new generation still has the set that was stored: a trial that ended well."""
        if (await self.connection.hello()).token != self._durable:
            return False
        self.generation = status.generation
        return True

    # --------------------------------------------------------------------------- going back

    async def undo(self) -> None:
        """Put the set before the present one in force again. Raises as change_generation()."""
        self.generation = await change_generation(
            self.connection,
            lambda: self.connection.undo(self.generation),
            self.generation,
            self._tell_presence,
        )

    async def look(self) -> None:
        """Meet the board anew: what it holds now is what is gone on from, and followed."""
        hello = await self._meet_again()
        self.met = await read_board(self.connection, hello, known=self.met.schema)
        self.generation, self._durable = hello.generation, hello.token
        self.sent = {}

    async def expect_present_set(self) -> None:
        """Take what is in force now for the set that is followed: after undo()."""
        self._durable = (await self.connection.hello()).token

    # ---------------------------------------------------------------------------- the board

    def _tell_presence(self) -> None:
        self._on_event(Event.PRESENCE)

    async def _meet_again(self) -> Hello:
        """Say hello once more, and find the board again if it is gone."""
        try:
            hello = await self.connection.hello()
        except LineLost:
            if self._find_again is None:
                raise
            self._on_event(Event.GONE)
            hello = await self._reconnect()
        if hello.unit != self.met.hello.unit:
            raise LinkError(phrase("The board on this port is not the one that was asked about."))
        if hello.schema_digest != self.met.hello.schema_digest:
            raise LinkError(phrase("The board's firmware has changed meanwhile: start again."))
        return hello

    async def _reconnect(self) -> Hello:
        assert self._find_again is not None
        found = await self._find_again(self.met.hello.unit)
        lost, self.connection = self.connection, found
        found.listen(self._on_log, self._secrets)
        await lost.close()
        return await found.hello()
