# SPDX-License-Identifier: MIT
"""The schema file: what an author declares, read with every mistake named in one run.

    declaration = load(Path("orchard-frost-alarm.toml"))

The form of the file is explained in schemas/README.md.
"""

from __future__ import annotations

import pathlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from provision import toml
from provision.contract.table import MAX_NAME, MAX_VERSION, Ability
from provision.schema import table as limits
from provision.schema.declaration import BoardDeclaration, Declaration
from provision.schema.model import Pin, Schema, Section
from provision.schema_file import checks, translations
from provision.schema_file import reader as reading
from provision.schema_file.fields import (
    EVERY_ABILITY,
    SectionDraft,
    abilities,
    read_section,
)
from provision.schema_file.reader import (
    FileMistakes,
    Mistake,
    MistakeReport,
    NotedError,
    Spot,
    Table,
)
from provision.schema_file.toml_positions import Places

__all__ = [
    "BoardDeclaration",
    "Declaration",
    "FileMistakes",
    "Mistake",
    "load_declaration",
    "load_schema",
    "read_declaration",
]

MAX_FILE = 1024 * 1024
"""Bytes: a larger file is no schema file; the schema itself can have 256 KiB."""

PROGRAM_UNITS = tuple(2**power for power in range(limits.MAX_PROGRAM_UNIT.bit_length()))
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)\Z")


def load_schema(path: pathlib.Path | str) -> Schema:
    """Read what a schema file declares of settings and pins. Raises FileMistakes."""
    return load_declaration(pathlib.Path(path)).schema


def load_declaration(path: pathlib.Path) -> Declaration:
    """Read a schema file from disk.

    Raises FileMistakes for whatever is wrong with it, and if it cannot be read, is larger than
    MAX_FILE or is not in UTF-8.
    """
    name = path.name
    try:
        with path.open("rb") as file:
            content = file.read(MAX_FILE + 1)
    except FileNotFoundError:
        raise _unreadable(name, "there is no such file", "check its name and its folder") from None
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise _unreadable(name, f"it cannot be read ({reason})", "give a file of yours") from None
    if len(content) > MAX_FILE:
        raise _unreadable(name, "it is larger than 1 MiB", "give a schema file")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode(errors="replace")) + 1
        mistake = Mistake(line, column, "file", "it is not in UTF-8", "save it in UTF-8")
        raise FileMistakes(name, [mistake]) from None
    return read_declaration(text, name)


def _unreadable(name: str, wrong: str, fix: str) -> FileMistakes:
    return FileMistakes(name, [Mistake(1, 1, "file", wrong, fix)])


def read_declaration(text: str, name: str) -> Declaration:
    """Return what a schema file declares; `name` is that of the file, for messages.

    Raises FileMistakes with all mistakes of the file. A text that is no TOML has only one.
    """
    try:
        document = toml.loads(text)
        places = Places(text)
    except (toml.TooDeepError, RecursionError):
        raise _unreadable(name, "it is nested too deep", "write it without nesting") from None
    except ValueError as error:
        raise FileMistakes(name, [_syntax_mistake(str(error), text)]) from None
    report = MistakeReport(document, places)
    declaration = _declaration(Table(report, (), document))
    if report.mistakes or declaration is None:
        raise FileMistakes(name, report.in_order())
    return declaration


def _syntax_mistake(message: str, text: str) -> Mistake:
    match = _TOML_PLACE.search(message)
    wrong = message[: match.start()] if match else message
    if match is not None and match[1]:
        line, column = int(match[1]), int(match[2])
    elif match is not None:
        lines = text.split("\n")
        line, column = len(lines), len(lines[-1]) + 1
    else:  # a number with thousands of digits, which Python will not read
        line, column, wrong = 1, 1, "it has a number with thousands of digits"
    return Mistake(
        line,
        column,
        "file",
        f"it is not TOML: {wrong[:1].lower()}{wrong[1:]}",
        "fix this place first",
    )


def _declaration(top: Table) -> Declaration | None:
    top.only(
        (
            *("format", "title", "language", "trial", "firmware", "board", "pin", "section"),
            "translation",
        )
    )
    top.get("format", reading.integer(1, 1), "`format = 1` as the first line")
    title = top.get("title", reading.text(limits.MAX_LABEL), "`title`, what people call the device")
    language = top.get("language", translations.language)
    trial = top.get("trial", _trial)
    firmware = top.get("firmware", _firmware, "a table [firmware] with `name` and `version`")
    board = top.get("board", _board, "a table [board]")
    pins = _pins(top)
    pins_known = Schema("", (), pins) if pins is not None else None
    tables = top.get("section", reading.some_tables, "at least one [[section]]") or []
    if len(tables) > limits.MAX_SECTIONS:
        top.report.add(
            tables[limits.MAX_SECTIONS].path,
            f"the file has {len(tables)} sections",
            f"join some, to have {limits.MAX_SECTIONS} at most",
        )
    drafts = [read_section(table, pins_known) for table in tables[: limits.MAX_SECTIONS]]
    checks.check(drafts, pins_known)
    schema = Schema(title or "?", tuple(_sections(drafts)), pins or (), trial, language)
    schema = replace(schema, translations=translations.translations(top, schema, language))
    checks.check_defaults(top.report, drafts, schema)
    checks.check_sizes(top.report, drafts, schema, board)
    if firmware is None or board is None:
        return None
    return Declaration(schema, *firmware, board)


def _sections(drafts: Sequence[SectionDraft]) -> Iterator[Section]:
    """Yield the sections as far as they could be read, which is whole where nothing was wrong.

    A field of unknown size is left out, so that nothing is called too large for a wrong reason.
    """
    for draft in drafts:
        fields = tuple(
            field.field
            for field in draft.fields
            if field.key and field.field and not field.table.bad & {"maximum", "options"}
        )
        if draft.key and fields:
            yield Section(draft.key, draft.label or "?", fields, draft.help, draft.repeat)


def _trial(spot: Spot) -> int:
    seconds = reading.duration("s")(spot)
    if limits.MIN_TRIAL <= seconds <= limits.MAX_TRIAL:
        return seconds
    raise spot.wrong(f"a trial of {seconds:,} seconds", "it can last 10 s to 1 h")


def _firmware(spot: Spot) -> tuple[str, str]:
    table = reading.table(spot)
    table.only(("name", "version"))
    name = table.get("name", reading.text(MAX_NAME), "`name`, the firmware's name")
    version = table.get("version", reading.text(MAX_VERSION), "`version`, as you write it")
    if name is None or version is None:
        raise NotedError
    return name, version


# ----------------------------------------------------------------------------------- the board


def _board(spot: Spot) -> BoardDeclaration:
    table = reading.table(spot)
    table.only(
        (
            *("name", "flash-size", "erase-unit", "program-unit", "settings-at", "settings-size"),
            *("slots", "baud"),
        )
    )
    board = BoardDeclaration(
        name=table.get("name", reading.text(MAX_NAME), "`name`, the board's name") or "?",
        flash_size=_board_size(table, "flash-size", '"4 MiB"', 1),
        erase_unit=_board_size(table, "erase-unit", '"4 KiB"', 1),
        program_unit=_board_size(table, "program-unit", "256", 1),
        settings_at=_board_size(table, "settings-at", '"1 MiB"', 0),
        settings_size=_board_size(table, "settings-size", '"32 KiB"', 1),
        slots=table.get("slots", reading.integer(limits.MIN_SLOTS, limits.MAX_SLOTS)) or 4,
        baud=table.get("baud", reading.integer(limits.MIN_BAUD, limits.MAX_BAUD)) or 115200,
    )
    _check_geometry(table, board)
    if table.bad:
        raise NotedError
    return board


def _board_size(table: Table, key: str, example: str, least: int) -> int:
    size = table.get(key, reading.size, f"`{key}` in bytes, as in {example}")
    if size is not None and size < least:
        table.wrong(key, f"`{key}` is 0", f"write a size, as in {example}")
    return max(size or 0, least)


def _check_geometry(table: Table, board: BoardDeclaration) -> None:
    """Note what no flash can be like; each check only where all that it looks at was good."""

    def good(*keys: str) -> bool:
        return all(table.good(key) for key in keys)

    if good("program-unit") and board.program_unit not in PROGRAM_UNITS:
        table.wrong(
            "program-unit",
            f"`program-unit` is {board.program_unit}",
            "write a power of two from 1 to 256, as in the data sheet of the flash",
        )
    if good("erase-unit", "program-unit") and board.erase_unit % board.program_unit:
        table.wrong(
            "erase-unit",
            f"`erase-unit` is not a multiple of `program-unit`, {board.program_unit}",
            "write both as in the data sheet of the flash",
        )
    for key, offset in (("settings-at", board.settings_at), ("settings-size", board.settings_size)):
        if good(key, "erase-unit") and offset % board.erase_unit:
            table.wrong(
                key,
                f"`{key}` is not aligned to the erase units",
                f"write a multiple of {board.erase_unit:,}",
            )
    end = board.settings_at + board.settings_size
    if good("settings-at", "settings-size", "flash-size") and end > board.flash_size:
        table.wrong(
            "settings-at",
            f"the settings end at {end:,}, beyond the flash of {board.flash_size:,} bytes",
            "let them end within it",
        )
    if good("settings-size", "erase-unit") and not table.bad & {"slots"} and not board.slot_size:
        table.wrong(
            "settings-size",
            f"{board.slots} slots do not fit, each of a whole erase unit",
            f"write {board.slots * board.erase_unit:,} at least",
        )


# ------------------------------------------------------------------------------------ the pins


def _pins(top: Table) -> tuple[Pin, ...] | None:
    """Read the pins; None if they are not all known, because of a mistake in a number."""
    tables = top.get("pin", reading.tables) or []
    complete = "pin" not in top.bad
    pins: dict[int, Pin] = {}
    for table in tables:
        table.only(("number", "numbers", "name", "can", "taken", "caution"))
        numbers = _numbers(table)
        name = table.get("name", reading.text(limits.MAX_PIN_NAME))
        taken = table.get("taken", reading.text(limits.MAX_LABEL))
        caution = table.get("caution", reading.paragraph(limits.MAX_CAUTION))
        can = table.get(
            "can", abilities, None if taken else 'what it can do, as in `can = ["in", "out"]`'
        )
        if can is None:
            # Where the file fails to say it, no field is told that no pin can serve.
            can = EVERY_ABILITY if "can" in table.bad else Ability(0)
        if numbers is None:
            complete = False
            continue
        if name and len(numbers) > 1 and "#" not in name:
            table.wrong(
                "name",
                f"{len(numbers)} pins get the same name",
                "write # where the number belongs, as in `GPIO#`",
            )
        for number in numbers:
            if number in pins:
                key = "number" if "number" in table else "numbers"
                table.wrong(key, f"the pin {number} already exists", "declare each pin once")
                continue
            own_name = name.replace("#", str(number)) if name else None
            pins[number] = Pin(number, can, own_name, taken, caution)
    if len(pins) > limits.MAX_PINS:
        top.wrong("pin", f"the board has {len(pins)} pins", f"declare {limits.MAX_PINS} at most")
    return tuple(pins[number] for number in sorted(pins)) if complete else None


def _numbers(table: Table) -> list[int] | None:
    if "number" in table and "numbers" in table:
        table.wrong("numbers", "a pin has both `number` and `numbers`", "leave one of them out")
        return None
    if "numbers" in table:
        return table.get("numbers", _number_ranges)
    number = table.get(
        "number",
        reading.integer(0, limits.MAX_PIN),
        'a `number`, or several as in `numbers = "2-9"`',
    )
    return None if number is None else [number]


def _number_ranges(spot: Spot) -> list[int]:
    right = 'write numbers and ranges from 0 to 255, as in "0-5, 8, 10-12"'
    if not isinstance(spot.value, str):
        raise spot.wrong_type(right)
    numbers = reading.pin_numbers(spot.value)
    if numbers is None:
        raise spot.wrong(f"`{reading.shown(spot.value)}` is not a list of pins", right)
    return numbers
