# SPDX-License-Identifier: MIT
"""Boards for tests: virtual ones with a serial port of their own, and the author's own firmware."""

from __future__ import annotations

import asyncio
import itertools
import os
import random
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, ExitStack, contextmanager
from pathlib import Path
from typing import Self, TypeVar

from provision.board.engine import from_declaration, settings_geometry
from provision.board.faults import FAULTS, FaultyLine, InjectedFault
from provision.board.firmware import Device, NetworkInRange, Running, Surroundings
from provision.board.flash import CutAt, Flash, PowerCut, subset
from provision.board.state import Limits
from provision.contract.table import Store
from provision.schema.declaration import Declaration
from provision.schema.model import Value
from provision.schema_file.load import load_declaration
from provision.testing.conversation import RecordedBoard, Replay, Said, TrafficRecorder, read

_SIGNAL = -50  # dBm of the networks in range
_STARTS_WITHIN = 10.0  # seconds in which a program has to put its port where it was told
_ENDS_WITHIN = 5.0
_PRESENCE_MS = 60_000  # how long a press of the button counts

_Result = TypeVar("_Result")


class BoardError(Exception):
    """A board cannot be made or started; str() is one sentence."""


class _OwnTime:
    """A board whose time goes on from one port to the next, where each port's begins anew."""

    def __init__(self, device: Running) -> None:
        self._device = device
        self._began = time.monotonic()

    def receive(self, data: bytes, now_ms: int) -> bytes:  # noqa: ARG002
        """Take bytes from the host; return what the board sends."""
        return self._device.receive(data, self._now_ms())

    def tick(self, now_ms: int) -> bytes:  # noqa: ARG002
        """Let time pass; return what the board sends."""
        return self._device.tick(self._now_ms())

    def reset(self, now_ms: int = 0) -> None:  # noqa: ARG002
        """Press reset."""
        self._device.reset(self._now_ms())

    def _now_ms(self) -> int:
        return int((time.monotonic() - self._began) * 1000)


class _Supplied:
    """A board whose power comes back at once when it fails in the middle of a write."""

    def __init__(self, device: Running) -> None:
        self._device = device

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes from the host; return what the board sends."""
        try:
            return self._device.receive(data, now_ms)
        except PowerCut:
            self._device.reset(now_ms)
            return b""

    def tick(self, now_ms: int) -> bytes:
        """Let time pass; return what the board sends."""
        try:
            return self._device.tick(now_ms)
        except PowerCut:
            self._device.reset(now_ms)
            return b""

    def reset(self, now_ms: int) -> None:
        """Press reset."""
        self._device.reset(now_ms)


class _Served:
    """A board that runs, on a port of its own, in a thread of its own."""

    def __init__(self, device: Running, folder: Path, *, tcp: bool) -> None:
        self._device = _OwnTime(device)
        self._link = None if tcp else folder / "port"
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._cable: AsyncExitStack | None = None
        self.port = ""
        """The device or URL that a host opens."""
        self._thread.start()
        self._ready.wait()
        self.plug_in()

    def plug_in(self) -> None:
        """Plug the cable in; a board without a battery starts anew."""
        self._call(self._plug_in())

    def unplug(self) -> None:
        """Pull the cable: the port is gone, and so is what was in memory alone."""
        self._call(self._unplug())

    def reset(self) -> None:
        """Press reset: what is in flash stays, what is in memory alone is gone."""
        self._do(self._device.reset)

    def close(self) -> None:
        """Switch it off for good, which the end of the test does otherwise."""
        if self._loop.is_closed():
            return
        self._call(self._unplug())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def _do(self, what: Callable[[], _Result]) -> _Result:
        """Do something where the board runs, so that it is not in the middle of anything."""

        async def do() -> _Result:
            return what()

        return asyncio.run_coroutine_threadsafe(do(), self._loop).result()

    def _call(self, coroutine: object) -> None:
        asyncio.run_coroutine_threadsafe(coroutine, self._loop).result()  # type: ignore[arg-type]

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.call_soon(self._ready.set)
        self._loop.run_forever()

    async def _plug_in(self) -> None:
        from provision.board.server import serve_pty, serve_tcp  # noqa: PLC0415 - POSIX only

        if self._cable is not None:
            return
        async with AsyncExitStack() as cable:
            if self._link is None:
                host, number = await cable.enter_async_context(serve_tcp(self._device))
                self.port = f"socket://{host}:{number}"
            else:
                await cable.enter_async_context(serve_pty(self._device, self._link))
                self.port = str(self._link)
            self._cable = cable.pop_all()

    async def _unplug(self) -> None:
        if self._cable is not None:
            cable, self._cable = self._cable, None
            await cable.aclose()
            self._device.reset()


class VirtualBoard(_Served):
    """A board that runs what a schema file declares. A test can inspect everything that it holds.

    A context manager; without `with`, close() ends it.
    """

    def __init__(
        self,
        schema: Path | str,
        *,
        folder: Path | None = None,
        networks: Mapping[str, str] | None = None,
        service_key: str | None = None,
        faults: Sequence[str | InjectedFault] = (),
        flash: Path | None = None,
        button: bool = False,
        logs: bool = False,
        tcp: bool = False,
    ) -> None:
        """Run a board.

        Arguments:
            schema: The schema file.
            folder: Where its port is put; None: in a folder that goes with it.
            networks: The networks in range, by name, and what each takes as its passphrase ("":
                open); None: any network is there, and takes any.
            service_key: The key that the service takes; None: any.
            faults: What goes wrong, by the names of provision.board.faults: "echo", "lose-reply:3"
                for the third reply; or objects of that module.
            flash: A file that keeps its flash, as for an update: the next board on it, of a newer
                schema file, finds what this one stored.
            button: Whether changes want somebody present once something is stored.
            logs: Whether the firmware prints to the same port.
            tcp: Whether the port is TCP on this computer instead of a pseudo-terminal.

        Raises FileMistakes, FrontError, BoardError.
        """
        self.declaration = load_declaration(Path(schema))
        struck = [_fault(fault) for fault in faults]
        found = None
        if networks is not None:
            found = tuple(
                NetworkInRange(name.encode(), passphrase, _SIGNAL)
                for name, passphrase in networks.items()
            )
        limits = Limits(presence=_PRESENCE_MS) if button else None
        with ExitStack() as stack:
            if folder is None:
                folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            memory = _flash(self.declaration, flash, stack)
            board = from_declaration(self.declaration, flash=memory, limits=limits)
            self._inner = Device(
                board,
                Surroundings(found, service_key),
                boot_numbers=itertools.count(board.boot_number + 1),
                logs=logs,
            )
            self._ear = TrafficRecorder(self.declaration.schema)
            heard = RecordedBoard(_Supplied(self._inner), self._ear)
            super().__init__(FaultyLine(heard, *struck), folder, tcp=tcp)
            self._let_go = stack.pop_all().close

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop the board and release its port and its flash file."""
        super().close()
        self._let_go()

    @property
    def values(self) -> dict[str, Value]:
        """The stored values by full key, secrets included, from the board's own memory."""
        return self._do(lambda: dict(self._inner.board.stored))

    @property
    def staged(self) -> dict[str, Value | None]:
        """The values that a host has sent but not committed; None: to be cleared."""
        return self._do(lambda: dict(self._inner.board.staged))

    @property
    def store(self) -> str:
        """Whether it is empty, incomplete, complete or trial."""
        state = self._do(lambda: self._inner.board.store_state)
        return Store(state).name.lower()

    @property
    def generation(self) -> int:
        """Grows with every change of what is in force."""
        return self._do(lambda: self._inner.board.generation)

    @property
    def boot_number(self) -> int:
        """A different number at every start."""
        return self._do(lambda: self._inner.board.boot_number)

    @property
    def traffic(self) -> list[Said]:
        """The messages since the board was made, with secrets replaced."""
        return self._do(lambda: self._ear.said)

    def cut_power_at(self, change: int) -> None:
        """Cut the power in the middle of a later change of the flash, and restore it at once.

        change: 1 is the next erase or program. Some bits of that unit have changed then. Raises
        BoardError for a number below 1.
        """
        if change < 1:
            raise BoardError("Changes of the flash count from 1.")
        cut = CutAt(change - 1, subset(random.Random(change)))  # noqa: S311 - repeatable on purpose
        self._do(lambda: self._inner.board.store.flash.power_up(cut))

    def press_button(self) -> None:
        """Press the board's button: a person is present for a minute."""
        self._do(self._inner.board.show_presence)


class ReplayedBoard(_Served):
    """A board that answers as one did when it was recorded."""

    def __init__(self, said: Sequence[Said], folder: Path) -> None:
        self._replay = Replay(said)
        super().__init__(self._replay, folder, tcp=False)

    @property
    def deviation(self) -> str | None:
        """The first request that was not among what was recorded, in words."""
        return self._do(lambda: self._replay.deviation)

    @property
    def unasked(self) -> list[str]:
        """The recorded requests that have not been made yet."""
        return self._do(lambda: sorted(self._replay.unasked))


class Program:
    """The author's firmware, as a process of this computer."""

    def __init__(self, process: subprocess.Popen[bytes], port: Path) -> None:
        self.process = process
        self.port = str(port)
        """Where a host finds it."""


@contextmanager
def replayed_board(file: Path, folder: Path) -> Iterator[ReplayedBoard]:
    """Run a board that answers from a recorded file. Raises ConversationError."""
    served = ReplayedBoard(read(file), folder)
    try:
        yield served
    finally:
        served.close()


@contextmanager
def program(command: Sequence[str], folder: Path) -> Iterator[Program]:
    """Start a program that makes its serial port at the path given as `{port}` in its command.

    Raises BoardError if it cannot be started, ends at once, or makes no port.
    """
    port = folder / "port"
    if not any("{port}" in part for part in command):
        raise BoardError("The command of the firmware lacks {port}, the path of its port.")
    parts = [part.replace("{port}", str(port)) for part in command]
    said = folder / "said"
    with said.open("wb") as out:
        try:
            process = subprocess.Popen(
                parts, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT
            )
        except OSError as error:
            raise BoardError(f"{parts[0]}: cannot be started ({error.strerror}).") from None
    try:
        deadline = time.monotonic() + _STARTS_WITHIN
        while not os.path.lexists(port):
            if process.poll() is not None:
                raise BoardError(
                    f"{parts[0]}: ended with {process.returncode} before it had a port:"
                    f" {_last_words(said)}"
                )
            if time.monotonic() > deadline:
                raise BoardError(f"{parts[0]}: has made no port at {port} after 10 seconds.")
            time.sleep(0.01)
        yield Program(process, port)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout=_ENDS_WITHIN)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _last_words(said: Path) -> str:
    lines = said.read_text(errors="replace").strip().splitlines()
    return lines[-1][:200] if lines else "it said nothing."


def _flash(declaration: Declaration, file: Path | None, stack: ExitStack) -> Flash:
    geometry = settings_geometry(declaration)
    if file is None:
        return Flash(geometry)
    from provision.board.server import FileFlash  # noqa: PLC0415 - POSIX only

    flash = FileFlash(file, geometry)
    stack.callback(flash.close)
    return flash


def _fault(fault: str | InjectedFault) -> InjectedFault:
    if isinstance(fault, InjectedFault):
        return fault
    name, _, number = fault.partition(":")
    make = FAULTS.get(name)
    if make is None:
        raise BoardError(f'There is no fault "{name}": there are {", ".join(sorted(FAULTS))}.')
    if number and not (number.isdecimal() and int(number) > 0):
        raise BoardError(f'The fault "{fault}" needs a number from 1 after the colon.')
    return make(int(number or 1))
