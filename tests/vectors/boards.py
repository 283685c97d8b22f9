# SPDX-License-Identifier: MIT
"""Every board of the project behind one interface: bytes in, bytes out, and a clock set by hand."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from provision.author.c_code import generate
from provision.board.engine import Board
from provision.board.flash import Flash, Geometry
from provision.board.state import Identity, Limits, Network
from provision.board.store import FlashStore
from provision.contract.table import MAX_BODY, Capability, Reason, Run, Security, Step
from provision.schema.codec import Packed
from provision.schema.declaration import Declaration
from provision.schema_file.load import read_declaration
from tests.vectors.files import FOLDER, Row, document, row
from tests.waiting import LONG

ROOT = Path(__file__).parents[2]
STUB = ROOT / "firmware_stub"
WARNINGS = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror"]

# Longer than anything that a conversation waits for with a person present.
_PRESENCE_MS = 1000
_OUTPUT = 65536


class VectorBoard(Protocol):
    """A board of the vectors, switched on."""

    def receive(self, data: bytes) -> bytes:
        """Take bytes; return what the board sends."""

    def wait(self, ms: int) -> bytes:
        """Let time pass; return what the board sends, which should be nothing."""

    def restart(self, boot: int) -> None:
        """Take the power away and give it back; the boot number comes from the vector."""

    def update(self, name: str, boot: int) -> None:
        """Start another firmware, of another board of the vectors, on what is stored."""

    def report(self, report: Row) -> None:
        """Report what the firmware would."""

    def present(self, *, is_present: bool) -> None:
        """Press the button, or let the time for it pass."""

    def found(self, networks: Sequence[tuple[str, int, str]], *, done: bool) -> None:
        """Find networks: name in hexadecimal, signal, security; the scan ends, or goes on."""

    def close(self) -> None:
        """Switch the board off, and check what can be checked only then."""


def declaration(name: str) -> Declaration:
    """Read a schema file of the vectors."""
    path = FOLDER / f"{name}.toml"
    return read_declaration(path.read_text(encoding="utf-8"), path.name)


def configuration(name: str) -> Row:
    """Return a board's configuration, of conversations.json."""
    board: Row = document("conversations")["boards"][name]
    return board


def offered(board: Row) -> Capability:
    """Return the capabilities of a configuration."""
    names = (each.upper().replace("-", "_") for each in board["capabilities"])
    return Capability(sum(Capability[name] for name in names))


class PythonBoard:
    """provision.board.engine on flash in memory."""

    def __init__(self, name: str) -> None:
        declared = declaration(configuration(name)["schema"])
        geometry = Geometry(
            declared.board.settings_size, declared.board.erase_unit, declared.board.program_unit
        )
        self._flash = Flash(geometry)
        self._now = 0
        self._start(name, configuration(name)["boot"])

    def _start(self, name: str, boot: int) -> None:
        board = configuration(name)
        declared = declaration(board["schema"])
        schema = row("schemas", board["schema"])
        deflated = bytes.fromhex(schema["bytes"])
        self._board = Board(
            declared.schema,
            Identity(
                board["firmware"],
                board["firmware-version"],
                board["board"],
                bytes.fromhex(board["unit"]),
            ),
            FlashStore(self._flash, declared.board.slots),
            boot,
            limits=Limits(
                line=board["line"],
                credit=board["credit"],
                commit_time=board["commit-time"],
                erase_time=board["erase-time"],
                apply_time=board["apply-time"],
                listens=board["listens"],
                presence=_PRESENCE_MS if "presence" in board["capabilities"] else None,
            ),
            capabilities=offered(board),
            packed=Packed(deflated, len(deflated) - 5, bytes.fromhex(schema["digest"])),
            now_ms=self._now,
        )

    def receive(self, data: bytes) -> bytes:
        """See VectorBoard."""
        return self._board.receive(data, self._now)

    def wait(self, ms: int) -> bytes:
        """See VectorBoard."""
        self._now += ms
        self._board.tick(self._now)
        return b""

    def restart(self, boot: int) -> None:
        """See VectorBoard."""
        self._board.restart(boot, self._now)

    def update(self, name: str, boot: int) -> None:
        """See VectorBoard."""
        self._start(name, boot)

    def report(self, report: Row) -> None:
        """See VectorBoard."""
        self._board.report(
            Run[code_name(report["run"])],
            Step[code_name(report["step"])],
            Reason[code_name(report["reason"])],
            report.get("field"),
            bytes.fromhex(report["address"]) if "address" in report else None,
        )

    def present(self, *, is_present: bool) -> None:
        """See VectorBoard."""
        if is_present:
            self._board.show_presence()
        else:
            self.wait(_PRESENCE_MS)

    def found(self, networks: Sequence[tuple[str, int, str]], *, done: bool) -> None:
        """See VectorBoard."""
        seen = [
            Network(bytes.fromhex(name), signal, Security[code_name(security)])
            for name, signal, security in networks
        ]
        self._board.found(seen, done=done)

    def close(self) -> None:
        """See VectorBoard; the flash refuses what breaks its rules by itself."""


def code_name(code: str) -> str:
    """Return how the table of codes in Python has a code's name."""
    return code.upper().replace("-", "_")


class _Options(ctypes.Structure):
    """board_options of c_board.c."""

    _fields_ = (
        ("boot_number", ctypes.c_uint32),
        ("apply_time", ctypes.c_uint32),
        ("line", ctypes.c_uint16),
        ("credit", ctypes.c_uint16),
        ("commit_time", ctypes.c_uint16),
        ("erase_time", ctypes.c_uint16),
        ("capabilities", ctypes.c_uint16),
        ("restarts", ctypes.c_uint8),
        ("surveys", ctypes.c_uint8),
        ("locates", ctypes.c_uint8),
        ("wants_presence", ctypes.c_uint8),
        ("unit_id_size", ctypes.c_uint8),
        ("unit_id", ctypes.c_uint8 * 16),
        ("listens", ctypes.c_uint32),
        ("deflated_size", ctypes.c_uint32),
        ("deflated", ctypes.c_char_p),
    )


def build(schema: str, folder: Path) -> ctypes.CDLL:
    """Compile the stub with the generated code of a vectors' schema file; return it, loaded.

    Undefined behaviour ends the test run: nothing goes on behind it.
    """
    for name, text in generate(declaration(schema), "vector-board").items():
        (folder / name).write_text(text)
    sources = [
        Path(__file__).with_name("c_board.c"),
        folder / "vector_board.c",
        *sorted((STUB / "src").glob("*.c")),
    ]
    target = folder / "board.so"
    traps = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]
    command = ["gcc", *WARNINGS, "-O1", "-g", *traps, "-shared", "-fPIC"]
    command += [f"-I{STUB / 'include'}", f"-I{folder}", "-o", str(target), *map(str, sources)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=LONG)
    assert done.returncode == 0, done.stderr
    library = ctypes.CDLL(str(target))
    board = ctypes.c_void_p
    signatures: dict[str, tuple[object, list[object]]] = {
        "create": (board, [ctypes.POINTER(_Options), ctypes.POINTER(ctypes.c_int)]),
        "start": (ctypes.c_int, [board, ctypes.c_uint32]),
        "destroy": (None, [board]),
        "receive": (None, [board, ctypes.c_char_p, ctypes.c_size_t]),
        "advance": (None, [board, ctypes.c_uint32]),
        "report": (
            ctypes.c_int,
            [board, ctypes.c_uint8, ctypes.c_uint8, ctypes.c_uint8, ctypes.c_char_p],
        ),
        "report_address": (None, [board, ctypes.c_char_p, ctypes.c_uint8]),
        "present": (None, [board, ctypes.c_int]),
        "found": (
            None,
            [board, ctypes.c_char_p, ctypes.c_uint8, ctypes.c_int8, ctypes.c_uint8],
        ),
        "scan_done": (None, [board]),
        "output": (ctypes.c_size_t, [board, ctypes.c_char_p]),
        "flash": (ctypes.c_size_t, [board, ctypes.c_char_p]),
        "load_flash": (None, [board, ctypes.c_char_p]),
        "broken_rules": (ctypes.c_uint32, [board]),
        "restarts": (ctypes.c_uint32, [board]),
    }
    for name, (result, arguments) in signatures.items():
        function = getattr(library, f"board_{name}")
        function.restype = result
        function.argtypes = arguments
    return library


class CBoard:
    """firmware_stub with generated code, compiled as a shared object."""

    def __init__(self, name: str, libraries: Mapping[str, ctypes.CDLL]) -> None:
        self._libraries = libraries
        self._buffer = ctypes.create_string_buffer(_OUTPUT)
        self._create(name, configuration(name)["boot"])

    def _create(self, name: str, boot: int) -> None:
        """Start a board's firmware on a fresh flash."""
        board = configuration(name)
        library = self._libraries[board["schema"]]
        capabilities = offered(board)
        # Kept: the board points into these bytes.
        self._deflated = bytes.fromhex(row("schemas", board["schema"])["bytes"])
        unit = bytes.fromhex(board["unit"])
        options = _Options(
            boot_number=boot,
            apply_time=board["apply-time"],
            line=board["line"],
            credit=board["credit"],
            commit_time=board["commit-time"],
            erase_time=board["erase-time"],
            capabilities=int(capabilities),
            restarts=Capability.RESTART in capabilities,
            surveys=Capability.SURVEY in capabilities,
            locates=Capability.LOCATE in capabilities,
            listens=board["listens"] or 0,
            wants_presence=Capability.PRESENCE in capabilities,
            unit_id_size=len(unit),
            unit_id=(ctypes.c_uint8 * 16)(*unit),
            deflated_size=len(self._deflated),
            deflated=self._deflated,
        )
        self._library = library
        result = ctypes.c_int(-99)
        self._board = library.board_create(ctypes.byref(options), ctypes.byref(result))
        assert self._board
        assert result.value == 0

    def receive(self, data: bytes) -> bytes:
        """See VectorBoard."""
        self._library.board_receive(self._board, data, len(data))
        return self._output()

    def _output(self) -> bytes:
        size = self._library.board_output(self._board, self._buffer)
        return self._buffer.raw[:size]

    def wait(self, ms: int) -> bytes:
        """See VectorBoard."""
        self._library.board_advance(self._board, ms)
        return self._output()

    def restart(self, boot: int) -> None:
        """See VectorBoard."""
        assert self._library.board_start(self._board, boot) == 0

    def update(self, name: str, boot: int) -> None:
        """See VectorBoard."""
        size = self._library.board_flash(self._board, self._buffer)
        flash = self._buffer.raw[:size]
        self.close()
        self._create(name, boot)
        self._library.board_load_flash(self._board, flash)
        self.restart(boot)

    def report(self, report: Row) -> None:
        """See VectorBoard."""
        address = bytes.fromhex(report.get("address", ""))
        if address:
            self._library.board_report_address(self._board, address, len(address))
        key = report["field"].encode() if "field" in report else None
        codes = (
            Run[code_name(report["run"])],
            Step[code_name(report["step"])],
            Reason[code_name(report["reason"])],
        )
        assert self._library.board_report(self._board, *map(int, codes), key) == 1
        self.wait(0)

    def present(self, *, is_present: bool) -> None:
        """See VectorBoard."""
        self._library.board_present(self._board, is_present)

    def found(self, networks: Sequence[tuple[str, int, str]], *, done: bool) -> None:
        """See VectorBoard."""
        for name, signal, security in networks:
            octets, code = bytes.fromhex(name), int(Security[code_name(security)])
            self._library.board_found(self._board, octets, len(octets), signal, code)
        if done:
            self._library.board_scan_done(self._board)

    def close(self) -> None:
        """See VectorBoard."""
        assert self._library.board_broken_rules(self._board) == 0
        self._library.board_destroy(self._board)


@dataclass(frozen=True, slots=True)
class Maker:
    """Makes boards of one implementation; make: of the configuration of a name."""

    make: Callable[[str], VectorBoard]

    def board(self, name: str = "vector") -> VectorBoard:
        """Return a board in the configuration of this name, fresh from the factory."""
        return self.make(name)

    def board_with_line(self, limit: int) -> VectorBoard:
        """Return a board that receives lines up to this BODY, in characters."""
        return self.board("vector" if limit == MAX_BODY else "small")
