# SPDX-License-Identifier: MIT
"""What the commands share: their options, who is there, running them, and telling how they ended.

What takes time to import is imported where it is used, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Coroutine
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

from provision import catalogue, output
from provision.catalogue import spoken, tr
from provision.wizard.result import DialogResult, ExitCode, Result, nothing_changed, whose

if TYPE_CHECKING:
    from provision.client.discovery import Found, PortSearch
    from provision.wizard.at_port import Person
    from provision.wizard.screen import ScreenAsker

_Result = TypeVar("_Result")


# ----------------------------------------------------------------------------------- options


def add_port(parser: argparse.ArgumentParser) -> None:
    """Add which board, and in which language people are spoken to."""
    add_where(parser)
    add_language(parser)


def add_where(parser: argparse.ArgumentParser) -> None:
    """Add which board."""
    parser.add_argument(
        "--port",
        metavar="PORT",
        help="the board's port, or a URL such as socket://localhost:4000 (default: the one port"
        " on which a board answers)",
    )
    _add_line(parser)


def add_language(parser: argparse.ArgumentParser) -> None:
    """Add the language that people are spoken to in."""
    parser.add_argument(
        "--language",
        type=_language,
        metavar="TAG",
        help="the language of the messages, such as en or de (default: the computer's)",
    )


def _add_line(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--baud",
        type=_baud,
        default=115200,
        metavar="N",
        help="baud rate of the line (default: 115200)",
    )
    parser.add_argument(
        "--driver",
        choices=("auto", "descriptor", "transport"),
        default="auto",
        help="how to drive the port (default: auto)",
    )


def add_answers(parser: argparse.ArgumentParser) -> None:
    """Add the file that answers."""
    parser.add_argument(
        "--answers", type=Path, metavar="FILE", help="answer from a file instead of asking"
    )


def add_known(parser: argparse.ArgumentParser) -> None:
    """Add the file of answers whose values are blanked."""
    parser.add_argument(
        "--answers",
        type=Path,
        metavar="FILE",
        help="blank the texts of this answers file where the board prints them",
    )


def add_log(parser: argparse.ArgumentParser) -> None:
    """Add whether the board's log is shown."""
    parser.add_argument(
        "--log", action="store_true", help="show what the board prints while it tries the settings"
    )


def add_plain(parser: argparse.ArgumentParser) -> None:
    """Add whether the screen is drawn."""
    parser.add_argument(
        "--plain",
        action="store_true",
        help="ask line by line and never redraw: for screen readers (or set PROVISION_PLAIN)",
    )


def add_agreement(parser: argparse.ArgumentParser) -> None:
    """Add what a command takes that a person has to agree to."""
    add_port(parser)
    parser.add_argument("--yes", action="store_true", help="do it without asking")
    add_plain(parser)
    add_json(parser)


def add_replace(parser: argparse.ArgumentParser) -> None:
    """Add whether a file that is there is overwritten."""
    parser.add_argument(
        "--replace", action="store_true", help="let --out overwrite an existing file"
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add whether the result is for programs."""
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def _language(text: str) -> str:
    (tag,) = catalogue.of_environment({"LANG": text}) or [""]
    if not tag:
        raise argparse.ArgumentTypeError("must be a language tag, such as en or de")
    return tag


def _baud(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 50 <= int(text) <= 20_000_000):
        raise argparse.ArgumentTypeError("must be a rate in baud, such as 115200")
    return int(text)


# ---------------------------------------------------------------------- telling how it ended


def say(text: str) -> None:
    """Tell a person something, on standard error."""
    print(wrapped(text, sys.stderr), file=sys.stderr, flush=True)


def wrapped(text: str, stream: TextIO) -> str:
    """Return a text for people; on a terminal its lines end between words."""
    if not stream.isatty():
        return text
    import shutil  # noqa: PLC0415
    import textwrap  # noqa: PLC0415

    width = max(20, min(78, shutil.get_terminal_size().columns - 1))
    return "\n".join(
        textwrap.fill(line, width, subsequent_indent=line[: len(line) - len(line.lstrip())])
        for line in text.splitlines()
    )


def print_json(value: object) -> None:
    """Print a result for programs."""
    print(output.as_json(value), end="")


def write_file(path: Path, text: str, *, replace: bool) -> bool:
    """Write a file, whole or not at all; say why not, and return whether it was written."""
    try:
        output.write_file(path, text.encode(), replace=replace)
    except OSError as error:
        say(output.unwritten(path, error))
        return False
    return True


def refuse(options: argparse.Namespace, words: str, code: ExitCode = ExitCode.USAGE) -> int:
    """Say why a command did not begin its work; return the exit code."""
    return end(options, DialogResult(code, Result.NOT_STORED, words))


def end(
    options: argparse.Namespace, ending: DialogResult, board: dict[str, Any] | None = None
) -> int:
    """Tell how a command ended; return its code, which says what became of the settings.

    Nothing that goes wrong with telling it changes that code. board: which it was, for programs.
    """
    is_json = getattr(options, "json", False)
    if is_json:
        print_json({**ending.as_json(), **(board or _board(options, None))})
    elif ending.code is ExitCode.DONE:
        print(wrapped(ending.words, sys.stdout))
    is_lost = output.results().take_failure()
    if is_lost or ending.code is not ExitCode.DONE:
        say(ending.words)
    return ending.code


def _board(options: argparse.Namespace, found: Found | None) -> dict[str, Any]:
    """Return for programs which board a command was about, as far as it came to know."""
    port = getattr(options, "port", None) if found is None else found.port.device or None
    return whose(port, None if found is None else found.connection.met)


def interrupted() -> DialogResult:
    """Return how a command ends that was interrupted."""
    said = nothing_changed(tr("Interrupted."))
    return DialogResult(ExitCode.INTERRUPTED, Result.NOT_STORED, said)


# ------------------------------------------------------------------------ running with a board


def has_terminal() -> bool:
    """Tell whether a person can be asked."""
    return sys.stdin.isatty() and (sys.stdout.isatty() or sys.stderr.isatty())


def no_terminal(options: argparse.Namespace, command: str) -> int:
    """Refuse a command that asks, where nobody can be asked; return the exit code."""
    said = tr(
        "There is no terminal to ask at: run `provision {command}` with --answers FILE.",
        command=command,
    )
    return refuse(options, said)


def place_of(options: argparse.Namespace) -> PortSearch:
    """Return where the board is to be looked for."""
    from provision.client.discovery import PortSearch  # noqa: PLC0415

    return PortSearch(options.port, options.baud, options.driver)


def person_of(options: argparse.Namespace) -> Person:
    """Return who is there: a screen to ask on, unless there is none or a file answers."""
    from provision.wizard.at_port import Person  # noqa: PLC0415

    answers: Path | None = getattr(options, "answers", None)
    if not has_terminal():
        return Person(say, answers=answers)
    screen: ScreenAsker
    if getattr(options, "plain", False) or os.environ.get("PROVISION_PLAIN"):
        from provision.wizard.plain import PlainAsker  # noqa: PLC0415

        screen = PlainAsker()
    else:
        from provision.wizard.screen import ScreenAsker  # noqa: PLC0415

        screen = ScreenAsker()
    return Person(screen.say, screen, answers, waits=True)


def _quiet(person: Person) -> AbstractContextManager[None]:
    """Return what keeps the terminal from echoing, where there is a person at it."""
    if person.asker is None:
        return nullcontext()
    from provision.wizard.screen import without_echo  # noqa: PLC0415

    return without_echo()


def conclude_if_agreed(
    options: argparse.Namespace,
    command: str,
    dialog: Callable[[Person], Coroutine[Any, Any, DialogResult]],
) -> int:
    """Do as conclude() does, if a person agrees: before, by --yes, or is there to be asked."""
    if options.yes or has_terminal():
        return conclude(options, dialog)
    said = tr(
        "There is no terminal to ask at: `provision {command} --yes` does it without asking.",
        command=command,
    )
    return refuse(options, said)


def conclude(
    options: argparse.Namespace, dialog: Callable[[Person], Coroutine[Any, Any, DialogResult]]
) -> int:
    """Run a dialog; tell how it ended."""

    async def run(person: Person) -> DialogResult:
        with _quiet(person):
            return await dialog(person)

    ending, board = run_with_board(options, run)
    return end(options, ending, board)


def run_with_board(
    options: argparse.Namespace, command: Callable[[Person], Coroutine[Any, Any, _Result]]
) -> tuple[_Result | DialogResult, dict[str, Any]]:
    """Run what speaks with a board; return what came of it, and for programs which board it was.

    What can go wrong becomes an ending, in words and a code.
    """
    import asyncio  # noqa: PLC0415

    from provision.link.errors import LinkError  # noqa: PLC0415
    from provision.link.running import run  # noqa: PLC0415
    from provision.schema.codec import SchemaError  # noqa: PLC0415
    from provision.wizard.answers import AnswersError  # noqa: PLC0415
    from provision.wizard.failures import exit_code  # noqa: PLC0415
    from provision.wizard.ui import LeftError, UnanswerableError  # noqa: PLC0415

    found: list[Found] = []

    def ended(code: ExitCode, words: str) -> DialogResult:
        return DialogResult(code, Result.NOT_STORED, words)

    result: _Result | DialogResult
    try:
        result = run(command(replace(person_of(options), on_found=found.append)))
    except LinkError as error:
        result = ended(exit_code(error), spoken(error))
    except SchemaError as error:
        result = ended(ExitCode.SCHEMA, nothing_changed(error))
    except AnswersError as error:
        result = ended(ExitCode.ANSWERS, "\n".join([*error.problems, nothing_changed()]))
    except UnanswerableError as error:
        result = ended(ExitCode.ANSWERS, spoken(error))
    except (LeftError, asyncio.CancelledError, KeyboardInterrupt, OSError):
        result = interrupted()  # OSError: the terminal is gone, which the dialog has seen to
    return result, _board(options, found[-1] if found else None)
