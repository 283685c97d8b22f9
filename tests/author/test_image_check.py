# SPDX-License-Identifier: MIT
"""The verdict on the pieces of a firmware: what it says, and when it is no."""

from __future__ import annotations

from pathlib import Path

import bincopy
import pytest

from provision.author import image_check
from tests.author.image_files import DEMO, INTEL_HEX, linked, run, uf2

# The demo's board: 2 MiB of flash, erase units of 4 KiB, settings in the last 32 KiB.
FLASH, UNIT, SETTINGS = 0x200000, 0x1000, 0x1F8000

KEEPS = (
    "The pieces fit, and an update keeps people's settings, as long as it erases only what it"
    " writes."
)


def piece(folder: Path, name: str, size: int) -> Path:
    """Write a raw piece."""
    path = folder / name
    path.write_bytes(b"\x5a" * size)
    return path


def check(
    capsys: pytest.CaptureFixture[str], *arguments: str | Path, schema: bool = True
) -> tuple[int, list[str], str]:
    """Run the command; return its code, the lines printed, and what was said."""
    code = run(image_check, *arguments, *(("--schema", DEMO) if schema else ()))
    printed = capsys.readouterr()
    return code, printed.out.splitlines(), printed.err


def test_pieces_that_fit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pieces in any order are shown by address, with the gaps, and the settings stay."""
    boot, app = piece(tmp_path, "boot.bin", 0x3000), piece(tmp_path, "app.bin", SETTINGS - 0x4000)
    code, lines, said = check(capsys, f"{app}@16KiB", f"{boot}@0")
    assert lines == [
        f"0x00000000 to 0x00002fff  {boot} (raw bytes): fits.",
        f"0x00004000 to 0x001f7fff  {app} (raw bytes): after a gap of 4 KiB.",
        KEEPS,
    ]
    assert (code, said) == (0, "")


@pytest.mark.parametrize(
    ("start", "size", "hurt"),
    [
        (SETTINGS - UNIT, UNIT, None),
        (SETTINGS - UNIT, UNIT + 1, "0x001f8000 to 0x001f8fff"),
        (SETTINGS - UNIT, 9 * UNIT, "0x001f8000 to 0x001fffff"),
        (SETTINGS, 1, "0x001f8000 to 0x001f8fff"),
        (FLASH - UNIT, UNIT, "0x001ff000 to 0x001fffff"),
        (0, FLASH, "0x001f8000 to 0x001fffff"),
    ],
)
def test_what_overwrites_the_settings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], start: int, size: int, hurt: str | None
) -> None:
    """A piece that reaches into the settings by a byte erases a unit of them, and that is told."""
    path = piece(tmp_path, "app.bin", size)
    code, lines, _ = check(capsys, f"{path}@{start:#x}")
    if hurt is None:
        assert (code, lines[-1]) == (0, KEEPS)
    else:
        assert f"overwrites the settings at {hurt}" in lines[0]
        assert lines[-1] == f"An update would destroy people's settings, by {path}."
        assert code == 1


def test_pieces_that_overlap(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each of two pieces that overlap names the other and the first address of both."""
    a, b, c = (piece(tmp_path, name, 0x2000) for name in ("a.bin", "b.bin", "c.bin"))
    code, lines, _ = check(capsys, f"{a}@0", f"{b}@0x1000", f"{c}@0x3000")
    assert f"overlaps {b} from 0x1000 on" in lines[0]
    assert f"overlaps {a} from 0x1000 on" in lines[1]
    assert lines[2].endswith(": fits.")
    assert (
        lines[3] == "Do not publish this: 2 pieces do not fit, although the settings are not"
        " touched."
    )
    assert code == 1


def test_a_piece_that_overlaps_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Records of one file that go to the same address are a fault, too."""
    path = tmp_path / "a.hex"
    first = INTEL_HEX.splitlines(keepends=True)[0]
    path.write_text(first + INTEL_HEX)
    code, lines, _ = check(capsys, path, schema=False)
    assert "overlaps itself from 0x100 on" in lines[0]
    assert (code, lines[1]) == (1, "Do not publish this: a piece does not fit.")


def test_past_the_end_of_the_flash(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What goes past the end of the flash is told with how far, and before its start as well."""
    path = piece(tmp_path, "app.bin", 0x2000)
    code, lines, _ = check(capsys, f"{path}@{FLASH - 0x1000:#x}")
    assert "goes 4 KiB past the end of the flash at 0x200000;" in lines[0]
    assert code == 1
    code, lines, _ = check(capsys, f"{path}@0x10000000")
    assert "all of it (--flash-base tells where it is)" in lines[0]
    assert code == 1
    code, lines, _ = check(capsys, f"{path}@0x1000", "--flash-base", "0x10000000")
    assert "begins before the flash, which begins at 0x10000000" in lines[0]
    assert code == 1


def test_off_the_grid_of_erase_units(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A piece that begins within an erase unit would erase what is before it."""
    boot, app = piece(tmp_path, "boot.bin", 0x1800), piece(tmp_path, "app.bin", 0x1000)
    code, lines, _ = check(capsys, f"{boot}@0", f"{app}@0x1800")
    assert lines[0].endswith(": fits.")
    assert (
        "0x1800 is not aligned to the erase units of 4 KiB, so that writing it erases what is"
        " from 0x1000 on" in lines[1]
    )
    assert code == 1


def test_parts_of_one_piece_share_erase_units(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Parts in a unit that the same piece begins are written together: no fault."""
    written = bincopy.BinFile()
    for address in (0x1000, 0x1804, 0x2010):  # the last in a unit that follows at once
        written.add_binary(b"x" * 16, address)
    path = tmp_path / "a.hex"
    path.write_text(written.as_ihex())
    code, lines, _ = check(capsys, path)
    assert f"{path} (Intel HEX with gaps, 4,080 bytes in all): fits." in lines[0]
    written.add_binary(b"x", 0x9001)
    path.write_text(written.as_ihex())
    code, lines, _ = check(capsys, path)
    assert "0x9001 is not aligned" in lines[0]
    assert code == 1


@pytest.mark.needs("cc")
def test_flash_at_an_address_of_its_own(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """ELF and UF2 for flash at 0x10000000 (RP2040 data sheet, 2.1) are checked at that base."""
    elf = linked(tmp_path)
    code, lines, _ = check(capsys, elf, "--flash-base", "0x10000000")
    assert lines[0].startswith("0x10000000 to ")
    assert (code, lines[-1]) == (0, KEEPS)
    path = tmp_path / "a.uf2"
    path.write_bytes(uf2(b"x" * 512, 0x10000000 + SETTINGS, family=0xE48BFF56))
    code, lines, _ = check(capsys, path, "--flash-base", "0x10000000")
    assert "overwrites the settings at 0x101f8000 to 0x101f8fff" in lines[0]
    assert code == 1


def test_without_a_schema_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a schema file overlaps and gaps are told, and that the rest is open."""
    path = piece(tmp_path, "name@home.bin", 16)
    code, lines, _ = check(capsys, f"{path}@0b10000", schema=False)
    assert lines[0] == f"0x00000010 to 0x0000001f  {path} (raw bytes): no overlap."
    assert "keep people's settings, --schema FILE tells" in lines[1]
    assert code == 0


def test_a_name_with_an_at_sign(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What follows the last @ is no address if there is a file of the whole name."""
    path = tmp_path / "firmware@home.hex"
    path.write_text(INTEL_HEX)
    assert check(capsys, path, schema=False)[0] == 0
    with pytest.raises(SystemExit) as left:
        check(capsys, tmp_path / "missing@home.hex")
    assert left.value.code == 2
    assert "'home.hex' is not an address" in capsys.readouterr().err


def test_what_cannot_be_checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Bad pieces and bad schema files are one sentence on standard error, and code 1."""
    raw = piece(tmp_path, "a.bin", 16)
    cut = tmp_path / "cut.hex"
    cut.write_text(INTEL_HEX[:100])
    newer = tmp_path / "newer.toml"
    newer.write_text(DEMO.read_text().replace("format = 1", "format = 7"))
    needs_address = f"is raw bytes, which have no address of their own; write {raw}@"
    cases: list[tuple[list[str | Path], str]] = [
        ([raw, "--schema", DEMO], needs_address),
        ([cut, "--schema", DEMO], "so the file is cut short or damaged"),
        ([f"{raw}@0", tmp_path / "none.hex"], "cannot be read (No such file or directory)"),
        ([f"{raw}@0", "--schema", newer], "is of format 7, newer than what this version reads"),
        ([f"{raw}@0", "--schema", DEMO, "--flash-base", "1"], "is not aligned to the erase units"),
    ]
    for arguments, said in cases:
        code, lines, error = check(capsys, *arguments, schema=False)
        assert (code, lines) == (1, [])
        assert said in error
        assert error.count("\n") == 1
