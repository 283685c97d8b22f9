# SPDX-License-Identifier: MIT
"""The dialog as plain lines: nothing is drawn twice, no colours, no moving of the cursor.

For screen readers, braille displays, and terminals that can no more than print. Questions, answers
and words are those of the other screen; what a key does there, a word typed alone does here.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import textwrap
from collections.abc import Callable, Iterator
from typing import TextIO

from prompt_toolkit.completion import Completer

from provision.catalogue import tr
from provision.wizard.screen import TYPED_WORDS, ScreenAsker, Word
from provision.wizard.ui import LeftError

if sys.platform != "win32":
    import termios

_LONGEST_LINE = 65536  # bytes, as much as a terminal hands over at once


class PlainAsker(ScreenAsker):
    """Asks a person at a terminal, line by line."""

    def __init__(self, out: TextIO | None = None) -> None:
        """out: where the person reads; by default standard error, or output if that is no terminal.

        Results go to standard output, which may be a file.
        """
        self._out = out or (sys.stderr if sys.stderr.isatty() else sys.stdout)
        self._heading = ""
        self._greeted = False

    def progress(self, done: int, count: int) -> None:
        """Tell when all is sent."""
        if done == count:
            self._print(tr("Sent."))

    def _print(self, text: str = "", style: str = "", indent: str = "") -> None:  # noqa: ARG002
        lead = text[: len(text) - len(text.lstrip())] + indent
        lines = textwrap.wrap(
            text.strip(), self._width(), initial_indent=lead, subsequent_indent=lead
        )
        print("\n".join(lines), file=self._out, flush=True)

    def _width(self) -> int:
        with contextlib.suppress(OSError, ValueError):
            return max(20, min(78, os.get_terminal_size(self._out.fileno()).columns - 1))
        return 78

    async def _prompt(
        self,
        label: str,
        position: str,
        *,
        check: Callable[[str], str | None],
        completer: Completer | None = None,  # noqa: ARG002
        pale: str = "",
        editable: str = "",  # noqa: ARG002
        secret: bool = False,
        can_clear: bool = False,
        while_typing: bool = True,  # noqa: ARG002
        explain: Callable[[], None] = lambda: None,
    ) -> str | Word:
        """Return what was typed, or the word that was typed alone, but for HELP."""
        while True:
            self._print(f"{position}  {label}".strip())
            if pale:
                self._print(tr("Return: {pale}.", pale=pale), indent="  ")
            if can_clear and pale != tr("none"):
                self._print(tr("A hyphen: none."), indent="  ")
            if secret:
                self._print(tr("What you type is not shown."), indent="  ")
            text = await self._read_line(hidden=secret)
            problem = check(text)
            word = TYPED_WORDS.get(text.strip(), text)
            if problem is not None:
                self._print(tr("Not taken: {problem}", problem=problem), indent="  ")
            elif word is Word.HELP:
                explain()
            else:
                return word

    async def _read_line(self, *, hidden: bool) -> str:
        """Return a line without its end. Raises LeftError at the end of the input."""
        with _echo(shown=not hidden):
            print("> ", end="", file=self._out, flush=True)
            data = await (asyncio.to_thread(_blocking) if sys.platform == "win32" else _line())
        if hidden:
            print(file=self._out, flush=True)  # the terminal has not shown the Return either
        if not data:
            raise LeftError
        return data.decode(errors="replace").rstrip("\r\n")


def _blocking() -> bytes:
    return sys.stdin.buffer.readline()


async def _line() -> bytes:
    """Return a line of the terminal, without a thread that would outlive a Ctrl-C."""
    loop = asyncio.get_running_loop()
    arrived: asyncio.Future[None] = loop.create_future()
    descriptor = sys.stdin.fileno()

    def wake() -> None:
        if not arrived.done():
            arrived.set_result(None)

    loop.add_reader(descriptor, wake)
    try:
        await arrived
    finally:
        loop.remove_reader(descriptor)
    try:
        return os.read(descriptor, _LONGEST_LINE)
    except OSError:  # the terminal was closed
        return b""


@contextlib.contextmanager
def _echo(*, shown: bool) -> Iterator[None]:
    """Let the terminal show what is typed, or not, until a line is there."""
    if sys.platform == "win32" or not sys.stdin.isatty():
        yield
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    wanted = list(before)
    wanted[3] = (wanted[3] | termios.ECHO) if shown else (wanted[3] & ~termios.ECHO)
    termios.tcsetattr(descriptor, termios.TCSANOW, wanted)
    try:
        yield
    finally:
        with contextlib.suppress(termios.error):
            termios.tcsetattr(descriptor, termios.TCSANOW, before)
