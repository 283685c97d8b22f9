# SPDX-License-Identifier: MIT
"""A sentence, never a traceback: whatever becomes of what a command puts out, and of what it reads.

Exit codes are those of README.md, "How a command ends".
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision import output
from provision.cli import main
from provision.wizard.result import ExitCode
from tests.standard_streams import CONDITIONS, Runner
from tests.test_cli import ANSWERS, NETWORKS, SCHEMA, stand_in

LOST = "The result could not be written to standard output ("


@pytest.fixture(scope="module")
def runner() -> Iterator[Runner]:
    """What runs commands with streams that fail."""
    with Runner() as here:
        yield here


@pytest.fixture(scope="module")
def board() -> Iterator[str]:
    """The port of a virtual board that is set up."""
    with stand_in("--tcp", "0", "--networks", NETWORKS) as port:
        assert main(["setup", "--port", port, "--answers", str(ANSWERS), "--json"]) == ExitCode.DONE
        yield port


REHEARSE = ("rehearse", str(SCHEMA), "--answers", str(ANSWERS), "--networks", str(NETWORKS))
COMMANDS: dict[str, tuple[tuple[str, ...], int]] = {
    "help": (("--help",), 0),
    "version": (("--version",), 0),
    "no command": ((), 2),
    "a wrong command line": (("show", "--baud", "fast", "--json"), 2),
    "check": (("check", str(SCHEMA)), 0),
    "check with mistakes": (("check", "HERE/wrong.toml", "--json"), 1),
    "describe": (("describe", str(SCHEMA)), 0),
    "describe into a file": (("describe", str(SCHEMA), "--out", "HERE/out.md", "--replace"), 0),
    "generate": (("generate", str(SCHEMA), "--out", "HERE/c"), 0),
    "stub": (("stub", "--out", "HERE/stub"), 0),
    "page": (("page", str(SCHEMA), "--out", "HERE/page", "--replace"), 0),
    "carry-over": (("carry-over", str(SCHEMA), str(SCHEMA)), 0),
    "image-check": (("image-check", "HERE/image.bin@0x10000000"), 0),
    "find-secrets": (
        ("find-secrets", "HERE/image.bin", "--schema", str(SCHEMA), "--answers", str(ANSWERS)),
        0,
    ),
    "clean-copy": (
        ("clean-copy", "HERE/image.bin", "--schema", str(SCHEMA), "--out", "HERE/copy"),
        1,
    ),
    "udev-rule": (("udev-rule",), 0),
    "rehearse": (REHEARSE, 0),
    "rehearse for programs": ((*REHEARSE, "--json"), 0),
    "rehearse without a terminal": (("rehearse", str(SCHEMA), "--json"), 2),
    "show without a port": (("show", "--port", "HERE/none", "--json"), 3),
    "log without a port": (("log", "--port", "HERE/none"), 3),
    "undo that nobody agrees to": (("undo", "--port", "HERE/none"), 2),
    "stand-in with mistakes": (("stand-in", "HERE/wrong.toml"), 1),
    "show": (("show", "--port", "BOARD"), 0),
    "show for programs": (("show", "--port", "BOARD", "--json"), 0),
    "export": (("export", "--port", "BOARD"), 0),
    "setup": (("setup", "--port", "BOARD", "--answers", str(ANSWERS)), 0),
    "diagnose": (("diagnose", "--port", "BOARD"), 0),
}
"""Commands by what is run, with the code that they end with where no stream fails."""

STORES = frozenset({"rehearse", "rehearse for programs", "setup"})
"""The code of these says what became of the settings, and nothing of what became of the words."""


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the files that the commands are given."""
    folder = tmp_path_factory.mktemp("streams")
    (folder / "image.bin").write_bytes(b"\xa5" * 4096)
    (folder / "wrong.toml").write_text("format = 1\n", encoding="utf-8")
    return folder


@pytest.mark.parametrize("condition", ["", *CONDITIONS])
@pytest.mark.parametrize("name", COMMANDS)
def test_a_stream_that_fails_is_a_sentence_and_the_right_code(
    runner: Runner, here: Path, board: str, name: str, condition: str
) -> None:
    """No traceback, and the code that the command ends with anyhow.

    Only where the result is all that a command is for, and it cannot be written, the code says so.
    """
    arguments, code = COMMANDS[name]
    given = [text.replace("HERE", str(here)).replace("BOARD", board) for text in arguments]
    ran = runner.run(given, condition)
    assert "Traceback" not in ran["err"] + ran["out"]
    assert "Exception ignored" not in ran["err"]
    lost = condition in ("out full", "out closed", "all closed")
    can_tell = condition not in ("err full", "all closed")
    if lost and code == 0 and name not in STORES:
        code = ExitCode.USAGE
    assert ran["code"] == code, ran
    if lost and can_tell and COMMANDS[name][1] == 0:
        assert LOST in ran["err"]
        if name in STORES:
            assert "The settings are stored, and the board works with them." in ran["err"]
    if can_tell and code not in (0, 1):
        assert ran["err"].endswith(".\n") or ": error: " in ran["err"].splitlines()[-1]


@pytest.mark.parametrize("name", [name for name in COMMANDS if "--json" in COMMANDS[name][0]])
def test_a_program_gets_an_object_whatever_the_code(
    runner: Runner, here: Path, board: str, name: str
) -> None:
    """On standard output, in ASCII."""
    arguments, code = COMMANDS[name]
    given = [text.replace("HERE", str(here)).replace("BOARD", board) for text in arguments]
    ran = runner.run(given)
    assert ran["out"].isascii()
    told = json.loads(ran["out"])
    assert told["exit"] == ran["code"] == code
    if name.startswith("check"):
        return  # there is no board
    assert {"port", "unit", "firmware", "firmware-version", "board", "result"} <= told.keys()
    if name == "show for programs":
        assert told["port"] == board
        assert (told["firmware"], len(told["unit"])) == ("orchard-frost-alarm", 16)
        assert told["result"] == "nothing to do"
    elif code:
        assert told["result"] == "not stored"
        assert told["words"].strip()
        assert told["unit"] is None


@pytest.mark.parametrize(("condition", "code"), [("out full", 2), ("out broken", 0)])
def test_a_log_that_nobody_reads_is_watched_no_longer(
    runner: Runner, condition: str, code: int
) -> None:
    """A reader that has gone has seen enough; a full disk is told."""
    with stand_in("--tcp", "0", "--log") as port:
        ran = runner.run(["log", "--port", port], condition)
    assert ran["code"] == code, ran
    assert "Traceback" not in ran["err"]
    assert "never retrieved" not in ran["err"]
    assert (LOST in ran["err"]) == (condition == "out full")


# ---------------------------------------------------------------------------------------- files


def test_a_file_is_there_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fails while it is written leaves what was there, and nothing beside it."""
    file = tmp_path / "report"
    file.write_bytes(b"mine")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        for path, replace in ((file, True), (tmp_path / "new", False)):
            with pytest.raises(OSError, match="No space"):
                output.write_file(path, b"x" * 100_000, replace=replace)
    assert [path.name for path in tmp_path.iterdir()] == ["report"]
    assert file.read_bytes() == b"mine"


def test_a_file_is_replaced_only_where_that_is_asked_for(tmp_path: Path) -> None:
    """The same content is no reason to refuse; whoever was there keeps the permissions."""
    file = tmp_path / "report"
    file.write_bytes(b"mine")
    file.chmod(0o640)
    with pytest.raises(FileExistsError):
        output.write_file(file, b"other")
    output.write_file(file, b"mine")
    output.write_file(file, b"other", replace=True)
    assert file.read_bytes() == b"other"
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    link = tmp_path / "link"
    link.symlink_to(file)
    output.write_file(link, b"through", replace=True)
    assert link.is_symlink()
    assert file.read_bytes() == b"through"
    assert len(list(tmp_path.iterdir())) == 2


def test_a_new_file_has_the_permissions_that_the_person_has_chosen(tmp_path: Path) -> None:
    """Those of the umask, as with every program; not those of a temporary file."""
    before = os.umask(0o027)
    try:
        output.write_file(tmp_path / "new", b"x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o640


def test_a_file_system_without_links_keeps_both_promises(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name is taken first, and only where nobody has it."""

    def none(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    output.write_file(tmp_path / "new", b"x")
    assert (tmp_path / "new").read_bytes() == b"x"
    with pytest.raises(FileExistsError):
        output.write_file(tmp_path / "new", b"y")
    assert [path.name for path in tmp_path.iterdir()] == ["new"]


@pytest.mark.parametrize("replace", [False, True])
def test_what_is_no_ordinary_file_is_never_replaced(tmp_path: Path, *, replace: bool) -> None:
    """Neither a device nor a pipe nor a folder."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, tmp_path):
        with pytest.raises(OSError, match="ordinary"):
            output.write_file(path, b"x", replace=replace)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.parametrize("command", ["export", "diagnose", "describe"])
def test_no_command_writes_over_a_file_unasked(
    board: str, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence names what allows it, and with that it is done."""
    file = tmp_path / "mine"
    file.write_text("mine", encoding="utf-8")
    what = [str(SCHEMA)] if command == "describe" else ["--port", board]
    arguments = [command, *what, "--out", str(file)]
    assert main(arguments) == ExitCode.USAGE
    assert capsys.readouterr().err.endswith("name another file, or give --replace.\n")
    assert file.read_text(encoding="utf-8") == "mine"
    assert main([*arguments, "--replace"]) == ExitCode.DONE
    assert len(file.read_text(encoding="utf-8")) > 100


# ----------------------------------------------------------------------------- what is read

# Every one of these is TOML by its grammar, or the beginning of some.
UNREADABLE = {
    "thousands of digits": "x = " + "9" * 5000,
    "thousands of hexadecimal digits": "x = 0x" + "f" * 5000,
    "in a list": "x = [[1, 0o" + "7" * 9000 + "]]",
    "deep lists": "x = " + "[" * 5000 + "]" * 5000,
    "deep lists that do not end": "x = " + "[" * 100_000,
    "deep tables": "x = " + "{a=" * 3000 + "1" + "}" * 3000,
}
ODD = {
    "deep keys": ".".join("a" * 3000) + " = 1",
    "deep headers": "[" + ".".join("a" * 3000) + "]\n",
    "an odd key": '"\\u001b[2J" = 1',
    "no finite number": "x = nan",
    "a huge exponent": "x = 1e999999999999999999999",
    "a date": "x = 1979-05-27T07:32:00Z",
}


@pytest.mark.parametrize("name", [*UNREADABLE, *ODD])
@pytest.mark.parametrize("command", ["check", "rehearse", "find-secrets", "generate"])
def test_a_file_that_no_program_can_read_is_a_sentence(
    tmp_path: Path, name: str, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Schema files and answers files alike; what is odd in them is not repeated raw."""
    file = tmp_path / "odd.toml"
    file.write_text((UNREADABLE | ODD)[name], encoding="utf-8")
    arguments, code = {
        "check": (["check", str(file)], ExitCode.MISTAKES),
        "generate": (["generate", str(file), "--out", str(tmp_path)], ExitCode.MISTAKES),
        "rehearse": (["rehearse", str(SCHEMA), "--answers", str(file)], ExitCode.ANSWERS),
        "find-secrets": (
            ["find-secrets", str(file), "--schema", str(SCHEMA), "--answers", str(file)],
            ExitCode.ANSWERS,
        ),
    }[command]
    assert main(arguments) == code
    said = "".join(capsys.readouterr())
    assert said
    assert all(character.isprintable() or character == "\n" for character in said)
    assert "999" not in said
    assert all(len(line) < 400 for line in said.splitlines())
    if name in UNREADABLE and command != "check":
        assert "deep" in said or "digits" in said, said


@pytest.mark.parametrize("place", ["title", "section.0.field.0.maximum", "pin.0.numbers", "format"])
@pytest.mark.parametrize("digits", ["9" * 999, "0x" + "f" * 800])
def test_a_long_number_anywhere_in_a_schema_file_is_a_mistake(
    tmp_path: Path, place: str, digits: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """With its place, and without its digits."""
    text = SCHEMA.read_text(encoding="utf-8")
    key = place.rpartition(".")[2]
    lines = text.split("\n")
    at = next(number for number, line in enumerate(lines) if line.startswith(f"{key} = "))
    lines[at] = f"{key} = {digits}"
    file = tmp_path / "long.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    assert main(["check", str(file)]) == ExitCode.MISTAKES
    said = capsys.readouterr().out
    assert f"long.toml:{at + 1}:" in said
    assert all(len(line) < 400 for line in said.splitlines())
