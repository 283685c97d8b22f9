# SPDX-License-Identifier: MIT
"""Every board of the project behind one interface: bytes in, bytes out, and a clock set by hand."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from provision.board.engine import Board
from provision.board.flash import Flash, Geometry
from provision.board.state import Identity, Limits, Network
from provision.board.store import FlashStore
from provision.contract.table import MAX_BODY, Capability, Reason, Run, Security, Step
from provision.schema.codec import Packed
from provision.schema.declaration import Declaration
from provision.schema_file.load import read_declaration
from tests.c_board import board as c_board
from tests.vectors.files import FOLDER, Row, document, row

ROOT = Path(__file__).parents[2]

# Longer than anything that a conversation waits for with a person present.
_PRESENCE_MS = 1000


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


def build(schema: str, folder: Path) -> ctypes.CDLL:
    """Compile the stub with the generated code of a vectors' schema file; return it, loaded."""
    return c_board.build(folder, c_board.generated(declaration(schema), "vector-board", folder))


def without(capabilities: Capability) -> list[str]:
    """Return the callbacks of a stub that does not offer more than this."""
    optional = (Capability.RESTART, Capability.SURVEY, Capability.LOCATE)
    return [str(each.name).lower() for each in optional if each not in capabilities]


class CBoard:
    """firmware_stub with generated code, compiled as a shared object."""

    def __init__(self, name: str, libraries: Mapping[str, ctypes.CDLL]) -> None:
        self._libraries = libraries
        self._create(name, None)
        self.restart(configuration(name)["boot"])

    def _create(self, name: str, content: bytes | None) -> None:
        """Make the board of a firmware, on flash with this content."""
        board = configuration(name)
        library = self._libraries[board["schema"]]
        deflated = bytes.fromhex(row("schemas", board["schema"])["bytes"])
        self._stub = c_board.Stub(
            library,
            declaration(board["schema"]),
            content,
            schema=c_board.schema_of(library, "vector_board", deflated),
            line=board["line"],
            unit=bytes.fromhex(board["unit"]),
            presence="presence" in board["capabilities"],
            without=without(offered(board)),
            credit=board["credit"],
            commit_time=board["commit-time"],
            erase_time=board["erase-time"],
            apply_time=board["apply-time"],
            listens=board["listens"] or 0,
            capabilities=int(offered(board)),
        )

    def receive(self, data: bytes) -> bytes:
        """See VectorBoard."""
        return self._stub.receive(data)

    def wait(self, ms: int) -> bytes:
        """See VectorBoard."""
        self._stub.now_ms += ms
        return self._stub.poll()

    def restart(self, boot: int) -> None:
        """See VectorBoard."""
        self._stub.power()
        self._stub.config.boot_number = boot
        assert self._stub.start_anew() == 0

    def update(self, name: str, boot: int) -> None:
        """See VectorBoard."""
        self.close()
        self._create(name, self._stub.content)
        self.restart(boot)

    def report(self, report: Row) -> None:
        """See VectorBoard."""
        if "address" in report:
            self._stub.report_address(bytes.fromhex(report["address"]))
        self._stub.report(
            Run[code_name(report["run"])],
            Step[code_name(report["step"])],
            Reason[code_name(report["reason"])],
            self._stub.numbers[report["field"]] if "field" in report else c_board.NO_FIELD,
        )
        self.wait(0)

    def present(self, *, is_present: bool) -> None:
        """See VectorBoard."""
        self._stub.c.present = is_present

    def found(self, networks: Sequence[tuple[str, int, str]], *, done: bool) -> None:
        """See VectorBoard."""
        seen = [
            (bytes.fromhex(name), signal, Security[code_name(security)])
            for name, signal, security in networks
        ]
        self._stub.found(seen, done=done)

    def close(self) -> None:
        """See VectorBoard."""
        self._stub.check_rules()


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
