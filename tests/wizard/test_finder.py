# SPDX-License-Identifier: MIT
"""Which port the board is behind, by what answers there."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import AsyncExitStack
from dataclasses import replace

import pytest

from provision.board.engine import from_declaration
from provision.board.firmware import Device
from provision.board.server import serve_pty
from provision.client import discovery
from provision.client.discovery import PortSearch
from provision.link.errors import BoardFault, LinkError, PortMissing, Silent
from provision.link.ports import Port
from provision.wizard import finder
from provision.wizard.finder import Finder
from provision.wizard.screen import ScreenAsker
from tests.link.served import is_free, terminal
from tests.link.virtual import SmallBoard
from tests.wizard.bench import DEMO


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discovery, "_KNOCK_TIME", 0.4)
    monkeypatch.setattr(finder, "_LOOK_PAUSE", 0.01)


async def serve(stack: AsyncExitStack, unit: bytes = b"\x01") -> Port:
    """Return the port of a new board."""
    device = Device(from_declaration(DEMO, unit=unit))
    return Port(await stack.enter_async_context(serve_pty(device)), "", kind="native")


async def found_at(ports: Sequence[Port], *, asker: ScreenAsker | None = None) -> str:
    """Return the device at which a board is found."""
    finder = Finder(
        PortSearch(), lambda _: None, waits=False, asker=asker, look=lambda: list(ports)
    )
    found = await finder.find()
    await found.connection.close()
    return found.port.device


async def test_the_one_port_that_answers_is_taken() -> None:
    """A port where nothing answers is passed over, and one that is no board's is not touched."""
    async with AsyncExitStack() as stack:
        silent = await stack.enter_async_context(terminal())
        board = await serve(stack)
        other = replace(board, device="/dev/null", kind="unknown")
        ports = [other, Port(silent.name, "", kind="bridge"), board]
        assert await found_at(ports) == board.device


async def test_several_boards_are_told_apart_by_what_they_call_themselves() -> None:
    """Without somebody to ask, each is named with its port and how to choose."""
    async with AsyncExitStack() as stack:
        ports = [await serve(stack, b"\x01"), await serve(stack, b"\x02")]
        with pytest.raises(PortMissing) as caught:
            await found_at(ports)
        said = str(caught.value)
        assert "--port" in said
        for port, unit in zip(ports, ("01", "02"), strict=True):
            assert f"{port.device}: orchard-frost-alarm 1.4.0 on" in said
            assert f"(id {unit})" in said


async def test_looking_that_is_interrupted_lets_go_of_the_boards_that_have_answered() -> None:
    """One answers at once, and another port is still listened to when Ctrl-C comes."""
    async with AsyncExitStack() as stack:
        silent = await stack.enter_async_context(terminal())
        board = await serve(stack)
        ports = [Port(silent.name, "", kind="native"), board]
        looking = asyncio.create_task(found_at(ports))
        await asyncio.sleep(0.2)  # less than a port is given to answer
        assert not is_free(board.device)
        looking.cancel()
        with pytest.raises(asyncio.CancelledError):
            await looking
        assert is_free(board.device)
        assert is_free(silent.name)


async def test_the_person_chooses_among_several_boards() -> None:
    """By a number."""

    class Chooses(ScreenAsker):
        def __init__(self) -> None:
            self.title = ""
            self.options: Sequence[str] = ()

        async def choose(self, title: str, options: Sequence[str]) -> int:
            self.title, self.options = title, options
            return 1

    async with AsyncExitStack() as stack:
        ports = [await serve(stack, b"\x01"), await serve(stack, b"\x02")]
        asker = Chooses()
        assert await found_at(ports, asker=asker) == ports[1].device
        assert asker.title == "Several boards answer. Which one is meant?"
        assert len(asker.options) == 4


class Answers(ScreenAsker):
    """Somebody who chooses these, one after the other."""

    def __init__(self, *numbers: int) -> None:
        self._numbers = iter(numbers)

    async def choose(self, title: str, options: Sequence[str]) -> int:
        """See Asker."""
        assert title
        assert options
        return next(self._numbers)


async def test_boards_show_themselves_to_somebody_who_cannot_tell_them_apart(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One after the other, each with its number; then the person chooses."""
    monkeypatch.setattr(finder, "_SHOW_TIME", 0.01)
    async with AsyncExitStack() as stack:
        ports = [await serve(stack, b"\x01"), await serve(stack, b"\x02")]
        said: list[str] = []
        chooser = Finder(
            PortSearch(), said.append, waits=True, asker=Answers(3, 0), look=lambda: list(ports)
        )
        found = await chooser.find()
        await found.connection.close()
        assert found.port == ports[0]
        assert [line.partition(", ")[0] for line in said] == [
            "Look at the boards: this is number 1",
            "Look at the boards: this is number 2",
        ]


async def test_the_board_that_is_unplugged_and_plugged_in_again_is_the_one() -> None:
    """The port that goes is its; it is met again there by its unit id."""
    async with AsyncExitStack() as stack:
        ports = [await serve(stack, b"\x01"), await serve(stack, b"\x02")]
        looks = iter([ports, ports, ports[:1], ports])
        last = ports

        def look() -> list[Port]:
            return list(next(looks, last))

        said: list[str] = []
        finder = Finder(PortSearch(), said.append, waits=True, asker=Answers(2), look=look)
        found = await finder.find()
        hello = await found.connection.hello()
        await found.connection.close()
        assert (found.port, hello.unit) == (ports[1], b"\x02")
        assert said == ["Unplug the board that you mean.", "That is it. Plug it in again."]


async def test_no_board_is_an_error_where_nobody_can_plug_one_in() -> None:
    """With what is wrong at the one port there is, or with what to do."""
    with pytest.raises(PortMissing, match="plug it in, or name its port with --port"):
        await found_at([])
    async with terminal() as silent:
        port = Port(silent.name, "", kind="bridge")
        with pytest.raises(Silent, match="reset"):
            await found_at([port])
        with pytest.raises(LinkError, match="No board answers on any port"):
            await found_at([port, Port("/dev/no-such-port", "", kind="native")])


def test_of_several_ports_the_one_with_a_faulty_board_is_named() -> None:
    """That a board answers, however wrongly, says more than that nothing does elsewhere."""

    async def play() -> None:
        at = SmallBoard()
        async with (
            terminal() as silent,
            terminal(lambda data: at.receive(data).replace(b"~", b"~A")) as faulty,
        ):
            names = (silent.name, faulty.name)
            with pytest.raises(BoardFault) as caught:
                await found_at([Port(name, "", kind="bridge") for name in names])
            assert str(caught.value).startswith(f"{faulty.name}: The board breaks the protocol")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(discovery, "_KNOCK_TIME", 1.5)  # time for three lines that fail alike
        asyncio.run(play())


async def test_a_board_that_is_plugged_in_later_is_found() -> None:
    """Somebody is there, so it is waited for, and said once what to do."""
    async with AsyncExitStack() as stack:
        board = await serve(stack)
        looks = iter([[], [], [], [board]])
        said: list[str] = []
        finder = Finder(PortSearch(), said.append, waits=True, look=lambda: list(next(looks)))
        found = await finder.find()
        await found.connection.close()
        assert found.port == board
        assert said == ["Waiting for a board: plug it in, or press its reset button."]
