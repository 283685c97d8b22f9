# SPDX-License-Identifier: MIT
"""What the stub costs a microcontroller: flash, RAM and stack, by what a firmware names of it.

    python scripts/footprint.py            the tables, and what changed against FOOTPRINT.md
    python scripts/footprint.py --write    puts them into firmware_stub/FOOTPRINT.md

Counted is what the linker leaves of the stub's objects in firmwares that are linked for it
(scripts/sized): neither the port nor what the compiler's library adds. Everything is the demo, with
all that a firmware can name; each row of a feature is the same without it.
"""

from __future__ import annotations

import argparse
import functools
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from provision.author import c_code  # noqa: E402
from provision.contract.table import Kind  # noqa: E402
from provision.schema.declaration import Declaration  # noqa: E402
from provision.schema.model import Field, Schema  # noqa: E402
from provision.schema_file.load import load_declaration  # noqa: E402
from scripts import call_graph  # noqa: E402

STUB = ROOT / "firmware_stub"
PAGE = STUB / "FOOTPRINT.md"
SIZED = ROOT / "scripts" / "sized"
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"

STACK_GOAL, STATE_GOAL, DATA_GOAL = 400, 384, 5500
CALLS = ("pv_start", "pv_feed", "pv_poll", "pv_report_field", "pv_report_address", "pv_has")
"""What firmware calls."""

PROCESSORS: Mapping[str, tuple[str, ...]] = {
    "Cortex-M0+": ("arm-none-eabi", "-mcpu=cortex-m0plus", "-mthumb"),
    "Cortex-M4": ("arm-none-eabi", "-mcpu=cortex-m4", "-mthumb"),
    "8-bit AVR": ("avr", "-mmcu=atmega1284p", "-std=gnu99", "-DPV_ROM=__flash"),
}
_OFFERED = ("undo", "survey", "locate", "restart")
PROMISES: Mapping[str, tuple[str, ...]] = {
    "a line is whole and right, both ways": ("pv_line.c",),
    "a request is CBOR in the profile, to its last byte, before any of it counts": (
        *("pv_pass_item", "pv_is_item", "pv_read_head", "pv_read_type", "pv_pass_value"),
    ),
    "text is UTF-8, wherever it comes from": ("pv_next_character", "pv_is_utf8"),
    "checks in their order, repeats, times": ("pv_poll", "pv_start", "request_of"),
    "replies": (
        *("put_hello", "put_status", "put_value_entry", "put_values", "put_piece", "put_refusal"),
        *("pv_put_page", "put_message", "send", "pv_put_key", "pv_put_number", "pv_put_field"),
    ),
    "the commit is of exactly what the host staged": ("pv_staged_digest", "commit"),
    "rules of the whole, in force at a start as at a commit": (
        *("pv_judge", "pv_check_whole", "pv_applies", "pv_holder", "pv_number_of"),
    ),
    "each kind's checks": ("pv_values.c", "pv_host.c", "pv_decimal.c", "pv_time_zone.c"),
    "what was stored is found under older names, and falls back if it does not fit": (
        *("pv_payload_load", "next_entry", "pv_is_payload", "pv_settings_complete"),
        "pv_fall_back",
    ),
    "every record is read back, and read again before it is given up": (
        *("look_once", "pv_slot_look", "pv_header_read", "read_header_once", "load_once"),
        *("pv_slot_load", "pv_payload_is_right", "pv_slot_erase"),
    ),
    "four cuts in succession lose nothing": (
        *("pv_slots_settle", "mend", "publish", "pick", "above", "having", "forget", "pv_choose"),
        *("pv_choose_slot", "pv_load_in_force", "start_slots"),
    ),
}
"""In words, with the functions or files that are there for it."""

_SECTION = re.compile(
    r"^ \.(text|rodata|progmem\.data)(\S*)\s+0x[0-9a-f]+\s+(0x[0-9a-f]+)\s+(\S+)$", re.MULTILINE
)


@dataclass(frozen=True, slots=True)
class Firmware:
    """A firmware that is linked: its settings, and what it names of the stub."""

    declaration: Declaration
    requests: tuple[str, ...] = ()
    parts: bool = False
    is_checked: bool = False
    slots: int = 4
    """0: none, but a store of the platform's own."""

    @property
    def store(self) -> str:
        """The store that goes with the slots."""
        return {0: "pv_store_platform", 2: "pv_store_pair"}.get(self.slots, "pv_store_slots")


@dataclass(frozen=True, slots=True)
class Linked:
    """What became of a firmware, in bytes."""

    functions: Mapping[tuple[str, str], int]
    """By file and function or table of the stub."""

    ram: Mapping[str, int]
    """state, settings, staged, line, unit."""

    data: int
    """Constants that were generated."""

    @property
    def flash(self) -> int:
        """All of the stub."""
        return sum(self.functions.values())


@dataclass(frozen=True, slots=True)
class Footprint:
    """The figures, in bytes."""

    compiler: str
    firmwares: Mapping[str, Linked]
    processors: Mapping[str, Linked]
    without: Mapping[str, int]
    """By feature: flash of everything but that."""

    stack: int
    deepest: tuple[str, ...]
    rv32: int
    """Of all objects as they are, nothing dropped by a linker."""


def _everything() -> Firmware:
    declaration = load_declaration(DEMO)
    schema = replace(declaration.schema, trial=declaration.schema.trial or 60)
    return Firmware(replace(declaration, schema=schema), _OFFERED, parts=True, is_checked=True)


def _firmwares() -> dict[str, tuple[Firmware, int]]:
    """Return the firmwares of the first table, with their goals."""
    typical = load_declaration(SIZED / "typical.toml")
    two = replace(typical, board=replace(typical.board, slots=2))
    smallest = load_declaration(SIZED / "smallest.toml")
    smallest = replace(smallest, board=replace(smallest.board, slots=2))
    return {
        "everything, four slots": (_everything(), 12_500),
        "typical, four slots": (Firmware(typical), 9_700),
        "typical, two slots": (Firmware(two, slots=2), 8_700),
        "typical, platform's store": (Firmware(typical, slots=0), 7_000),
        "smallest, two slots": (Firmware(smallest, slots=2), 8_200),
    }


def _fields(everything: Firmware, change: Callable[[Field], Field | None]) -> Firmware:
    """Return everything with other fields."""
    schema: Schema = everything.declaration.schema
    sections = tuple(
        replace(section, fields=tuple(filter(None, map(change, section.fields))))
        for section in schema.sections
    )
    schema = replace(schema, sections=sections, translations=())
    return replace(everything, declaration=replace(everything.declaration, schema=schema))


def _features() -> dict[str, Firmware]:
    """Return everything without each feature."""
    full = _everything()
    schema = full.declaration.schema
    once = tuple(replace(section, repeat=None) for section in schema.sections)

    def of_schema(**changes: object) -> Firmware:
        changed = replace(schema, translations=(), **changes)  # type: ignore[arg-type]
        return replace(full, declaration=replace(full.declaration, schema=changed))

    def without(*kinds: Kind) -> Firmware:
        return _fields(full, lambda field: None if field.kind in kinds else field)

    return {
        **{
            f"the request {name}": replace(
                full, requests=tuple(each for each in _OFFERED if each != name)
            )
            for name in _OFFERED
        },
        "trials": of_schema(trial=None),
        "values in parts": replace(full, parts=False),
        "values kept in flash": _fields(full, lambda field: replace(field, kept=False)),
        "instances": of_schema(sections=once),
        "conditions": _fields(full, lambda field: replace(field, condition=None)),
        "pins and their conflicts": without(Kind.PIN),
        "time zones": without(Kind.TIME_ZONE),
        "URLs": without(Kind.URL),
        "hosts and URLs": without(Kind.URL, Kind.HOST),
        "decimals": without(Kind.DECIMAL),
        "addresses": without(Kind.IP),
        "pv_is_sound": replace(full, is_checked=False),
    }


def _run(*command: str | Path, folder: Path) -> str:
    ran = subprocess.run(
        [*map(str, command)], check=True, capture_output=True, text=True, cwd=folder
    )
    return ran.stdout


def link(firmware: Firmware, folder: Path, processor: str = "Cortex-M0+") -> Linked:
    """Compile and link a firmware in a folder of its own. Raises CalledProcessError."""
    prefix, *target = PROCESSORS[processor]
    header, source = c_code.write(firmware.declaration, "sized", folder)
    if prefix != "avr":
        include = _run(f"{prefix}-gcc", "-print-file-name=include", folder=folder).strip()
        target += ["-ffreestanding", "-nostdinc", "-isystem", include]
        target += ["-isystem", str(STUB / "ports" / "mps2" / "include")]
    flags = ["-std=c99", "-Os", "-ffunction-sections", "-fdata-sections", *target]
    flags += [f"-I{STUB / 'include'}", f"-I{STUB / 'src'}", f"-I{folder}"]
    requests = "".join(f"&pv_request_{name}, " for name in firmware.requests)
    names = {
        "HEADER": f'"{header.name}"',
        "SETTINGS": "sized",
        "SCHEMA": "sized_schema",
        "STORE": firmware.store,
        "SLOTS": str(firmware.slots),
        "REQUESTS": requests,
        "PARTS": "pv_parts" if firmware.parts else "NULL",
        "IS_SOUND": "pv_is_sound(&config)" if firmware.is_checked else "true",
    }
    compiled = folder / "src"
    compiled.mkdir(exist_ok=True)
    gcc = f"{prefix}-gcc"
    for each in sorted((STUB / "src").glob("*.c")):
        _run(gcc, *flags, "-fcallgraph-info=su" if prefix != "avr" else "-g0", "-c", each,
             "-o", compiled / f"{each.stem}.o", folder=folder)  # fmt: skip
    given = [f"-D{name}={value}" for name, value in names.items()]
    _run(gcc, *flags, *given, "-c", SIZED / "main.c", "-o", "main.o", folder=folder)
    _run(gcc, *flags, "-c", source, "-o", "data.o", folder=folder)
    _run(gcc, *(each for each in target if each.startswith("-m")), "-nostdlib",
         "-Wl,--gc-sections,--unresolved-symbols=ignore-all,-e,main,-Map=map", "main.o", "data.o",
         *sorted(compiled.glob("*.o")), "-o", "firmware.elf", folder=folder)  # fmt: skip
    symbols = _run(f"{prefix}-nm", "-S", "-td", "main.o", folder=folder)
    sizes = {
        name: int(size)
        for size, name in re.findall(r"^\d+ 0*(\d+) [BbCDd] (\w+)$", symbols, re.MULTILINE)
    }
    wanted = ("state", "settings", "staged", "line", "unit")
    data = _run(f"{prefix}-size", "data.o", folder=folder).splitlines()[1].split()
    return Linked(
        functions_of((folder / "map").read_text()),
        {name: sizes[name] for name in wanted},
        int(data[0]) + int(data[1]),
    )


def functions_of(map_file: str) -> dict[tuple[str, str], int]:
    """Return what is in a linker's map of the stub, by file and function or table."""
    found: dict[tuple[str, str], int] = {}
    kept = map_file.partition("Linker script and memory map")[2]
    for kind, name, size, origin in _SECTION.findall(kept):
        path = Path(origin)
        if path.parent.name == "src" and int(size, 16):
            label = name.lstrip(".") or kind
            if kind == "rodata" and (name == "" or name.startswith(".str")):
                label = "text constants"
            key = (path.with_suffix(".c").name, label)
            found[key] = found.get(key, 0) + int(size, 16)
    return found


def _rv32(folder: Path) -> int:
    """Return the size of the stub's code and constants for RV32IMC."""
    headers = STUB / "ports" / "mps2" / "include"
    target = ["--target=riscv32", "-march=rv32imc", "-mabi=ilp32", "-ffreestanding"]
    total = 0
    for source in sorted((STUB / "src").glob("*.c")):
        _run("clang", "-std=c99", "-Os", *target, "-Wall", "-Wextra", "-Werror",
             f"-I{STUB / 'include'}", f"-I{STUB / 'src'}", "-isystem", headers, "-c", source,
             "-o", "rv32.o", folder=folder)  # fmt: skip
        total += int(_run("size", "rv32.o", folder=folder).splitlines()[1].split()[0])
    return total


@functools.cache
def measure() -> Footprint:
    """Link all firmwares and return the figures. Raises CalledProcessError."""
    compiler = _run("arm-none-eabi-gcc", "-dumpfullversion", folder=ROOT).strip()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def place(label: str) -> Path:
            path = folder / re.sub(r"\W", "-", label)
            path.mkdir()
            return path

        firmwares = {
            label: link(firmware, place(label)) for label, (firmware, _) in _firmwares().items()
        }
        first = folder / re.sub(r"\W", "-", next(iter(firmwares)))
        graph = call_graph.read((first / "src").glob("*.ci"), (STUB / "src").glob("*.c"))
        stack, way = max(graph.deepest(call) for call in CALLS)
        typical = _firmwares()["typical, two slots"][0]
        return Footprint(
            compiler,
            firmwares,
            {each: link(typical, place(each), each) for each in PROCESSORS},
            {each: link(firmware, place(each)).flash for each, firmware in _features().items()},
            stack,
            tuple(way),
            _rv32(folder),
        )


def _sum(linked: Linked, names: tuple[str, ...]) -> int:
    """Add what functions and files take. Raises KeyError for a name that is neither."""
    total = 0
    for name in names:
        found = [size for each, size in linked.functions.items() if name in each]
        if not found:
            raise KeyError(name)
        total += sum(found)
    return total


def page(footprint: Footprint) -> str:
    """Return FOOTPRINT.md."""
    goals = {label: goal for label, (_, goal) in _firmwares().items()}
    everything = footprint.firmwares["everything, four slots"]
    rows = [
        "# What the stub costs",
        "",
        (
            "Made by `python scripts/footprint.py --write`; a test compares it. Bytes, for"
            f" `-Os -mcpu=cortex-m0plus`, by arm-none-eabi-gcc {footprint.compiler}, linked with"
            " `--gc-sections`: what is left of the stub, without the port and without what the"
            " compiler's library adds."
        ),
        "",
        "| firmware | flash | goal | data | `struct pv` | settings, twice | line | unit |",
        "|---|---:|---:|---:|---:|---:|---:|---:|",
    ]
    for label, linked in footprint.firmwares.items():
        ram = linked.ram
        sizes = [linked.flash, goals[label], linked.data, ram["state"]]
        sizes += [ram["settings"] + ram["staged"], ram["line"], ram["unit"]]
        rows.append(f"| {label} | {' | '.join(f'{size:,}' for size in sizes)} |")
    rows += [
        "",
        (
            "*Everything* is the demo with trials, and all that a firmware can name. *Typical* has"
            " network, text, secret, integer, yes-no, choice, host and port, *smallest* network,"
            " text and integer; neither offers a request that not every board answers. *Data*"
            " are the constants of the schema, with the deflated schema: in flash. The last"
            " four columns are RAM."
        ),
        "",
        "| | bytes | goal |",
        "|---|---:|---:|",
        f"| stack | {footprint.stack:,} | {STACK_GOAL:,} |",
        f"| `struct pv` | {everything.ram['state']:,} | {STATE_GOAL:,} |",
        f"| generated data of the demo | {everything.data:,} | {DATA_GOAL:,} |",
        "",
        (
            "*Stack* is that of the deepest call without callbacks, in everything:"
            f" {' → '.join(footprint.deepest)}."
        ),
        "",
        "What each feature takes, measured by linking everything with it and without:",
        "",
        "| feature | bytes |",
        "|---|---:|",
        *(
            f"| {feature} | {everything.flash - size:,} |"
            for feature, size in footprint.without.items()
        ),
        "",
        (
            "Where the goals of flash are missed, these promises, which every firmware keeps, are"
            " what takes the bytes. Sums of the functions that are there for them, in everything:"
        ),
        "",
        "| promise | bytes |",
        "|---|---:|",
        *(f"| {promise} | {_sum(everything, names):,} |" for promise, names in PROMISES.items()),
        "",
        (
            "*Typical, two slots* on other processors. Tables of the AVR stay in program memory"
            " (`PV_ROM`, pv.h). All objects, compiled by clang for RV32IMC, with nothing dropped by"
            f" a linker: {footprint.rv32:,} bytes."
        ),
        "",
        "| processor | flash | generated data | `struct pv` |",
        "|---|---:|---:|---:|",
        *(
            f"| {each} | {linked.flash:,} | {linked.data:,} | {linked.ram['state']:,} |"
            for each, linked in footprint.processors.items()
        ),
    ]
    files = sorted(
        {file for linked in footprint.firmwares.values() for file, _ in linked.functions}
    )
    rows += [
        "",
        f"| file | {' | '.join(footprint.firmwares)} |",
        f"|---|{'---:|' * len(footprint.firmwares)}",
    ]
    for file in files:
        sums = (
            sum(size for (of, _), size in linked.functions.items() if of == file)
            for linked in footprint.firmwares.values()
        )
        rows.append(f"| {file} | {' | '.join(f'{size:,}' for size in sums)} |")
    rows += ["", "| function or table of everything | file | bytes |", "|---|---|---:|"]
    listed = sorted(((size, label, file) for (file, label), size in everything.functions.items()))
    rows += [f"| {label} | {file} | {size:,} |" for size, label, file in reversed(listed)]
    return "\n".join(rows) + "\n"


def changes(old: str, footprint: Footprint) -> list[str]:
    """Return a line for each firmware: its flash, and what changed against a page."""
    told = []
    for label, (_, goal) in _firmwares().items():
        size = footprint.firmwares[label].flash
        match = re.search(rf"^\| {label} \| ([\d,]+) \|", old, re.MULTILINE)
        before = int(match.group(1).replace(",", "")) if match else size
        told.append(f"{label:24} {size:6,} bytes, goal {goal:,}, change {size - before:+,}")
    return told


def main() -> int:
    """Print the tables, or write them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--write", action="store_true", help="put the tables into FOOTPRINT.md")
    arguments = parser.parse_args()
    footprint = measure()
    old = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    print(page(footprint))
    print("\n".join(changes(old, footprint)))
    if arguments.write:
        PAGE.write_text(page(footprint), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
