# SPDX-License-Identifier: MIT
"""Set up a board over its serial cable from a program.

    import provision

    with provision.connect("/dev/ttyACM0") as board:
        print(board.schema.title, board.values["network.name"])
        done = board.store({"network.name": "Orchard Gate", "network.passphrase": "blossom frost"})
        print(done.outcome, done.run, done.address)

connect_async() is the same for programs with an event loop. Every error is a ProvisionError: its
text is for a person, in English unless a Catalogue says it; its `code` and `parameters` are for the
program.

Modules are imported only when they are used, the serial library included.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from provision.catalogue import Catalogue
    from provision.client.board import (
        SET,
        UNSET,
        AsyncBoard,
        Board,
        Done,
        FoundBoard,
        Mark,
        connect,
        connect_async,
        find_boards,
    )
    from provision.client.board_client import Event
    from provision.client.changes import ValueFault, ValuesError
    from provision.client.changing import ErasedUnseen, OutcomeUnknown, StillHeld
    from provision.errors import ProvisionError
    from provision.link.errors import (
        BoardFault,
        BoardRefused,
        LineLost,
        LinkError,
        NoReply,
        OtherReader,
        PortBusy,
        PortForbidden,
        PortMissing,
        Silent,
        SpeaksElse,
        WrongVersion,
    )
    from provision.schema.codec import SchemaError
    from provision.schema.model import Schema, Setting
    from provision.schema_file.load import load_schema
    from provision.schema_file.reader import FileMistakes
    from provision.testing.boards import VirtualBoard

    __version__: str

__all__ = [
    "SET",
    "UNSET",
    "AsyncBoard",
    "Board",
    "BoardFault",
    "BoardRefused",
    "Catalogue",
    "Done",
    "ErasedUnseen",
    "Event",
    "FileMistakes",
    "FoundBoard",
    "LineLost",
    "LinkError",
    "Mark",
    "NoReply",
    "OtherReader",
    "OutcomeUnknown",
    "PortBusy",
    "PortForbidden",
    "PortMissing",
    "ProvisionError",
    "Schema",
    "SchemaError",
    "Setting",
    "Silent",
    "SpeaksElse",
    "StillHeld",
    "ValueFault",
    "ValuesError",
    "VirtualBoard",
    "WrongVersion",
    "__version__",
    "connect",
    "connect_async",
    "find_boards",
    "load_schema",
]

_HOMES = {
    "provision.catalogue": {"Catalogue"},
    "provision.client.board_client": {"Event"},
    "provision.client.changes": {"ValueFault", "ValuesError"},
    "provision.client.changing": {"ErasedUnseen", "OutcomeUnknown", "StillHeld"},
    "provision.errors": {"ProvisionError"},
    "provision.schema_file.load": {"load_schema"},
    "provision.schema_file.reader": {"FileMistakes"},
    "provision.schema.model": {"Schema", "Setting"},
    "provision.schema.codec": {"SchemaError"},
    "provision.testing.boards": {"VirtualBoard"},
    "provision.link.errors": {
        *("BoardFault", "BoardRefused", "LineLost", "LinkError", "NoReply", "OtherReader"),
        *("PortBusy", "PortForbidden", "PortMissing", "Silent", "SpeaksElse", "WrongVersion"),
    },
}
_MAIN = "provision.client.board"  # has the rest


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'provision' has no attribute {name!r}")
    if name == "__version__":
        from importlib.metadata import version  # noqa: PLC0415 - takes time

        return version("provision-over-serial")
    home = next((home for home, names in _HOMES.items() if name in names), _MAIN)
    found = globals()[name] = getattr(import_module(home), name)
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
