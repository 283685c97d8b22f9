# SPDX-License-Identifier: MIT
"""A board on a pty, on TCP, in the same process; and its flash in a file."""

from __future__ import annotations

import asyncio
import os
import socket
import stat
import struct
import termios
from collections.abc import Awaitable, Callable
from contextlib import suppress
from pathlib import Path

import pytest

from provision.board.firmware import Device
from provision.board.loopback import Loopback
from provision.board.server import FileFlash, FrontError, serve_pty, serve_tcp
from provision.contract.line import Frame, LineReceiver
from provision.contract.table import MessageType
from tests.board.host import GEOMETRY, NET, TOKENS, Host, make_board, request_line

STATUS = request_line(MessageType.STATUS, 7)


def open_descriptors() -> int:
    """How many descriptors this process has open."""
    folder = Path("/proc/self/fd")
    return sum(1 for _ in folder.iterdir()) if folder.exists() else 0


def run(story: Callable[[], Awaitable[None]]) -> None:
    """Run a story to its end; it leaves no descriptor and no task."""

    async def whole() -> None:
        before = open_descriptors()
        await asyncio.wait_for(story(), 30)
        assert open_descriptors() == before
        assert asyncio.all_tasks() == {asyncio.current_task()}

    asyncio.run(whole())


async def read_reply(descriptor: int) -> int:
    """Wait for one reply on a non-blocking descriptor; return how many bytes came."""
    receiver, count = LineReceiver(), 0
    while True:
        try:
            data = os.read(descriptor, 4096)
        except BlockingIOError:
            await asyncio.sleep(0.005)
            continue
        count += len(data)
        if any(isinstance(event, Frame) for event in receiver.feed(data)):
            return count


def open_as_host(path: str) -> int:
    """Open a port as it is, its settings untouched."""
    return os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)


def test_a_pty_is_raw_before_it_is_announced() -> None:
    """No echo, no signal characters, no change of line ends, from the first byte on."""

    async def story() -> None:
        async with serve_pty(Device(make_board())) as path:
            port = open_as_host(path)
            iflag, oflag, _, lflag, *_ = termios.tcgetattr(port)
            assert not iflag & (termios.ICRNL | termios.IXON)
            assert not oflag & termios.OPOST
            assert not lflag & (termios.ECHO | termios.ICANON | termios.ISIG)
            os.close(port)

    run(story)


def test_a_host_may_hang_up_and_come_back() -> None:
    """The board runs on, and answers the next one."""

    async def story() -> None:
        device = Device(make_board())
        async with serve_pty(device) as path:
            for number in range(1, 4):
                port = open_as_host(path)
                os.write(port, STATUS)
                await read_reply(port)
                os.close(port)
                assert device.board.traffic.requests == number

    run(story)


def test_a_link_leads_to_the_pty_meanwhile(tmp_path: Path) -> None:
    """One that is left over is replaced; at the end it is gone; a file in its place is not."""
    link = tmp_path / "board"
    link.symlink_to("gone")

    async def story() -> None:
        async with serve_pty(Device(make_board()), link) as path:
            assert str(link.readlink()) == path
        assert not link.is_symlink()
        async with serve_pty(Device(make_board()), link):
            link.unlink()
            link.symlink_to("elsewhere")
        assert str(link.readlink()) == "elsewhere"
        with pytest.raises(FrontError, match="cannot be made"):
            async with serve_pty(Device(make_board()), tmp_path / "no" / "folder"):
                pass

    run(story)


def test_a_board_that_nobody_reads_does_not_stall() -> None:
    """What the host does not take is lost, as on a cable; the board goes on."""

    async def story() -> None:
        device = Device(make_board())
        async with serve_pty(device) as path:
            port = open_as_host(path)
            asked = 0
            for _ in range(1000):
                with suppress(BlockingIOError):
                    asked += os.write(port, STATUS * 4) // len(STATUS)
                await asyncio.sleep(0)
            while device.board.traffic.requests < asked - 4:  # noqa: ASYNC110 - the board has none
                await asyncio.sleep(0.01)
            assert await read_reply(port) > 0
            os.close(port)

    run(story)


def test_time_passes_for_a_board_that_nobody_talks_to() -> None:
    """Log text comes by itself where it is wanted."""

    async def story() -> None:
        async with serve_pty(Device(make_board(), logs=True)) as path:
            port = open_as_host(path)
            seen = b""
            while b"up for 1 s" not in seen:
                try:
                    seen += os.read(port, 4096)
                except BlockingIOError:
                    await asyncio.sleep(0.01)
            os.close(port)

    run(story)


def test_tcp_is_on_this_machine_and_for_one_host() -> None:
    """Whoever connects second is turned away; after a hang-up the next one is served."""

    async def story() -> None:
        device = Device(make_board())
        async with serve_tcp(device) as (host, port):
            assert host == "127.0.0.1"
            for number in range(1, 3):
                reader, writer = await asyncio.open_connection(host, port)
                writer.write(STATUS)
                assert (await reader.readline(), (await reader.readline())[:1]) == (b"\n", b"~")
                assert device.board.traffic.requests == number
                second, second_writer = await asyncio.open_connection(host, port)
                assert await second.read() == b""
                for each in (second_writer, writer):
                    each.close()
                    await each.wait_closed()
                await asyncio.sleep(0.05)
            with pytest.raises(FrontError, match="cannot be had"):
                async with serve_tcp(device, port):
                    pass

    run(story)


def test_a_connection_that_breaks_is_let_go() -> None:
    """Reset by the host while replies are on their way; the next host is served."""

    async def story() -> None:
        device = Device(make_board())
        async with serve_tcp(device) as address:
            for _ in range(5):
                with socket.create_connection(address, timeout=20) as broken:
                    broken.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    broken.sendall(STATUS * 20)
                    await asyncio.sleep(0.02)
                await asyncio.sleep(0.05)
            reader, writer = await asyncio.open_connection(*address)
            writer.write(STATUS)
            assert await reader.readline() == b"\n"
            writer.close()
            await writer.wait_closed()

    run(story)


def test_the_board_hangs_up_at_the_end() -> None:
    """A host that is connected then reads the end of the stream."""

    async def story() -> None:
        async with serve_tcp(Device(make_board())) as (host, port):
            reader, writer = await asyncio.open_connection(host, port)
            writer.write(STATUS)
            await reader.readline()
        await reader.read()
        assert reader.at_eof()
        writer.close()
        await writer.wait_closed()

    run(story)


def test_a_loopback_is_a_port_in_the_same_process() -> None:
    """The same bytes as on a line; log text comes by itself."""

    async def story() -> None:
        async with Loopback(Device(make_board(), logs=True)) as line:
            line.send(STATUS)
            received = b""
            while not (b"~" in received and b"up for 1 s" in received):
                received += await line.receive()

    run(story)


# ------------------------------------------------------------------------------------ flash file


def test_a_flash_file_outlives_the_board(tmp_path: Path) -> None:
    """What was acknowledged is in it; only its owner may read it."""
    path = tmp_path / "flash"
    flash = FileFlash(path, GEOMETRY)
    Host(make_board(flash=flash)).store(NET, TOKENS[1])
    content = flash.content
    flash.close()
    assert path.read_bytes() == content
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    again = FileFlash(path, GEOMETRY)
    assert make_board(flash=again).stored == NET
    again.close()


def test_a_flash_file_serves_one_board(tmp_path: Path) -> None:
    """Of this size, and no second one at the same time."""
    path = tmp_path / "flash"
    flash = FileFlash(path, GEOMETRY)
    before = open_descriptors()
    with pytest.raises(FrontError, match="Another board runs"):
        FileFlash(path, GEOMETRY)
    flash.close()
    for size in (100, 5000):
        path.write_bytes(bytes(size))
        with pytest.raises(FrontError, match="4096 bytes"):
            FileFlash(path, GEOMETRY)
        assert path.read_bytes() == bytes(size)
    with pytest.raises(FrontError, match="cannot be opened"):
        FileFlash(tmp_path / "no" / "folder", GEOMETRY)
    assert open_descriptors() == before - 1
