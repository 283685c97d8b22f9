# SPDX-License-Identifier: MIT
"""A copy to give away: no settings are in it, all else is, and none is left half done."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest

from provision.author import clean_copy
from provision.author.clean_copy import Area, OutputError, write_copy
from provision.author.images import WINDOW, InputError
from provision.board.flash import Flash, Geometry
from provision.board.store import FlashStore, pack_values
from provision.schema_file.load import load_declaration
from tests.author.image_files import DEMO, INTEL_HEX, ROOT, run
from tests.secrets.search import Canaries
from tests.waiting import PATIENCE

BOARD = load_declaration(DEMO).board
START, END = BOARD.settings_at, BOARD.settings_at + BOARD.settings_size
SECRET = "kq7-Wmv0zT"


def settings_area() -> bytes:
    """Return a settings area as a board's store writes it, with a secret in it."""
    geometry = Geometry(BOARD.settings_size, BOARD.erase_unit, BOARD.program_unit)
    flash = Flash(geometry)
    store = FlashStore(flash, BOARD.slots)
    store.boot(offers_trial=False)
    payload = pack_values(load_declaration(DEMO).schema, {"network.passphrase": SECRET})
    for n in range(2):
        store.commit(payload, bytes([n]) * 8, bytes(8), on_trial=False)
    return flash.read(0, geometry.size)


def dump_of(folder: Path, name: str = "dump.bin", *, area: bytes | None = None) -> Path:
    """Write a dump of the demo's flash."""
    content = bytearray(random.Random(4).randbytes(BOARD.flash_size))
    content[START:END] = settings_area() if area is None else area
    path = folder / name
    path.write_bytes(content)
    return path


def files_in(folder: Path) -> list[str]:
    """Return the names of all that is in a folder."""
    return sorted(path.name for path in folder.iterdir())


def test_the_settings_are_gone_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The area is erased in the copy, every other byte is the dump's, and the dump stays."""
    dump = dump_of(tmp_path)
    before = dump.read_bytes()
    canaries = Canaries({"passphrase": SECRET.encode()})
    assert canaries.find(before[START:])
    out = tmp_path / "clean.bin"
    assert run(clean_copy, dump, "--schema", DEMO, "--out", out) == 0
    assert capsys.readouterr().out == (
        f"{out}: a copy of {dump} with the 32,768 bytes of settings from 0x1f8000 on erased, read"
        " back and compared.\n"
    )
    copy = out.read_bytes()
    assert canaries.find(copy[START:]) == []
    assert copy == before[:START] + b"\xff" * (END - START) + before[END:]
    assert dump.read_bytes() == before


def test_a_dump_of_a_part_of_the_flash(tmp_path: Path) -> None:
    """--base says where in the flash the dump begins."""
    whole = dump_of(tmp_path).read_bytes()
    part = tmp_path / "part.bin"
    part.write_bytes(whole[0x100000:])
    out = tmp_path / "clean.bin"
    assert run(clean_copy, part, "--schema", DEMO, "--out", out, "--base", "1MiB") == 0
    assert out.read_bytes() == whole[0x100000:START] + b"\xff" * (END - START)


@pytest.mark.parametrize("start", [0, 1, WINDOW - 1, WINDOW, WINDOW + 1, 2 * WINDOW - 3])
@pytest.mark.parametrize("size", [1, 5, WINDOW, WINDOW + 7])
def test_an_area_wherever_the_windows_are(tmp_path: Path, start: int, size: int) -> None:
    """The area is erased exactly, however it lies to the windows that are read."""
    content = random.Random(5).randbytes(3 * WINDOW + 100)
    (tmp_path / "dump").write_bytes(content)
    write_copy(tmp_path / "dump", tmp_path / "copy", Area(start, start + size))
    erased = content[:start] + b"\xff" * size + content[start + size :]
    assert (tmp_path / "copy").read_bytes() == erased


def test_dumps_that_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A dump that is no good is told in one sentence, with code 1, and nothing is written."""
    whole = dump_of(tmp_path).read_bytes()
    files = {
        "short.bin": whole[: START + 5],
        "before.bin": whole[:START],
        "long.bin": whole + b"x",
        "text.hex": INTEL_HEX.encode(),
        "empty.bin": b"",
        "elsewhere.bin": whole[:0x9000] + settings_area() + whole[0x11000:],
        "newer.toml": DEMO.read_bytes().replace(b"format = 1", b"format = 2"),
    }
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    names = files_in(tmp_path)
    for dump, schema, base, said in (
        ("short.bin", DEMO, "0", "does not hold the whole settings area, 0x1f8000 to 0x1fffff"),
        ("before.bin", DEMO, "0", "does not hold the whole settings area"),
        ("short.bin", DEMO, "0x1ff000", "past the end of the flash of orchard mast board"),
        (
            "long.bin",
            DEMO,
            "0",
            "ends at 0x200001, past the end of the flash of orchard mast board at",
        ),
        ("dump.bin", DEMO, "0x10000000", "past the end of the flash"),
        ("text.hex", DEMO, "0", "is Intel HEX; give a dump in raw bytes"),
        ("empty.bin", DEMO, "0", "is empty"),
        ("elsewhere.bin", DEMO, "0", "has a record of settings at byte 0x"),
        ("dump.bin", tmp_path / "newer.toml", "0", "is of format 2, newer"),
        ("missing.bin", DEMO, "0", "No such file"),
    ):
        out = tmp_path / "clean.bin"
        code = run(clean_copy, tmp_path / dump, "--schema", schema, "--out", out, "--base", base)
        printed = capsys.readouterr()
        assert (code, printed.out) == (1, ""), dump
        assert said in printed.err
        assert printed.err.count("\n") == 1
        assert files_in(tmp_path) == names


def test_a_record_across_a_window(tmp_path: Path) -> None:
    """A record outside of the area is seen wherever it lies; a word of the firmware is none."""
    header = settings_area()[:48]
    assert header[:4] == b"PVR1"
    for at in (0, WINDOW - 47, WINDOW - 20, WINDOW - 1, WINDOW, 2 * WINDOW - 48):
        content = bytearray(dump_of(tmp_path).read_bytes())
        content[at : at + 48] = header if at else b"PVR1" * 12
        (tmp_path / "dump.bin").write_bytes(content)
        if at == 0 or START <= at < END:
            clean_copy.find_area(tmp_path / "dump.bin", BOARD, 0)
            continue
        with pytest.raises(InputError, match=f"has a record of settings at byte {at:#x}"):
            clean_copy.find_area(tmp_path / "dump.bin", BOARD, 0)


def test_nothing_is_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The copy goes over no file: not the dump, not another, not one that a link leads to."""
    dump = dump_of(tmp_path)
    before = dump.read_bytes()
    (tmp_path / "old.bin").write_bytes(b"old")
    (tmp_path / "hard.bin").hardlink_to(dump)
    (tmp_path / "soft.bin").symlink_to(dump)
    (tmp_path / "dangling.bin").symlink_to(tmp_path / "nowhere.bin")
    names = files_in(tmp_path)
    for out in ("dump.bin", "old.bin", "hard.bin", "soft.bin", "dangling.bin"):
        assert run(clean_copy, dump, "--schema", DEMO, "--out", tmp_path / out) == 2
        assert "is there already; name a new file." in capsys.readouterr().err
    assert run(clean_copy, dump, "--schema", DEMO, "--out", tmp_path / "no" / "a.bin") == 2
    assert "cannot be written (No such file or directory)" in capsys.readouterr().err
    assert dump.read_bytes() == before
    assert (tmp_path / "old.bin").read_bytes() == b"old"
    assert files_in(tmp_path) == names


# A limit on the size of files stands for a full disk: the system refuses the bytes beyond it.
_WITH_LIMIT = """
import resource, sys
from tests.author.image_files import run
from provision.author import clean_copy
resource.setrlimit(resource.RLIMIT_FSIZE, (1_500_000, 1_500_000))
sys.exit(run(clean_copy, *sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="sets a limit that POSIX systems have")
def test_a_full_disk_leaves_nothing_behind(tmp_path: Path) -> None:
    """Where the copy cannot be finished it is removed, and that is one sentence."""
    dump, out = dump_of(tmp_path), tmp_path / "clean.bin"
    ended = subprocess.run(
        [sys.executable, "-c", _WITH_LIMIT, dump, "--schema", DEMO, "--out", out],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE,
    )
    assert (ended.returncode, ended.stdout) == (2, "")
    assert ended.stderr == f"{out}: cannot be written (File too large); nothing was left there.\n"
    assert files_in(tmp_path) == ["dump.bin"]


def test_an_interrupt_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while the copy is compared removes it."""

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    dump = dump_of(tmp_path)
    monkeypatch.setattr(clean_copy, "_compare", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run(clean_copy, dump, "--schema", DEMO, "--out", tmp_path / "clean.bin")
    assert files_in(tmp_path) == ["dump.bin"]


def test_a_copy_that_reads_back_wrong_is_removed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was written is compared: a changed byte, a lost and an added one are seen."""
    (tmp_path / "dump").write_bytes(bytes(5000))
    compare = clean_copy._compare
    for damage in (b"\0" * 4999 + b"\1", b"\0" * 4999, b"\0" * 5001, b"\0" * 9 + b"\xff" * 4991):

        def damaged(dump: Path, out: Path, area: Area, damage: bytes = damage) -> None:
            out.write_bytes(damage)
            compare(dump, out, area)

        monkeypatch.setattr(clean_copy, "_compare", damaged)
        with pytest.raises(OutputError, match="reads back"):
            write_copy(tmp_path / "dump", tmp_path / "copy", Area(10, 20))
        assert files_in(tmp_path) == ["dump"]


def test_large_dumps_are_not_held_in_memory(tmp_path: Path) -> None:
    """A dump is copied window by window."""
    dump = tmp_path / "dump"
    with dump.open("wb") as file:
        file.truncate(32 * WINDOW)
    tracemalloc.start()
    write_copy(dump, tmp_path / "copy", Area(WINDOW // 2, 20 * WINDOW))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8 * WINDOW
    assert (tmp_path / "copy").stat().st_size == 32 * WINDOW
