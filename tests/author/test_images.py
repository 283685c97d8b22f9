# SPDX-License-Identifier: MIT
"""Image files are read byte for byte as other tools read them, and bad ones are named as such."""

from __future__ import annotations

import argparse
import os
import random
import struct
import tracemalloc
from pathlib import Path

import bincopy
import pytest

from provision.author.images import (
    WINDOW,
    Form,
    Image,
    InputError,
    load_schema,
    open_image,
    parse_address,
)
from tests.author.image_files import (
    DEMO,
    INTEL_HEX,
    S_RECORDS,
    converted,
    linked,
    uf2,
    uf2_block,
)


def memory_of(image: Image) -> dict[int, int]:
    """Return what an image puts to each address."""
    return {
        part.address + at: byte
        for part in image.parts
        for at, byte in enumerate(b"".join(image.content(part)))
    }


def memory(content: bytes, address: int) -> dict[int, int]:
    """Return the same of some bytes."""
    return dict(enumerate(content, address))


def image_of(folder: Path, name: str, content: bytes | str, address: int | None = None) -> Image:
    """Write a file and open it as an image."""
    return open_image(file_of(folder, name, content), address)


def file_of(folder: Path, name: str, content: bytes | str) -> Path:
    """Write a file."""
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0x10000", 65536),
        ("0X1F8000", 2064384),
        ("0b1000", 8),
        ("0o17", 15),
        ("4096", 4096),
        ("010", 10),
        ("64KiB", 65536),
        ("64 kib", 65536),
        ("2MiB", 2097152),
        ("0x10_0000", 1048576),
        ("0", 0),
    ],
)
def test_an_address_in_any_base(text: str, value: int) -> None:
    """Addresses may be hexadecimal, binary, octal or decimal, and in KiB or MiB."""
    assert parse_address(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "-1",
        "0x",
        "1.5",
        "10kB",
        "0b12",
        "0xfg",
        "1__0",
        "_1",
        "4 KiBs",
        "٣",
        "9" * 5000,
        str(2**64),
    ],
)
def test_no_address(text: str) -> None:
    """What is no address is refused by a message, however long it is."""
    with pytest.raises(argparse.ArgumentTypeError, match="is not an address"):
        parse_address(text)


def test_raw_bytes(tmp_path: Path) -> None:
    """A raw file is what it is, at the address that it was given."""
    content = random.Random(1).randbytes(5000)
    image = image_of(tmp_path, "a.bin", content, 0x4000)
    assert (image.form, image.start, image.end) == (Form.RAW, 0x4000, 0x4000 + 5000)
    assert memory_of(image) == memory(content, 0x4000)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_published_examples(tmp_path: Path, end: str) -> None:
    """The examples that are in circulation are read as bincopy by itself reads them."""
    for name, text, form in (
        ("a.hex", INTEL_HEX, Form.INTEL_HEX),
        ("a.srec", S_RECORDS, Form.S_RECORD),
    ):
        image = image_of(tmp_path, name, text.replace("\n", end))
        assert image.form is form
        whole = bincopy.BinFile()
        whole.add(text)
        assert memory_of(image) == memory(bytes(whole.as_binary()), whole.minimum_address)
    hello = image_of(tmp_path, "a.srec", S_RECORDS)
    assert b"Hello world.\n\0" in bytes(memory_of(hello).values())


@pytest.mark.parametrize("records", ["as_ihex", "as_srec"])
@pytest.mark.parametrize("width", [16, 24, 32])
def test_files_that_bincopy_writes(tmp_path: Path, records: str, width: int) -> None:
    """Addresses of every width, scattered parts and parts across 64 KiB come back."""
    source = random.Random(width)
    written = bincopy.BinFile()
    expected: dict[int, int] = {}
    for address in [0x10, 0xFFF0, *([0x1FFF8, 0xF0000] if width > 16 else [])]:
        content = source.randbytes(16 if width == 16 else 40)
        written.add_binary(content, address)
        expected |= memory(content, address)
    text = getattr(written, records)(address_length_bits=width)
    assert memory_of(image_of(tmp_path, "a", text)) == expected


def test_records_in_any_order(tmp_path: Path) -> None:
    """Records need not be in the order of their addresses."""
    first, second, third, fourth, end = INTEL_HEX.splitlines()
    image = image_of(tmp_path, "a.hex", f"{third}\n{first}\n{fourth}\n{second}\n{end}")
    straight = image_of(tmp_path, "b.hex", INTEL_HEX)
    assert memory_of(image) == memory_of(straight)
    assert (image.start, image.end, image.gaps) == (0x100, 0x140, 0)


def test_uf2(tmp_path: Path) -> None:
    """UF2 blocks are put where they say, those that are not for the main flash are passed over."""
    content = random.Random(2).randbytes(1000)
    blocks = [
        uf2_block(content[:476], 0x10000000, 0, 4),
        uf2_block(b"a comment", 0, 1, 4, flags=0x0000_0001),
        uf2_block(b"a file's", 0, 2, 4, flags=0x0000_1000, last_word=8),
        uf2_block(content[476:952], 0x10000000 + 476, 3, 4),
    ]
    image = image_of(tmp_path, "a.uf2", b"".join(blocks))
    assert image.form is Form.UF2
    assert len(image.parts) == 1
    assert memory_of(image) == memory(content[:952], 0x10000000)


def test_uf2_for_several_families(tmp_path: Path) -> None:
    """Of a file that was joined for several families one is chosen, and that must be said."""
    joined = uf2(b"one" * 200, 0x1000, family=0xE48BFF56) + uf2(b"two", 0x2000, family=7)
    path = file_of(tmp_path, "a.uf2", joined)
    with pytest.raises(InputError, match=r"\(0x7, 0xe48bff56\); choose one with --uf2-family"):
        open_image(path)
    assert memory_of(open_image(path, family=7)) == memory(b"two", 0x2000)
    assert len(memory_of(open_image(path, mixed=True))) == 603
    with pytest.raises(InputError, match="holds no byte"):
        open_image(path, family=8)


@pytest.mark.needs("cc", "objcopy")
def test_what_the_compiler_and_objcopy_make(tmp_path: Path) -> None:
    """ELF, Intel HEX and S-records of one firmware are the same bytes as objcopy's raw file."""
    elf = linked(tmp_path)
    raw = converted(elf, "binary", ".bin").read_bytes()
    files = [elf, converted(elf, "ihex", ".hex"), converted(elf, "srec", ".srec")]
    images = [open_image(path) for path in files]
    assert [image.form for image in images] == [Form.ELF, Form.INTEL_HEX, Form.S_RECORD]
    for image in images:
        assert memory_of(image) == memory(raw, 0x10000000)


@pytest.mark.needs("cc", "objcopy")
def test_damaged_elf(tmp_path: Path) -> None:
    """An ELF file that was cut or changed anywhere is read or refused, and nothing else happens."""
    whole = linked(tmp_path).read_bytes()
    source = random.Random(3)
    refused = 0
    for n in range(400):
        bad = bytearray(whole)
        if n % 2:
            del bad[source.randrange(5, len(bad)) :]
        else:
            headers = [*range(4, 300), *range(len(bad) - 700, len(bad))]
            for _ in range(source.randint(1, 4)):
                bad[source.choice(headers)] = source.choice(
                    [0, 1, 0x7F, 0xFF, source.randrange(256)]
                )
        try:
            image_of(tmp_path, "bad", bytes(bad))
        except InputError:
            refused += 1
    assert refused > 200  # those that were cut, save where the cut is past the last header


def elf_of(segments: int, sections: int) -> bytes:
    """Return an ELF file whose segments all load all of its sections (System V ABI, chapter 4)."""
    at = 64 + 56 * segments if sections else 0
    header = struct.pack(
        *("<16sHHIQQQIHHHHHH", b"\x7fELF\2\1\1", 2, 243, 1, 0, 64, at, 0),
        *(64, 56, segments, 64, sections, 0),
    )
    segment = struct.pack("<IIQQQQQQ", 1, 5, 0, 0, 0x1000, 64, 64, 4)
    section = struct.pack("<IIQQQQIIQQ", 0, 1, 2, 0, 8, 4, 0, 0, 4, 0)
    return header + segment * segments + section * sections


def test_elf_by_segments_and_by_sections(tmp_path: Path) -> None:
    """Where an ELF file has no sections its segments are what it loads, whole."""
    by_segments = elf_of(1, 0)
    image = image_of(tmp_path, "a.elf", by_segments)
    assert memory_of(image) == memory(by_segments[:64], 0x1000)
    by_sections = elf_of(1, 1)
    image = image_of(tmp_path, "a.elf", by_sections)
    assert memory_of(image) == memory(by_sections[8:12], 0x1008)


def test_elf_that_would_never_end(tmp_path: Path) -> None:
    """Segments and sections that multiply are refused before they fill the memory."""
    with pytest.raises(InputError, match="is in more than 100,000 parts"):
        image_of(tmp_path, "a.elf", elf_of(5000, 5000))


LINE = ":10010000214601360121470136007EFE09D2190140\n"
END = ":00000001FF\n"


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.bin", "", "is empty"),
        ("a.hex", LINE, "is cut short: it has no end record"),
        ("a.hex", LINE + LINE[:20], "line 2 has a wrong length or checksum"),
        ("a.hex", LINE.replace("40\n", "41\n") + END, "line 1 has a wrong length or checksum"),
        ("a.hex", LINE + "rubbish\n" + END, "line 2 is not a record of Intel HEX"),
        ("a.hex", LINE + "0" * 9999, "line 2 is not a record of Intel HEX"),
        ("a.hex", LINE + ": 1 2 3 4 5 6 7\n", "line 2 is not a record of Intel HEX"),
        ("a.hex", ":00000007F9\n", "line 1 has a type that Intel HEX does not have"),
        ("a.hex", ":0100000400FB\n", "line 1 has an address of the wrong length"),
        ("a.hex", LINE + END + LINE, "goes on in line 3 after its end record"),
        ("a.hex", END, "holds no byte for any address"),
        ("a.s19", S_RECORDS[:100], "line 2 has a wrong length, type or checksum"),
        ("a.s19", S_RECORDS.partition("S5")[0], "it has neither an end record nor a count"),
        ("a.s19", S_RECORDS.replace("S5030003F9", "S5030004F8"), "it counts 4 records, and has 3"),
        ("a.s19", "S10200FD\n", "line 1 is too short for its address"),
        ("a.s19", "S4030000FC\n", "line 1 has a wrong length, type or checksum"),
        ("a.uf2", uf2(b"x" * 600, 0)[:-100], "its last block has 412 bytes of 512"),
        ("a.uf2", uf2(b"x" * 600, 0)[:-512], "it says 3 blocks, and has 2"),
        ("a.uf2", uf2_block(b"x", 0, 0, 2) * 2, "its block 1 of 2 is missing"),
        ("a.uf2", uf2(b"x", 0) + uf2(b"x" * 300, 0), "its blocks differ in how many there are"),
        ("a.uf2", uf2_block(b"x" * 476, 0, 1, 1), "the block at byte 0 contradicts itself"),
        ("a.uf2", uf2(b"x", 0) + b"x" * 512, "the block at byte 512 is no UF2"),
        ("a.uf2", b"plain", "is named as UF2, and its content is raw bytes"),
        ("a.elf", INTEL_HEX, "is named as ELF, and its content is Intel HEX"),
        ("a.HEX", S_RECORDS, "is named as Intel HEX, and its content is S-records"),
        ("a.mot", b"\0\1", "is named as S-records, and its content is raw bytes"),
        ("a.bin", uf2(b"x", 0), "is named as raw bytes, and its content is UF2"),
        ("a.elf", b"\x7fELF", "is cut short: its ELF headers point to what is not there"),
    ],
)
def test_bad_files(tmp_path: Path, name: str, content: bytes | str, said: str) -> None:
    """A file that is cut short, damaged or misnamed is refused in one sentence that says so."""
    with pytest.raises(InputError) as refused:
        image_of(tmp_path, name, content)
    assert said in str(refused.value)
    assert str(refused.value).startswith(str(tmp_path / name))
    assert str(refused.value).endswith(".")
    assert "\n" not in str(refused.value)


def test_what_is_no_file(tmp_path: Path) -> None:
    """A folder, a pipe, a missing file and a name that is none are refused; nothing waits."""
    os.mkfifo(tmp_path / "pipe")
    for path, said in (
        (tmp_path, "is not a file"),
        (tmp_path / "pipe", "is not a file"),
        (tmp_path / "missing", "No such file"),
        (Path("nul\0in-it"), "name is not valid"),
    ):
        with pytest.raises(InputError, match=said):
            open_image(path)


def test_an_address_beside_those_of_the_file(tmp_path: Path) -> None:
    """A file with addresses of its own takes the same one, and no other."""
    assert image_of(tmp_path, "a.hex", INTEL_HEX, 0x100).start == 0x100
    with pytest.raises(InputError, match="has addresses of its own, from 0x100; leave out @0x200"):
        image_of(tmp_path, "a.hex", INTEL_HEX, 0x200)


def test_a_file_that_shrinks_while_it_is_read(tmp_path: Path) -> None:
    """What a part no longer holds is noticed when its bytes are read."""
    for name, content, left in (
        ("a.bin", b"x" * 100, 50),
        ("a.hex", INTEL_HEX.encode(), 88),
        ("a.uf2", uf2(b"x" * 999, 0), 1024),
    ):
        image = image_of(tmp_path, name, content)
        os.truncate(image.path, left)
        with pytest.raises(InputError):
            list(image.content(image.parts[0]))


def test_large_files_are_not_held_in_memory(tmp_path: Path) -> None:
    """Reading takes a window of memory, whatever the format and the size of the file."""
    size = 16 * WINDOW
    raw = tmp_path / "a.bin"
    with raw.open("wb") as file:
        file.truncate(size)
    blocks = tmp_path / "a.uf2"
    with blocks.open("wb") as file:
        count = size // 512
        for number in range(count):
            file.write(uf2_block(bytes(256), number * 256, number, count))
    for path in (raw, blocks):
        tracemalloc.start()
        image = open_image(path)
        taken = sum(len(data) for part in image.parts for data in image.content(part))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert taken == image.end == (size if path == raw else size // 2)
        assert peak < 4 * WINDOW


def test_a_schema_file_of_a_newer_format(tmp_path: Path) -> None:
    """A schema file of a later format is named as that, and not as one with mistakes."""
    newer = file_of(tmp_path, "a.toml", DEMO.read_text().replace("format = 1", "format = 2"))
    with pytest.raises(InputError, match=r"a\.toml: is of format 2, newer than .* newer one\.$"):
        load_schema(newer)
    with pytest.raises(InputError, match="there is no such file"):
        load_schema(tmp_path / "missing.toml")
    assert load_schema(DEMO).board.settings_at == 2016 * 1024
