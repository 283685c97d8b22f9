# SPDX-License-Identifier: MIT
"""The C stub, compiled and driven through ctypes: any schema of the model becomes its descriptors.

The structs mirror firmware_stub/include/pv.h; the compiler's sizes are compared with theirs. Memory
that the stub must not touch lies around every buffer, and is looked at after every step.
"""

from __future__ import annotations

import ctypes as c
import functools
import subprocess
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from provision.board.flash import Flash, FlashError
from provision.contract.table import Capability, Kind
from provision.schema.capacity import largest_payload, number_limits
from provision.schema.codec import pack
from provision.schema.constraints import key_beside
from provision.schema.declaration import Declaration
from provision.schema.migration import older_keys, tag
from provision.schema.model import Field, Setting, Value
from tests.waiting import LONG

STUB = Path(__file__).parents[2] / "firmware_stub"
WARNINGS = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror"]
# Undefined behaviour ends the test run: nothing goes on behind it.
UNDEFINED = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]

GUARD = b"\xa5" * 32
NO_FIELD = 0xFFFF
TEXT_KINDS = frozenset(
    {Kind.TEXT, Kind.SECRET, Kind.PASSPHRASE, Kind.HOST, Kind.URL, Kind.TIME_ZONE}
)
BYTE_KINDS = frozenset({Kind.NETWORK_NAME, Kind.IP, Kind.HEX, Kind.BLOB})

REQUIRED, SECRET, SHARES, HAS_DEFAULT = 1, 2, 4, 8
IS_SET, IS_ACTIVE, FELL_BACK, IN_FORCE, IS_STAGED, IS_CLEARED = 1, 2, 4, 8, 16, 32


class CCondition(c.Structure):
    """pv_condition."""

    _fields_ = (
        ("field", c.c_uint16),
        ("count", c.c_uint8),
        ("values", c.POINTER(c.c_int32)),
    )


class CField(c.Structure):
    """pv_field."""

    _fields_ = (
        ("key", c.c_char_p),
        ("was", c.POINTER(c.c_char_p)),
        ("kind", c.c_void_p),
        ("condition", c.POINTER(CCondition)),
        ("names", c.POINTER(c.c_char_p)),
        ("minimum", c.c_int32),
        ("maximum", c.c_int32),
        ("tag", c.c_uint32),
        ("offset", c.c_uint16),
        ("network", c.c_int16),
        ("instance", c.c_uint8),
        ("flags", c.c_uint8),
        ("detail", c.c_uint8),
    )


class CPin(c.Structure):
    """pv_pin."""

    _fields_ = (("number", c.c_uint8), ("abilities", c.c_uint8), ("taken", c.c_bool))


class CSchema(c.Structure):
    """pv_schema."""

    _fields_ = (
        ("stub_version", c.c_uint16),
        ("field_count", c.c_uint16),
        ("firmware", c.c_char_p),
        ("firmware_version", c.c_char_p),
        ("board", c.c_char_p),
        ("fields", c.POINTER(CField)),
        ("pins", c.POINTER(CPin)),
        ("defaults", c.c_void_p),
        ("deflated", c.c_char_p),
        ("deflated_size", c.c_uint32),
        ("settings_size", c.c_uint32),
        ("largest_payload", c.c_uint32),
        ("trial_seconds", c.c_uint16),
        ("pin_count", c.c_uint8),
        ("digest", c.c_uint8 * 8),
    )


READ = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_uint32, c.c_void_p, c.c_size_t)
ERASE = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_uint32)


class CFlash(c.Structure):
    """pv_flash."""

    _fields_ = (
        ("erase_unit", c.c_uint32),
        ("program_unit", c.c_uint16),
        ("slot_count", c.c_uint8),
        ("slot_size", c.c_uint32),
        ("read", READ),
        ("program", READ),
        ("erase", ERASE),
    )


class CNetwork(c.Structure):
    """pv_network."""

    _fields_ = (
        ("name", c.c_uint8 * 32),
        ("length", c.c_uint8),
        ("signal", c.c_int8),
        ("security", c.c_uint8),
    )


DONE = c.CFUNCTYPE(None, c.c_void_p)
COUNT = c.CFUNCTYPE(c.c_uint8, c.c_void_p, c.POINTER(c.c_bool))
GET = c.CFUNCTYPE(None, c.c_void_p, c.c_uint8, c.POINTER(CNetwork))
WRITE = c.CFUNCTYPE(None, c.c_void_p, c.c_void_p, c.c_size_t)
CLOCK = c.CFUNCTYPE(c.c_uint32, c.c_void_p)
PRESENT = c.CFUNCTYPE(c.c_bool, c.c_void_p)


class CSurvey(c.Structure):
    """pv_survey."""

    _fields_ = (("start", DONE), ("count", COUNT), ("get", GET))


class CConfig(c.Structure):
    """pv_config."""

    _fields_ = (
        ("schema", c.POINTER(CSchema)),
        ("flash", c.POINTER(CFlash)),
        ("context", c.c_void_p),
        ("settings", c.c_void_p),
        ("staged", c.c_void_p),
        ("line", c.c_void_p),
        ("line_size", c.c_uint16),
        ("unit", c.c_void_p),
        ("credit", c.c_uint16),
        ("commit_time", c.c_uint16),
        ("erase_time", c.c_uint16),
        ("apply_time", c.c_uint32),
        ("listens", c.c_uint32),
        ("capabilities", c.c_uint16),
        ("unit_id", c.c_char_p),
        ("unit_id_size", c.c_uint8),
        ("boot_number", c.c_uint32),
        ("write", WRITE),
        ("clock", CLOCK),
        ("apply", DONE),
        ("restart", DONE),
        ("present", PRESENT),
        ("locate", DONE),
        ("survey", c.POINTER(CSurvey)),
    )


MIRRORS = (CField, CCondition, CPin, CSchema, CFlash, CConfig, CNetwork, CSurvey)


class CSink(c.Structure):
    """pv_sink."""


TAKE = c.CFUNCTYPE(None, c.POINTER(CSink), c.c_void_p, c.c_size_t)
CSink._fields_ = [("take", TAKE)]


class CReader(c.Structure):
    """pv_reader."""


READER = c.CFUNCTYPE(c.c_bool, c.POINTER(CReader), c.c_void_p, c.c_uint32)
CReader._fields_ = [
    ("read", READER),
    ("memory", c.c_void_p),
    ("left", c.c_uint32),
    ("failed", c.c_bool),
]


def build(folder: Path, *more: Path, options: Sequence[str] = (*UNDEFINED, "-O1", "-g")) -> c.CDLL:
    """Compile the stub, with more sources, into a shared object in the folder and load it."""
    library = folder / "stub.so"
    sources = [*sorted((STUB / "src").glob("*.c")), Path(__file__).with_name("sizes.c"), *more]
    include = [f"-I{STUB / 'include'}", f"-I{STUB / 'src'}"]
    how = [*WARNINGS, *options, "-fPIC", "-shared", *include]
    subprocess.run(["gcc", *how, *map(str, sources), "-o", str(library)], check=True, timeout=LONG)
    stub = c.CDLL(str(library))
    sizes = (c.c_uint32 * (1 + len(MIRRORS))).in_dll(stub, "test_sizes")
    assert list(sizes)[1:] == [c.sizeof(mirror) for mirror in MIRRORS]
    stub.pv_feed.restype = c.c_size_t
    stub.pv_feed.argtypes = [c.c_void_p, c.c_char_p, c.c_size_t]
    stub.pv_poll.argtypes = [c.c_void_p]
    stub.pv_start.argtypes = [c.c_void_p, c.POINTER(CConfig)]
    stub.pv_report_field.argtypes = [c.c_void_p, c.c_uint8, c.c_uint8, c.c_uint8, c.c_uint16]
    stub.pv_report_address.argtypes = [c.c_void_p, c.c_char_p, c.c_uint8]
    stub.pv_has.argtypes = [c.c_void_p, c.c_uint16]
    stub.pv_has.restype = c.c_bool
    stub.pv_store_state.argtypes = [c.c_void_p]
    stub.pv_store_state.restype = c.c_uint8
    stub.pv_crc.argtypes = [c.c_uint32, c.c_char_p, c.c_size_t]
    stub.pv_crc.restype = c.c_uint32
    stub.pv_is_item.argtypes = [c.c_char_p, c.c_size_t]
    stub.pv_is_item.restype = c.c_bool
    stub.pv_put_head.argtypes = [c.POINTER(CSink), c.c_uint8, c.c_uint32]
    stub.pv_put_int.argtypes = [c.POINTER(CSink), c.c_int32]
    field: list[Any] = [c.POINTER(CSchema), c.POINTER(CField)]
    stub.pv_decode_value.argtypes = [*field, c.POINTER(CReader), c.c_void_p]
    stub.pv_decode_value.restype = c.c_uint8
    stub.pv_check_bytes.argtypes = [*field, c.c_char_p, c.c_size_t]
    stub.pv_check_bytes.restype = c.c_uint8
    stub.pv_encode_value.argtypes = [c.POINTER(CSink), c.POINTER(CField), c.c_void_p]
    return stub


class Guarded:
    """Memory of so many bytes between two guards."""

    def __init__(self, size: int) -> None:
        # Of uint64, so that what lies behind the first guard is aligned for any member.
        self._all = (c.c_uint64 * (-(-(size + 2 * len(GUARD)) // 8)))()
        self.size = size
        self.address = c.addressof(self._all) + len(GUARD)
        c.memmove(self.address - len(GUARD), GUARD, len(GUARD))
        c.memmove(self.address + size, GUARD, len(GUARD))

    def whole(self) -> bool:
        """Whether nothing was written outside."""
        before = c.string_at(self.address - len(GUARD), len(GUARD))
        return before == GUARD == c.string_at(self.address + self.size, len(GUARD))

    def bytes(self) -> bytes:
        """What is in it."""
        return c.string_at(self.address, self.size)


# Deflating takes longer than most tests.
_packed = functools.cache(pack)


def names(texts: Iterable[str]) -> Any:
    """Return an array of C strings, ended by NULL."""
    encoded = [text.encode() for text in texts]
    return (c.c_char_p * (len(encoded) + 1))(*encoded, None)


class CDescriptors:
    """A declaration as the generated code would have it: data of the C stub."""

    def __init__(self, stub: c.CDLL, declaration: Declaration) -> None:
        self._stub = stub
        self._keep: list[Any] = []
        self._instances: dict[tuple[str, int], int] = {}
        schema = declaration.schema
        self.model = schema
        self.numbers = {setting.key: setting.number for setting in schema.settings}
        self.fields = (CField * len(schema.settings))()
        size = len(schema.settings)
        for setting in schema.settings:
            size = self._place(setting, size)
        self.settings_size = -(-size // 4) * 4
        self.defaults = Guarded(self.settings_size)
        for setting in schema.settings:
            default = schema.default_in_force(setting.field)
            if default is not None:
                self._write_default(setting, default)
        packed = _packed(schema)
        self.pins = (CPin * len(schema.pins))(
            *(CPin(pin.number, pin.abilities, pin.taken is not None) for pin in schema.pins)
        )
        self.schema = CSchema(
            1,
            len(schema.settings),
            declaration.firmware_name.encode(),
            declaration.firmware_version.encode(),
            declaration.board.name.encode(),
            self.fields,
            self.pins,
            self.defaults.address,
            packed.deflated,
            len(packed.deflated),
            self.settings_size,
            largest_payload(schema),
            schema.trial or 0,
            len(schema.pins),
            (c.c_uint8 * 8)(*packed.digest),
        )

    def _place(self, setting: Setting, offset: int) -> int:
        """Describe a field; return the offset behind its member."""
        field, section = setting.field, setting.section
        least, most = number_limits(field)
        width, alignment = 4, 4
        if field.kind in TEXT_KINDS:
            width, alignment = most + 1, 1
        elif field.kind in BYTE_KINDS:
            width, alignment = most + 2, 2
        elif field.kind in {Kind.YES_NO, Kind.CHOICE}:
            width = alignment = 1
        offset = -(-offset // alignment) * alignment
        to = self.fields[setting.number]
        to.key = setting.key.encode()
        to.kind = c.addressof(c.c_uint8.in_dll(self._stub, kind_symbol(field.kind)))
        to.minimum, to.maximum, to.tag, to.offset = least, most, tag(field), offset
        to.flags = (
            REQUIRED * self.model.needs_value(field)
            + SECRET * field.secret
            + SHARES * field.shares
            + HAS_DEFAULT * (self.model.default_in_force(field) is not None)
        )
        to.detail = detail(field)
        to.network = -1
        if field.network is not None:
            to.network = self.numbers[key_beside(setting, field.network)]
        repeat, instance = section.repeat, setting.instance
        if repeat is not None and instance is not None and instance > repeat.least:
            at = (section.key, instance)
            to.instance = self._instances.setdefault(at, len(self._instances) + 1)
        if older := older_keys(setting):
            to.was = self._kept(names(older))
        if field.options or field.schemes:
            to.names = self._kept(names([o.key for o in field.options] or field.schemes))
        if field.condition is not None:
            number = self.numbers[key_beside(setting, field.condition.base_key)]
            on = self.model.settings[number].field
            values = [_number(on, value) for value in field.condition.values]
            array = self._kept((c.c_int32 * max(1, len(values)))(*values))
            to.condition = c.pointer(self._kept(CCondition(number, len(values), array)))
        return offset + width

    def _kept(self, thing: Any) -> Any:
        self._keep.append(thing)
        return thing

    def _write_default(self, setting: Setting, value: Value) -> None:
        address = self.defaults.address + self.fields[setting.number].offset
        field = setting.field
        if field.kind in TEXT_KINDS:
            assert isinstance(value, str)
            c.memmove(address, value.encode() + b"\0", len(value.encode()) + 1)
        elif field.kind in BYTE_KINDS:
            assert isinstance(value, bytes)
            c.c_uint16.from_address(address).value = len(value)
            c.memmove(address + 2, value, len(value))
        elif field.kind in {Kind.YES_NO, Kind.CHOICE}:
            c.c_uint8.from_address(address).value = _number(field, value)
        else:
            c.c_int32.from_address(address).value = _number(field, value)


def _number(field: Field, value: Value) -> int:
    if field.kind is Kind.CHOICE:
        return [option.key for option in field.options].index(str(value))
    assert isinstance(value, int)
    return int(value)


def kind_symbol(kind: Kind) -> str:
    """Return the name of a kind's object in C."""
    return f"pv_kind_{kind.name.lower()}"


def detail(field: Field) -> int:
    """Return what pv_field.detail says: it depends on the kind."""
    if field.kind is Kind.PIN:
        return int(field.needs)
    return field.families if field.kind is Kind.IP else int(field.characters)


class Stub:
    """A board that runs the C stub on a flash of the Python board."""

    def __init__(
        self,
        library: c.CDLL,
        declaration: Declaration,
        flash: Flash,
        *,
        unit: bytes = b"\x01",
        boot_number: int = 1,
        body_limit: int = 655,
        credit: int = 2048,
        listens: int = 0,
        presence: bool = False,
        capabilities: Capability = Capability.UNDO | Capability.RECEIVES_WHILE_STORING,
    ) -> None:
        self.library = library
        self.descriptors = CDescriptors(library, declaration)
        self.flash = flash
        self.now_ms = 0
        self.present = False
        self.sent = bytearray()
        self.applied = self.restarts = self.located = self.scans = 0
        self.networks: list[tuple[bytes, int, int]] = []
        self.scan_done = False
        sizes = (c.c_uint32 * 1).in_dll(library, "test_sizes")
        self.state, self.line = Guarded(sizes[0]), Guarded(body_limit + 8)
        self.settings = Guarded(self.descriptors.settings_size)
        self.staged = Guarded(self.descriptors.settings_size)
        board = declaration.board
        self.unit = Guarded(board.program_unit)
        self._callbacks = self._make_callbacks()
        made = self._callbacks
        self._flash = CFlash(
            board.erase_unit,
            board.program_unit,
            board.slots,
            board.slot_size,
            made["read"],
            made["program"],
            made["erase"],
        )
        self._survey = CSurvey(made["start"], made["count"], made["get"])
        self.config = CConfig(
            schema=c.pointer(self.descriptors.schema),
            flash=c.pointer(self._flash),
            settings=self.settings.address,
            staged=self.staged.address,
            line=self.line.address,
            line_size=self.line.size,
            unit=self.unit.address,
            credit=credit,
            commit_time=1000,
            erase_time=2000,
            apply_time=10_000,
            listens=listens,
            capabilities=int(capabilities),
            unit_id=unit,
            unit_id_size=len(unit),
            boot_number=boot_number,
            write=made["write"],
            clock=made["clock"],
            apply=made["apply"],
            restart=made["restart"],
            locate=made["locate"],
            survey=c.pointer(self._survey),
        )
        if presence:
            self.config.present = made["present"]

    def start(self) -> int:
        """pv_start."""
        return int(self.library.pv_start(self.state.address, c.byref(self.config)))

    def feed(self, data: bytes) -> int:
        """pv_feed: return how many bytes it took."""
        return int(self.library.pv_feed(self.state.address, data, len(data)))

    def poll(self) -> bytes:
        """pv_poll: return what it sent."""
        self.library.pv_poll(self.state.address)
        guarded = (self.state, self.line, self.settings, self.staged, self.unit)
        assert all(memory.whole() for memory in guarded), "written outside of a buffer"
        sent, self.sent = bytes(self.sent), bytearray()
        return sent

    def receive(self, data: bytes, now_ms: int | None = None) -> bytes:
        """Feed and poll until all is taken; return the replies."""
        self.now_ms = self.now_ms if now_ms is None else now_ms
        sent = self.poll()
        while data:
            data = data[self.feed(data) :]
            sent += self.poll()
        return sent

    def report(self, run: int, step: int = 0, reason: int = 0, field: int = NO_FIELD) -> None:
        """pv_report_field."""
        self.library.pv_report_field(self.state.address, run, step, reason, field)

    def flags(self, key: str) -> int:
        """The state flags of a field in the settings struct."""
        return self.settings.bytes()[self.descriptors.numbers[key]]

    def has(self, key: str) -> bool:
        """pv_has."""
        return bool(self.library.pv_has(self.state.address, self.descriptors.numbers[key]))

    def _make_callbacks(self) -> dict[str, Any]:
        def write(_: object, data: int, size: int) -> None:
            self.sent += c.string_at(data, size)

        def get(_: object, index: int, to: Any) -> None:
            name, to.contents.signal, to.contents.security = self.networks[index]
            to.contents.length = len(name)
            to.contents.name[: len(name)] = name

        def count(_: object, done: Any) -> int:
            done[0] = self.scan_done
            return len(self.networks)

        def start(_: object) -> None:
            self.scans += 1
            self.networks, self.scan_done = [], False

        def bump(name: str) -> Callable[[object], None]:
            return lambda _: setattr(self, name, getattr(self, name) + 1)

        return {
            "read": READ(lambda _, at, to, size: self._read(at, to, size)),
            "program": READ(lambda _, at, data, size: self._program(at, c.string_at(data, size))),
            "erase": ERASE(lambda _, at: self._erase(at)),
            "write": WRITE(write),
            "clock": CLOCK(lambda _: self.now_ms & 0xFFFFFFFF),
            "apply": DONE(bump("applied")),
            "restart": DONE(bump("restarts")),
            "locate": DONE(bump("located")),
            "present": PRESENT(lambda _: self.present),
            "start": DONE(start),
            "count": COUNT(count),
            "get": GET(get),
        }

    def _read(self, at: int, to: int, size: int) -> int:
        try:
            c.memmove(to, self.flash.read(at, size), size)
        except FlashError:
            return -1
        return 0

    def _program(self, at: int, data: bytes) -> int:
        try:
            self.flash.program(at, data)
        except FlashError:
            return -1
        return 0

    def _erase(self, at: int) -> int:
        try:
            self.flash.erase(at)
        except FlashError:
            return -1
        return 0
