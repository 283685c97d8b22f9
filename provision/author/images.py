# SPDX-License-Identifier: MIT
"""Firmware images as their tools write them: which bytes go to which addresses.

    image = open_image(Path("gate.uf2"))
    for part in image.parts:
        for data in image.content(part):
            ...

The format is found by what is in the file: raw bytes, Intel HEX, Motorola S-records, ELF, or UF2.
Files are read record by record, and only where each contiguous part begins is kept, so that an
image may be larger than memory. Records are decoded, and their checksums checked, by bincopy; ELF
headers by pyelftools; UF2 here, by its specification (https://github.com/microsoft/uf2).
"""

from __future__ import annotations

import argparse
import os
import re
import stat
import struct
from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from itertools import islice
from pathlib import Path
from typing import BinaryIO

from provision import toml
from provision.extras import of_authors
from provision.schema.declaration import Declaration
from provision.schema_file.load import FileMistakes, load_declaration

WINDOW = 1 << 20
"""Bytes that are held of a file at a time."""

MAX_PARTS = 100_000
"""Parts that are not contiguous in the order of the file; no linker writes as many."""


class InputError(Exception):
    """A file that was given cannot be used; one sentence says which, why and what to do."""


class Form(Enum):
    """How a file says which bytes go where."""

    RAW = "raw bytes"
    INTEL_HEX = "Intel HEX"
    S_RECORD = "S-records"
    ELF = "ELF"
    UF2 = "UF2"


# common practice
_NAMED = {
    ".bin": Form.RAW,
    ".raw": Form.RAW,
    ".img": Form.RAW,
    ".hex": Form.INTEL_HEX,
    ".ihex": Form.INTEL_HEX,
    ".ihx": Form.INTEL_HEX,
    ".srec": Form.S_RECORD,
    ".s19": Form.S_RECORD,
    ".s28": Form.S_RECORD,
    ".s37": Form.S_RECORD,
    ".mot": Form.S_RECORD,
    ".elf": Form.ELF,
    ".axf": Form.ELF,
    ".uf2": Form.UF2,
}


@dataclass(frozen=True, slots=True)
class Part:
    """Contiguous bytes of an image; `offset` is where their first record stands in the file."""

    address: int
    size: int
    offset: int

    @property
    def end(self) -> int:
        """The address after the last byte."""
        return self.address + self.size


@dataclass(frozen=True, slots=True)
class Image:
    """One image file; its parts in the order of the file."""

    path: Path
    form: Form
    parts: tuple[Part, ...]
    family: int | None = None
    """Of UF2 blocks: the family that was asked for."""

    @property
    def start(self) -> int:
        """The lowest address."""
        return min(part.address for part in self.parts)

    @property
    def end(self) -> int:
        """The address after the highest."""
        return max(part.end for part in self.parts)

    @property
    def gaps(self) -> int:
        """Bytes between the lowest and the highest address that no part covers."""
        gaps, reached = 0, self.start
        for part in sorted(self.parts, key=lambda part: part.address):
            gaps += max(part.address - reached, 0)
            reached = max(part.end, reached)
        return gaps

    def content(self, part: Part) -> Iterator[bytes]:
        """Yield the bytes of a part, in pieces. Raises InputError if the file has changed."""
        left = part.size
        with _opened(self.path) as file:
            for data in self._pieces(file, part):
                if len(data) > left:
                    break
                yield data
                left -= len(data)
                if left == 0:
                    return
        raise InputError(f"{self.path}: has changed while it was read; run the command again.")

    def _pieces(self, file: BinaryIO, part: Part) -> Iterator[bytes]:
        file.seek(part.offset)
        if self.form in _RECORDS:
            for record in _records(self.form, self.path, file, self.family):
                yield record.data
            return
        left = part.size
        while left and (data := file.read(min(left, WINDOW))):
            yield data
            left -= len(data)


def open_image(
    path: Path, address: int | None = None, *, family: int | None = None, mixed: bool = False
) -> Image:
    """Look through an image file.

    Args:
        path: the file.
        address: where a raw file starts, by default 0; for a file that has addresses of its own
            it must be the lowest of them.
        family: which UF2 blocks to take, by the number of the family of microcontrollers.
        mixed: whether UF2 blocks for several families may be taken together.

    Raises InputError if the file cannot be read, is empty, is cut short or damaged, or is of
    another format than its name says.
    """
    try:
        with _opened(path) as file:
            form = _form(file)
            named = _NAMED.get(path.suffix.casefold(), form)
            if named is not form:
                raise InputError(
                    f"{path}: is named as {named.value}, and its content is {form.value};"
                    " rename it, or give the file that was meant."
                )
            parts = tuple(_parts(form, path, file, address or 0, family, mixed=mixed))
    except OSError as error:
        raise unreadable(path, error) from None
    if not parts:
        raise InputError(f"{path}: holds no byte for any address; give a linked firmware.")
    image = Image(path, form, parts, family)
    if form is not Form.RAW and address not in (None, image.start):
        raise InputError(
            f"{path}: has addresses of its own, from {image.start:#x}; leave out @{address:#x}."
        )
    return image


def unreadable(path: Path, error: OSError) -> InputError:
    """Return what to raise for a file that the system does not read."""
    return InputError(f"{path}: cannot be read ({error.strerror}).")


def regular_size(path: Path) -> int:
    """Return the size of a file in bytes. Raises InputError if there is none, or it is no file."""
    try:
        found = path.stat()
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = getattr(error, "strerror", None) or "it has no proper name"
        raise InputError(f"{path}: cannot be read ({reason}).") from None
    if not stat.S_ISREG(found.st_mode):
        raise InputError(f"{path}: is no file; give an image that is one.")
    if found.st_size == 0:
        raise InputError(f"{path}: is empty; make the image again.")
    return found.st_size


def windows(file: BinaryIO) -> Iterator[bytes]:
    """Yield the rest of a file, WINDOW bytes at a time."""
    while data := file.read(WINDOW):
        yield data


def load_schema(path: Path) -> Declaration:
    """Return what a schema file declares. Raises InputError, with a line for each mistake."""
    try:
        return load_declaration(path)
    except FileMistakes as mistakes:
        if any(mistake.where == "format" for mistake in mistakes.mistakes):
            format_version = toml.loads(path.read_text(encoding="utf-8-sig")).get("format")
            if isinstance(format_version, int) and format_version > 1:
                raise InputError(
                    f"{path.name}: is of format {format_version}, newer than what this version"
                    " reads; install a newer one."
                ) from None
        raise InputError(str(mistakes)) from None


# ------------------------------------------------------------------------------- the command line

_ADDRESS = re.compile(
    r"(?:0x(?P<hex>[0-9a-f_]+)|0o(?P<oct>[0-7_]+)|0b(?P<bin>[01_]+)|(?P<dec>[0-9_]+))"
    r" *(?P<unit>kib|mib)?",
    re.IGNORECASE,
)
_BASES = {"hex": 16, "oct": 8, "bin": 2, "dec": 10}
_UNITS = {None: 1, "kib": 1 << 10, "mib": 1 << 20}


def parse_address(text: str) -> int:
    """Read an address: 0x1000, 0b1000, 4096, 64KiB, 1 MiB. For argparse; raises its error."""
    match = _ADDRESS.fullmatch(text) if len(text) <= 80 else None
    if match is not None:
        kind = next(kind for kind in _BASES if match[kind])
        unit = match["unit"]
        try:
            value = int(match[kind], _BASES[kind]) * _UNITS[unit and unit.casefold()]
        except ValueError:  # underscores that part no digits
            value = -1
        if 0 <= value < 1 << 64:
            return value
    raise argparse.ArgumentTypeError(
        f"{text!r} is no address; write it as in 0x10000, 65536, 0b1000, 64KiB or 1MiB"
    )


# ------------------------------------------------------------------------------------ the formats


def _opened(path: Path) -> BinaryIO:
    regular_size(path)  # a pipe would let open() wait for ever
    try:
        return path.open("rb")
    except OSError as error:
        raise unreadable(path, error) from None


_INTEL_HEX = re.compile(rb":[0-9A-Fa-f]{10,520}")
_S_RECORD = re.compile(rb"S[0-9][0-9A-Fa-f]{6,512}")
_LONGEST_LINE = 1 + 2 * (5 + 255) + 64  # a record with 255 bytes of data, and room for blanks


def _form(file: BinaryIO) -> Form:
    head = file.read(_LONGEST_LINE)
    file.seek(0)
    if head.startswith(b"\x7fELF"):
        return Form.ELF
    if head.startswith(_UF2_START):
        return Form.UF2
    first = (head.split(maxsplit=1) or [b""])[0]
    if _INTEL_HEX.fullmatch(first):
        return Form.INTEL_HEX
    if _S_RECORD.fullmatch(first):
        return Form.S_RECORD
    return Form.RAW


def _parts(
    form: Form, path: Path, file: BinaryIO, start: int, family: int | None, *, mixed: bool
) -> Iterator[Part]:
    if form is Form.RAW:
        yield Part(start, os.fstat(file.fileno()).st_size, 0)
    elif form is Form.ELF:
        yield from _elf_parts(path, file)
    else:
        families: set[int | None] = set()
        yield from _joined(path, _seen(families, _records(form, path, file, family)))
        if len(families) > 1 and not mixed:
            shown = ", ".join(sorted("none" if each is None else f"{each:#x}" for each in families))
            raise InputError(
                f"{path}: is for several families of microcontrollers ({shown}); choose one with"
                " --uf2-family."
            )


@dataclass(frozen=True, slots=True)
class _Record:
    """The data of one record, and where the record begins in the file."""

    offset: int
    address: int
    data: bytes
    family: int | None = None


def _seen(families: set[int | None], records: Iterator[_Record]) -> Iterator[_Record]:
    for record in records:
        families.add(record.family)
        yield record


def _joined(path: Path, records: Iterator[_Record]) -> Iterator[Part]:
    """Yield a part for every run of records that follow one another without a gap."""
    part: Part | None = None
    count = 0
    for record in records:
        if part is not None and record.address == part.end:
            part = Part(part.address, part.size + len(record.data), part.offset)
            continue
        if part is not None:
            yield part
        count += 1
        if count > MAX_PARTS:
            raise InputError(f"{path}: is in more than {MAX_PARTS:,} parts; link it into fewer.")
        part = Part(record.address, len(record.data), record.offset)
    if part is not None:
        yield part


def _records(form: Form, path: Path, file: BinaryIO, family: int | None) -> Iterator[_Record]:
    """Yield the records that hold data, from where the file stands."""
    for record in _RECORDS[form](path, file):
        if record.data and (family is None or record.family == family):
            yield record


@dataclass(frozen=True, slots=True)
class _Line:
    """One line of a file of records: where it begins, and its number from where reading began."""

    offset: int
    number: int
    text: str


def _lines(path: Path, file: BinaryIO, form: Form, pattern: re.Pattern[bytes]) -> Iterator[_Line]:
    number = 0
    offset = file.tell()
    while line := file.readline(_LONGEST_LINE):
        number += 1
        text = line.strip()
        if text:
            if not pattern.fullmatch(text):
                raise _damaged(path, number, f"is no record of {form.value}")
            yield _Line(offset, number, text.decode("ascii"))
        offset += len(line)


def _damaged(path: Path, number: int, what: str) -> InputError:
    return InputError(
        f"{path}: line {number:,} {what}, so the file is cut short or damaged; make it again."
    )


def _cut_short(path: Path, why: str) -> InputError:
    return InputError(f"{path}: is cut short: {why}; make the image again.")


def _after_the_end(path: Path, line: _Line) -> InputError:
    return InputError(
        f"{path}: goes on in line {line.number:,} after its end record; give the files that were"
        " joined one by one."
    )


def _intel_hex(path: Path, file: BinaryIO) -> Iterator[_Record]:
    """Yield the data of Intel HEX records (Intel, Hexadecimal Object File Format, 1988)."""
    with of_authors("bincopy", f"to read Intel HEX ({path})"):
        import bincopy  # noqa: PLC0415 - takes time

    base = 0
    ended = False
    for line in _lines(path, file, Form.INTEL_HEX, _INTEL_HEX):
        if ended:
            raise _after_the_end(path, line)
        try:
            kind, low, _, data = bincopy.unpack_ihex(line.text)
        except (bincopy.Error, ValueError):
            raise _damaged(path, line.number, "has a wrong length or checksum") from None
        if kind == bincopy.IHEX_DATA:
            yield _Record(line.offset, base + low, bytes(data))
        elif kind == bincopy.IHEX_END_OF_FILE:
            ended = True
        elif kind in (
            bincopy.IHEX_EXTENDED_SEGMENT_ADDRESS,
            bincopy.IHEX_EXTENDED_LINEAR_ADDRESS,
        ):
            if len(data) != 2:
                raise _damaged(path, line.number, "has an address of the wrong length")
            shift = 4 if kind == bincopy.IHEX_EXTENDED_SEGMENT_ADDRESS else 16
            base = int.from_bytes(data, "big") << shift
        elif kind not in (
            bincopy.IHEX_START_SEGMENT_ADDRESS,
            bincopy.IHEX_START_LINEAR_ADDRESS,
        ):
            raise _damaged(path, line.number, "has a type that Intel HEX does not have")
    if not ended:
        raise _cut_short(path, "it has no end record")


def _s_records(path: Path, file: BinaryIO) -> Iterator[_Record]:
    """Yield the data of Motorola S-records (as in the manual page srec(5)).

    A count of the records shows as well as an end record that all are there; some tools write only
    the one or the other.
    """
    with of_authors("bincopy", f"to read S-records ({path})"):
        import bincopy  # noqa: PLC0415 - takes time

    ended = counted = False
    count = 0
    for line in _lines(path, file, Form.S_RECORD, _S_RECORD):
        if ended:
            raise _after_the_end(path, line)
        try:
            kind, address_or_count, size, data = bincopy.unpack_srec(line.text)
        except (bincopy.Error, ValueError):
            raise _damaged(path, line.number, "has a wrong length, type or checksum") from None
        if size < 0 or len(line.text) < _LEAST_S_RECORD[kind]:
            raise _damaged(path, line.number, "is too short for its address")
        if kind in "123":
            count += 1
            yield _Record(line.offset, address_or_count, bytes(data))
        elif kind in "56":
            counted = True
            if address_or_count != count:
                raise _cut_short(path, f"it counts {address_or_count:,} records, and has {count:,}")
        elif kind in "789":
            ended = True
    if not (ended or counted):
        raise _cut_short(path, "it has neither an end record nor a count of its records")


# Characters of a record without data: S, type, count, address of 2 to 4 bytes, checksum.
_LEAST_S_RECORD = {
    kind: 6 + 2 * width for kinds, width in (("0159", 2), ("268", 3), ("37", 4)) for kind in kinds
}

# ----- UF2, https://github.com/microsoft/uf2: blocks of 512 bytes, eight little-endian words of
# header, up to 476 bytes of data, a last word.

_UF2_BLOCK = 512
_UF2_START = struct.pack("<2I", 0x0A324655, 0x9E5D5157)
_UF2_END = struct.pack("<I", 0x0AB16F30)
_UF2_HEADER = struct.Struct("<8I")
_UF2_MOST_DATA = 476
_UF2_MOST_FAMILIES = 64
_NOT_MAIN_FLASH = 0x0000_0001
_FILE_CONTAINER = 0x0000_1000
_FAMILY_ID_PRESENT = 0x0000_2000


def _uf2(path: Path, file: BinaryIO) -> Iterator[_Record]:
    """Yield the data of UF2 blocks; those that are not for the main flash are passed over."""
    offset = file.tell()
    # A part is read for the second time: then what was counted is not counted again.
    room = -(-os.fstat(file.fileno()).st_size // _UF2_BLOCK)
    blocks = _Blocks(path, room) if offset == 0 else None
    while block := file.read(_UF2_BLOCK):
        if len(block) < _UF2_BLOCK:
            raise _cut_short(path, f"its last block has {len(block)} bytes of {_UF2_BLOCK}")
        _, _, flags, target, size, number, count, family_or_size = _UF2_HEADER.unpack_from(block)
        if not (block.startswith(_UF2_START) and block.endswith(_UF2_END)):
            raise _bad_block(path, offset, "is no UF2")
        if size > _UF2_MOST_DATA or number >= count:
            raise _bad_block(path, offset, "contradicts itself")
        family = family_or_size if flags & _FAMILY_ID_PRESENT else None
        if blocks is not None:
            blocks.note(family, number, count)
        if not flags & (_NOT_MAIN_FLASH | _FILE_CONTAINER):
            header = _UF2_HEADER.size
            yield _Record(offset, target, block[header : header + size], family)
        offset += _UF2_BLOCK
    if blocks is not None:
        blocks.check()


def _bad_block(path: Path, offset: int, what: str) -> InputError:
    return InputError(
        f"{path}: the block at byte {offset:,} {what}, so the file is damaged; make it again."
    )


class _Blocks:
    """Which UF2 blocks there are; files for several families may have been joined to one."""

    def __init__(self, path: Path, most: int) -> None:
        """most: blocks that the file has room for."""
        self._path = path
        self._most = most
        self._there: dict[int | None, bytearray] = {}

    def note(self, family: int | None, number: int, count: int) -> None:
        """Note a block by its number. Raises InputError if the count cannot be right."""
        if count > self._most:
            raise _cut_short(self._path, f"it says {count:,} blocks, and has {self._most:,}")
        if family not in self._there:
            if len(self._there) == _UF2_MOST_FAMILIES:
                raise InputError(
                    f"{self._path}: is for more than {_UF2_MOST_FAMILIES} families of"
                    " microcontrollers, so the file is damaged; make it again."
                )
            self._there[family] = bytearray(count)
        there = self._there[family]
        if len(there) != count:
            raise InputError(
                f"{self._path}: its blocks differ in how many there are; give the files that were"
                " joined one by one."
            )
        there[number] = 1

    def check(self) -> None:
        """Raise InputError if a block is missing."""
        for there in self._there.values():
            if not all(there):
                raise _cut_short(
                    self._path, f"its block {there.index(0):,} of {len(there):,} is missing"
                )


_RECORDS: dict[Form, Callable[[Path, BinaryIO], Iterator[_Record]]] = {
    Form.INTEL_HEX: _intel_hex,
    Form.S_RECORD: _s_records,
    Form.UF2: _uf2,
}


def _elf_parts(path: Path, file: BinaryIO) -> Iterator[Part]:
    """Yield what an ELF file loads, at the physical addresses, where a programmer puts it.

    By sections where there are any, as objcopy does it: a segment may begin with the ELF header
    itself, which goes to no flash. Else by segments.
    """
    with of_authors("pyelftools", f"to read ELF ({path})"):
        from elftools.common.exceptions import ELFError  # noqa: PLC0415 - takes time
        from elftools.construct.core import ConstructError  # noqa: PLC0415

    try:
        parts = list(islice(_loaded(file), MAX_PARTS + 1))
    except (
        # pyelftools believes what it reads: a damaged header shows itself in any of these.
        *(ELFError, ConstructError, ArithmeticError, AssertionError, AttributeError),
        *(LookupError, MemoryError, OSError, TypeError, ValueError),
    ):
        raise _cut_short(path, "its ELF headers point to what is not there") from None
    if len(parts) > MAX_PARTS:
        raise InputError(f"{path}: is in more than {MAX_PARTS:,} parts; link it into fewer.")
    size = os.fstat(file.fileno()).st_size
    for part in parts:
        if part.offset + part.size > size:
            raise _cut_short(path, f"it has {size:,} bytes, and loads some beyond")
    yield from parts


def _loaded(file: BinaryIO) -> Iterator[Part]:
    from elftools.elf.constants import SH_FLAGS  # noqa: PLC0415
    from elftools.elf.elffile import ELFFile  # noqa: PLC0415

    elf = ELFFile(file)
    sections = sorted(
        (section["sh_offset"], section["sh_size"])
        for section in elf.iter_sections()
        if section["sh_size"]
        and section["sh_type"] != "SHT_NOBITS"
        and section["sh_flags"] & SH_FLAGS.SHF_ALLOC
    )
    for segment in elf.iter_segments():
        if segment["p_type"] != "PT_LOAD" or not segment["p_filesz"]:
            continue
        start, size, address_of_start = (
            segment["p_offset"],
            segment["p_filesz"],
            segment["p_paddr"],
        )
        if not sections:
            yield Part(address_of_start, size, start)
        first, after = (bisect_left(sections, (at, 0)) for at in (start, start + size))
        for offset, length in sections[first:after]:
            yield Part(address_of_start + offset - start, length, offset)
