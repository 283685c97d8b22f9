# SPDX-License-Identifier: MIT
"""The plugin for pytest, as an author's repository uses it: pytest runs tests of theirs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from provision.testing.boards import VirtualBoard

ROOT = Path(__file__).parents[2]
SCHEMA = ROOT / "schemas" / "orchard-gate-lamp.toml"
PLUGIN = ROOT / "provision" / "testing" / "plugin.py"
BOARD = ROOT / "firmware_stub" / "build" / "board_pty"

pytest_plugins = ["pytester"]

ANSWERS = """
ANSWERS = {
    "network": {"name": "Orchard", "passphrase": "blossom-time"},
    "alarm": {"name": "Lower mast", "key": "w7-Zephyr.0419"},
}
"""


def run(pytester: pytest.Pytester, tests: str, *options: str) -> pytest.RunResult:
    """Run tests in a folder with the schema file in it."""
    (pytester.path / "lamp.toml").write_bytes(SCHEMA.read_bytes())
    pytester.makepyfile(ANSWERS + tests)
    return pytester.runpytest_subprocess("-q", *options)


def test_a_board_is_set_up_and_looked_at(pytester: pytest.Pytester) -> None:
    """Values, state and traffic; several boards at once; no secret in the traffic."""
    result = run(
        pytester,
        """
def test_it_works(provision_board, provision_set_up):
    board, other = provision_board("lamp.toml"), provision_board("lamp.toml", tcp=True)
    assert (board.store, board.values, board.generation) == ("empty", {}, 0)
    outcome = provision_set_up(board, ANSWERS)
    assert (outcome.result, outcome.run) == ("stored", "proven")
    assert "alarm.key" in outcome.stored
    assert board.store == "complete"
    assert board.values["network.name"] == b"Orchard"
    assert board.values["alarm.key"] == "w7-Zephyr.0419"
    assert board.staged == {}
    assert other.values == {}
    assert provision_set_up(other, ANSWERS).result == "stored"
    names = [said.name for said in board.traffic]
    assert names[0] == "hello" and "commit-reply" in names
    assert "w7-Zephyr.0419" not in str([str(said) for said in board.traffic])
    assert "Lower mast" in str([str(said) for said in board.traffic])

def test_a_wrong_passphrase_is_told(provision_board, provision_set_up):
    board = provision_board("lamp.toml", networks={"Orchard": "snow-in-may"})
    outcome = provision_set_up(board, ANSWERS)
    assert (outcome.result, outcome.run) == ("stored", "failed")
    assert (outcome.reason, outcome.field) == ("passphrase-wrong", "network.passphrase")
""",
    )
    result.assert_outcomes(passed=2)


def test_what_can_happen_to_a_board_happens(pytester: pytest.Pytester) -> None:
    """Faults by name, reset, the cable pulled, the button, an update on the same flash."""
    result = run(
        pytester,
        """
import pytest
from provision.link.errors import LinkError

@pytest.mark.parametrize("fault", ["lose-reply:3", "damage-reply:2", "echo", "reset-after:4"])
def test_faults_are_survived(fault, provision_board, provision_set_up):
    board = provision_board("lamp.toml", faults=[fault, "cr-lf"], logs=True)
    assert provision_set_up(board, ANSWERS).result == "stored"

def test_what_is_stored_survives_a_reset_and_the_cable(provision_board, provision_set_up):
    board = provision_board("lamp.toml")
    provision_set_up(board, ANSWERS)
    before, boot = board.values, board.boot_number
    board.reset()
    board.unplug()
    with pytest.raises(LinkError, match="There is no port"):
        provision_set_up(board, ANSWERS)
    board.plug_in()
    outcome = provision_set_up(board, {"lamp": {"level": 30}})
    assert outcome.stored == ("lamp.level",)
    assert board.values == {**before, "lamp.level": 30}
    assert board.boot_number != boot

@pytest.mark.parametrize("change", [1, 2, 3])
def test_a_power_cut_while_storing_leaves_all_or_nothing(change, provision_board, provision_set_up):
    board = provision_board("lamp.toml")
    provision_set_up(board, ANSWERS)
    before, boot = board.values, board.boot_number
    board.cut_power_at(change)
    outcome = provision_set_up(board, {"lamp": {"level": 30, "pattern": "blinking"}})
    assert board.boot_number != boot
    after = {**before, "lamp.level": 30, "lamp.pattern": "blinking"}
    assert board.values == (after if outcome.result == "stored" else before)

def test_the_button(provision_board, provision_set_up):
    board = provision_board("lamp.toml", button=True)
    provision_set_up(board, ANSWERS)
    board.press_button()
    assert provision_set_up(board, {"lamp": {"level": 30}}).result == "stored"

def test_an_update_keeps_what_was_set(provision_board, provision_set_up, tmp_path):
    import pathlib
    flash = tmp_path / "flash"
    board = provision_board("lamp.toml", flash=flash)
    provision_set_up(board, ANSWERS)
    kept = board.values
    newer = tmp_path / "lamp.toml"
    text = pathlib.Path("lamp.toml").read_text()
    text = text.replace('key = "night"', 'key = "dark"\\nwas = ["night"]')
    newer.write_text(text.replace('version = "1.0.0"', 'version = "1.1.0"'))
    board.close()
    updated = provision_board(newer, flash=flash)
    assert updated.values == {k.replace("night", "dark"): v for k, v in kept.items()}
""",
    )
    result.assert_outcomes(passed=10)


def test_a_recorded_conversation_is_played_again(pytester: pytest.Pytester) -> None:
    """As a board; with other secrets too, since none is in the file; what deviates is told."""
    result = run(
        pytester,
        """
def test_record_and_play(provision_board, provision_replayed_board, provision_set_up, tmp_path):
    file = tmp_path / "lamp.txt"
    board = provision_board("lamp.toml", networks={"Orchard": "blossom-time"}, logs=True)
    real = provision_set_up(board, ANSWERS, record=file)
    text = file.read_text()
    assert "w7-Zephyr" not in text and "blossom-time" not in text and "Lower mast" in text

    replayed = provision_replayed_board(file)
    others = {**ANSWERS, "alarm": {"name": "Lower mast", "key": "another-key-of-19"}}
    again = provision_set_up(replayed, others)
    assert (again.result, again.run, again.stored) == (real.result, real.run, real.stored)
    assert again.words == real.words
    assert replayed.deviation is None
    assert replayed.unasked == []

def test_a_deviation_is_told(provision_board, provision_replayed_board, provision_set_up, tmp_path):
    file = tmp_path / "lamp.txt"
    provision_set_up(provision_board("lamp.toml"), ANSWERS, record=file)
    replayed = provision_replayed_board(file)
    outcome = provision_set_up(replayed, {**ANSWERS, "lamp": {"level": 33}})
    assert outcome.result == "not stored"
    assert 'set-field {"field": "lamp.level", "value": 33}' in replayed.deviation
    assert any("lamp.level" in one for one in replayed.unasked)
""",
    )
    result.assert_outcomes(passed=2)


def test_a_recording_is_played_to_a_board(pytester: pytest.Pytester) -> None:
    """As a host: another board of the firmware answers the same; one that does not is told."""
    result = run(
        pytester,
        """
import pathlib, pytest
from provision.link.errors import LinkError
NETWORKS = {"Orchard": "blossom-time"}

@pytest.fixture
def file(provision_board, provision_set_up, tmp_path):
    file = tmp_path / "lamp.txt"
    provision_set_up(provision_board("lamp.toml", networks=NETWORKS), ANSWERS, record=file)
    return file

def test_the_same(provision_board, provision_play_recording, file):
    board = provision_board("lamp.toml", networks=NETWORKS, faults=["lose-reply:4", "echo"])
    provision_play_recording(board, file, secrets={"network.passphrase": "blossom-time"})
    assert board.values["network.passphrase"] == "blossom-time"
    assert board.values["alarm.key"] == "f" * len(ANSWERS["alarm"]["key"])

def test_wrong_secret(provision_board, provision_play_recording, file):
    board = provision_board("lamp.toml", networks=NETWORKS)
    provision_play_recording(board, file)

def test_other_firmware(provision_board, provision_play_recording, file):
    text = pathlib.Path("lamp.toml").read_text()
    pathlib.Path("other.toml").write_text(text.replace("maximum = 100", "maximum = 80"))
    provision_play_recording(provision_board("other.toml"), file)

def test_wrong_kind(provision_board, provision_play_recording, file):
    provision_play_recording(provision_board("lamp.toml"), file, secrets={"alarm.key": b"w7"})

def test_silent(provision_play_recording, file):
    import os, tty
    board, port = os.openpty()
    tty.setraw(port)
    try:
        with pytest.raises(LinkError, match="does not answer hello"):
            provision_play_recording(os.ttyname(port), file)
    finally:
        os.close(board)
        os.close(port)
""",
        "--tb=line",
    )
    result.assert_outcomes(passed=2, failed=3)
    result.stdout.fnmatch_lines_random(
        [
            '*At host status {} this board says *"run": 3*; when it was recorded, it was *',
            "*At host hello {} this board says *; when it was recorded, it was *",
            "*ConversationError: alarm.key: was sent in parts, or as another kind of value: *",
        ]
    )


def test_every_set_up_is_recorded_where_that_is_asked_for(pytester: pytest.Pytester) -> None:
    """One option for a whole run; the files are named after the tests."""
    run(
        pytester,
        """
def test_it(provision_board, provision_set_up):
    provision_set_up(provision_board("lamp.toml"), ANSWERS)
    provision_set_up(provision_board("lamp.toml"), ANSWERS)
""",
        "--provision-record",
        "kept",
    ).assert_outcomes(passed=1)
    names = sorted(path.name for path in (pytester.path / "kept").iterdir())
    assert names == ["test_it-1.txt", "test_it-2.txt"]


@pytest.mark.skipif(not BOARD.exists(), reason="needs the compiled stub (make stub)")
def test_the_authors_own_firmware_is_set_up(pytester: pytest.Pytester) -> None:
    """A compiled program with a port; what it stored is there when it is started again."""
    result = run(
        pytester,
        f"""
import pytest
from provision.link.errors import LinkError

BOARD, ROOT = {str(BOARD)!r}, {str(ROOT)!r}

def test_it(provision_firmware, provision_set_up, provision_conform, tmp_path):
    command = (BOARD, "--flash", tmp_path / "flash", "--link", "{{port}}")
    board = provision_firmware(*command)
    outcome = provision_set_up(board, ROOT + "/schemas/orchard-frost-alarm.answers.toml")
    assert (outcome.result, outcome.run) == ("stored", "proven")
    board.process.kill()
    board.process.wait(timeout=60)
    with pytest.raises(LinkError, match="There is no port"):
        provision_set_up(board, {{}})
    board = provision_firmware(*command)
    again = provision_set_up(board, {{"orchard": {{"name": "Upper orchard"}}}})
    assert again.stored == ("orchard.name",)
""",
    )
    result.assert_outcomes(passed=1)


@pytest.mark.parametrize("tcp", [False, True])
def test_a_board_on_a_port_is_set_up_where_it_is_named(
    pytester: pytest.Pytester, tmp_path: Path, tcp: bool
) -> None:
    """A device or a URL of the serial library; without the option nothing is opened."""
    tests = """
def test_any_port(provision_port, provision_set_up):
    assert provision_set_up(provision_port, ANSWERS).result == "stored"
"""
    with VirtualBoard(SCHEMA, folder=tmp_path, tcp=tcp) as board:
        run(pytester, tests).assert_outcomes(skipped=1)
        assert board.traffic == []
        run(pytester, tests, "--provision-port", board.port).assert_outcomes(passed=1)
        assert board.store == "complete"


def test_a_board_is_held_against_the_protocol(pytester: pytest.Pytester) -> None:
    """What is met passes; a board that breaks a clause fails the test, and the clause is told."""
    result = run(
        pytester,
        """
def test_good(provision_board, provision_conform):
    report = provision_conform(provision_board("lamp.toml"), may_change_settings=False)
    assert report.is_met

def test_bad(provision_board, provision_conform):
    board = provision_board("lamp.toml", faults=["lose-request:6"])
    provision_conform(board, may_change_settings=False)
""",
    )
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(["*not met*"])


def test_what_cannot_be_done_is_said_in_a_sentence(pytester: pytest.Pytester) -> None:
    """Each mistake of a test's author: one sentence, no hang, nothing left running."""
    (pytester.path / "broken.toml").write_text("format = 1\n", encoding="utf-8")
    (pytester.path / "damaged.txt").write_text(
        "# conversation of provision, format 1\nhost hello {}\nboard hello-reply {}\n",
        encoding="utf-8",
    )
    (pytester.path / "other.txt").write_text("hello\n", encoding="utf-8")
    result = run(
        pytester,
        """
def test_fault(provision_board):
    provision_board("lamp.toml", faults=["loose-reply"])

def test_number(provision_board):
    provision_board("lamp.toml", faults=["lose-reply:x"])

def test_no_file(provision_board):
    provision_board("nothing.toml")

def test_mistakes(provision_board):
    provision_board("broken.toml")

def test_no_port(provision_set_up):
    provision_set_up("/dev/no-such-port", ANSWERS)

def test_no_program(provision_firmware):
    provision_firmware("./no-such-program", "{port}")

def test_no_change(provision_board):
    provision_board("lamp.toml").cut_power_at(0)

def test_no_place(provision_firmware):
    provision_firmware("true")

def test_ends(provision_firmware):
    provision_firmware("sh", "-c", "echo flash is full; exit 3", "{port}")

def test_damaged(provision_replayed_board):
    provision_replayed_board("damaged.txt")

def test_other(provision_replayed_board):
    provision_replayed_board("other.txt")

def test_no_conversation(provision_replayed_board):
    provision_replayed_board("nothing.txt")

def test_unanswered(provision_board, provision_set_up):
    provision_set_up(provision_board("lamp.toml"), {"network": {"name": "Orchard"}})
""",
        "--tb=line",
    )
    result.assert_outcomes(failed=13)
    result.stdout.fnmatch_lines_random(
        [
            '*BoardError: There is no fault "loose-reply": there are *',
            '*BoardError: The fault "lose-reply:x" needs a number from 1 after the colon.',
            "*nothing.toml:1:1: file: there is no such file*",
            "*broken.toml*",
            "*There is no port /dev/no-such-port*",
            "*no-such-program: cannot be started (No such file or directory).",
            "*lacks {port}, the path of its port.",
            "*Changes of the flash count from 1.",
            "*sh: ended with 3 before it had a port: flash is full",
            "*damaged.txt: line 3: is not a message: record the conversation again.",
            "*other.txt: is not a conversation: its first line is wrong.",
            "*nothing.txt: cannot be read (No such file or directory).",
            "*answers: alarm.name: has no answer, and is required*",
        ]
    )


OBSERVER = """
import sys
import pytest

@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session):
    ours = {name for name in sys.modules if name.partition(".")[0] in OF_THE_PACKAGE}
    print("\\nloaded:", *sorted(ours))

OF_THE_PACKAGE = {
    "provision", "asyncio", "serial", "serial_asyncio", "cbor2", "google_crc32c",
    "prompt_toolkit", "zopfli", "bincopy", "elftools", "tzdata",
}
"""

USER = """
def test_without():
    pass

def test_with(provision_board):
    pass
"""


def loaded(pytester: pytest.Pytester, *options: str) -> set[str]:
    """Run an author's tests; return the modules that ours are, or bring, and that are loaded."""
    pytester.makeconftest(OBSERVER)
    result = run(pytester, USER, "-s", *options)
    assert result.ret == pytest.ExitCode.OK
    (line,) = [line for line in result.outlines if line.startswith("loaded:")]
    return set(line.split()[1:])


@pytest.mark.parametrize("options", [["--collect-only"], ["-k", "without"]])
def test_nothing_is_loaded_until_a_fixture_is_used(
    pytester: pytest.Pytester, options: list[str]
) -> None:
    """A repository that has the package installed and does not use it pays nothing for it.

    Of ours there is the plugin, with the package that it lies in, and no dependency.
    """
    ours = {"provision", "provision.testing", "provision.testing.plugin"}
    assert loaded(pytester, *options) == ours


def test_the_first_fixture_loads_what_it_needs(pytester: pytest.Pytester) -> None:
    """So what is counted above would be seen."""
    assert {"provision.testing.boards", "asyncio", "cbor2"} <= loaded(pytester)


def test_every_fixture_and_option_has_the_prefix(pytester: pytest.Pytester) -> None:
    """So that none hides a fixture of an author's own, or of another plugin."""
    listed = run(pytester, "", "--fixtures", "-v").stdout.str()
    ours = re.findall(r"^(\w+).* -- .*provision/testing/", listed, re.MULTILINE)
    assert sorted(ours) == [
        "provision_board",
        "provision_conform",
        "provision_firmware",
        "provision_play_recording",
        "provision_port",
        "provision_replayed_board",
        "provision_set_up",
    ]
    options = re.findall(r"addoption\(\s*\"([^\"]+)", PLUGIN.read_text(encoding="utf-8"))
    assert options == ["--provision-port", "--provision-record"]
