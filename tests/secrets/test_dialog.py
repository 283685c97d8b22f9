# SPDX-License-Identifier: MIT
"""The dialog, keystrokes in: no secret on the screen, nor anything of one where one could get it.

The board is hostile where a test says so: it echoes, refuses, and fails.
"""

from __future__ import annotations

import gc
import re
from collections.abc import Sequence
from pathlib import Path

from prompt_toolkit.buffer import Buffer
from prompt_toolkit.clipboard import InMemoryClipboard
from prompt_toolkit.history import History

from provision.contract.table import Capability, MessageType, Reason, Refusal, Run, Step, Store
from provision.wizard.result import ExitCode
from tests.hostile.cases import refuses, status_with
from tests.hostile.harness import HostileBoard, Ran, run
from tests.link.virtual import LINE
from tests.secrets.vault import (
    CANARIES,
    DECLARATION,
    IDENTITY,
    OTHER_PASSPHRASE,
    PASSPHRASE,
    SEED,
    SERVICE_KEY,
    write_answers,
)

RETURN, F1, F2, F3, UP = "\r", "\x1bOP", "\x1bOQ", "\x1bOR", "\x1b[A"
CTRL_C, CTRL_U, YANK, BACKSPACE = "\x03", "\x15", "\x19", "\x7f"
_ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07]*\x07|[@-Z\\-_])")


def fresh_board() -> HostileBoard:
    """Return an honest board with the vault's firmware, on which nothing is set."""
    board = HostileBoard(store=Store.EMPTY, capabilities=Capability.RECEIVES_WHILE_STORING)
    board.declare(DECLARATION.schema)
    return board


def typed(folder: Path) -> list[str]:
    """Return the keystrokes of somebody who mistypes, asks for help, cuts, pastes and goes back."""
    write_answers(folder)
    return [
        *("Vault", RETURN),
        *(*PASSPHRASE[:5], RETURN, *PASSPHRASE[5:], F1, UP, RETURN),
        *(*SERVICE_KEY, " ", RETURN, CTRL_U, YANK, BACKSPACE, RETURN),
        *(F2, F2, RETURN, RETURN),  # back to the passphrase, which Return keeps
        *(YANK, *SEED.hex(), RETURN),
        *(YANK, str(folder / "identity"), RETURN),
        *(YANK, UP, RETURN),
    ]


def dialog(board: HostileBoard, keys: Sequence[str], folder: Path) -> Ran:
    """Go through the dialog."""
    return run(board, "setup", folder=folder, keys=keys, measured=False)


def leaks(ran: Ran, folder: Path) -> list[str]:
    """Return every secret found on the screen, on the way out, or in a file of the cache."""
    written: list[tuple[str, bytes | str]] = [
        ("stdout", ran.out),
        ("stderr", ran.err),
        ("screen", ran.screen),
        # Each character is redrawn by itself, the codes that move the cursor in between.
        ("screen, without codes", _ESCAPES.sub("", ran.screen)),
        ("screen, letters alone", re.sub(r"[^!-~]", "", _ESCAPES.sub("", ran.screen))),
    ]
    written += [(str(p), p.read_bytes()) for p in (folder / "cache").rglob("*") if p.is_file()]
    return CANARIES.find_in_all(written)


def test_a_dialog_shows_and_keeps_no_secret(tmp_path: Path) -> None:
    """Typed wrong, explained, cut, pasted, gone back to, reviewed, stored."""
    ran = dialog(fresh_board(), [*typed(tmp_path), RETURN], tmp_path)
    assert ran.code == ExitCode.DONE, ran.err
    assert ran.board.stored["network.passphrase"] == PASSPHRASE
    assert ran.board.stored["service.key"] == SERVICE_KEY
    assert ran.board.stored["service.seed"] == SEED
    assert ran.board.stored["service.identity"] == IDENTITY
    assert "********" in ran.screen
    assert leaks(ran, tmp_path) == []


def test_the_search_of_the_screen_can_fail(tmp_path: Path) -> None:
    """A secret that the person reveals stands there, and is found."""
    keys = typed(tmp_path)
    shown = dialog(fresh_board(), [*keys[:2], F3, PASSPHRASE, CTRL_C], tmp_path)
    assert any("passphrase" in leak for leak in leaks(shown, tmp_path))


def test_nothing_that_outlives_a_prompt_holds_a_secret(tmp_path: Path) -> None:
    """No history, no clipboard; and once the dialog is over no buffer either."""
    dialog(fresh_board(), [*typed(tmp_path), RETURN], tmp_path)
    gc.collect()
    held: list[tuple[str, bytes | str]] = []
    for each in gc.get_objects():
        if isinstance(each, History):
            held += [("history", text) for text in each.get_strings()]
        elif isinstance(each, InMemoryClipboard):
            held += [("clipboard", data.text) for data in each._ring]
        elif isinstance(each, Buffer):
            held.append(("buffer", each.text))
    assert CANARIES.find_in_all(held) == []


def test_a_wrong_passphrase_is_asked_for_again_without_showing_it(tmp_path: Path) -> None:
    """Nor the one that was typed first."""
    board = fresh_board()
    status_with(
        after_commit=True,
        run=int(Run.FAILED),
        step=int(Step.JOIN),
        reason=int(Reason.PASSPHRASE_WRONG),
        field="network.passphrase",
    )(board)
    again = [UP, YANK, OTHER_PASSPHRASE, RETURN, RETURN, CTRL_C]
    ran = dialog(board, [*typed(tmp_path), RETURN, *again], tmp_path)
    assert ran.code == ExitCode.NOT_WORKING
    assert ran.board.stored["network.passphrase"] == OTHER_PASSPHRASE
    assert leaks(ran, tmp_path) == []


def test_a_refused_secret_is_not_repeated(tmp_path: Path) -> None:
    """Whatever the board says of it, in whichever of its words."""
    for code in (Refusal.LENGTH, Refusal.FORM, 99):
        board = fresh_board()
        refuses(MessageType.SET_FIELD, int(code), field="service.key", other=SERVICE_KEY)(board)
        ran = dialog(board, [*typed(tmp_path), RETURN, CTRL_C], tmp_path)
        assert ran.code == ExitCode.INTERRUPTED
        assert leaks(ran, tmp_path) == []


def test_a_board_that_names_a_secret_as_a_field_does_not_get_it_shown(tmp_path: Path) -> None:
    """Only names that its schema has are shown of what a board names."""
    board = fresh_board()
    board.stored = {"network.name": b"Vault"}
    status_with(run=int(Run.FAILED), field=SERVICE_KEY, reason=int(Reason.OTHER))(board)
    for more in ((), ("--json",)):
        assert leaks(run(board, "show", *more, folder=tmp_path), tmp_path) == []


def test_an_echoing_console_gets_nothing_shown(tmp_path: Path) -> None:
    """Whole echoes, cut ones, and ones with a character lost."""
    damages = (
        lambda line: line,
        lambda line: line[: len(line) // 2] + b"\n",
        lambda line: line[len(line) // 2 :],
        lambda line: line[:20] + line[21:],
        lambda line: b"\n".join(line[at : at + 12] for at in range(0, len(line), 12)) + b"\n",
    )
    for damage in damages:
        board = fresh_board()
        receive = board.receive

        def echo(data: bytes, receive=receive, damage=damage) -> bytes:  # type: ignore[no-untyped-def]
            return b"".join(map(damage, LINE.findall(data))) + bytes(receive(data))

        board.receive = echo  # type: ignore[method-assign]
        ran = dialog(board, [*typed(tmp_path), RETURN], tmp_path)
        assert ran.code == ExitCode.DONE, ran.err
        assert leaks(ran, tmp_path) == []


def test_a_pasted_secret_where_a_file_is_named_is_not_repeated(tmp_path: Path) -> None:
    """Too long for a file's name, it is refused like any other wrong name."""
    secret = IDENTITY.decode().replace("\n", "")[24:] * 6
    keys = typed(tmp_path)
    at = keys.index(str(tmp_path / "identity"))
    ran = dialog(fresh_board(), [*keys[:at], secret, RETURN, CTRL_C], tmp_path)
    assert ran.code == ExitCode.INTERRUPTED
    assert "must be the name of a file" in ran.screen
    assert CANARIES.find(ran.out + ran.err) == []


def test_a_line_that_is_lost_leaves_no_secret(tmp_path: Path) -> None:
    """At every request of the dialog in turn, from a file and by hand."""
    write_answers(tmp_path)
    for number in range(1, 14):
        board = fresh_board()
        board.capabilities = Capability(0)
        board.hangs_up = lambda board=board, number=number: len(board.requests) >= number  # type: ignore[misc]
        ran = run(
            board,
            "setup",
            "--answers",
            str(tmp_path / "answers.toml"),
            folder=tmp_path,
            measured=False,
        )
        assert "Traceback" not in ran.err
        assert leaks(ran, tmp_path) == []
