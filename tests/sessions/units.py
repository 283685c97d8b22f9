# SPDX-License-Identifier: MIT
"""The two boards of the project behind one interface, for sessions in virtual time.

Both run the schema of session-board.toml on flash that can lose power or fail in any operation. The
Python board's flash is provision.board.flash, the C stub's tests/c_board/flash.c, which also
knows torn units that read otherwise at every start. Times are milliseconds of the virtual clock.
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from provision.board.engine import Board
from provision.board.flash import (
    Faults,
    Flash,
    FlashError,
    Geometry,
    Operation,
    PowerCut,
    Tear,
    nothing,
    prefix,
)
from provision.board.state import OFFERED, Applied, Identity, Limits, Restarting
from provision.board.store import FlashStore, pack_values, unpack_values
from provision.contract.table import Capability, Reason, Run, Step
from provision.schema.codec import Packed, pack
from provision.schema.model import Schema, Value
from provision.schema_file.load import load_declaration
from tests.c_board import board
from tests.c_board.board import IS_STAGED
from tests.c_board.board import Tear as TearKind

DECLARATION = load_declaration(Path(__file__).with_name("session-board.toml"))
TRIAL_SCHEMA = DECLARATION.schema
PLAIN_SCHEMA = replace(TRIAL_SCHEMA, trial=None)
UNIT_ID = b"mast"
GEOMETRY = Geometry(
    DECLARATION.board.settings_size, DECLARATION.board.erase_unit, DECLARATION.board.program_unit
)
SLOTS = DECLARATION.board.slots


@dataclass(frozen=True, slots=True)
class Configuration:
    """How a board is built. Times in milliseconds."""

    line: int
    credit: int
    commit_time: int
    erase_time: int
    apply_time: int
    receives_while_storing: bool
    trial: bool
    seed: int
    """Of what is random inside the flash."""

    @property
    def schema(self) -> Schema:
        """The board's schema."""
        return TRIAL_SCHEMA if self.trial else PLAIN_SCHEMA


@dataclass(frozen=True, slots=True)
class View:
    """What a test sees of a board that runs."""

    generation: int
    token: bytes | None
    on_trial: bool
    staged: int


class Unit(Protocol):
    """One board, with power or without."""

    configuration: Configuration

    @property
    def dead(self) -> bool:
        """Whether the power went, in an operation of the flash or by switch_off()."""

    @property
    def operations(self) -> int:
        """How many programs and erases were begun, ever."""

    @property
    def applies(self) -> int:
        """How often the firmware was told to put a set into use, or that there is none."""

    @property
    def restarts(self) -> int:
        """How often a host asked for a restart."""

    def start(self, boot: int, now: int) -> None:
        """Give power, or reset; may be dead again when it returns."""

    def receive(self, data: bytes, now: int) -> bytes:
        """Take bytes; return what the board sends."""

    def tick(self, now: int) -> None:
        """Let time pass."""

    def report(self, run: Run) -> None:
        """Report how the firmware gets on."""

    def cut(self, operations: int, size: int, tear: TearKind) -> None:
        """Let the power go in the n-th operation from now on; size: of a torn prefix, bytes."""

    def fail(self, operations: int, count: int) -> None:
        """Let so many operations from the n-th on fail."""

    def switch_off(self) -> None:
        """Take the power away, between operations."""

    def look(self) -> View:
        """Return what is in force."""

    def image(self) -> bytes:
        """Return the settings area as it is read now."""

    def close(self) -> None:
        """Let go of it, and check that the flash's rules were kept."""


def content_of(image: bytes, schema: Schema) -> tuple[Mapping[str, Value], bytes | None]:
    """Return values and token of the set that an image holds, read by the Python store.

    The C stub's slots have the same format: so its RAM is judged by what is durable.
    """
    store = FlashStore(Flash(GEOMETRY, image), SLOTS)
    store.boot(offers_trial=False)  # a copy: that it keeps the set on trial is nobody's affair
    current = store.current
    if not current.is_set:
        return {}, None
    return unpack_values(schema, current.payload).values, current.token


@dataclass(frozen=True, slots=True)
class Past:
    """A set that was stored before the session: token, values, whether still on trial."""

    token: bytes
    values: Mapping[str, Value]
    on_trial: bool


def image_with(past: list[Past], schema: Schema) -> bytes:
    """Return a settings area in which these sets were stored, one after the other."""
    flash = Flash(GEOMETRY)
    store = FlashStore(flash, SLOTS)
    store.boot(offers_trial=True)
    for each in past:
        payload = pack_values(schema, each.values)
        store.commit(payload, each.token, packed(schema).digest, on_trial=each.on_trial)
    return flash.content


_PACKED: dict[bool, Packed] = {}


def packed(schema: Schema) -> Packed:
    """Return the schema as both boards hand it out."""
    with_trial = schema.trial is not None
    if with_trial not in _PACKED:
        _PACKED[with_trial] = pack(schema)
    return _PACKED[with_trial]


# ------------------------------------------------------------------------------------- the Python


class _Doom(Faults):
    """A cut, or failures, a number of operations ahead."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self.begun = 0
        self._cut_at = -1
        self._tear: Tear = nothing
        self._failing = range(0)

    def cut(self, operations: int, size: int, tear: TearKind) -> None:
        self._cut_at = self.begun + operations
        tears: Mapping[TearKind, Tear] = {
            TearKind.NOTHING: nothing,
            TearKind.PREFIX: prefix(size),
            TearKind.SUBSET: self._subset,
            TearKind.ALL_BUT_LAST: lambda before, intended: intended[:-1] + before[-1:],
        }
        self._tear = tears.get(tear, self._subset)

    def fail(self, operations: int, count: int) -> None:
        self._failing = range(self.begun + operations, self.begun + operations + count)

    def changing(self, operation: Operation) -> Tear | None:
        """See Faults."""
        del operation
        number = self.begun
        self.begun += 1
        if number == self._cut_at:
            return self._tear
        if number in self._failing:
            raise FlashError
        return None

    def _subset(self, before: bytes, intended: bytes) -> bytes:
        size = len(before)
        mask = self._random.getrandbits(8 * size)
        old, new = int.from_bytes(before), int.from_bytes(intended)
        return ((old & mask) | (new & ~mask)).to_bytes(size)


class PythonUnit:
    """provision.board.engine on its flash model."""

    def __init__(self, configuration: Configuration, image: bytes) -> None:
        self.configuration = configuration
        self.applies = 0
        self.restarts = 0
        self._doom = _Doom(configuration.seed)
        self._flash = Flash(GEOMETRY, image, self._doom)
        self._off = False
        capabilities = OFFERED
        if not configuration.receives_while_storing:
            capabilities &= ~Capability.RECEIVES_WHILE_STORING
        declared = DECLARATION
        self._board = Board(
            configuration.schema,
            Identity(
                declared.firmware_name, declared.firmware_version, declared.board.name, UNIT_ID
            ),
            FlashStore(self._flash, SLOTS),
            0,
            limits=Limits(
                line=configuration.line,
                credit=configuration.credit,
                commit_time=configuration.commit_time,
                erase_time=configuration.erase_time,
                apply_time=configuration.apply_time,
            ),
            capabilities=capabilities & ~(Capability.SURVEY | Capability.LOCATE),
            packed=packed(configuration.schema),
        )
        self._fresh = True  # it was started in making it

    @property
    def dead(self) -> bool:
        """See Unit."""
        return self._off or not self._flash.powered

    @property
    def operations(self) -> int:
        """See Unit."""
        return self._doom.begun

    def start(self, boot: int, now: int) -> None:
        """See Unit."""
        self._off = False
        if not self._flash.powered:
            self._flash.power_up(self._doom)
        if self._fresh:  # only the boot number is not right yet
            self._fresh = False
            self._board.boot_number = boot
        else:
            try:
                self._board.restart(boot, now)
            except PowerCut:
                return
        self._take_events()

    def receive(self, data: bytes, now: int) -> bytes:
        """See Unit."""
        try:
            replies = self._board.receive(data, now)
        except PowerCut:
            return b""
        self._take_events()
        return replies

    def tick(self, now: int) -> None:
        """See Unit."""
        try:
            self._board.tick(now)
        except PowerCut:
            return
        self._take_events()

    def report(self, run: Run) -> None:
        """See Unit."""
        try:
            self._board.report(run)
        except PowerCut:
            return

    def cut(self, operations: int, size: int, tear: TearKind) -> None:
        """See Unit."""
        self._doom.cut(operations, size, tear)

    def fail(self, operations: int, count: int) -> None:
        """See Unit."""
        self._doom.fail(operations, count)

    def switch_off(self) -> None:
        """See Unit."""
        self._off = True

    def look(self) -> View:
        """See Unit."""
        current = self._board.store.current
        return View(
            current.generation,
            current.token if current.is_set else None,
            current.on_trial,
            len(self._board.staged),
        )

    def image(self) -> bytes:
        """See Unit."""
        return self._flash.content

    def close(self) -> None:
        """See Unit; this flash refuses what breaks its rules by itself."""

    def _take_events(self) -> None:
        for event in self._board.take_events():
            self.applies += isinstance(event, Applied)
            self.restarts += isinstance(event, Restarting)


# ------------------------------------------------------------------------------------------ the C


def build(folder: Path) -> Path:
    """Compile the stub as a board of the sessions into a folder; return the shared object."""
    return board.compile_board(folder, board.generated(DECLARATION, "session-board", folder))


def load(library: Path | str) -> ctypes.CDLL:
    """Load what build() made."""
    return board.load(Path(library))


class CUnit:
    """The compiled stub on its flash model."""

    def __init__(self, configuration: Configuration, image: bytes, library: ctypes.CDLL) -> None:
        self.configuration = configuration
        capabilities = Capability.UNDO
        if configuration.receives_while_storing:
            capabilities |= Capability.RECEIVES_WHILE_STORING
        schema = packed(configuration.schema)
        plain = {} if configuration.schema.trial else {"trial": None, "trial_seconds": 0}
        digest = (ctypes.c_uint8 * 8)(*schema.digest)
        self._stub = board.Stub(
            library,
            DECLARATION,
            image,
            schema=board.schema_of(
                library, "session_board", schema.deflated, digest=digest, **plain
            ),
            line=configuration.line,
            unit=UNIT_ID,
            without=("survey", "locate"),
            seed=configuration.seed,
            credit=configuration.credit,
            commit_time=configuration.commit_time,
            erase_time=configuration.erase_time,
            apply_time=configuration.apply_time,
            capabilities=int(capabilities),
        )
        self._flash = self._stub.flash
        self._earlier_operations = 0

    @property
    def dead(self) -> bool:
        """See Unit."""
        return bool(self._flash.dead)

    @property
    def operations(self) -> int:
        """See Unit."""
        return self._earlier_operations + int(self._flash.operations)

    @property
    def applies(self) -> int:
        """See Unit."""
        return int(self._stub.c.applies)

    @property
    def restarts(self) -> int:
        """See Unit."""
        return int(self._stub.c.restarts)

    def start(self, boot: int, now: int) -> None:
        """See Unit."""
        if self._flash.dead:  # else a reset: the flash has had power all the time
            self._earlier_operations += self._flash.operations
            self._stub.power()
        self._stub.now_ms, self._stub.config.boot_number = now, boot
        result = self._stub.start_anew()
        if result != 0:
            raise RuntimeError(f"pv_start returned {result}.")

    def receive(self, data: bytes, now: int) -> bytes:
        """See Unit."""
        return self._stub.receive(data, now)

    def tick(self, now: int) -> None:
        """See Unit."""
        self._stub.receive(b"", now)

    def report(self, run: Run) -> None:
        """See Unit."""
        self._stub.report(run, Step.REACH, Reason.UNREACHABLE if run is Run.FAILED else Reason.NONE)
        self._stub.poll()

    def cut(self, operations: int, size: int, tear: TearKind) -> None:
        """See Unit."""
        self._stub.cut(self._flash.operations + operations, size, tear)

    def fail(self, operations: int, count: int) -> None:
        """See Unit."""
        first = self._flash.operations + operations
        self._stub.fail(first, first + count)

    def switch_off(self) -> None:
        """See Unit."""
        self._flash.dead = True

    def look(self) -> View:
        """See Unit."""
        stub = self._stub.stub
        states = self._stub.staged.bytes()[: len(self._stub.numbers)]
        return View(
            stub.generation,
            bytes(stub.token) if stub.holds_set else None,
            bool(stub.holds_set and stub.starts_left),
            sum(state & IS_STAGED != 0 for state in states),
        )

    def image(self) -> bytes:
        """See Unit."""
        return self._stub.content

    def close(self) -> None:
        """See Unit."""
        self._stub.check_rules()
