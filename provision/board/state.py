# SPDX-License-Identifier: MIT
"""What a board is between two requests: its stored and staged sets, the trial, the time.

Numbers in brackets are clauses of shared/protocol.md. Time is in milliseconds from any start. What
is secret never shows in a repr.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from provision.board.staging import Staging
from provision.board.store import DecodedSet, FlashStore, StorageError, unpack_values
from provision.contract.table import (
    LINE_OVERHEAD,
    MAX_BODY,
    STAGED_LIFETIME_MS,
    Capability,
    MessageType,
    Reason,
    Run,
    Security,
    Step,
    Store,
)
from provision.schema.constraints import active, defect, in_force
from provision.schema.model import Schema, Value

OFFERED = (
    Capability.UNDO
    | Capability.TRIAL
    | Capability.SURVEY
    | Capability.LOCATE
    | Capability.RESTART
    | Capability.ERASE
    | Capability.RECEIVES_WHILE_STORING
)
"""What a board offers unless told otherwise."""

_MOST_NETWORKS_IN_SCAN = 255


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the board is: texts as hello gives them, and the unit id of 1 to 16 bytes."""

    firmware: str
    firmware_version: str
    board: str
    unit: bytes


@dataclass(frozen=True, slots=True)
class Limits:
    """What the board announces in hello [6.1]: characters, bytes, milliseconds."""

    line: int = MAX_BODY
    credit: int = 2048
    commit_time: int = 1000
    erase_time: int = 2000
    apply_time: int = 10_000
    listens: int | None = None
    """How long it listens after each start; None: for as long as it runs."""

    presence: int | None = None
    """How long a person counts as present [5.5]; None: presence is not demanded."""

    def __post_init__(self) -> None:
        if self.credit < self.line + LINE_OVERHEAD:
            raise ValueError(
                f"A credit of {self.credit} bytes is less than one line, {self.line} + 11."
            )


@dataclass(frozen=True, slots=True)
class Network:
    """A wireless network in range: its name in octets, its signal in dBm."""

    name: bytes
    signal: int
    security: Security


@dataclass(frozen=True, slots=True)
class Applied:
    """A complete set came into force: put these values, of the active fields, into use."""

    values: Mapping[str, Value] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Waiting:
    """No complete set is in force: wait for one."""


@dataclass(frozen=True, slots=True)
class Erased:
    """All that was set is gone: forget it, and wait."""


@dataclass(frozen=True, slots=True)
class Restarting:
    """Restart the firmware once the reply is out; the board takes nothing more until then."""


@dataclass(frozen=True, slots=True)
class Located:
    """Show yourself for about five seconds."""


@dataclass(frozen=True, slots=True)
class SurveyStarted:
    """Look for networks in range, and give them to Board.found()."""


FirmwareEvent = Applied | Waiting | Erased | Restarting | Located | SurveyStarted


@dataclass(frozen=True, slots=True)
class RunReport:
    """How the firmware gets on with the set in force [6.6]."""

    run: Run
    step: Step | None = None  # None: the firmware has not reported yet
    reason: Reason = Reason.NONE
    field: str | None = None
    address: bytes | None = None


@dataclass(slots=True)
class Scan:
    """The newest scan of the networks in range [6.8]."""

    number: int = 0
    """0: there was none yet."""

    done: bool = True
    networks: list[Network] = field(default_factory=list)


class BoardState:
    """A board that is switched on, without its conversation."""

    def __init__(
        self,
        schema: Schema,
        store: FlashStore,
        boot_number: int,
        *,
        limits: Limits | None,
        capabilities: Capability,
        now_ms: int,
    ) -> None:
        """Of the capabilities, those stay that store, schema and limits admit; see Board."""
        self.schema = schema
        self.store = store
        self.limits = limits or Limits()
        self.capabilities = capabilities & ~Capability.PRESENCE
        if store.slot_count < 3:
            self.capabilities &= ~(Capability.UNDO | Capability.TRIAL)
        if schema.trial is None:
            self.capabilities &= ~Capability.TRIAL
        if self.limits.presence is not None:
            self.capabilities |= Capability.PRESENCE
        self._report = RunReport(Run.IDLE)
        self.restart(boot_number, now_ms)

    def restart(self, boot_number: int, now_ms: int) -> None:
        """Start the firmware (again): memory is empty, the store is read and mended."""
        self.boot_number = boot_number
        self._now = self._started = self._answered = now_ms
        self._staging = Staging(self.schema)
        self._scan = Scan()
        self._events: list[FirmwareEvent] = []
        self._present_until = now_ms
        self._brought: tuple[MessageType, int, int] | None = None
        self.store.boot(offers_trial=Capability.TRIAL in self.capabilities)
        self._come_into_force()

    def tick(self, now_ms: int) -> None:
        """Let time pass: staged values are dropped [5.1], a trial ends [5.4]."""
        self._now = now_ms
        if now_ms - self._answered >= STAGED_LIFETIME_MS:
            self._staging.forget()
        if self.store.current.on_trial and now_ms >= self._trial_ends:
            self._end_trial()

    def take_events(self) -> list[FirmwareEvent]:
        """Return what the firmware has to do, each event once."""
        events, self._events = self._events, []
        return events

    def report(
        self,
        run: Run,
        step: Step = Step.NONE,
        reason: Reason = Reason.NONE,
        field: str | None = None,
        address: bytes | None = None,
    ) -> None:
        """Say how the firmware gets on with the set in force; proven ends a trial well.

        field: full key of the field at fault. address: of 4 or 16 bytes; None: as reported before.
        """
        self._report = RunReport(run, step, reason, field, address or self._report.address)
        if run is Run.PROVEN and self.store.current.on_trial:
            self._keep_trial()

    def show_presence(self) -> None:
        """A person pressed the button."""
        self._present_until = self._now + (self.limits.presence or 0)

    def found(self, networks: Iterable[Network], *, done: bool) -> None:
        """Add networks to the scan that runs; `done`: it has ended."""
        self._scan.networks += networks
        del self._scan.networks[_MOST_NETWORKS_IN_SCAN:]
        self._scan.done = done

    @property
    def stored(self) -> Mapping[str, Value]:
        """Full key to value of what is stored and passes this schema's checks."""
        return self._stored.values

    @property
    def staged(self) -> Mapping[str, Value | None]:
        """Full key to value of what is completely staged; None: to be cleared."""
        return self._staging.values

    @property
    def generation(self) -> int:
        """The generation in force [5.2]."""
        return self.store.current.generation

    @property
    def store_state(self) -> Store:
        """What is stored [5.1]; a set on trial counts as that, whether complete or not."""
        if not self.store.current.is_set:
            return Store.EMPTY
        if self.store.current.on_trial:
            return Store.TRIAL
        return Store.COMPLETE if self._defect is None else Store.INCOMPLETE

    def _presence_suffices(self) -> bool:
        return (
            Capability.PRESENCE not in self.capabilities
            or self.store_state is Store.EMPTY
            or self._now < self._present_until
        )

    def _listens(self) -> int | None:
        """Return for how long the board goes on listening; None: for as long as it runs."""
        if self.limits.listens is None:
            return None
        return max(0, self._started + self.limits.listens - self._now)

    def _serves(self, payload: bytes) -> bool:
        return defect(self.schema, unpack_values(self.schema, payload).values) is None

    def _come_into_force(self, erased: Erased | None = None) -> None:
        """Take up the record in force, which is new, and tell the firmware."""
        current = self.store.current
        self._stored = (
            unpack_values(self.schema, current.payload) if current.is_set else DecodedSet()
        )
        self._defect = defect(self.schema, self.stored)
        self._trial_ends = self._now + 1000 * (self.schema.trial or 0)
        if current.is_set and self._defect is None:
            values = in_force(self.schema, self.stored)
            is_active = active(self.schema, self.stored)
            self._report = RunReport(Run.APPLYING)
            self._events.append(
                Applied({key: value for key, value in values.items() if key in is_active})
            )
        else:
            self._report = RunReport(Run.IDLE)
            self._events.append(erased or Waiting())

    def _end_trial(self) -> None:
        """Its time is over: keep the set if it was proven, else put the older one in force."""
        if self._report.run is Run.PROVEN:  # and could not be stored as confirmed
            self._keep_trial()
            return
        try:
            self.store.end_trial()
        except StorageError:
            self._extend_trial()
        else:
            self._come_into_force()

    def _keep_trial(self) -> None:
        try:
            self.store.confirm()
        except StorageError:
            self._extend_trial()

    def _extend_trial(self) -> None:
        """What could not be written is tried again in a while: each time wears the flash."""
        self._trial_ends = self._now + 1000 * (self.schema.trial or 0)
