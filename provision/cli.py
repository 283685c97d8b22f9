# SPDX-License-Identifier: MIT
"""The command `provision`.

Thin: it reads the command line, and every command imports what it needs, so that `--help` answers
at once. Results go to standard output, everything else to standard error. Bad input ends with one
clear sentence and the code of its class.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Coroutine, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TextIO, TypeVar

from provision import catalogue, output
from provision.catalogue import tr
from provision.extras import MissingPackageError
from provision.wizard.ending import Ending, ExitCode, Result, whose

if TYPE_CHECKING:
    from provision.board.firmware import Surroundings
    from provision.board.loopback import Loopback
    from provision.client.discovery import Found, Place
    from provision.settings.declaration import Declaration
    from provision.wizard.commands import Person
    from provision.wizard.diagnose import Diagnosis
    from provision.wizard.screen import ScreenAsker

_Result = TypeVar("_Result")

_DESCRIPTION = "Set up a freshly flashed board over the cable that it hangs on."


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command; return its exit code."""
    output.open_standard_streams()
    if isinstance(sys.stdout, io.TextIOWrapper):
        # Boards have texts in any language; a terminal that is not in UTF-8 shows a mark for them.
        sys.stdout.reconfigure(errors="replace")
    _forbid_core_dumps()
    given = sys.argv[1:] if arguments is None else list(arguments)
    with output.guarded() as results:
        try:
            code = _main(given)
        except SystemExit:  # after --help or --version
            if results.take_failure():
                raise SystemExit(ExitCode.USAGE) from None
            raise
        return (code or ExitCode.USAGE) if results.take_failure() else code


def _main(given: Sequence[str]) -> int:
    options = argparse.Namespace(json="--json" in given)
    try:
        _parser().parse_args(given, options)
        if hasattr(options, "language"):  # a command for people who may read no English
            own = catalogue.of_environment(os.environ)
            catalogue.use([options.language] if options.language else own)
        command: Callable[[argparse.Namespace], int] = options.command
        return command(options)
    except (_CommandLineError, MissingPackageError) as error:
        return _refuse(options, str(error))
    except KeyboardInterrupt:
        return _end(options, _interrupted())


def _forbid_core_dumps() -> None:
    """Keep the system from writing this process's memory, which may hold secrets, into a file.

    The soft limit, which whoever starts other programs from here can raise again for those.
    """
    try:
        import resource  # noqa: PLC0415
    except ImportError:  # Windows has no such limit
        return
    _, hard = resource.getrlimit(resource.RLIMIT_CORE)
    resource.setrlimit(resource.RLIMIT_CORE, (0, hard))


def _nothing_changed() -> str:
    return tr("Nothing was changed on the board.")


def _interrupted() -> Ending:
    said = f"{tr('Interrupted.')} {_nothing_changed()}"
    return Ending(ExitCode.INTERRUPTED, Result.NOT_STORED, said)


def _refuse(options: argparse.Namespace, words: str, code: ExitCode = ExitCode.USAGE) -> int:
    """Say why a command did not begin its work; return the exit code."""
    return _end(options, Ending(code, Result.NOT_STORED, words))


def _end(options: argparse.Namespace, ending: Ending, board: dict[str, Any] | None = None) -> int:
    """Tell how a command ended; return its code, which says what became of the settings.

    Nothing that goes wrong with telling it changes that code. board: which it was, for programs.
    """
    is_json = getattr(options, "json", False)
    if is_json:
        _print_json({**ending.as_json(), **(board or _board(options, None))})
    elif ending.code is ExitCode.DONE:
        print(_wrapped(ending.words, sys.stdout))
    is_lost = output.results().take_failure()
    if is_lost or ending.code is not ExitCode.DONE:
        _say(ending.words)
    return ending.code


def _board(options: argparse.Namespace, found: Found | None) -> dict[str, Any]:
    """Return for programs which board a command was about, as far as it came to know."""
    port = getattr(options, "port", None) if found is None else found.port.device or None
    return whose(port, None if found is None else found.connection.met)


# --------------------------------------------------------------------------- the command line


def _parser() -> argparse.ArgumentParser:
    codes = "\n".join(f"  {int(code):>3}  {code.words}" for code in ExitCode)
    parser = _Command(
        prog="provision",
        description=_DESCRIPTION,
        epilog=f"exit codes:\n{codes}\n\nResults go to standard output, messages to standard"
        " error. NO_COLOR is honoured.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, help="print the version and leave")
    commands = parser.add_subparsers(
        title="commands", metavar="COMMAND", required=True, parser_class=_Command
    )

    _add_for_people(commands)
    _add_for_authors(commands)
    return parser


def _add_for_people(commands: Any) -> None:
    setup = _add(commands, "setup", _setup, "ask what the board needs, store it, see it work")
    _add_port(setup)
    _add_answers(setup)
    setup.add_argument("--ask-all", action="store_true", help="ask for what is set, too")
    _add_log(setup)
    _add_plain(setup)
    _add_json(setup)

    change = _add(commands, "change", _change, "change some of what is set")
    change.add_argument(
        "keys",
        nargs="*",
        metavar="KEY",
        help="a setting such as network.name, or a whole section (default: choose from a list)",
    )
    _add_port(change)
    _add_log(change)
    _add_plain(change)
    _add_json(change)

    show = _add(commands, "show", _show, "print what a board holds (never a secret)")
    _add_port(show)
    _add_json(show)

    undo = _add(commands, "undo", _undo, "go back to the settings before the present ones")
    _add_port(undo)
    _add_yes(undo)
    _add_plain(undo)
    _add_json(undo)

    erase = _add(commands, "erase", _erase, "wipe every setting, and see that none is left")
    _add_port(erase)
    _add_yes(erase)
    _add_plain(erase)
    _add_json(erase)

    export = _add(commands, "export", _export, "write what is set as an answers file")
    export.description = (
        "Write what is set as an answers file, for a second board or after an erase. Secrets are"
        " not in it: `provision setup --answers FILE` asks for them."
    )
    _add_port(export)
    export.add_argument("--out", type=Path, metavar="FILE", help="where to (standard output)")
    _add_replace(export)

    diagnose = _add(commands, "diagnose", _diagnose, "find out what is wrong with a port")
    _add_port(diagnose)
    diagnose.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="also write what was found, for whoever helps; it has no secret: read it first",
    )
    _add_known(diagnose)
    _add_replace(diagnose)
    _add_json(diagnose)

    _add(commands, "udev-rule", _udev_rule, "print the rule that permits ports on USB (Linux)")

    log = _add(commands, "log", _log, "watch what a board prints, cleaned, until Ctrl-C")
    _add_port(log)
    _add_known(log)


def _add_for_authors(commands: Any) -> None:
    rehearse = _add(commands, "rehearse", _rehearse, "try the dialog, on a board in this process")
    _add_file(rehearse)
    _add_answers(rehearse)
    _add_networks(rehearse)
    _add_language(rehearse)
    _add_plain(rehearse)
    _add_json(rehearse)

    stand_in = _add(commands, "stand-in", _stand_in, "run a virtual board on a port")
    _add_file(stand_in)
    stand_in.add_argument(
        "--tcp", type=_tcp_port, metavar="PORT", help="serve it on TCP here, 0 for a free port"
    )
    stand_in.add_argument("--link", type=Path, metavar="PATH", help="link to its serial port")
    stand_in.add_argument("--flash", type=Path, metavar="FILE", help="keep its flash in a file")
    _add_networks(stand_in)
    stand_in.add_argument("--log", action="store_true", help="let it print log text, too")

    check = _add(commands, "check", _check, "name every mistake in a schema file")
    _add_file(check)
    _add_json(check)

    conform = _add(commands, "conform", _conform, "hold a board against the protocol")
    conform.epilog = (
        "Exit code 0: every clause that applies is met; 1: one is not; 3: the port is missing,"
        " busy, forbidden, or was lost; 4: no board answered hello."
    )
    _add_where(conform)
    conform.add_argument(
        "--may-change-settings",
        action="store_true",
        help="also store made-up settings, and erase: what is wired to the board may move",
    )
    conform.add_argument(
        "--patient", action="store_true", help="also run the checks that wait for minutes"
    )
    conform.add_argument(
        "--only",
        metavar="NUMBER",
        help="run the checks of this clause or requirement alone, such as 6.4 or 6.4.13",
    )
    conform.add_argument(
        "--list", action="store_true", help="list the checks by clause, and ask no board"
    )
    conform.add_argument(
        "--junit", type=Path, metavar="FILE", help="also write the report as JUnit XML"
    )
    _add_json(conform)

    generate = _add(commands, "generate", _generate, "write the C for a schema file")
    _add_file(generate)
    generate.add_argument("--out", type=Path, required=True, metavar="DIR", help="where to")

    for name, words in _OF_AUTHORS.items():
        commands.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")


_OF_AUTHORS = {
    "stub": "write the stub, as a folder to keep beside a firmware",
    "schema-reference": "print what may stand in a schema file, or the JSON Schema of it",
    "describe": "write a page about the settings, for people",
    "page": "write the browser page that sets up boards, or show it",
    "carry-over": "tell what an update does to settings that people have",
    "image-check": "tell whether the pieces of a firmware fit, and spare the settings",
    "find-secrets": "search an image for the secrets of an answers file",
    "clean-copy": "copy a dump of the flash without the settings",
}
"""Commands that are modules of provision.author by the same name, and what they do."""


class _CommandLineError(Exception):
    """The command line is wrong; str() says where and why."""


class _Command(argparse.ArgumentParser):
    """The parser of a command; one of a module gets its arguments when it is called for.

    So `--help` does not import what only one command needs.
    """

    def error(self, message: str) -> NoReturn:
        """See ArgumentParser: raise instead of leaving, so that programs are told as well."""
        self.print_usage(sys.stderr)
        raise _CommandLineError(f"{self.prog}: error: {message}")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """See ArgumentParser."""
        name = (self.prog or "").rpartition(" ")[2]
        if name in _OF_AUTHORS and self.get_default("command") is None:
            from importlib import import_module  # noqa: PLC0415

            module = import_module(f"provision.author.{name.replace('-', '_')}")
            module.add_arguments(self)
            self.set_defaults(command=module.run)
        return super().parse_known_args(args, namespace)


class _Version(argparse.Action):
    """Prints the version: looked up only when it is asked for, since that takes time."""

    def __init__(self, option_strings: Sequence[str], dest: str, help: str) -> None:  # noqa: A002
        super().__init__(option_strings, dest, nargs=0, help=help)

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,  # noqa: ARG002
        values: object,  # noqa: ARG002
        option_string: str | None = None,  # noqa: ARG002
    ) -> None:
        """Print it and leave."""
        from importlib.metadata import version  # noqa: PLC0415

        print(f"provision {version('provision-over-serial')}")
        parser.exit()


def _add(
    commands: Any, name: str, command: Callable[[argparse.Namespace], int], words: str
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=words, description=words.capitalize() + "."
    )
    parser.set_defaults(command=command)
    return parser


def _add_file(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="the firmware's schema file")


def _add_port(parser: argparse.ArgumentParser) -> None:
    _add_where(parser)
    _add_language(parser)


def _add_where(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--port",
        metavar="PORT",
        help="the board's port, or a URL such as socket://localhost:4000 (default: the one port"
        " on which a board answers)",
    )
    _add_line(parser)


def _add_language(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--language",
        type=_language,
        metavar="TAG",
        help="speak this language, such as en or de (default: that of this computer)",
    )


def _add_line(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--baud", type=_baud, default=115200, metavar="N", help="rate of the line (115200)"
    )
    parser.add_argument(
        "--driver",
        choices=("auto", "descriptor", "transport"),
        default="auto",
        help="how the port is driven (auto)",
    )


def _add_answers(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--answers", type=Path, metavar="FILE", help="answer from a file instead of asking"
    )


def _add_known(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--answers",
        type=Path,
        metavar="FILE",
        help="blank what stands in this file of answers where the board prints it",
    )


def _add_log(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--log", action="store_true", help="show what the board prints while it tries the settings"
    )


def _add_plain(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--plain",
        action="store_true",
        help="ask line by line and draw nothing twice, as for a screen reader (or set"
        " PROVISION_PLAIN)",
    )


def _add_yes(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--yes", action="store_true", help="do it without asking")


def _add_replace(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--replace", action="store_true", help="let --out put a file in the place of another"
    )


def _add_networks(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--networks", type=Path, metavar="FILE", help="what is in the board's range"
    )


def _add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def _tcp_port(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) <= 65535):
        raise argparse.ArgumentTypeError("must be a TCP port, 0 to 65535")
    return int(text)


def _language(text: str) -> str:
    (tag,) = catalogue.of_environment({"LANG": text}) or [""]
    if not tag:
        raise argparse.ArgumentTypeError("must be a language tag, such as en or de")
    return tag


def _baud(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 50 <= int(text) <= 20_000_000):
        raise argparse.ArgumentTypeError("must be a rate in baud, such as 115200")
    return int(text)


def _say(text: str) -> None:
    print(_wrapped(text, sys.stderr), file=sys.stderr, flush=True)


def _wrapped(text: str, stream: TextIO) -> str:
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


def _print_json(value: object) -> None:
    print(output.as_json(value), end="")


def _has_terminal() -> bool:
    return sys.stdin.isatty() and (sys.stdout.isatty() or sys.stderr.isatty())


# ---------------------------------------------------------------------- commands with a board


def _setup(options: argparse.Namespace) -> int:
    if options.answers is None and not _has_terminal():
        return _no_terminal(options, "setup")

    async def run(person: Person) -> Ending:
        from provision.wizard.commands import Extent, set_up_at_port  # noqa: PLC0415

        extent = Extent(ask_all=options.ask_all, show_log=options.log)
        return await set_up_at_port(_place(options), person, extent)

    return _conclude(options, run)


def _change(options: argparse.Namespace) -> int:
    if not _has_terminal():
        said = tr(
            "There is no terminal here to ask on: name the settings in a file, and run"
            " `provision setup --answers FILE`."
        )
        return _refuse(options, said)

    async def run(person: Person) -> Ending:
        from provision.wizard.commands import Extent, set_up_at_port  # noqa: PLC0415

        extent = Extent(only=options.keys, show_log=options.log)
        return await set_up_at_port(_place(options), person, extent)

    return _conclude(options, run)


def _undo(options: argparse.Namespace) -> int:
    if not options.yes and not _has_terminal():
        return _nobody_agrees(options, "undo")

    async def run(person: Person) -> Ending:
        from provision.wizard.commands import undo_at_port  # noqa: PLC0415

        return await undo_at_port(_place(options), person, agreed=options.yes)

    return _conclude(options, run)


def _erase(options: argparse.Namespace) -> int:
    if not options.yes and not _has_terminal():
        return _nobody_agrees(options, "erase")

    async def run(person: Person) -> Ending:
        from provision.wizard.commands import erase_at_port  # noqa: PLC0415

        return await erase_at_port(_place(options), person, agreed=options.yes)

    return _conclude(options, run)


def _nobody_agrees(options: argparse.Namespace, command: str) -> int:
    said = tr(
        "There is no terminal here to ask on: `provision {command} --yes` does it unasked.",
        command=command,
    )
    return _refuse(options, said)


def _export(options: argparse.Namespace) -> int:
    from provision.contract.table import Store  # noqa: PLC0415
    from provision.wizard.commands import look_at_port  # noqa: PLC0415
    from provision.wizard.export import answers_file  # noqa: PLC0415

    met, board = _run(options, lambda person: look_at_port(_place(options), person))
    if isinstance(met, Ending):
        return _end(options, met, board)
    if met.status.store == Store.EMPTY:
        _say(tr("Nothing is set on this board, so that there is nothing to write."))
        return ExitCode.DONE
    text = answers_file(met)
    if options.out is not None:
        if not _write(options.out, text, replace=options.replace):
            return ExitCode.USAGE
        text = f"{options.out}\n"
    else:
        output.results().in_utf_8()  # as a file of answers is, wherever it is read
    print(text, end="")
    return ExitCode.DONE


def _diagnose(options: argparse.Namespace) -> int:
    from provision.wizard.answers import everything_in, read_file  # noqa: PLC0415
    from provision.wizard.diagnose import diagnose  # noqa: PLC0415

    async def look(_: Person) -> Diagnosis:
        known = None if options.answers is None else everything_in(read_file(options.answers))
        return await diagnose(_place(options), _say, secrets=known)

    found, board = _run(options, look)
    if isinstance(found, Ending):
        return _end(options, found, board)
    code = found.code
    if options.out is not None:
        report = output.as_json(found.as_json())
        if _write(options.out, report, replace=options.replace):
            _say(
                tr(
                    "{path}: has what was found. Read it before you give it to anybody.",
                    path=options.out,
                )
            )
        else:
            code = ExitCode.USAGE
    if options.json:
        _print_json({**found.as_json(), "exit": int(code)})
    else:
        for line in found.lines():
            print(_wrapped(line, sys.stdout))
    return code


def _write(path: Path, text: str, *, replace: bool) -> bool:
    """Write a file, whole or not at all; say why not, and return whether it was written."""
    try:
        output.write_file(path, text.encode(), replace=replace)
    except OSError as error:
        _say(output.unwritten(path, error))
        return False
    return True


def _udev_rule(_options: argparse.Namespace) -> int:
    from importlib.resources import files  # noqa: PLC0415

    print((files("provision.link") / "70-provision.rules").read_text(encoding="utf-8"), end="")
    return ExitCode.DONE


def _log(options: argparse.Namespace) -> int:
    from provision.wizard.commands import watch_log  # noqa: PLC0415

    def show(line: str) -> None:
        print(line, flush=True)
        if output.results().gone:
            raise _NobodyReadsError

    try:
        ending, _ = _run(options, lambda person: watch_log(_place(options), person, show))
    except _NobodyReadsError:
        return ExitCode.DONE
    if ending.code is ExitCode.INTERRUPTED:  # the way to leave it
        return ExitCode.DONE
    return _end(options, ending)


class _NobodyReadsError(Exception):
    """Nobody gets what is printed any more."""


def _show(options: argparse.Namespace) -> int:
    from provision.wizard import show  # noqa: PLC0415
    from provision.wizard.commands import look_at_port  # noqa: PLC0415

    met, board = _run(options, lambda person: look_at_port(_place(options), person))
    if isinstance(met, Ending):
        return _end(options, met, board)
    if options.json:
        ended = {"result": Result.NOTHING_TO_DO.value, "exit": int(ExitCode.DONE)}
        _print_json({**ended, **board, **show.as_json(met)})
    else:
        for line in show.lines(met):
            print(line)
    return ExitCode.DONE


def _conform(options: argparse.Namespace) -> int:
    from provision.conformance import command  # noqa: PLC0415
    from provision.conformance.kit import is_known  # noqa: PLC0415
    from provision.conformance.port import Place as Where  # noqa: PLC0415

    if options.only is not None and not is_known(options.only):
        return _refuse(
            options,
            f"--only {options.only}: nothing looks at this; --list names what is looked at.",
        )
    if options.list:
        for line in command.check_list(options.only):
            print(line)
        return ExitCode.DONE

    port = options.port
    if port is None:
        from provision.wizard.commands import find_port  # noqa: PLC0415

        found, board = _run(options, lambda person: find_port(_place(options), person))
        if isinstance(found, Ending):
            return _end(options, found, board)
        port = found

    return command.conform(
        Where(port, options.baud, options.driver),
        may_change=options.may_change_settings,
        patient=options.patient,
        only=options.only,
        as_json=options.json,
        junit_file=options.junit,
        somebody_is_there=_has_terminal(),
        show=print,
        say=_say,
        progress=_say if sys.stderr.isatty() else None,
    )


def _rehearse(options: argparse.Namespace) -> int:
    if options.answers is None and not _has_terminal():
        return _no_terminal(options, "rehearse")

    async def run(person: Person, declaration: Declaration) -> Ending:
        from provision.board.engine import from_declaration  # noqa: PLC0415
        from provision.board.firmware import Device  # noqa: PLC0415
        from provision.board.loopback import Loopback  # noqa: PLC0415
        from provision.wizard.commands import set_up_in_memory  # noqa: PLC0415

        board = Device(from_declaration(declaration), surroundings)
        async with Loopback(board) as line:
            return await set_up_in_memory(_InMemory(line), person)

    try:
        surroundings = _surroundings(options.networks)
    except ValueError as error:
        return _refuse(options, f"{options.networks}: {error}", ExitCode.MISTAKES)
    return _with_declaration(
        options, lambda declaration: _conclude(options, lambda person: run(person, declaration))
    )


def _surroundings(path: Path | None) -> Surroundings:
    """Read what is in the board's range. Raises ValueError with a sentence."""
    from provision.board.firmware import Surroundings, read_surroundings  # noqa: PLC0415

    if path is None:
        return Surroundings()
    try:
        return read_surroundings(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ValueError(f"The file cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise ValueError("The file is not written in UTF-8.") from None


class _InMemory:
    """The stream to a board in this process."""

    def __init__(self, line: Loopback) -> None:
        self._line = line

    def write(self, data: bytes) -> None:
        """Send bytes to the board."""
        self._line.send(data)

    async def read(self) -> bytes:
        """Wait for bytes from the board."""
        return await self._line.receive()

    async def close(self) -> None:
        """Do nothing: the board ends with the line that it is on."""


def _no_terminal(options: argparse.Namespace, command: str) -> int:
    said = tr(
        "There is no terminal here to ask on: run `provision {command}` with --answers FILE.",
        command=command,
    )
    return _refuse(options, said)


def _place(options: argparse.Namespace) -> Place:
    from provision.client.discovery import Place  # noqa: PLC0415

    return Place(options.port, options.baud, options.driver)


def _person(options: argparse.Namespace) -> Person:
    """Return who is there: a screen to ask on, unless there is none or a file answers."""
    from provision.wizard.commands import Person  # noqa: PLC0415

    answers: Path | None = getattr(options, "answers", None)
    if not _has_terminal():
        return Person(_say, answers=answers)
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


def _conclude(
    options: argparse.Namespace, dialog: Callable[[Person], Coroutine[Any, Any, Ending]]
) -> int:
    """Run a dialog; tell how it ended."""

    async def run(person: Person) -> Ending:
        with _quiet(person):
            return await dialog(person)

    ending, board = _run(options, run)
    return _end(options, ending, board)


def _run(
    options: argparse.Namespace, command: Callable[[Person], Coroutine[Any, Any, _Result]]
) -> tuple[_Result | Ending, dict[str, Any]]:
    """Run what speaks with a board; return what came of it, and for programs which board it was.

    What can go wrong becomes an ending, in words and a code.
    """
    import asyncio  # noqa: PLC0415

    from provision.link.errors import LinkError  # noqa: PLC0415
    from provision.link.running import run  # noqa: PLC0415
    from provision.settings.wire import SchemaError  # noqa: PLC0415
    from provision.wizard.answers import AnswersError  # noqa: PLC0415
    from provision.wizard.asking import LeftError, UnanswerableError  # noqa: PLC0415
    from provision.wizard.failures import exit_code  # noqa: PLC0415

    found: list[Found] = []

    def ended(code: ExitCode, words: str) -> Ending:
        return Ending(code, Result.NOT_STORED, words)

    result: _Result | Ending
    try:
        result = run(command(replace(_person(options), on_found=found.append)))
    except LinkError as error:
        result = ended(exit_code(error), str(error))
    except SchemaError as error:
        result = ended(ExitCode.SCHEMA, f"{error} {_nothing_changed()}")
    except AnswersError as error:
        result = ended(ExitCode.ANSWERS, "\n".join([*error.problems, _nothing_changed()]))
    except UnanswerableError as error:
        result = ended(ExitCode.ANSWERS, str(error))
    except (LeftError, asyncio.CancelledError, KeyboardInterrupt, OSError):
        result = _interrupted()  # OSError: the terminal is gone, which the dialog has seen to
    return result, _board(options, found[-1] if found else None)


# ------------------------------------------------------------------ commands with a schema file


def _stand_in(options: argparse.Namespace) -> int:
    def run(declaration: Declaration) -> int:
        from provision.board.front import FrontError  # noqa: PLC0415
        from provision.board.stand_in import StandInOptions, run_stand_in  # noqa: PLC0415

        where = StandInOptions(
            options.tcp, options.link, options.flash, options.networks, options.log
        )
        try:
            run_stand_in(declaration, where, lambda text: print(text, flush=True))
        except FrontError as error:
            _say(str(error))
            return ExitCode.PORT
        return ExitCode.DONE

    return _with_declaration(options, run)


def _check(options: argparse.Namespace) -> int:
    from provision.settings.file import FileMistakes, load  # noqa: PLC0415
    from provision.settings.file_languages import untranslated  # noqa: PLC0415

    mistakes = []
    lacking: dict[str, list[str]] = {}
    try:
        declaration = load(options.file)
    except FileMistakes as error:
        mistakes = [
            {
                "line": mistake.line,
                "column": mistake.column,
                "where": mistake.where,
                "wrong": mistake.wrong,
                "fix": mistake.fix,
            }
            for mistake in error.mistakes
        ]
        said = str(error)
    else:
        said = f"{options.file.name}: no mistakes."
        lacking = untranslated(declaration.schema)
        for language, places in lacking.items():
            if places:
                said += f"\n  without translation into {language}: {', '.join(places)}"
    code = ExitCode.MISTAKES if mistakes else ExitCode.DONE
    if options.json:
        _print_json(
            {
                "exit": int(code),
                "file": str(options.file),
                "mistakes": mistakes,
                "without-translation": lacking,
            }
        )
    else:
        print(said)
    return code


def _generate(options: argparse.Namespace) -> int:
    def run(declaration: Declaration) -> int:
        from provision.author.c_code import StemError, write  # noqa: PLC0415

        try:
            written = write(declaration, options.file.stem, options.out)
        except StemError as error:
            _say(str(error))
            return ExitCode.MISTAKES
        except OSError as error:
            _say(f"{options.out}: cannot be written ({error.strerror}).")
            return ExitCode.USAGE
        for path in written:
            print(path)
        return ExitCode.DONE

    return _with_declaration(options, run)


def _with_declaration(options: argparse.Namespace, command: Callable[[Declaration], int]) -> int:
    """Run a command on a schema file, unless there are mistakes in it."""
    from provision.settings.file import FileMistakes, load  # noqa: PLC0415

    try:
        declaration = load(options.file)
    except FileMistakes as error:
        return _refuse(options, str(error), ExitCode.MISTAKES)
    return command(declaration)
