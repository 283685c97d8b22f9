# SPDX-License-Identifier: MIT
"""The command `provision`.

A table of commands. Each is a module of the room that it belongs to, and is imported when it is
called for, so that `--help` answers at once. Results go to standard output, everything else to
standard error. Bad input ends with one clear sentence and the code of its class.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from provision import catalogue, output
from provision.extras import MissingPackageError
from provision.wizard.command_line import end, interrupted, refuse
from provision.wizard.result import ExitCode

_DESCRIPTION = "Set up a freshly flashed board over its cable."


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
        return refuse(options, catalogue.spoken(error))
    except KeyboardInterrupt:
        return end(options, interrupted())


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


# --------------------------------------------------------------------------- the command line

_COMMANDS = {
    "setup": (
        "wizard.commands",
        "ask what the board needs, store it, and wait until the board works",
    ),
    "change": ("wizard.commands", "change some of the settings"),
    "show": ("wizard.commands", "print the settings of a board (never a secret)"),
    "undo": ("wizard.commands", "go back to the previous settings"),
    "erase": ("wizard.commands", "erase every setting, and check that none is left"),
    "export": ("wizard.commands", "write the settings as an answers file"),
    "diagnose": ("wizard.commands", "find out what is wrong with a port"),
    "udev-rule": ("wizard.commands", "print the udev rule that gives access to USB ports (Linux)"),
    "log": ("wizard.commands", "show what a board prints, cleaned, until Ctrl-C"),
    "rehearse": ("author", "try the dialog with a virtual board in this process"),
    "stand-in": ("author", "run a virtual board on a serial port"),
    "check": ("author", "list every mistake in a schema file"),
    "conform": ("author", "test a board against the protocol"),
    "generate": ("author", "write the C for a schema file"),
    "stub": ("author", "write the stub, as a folder to keep beside a firmware"),
    "schema-reference": (
        "author",
        "print the reference of the schema file, or its JSON Schema",
    ),
    "describe": ("author", "write a page about the settings, for people to read"),
    "page": ("author", "write or show the browser page that sets up boards"),
    "carry-over": ("author", "tell what an update does to the settings that people have"),
    "image-check": (
        "author",
        "tell whether the pieces of a firmware fit and leave the settings alone",
    ),
    "find-secrets": ("author", "search an image for the secrets of an answers file"),
    "clean-copy": ("author", "copy a dump of the flash without the settings"),
}
"""Where the module of each command is, by the same name, and what the command does."""


def _parser() -> argparse.ArgumentParser:
    codes = "\n".join(f"  {int(code):>3}  {code.words}" for code in ExitCode)
    parser = _Command(
        prog="provision",
        description=_DESCRIPTION,
        epilog=f"exit codes:\n{codes}\n\nResults go to standard output, messages to standard"
        " error. NO_COLOR is honoured.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, help="print the version and exit")
    commands = parser.add_subparsers(
        title="commands", metavar="COMMAND", required=True, parser_class=_Command
    )

    for name, (_, words) in _COMMANDS.items():
        commands.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")
    return parser


class _CommandLineError(Exception):
    """The command line is wrong; str() says where and why."""


class _Command(argparse.ArgumentParser):
    """The parser of a command; one gets its arguments when it is called for.

    So `--help` does not import what only one command needs.
    """

    def error(self, message: str) -> NoReturn:
        """Raise instead of exiting, so that programs are told as well."""
        self.print_usage(sys.stderr)
        raise _CommandLineError(f"{self.prog}: error: {message}")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """Add the arguments of a command before it parses its own."""
        name = (self.prog or "").rpartition(" ")[2]
        if name in _COMMANDS and self.get_default("command") is None:
            from importlib import import_module  # noqa: PLC0415

            package, _ = _COMMANDS[name]
            module = import_module(f"provision.{package}.{name.replace('-', '_')}")
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
