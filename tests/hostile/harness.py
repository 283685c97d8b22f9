# SPDX-License-Identifier: MIT
"""A board that lies, and the real command run against it: in virtual time, its memory measured.

The board is honest unless a case says otherwise. Everything from the command line down is real but
the port, which is a line in memory, and the clock.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import io
import tracemalloc
import zlib
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import PipeInput, create_pipe_input
from prompt_toolkit.output import Output
from prompt_toolkit.output.vt100 import Vt100_Output

from provision import cli
from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item, encode
from provision.contract.table import (
    MAX_SCHEMA_DEPTH,
    PROTOCOL_VERSION,
    Capability,
    GetValuesKey,
    HelloReplyKey,
    MessageType,
    Run,
    StatusReplyKey,
    Store,
)
from provision.link.errors import LineLost
from provision.link.exchange import Notice
from provision.link.streams import MemoryStream, Stream
from provision.schema.codec import to_item
from provision.schema.model import Schema
from provision.wizard import command_line, finder
from provision.wizard.at_port import Person
from provision.wizard.commands import change, setup
from provision.wizard.result import ExitCode
from provision.wizard.screen import ScreenAsker
from provision.wizard.status_text import NOTICES
from tests.hostile.virtual_loop import virtual_time
from tests.link.virtual import Body, SmallBoard
from tests.wizard import sample_schema

MIB = 1 << 20
_KEY_TIME = 0.05  # seconds
PAGE_BYTES = 440  # of entries in one reply

STORED: dict[str, Item] = {
    "network.name": b"Farm",
    "network.passphrase": "hayloft-2-left",
    "door.motor": False,
    "door.contact": 5,
    "door.code": "7391",
    "lamp.1.place": "roof",
    "lamp.1.colour": "cold",
}
"""What the board holds at the start."""

ANSWERS = """
accept = ["door.relay"]
[network]
name = "Orchard"
passphrase = "gate-by-the-creek"
[door]
contact = 5
note = "squeaks"
"""
"""What a person answers: three settings change, a secret among them."""

HINTS = (
    "Waiting for the board: plug it in, or press its reset button. (Ctrl-C leaves.)",
    NOTICES[Notice.SPEAKS_ELSE],
    NOTICES[Notice.OTHER_READER],
)
"""What may stand on standard error before the one sentence that ends a command."""


@dataclass
class HostileBoard(SmallBoard):
    """A barn that was set up, and whatever a case makes of it."""

    digest: bytes = bytes(8)
    secrets: frozenset[str] = frozenset()
    run_after: int = Run.PROVEN
    babble: Callable[[Stream], Coroutine[Any, Any, None]] | None = None
    """What the board sends unasked, for as long as the line is open."""
    twist: Callable[[bytes], bytes] = lambda replies: replies
    """What becomes of the replies on their way out."""
    hangs_up: Callable[[], bool] = lambda: False
    """Whether the board pulls its plug now."""

    def declare(self, schema: Schema) -> None:
        """Take a schema that is good by the contract's rules, if not by good manners."""
        self.declare_item(to_item(schema))
        self.keys = tuple(setting.key for setting in schema.settings)
        self.secrets = frozenset(s.key for s in schema.settings if s.field.is_secret)

    def declare_item(self, item: Item) -> None:
        """Take any item as the schema, and announce it truly."""
        self.declare_bytes(encode(item, MAX_SCHEMA_DEPTH))

    def declare_bytes(self, inflated: bytes) -> None:
        """Take any bytes as the inflated schema, and announce them truly."""
        deflate = zlib.compressobj(9, wbits=-zlib.MAX_WBITS)
        self.schema = deflate.compress(inflated) + deflate.flush()
        self.digest = hashlib.sha256(inflated).digest()[:8]

    def hello_body(self) -> Body:
        """See SmallBoard."""
        return super().hello_body() | {HelloReplyKey.SCHEMA_DIGEST: self.digest}

    def status_body(self) -> Body:
        """See SmallBoard."""
        return super().status_body() | {
            StatusReplyKey.STORE: Store.COMPLETE,
            StatusReplyKey.RUN: self.run_after,
        }

    def entries(self) -> list[Item]:
        """Return the list of values, as an honest board gives it."""
        return [
            [key, 0]
            if key not in self.stored
            else [key, 1]
            if key in self.secrets
            else [key, 1, self.stored[key]]
            for key in self.keys
        ]

    def _get_values(self, body: Body) -> Body:
        first = body[GetValuesKey.FIRST]
        entries = self.entries()
        page: list[Item] = []
        for entry in entries[first:]:
            if page and len(encode([*page, entry])) > PAGE_BYTES:
                break
            page.append(entry)
        return {1: first, 2: len(entries), 3: page}

    @property
    def was_committed(self) -> bool:
        """Whether the host ever sent a commit."""
        return any(request.type == MessageType.COMMIT for request in self.requests)


def honest_board() -> HostileBoard:
    """Return a board that was set up and keeps to the contract."""
    board = HostileBoard(
        stored=dict(STORED),
        store=Store.COMPLETE,
        generation=3,
        token=b"token-01",
        capabilities=Capability.RECEIVES_WHILE_STORING,
    )
    board.declare(sample_schema.SCHEMA)
    return board


def reply_to(request: Message, type_: int, body: Item) -> bytes:
    """Return a line that a body of any form rides on, whether or not a receiver may take it."""
    return line_with(encode([PROTOCOL_VERSION, type_, request.id, body]))


def line_with(item: bytes) -> bytes:
    """Return the line that carries an item, however long."""
    import base64  # noqa: PLC0415

    from provision.contract.line import crc32c  # noqa: PLC0415

    body = base64.urlsafe_b64encode(item).rstrip(b"=")
    check = bytes(0x40 + (crc32c(body) >> shift & 0xF) for shift in range(28, -4, -4))
    return b"\n~%b%b\n" % (body, check)


@dataclass
class Ran:
    """One command that ran to its end."""

    code: int
    out: str
    err: str
    screen: str
    """What the terminal library sent to the terminal, as it is; empty without one."""
    texts: str
    """What it sent of it as text, not as a code of its own."""
    seconds: float
    """Virtual."""
    turns: int
    peak: int
    """Bytes allocated at the peak, above what was there before; 0 if not measured."""
    board: HostileBoard
    before: dict[str, Item] = field(default_factory=dict)

    @property
    def last_words(self) -> str:
        """What standard error says beyond the hints."""
        return "\n".join(line for line in self.err.splitlines() if line not in HINTS)


def run(
    board: HostileBoard,
    *arguments: str,
    folder: Path,
    keys: Sequence[str] | None = None,
    encoding: str = "utf-8",
    measured: bool = True,
) -> Ran:
    """Run `provision` with the board on its port.

    keys: keystrokes of a person at a terminal; None: there is no terminal. encoding: that of
    standard output and error. measured: whether memory is, which takes three times as long.
    """
    before = dict(board.stored)
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    err = io.TextIOWrapper(io.BytesIO(), encoding=encoding, errors="backslashreplace")
    screen = io.StringIO()
    output = _Terminal(screen)

    async def open_stream(*_: Any, **__: Any) -> Stream:
        near, far = MemoryStream.pair()
        if not serving and pipe is not None:
            serving.append(asyncio.ensure_future(_type(pipe, keys or ())))
        serving.append(asyncio.ensure_future(_serve(board, far)))
        if board.babble is not None:
            serving.append(asyncio.ensure_future(board.babble(far)))
        return near

    serving: list[asyncio.Future[None]] = []
    pipe: PipeInput | None = None
    with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as stack:
        patch.setattr(finder, "open_stream", open_stream)
        patch.setenv("XDG_CACHE_HOME", str(folder / "cache"))
        if keys is not None:
            for command in (change, command_line, setup):
                patch.setattr(command, "has_terminal", lambda: True)
            pipe = stack.enter_context(create_pipe_input())
            stack.enter_context(create_app_session(pipe, output))
            patch.setattr(command_line, "person_of", _at_a_terminal(pipe, output))
        stack.enter_context(contextlib.redirect_stdout(out))
        stack.enter_context(contextlib.redirect_stderr(err))
        loops = stack.enter_context(virtual_time())
        if measured:
            tracemalloc.start()
            stack.callback(tracemalloc.stop)
        began, _ = tracemalloc.get_traced_memory()
        code = cli.main([*arguments, "--port", "in memory"])
        _, peak = tracemalloc.get_traced_memory()
    return Ran(
        code,
        _text(out),
        _text(err),
        screen.getvalue(),
        "".join(output.texts),
        sum(loop.time() for loop in loops),
        sum(loop.turns for loop in loops),
        peak - began,
        board,
        before,
    )


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    raw = stream.buffer
    assert isinstance(raw, io.BytesIO)
    return raw.getvalue().decode("utf-8", "strict")


class _Terminal(Vt100_Output):
    """A terminal of 80 columns that can tell text from the library's own codes."""

    def __init__(self, screen: io.StringIO) -> None:
        super().__init__(screen, lambda: Size(rows=40, columns=80), term="xterm", enable_cpr=False)
        self.texts: list[str] = []

    def write(self, data: str) -> None:
        """Send text; the library replaces escape characters in it, and lets all others through."""
        if data.strip("\r\n"):  # by itself it is how the library moves the cursor
            self.texts.append(data)
        super().write(data)


def _at_a_terminal(pipe: PipeInput, output: Output) -> Callable[[Any], Person]:
    def person(_options: Any) -> Person:
        asker = ScreenAsker(pipe, output, {})
        return Person(asker.say, asker)

    return person


async def _type(pipe: PipeInput, keys: Sequence[str]) -> None:
    """Type one after the other; the screen catches up in between."""
    for key in keys:
        pipe.send_text(key)
        await asyncio.sleep(_KEY_TIME)


async def _serve(board: HostileBoard, line: Stream) -> None:
    with contextlib.suppress(LineLost):  # the host has hung up
        while not board.hangs_up():
            line.write(board.twist(board.receive(await line.read())))
        await line.close()


def message(type_: int, id_: int, body: dict[int, Item]) -> bytes:
    """Return the line of one message that nobody asked for."""
    return line_with(encode_message(Message(PROTOCOL_VERSION, type_, id_, body)))


# --------------------------------------------------------------------------------------- checks


def check_display(ran: Ran) -> None:
    """Fail if a character that is not printable reached a terminal."""
    for text in (ran.out, ran.err, ran.texts.replace("\r\n", "\n")):
        bad = sorted({f"{c!a}" for c in text if not (c.isprintable() or c == "\n")})
        assert not bad, bad


def check_ending(ran: Ran, code: ExitCode, says: str = "") -> None:
    """Fail unless the command ended with this code, in one clear sentence and no traceback."""
    everything = ran.out + ran.err + ran.screen
    assert "Traceback" not in everything, everything
    assert " object at 0x" not in everything
    assert ran.code == code, (ran.code, ran.err, ran.out)
    if says:
        assert says in everything, everything
    check_display(ran)


def check_untouched(ran: Ran) -> None:
    """Fail unless the board holds what it held."""
    assert ran.board.commits == 0
    assert ran.board.stored == ran.before
