# SPDX-License-Identifier: MIT
"""`provision image-check`: whether the pieces of a firmware fit the flash, and spare the settings.

What a piece erases is taken to be the erase units that it touches, since flash is erased by the
unit: whoever writes a piece that begins within one erases what stood there before.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.author.images import (
    Form,
    Image,
    InputError,
    Part,
    load_schema,
    open_image,
    parse_address,
)
from provision.schema.declaration import BoardDeclaration

FITS, DOES_NOT_FIT = 0, 1


@dataclass(frozen=True, slots=True)
class PieceArgument:
    """A piece as it was named on the command line."""

    path: Path
    address: int | None


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "pieces",
        type=_piece,
        nargs="+",
        metavar="PIECE[@ADDRESS]",
        help="a file of the firmware, for raw bytes with its address: 0x10000, 65536, 64KiB",
    )
    parser.add_argument(
        "--schema",
        type=Path,
        metavar="FILE",
        help="the firmware's schema file, which describes the flash",
    )
    parser.add_argument(
        "--flash-base",
        type=parse_address,
        default=0,
        metavar="ADDRESS",
        help="the processor's address of the start of the flash, if the pieces have the processor's"
        " addresses (default: 0)",
    )
    parser.add_argument(
        "--uf2-family",
        type=parse_address,
        metavar="ID",
        help="the family of microcontrollers to check, in UF2 files for several",
    )
    parser.epilog = (
        "Exit code 0: the pieces fit, and the settings stay; 1: they do not, or a file"
        " cannot be used."
    )


def run(arguments: argparse.Namespace) -> int:
    """Check the pieces; print a line for each and a verdict. Returns the exit code."""
    pieces: Sequence[PieceArgument] = arguments.pieces
    schema: Path | None = arguments.schema
    try:
        board = load_schema(schema).board if schema is not None else None
        flash = FlashArea(arguments.flash_base, board) if board is not None else None
        images = [_open(piece, arguments.uf2_family) for piece in pieces]
    except InputError as error:
        sys.stderr.write(f"{error}\n")
        return DOES_NOT_FIT
    findings = check(images, flash)
    for finding in findings:
        sys.stdout.write(f"{finding}\n")
    sys.stdout.write(f"{verdict(findings, flash)}\n")
    return DOES_NOT_FIT if any(finding.faults for finding in findings) else FITS


def _piece(text: str) -> PieceArgument:
    name, at, address = text.rpartition("@")
    if not at:
        return PieceArgument(Path(text), None)
    try:
        return PieceArgument(Path(name), parse_address(address))
    except argparse.ArgumentTypeError:
        if Path(text).exists():  # a file with an @ in its name
            return PieceArgument(Path(text), None)
        raise


def _open(piece: PieceArgument, family: int | None) -> Image:
    image = open_image(piece.path, piece.address, family=family)
    if image.form is Form.RAW and piece.address is None:
        raise InputError(
            f"{piece.path}: is raw bytes, which have no address of their own; write"
            f" {piece.path}@ADDRESS."
        )
    return image


class FlashArea:
    """A board's flash, at the addresses at which the processor sees it."""

    def __init__(self, base: int, board: BoardDeclaration) -> None:
        """base: the address of the first byte. Raises InputError if flash cannot lie there."""
        if base % board.erase_unit:
            raise InputError(
                f"--flash-base {base:#x} is not aligned to the erase units of {board.erase_unit:,}"
                " bytes; give the address from the data sheet."
            )
        self.start = base
        self.end = base + board.flash_size
        self.erase_unit = board.erase_unit
        self.settings_start = base + board.settings_at
        self.settings_end = self.settings_start + board.settings_size

    def erased_by(self, parts: Sequence[Part]) -> Iterator[tuple[int, int, int]]:
        """Yield each run of erase units that is erased: where it and the first data in it begin.

        Third comes where the run ends.
        """
        unit = self.erase_unit
        run: tuple[int, int, int] | None = None
        for part in sorted(parts, key=lambda part: part.address):
            start, end = part.address - part.address % unit, -(-part.end // unit) * unit
            if run is not None and start <= run[2]:
                run = (run[0], run[1], max(run[2], end))
                continue
            if run is not None:
                yield run
            run = (start, part.address, end)
        if run is not None:
            yield run


@dataclass(frozen=True, slots=True)
class PieceReport:
    """What was found about one piece: `faults` are against it, `notes` are not."""

    image: Image
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    spares_settings: bool = True

    def __str__(self) -> str:
        image = self.image
        form = image.form.value
        if image.gaps:
            form += f" with gaps, {_bytes(image.gaps)} in all"
        said = "; ".join((*self.faults, *self.notes)) or "fits"
        return f"{_range(image.start, image.end)}  {image.path} ({form}): {said}."


def check(images: Sequence[Image], flash: FlashArea | None) -> list[PieceReport]:
    """Look at the pieces together, in the order of their addresses."""
    ordered = sorted(images, key=lambda image: (image.start, image.end))
    overlaps = _overlaps(ordered)
    findings = []
    reached: int | None = None  # where the pieces so far end
    for number, image in enumerate(ordered):
        faults = [
            f"overlaps {_other(ordered, number, other)} from {at:#x} on"
            for other, at in sorted(overlaps.get(number, {}).items())
        ]
        # Without a flash to fit into, that is all that can be said for a piece.
        notes = ["no overlap"] if flash is None and not faults else []
        if reached is not None and image.start > reached:
            notes.append(f"after a gap of {_bytes(image.start - reached)}")
        reached = max(image.end, reached or 0)
        spares = True
        if flash is not None:
            faults += _off_the_flash(image, flash)
            faults += _off_the_grid(image, flash)
            hurt = _on_the_settings(image, flash)
            spares = not hurt
            faults += hurt
        findings.append(PieceReport(image, tuple(faults), tuple(notes), spares))
    return findings


def _other(ordered: Sequence[Image], number: int, other: int) -> str:
    return "itself" if number == other else str(ordered[other].path)


def _overlaps(images: Sequence[Image]) -> dict[int, dict[int, int]]:
    """Return by number of an image the others that it overlaps, and the first address of it."""
    found: dict[int, dict[int, int]] = {}
    parts = sorted(
        ((part, number) for number, image in enumerate(images) for part in image.parts),
        key=lambda of: (of[0].address, of[0].end),
    )
    # Of each image the part that reaches farthest: what begins before its end overlaps it.
    reached: dict[int, int] = {}
    for part, number in parts:
        for other, end in reached.items():
            if part.address < end:
                found.setdefault(number, {}).setdefault(other, part.address)
                if other != number:
                    found.setdefault(other, {}).setdefault(number, part.address)
        reached[number] = max(part.end, reached.get(number, 0))
    return found


def _off_the_flash(image: Image, flash: FlashArea) -> Iterator[str]:
    if image.start < flash.start:
        yield f"begins before the flash, which begins at {flash.start:#x}"
    if image.end > flash.end:
        yield (
            f"goes {_bytes(image.end - flash.end)} past the end of the flash at {flash.end:#x}"
            + ("" if image.start < flash.end else ", all of it (--flash-base tells where it is)")
        )


def _off_the_grid(image: Image, flash: FlashArea) -> Iterator[str]:
    off = [(run, first) for run, first, _ in flash.erased_by(image.parts) if run != first]
    if off:
        run, first = off[0]
        more = f", and so in {len(off) - 1:,} more places" if len(off) > 1 else ""
        yield (
            f"{first:#x} is not aligned to the erase units of {_bytes(flash.erase_unit)}, so that"
            f" writing it erases what is from {run:#x} on{more}"
        )


def _on_the_settings(image: Image, flash: FlashArea) -> list[str]:
    for start, _, end in flash.erased_by(image.parts):
        if start < flash.settings_end and end > flash.settings_start:
            first, after = max(start, flash.settings_start), min(end, flash.settings_end)
            return [f"overwrites the settings at {_range(first, after)}"]
    return []


def verdict(findings: Sequence[PieceReport], flash: FlashArea | None) -> str:
    """Return the verdict, a sentence."""
    wrong = [finding for finding in findings if finding.faults]
    hurting = [str(finding.image.path) for finding in findings if not finding.spares_settings]
    faults = "a piece does not fit" if len(wrong) == 1 else f"{len(wrong)} pieces do not fit"
    if flash is None:
        if wrong:
            return f"Do not publish this: {faults}."
        return (
            "The pieces do not overlap; whether they fit the flash and keep people's settings,"
            " --schema FILE tells."
        )
    if hurting:
        return f"An update would destroy people's settings, by {', '.join(hurting)}."
    if wrong:
        return f"Do not publish this: {faults}, although the settings are not touched."
    return (
        "The pieces fit, and an update keeps people's settings, as long as it erases only what it"
        " writes."
    )


def _range(start: int, end: int) -> str:
    return f"{start:#010x} to {end - 1:#010x}"


def _bytes(count: int) -> str:
    for unit, name in ((1 << 20, "MiB"), (1 << 10, "KiB")):
        if count % unit == 0 and count >= unit:
            return f"{count // unit:,} {name}"
    return f"{count:,} byte{'s' * (count != 1)}"
