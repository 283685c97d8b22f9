# SPDX-License-Identifier: MIT
"""The kit on a port: the stream, the clock and the person that its procedures ask for."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field

from provision.conformance.findings import Report
from provision.conformance.kit import examine
from provision.conformance.steps import Action, ActionResult, AskPerson, Listen, Send, Steps, Tell
from provision.conformance.watch import Setup
from provision.link.errors import LineLost, PortMissing
from provision.link.ports import Driver, open_stream
from provision.link.streams import Stream

_COMES_BACK = 30.0  # seconds in which a port that vanished, as at a restart, has to come back
_LOOK_AGAIN = 0.25

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class PortOptions:
    """Where the board is: a device or a URL of the serial library."""

    port: str
    baud: int = 115200
    driver: Driver = "auto"


@dataclass(slots=True)
class _Line:
    """The stream to the board, opened again when the board takes its port along at a restart."""

    place: PortOptions
    say: Say
    somebody_is_there: bool
    _stream: Stream | None = field(default=None, repr=False)

    async def open(self) -> None:
        self._stream = await open_stream(
            self.place.port, baud=self.place.baud, driver=self.place.driver
        )

    async def close(self) -> None:
        if self._stream is not None:
            await self._stream.close()
            self._stream = None

    async def take(self, step: Action) -> ActionResult:
        """Do one step; return what was heard."""
        data, done = b"", False
        try:
            assert self._stream is not None
            match step:
                case Send(octets):
                    self._stream.write(octets)
                case Listen(ms):
                    with contextlib.suppress(TimeoutError):
                        async with asyncio.timeout(ms / 1000):
                            data = await self._stream.read()
                case Tell(words):
                    self.say(words)
                case AskPerson(words):
                    done = self.somebody_is_there
                    if done:
                        self.say(words)
        except LineLost as lost:
            await self._open_again(lost)
        return ActionResult(int(asyncio.get_running_loop().time() * 1000), data, done)

    async def _open_again(self, lost: LineLost) -> None:
        await self.close()
        end = asyncio.get_running_loop().time() + _COMES_BACK
        while True:
            await asyncio.sleep(_LOOK_AGAIN)
            try:
                await self.open()
            except PortMissing:
                if asyncio.get_running_loop().time() > end:
                    raise lost from None
            else:
                return


async def examine_port(
    place: PortOptions, setup: Setup, say: Say, *, somebody_is_there: bool = False
) -> Report:
    """Hold the board on a port against the page. Raises LinkError and NoBoard."""
    line = _Line(place, say, somebody_is_there)
    work: Steps[Report] = examine(setup)
    await line.open()
    try:
        step = next(work)
        while True:
            step = work.send(await line.take(step))
    except StopIteration as end:
        report: Report = end.value
        return report
    finally:
        await line.close()
