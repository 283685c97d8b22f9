# SPDX-License-Identifier: MIT
"""The command line: quick to help, one clear sentence and one code for whatever goes wrong."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision import cli
from provision.cli import main
from provision.wizard import at_port
from provision.wizard.result import ExitCode
from tests.waiting import PATIENCE, next_line

ROOT = Path(__file__).parents[1]
SCHEMA = ROOT / "schemas" / "orchard-frost-alarm.toml"
ANSWERS = ROOT / "schemas" / "orchard-frost-alarm.answers.toml"
NETWORKS = ROOT / "schemas" / "orchard.networks"
SECRETS = ("blossom-before-frost", "w7-Zephyr.0419")

PROVISION = (sys.executable, "-m", "provision")


def provision(*arguments: str | Path, timeout: float = 60) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would, without a terminal."""
    return subprocess.run(
        [*PROVISION, *map(str, arguments)],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )


@contextmanager
def stand_in(*arguments: str | Path) -> Iterator[str]:
    """Run a virtual board; yield its port."""
    process = subprocess.Popen(
        [*PROVISION, "stand-in", str(SCHEMA), *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        said = next_line(process)
        assert said.startswith("The board is on "), said
        yield said.removeprefix("The board is on ").rstrip(".\n")
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(timeout=20)
        assert process.stdout is not None
        process.stdout.close()


def is_one_sentence(text: str) -> bool:
    """Whether a message is for people: no traceback, one line, a full stop."""
    return "Traceback" not in text and len(text.splitlines()) == 1 and text.endswith(".\n")


# ------------------------------------------------------------------------------------- quick


@pytest.mark.parametrize("arguments", [["--help"], ["setup", "--help"], ["rehearse", "--help"]])
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    """Each of these takes longer to import than a person expects help to take."""
    code = (
        "import sys\nfrom provision.cli import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'serial', 'asyncio', 'prompt_toolkit', 'cbor2', 'google_crc32c', 'ssl'}\n"
        "sys.exit(str(sorted(heavy & sys.modules.keys())) if heavy & sys.modules.keys() else 0)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE,
    )
    assert ran.returncode == 0, ran.stderr


def test_help_names_every_exit_code() -> None:
    """A script that runs the command finds what to expect."""
    text = provision("--help").stdout
    for code in ExitCode:
        assert f"{int(code):>3}  {code.words}" in text


def test_the_readme_has_the_same_exit_codes() -> None:
    """Every code has a row there."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [code for code in ExitCode if f"| {int(code)} | " not in readme] == []


def test_the_version_is_that_of_the_package() -> None:
    """Printed on standard output."""
    ran = provision("--version")
    assert ran.returncode == 0
    assert ran.stdout.startswith("provision ")


# -------------------------------------------------------------------- with a board on a port


def test_a_board_on_a_port_is_set_up_from_a_file_and_shown(tmp_path: Path) -> None:
    """Results on standard output, the rest on standard error, no secret on either; it lasts."""
    with stand_in("--flash", tmp_path / "flash", "--networks", NETWORKS, "--log") as port:
        done = provision("setup", "--port", port, "--answers", ANSWERS)
        assert done.returncode == ExitCode.DONE, done.stderr
        assert done.stdout == (
            "The settings are stored, and the board works with them. Its address is 198.51.100.7.\n"
        )
        assert "  Network: Orchard Gate" in done.stderr
        again = provision("setup", "--port", port, "--answers", ANSWERS, "--json")
        result = json.loads(again.stdout)
        # The secrets go again, since nobody can see whether they are the same.
        assert (result["result"], result["run"]) == ("stored", "proven")
        assert set(result["stored"]) == {"network.name", "network.passphrase", "service.key"}
    with stand_in("--flash", tmp_path / "flash", "--networks", NETWORKS) as port:
        shown = provision("show", "--port", port)
        assert shown.returncode == ExitCode.DONE
        assert "  Name of the mast: Lower orchard\n" in shown.stdout
        assert "  Passphrase: set, not shown\n" in shown.stdout
        told = json.loads(provision("show", "--port", port, "--json").stdout)
        assert told["settings"]["probe.2.address"]["value"] == "28 a1 5c 07 d6 01 3c e9"
    everything = done.stdout + done.stderr + again.stdout + again.stderr + shown.stdout
    assert not [secret for secret in SECRETS if secret in everything]


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
def test_either_driver_serves_over_tcp(driver: str) -> None:
    """The one for Windows is tested over socket://; the other reads its descriptor, too."""
    with stand_in("--tcp", "0") as port:
        assert port.startswith("socket://127.0.0.1:")
        ran = provision("show", "--port", port, "--driver", driver)
        assert ran.returncode == ExitCode.DONE, ran.stderr


def test_a_wrong_passphrase_has_a_code_of_its_own(tmp_path: Path) -> None:
    """The settings are stored, and do not work."""
    text = ANSWERS.read_text(encoding="utf-8").replace(SECRETS[0], "blossom-after-frost")
    (tmp_path / "answers.toml").write_text(text, encoding="utf-8")
    with stand_in("--networks", NETWORKS) as port:
        ran = provision("setup", "--port", port, "--answers", tmp_path / "answers.toml")
    assert ran.returncode == ExitCode.NOT_WORKING
    assert "did not take this passphrase" in ran.stderr
    assert ran.stdout == ""


# ------------------------------------------------------------------------------- bad input


def test_a_port_that_is_not_there() -> None:
    """Code 3, and what to do."""
    ran = provision("show", "--port", "/dev/no-such-port")
    assert ran.returncode == ExitCode.PORT
    assert is_one_sentence(ran.stderr.replace(". This", "; this").replace(". Ports", "; ports"))


def test_something_that_is_no_port(tmp_path: Path) -> None:
    """A file is no port, and is not written to."""
    path = tmp_path / "file"
    path.write_text("precious", encoding="utf-8")
    ran = provision("show", "--port", path)
    assert ran.returncode == ExitCode.PORT
    assert "is no serial port" in ran.stderr
    assert path.read_text(encoding="utf-8") == "precious"


@contextmanager
def talker(answer: bytes) -> Iterator[str]:
    """Run something on a pty that says the same to whatever it hears; yield its port."""
    master, slave = pty.openpty()

    def talk() -> None:
        while True:
            try:
                heard = os.read(master, 4096)
                if not heard:
                    return
                os.write(master, answer)
            except OSError:
                return

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        os.close(slave)  # the last one to hang up ends the reading
        thread.join(timeout=20)
        os.close(master)


@pytest.mark.parametrize("answer", [b"", b"boot: garbage \xff\xfe\x00\r\nready\r\n"])
def test_a_silent_port_and_one_that_speaks_something_else(
    answer: bytes, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Code 4, in one sentence, after the time that a board has to answer."""
    monkeypatch.setattr(at_port, "PATIENCE", 1.0)
    with talker(answer) as port:
        assert main(["show", "--port", port]) == ExitCode.NO_BOARD
    assert is_one_sentence(capsys.readouterr().err)


def test_no_terminal_and_no_answers() -> None:
    """The error names what is missing."""
    for arguments in (["setup"], ["rehearse", str(SCHEMA)]):
        ran = provision(*arguments)
        assert ran.returncode == ExitCode.USAGE
        assert "--answers" in ran.stderr
        assert is_one_sentence(ran.stderr)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("[network\n", "is no TOML file"),
        ('[network]\nnaem = "x"', "network.naem: the board has no such setting"),
        ('[network]\nname = "x"', "service.key: has no answer, and is required"),
        ('[network]\nname = "x\\u0007y-and-much-too-long-for-a-network"', "must have 1 to 32"),
    ],
)
def test_a_wrong_answers_file_sends_nothing(tmp_path: Path, text: str, expected: str) -> None:
    """Code 8; every mistake on a line of its own."""
    path = tmp_path / "answers.toml"
    path.write_text(text, encoding="utf-8")
    ran = provision("rehearse", SCHEMA, "--answers", path)
    assert ran.returncode == ExitCode.ANSWERS
    assert expected in ran.stderr
    assert "Traceback" not in ran.stderr
    assert ran.stdout == ""


@pytest.mark.parametrize("command", ["check", "rehearse", "stand-in", "generate"])
@pytest.mark.parametrize("content", [b"format = ", b"\xff\xfe", None])
def test_a_wrong_schema_file(tmp_path: Path, command: str, content: bytes | None) -> None:
    """Code 1, whatever the command, with the place."""
    path = tmp_path / "schema.toml"
    if content is not None:
        path.write_bytes(content)
    more: dict[str, list[str | Path]] = {
        "rehearse": ["--answers", ANSWERS],
        "generate": ["--out", tmp_path],
    }
    ran = provision(command, path, *more.get(command, []))
    assert ran.returncode == ExitCode.MISTAKES
    assert "schema.toml:1:" in ran.stdout + ran.stderr
    assert "Traceback" not in ran.stderr


def test_wrong_networks_files(tmp_path: Path) -> None:
    """In one sentence that repeats nothing of them."""
    path = tmp_path / "networks"
    for content in (b"no tabs here canary", b"\xff"):
        path.write_bytes(content)
        ran = provision("rehearse", SCHEMA, "--answers", ANSWERS, "--networks", path)
        assert ran.returncode == ExitCode.MISTAKES
        assert "canary" not in ran.stderr
        assert "Traceback" not in ran.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["no-such-command"],
        ["show", "--baud", "fast"],
        ["show", "--driver", "hope"],
        ["stand-in", str(SCHEMA), "--tcp", "70000"],
        ["generate", str(SCHEMA)],
    ],
)
def test_a_wrong_command_line(arguments: list[str]) -> None:
    """Code 2."""
    ran = provision(*arguments)
    assert ran.returncode == ExitCode.USAGE
    assert "Traceback" not in ran.stderr


def test_no_flag_takes_a_secret() -> None:
    """What stands in a command line can be read by everybody on the computer."""
    for command in ("setup", "rehearse"):
        text = provision(command, "--help").stdout.lower()
        assert not [word for word in ("passphrase", "password", "secret") if word in text]


# ------------------------------------------------------------------------------- for authors


def test_check_finds_no_mistakes_in_the_demo(capsys: pytest.CaptureFixture[str]) -> None:
    """And says so."""
    assert main(["check", str(SCHEMA)]) == ExitCode.DONE
    assert "no mistakes" in capsys.readouterr().out
    assert main(["check", str(SCHEMA), "--json"]) == ExitCode.DONE
    assert json.loads(capsys.readouterr().out)["mistakes"] == []


def test_check_gives_mistakes_to_programs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With line, column, what is wrong and what would be right."""
    path = tmp_path / "schema.toml"
    path.write_text(SCHEMA.read_text(encoding="utf-8") + "\ncolour = 1\n", encoding="utf-8")
    assert main(["check", str(path), "--json"]) == ExitCode.MISTAKES
    (mistake,) = json.loads(capsys.readouterr().out)["mistakes"]
    assert set(mistake) == {"line", "column", "where", "wrong", "fix"}


def test_generate_names_what_it_wrote(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One path on a line."""
    assert main(["generate", str(SCHEMA), "--out", str(tmp_path)]) == ExitCode.DONE
    written = capsys.readouterr().out.split()
    assert [Path(name).name for name in written] == [
        "orchard_frost_alarm.h",
        "orchard_frost_alarm.c",
    ]
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["generate", str(SCHEMA), "--out", str(tmp_path / "file")]) == ExitCode.USAGE
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize("name", cli._COMMANDS)
def test_a_command_of_an_author_explains_itself(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its arguments are looked up when it is called for, and its words are those of the list."""
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told.startswith(f"usage: provision {name} ")
    assert cli._COMMANDS[name][1][1:] in told


def test_a_page_and_an_update(capsys: pytest.CaptureFixture[str]) -> None:
    """The demo's page; and an update to the same file keeps everything."""
    assert main(["describe", str(SCHEMA)]) == ExitCode.DONE
    assert capsys.readouterr().out.startswith("# Orchard frost alarm\n")
    assert main(["carry-over", str(SCHEMA), str(SCHEMA)]) == ExitCode.DONE
    assert "network.name" in capsys.readouterr().out
