# SPDX-License-Identifier: MIT
"""What a person does with a board that is set: change, go back, export, watch its log, erase."""

from __future__ import annotations

import json
import re
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.wizard.result import ExitCode
from tests.test_cli import (
    ANSWERS,
    NETWORKS,
    PROVISION,
    ROOT,
    SECRETS,
    is_one_sentence,
    provision,
    stand_in,
)
from tests.waiting import next_line
from tests.wizard.bench import RETURN, typed
from tests.wizard.test_terminal import terminal


@pytest.fixture
def port() -> Iterator[str]:
    """The port of a virtual board that is set up with the demo's answers."""
    with stand_in("--networks", NETWORKS, "--log") as name:
        done = provision("setup", "--port", name, "--answers", ANSWERS)
        assert done.returncode == ExitCode.DONE, done.stderr
        yield name


def held(port: str) -> dict[str, object]:
    """Return the values that a board shows, by full key."""
    settings = json.loads(provision("show", "--port", port, "--json").stdout)["settings"]
    return {key: entry.get("value", entry["held"]) for key, entry in settings.items()}


def _interruptible() -> None:
    """Let Ctrl-C be a signal also where the tests run in the background of a shell."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


# --- Changing


def test_a_named_setting_is_changed_and_nothing_else_asked(port: str) -> None:
    """One question, the review, and the board works with it."""
    before = held(port)
    with terminal("change", "orchard.name", "--port", port) as here:
        here.wait_for("1 of 1")
        here.type(typed("Upper orchard"))
        here.wait_for("Return stores this")
        here.type(RETURN)
        assert here.end() == ExitCode.DONE
    assert held(port) == {**before, "orchard.name": "Upper orchard"}


def test_settings_are_chosen_from_a_list_with_what_they_hold(port: str) -> None:
    """Numbers with spaces between; secrets are in the list, but not what they are."""
    with terminal("change", "--port", port) as here:
        here.wait_for("Numbers, with spaces between")
        assert "Network, Passphrase: set, not shown" in here.text
        numbers = {
            label: re.search(rf"(\d+)  {label}", here.text).group(1)  # type: ignore[union-attr]
            for label in ("Weather service, Port", "Orchard, Height above the sea")
        }
        here.type(typed(" ".join(numbers.values())))
        here.wait_for("1 of 2")
        here.type(typed("8443"))
        here.wait_for("2 of 2")
        here.type(typed("333"))
        here.wait_for("Return stores this")
        here.type(RETURN)
        here.end()
    assert held(port)["service.port"] == 8443
    assert held(port)["orchard.height"] == 333


def test_a_change_that_keeps_everything_sends_nothing(port: str) -> None:
    """Return on what is set leaves the board as it is, and it is said."""
    with terminal("change", "orchard.name", "--port", port) as here:
        here.wait_for("1 of 1")
        here.type(RETURN)
        assert here.end() == ExitCode.DONE
        assert "nothing was changed" in " ".join(here.text.split()).lower()


@pytest.mark.parametrize(
    ("key", "says"),
    [
        ("orchard.nam", "the nearest is orchard.name"),
        ("network.address", "does not apply with the present settings"),
    ],
)
def test_a_key_that_cannot_be_changed_is_named(port: str, key: str, says: str) -> None:
    """An unknown one with its nearest; one that does not apply with what decides."""
    with terminal("change", key, "--port", port) as here:
        assert here.end() == ExitCode.USAGE
        assert says in " ".join(here.text.split())


# --- Going back


def test_undo_goes_back_and_a_second_one_forth_again(port: str, tmp_path: Path) -> None:
    """The board works with each, and it is said."""
    answers = tmp_path / "more.toml"
    answers.write_text('[orchard]\nname = "Upper orchard"\n', encoding="utf-8")
    assert provision("setup", "--port", port, "--answers", answers).returncode == 0
    for name in ("Lower orchard", "Upper orchard"):
        done = provision("undo", "--port", port, "--yes", "--json")
        result = json.loads(done.stdout)
        assert (result["result"], result["run"]) == ("taken back", "proven")
        assert result["words"].startswith("The previous settings are in force again, and the board")
        assert held(port)["orchard.name"] == name


def test_undo_asks_first_and_no_leaves_everything(port: str) -> None:
    """Return alone is no answer; no is."""
    before = held(port)
    with terminal("undo", "--port", port) as here:
        here.wait_for("Go back to them?")
        here.type(RETURN, "n", RETURN)
        assert here.end() == ExitCode.REFUSED
        assert "Nothing was changed on the board." in here.text
    assert held(port) == before


def test_undo_where_there_is_nothing_to_go_back_to(port: str) -> None:
    """The board's refusal, in words."""
    done = provision("undo", "--port", port, "--yes")
    assert done.returncode == ExitCode.REFUSED
    assert "no older settings" in done.stderr


def test_undo_on_an_empty_board_is_told_apart() -> None:
    """There is nothing that could be undone."""
    with stand_in() as port:
        done = provision("undo", "--port", port, "--yes")
    assert done.returncode == ExitCode.REFUSED
    assert "Nothing is set on this board" in done.stderr


# --- Erasing


def test_erasing_asks_says_what_and_leaves_nothing(port: str) -> None:
    """What the board is, how much is set, and that it cannot be brought back; then it is empty."""
    with terminal("erase", "--port", port) as here:
        here.wait_for("Erase everything?")
        assert "26 settings set" in " ".join(here.text.split())
        here.type("y", RETURN)
        assert here.end() == ExitCode.DONE
    assert set(held(port).values()) == {"unset"}


@pytest.mark.parametrize("command", ["undo", "erase"])
def test_what_cannot_be_asked_is_not_done(port: str, command: str) -> None:
    """Without a terminal only --yes agrees."""
    before = held(port)
    done = provision(command, "--port", port)
    assert done.returncode == ExitCode.USAGE
    assert is_one_sentence(done.stderr)
    assert "--yes" in done.stderr
    assert held(port) == before


# --- Exporting


def test_an_export_has_all_but_the_secrets(port: str) -> None:
    """A mark stands for each of them; the open questions of a network are closed."""
    exported = provision("export", "--port", port)
    assert exported.returncode == ExitCode.DONE
    assert not [secret for secret in SECRETS if secret in exported.stdout + exported.stderr]
    lines = exported.stdout.splitlines()
    marked = [line for line in lines if line.endswith("= { ask = true }")]
    assert marked == ["passphrase = { ask = true }", "key = { ask = true }"]
    assert 'address = "28 a1 5c 07 d6 01 3c e9"' in lines


def test_an_export_at_a_terminal_asks_for_the_secrets_alone(port: str, tmp_path: Path) -> None:
    """After an erase the file and two secrets make the board what it was."""
    file = tmp_path / "orchard.toml"
    assert provision("export", "--port", port, "--out", file).returncode == 0
    before = held(port)
    assert provision("erase", "--port", port, "--yes").returncode == 0
    with terminal("setup", "--port", port, "--answers", str(file)) as here:
        here.wait_for("Passphrase")
        here.type(typed(SECRETS[0]))
        here.wait_for("Service key")
        here.type(typed(SECRETS[1]))
        here.wait_for("do you accept it")
        here.type(typed("y"))
        here.wait_for("Return stores this")
        here.type(RETURN)
        assert here.end() == ExitCode.DONE
    assert held(port) == before


def test_an_export_without_its_secrets_is_an_error_that_names_them(
    port: str, tmp_path: Path
) -> None:
    """Where nobody can be asked, a mark is no answer; on the same board it keeps what is set."""
    file = tmp_path / "orchard.toml"
    provision("export", "--port", port, "--out", file)
    text = file.read_text(encoding="utf-8").replace("# accept", "accept")
    file.write_text(text, encoding="utf-8")
    again = provision("setup", "--port", port, "--answers", file)
    assert again.returncode == ExitCode.DONE, again.stderr
    provision("erase", "--port", port, "--yes")
    done = provision("setup", "--port", port, "--answers", file)
    assert done.returncode == ExitCode.ANSWERS
    assert "service.key" in done.stderr
    assert set(held(port).values()) == {"unset"}


def test_an_export_never_writes_over_a_file(port: str, tmp_path: Path) -> None:
    """One sentence, and the file as it was."""
    file = tmp_path / "orchard.toml"
    file.write_text("mine", encoding="utf-8")
    done = provision("export", "--port", port, "--out", file)
    assert done.returncode == ExitCode.USAGE
    assert is_one_sentence(done.stderr)
    assert file.read_text(encoding="utf-8") == "mine"


def test_an_empty_board_has_nothing_to_export() -> None:
    """It is said, and nothing is printed."""
    with stand_in() as port:
        done = provision("export", "--port", port)
    assert (done.returncode, done.stdout) == (ExitCode.DONE, "")
    assert is_one_sentence(done.stderr)


# --- Its log


def test_the_log_is_shown_while_the_board_tries_the_settings() -> None:
    """What it prints stands among the steps, marked as the board's."""
    with stand_in("--networks", NETWORKS, "--log") as port:
        done = provision("setup", "--port", port, "--answers", ANSWERS, "--log")
    assert done.returncode == ExitCode.DONE
    assert "  Its log: " in done.stderr


def test_the_log_is_watched_until_ctrl_c(port: str) -> None:
    """Lines as they come, on standard output; leaving is no failure."""
    process = subprocess.Popen(
        [*PROVISION, "log", "--port", port],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=_interruptible,  # noqa: PLW1509 - no threads
    )
    line = next_line(process)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert line.strip()
    assert process.returncode == ExitCode.DONE, err
    assert "Traceback" not in out + err


def test_watching_the_log_ends_when_the_port_goes() -> None:
    """Where nobody can plug the board in again, that is the end, in one sentence."""
    with stand_in("--log") as port:
        process = subprocess.Popen(
            [*PROVISION, "log", "--port", port],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        next_line(process)
    out, err = process.communicate(timeout=20)
    assert process.returncode == ExitCode.PORT
    assert "Traceback" not in out + err
