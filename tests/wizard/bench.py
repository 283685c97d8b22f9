# SPDX-License-Identifier: MIT
"""A board in this process, and somebody at a keyboard before it."""

from __future__ import annotations

import asyncio
import io
import re
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import PipeInput, create_pipe_input
from prompt_toolkit.output.vt100 import Vt100_Output

from provision.board.engine import Board, Limits, from_declaration
from provision.board.firmware import Device, Surroundings, read_surroundings
from provision.board.loopback import Loopback
from provision.client.board_client import FindAgain
from provision.client.cache import Cache
from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import decode_message
from provision.contract.table import MessageType
from provision.link.connection import Connection
from provision.link.errors import LineLost
from provision.schema_file.load import load_declaration
from provision.wizard.dialog import (
    SetupOptions,
    meet,
    set_up,
)
from provision.wizard.result import DialogResult
from provision.wizard.screen import ScreenAsker

SCHEMAS = Path(__file__).parents[2] / "schemas"
DEMO = load_declaration(SCHEMAS / "orchard-frost-alarm.toml")
ANSWERS = SCHEMAS / "orchard-frost-alarm.answers.toml"
NETWORKS = read_surroundings((SCHEMAS / "orchard.networks").read_text(encoding="utf-8"))

PASSPHRASE = "blossom-before-frost"
SERVICE_KEY = "w7-Zephyr.0419"

RETURN, F1, F2, F3 = "\r", "\x1bOP", "\x1bOQ", "\x1bOR"
CTRL_C, CTRL_D, CTRL_U, UP = "\x03", "\x04", "\x15", "\x1b[A"

PAUSE = "pause"
"""Among keystrokes: the person stops typing, and the screen catches up."""

_ESCAPES = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07]*\x07|[@-Z\\-_])")


class Line:
    """The stream to a board in this process; a test can watch it, cut it, and press buttons."""

    def __init__(self, loopback: Loopback) -> None:
        self._loopback = loopback
        self.requests: list[MessageType | int] = []
        """The types of what the host sent, repeats included."""
        self.on_request: Callable[[MessageType | int], None] = lambda _: None
        """Called before a request reaches the board."""
        self.deaf = False
        """Whether what the board sends is lost."""
        self.cut = False
        """Whether the cable is unplugged."""
        self._receiver = LineReceiver()

    def write(self, data: bytes) -> None:
        """See Stream."""
        if self.cut:
            raise LineLost("The port is gone.")
        for event in self._receiver.feed(data):
            if isinstance(event, Frame):
                request = decode_message(event.item).type
                self.requests.append(request)
                self.on_request(request)
        self._loopback.send(data)

    async def read(self) -> bytes:
        """See Stream."""
        while True:
            data = await self._loopback.receive()
            if not self.deaf:
                return data

    async def close(self) -> None:
        """See Stream."""


class Bench:
    """A board with its line, and what is remembered of it."""

    def __init__(self, device: Device, line: Line, cache: Cache) -> None:
        self.device = device
        self.line = line
        self.cache = cache
        self.said: list[str] = []
        self.screen = ""
        """What stood on the screen, without the codes that move the cursor."""

    @property
    def board(self) -> Board:
        """The board's engine."""
        return self.device.board

    def connect(self) -> Connection:
        """Return a new connection to the board."""
        return Connection(self.line)

    async def set_up(
        self, *keys: str, options: SetupOptions | None = None, find_again: FindAgain | None = None
    ) -> DialogResult:
        """Meet the board and go through the dialog with these keystrokes."""
        ending, self.screen = await play_on(
            self.connect(), self.cache, keys, options=options, find_again=find_again
        )
        return ending


async def play_on(
    connection: Connection,
    cache: Cache,
    keys: Sequence[str],
    *,
    options: SetupOptions | None = None,
    find_again: FindAgain | None = None,
) -> tuple[DialogResult, str]:
    """Go through the dialog with these keystrokes, and close the connection.

    Returns how it ended, and what stood on the screen without the codes that move the cursor.
    """
    screen = io.StringIO()
    size = Size(rows=40, columns=80)
    output = Vt100_Output(screen, lambda: size, term="xterm", enable_cpr=False)
    with create_pipe_input() as pipe:
        typing = asyncio.ensure_future(_type(pipe, keys))
        asker = ScreenAsker(pipe, output, {})
        try:
            met = await meet(connection, cache, asker.say)
            ending, connection = await set_up(
                connection,
                met,
                asker,
                cache=cache,
                options=options or SetupOptions(),
                find_again=find_again,
            )
        finally:
            typing.cancel()
            await connection.close()
    return ending, _ESCAPES.sub("", screen.getvalue())


@asynccontextmanager
async def bench(
    *,
    surroundings: Surroundings | None = NETWORKS,
    limits: Limits | None = None,
    cache: Path | None = None,
) -> AsyncIterator[Bench]:
    """Yield a fresh board of the demo. surroundings: None for one whose firmware does nothing."""
    device = Device(from_declaration(DEMO, limits=limits), surroundings)
    async with Loopback(device) as loopback:
        yield Bench(device, Line(loopback), Cache(cache))


async def _type(pipe: PipeInput, keys: Sequence[str]) -> None:
    for key in keys:
        if key == PAUSE:
            await asyncio.sleep(0.2)
        else:
            pipe.send_text(key)
    pipe.close()  # a dialog that asks for more than that ends at once


def typed(*answers: str) -> str:
    """Return the keystrokes that type each answer and press Return."""
    return "".join(f"{answer}{RETURN}" for answer in answers)


def first_time(passphrase: str = PASSPHRASE, network: str = "Orchard Gate") -> Sequence[str]:
    """Return the keystrokes of a first provisioning of the demo, up to the review."""
    return [
        typed(network, passphrase, ""),  # no fixed address
        typed("", "", SERVICE_KEY, "", ""),
        typed("", "", ""),
        typed("", "", "26", "", "n"),  # one probe
        typed("", "", "y", "", "", ""),  # the relay's caution is read
        typed("", "Europe/Vienna", ""),
    ]
