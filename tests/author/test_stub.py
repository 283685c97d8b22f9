# SPDX-License-Identifier: MIT
"""`provision stub`: the folder that an author keeps beside a firmware."""

from __future__ import annotations

import subprocess
from importlib.metadata import version
from pathlib import Path

import pytest

from provision import cli
from provision.author import stub
from provision.wizard.result import ExitCode

NAME = f"provision-stub-{version('provision-over-serial')}"


def test_the_folder_has_the_stub_its_licence_and_its_version(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever finds it knows what it is, which one, and what they may do with it."""
    assert cli.main(["stub", "--out", str(tmp_path / "vendor")]) == ExitCode.DONE
    folder = tmp_path / "vendor" / NAME
    assert capsys.readouterr().out == f"{folder}\n"
    assert (folder / "VERSION").read_text() == f"{version('provision-over-serial')}\n"
    assert (folder / "LICENSE").read_text().startswith("MIT License")
    assert "To update" in (folder / "README.md").read_text()
    sources = [path for path in folder.rglob("*") if path.suffix in (".c", ".h", ".hpp")]
    assert {"pv.h", "pv.c", "pv_slots.c", "port.h", "port.c"} <= {path.name for path in sources}
    for path in sources:
        assert path.read_text().startswith("/* SPDX-License-Identifier: MIT */\n"), path
    assert list((tmp_path / "vendor").iterdir()) == [folder]


@pytest.mark.needs("cc")
def test_the_folder_compiles_by_itself(tmp_path: Path) -> None:
    """Nothing that it includes was left behind, the port for a computer included."""
    folder = stub.write(tmp_path)
    for source in sorted(folder.rglob("*.c")):
        subprocess.run(
            ["cc", "-std=c99", "-fsyntax-only", "-Werror", "-Iinclude", "-Iports", str(source)],
            cwd=folder,
            check=True,
            timeout=60,
        )


def test_written_again_it_stays_as_it_is(tmp_path: Path) -> None:
    """Not even the times of the files change, so that nothing is compiled anew."""
    folder = stub.write(tmp_path)
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    assert stub.write(tmp_path) == folder
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


@pytest.mark.parametrize("what", ["changed", "added", "deleted"])
def test_a_folder_that_somebody_changed_is_kept_unless_they_say_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], what: str
) -> None:
    """An author's own work is never lost in silence."""
    folder = stub.write(tmp_path)
    right = stub.content(folder)
    if what == "changed":
        (folder / "src" / "pv.c").write_text("mine")
    elif what == "added":
        (folder / "src" / "mine.c").write_text("mine")
    else:
        (folder / "src" / "pv.c").unlink()
    changed = stub.content(folder)
    assert cli.main(["stub", "--out", str(tmp_path)]) == ExitCode.USAGE
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert f"{folder}: already exists, and " in said
    assert stub.content(folder) == changed
    assert cli.main(["stub", "--out", str(tmp_path), "--replace"]) == ExitCode.DONE
    assert stub.content(folder) == right
    assert list(tmp_path.iterdir()) == [folder]


@pytest.mark.parametrize("place", ["out", f"out/{NAME}"])
def test_a_file_in_the_way_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], place: str
) -> None:
    """One sentence, and the file stays."""
    way = tmp_path / place
    way.parent.mkdir(exist_ok=True)
    way.write_text("notes")
    assert cli.main(["stub", "--out", str(tmp_path / "out")]) == ExitCode.USAGE
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert str(tmp_path / "out") in said
    assert way.read_text() == "notes"


def test_a_disk_that_fills_up_leaves_what_was_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder is there whole, or not at all."""

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    assert cli.main(["stub", "--out", str(tmp_path)]) == ExitCode.USAGE
    assert capsys.readouterr().err == (
        f"{tmp_path}: cannot be written (No space left on device).\n"
    )
    assert list(tmp_path.iterdir()) == []
