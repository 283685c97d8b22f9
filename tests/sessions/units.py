# SPDX-License-Identifier: MIT
"""The two boards of the project behind one interface, for sessions in virtual time.

Both run the schema of session-board.toml on flash that can lose power or fail in any operation. The
Python board's flash is provision.board.flash, the C stub's tests/stub/flash_model.c, which also
knows torn units that read otherwise at every start. Times are milliseconds of the virtual clock.
"""

from __future__ import annotations

import ctypes
import random
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import cache
from pathlib import Path
from typing import Protocol

from provision.author.c_code import generate
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
from provision.contract.table import Capability, Run
from provision.schema.codec import Packed, pack
from provision.schema.model import Schema, Value
from provision.schema_file.load import load_declaration
from tests.waiting import LONG

ROOT = Path(__file__).parents[2]
STUB = ROOT / "firmware_stub"
WARNINGS = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror"]

DECLARATION = load_declaration(Path(__file__).with_name("session-board.toml"))
TRIAL_SCHEMA = DECLARATION.schema
PLAIN_SCHEMA = replace(TRIAL_SCHEMA, trial=None)
UNIT_ID = b"mast"
GEOMETRY = Geometry(
    DECLARATION.board.settings_size, DECLARATION.board.erase_unit, DECLARATION.board.program_unit
)
SLOTS = DECLARATION.board.slots

_OUTPUT = 65536  # as in session_unit.c


class TearKind(IntEnum):
    """What a cut leaves of a unit; the numbers are those of flash_model.h."""

    NOTHING = 0
    PREFIX = 1
    SUBSET = 2
    ALL_BUT_LAST = 3
    UNSTABLE = 4
    """Another reading at every start; only the C stub's flash model has it, and the next."""

    ECC = 5


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


class _Options(ctypes.Structure):
    """unit_options of session_unit.c."""

    _fields_ = (
        ("line", ctypes.c_uint16),
        ("credit", ctypes.c_uint16),
        ("commit_time", ctypes.c_uint16),
        ("erase_time", ctypes.c_uint16),
        ("capabilities", ctypes.c_uint16),
        ("trial", ctypes.c_uint16),
        ("apply_time", ctypes.c_uint32),
        ("seed", ctypes.c_uint32),
        ("unit_id", ctypes.c_uint8 * 4),
        ("digest", ctypes.c_uint8 * 8),
        ("deflated_size", ctypes.c_uint32),
        ("deflated", ctypes.c_char_p),
        ("image", ctypes.c_char_p),
    )


class _View(ctypes.Structure):
    """unit_view of session_unit.c."""

    _fields_ = (
        ("generation", ctypes.c_uint32),
        ("operations", ctypes.c_uint32),
        ("broken_rules", ctypes.c_uint32),
        ("applies", ctypes.c_uint32),
        ("restarts", ctypes.c_uint32),
        ("holds_set", ctypes.c_uint8),
        ("on_trial", ctypes.c_uint8),
        ("dead", ctypes.c_uint8),
        ("staged", ctypes.c_uint8),
        ("token", ctypes.c_uint8 * 8),
    )


def build(folder: Path) -> Path:
    """Compile the stub as a board of the sessions into a folder; return the shared object.

    Undefined behaviour ends the run: nothing goes on behind it.
    """
    for name, text in generate(DECLARATION, "session-board").items():
        (folder / name).write_text(text, encoding="utf-8")
    here, model = Path(__file__).parent, ROOT / "tests" / "stub"
    sources = [
        here / "session_unit.c",
        model / "flash_model.c",
        folder / "session_board.c",
        *sorted((STUB / "src").glob("*.c")),
    ]
    target = folder / "session_unit.so"
    traps = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]
    command = ["gcc", *WARNINGS, "-O2", "-g", *traps, "-shared", "-fPIC"]
    command += [f"-I{each}" for each in (STUB / "include", model, folder)]
    done = subprocess.run(
        [*command, "-o", str(target), *map(str, sources)],
        capture_output=True,
        text=True,
        check=False,
        timeout=LONG,
    )
    if done.returncode != 0:
        raise RuntimeError(f"The stub does not compile:\n{done.stderr}")
    return target


@cache
def load(target: Path) -> ctypes.CDLL:
    """Load what build() made."""
    library = ctypes.CDLL(str(target))
    unit, u32, size = ctypes.c_void_p, ctypes.c_uint32, ctypes.c_size_t
    signatures: dict[str, tuple[object, list[object]]] = {
        "create": (unit, [ctypes.POINTER(_Options)]),
        "start": (ctypes.c_int, [unit, u32, u32]),
        "destroy": (None, [unit]),
        "receive": (None, [unit, ctypes.c_char_p, size, u32]),
        "tick": (None, [unit, u32]),
        "report": (None, [unit, ctypes.c_uint8]),
        "cut": (None, [unit, u32, u32, u32]),
        "fail": (None, [unit, u32, u32]),
        "switch_off": (None, [unit]),
        "look": (None, [unit, ctypes.POINTER(_View)]),
        "output": (size, [unit, ctypes.c_char_p]),
        "image": (None, [unit, ctypes.c_char_p]),
    }
    for name, (result, arguments) in signatures.items():
        function = getattr(library, f"unit_{name}")
        function.restype = result
        function.argtypes = arguments
    return library


class CUnit:
    """The compiled stub on its flash model."""

    def __init__(self, configuration: Configuration, image: bytes, library: ctypes.CDLL) -> None:
        self.configuration = configuration
        capabilities = Capability.UNDO
        if configuration.receives_while_storing:
            capabilities |= Capability.RECEIVES_WHILE_STORING
        schema = packed(configuration.schema)
        options = _Options(
            line=configuration.line,
            credit=configuration.credit,
            commit_time=configuration.commit_time,
            erase_time=configuration.erase_time,
            capabilities=int(capabilities),
            trial=configuration.schema.trial or 0,
            apply_time=configuration.apply_time,
            seed=configuration.seed,
            unit_id=(ctypes.c_uint8 * 4)(*UNIT_ID),
            digest=(ctypes.c_uint8 * 8)(*schema.digest),
            deflated_size=len(schema.deflated),
            deflated=schema.deflated,
            image=image,
        )
        self._library = library
        self._deflated = schema.deflated  # kept: the board points into it
        self._buffer = ctypes.create_string_buffer(_OUTPUT)
        self._unit = library.unit_create(ctypes.byref(options))
        self._view = _View()
        self._earlier_operations = 0

    @property
    def dead(self) -> bool:
        """See Unit."""
        return bool(self._seen().dead)

    @property
    def operations(self) -> int:
        """See Unit."""
        return self._earlier_operations + int(self._seen().operations)

    @property
    def applies(self) -> int:
        """See Unit."""
        return int(self._seen().applies)

    @property
    def restarts(self) -> int:
        """See Unit."""
        return int(self._seen().restarts)

    def start(self, boot: int, now: int) -> None:
        """See Unit."""
        seen = self._seen()
        if seen.dead:  # the model counts from zero when the power comes back
            self._earlier_operations += seen.operations
        result = self._library.unit_start(self._unit, boot, now)
        if result != 0:
            raise RuntimeError(f"pv_start returned {result}.")

    def receive(self, data: bytes, now: int) -> bytes:
        """See Unit."""
        self._library.unit_receive(self._unit, data, len(data), now)
        size = self._library.unit_output(self._unit, self._buffer)
        return ctypes.string_at(self._buffer, size)

    def tick(self, now: int) -> None:
        """See Unit."""
        self._library.unit_tick(self._unit, now)

    def report(self, run: Run) -> None:
        """See Unit."""
        self._library.unit_report(self._unit, run)

    def cut(self, operations: int, size: int, tear: TearKind) -> None:
        """See Unit."""
        self._library.unit_cut(self._unit, operations, size, tear)

    def fail(self, operations: int, count: int) -> None:
        """See Unit."""
        self._library.unit_fail(self._unit, operations, count)

    def switch_off(self) -> None:
        """See Unit."""
        self._library.unit_switch_off(self._unit)

    def look(self) -> View:
        """See Unit."""
        seen = self._seen()
        token = bytes(seen.token) if seen.holds_set else None
        return View(seen.generation, token, bool(seen.on_trial), seen.staged)

    def image(self) -> bytes:
        """See Unit."""
        self._library.unit_image(self._unit, self._buffer)
        return ctypes.string_at(self._buffer, GEOMETRY.size)

    def close(self) -> None:
        """See Unit."""
        broken = self._seen().broken_rules
        self._library.unit_destroy(self._unit)
        if broken:
            raise AssertionError(f"{broken} operations broke the rules of the flash")

    def _seen(self) -> _View:
        self._library.unit_look(self._unit, ctypes.byref(self._view))
        return self._view
