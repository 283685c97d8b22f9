# SPDX-License-Identifier: MIT
"""A connection to a board: the session, driven by a stream and the event loop's clock.

    async with Connection(await open_stream(device, baud=115200)) as board:
        hello = await board.hello(10.0)
        schema, values, status = await board.read(hello)
        outcome = await board.store(changes, token=secrets.token_bytes(8))

Every coroutine may be cancelled; what it had not sent is then not sent. Several may run at once and
share the line's flights.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from secrets import randbelow
from types import TracebackType
from typing import Any, TypeVar

from provision.contract.messages import MAX_ID
from provision.link import operations
from provision.link.errors import LineLost, LinkError
from provision.link.exchange import PATIENCE, Notice
from provision.link.known_secrets import KnownSecrets
from provision.link.operations import OnProgress, Procedure, StagedChange
from provision.link.ports import Driver, Port, list_ports, open_stream
from provision.link.replies import CommitOutcome, HeldValue, Hello, Network, Status, Unknown
from provision.link.session import ProcedureRun, Session
from provision.link.streams import Stream

_Result = TypeVar("_Result")

_HELLO_TIME = 3.0  # seconds that a port is given to show whether the board sought is behind it
_LOOK_TIME = 0.25  # seconds between looks for a board that was lost
_OTHERS_AFTER = 2.0  # seconds after which ports are tried that only the unit id can tell


class Connection:
    """One board at the other end of a stream.

    Errors are LinkErrors in a person's words. on_log gets each line of log text, cleaned, and what
    `secrets` know blanked; on_notice what the person may want to know while nothing has failed.
    Make it inside a running event loop.
    """

    def __init__(
        self,
        stream: Stream,
        *,
        baud: int = 115200,
        on_log: Callable[[str], None] | None = None,
        on_notice: Callable[[Notice], None] | None = None,
        secrets: KnownSecrets | None = None,
    ) -> None:
        self._stream = stream
        self._on_log = on_log
        self._on_notice = on_notice
        self._session = Session(baud=baud, first_id=randbelow(MAX_ID + 1))
        if secrets is not None:
            self._session.blank_in_log(secrets)
        self._loop = asyncio.get_running_loop()
        self._waiting: dict[ProcedureRun[Any], asyncio.Future[None]] = {}
        self._timer: asyncio.TimerHandle | None = None
        self._error: BaseException | None = None
        self._hello: Hello | None = None
        self._commit_sent = False
        self._pump = self._loop.create_task(self._read_on())
        self._pump.add_done_callback(self._pump_ended)

    async def __aenter__(self) -> Connection:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        await self.close()

    def listen(self, on_log: Callable[[str], None] | None, secrets: KnownSecrets) -> None:
        """Let on_log take each line of log text from now on, these blanked; None: nobody."""
        self._session.blank_in_log(secrets)
        self._on_log = on_log

    async def until_lost(self) -> None:
        """Wait while the port is there, and raise LineLost when it is gone."""
        await asyncio.wait([self._pump])
        assert self._error is not None
        raise self._error

    @property
    def met(self) -> Hello | None:
        """The board that answered hello last, None if none did yet."""
        return self._hello

    @property
    def commit_sent(self) -> bool:
        """Whether the store() that runs or ran last has sent a commit that was not refused.

        If it was cancelled and this is true, the outcome is open until resolve_commit().
        """
        return self._commit_sent

    async def close(self) -> None:
        """Let go of the port, within a second. May be called again."""
        self._fail(LineLost("The connection was closed."))
        self._pump.cancel()
        try:
            await asyncio.wait([self._pump])
        finally:
            await self._stream.close()

    async def hello(self, timeout: float | None = PATIENCE) -> Hello:  # noqa: ASYNC109
        """Return who is there; hello is repeated every 250 ms until a board answers.

        timeout: seconds, None for ever. Raises Silent, SpeaksElse, OtherReader, WrongVersion.
        """
        # The timeout is the session's, which then knows what came instead of an answer.
        self._hello = await self._run(operations.greet(timeout))
        return self._hello

    async def read(
        self,
        hello: Hello,
        *,
        schema: bool = True,
        values: bool = True,
        page_starts: Sequence[int] = (),
    ) -> tuple[bytes | None, dict[str, HeldValue] | None, Status]:
        """Discard what is staged and read schema, values and status, all in one flight.

        The schema is deflated and not yet to be believed. schema=False skips it, for a digest that
        is known; values=False skips them, for a board on which nothing is stored. page_starts: see
        operations.read_values().
        """
        async with _Together() as together:
            together.start(self._run(operations.discard(hello.boot)))
            status = together.start(self.status())
            listed = (
                together.start(self._run(operations.read_values(page_starts))) if values else None
            )
            deflated = together.start(self.schema(hello)) if schema else None
        return (
            deflated.result() if deflated else None,
            listed.result() if listed else None,
            status.result(),
        )

    async def schema(self, hello: Hello) -> bytes:
        """Return the deflated schema, not yet to be believed."""
        return await self._run(operations.read_schema(hello.schema_size))

    async def values(self) -> dict[str, HeldValue]:
        """Return what the board holds, by full key in schema order."""
        return await self._run(operations.read_values())

    async def store(
        self,
        changes: Sequence[StagedChange],
        *,
        token: bytes,
        on_progress: OnProgress | None = None,
    ) -> CommitOutcome:
        """Make the changes durable, all or none; None as a value clears a field.

        changes: in schema order, at least one. token: 8 random bytes, to resolve an open outcome.
        on_progress: called with how many steps of how many are done; starts over when the set has
        to be staged again. Returns Unknown, not an error, where the line is lost after the commit
        was sent.
        """
        hello = await self._met()
        self._commit_sent = False
        try:
            return await self._run(
                operations.store(
                    hello,
                    changes,
                    token,
                    while_storing=self._session.limits.receives_while_storing,
                    on_progress=on_progress,
                    on_open=self._set_open,
                )
            )
        except LinkError:
            if self._commit_sent:
                return Unknown()
            raise

    async def resolve_commit(self, token: bytes, unit: bytes | None = None) -> CommitOutcome:
        """Return what came of the commit with this token, by what hello says now.

        unit: of the board that it went to; None for the board that this connection met.
        """
        if unit is None and self._hello is not None:
            unit = self._hello.unit
        return await self._run(operations.resolve_commit(token, unit))

    async def status(self) -> Status:
        """Return where the board stands."""
        return await self._run(operations.read_status_now())

    async def discard(self) -> None:
        """Drop what is staged."""
        await self._run(operations.discard((await self._met()).boot))

    async def undo(self, generation: int) -> int:
        """Put the set before `generation` in force again; return the new generation."""
        return await self._run(operations.undo(generation))

    async def erase(self, generation: int) -> int:
        """Wipe every value; return the new generation."""
        return await self._run(operations.erase(generation))

    async def confirm(self, generation: int) -> int:
        """Keep the set on trial; return the new generation."""
        return await self._run(operations.confirm(generation))

    async def restart(self) -> None:
        """Restart the firmware; hello() then meets a new boot number."""
        await self._run(operations.restart((await self._met()).boot))

    async def survey(
        self, on_found: Callable[[list[Network]], None] | None = None
    ) -> list[Network]:
        """Return the wireless networks in range; on_found is told of them as they come in."""
        return await self._run(operations.survey(on_found or (lambda _: None)))

    async def locate(self) -> None:
        """Make the board show itself, for about five seconds."""
        await self._run(operations.locate())

    async def _met(self) -> Hello:
        return self._hello or await self.hello()

    def _set_open(self, is_open: bool) -> None:
        self._commit_sent = is_open

    async def _run(self, procedure: Procedure[_Result]) -> _Result:
        if self._error is not None:
            procedure.close()
            raise self._error
        run = self._session.start(procedure, self._loop.time())
        done = self._waiting[run] = self._loop.create_future()
        try:
            self._advance()
            await done
        finally:
            del self._waiting[run]
            if not run.finished:
                self._session.stop(run)
        return run.result()

    async def _read_on(self) -> None:
        while True:
            data = await self._stream.read()
            self._session.receive(data, self._loop.time())
            self._advance()

    def _advance(self) -> None:
        """Send what is to be sent, hand out what came in, and set the clock for the next time."""
        out = self._session.poll(self._loop.time())
        for line in self._session.take_log():
            if self._on_log:
                self._on_log(line)
        self._tell(*self._session.take_notices())
        for run in self._session.take_finished():
            done = self._waiting.get(run)
            if done is not None and not done.done():
                done.set_result(None)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if out:
            try:
                self._stream.write(out)
            except LineLost as error:
                self._fail(error)
                return
        deadline = self._session.next_deadline()
        if deadline is not None:
            self._timer = self._loop.call_at(deadline, self._on_time)

    def _on_time(self) -> None:
        """Advance; a fault of ours ends the calls that wait, as one in the pump does."""
        try:
            self._advance()
        except Exception as error:  # noqa: BLE001 - whoever waits gets to see it
            self._fail(error)

    def _tell(self, *notices: Notice) -> None:
        if self._on_notice:
            for notice in notices:
                self._on_notice(notice)

    def _pump_ended(self, pump: asyncio.Task[None]) -> None:
        error = None if pump.cancelled() else pump.exception()
        if error is not None and self._error is None:
            if isinstance(error, LineLost):
                self._tell(Notice.LINE_LOST)
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        """End every call that runs, and every later one, with this error."""
        self._error = self._error or error
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        for done in self._waiting.values():
            if not done.done():
                done.set_exception(error)


class _Together(asyncio.TaskGroup):
    """Calls that run at once; the first error ends them all and comes out as it is."""

    def start(self, call: Any) -> asyncio.Task[Any]:
        return self.create_task(call)

    async def __aexit__(self, *exception: Any) -> None:
        try:
            await super().__aexit__(*exception)
        except BaseExceptionGroup as errors:
            raise errors.exceptions[0] from None


async def find_again(
    was: Port,
    unit: bytes,
    *,
    baud: int = 115200,
    driver: Driver = "auto",
    on_log: Callable[[str], None] | None = None,
    on_notice: Callable[[Notice], None] | None = None,
    look: Callable[[], list[Port]] = list_ports,
) -> tuple[Port, Connection, Hello]:
    """Wait until the board `unit`, last seen at the port `was`, is there again, and meet it.

    Tried are the ports of its USB serial number, then that of its location or name; after a while
    every other port on USB, since only the unit id is sure. Cancel to stop.
    """
    loop = asyncio.get_running_loop()
    started = loop.time()
    while True:
        others = loop.time() - started >= _OTHERS_AFTER
        ports = await asyncio.to_thread(look)
        if was.device not in [port.device for port in ports]:
            ports.append(was)  # a pseudo-terminal or a URL is never listed
        for port in _candidates(was, ports, others=others):
            try:
                stream = await open_stream(port.device, baud=baud, driver=driver, kind=port.kind)
            except LinkError:
                continue
            connection = Connection(stream, baud=baud, on_log=on_log, on_notice=on_notice)
            try:
                hello = await connection.hello(_HELLO_TIME)
            except LinkError:
                await connection.close()
                continue
            except BaseException:
                await connection.close()
                raise
            if hello.unit == unit:
                return port, connection, hello
            await connection.close()
        await asyncio.sleep(_LOOK_TIME)


def _candidates(was: Port, ports: list[Port], *, others: bool) -> list[Port]:
    """Return the ports that may lead to the board again, the likeliest first."""

    def likelihood(port: Port) -> int:
        if was.serial_number is not None and port.serial_number == was.serial_number:
            return 3
        if was.location is not None and port.location == was.location:
            return 2
        return 1 if port.device == was.device else 0

    likely = sorted(ports, key=likelihood, reverse=True)
    return [port for port in likely if likelihood(port) or (others and port.kind != "unknown")]
