# SPDX-License-Identifier: MIT
"""Setting up a board from a program: what the package exports (see provision/__init__.py)."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import threading
from collections import deque
from collections.abc import (
    AsyncIterator,
    Callable,
    Collection,
    Coroutine,
    Iterator,
    Mapping,
    Sequence,
)
from concurrent.futures import wait
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Literal, TypeVar

from provision.client.board_client import BoardClient, Event, Followed, FollowResult
from provision.client.changes import changes_of
from provision.client.changing import SETTLE_TIME, change_generation, erase
from provision.client.discovery import Answered, PortSearch, knock, open_connection, usb_ports
from provision.client.held import HeldSetting, declared_key
from provision.client.sanitize import printable
from provision.client.snapshot import BoardSnapshot, meet
from provision.client.typed import GivenValue
from provision.contract.messages import code_name
from provision.contract.table import Held, Reason, Run, Store
from provision.link.connection import Connection
from provision.link.errors import LineLost, LinkError, PortMissing
from provision.link.exchange import PATIENCE
from provision.link.known_secrets import KnownSecrets
from provision.link.ports import Port
from provision.link.replies import Hello, Network, NotStored, Status, Unknown
from provision.phrases import phrase
from provision.schema.model import Schema, Setting, Value

_LOG_LINES = 10_000  # kept until somebody reads them; the oldest go first
_CLOSING_TIME = 5.0  # seconds
_LEAVING_TIME = SETTLE_TIME + 2.0  # seconds that what was interrupted has to leave the board

_T = TypeVar("_T")


class Mark(Enum):
    """A placeholder for a value that is not shown."""

    SET = "set"
    """The board holds a value that it never gives back: a secret, or the contents of a file."""

    UNSET = "unset"
    """No value that this firmware takes is stored: the default is in force, if there is one."""

    def __repr__(self) -> str:
        return f"provision.{self.name}"

    __str__ = __repr__


SET, UNSET = Mark.SET, Mark.UNSET

Outcome = Literal["stored", "not stored", "unknown"]


@dataclass(frozen=True, slots=True)
class Done:
    """What became of values, and whether the board works with them, in the protocol's own names."""

    outcome: Outcome
    """For all values together; "unknown" if the board was lost after the last request was sent."""
    run: str | None = None
    """What the firmware reports: "proven", "failed" or "not-reported"; "applying" or "idle" if it
    has not reported in time; None if it was not followed."""
    reason: str | None = None
    """Why the board refused the values, or does not work with them."""
    step: str | None = None
    """The step that failed."""
    field: str | None = None
    """The full key of the setting at fault, if the board names one."""
    address: str | None = None
    """The board's network address, if it reports one."""

    @property
    def is_working(self) -> bool:
        """Whether the values are stored, and the board has shown that it works with them."""
        return self.outcome == "stored" and self.run == code_name(Run.PROVEN)


@dataclass(frozen=True, slots=True)
class FoundBoard:
    """A board that answered on a port: the names that it gives, and its unit id in hexadecimal."""

    port: str
    firmware: str
    firmware_version: str
    board: str
    unit: str


class AsyncBoard:
    """A connected board. Every method raises LinkError, or the kind of it that is named there."""

    def __init__(self, connection: Connection, met: BoardSnapshot) -> None:
        self._client = BoardClient(connection, met, on_event=self._take_event)
        self._on_event: Callable[[Event], None] = lambda _: None
        self._log: deque[str] = deque(maxlen=_LOG_LINES)
        self._log_came = asyncio.Event()
        self._secrets = KnownSecrets()
        self._client.listen(self._take_line, self._secrets)

    @property
    def hello(self) -> Hello:
        """The board's identity and abilities, from its hello reply."""
        return self._client.met.hello

    @property
    def schema(self) -> Schema:
        """The settings that its firmware declares: `schema["network.name"].label`."""
        return self._client.met.schema

    @property
    def status(self) -> Status:
        """Its status when it was last read."""
        return self._client.met.status

    @property
    def values(self) -> dict[str, Value | Mark]:
        """The values that it held when it was last read, by full key."""
        return {key: _told(self.schema[key], held) for key, held in self._client.met.held.items()}

    async def refresh(self) -> None:
        """Read the board's status and values again. Raises LinkError and SchemaError."""
        await self._client.look()

    async def store(
        self,
        values: Mapping[str, GivenValue | None],
        *,
        accept: Collection[str] = (),
        follow: bool = True,
        on_progress: Callable[[int, int], None] | None = None,
    ) -> Done:
        """Store values, all or none, and wait until the board says whether it works with them.

        Arguments:
            values: By full key, in their Python types or as a person types them; None clears one.
            accept: Full keys of the settings whose cautions a person has read.
            follow: Whether to wait until the board says if it works with them.
            on_progress: Told how many steps of how many the board has acknowledged.

        Nothing is sent that the board would refuse. Raises ValuesError with all that is wrong.
        """
        await self.refresh()
        changes = changes_of(self._client.met, values, accept)
        self._learn(changes)
        if changes:
            try:
                outcome = await self._client.store(changes, on_progress)
            except (LinkError, asyncio.CancelledError):
                await self._client.leave()
                raise
            if isinstance(outcome, Unknown):
                return Done("unknown")
            if isinstance(outcome, NotStored):
                refused = outcome.refused
                await self._client.connection.discard()
                return Done(
                    "not stored",
                    reason=None if refused is None else code_name(refused.code),
                    field=None if refused is None else declared_key(self.schema, refused.field),
                )
            status = outcome.status
        else:
            status = self.status
        done = await self._follow(status) if follow else Done("stored")
        with contextlib.suppress(LinkError):
            await self.refresh()
        return done

    async def follow(self) -> Done:
        """Wait until the board says whether it works with its settings. Raises LinkError.

        Returns at once if nothing is stored, or something is missing.
        """
        status = await self._client.connection.status()
        if status.store in (Store.EMPTY, Store.INCOMPLETE):
            return Done("not stored", run=code_name(status.run))
        return await self._follow(status)

    async def erase(self) -> None:
        """Erase every value, and check that none is left.

        Raises BoardRefused, StillHeld, ErasedUnseen and OutcomeUnknown.
        """
        hello = await self._client.connection.hello()
        await erase(self._client.connection, hello.generation, self._tell_presence)
        await self.refresh()

    async def undo(self, *, follow: bool = True) -> Done:
        """Go back to the previous values. Raises BoardRefused and OutcomeUnknown."""
        await self.refresh()
        await self._client.undo()
        await self.refresh()
        done = await self._follow(None) if follow else Done("stored")
        await self.refresh()
        return done

    async def confirm(self) -> None:
        """Keep the values that are on trial. Raises BoardRefused and OutcomeUnknown."""
        await self.refresh()
        connection, generation = self._client.connection, self._client.generation
        await change_generation(
            connection, lambda: connection.confirm(generation), generation, self._tell_presence
        )
        await self.refresh()

    async def restart(self) -> None:
        """Restart the firmware. Raises BoardRefused if it does not offer that."""
        await self._client.connection.restart()

    async def survey(self) -> list[Network]:
        """Return the wireless networks in the board's range. Raises BoardRefused."""
        return await self._client.connection.survey()

    async def locate(self) -> None:
        """Make the board seen or heard for about five seconds. Raises BoardRefused."""
        await self._client.connection.locate()

    async def log(self) -> AsyncIterator[str]:
        """Yield the lines that the board has printed since it was connected, cleaned.

        Ends when the port is gone. Secrets that were stored over this connection are blanked.
        """
        while (line := await self.next_line()) is not None:
            yield line

    async def next_line(self) -> str | None:
        """Return the next line that the board prints, or None when the port is gone."""
        lost = asyncio.ensure_future(self._until_lost())
        try:
            while not self._log:
                came = asyncio.ensure_future(self._log_came.wait())
                await asyncio.wait([came, lost], return_when=asyncio.FIRST_COMPLETED)
                came.cancel()
                if lost.done() and not self._log:
                    return None
            line = self._log.popleft()
            if not self._log:
                self._log_came.clear()
            return line
        finally:
            lost.cancel()

    def on_event(self, tell: Callable[[Event], None]) -> None:
        """Set a callback for what a person may have to do, such as press a button."""
        self._on_event = tell

    async def close(self) -> None:
        """Close the port."""
        await self._client.connection.close()

    async def _until_lost(self) -> None:
        with contextlib.suppress(LineLost):
            await self._client.connection.until_lost()

    async def _follow(self, status: Status | None) -> Done:
        done = _done(await self._client.follow(status))
        return replace(done, field=declared_key(self.schema, done.field))

    def _learn(self, changes: Mapping[str, Value | None]) -> None:
        for key, value in changes.items():
            if self.schema[key].field.is_secret and isinstance(value, str | bytes):
                self._secrets.add(value.encode() if isinstance(value, str) else value)

    def _take_line(self, line: str) -> None:
        self._log.append(line)
        self._log_came.set()

    def _take_event(self, event: Event) -> None:
        self._on_event(event)

    def _tell_presence(self) -> None:
        self._on_event(Event.PRESENCE)


def _told(setting: Setting, held: HeldSetting) -> Value | Mark:
    if held.held is not Held.SET:
        return UNSET
    return SET if setting.field.is_opaque or held.value is None else held.value


def _done(result: FollowResult) -> Done:
    status = result.status
    if result.followed is Followed.WENT_BACK:
        return Done("not stored", run=code_name(Run.FAILED))
    if status is None:
        return Done("stored", run=code_name(Run.IDLE))
    failed = status.run == Run.FAILED
    return Done(
        "stored",
        run=code_name(status.run),
        reason=code_name(status.reason or Reason.NONE) if failed else None,
        step=code_name(status.step) if failed and status.step else None,
        field=status.field if failed else None,
        address=None if status.address is None else str(ipaddress.ip_address(status.address)),
    )


@asynccontextmanager
async def connect_async(
    port: str | None = None,
    *,
    baud: int = 115200,
    languages: Sequence[str] = (),
    patience: float | None = PATIENCE,
) -> AsyncIterator[AsyncBoard]:
    """Connect to a board, read its schema and values, and close the port at the end.

    Arguments:
        port: A device, or a URL of the serial library; None: the one board that answers over USB.
        baud: Rate of the line.
        languages: Tags of the preferred languages for its texts, the best first.
        patience: Seconds to wait for its answer; None: for ever.

    Whatever another host has staged on it is discarded. Raises LinkError and SchemaError.
    """
    place = PortSearch(port, baud)
    if port is None:
        connection = await _only_one(place)
    else:
        connection = await open_connection(port, place)
    try:
        met = await meet(connection, languages=languages, patience=patience)
        yield AsyncBoard(connection, met)
    finally:
        await connection.close()


async def _only_one(place: PortSearch) -> Connection:
    answered, errors = await _knock(place)
    if len(answered) == 1:
        return answered[0].found.connection
    for each in answered:
        await each.found.connection.close()
    if answered:
        ports = ", ".join(each.found.port.device for each in answered)
        raise PortMissing(
            phrase("Several boards answer: name the port of one ({ports}).", ports=ports)
        )
    if len(errors) == 1:
        raise next(iter(errors.values()))
    raise PortMissing(phrase("No board answers on any port: plug it in, or name its port."))


async def _knock(place: PortSearch) -> tuple[list[Answered], dict[str, LinkError]]:
    async def open_port(port: Port) -> Connection:
        return await open_connection(port.device, place, port.kind)

    return await knock(await asyncio.to_thread(usb_ports), open_port)


def find_boards(*, baud: int = 115200) -> list[FoundBoard]:
    """Return the boards that answer on this computer's USB ports within a few seconds."""

    async def find() -> list[FoundBoard]:
        answered, _ = await _knock(PortSearch(None, baud))
        for each in answered:
            await each.found.connection.close()
        return [
            FoundBoard(
                each.found.port.device,
                printable(each.hello.firmware),
                printable(each.hello.firmware_version),
                printable(each.hello.board),
                each.hello.unit.hex(),
            )
            for each in answered
        ]

    return asyncio.run(find())


class _Loop:
    """An event loop in a thread of its own, so that the line is read while nobody calls."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()

    def run(self, work: Coroutine[Any, Any, _T]) -> _T:
        """Run a coroutine there. Ctrl-C cancels it, and waits for what it leaves behind."""
        tasks: list[asyncio.Task[Any]] = []

        async def kept() -> _T:
            task = asyncio.current_task()
            assert task is not None
            tasks.append(task)
            return await work

        future = asyncio.run_coroutine_threadsafe(kept(), self._loop)
        try:
            return future.result()
        except KeyboardInterrupt:
            for task in tasks:
                self._loop.call_soon_threadsafe(task.cancel)
            wait([future], _LEAVING_TIME)
            raise

    def close(self) -> None:
        """End the thread."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_CLOSING_TIME)
        self._loop.close()


class Board:
    """AsyncBoard for programs without an event loop: each method waits."""

    def __init__(self, board: AsyncBoard, loop: _Loop) -> None:
        self._board = board
        self._loop = loop

    @property
    def hello(self) -> Hello:
        """The board's identity and abilities, from its hello reply."""
        return self._board.hello

    @property
    def schema(self) -> Schema:
        """The settings that its firmware declares: `schema["network.name"].label`."""
        return self._board.schema

    @property
    def status(self) -> Status:
        """Its status when it was last read."""
        return self._board.status

    @property
    def values(self) -> dict[str, Value | Mark]:
        """The values that it held when it was last read, by full key."""
        return self._board.values

    def refresh(self) -> None:
        """Read the board's status and values again. Raises LinkError and SchemaError."""
        self._loop.run(self._board.refresh())

    def store(
        self,
        values: Mapping[str, GivenValue | None],
        *,
        accept: Collection[str] = (),
        follow: bool = True,
        on_progress: Callable[[int, int], None] | None = None,
    ) -> Done:
        """Store values, all or none, and wait until the board says whether it works with them.

        Arguments and errors are those of AsyncBoard.store().
        """
        return self._loop.run(
            self._board.store(values, accept=accept, follow=follow, on_progress=on_progress)
        )

    def follow(self) -> Done:
        """Wait until the board says whether it works with its settings. Raises LinkError."""
        return self._loop.run(self._board.follow())

    def erase(self) -> None:
        """Erase every value, and check that none is left; raises as AsyncBoard.erase()."""
        self._loop.run(self._board.erase())

    def undo(self, *, follow: bool = True) -> Done:
        """Go back to the previous values. Raises BoardRefused and OutcomeUnknown."""
        return self._loop.run(self._board.undo(follow=follow))

    def confirm(self) -> None:
        """Keep the values that are on trial. Raises BoardRefused and OutcomeUnknown."""
        self._loop.run(self._board.confirm())

    def restart(self) -> None:
        """Restart the firmware. Raises BoardRefused if it does not offer that."""
        self._loop.run(self._board.restart())

    def survey(self) -> list[Network]:
        """Return the wireless networks in the board's range. Raises BoardRefused."""
        return self._loop.run(self._board.survey())

    def locate(self) -> None:
        """Make the board seen or heard for about five seconds. Raises BoardRefused."""
        self._loop.run(self._board.locate())

    def log(self) -> Iterator[str]:
        """Yield what the board prints, as AsyncBoard.log() does."""
        while (line := self._loop.run(self._board.next_line())) is not None:
            yield line

    def on_event(self, tell: Callable[[Event], None]) -> None:
        """Set a callback for what a person may have to do; it is called in another thread."""
        self._board.on_event(tell)


@contextmanager
def connect(
    port: str | None = None,
    *,
    baud: int = 115200,
    languages: Sequence[str] = (),
    patience: float | None = PATIENCE,
) -> Iterator[Board]:
    """Connect to a board; takes and raises the same as connect_async()."""
    loop = _Loop()
    try:
        context = connect_async(port, baud=baud, languages=languages, patience=patience)
        board = loop.run(context.__aenter__())
        try:
            yield Board(board, loop)
        finally:
            loop.run(context.__aexit__(None, None, None))
    finally:
        loop.close()
