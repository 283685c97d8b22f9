# SPDX-License-Identifier: MIT
"""Image files for the tests of this folder, written by hand or by the tools of a compiler."""

from __future__ import annotations

import argparse
import struct
import subprocess
from pathlib import Path
from types import ModuleType

from tests.waiting import LONG, PATIENCE

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "schemas" / "orchard-frost-alarm.toml"

# An example in circulation, with its checksums (from memory).
INTEL_HEX = """\
:10010000214601360121470136007EFE09D2190140
:100110002146017E17C20001FF5F16002148011928
:10012000194E79234623965778239EDA3F01B2CAA7
:100130003F0156702B5E712B722B732146013421C7
:00000001FF
"""

# The example of the manual page srec(5) (from memory): a program that says hello.
S_RECORDS = """\
S00F000068656C6C6F202020202000003C
S11F00007C0802A6900100049421FFF07C6C1B787C8C23783C6000003863000026
S11F001C4BFFFFE5398000007D83637880010014382100107C0803A64E800020E9
S111003848656C6C6F20776F726C642E0A0042
S5030003F9
S9030000FC
"""


def uf2_block(
    data: bytes,
    address: int,
    number: int,
    count: int,
    *,
    flags: int = 0,
    last_word: int = 0,
) -> bytes:
    """Return a UF2 block, laid out as in the table of https://github.com/microsoft/uf2.

    (From memory.) The first magic number spells "UF2" and a line feed.
    """
    header = b"UF2\n" + struct.pack(
        "<7I", 0x9E5D5157, flags, address, len(data), number, count, last_word
    )
    return (header + data).ljust(508, b"\0") + struct.pack("<I", 0x0AB16F30)


def uf2(content: bytes, address: int, *, family: int | None = None, size: int = 256) -> bytes:
    """Return a UF2 file with some content, in blocks of `size` bytes of data."""
    pieces = [content[at : at + size] for at in range(0, len(content), size)]
    flags = 0 if family is None else 0x2000
    return b"".join(
        uf2_block(piece, address + n * size, n, len(pieces), flags=flags, last_word=family or 0)
        for n, piece in enumerate(pieces)
    )


SECRET_IN_ELF = "Vq8.mZ2x-Lk0wTe"

_SOURCE = f"""
const char greeting[] = "{SECRET_IN_ELF}";
int counters[3] = {{1, 2, 3}};
int cleared[100];
void start(void) {{ for (;;) {{ counters[0] += greeting[counters[1]] + cleared[3]; }} }}
"""
# Flash where the RP2040's data sheet has it (2.1, address map), the initial values of variables in
# flash behind the code (their physical address), the variables in RAM (their virtual one).
_LINKER_SCRIPT = """
ENTRY(start)
MEMORY
{
    FLASH (rx) : ORIGIN = 0x10000000, LENGTH = 2M
    RAM (rwx) : ORIGIN = 0x20000000, LENGTH = 64K
}
SECTIONS
{
    .text : { *(.text*) *(.rodata*) } >FLASH
    .data : { *(.data*) } >RAM AT>FLASH
    .bss : { *(.bss*) } >RAM
    /DISCARD/ : { *(.eh_frame*) *(.note*) *(.comment) }
}
"""


def linked(folder: Path) -> Path:
    """Return an ELF file that the compiler and the linker made for flash at 0x10000000."""
    (folder / "firmware.c").write_text(_SOURCE)
    (folder / "firmware.ld").write_text(_LINKER_SCRIPT)
    subprocess.run(
        [
            *("cc", "-nostdlib", "-static", "-ffreestanding", "-fno-pic", "-no-pie", "-g", "-O1"),
            *("-Wl,--build-id=none", "-T", "firmware.ld", "firmware.c", "-o", "firmware.elf"),
        ],
        cwd=folder,
        check=True,
        timeout=LONG,
    )
    return folder / "firmware.elf"


def converted(elf: Path, form: str, suffix: str) -> Path:
    """Return what objcopy makes of an ELF file."""
    out = elf.with_suffix(suffix)
    subprocess.run(["objcopy", "-O", form, elf, out], check=True, timeout=PATIENCE)
    return out


def run(command: ModuleType, *arguments: str | Path) -> int:
    """Run a command as the command line does; return its exit code."""
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    code: int = command.run(parser.parse_args([str(argument) for argument in arguments]))
    return code
