# SPDX-License-Identifier: MIT
"""`provision clean-copy`: a copy of a flash dump without anybody's settings in it."""

from __future__ import annotations

import argparse
import os
import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from google_crc32c import value as crc32c

from provision.author.images import (
    WINDOW,
    Form,
    InputError,
    load_schema,
    open_image,
    parse_address,
    unreadable,
    windows,
)
from provision.schema.declaration import BoardDeclaration

DONE, MISTAKES, USAGE = 0, 1, 2

_ERASED = b"\xff"

# The header of a record (firmware_stub/STORAGE.md): 48 bytes, the last 4 a CRC-32C of the others.
_MAGIC = b"PVR1"
_HEADER_SIZE = 48
_KIND_AT = 12
_SET = 1  # the other kind holds no values
_CRC = struct.Struct("<I")


class OutputError(Exception):
    """The copy cannot be written; one sentence. Nothing was left behind."""


@dataclass(frozen=True, slots=True)
class Area:
    """Where the settings are within a dump, in bytes."""

    start: int
    end: int

    def erased(self, data: bytes, at: int) -> bytes:
        """Return data that stands at an offset of the dump, with the area's bytes erased."""
        first = min(max(self.start - at, 0), len(data))
        after = min(max(self.end - at, 0), len(data))
        return data[:first] + _ERASED * (after - first) + data[after:]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("dump", type=Path, metavar="DUMP", help="raw bytes, read from the flash")
    parser.add_argument(
        "--schema",
        type=Path,
        required=True,
        metavar="FILE",
        help="the firmware's schema file, for where the settings are",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="NEW", help="the copy, which must not exist yet"
    )
    parser.add_argument(
        "--base",
        type=parse_address,
        default=0,
        metavar="ADDRESS",
        help="where in the flash the dump begins, counted from the start of the flash (0)",
    )
    parser.epilog = (
        "Exit code 0: the copy is written and was read back; 1: the dump or the schema file is no"
        " good; 2: the copy cannot be written."
    )


def run(arguments: argparse.Namespace) -> int:
    """Write the copy. Returns the exit code."""
    dump: Path = arguments.dump
    out: Path = arguments.out
    try:
        board = load_schema(arguments.schema).board
        area = find_area(dump, board, arguments.base)
        write_copy(dump, out, area)
    except InputError as error:
        sys.stderr.write(f"{error}\n")
        return MISTAKES
    except OutputError as error:
        sys.stderr.write(f"{error}\n")
        return USAGE
    sys.stdout.write(
        f"{out}: a copy of {dump} with the {area.end - area.start:,} bytes of settings from"
        f" {area.start:#x} on erased, read back and compared.\n"
    )
    return DONE


def find_area(dump: Path, board: BoardDeclaration, base: int) -> Area:
    """Return where the settings are in a dump that begins at an offset of the flash.

    Raises InputError if the dump is none of this board's flash, does not have all of the settings
    area, or has a record of settings elsewhere: the copy would give it away.
    """
    image = open_image(dump)
    if image.form is not Form.RAW:
        raise InputError(f"{dump}: is {image.form.value}; give a dump in raw bytes.")
    size = image.parts[0].size
    if base + size > board.flash_size:
        raise InputError(
            f"{dump}: ends at {base + size:#x}, past the end of the flash of {board.name} at"
            f" {board.flash_size:#x}; give its own dump, and with --base where in the flash it"
            " begins."
        )
    area = Area(board.settings_at - base, board.settings_at - base + board.settings_size)
    if area.start < 0 or area.end > size:
        raise InputError(
            f"{dump}: does not hold the whole settings area, {board.settings_at:#x} to"
            f" {board.settings_at + board.settings_size - 1:#x} of the flash; dump it again, or"
            " give with --base where in the flash it begins."
        )
    at = _record_outside(dump, area)
    if at is not None:
        raise InputError(
            f"{dump}: has a record of settings at byte {at:#x}, outside of the settings area of the"
            " schema file; give the schema file of the firmware that wrote it, and the right"
            " --base."
        )
    return area


def _begins_a_set(header: bytes) -> bool:
    """Return whether this is the header of a set: firmware has its four letters as well, no CRC."""
    is_header = crc32c(header[: -_CRC.size]) == _CRC.unpack(header[-_CRC.size :])[0]
    return is_header and header[_KIND_AT] == _SET


def _record_outside(dump: Path, area: Area) -> int | None:
    """Return where a record of settings begins outside of the area, None if there is none."""
    before = b""
    at = 0  # offset of `before`
    with _reading(dump) as file:
        for window in windows(file):
            data = before + window
            found = data.find(_MAGIC)
            while 0 <= found <= len(data) - _HEADER_SIZE:
                header = data[found : found + _HEADER_SIZE]
                if _begins_a_set(header) and not area.start <= at + found < area.end:
                    return at + found
                found = data.find(_MAGIC, found + 1)
            before = data[-(_HEADER_SIZE - 1) :]
            at += len(data) - len(before)
    return None


def write_copy(dump: Path, out: Path, area: Area) -> None:
    """Write a dump to a new file with an area erased, and compare what was written.

    Raises OutputError if the file is there already or cannot be written, InputError if the dump
    cannot be read. A file that was begun is removed, whatever ends the writing.
    """
    try:
        copy = out.open("xb")  # never over what is there, be it the dump itself
    except FileExistsError:
        raise OutputError(f"{out}: is there already; name a new file.") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise _unwritable(out, error) from None
    try:
        try:
            with copy:
                for data in _expected(dump, area):
                    copy.write(data)
                copy.flush()
                os.fsync(copy.fileno())  # a full or failing disk may say so only now
            _compare(dump, out, area)
        except OSError as error:
            raise _unwritable(out, error) from None
    except BaseException:
        out.unlink(missing_ok=True)
        raise


def _compare(dump: Path, out: Path, area: Area) -> None:
    with out.open("rb") as copy:
        for data in _expected(dump, area):
            if copy.read(len(data)) != data:
                raise OutputError(f"{out}: reads back wrong, and was removed; try elsewhere.")
        if copy.read(1):
            raise OutputError(f"{out}: reads back longer, and was removed; try elsewhere.")


def _expected(dump: Path, area: Area) -> Iterator[bytes]:
    """Yield what the copy must hold, WINDOW bytes at a time."""
    at = 0
    with _reading(dump) as file:
        while True:
            try:
                data = file.read(WINDOW)
            except OSError as error:
                raise unreadable(dump, error) from None
            if not data:
                break
            yield area.erased(data, at)
            at += len(data)
    if at < area.end:
        raise InputError(f"{dump}: has become shorter while it was read; run the command again.")


def _reading(dump: Path) -> BinaryIO:
    try:
        return dump.open("rb")
    except OSError as error:
        raise unreadable(dump, error) from None


def _unwritable(out: Path, error: OSError | ValueError) -> OutputError:
    reason = getattr(error, "strerror", None) or "it has no proper name"
    return OutputError(f"{out}: cannot be written ({reason}); nothing was left there.")
