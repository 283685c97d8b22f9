# SPDX-License-Identifier: MIT
"""Connections over pseudo-terminals, the loopback and memory, with a small board behind them."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import inspect
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any, cast

import pytest

from provision.contract.line import Frame, LineReceiver
from provision.contract.messages import Message, decode_message
from provision.contract.table import MessageType, Refusal, Store
from provision.link.connection import Connection, find_again
from provision.link.errors import (
    BoardFault,
    BoardRefused,
    LineLost,
    LinkError,
    PortMissing,
    Silent,
    SpeaksElse,
)
from provision.link.exchange import Notice
from provision.link.operations import StagedChange
from provision.link.ports import Driver, Port, open_stream
from provision.link.replies import NotStored, Stored, Unknown
from provision.link.streams import MemoryStream, Stream, TransportStream
from tests.link.served import Terminal, descriptors, is_free, tcp, terminal
from tests.link.virtual import SmallBoard
from tests.waiting import wait_until

TOKEN = bytes(8)
CHANGES: list[StagedChange] = [("mast.probe-0", "weather"), ("mast.probe-1", 7)]

ALL_WAYS = ("descriptor", "transport", "socket", "memory")


def runs(test: Callable[..., Awaitable[None]]) -> Callable[..., None]:
    """Run a coroutine as a test; afterwards no task and no descriptor may be left."""

    def run(**arguments: Any) -> None:
        async def alone() -> None:
            await test(**arguments)
            await asyncio.sleep(0)
            assert asyncio.all_tasks() == {asyncio.current_task()}

        before = descriptors()
        asyncio.run(alone())
        assert descriptors() == before

    run.__name__ = test.__name__
    run.__doc__ = test.__doc__
    signature = inspect.signature(test)
    run.__signature__ = signature  # type: ignore[attr-defined]
    return run


@contextlib.asynccontextmanager
async def reach(way: str, answer: Callable[[bytes], bytes]) -> AsyncIterator[Stream]:
    """Yield a stream to something that answers bytes with bytes."""
    if way == "memory":
        ours, theirs = MemoryStream.pair()

        async def serve() -> None:
            while True:
                theirs.write(answer(await theirs.read()))

        task = asyncio.create_task(serve())
        yield ours
        await ours.close()
        with pytest.raises(LineLost):
            await task
        return
    async with contextlib.AsyncExitStack() as stack:
        if way == "socket":
            stream = await open_stream(await stack.enter_async_context(tcp(answer)), baud=115200)
        else:
            served = await stack.enter_async_context(terminal(answer))
            driver: Driver = "transport" if way == "transport" else "descriptor"
            stream = await open_stream(served.name, baud=115200, driver=driver)
        stack.push_async_callback(stream.close)
        yield stream


@pytest.mark.parametrize("way", ALL_WAYS)
@runs
async def test_a_whole_session_runs_over_every_stream(way: str) -> None:
    """Met, read, stored, confirmed by values: the same over each driver."""
    board = SmallBoard()
    async with reach(way, board.receive) as stream, Connection(stream) as connection:
        hello = await connection.hello(5.0)
        schema, values, status = await connection.read(hello)
        assert schema == board.schema
        assert values is not None
        assert tuple(values) == board.keys
        assert status.store == Store.EMPTY
        steps: list[tuple[int, int]] = []
        outcome = await connection.store(
            CHANGES, token=TOKEN, on_progress=lambda done, of: steps.append((done, of))
        )
        assert isinstance(outcome, Stored)
        assert steps[-1] == (3, 3)
        assert (await connection.values())["mast.probe-1"].value == 7
        assert (await connection.status()).generation == 1
        assert await connection.resolve_commit(TOKEN) == Stored(1)
        assert await connection.undo(1) == 2
        assert await connection.confirm(2) == 3
        assert await connection.erase(3) == 4
        assert len(await connection.survey()) == 3
        await connection.locate()
        await connection.discard()
        await connection.restart()
        assert (await connection.hello(5.0)).boot == hello.boot + 1
        assert await connection.read(hello, schema=False) == (
            None,
            await connection.values(),
            await connection.status(),
        )


@runs
async def test_a_connection_meets_its_board_by_itself() -> None:
    """Whoever stores without having said hello has it said."""
    async with reach("memory", SmallBoard().receive) as stream, Connection(stream) as connection:
        assert isinstance(await connection.store(CHANGES, token=TOKEN), Stored)


@pytest.mark.parametrize("way", ALL_WAYS)
@runs
async def test_log_text_and_notices_are_handed_out(way: str) -> None:
    """What a board prints between frames reaches on_log; its restart on_notice."""
    board = SmallBoard()
    log: list[str] = []
    notices: list[Notice] = []

    def chatty(data: bytes) -> bytes:
        return b"I (12) mast: up\r\n" + board.receive(data)

    async with (
        reach(way, chatty) as stream,
        Connection(stream, on_log=log.append, on_notice=notices.append) as connection,
    ):
        await connection.hello(5.0)
        board.restart()
        await connection.hello(5.0)
    assert "I (12) mast: up" in log
    assert Notice.RESTARTED in notices


# --- What is behind the port


@pytest.mark.parametrize("way", ALL_WAYS)
@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (lambda _: b"", Silent),
        (lambda _: b"login: \r\n", SpeaksElse),
        (lambda data: data, SpeaksElse),
        (lambda _: b"\n~hAEBB6AKJIDNK@F\n" * 3, BoardFault),
    ],
)
@runs
async def test_what_is_no_board_gets_its_own_sentence(way: str, answer: Any, error: Any) -> None:
    """Silence, other text, echo and damage are told apart within the time given.

    That is what has come by then. On a loaded machine that is little, and more time is given.
    """
    async with reach(way, answer) as stream, Connection(stream) as connection:
        told: LinkError | None = None
        for patience in (0.3, 3.0, 30.0):
            with pytest.raises(LinkError) as caught:
                await connection.hello(patience)
            told = caught.value
            if isinstance(told, error):
                break
        assert isinstance(told, error)


@runs
async def test_reading_asks_for_everything_before_the_first_answer() -> None:
    """Discard, status, values and schema are one flight: a slow line is waited for once."""
    asked = {
        MessageType.DISCARD,
        MessageType.STATUS,
        MessageType.GET_VALUES,
        MessageType.GET_SCHEMA,
    }
    board = SmallBoard(instead=dict.fromkeys(asked, lambda _: b"\n"))
    async with reach("memory", board.receive) as stream, Connection(stream) as connection:
        hello = await connection.hello(5.0)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05):
                await connection.read(hello)
    assert asked < {request.type for request in board.requests}


@runs
async def test_an_error_in_one_of_several_requests_comes_out_as_it_is() -> None:
    """Reading sends four things at once; the first error ends all."""
    board = SmallBoard(instead={MessageType.GET_VALUES: lambda _: Refusal.UNKNOWN_TYPE})
    async with reach("memory", board.receive) as stream, Connection(stream) as connection:
        hello = await connection.hello(5.0)
        with pytest.raises(BoardRefused):
            await connection.read(hello)


# --- Losing the line


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@runs
async def test_unplugging_is_noticed_at_once(driver: Driver) -> None:
    """Calls that run end without waiting for a reply any more, later ones at once."""
    notices: list[Notice] = []
    async with terminal(SmallBoard(instead={MessageType.STATUS: lambda _: b"\n"}).receive) as port:
        stream = await open_stream(port.name, baud=115200, driver=driver)
        async with Connection(stream, on_notice=notices.append) as connection:
            await connection.hello(5.0)
            waiting = asyncio.create_task(connection.status())
            await asyncio.sleep(0.05)
            port.hang_up()
            async with asyncio.timeout(5):  # half of what a silent board is given
                with pytest.raises(LineLost, match="plug the board in again"):
                    await waiting
            with pytest.raises(LineLost):
                await connection.values()
            with pytest.raises(LineLost):
                stream.write(b"\n")
    assert notices == [Notice.LINE_LOST]


@pytest.mark.parametrize("way", ["descriptor", "transport"])
@runs
async def test_a_line_lost_after_the_commit_leaves_the_outcome_open(way: Driver) -> None:
    """Unknown is said, not an error, and settled when the board is back (5.3)."""
    board = SmallBoard()
    port = Terminal(board.receive)

    def unplug(_: Any) -> bytes:
        port.hang_up()
        return b""

    board.instead[MessageType.COMMIT] = unplug
    connection = Connection(await open_stream(port.name, baud=115200, driver=way))
    async with connection:
        await connection.hello(5.0)
        assert await connection.store(CHANGES, token=TOKEN) == Unknown()
        assert connection.commit_sent
    async with (
        reach(way, SmallBoard().receive) as stream,
        Connection(stream) as again,
    ):
        assert await again.resolve_commit(TOKEN, board.unit) == NotStored()


@runs
async def test_a_line_lost_before_the_commit_is_an_error() -> None:
    """Then nothing can have been stored."""
    board = SmallBoard()
    async with terminal(board.receive) as port:

        def unplug(_: Any) -> bytes:
            port.hang_up()
            return b""

        board.instead[MessageType.SET_FIELD] = unplug
        async with Connection(await open_stream(port.name, baud=115200)) as connection:
            await connection.hello(5.0)
            with pytest.raises(LineLost):
                await connection.store([("mast.probe-0", bytes(5000))], token=TOKEN)
            assert not connection.commit_sent


@pytest.mark.parametrize("operation", ["read", "write"])
@runs
async def test_an_error_of_the_port_is_the_end_of_the_line(operation: str) -> None:
    """Some systems raise EIO where others say nothing; a moment without bytes is no error."""
    raised = iter([BlockingIOError(), OSError(errno.EIO, "hung up")])

    def fail(*_: Any) -> None:
        raise next(raised)

    async with terminal() as port:
        stream = await open_stream(port.name, baud=115200)
        with pytest.MonkeyPatch.context() as patch:
            port.say(b"x" if operation == "read" else b"")
            patch.setattr(os, operation, fail)
            stream.write(b"x" if operation == "write" else b"")
            with pytest.raises(LineLost):
                await stream.read()
        await stream.close()


class Deaf:
    """A stream that takes nothing and says nothing."""

    def write(self, _: bytes) -> None:
        """Fail."""
        raise LineLost("The port is gone.")

    async def read(self) -> bytes:
        """Wait for ever."""
        await asyncio.Event().wait()
        return b""

    async def close(self) -> None:
        """Do nothing."""


@runs
async def test_a_line_that_takes_nothing_is_lost() -> None:
    """Whichever of reading and writing notices it first."""
    async with Connection(Deaf()) as connection:
        with pytest.raises(LineLost, match="gone"):
            await connection.hello(None)
        with pytest.raises(LineLost, match="gone"):
            await connection.status()


# --- Cancelling and closing


@runs
async def test_a_cancelled_call_leaves_the_connection_usable() -> None:
    """Ctrl-C in the middle of one call ends that call and nothing else."""
    board = SmallBoard(instead={MessageType.SURVEY: lambda _: b"\n"})
    async with reach("descriptor", board.receive) as stream, Connection(stream) as connection:
        hello = await connection.hello(5.0)
        for call in (
            connection.survey(),
            connection.read(hello),
            connection.store(CHANGES, token=TOKEN),
        ):
            task = asyncio.create_task(call)
            await asyncio.sleep(0)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        assert (await connection.status()).store == board.store


@pytest.mark.parametrize("way", ALL_WAYS)
@runs
async def test_closing_ends_what_runs(way: str) -> None:
    """A call that waits when the connection is closed ends with a sentence."""
    async with reach(way, lambda _: b"") as stream:
        connection = Connection(stream)
        waiting = asyncio.create_task(connection.hello(None))
        await asyncio.sleep(0.01)
        await connection.close()
        with pytest.raises(LineLost, match="closed"):
            await waiting
        await connection.close()


@pytest.mark.parametrize("way", ["descriptor", "transport", "socket"])
@runs
async def test_closing_is_bounded_with_a_stalled_peer(way: str) -> None:
    """A peer that reads nothing keeps nobody waiting."""
    async with contextlib.AsyncExitStack() as stack:
        if way == "socket":
            name = await stack.enter_async_context(tcp(None))
        else:
            name = (await stack.enter_async_context(terminal())).name
        driver: Driver = "descriptor" if way == "descriptor" else "transport"
        stream = await open_stream(name, baud=115200, driver=driver)
        if way == "socket":  # the system takes megabytes for one, until it takes no more
            transport = cast(TransportStream, stream)._transport
            while not transport.get_write_buffer_size():
                stream.write(b"x" * 30_000)
                await asyncio.sleep(0.01)
        else:
            stream.write(b"x" * 60_000)
        await asyncio.sleep(0.05)
        async with asyncio.timeout(5):  # unbounded, it would never end
            await stream.close()
            await stream.close()


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@runs
async def test_a_port_that_takes_no_bytes_is_given_up(driver: Driver) -> None:
    """Hello for ever to a dead port does not fill the memory."""
    async with terminal() as port:
        stream = await open_stream(port.name, baud=115200, driver=driver)
        stream.write(b"x" * 200_000)
        with pytest.raises(LineLost):
            stream.write(b"x")
        await stream.close()


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@runs
async def test_more_than_the_system_holds_arrives_whole(driver: Driver) -> None:
    """What a port does not take at once is kept and sent on, in order."""
    data = bytes(range(33, 127)) * 600
    async with terminal(lambda _: b"") as port:
        stream = await open_stream(port.name, baud=115200, driver=driver)
        stream.write(data)
        stream.write(b"!")
        await wait_until(lambda: len(port.received) > len(data), "all has arrived")
        assert bytes(port.received) == data + b"!"
        await stream.close()


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@runs
async def test_closing_lets_go(driver: Driver) -> None:
    """A port is its opener's alone, and anybody's again once it is closed."""
    async with terminal() as port:
        stream = await open_stream(port.name, baud=115200, driver=driver)
        assert not is_free(port.name)
        await stream.close()
        assert is_free(port.name)


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@runs
async def test_a_cancelled_close_still_lets_go(driver: Driver) -> None:
    """The port is free again even if somebody was in a hurry."""
    async with terminal() as port:
        stream = await open_stream(port.name, baud=115200, driver=driver)
        stream.write(b"x" * 60000)
        task = asyncio.create_task(stream.close())
        await asyncio.sleep(0.02)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await asyncio.sleep(0)  # the transport closes in the next round of the event loop
        assert is_free(port.name)
        again = await open_stream(port.name, baud=115200)
        await again.close()


@pytest.mark.parametrize("driver", ["descriptor", "transport"])
@runs
async def test_a_close_in_a_task_that_is_being_cancelled_is_waited_for(driver: Driver) -> None:
    """As at Ctrl-C: what is closed last has closed when the task ends, whatever is unsent."""
    freed = []
    async with terminal() as port:

        async def work() -> None:
            stream = await open_stream(port.name, baud=115200, driver=driver)
            stream.write(b"x" * 60000)
            try:
                await stream.read()
            finally:
                await stream.close()
                freed.append(is_free(port.name))

        task = asyncio.create_task(work())
        await asyncio.sleep(0.02)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    assert freed == [True]


@runs
async def test_an_opening_that_is_cancelled_lets_go() -> None:
    """The port is open already while its transport is made."""
    async with terminal() as port:
        task = asyncio.create_task(open_stream(port.name, baud=115200, driver="transport"))
        await asyncio.sleep(0)
        assert not is_free(port.name)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await asyncio.sleep(0)
        assert is_free(port.name)


# --- Finding the board again


@runs
async def test_a_board_is_found_again_by_its_unit_id() -> None:
    """Of several ports the one whose board has the unit id; the others are let go."""
    async with (
        terminal(SmallBoard(unit=b"other").receive) as other,
        terminal(SmallBoard(unit=b"ours").receive) as ours,
    ):
        was = Port("/dev/gone", "", serial_number="A1", location="1-2", kind="native")
        listed = [
            Port("/dev/no-such-port", "", location="1-2"),
            Port(other.name, "", serial_number="A1"),
            Port(ours.name, "", kind="native"),
        ]
        port, connection, hello = await find_again(was, b"ours", look=lambda: listed)
        assert (port.device, hello.unit) == (ours.name, b"ours")
        await connection.close()


@runs
async def test_a_port_that_is_never_listed_is_tried_by_its_name() -> None:
    """A pseudo-terminal comes back under the name that it had."""
    async with terminal(SmallBoard(unit=b"ours").receive) as ours:
        was = Port(ours.name, "")
        port, connection, _ = await find_again(was, b"ours", look=list)
        assert port == was
        await connection.close()


@runs
async def test_looking_for_a_board_can_be_cancelled() -> None:
    """Whoever waits for a board to come back may stop waiting, in the middle of a hello too."""
    async with terminal(lambda _: b"") as silent:
        for device in (silent.name, "/dev/no-such-port"):
            task = asyncio.create_task(find_again(Port(device, ""), b"ours", look=list))
            await asyncio.sleep(0.1)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task


@runs
async def test_many_connections_at_once() -> None:
    """Boards beyond what select() can watch, each with descriptors of its own."""
    boards = [SmallBoard() for _ in range(40)]
    async with contextlib.AsyncExitStack() as stack:
        connections = []
        for board in boards:
            port = await stack.enter_async_context(terminal(board.receive))
            stream = await open_stream(port.name, baud=115200)
            connections.append(await stack.enter_async_context(Connection(stream)))
        hellos = await asyncio.gather(*(connection.hello(20.0) for connection in connections))
        assert len(hellos) == len(boards)


@runs
async def test_a_socket_where_nobody_listens() -> None:
    """An address without a listener is a port that is missing."""
    async with tcp(lambda _: b"") as url:
        pass
    with pytest.raises(PortMissing, match="something listens"):
        await open_stream(url, baud=115200)


@runs
async def test_a_socket_whose_peer_goes_is_lost() -> None:
    """The end of a TCP connection is the end of the line, and leaves nothing open."""
    async with contextlib.AsyncExitStack() as stack:
        url = await stack.enter_async_context(tcp(SmallBoard().receive))
        connection = Connection(await open_stream(url, baud=115200))
        await connection.hello(5.0)
        await stack.aclose()
        with pytest.raises(LineLost):
            await connection.survey()
        await connection.close()


def test_a_host_begins_with_an_id_that_an_earlier_one_hardly_had(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is drawn from all 65,536, so that a stale reply answers nothing (clause 4.1)."""
    drawn: list[int] = []

    def draw(below: int) -> int:
        drawn.append(below)
        return 48_813

    monkeypatch.setattr("provision.link.connection.randbelow", draw)
    sent: list[Message] = []

    async def greet() -> None:
        ours, theirs = MemoryStream.pair()
        async with Connection(ours) as connected:
            asking = asyncio.create_task(connected.hello(None))
            events = LineReceiver().feed(await theirs.read())
            sent.extend(decode_message(event.item) for event in events if isinstance(event, Frame))
            asking.cancel()
            with pytest.raises(asyncio.CancelledError):
                await asking

    asyncio.run(greet())
    assert drawn == [65_536]
    assert sent[0].id == 48_813
