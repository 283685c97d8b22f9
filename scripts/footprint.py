# SPDX-License-Identifier: MIT
"""What the stub costs a microcontroller: flash, RAM and stack, of the build that passes the kit.

    python scripts/footprint.py            the table, and what changed against FOOTPRINT.md
    python scripts/footprint.py --write    puts the table into firmware_stub/FOOTPRINT.md

Counted is what the linker leaves of the stub's objects and of the compiler's support routines in
two firmwares for the smallest core of the family: the demo, which uses every kind, and one whose
schema file keeps to the simple kinds. The port and the generated data are not counted.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from scripts import call_graph  # noqa: E402

STUB = ROOT / "firmware_stub"
PAGE = STUB / "FOOTPRINT.md"
SIMPLE_SCHEMA = ROOT / "schemas" / "orchard-gate-lamp.toml"

GOALS: Mapping[str, int] = {
    "flash, every kind": 6144,
    "flash, simple kinds": 4096,
    "RAM": 512,
    "stack": 400,
}
"""Bytes."""

CALLS = ("pv_start", "pv_feed", "pv_poll", "pv_report_field", "pv_report_address", "pv_has")
"""What firmware calls."""

SUPPORT = "compiler's support routines"
_SECTION = re.compile(
    r"^ \.(text|rodata)(\S*)\s+0x[0-9a-f]+\s+(0x[0-9a-f]+)\s+(\S+)$", re.MULTILINE
)


@dataclass(frozen=True, slots=True)
class Footprint:
    """The figures, in bytes."""

    compiler: str
    flash: dict[str, dict[str, int]] = field(default_factory=dict)
    """By file and function, of the firmware with every kind."""

    simple: dict[str, int] = field(default_factory=dict)
    """By file, of the firmware with the simple kinds."""

    ram: int = 0
    stack: int = 0
    deepest: tuple[str, ...] = ()
    rv32: int = 0
    """Of all objects as they are, nothing dropped by a linker."""

    def totals(self) -> dict[str, int]:
        """Return the figures that have a goal."""
        return {
            "flash, every kind": sum(sum(each.values()) for each in self.flash.values()),
            "flash, simple kinds": sum(self.simple.values()),
            "RAM": self.ram,
            "stack": self.stack,
        }


def linked(map_file: str) -> dict[str, dict[str, int]]:
    """Return what is in a linker's map of the stub and of the support routines."""
    found: dict[str, dict[str, int]] = {}
    kept = map_file.partition("Linker script and memory map")[2]
    for kind, name, size, origin in _SECTION.findall(kept):
        path = Path(origin)
        if path.parent.name == "src":
            file = path.with_suffix(".c").name
        elif "libgcc.a" in origin:
            file = SUPPORT
        else:
            continue
        label = name.lstrip(".") or kind
        if kind == "rodata" and (name == "" or name.startswith(".str")):
            label = "text constants"
        functions = found.setdefault(file, {})
        functions[label] = functions.get(label, 0) + int(size, 16)
    return {
        file: {label: size for label, size in functions.items() if size}
        for file, functions in found.items()
        if any(functions.values())
    }


def _make(folder: Path, *arguments: str) -> None:
    flags = "CFLAGS=-Os -fcallgraph-info=su"
    command = ["make", "-s", "-C", str(STUB), "PORT=mps2", f"BUILD={folder}", flags, *arguments]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def _size_of_state(folder: Path) -> int:
    """Return the size of what the stub keeps, struct pv, where the caller puts it."""
    (folder / "state.c").write_text('#include "pv.h"\nchar state[sizeof(pv)];\n')
    target = ["-mcpu=cortex-m0plus", "-mthumb", "-ffreestanding", f"-I{STUB / 'include'}"]
    command = ["arm-none-eabi-gcc", "-std=c99", *target, "-c", "state.c"]
    subprocess.run(command, check=True, cwd=folder)
    listed = subprocess.run(
        ["arm-none-eabi-nm", "-S", "-td", "state.o"],
        check=True,
        capture_output=True,
        text=True,
        cwd=folder,
    )
    return int(listed.stdout.split()[1])


def _rv32(folder: Path) -> int:
    """Return the size of the stub's code and constants for RV32IMC."""
    total = 0
    headers = STUB / "ports" / "mps2" / "include"
    for source in sorted((STUB / "src").glob("*.c")):
        target = ["--target=riscv32", "-march=rv32imc", "-mabi=ilp32", "-ffreestanding"]
        command = ["clang", "-std=c99", "-Os", *target, "-Wall", "-Wextra", "-Werror"]
        command += [f"-I{STUB / 'include'}", f"-I{STUB / 'src'}", "-isystem", str(headers)]
        subprocess.run([*command, "-c", str(source), "-o", "rv32.o"], check=True, cwd=folder)
        listed = subprocess.run(
            ["size", "rv32.o"], check=True, capture_output=True, text=True, cwd=folder
        )
        total += int(listed.stdout.splitlines()[1].split()[0])
    return total


def measure() -> Footprint:
    """Build both firmwares and return the figures. Raises CalledProcessError."""
    compiler = subprocess.run(
        ["arm-none-eabi-gcc", "-dumpfullversion"], check=True, capture_output=True, text=True
    ).stdout.strip()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _make(folder / "every")
        every = linked((folder / "every" / "board.elf.map").read_text())
        graph = call_graph.read((folder / "every" / "src").glob("*.ci"), (STUB / "src").glob("*.c"))
        stack, way = max(graph.deepest(call) for call in CALLS)
        generated = folder / "generated"
        command = [sys.executable, "-m", "provision", "generate", str(SIMPLE_SCHEMA)]
        subprocess.run(
            [*command, "--out", str(generated)], check=True, cwd=ROOT, stdout=subprocess.DEVNULL
        )
        (source,) = generated.glob("*.c")
        _make(folder / "simple", "generic", f"SCHEMA_C={source}")
        simple = linked((folder / "simple" / "board_generic.map").read_text())
        return Footprint(
            compiler,
            every,
            {file: sum(functions.values()) for file, functions in simple.items()},
            _size_of_state(folder),
            stack,
            tuple(way),
            _rv32(folder),
        )


def page(footprint: Footprint) -> str:
    """Return FOOTPRINT.md."""
    flash = footprint.flash
    totals = footprint.totals()
    what = (
        "Made by `python scripts/footprint.py --write`; a test compares it. Bytes, for"
        f" `-Os -mcpu=cortex-m0plus`, by arm-none-eabi-gcc {footprint.compiler}, linked with"
        " `--gc-sections`: the firmware that passes the conformance kit. The port and the generated"
        " data are not counted, the compiler's support routines are."
    )
    terms = (
        "*RAM* is `struct pv`, beyond the settings structs, the line and the unit that the firmware"
        " hands over. *Stack* is that of the deepest call without callbacks:"
        f" {' → '.join(footprint.deepest)}. All objects, compiled by clang for RV32IMC, with"
        f" nothing dropped by a linker: {footprint.rv32:,} bytes."
    )
    rows = [
        "# What the stub costs",
        "",
        what,
        "",
        "| | bytes | goal |",
        "|---|---:|---:|",
        *(f"| {name} | {totals[name]:,} | {goal:,} |" for name, goal in GOALS.items()),
        "",
        terms,
        "",
        "| file | every kind | simple kinds |",
        "|---|---:|---:|",
    ]
    rows += [
        f"| {file} | {sum(flash[file].values()):,} | {footprint.simple.get(file, 0):,} |"
        for file in sorted(flash)
    ]
    simple = footprint.simple
    without = sum(simple[file] for file in ("pv_line.c", "pv_cbor.c", "pv_check.c", "pv_values.c"))
    limits = (
        "What limits it: lines, CBOR, the rules of the whole set and the checks of the simple"
        f" kinds are {without:,} bytes by themselves, the conversation {simple['pv.c']:,}, and the"
        f" store with its promises under power cuts {simple['pv_store.c']:,}."
    )
    rows += ["", limits]
    rows += ["", "| function or table | file | bytes |", "|---|---|---:|"]
    listed = [(size, label, file) for file in flash for label, size in flash[file].items()]
    rows += [
        f"| {label} | {file} | {size:,} |" for size, label, file in sorted(listed, reverse=True)
    ]
    return "\n".join(rows) + "\n"


def changes(old: str, footprint: Footprint) -> list[str]:
    """Return a line for each figure with a goal: what it is, and what changed against a page."""
    told = []
    for name, size in footprint.totals().items():
        match = re.search(rf"^\| {name} \| ([\d,]+) \|", old, re.MULTILINE)
        before = int(match.group(1).replace(",", "")) if match else size
        told.append(f"{name:22} {size:6,} bytes, goal {GOALS[name]:,}, change {size - before:+,}")
    return told


def main() -> int:
    """Print the table, or write it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--write", action="store_true", help="put the table into FOOTPRINT.md")
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
