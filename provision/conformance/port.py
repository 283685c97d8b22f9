# SPDX-License-Identifier: MIT
"""The kit on a port: the stream, the clock and the person that its procedures ask for."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field

from provision.conformance.bench import Setup
from provision.conformance.findings import Report
from provision.conformance.kit import NoBoard, examine
from provision.conformance.steps import AskPerson, Heard, Listen, Procedure, Send, Step
from provision.link.errors import LineLost, LinkError, PortMissing
from provision.link.ports import Driver, open_stream
from provision.link.running import run
from provision.link.streams import Stream

MET, NOT_MET, PORT, NO_BOARD, INTERRUPTED = 0, 1, 3, 4, 130
"""Exit codes: of the same classes as every command's, and 1 if a clause is not met."""

_COMES_BACK = 30.0  # seconds in which a port that vanished, as at a restart, has to come back
_LOOK_AGAIN = 0.25

_MADE_UP = "The board may hold values that the kit made up: set it up anew."

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Place:
    """Where the board is: a device or a URL of the serial library."""

    port: str
    baud: int = 115200
    driver: Driver = "auto"


@dataclass(slots=True)
class _Line:
    """The stream to the board, opened again when the board takes its port along at a restart."""

    place: Place
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

    async def take(self, step: Step) -> Heard:
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
                case AskPerson(words):
                    done = self.somebody_is_there
                    if done:
                        self.say(words)
        except LineLost as lost:
            await self._open_again(lost)
        return Heard(int(asyncio.get_running_loop().time() * 1000), data, done)

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
    place: Place, setup: Setup, say: Say, *, somebody_is_there: bool = False
) -> Report:
    """Hold the board on a port against the page. Raises LinkError and NoBoard."""
    line = _Line(place, say, somebody_is_there)
    work: Procedure[Report] = examine(setup)
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


def conform(
    place: Place,
    *,
    may_change: bool = False,
    patient: bool = False,
    as_json: bool = False,
    somebody_is_there: bool = False,
    show: Say,
    say: Say,
    progress: Say | None = None,
) -> int:
    """Run `provision conform PORT`; return its exit code: 0 all met, 1 not, 3 port, 4 no board.

    show: prints the result; say: tells the person; progress: gets the title of each check.
    somebody_is_there: whether a person can be asked to press a button.
    """
    setup = Setup(place.baud, may_change=may_change, patient=patient, on_check=progress)
    work = examine_port(place, setup, say, somebody_is_there=somebody_is_there)
    try:
        report = run(work)
    except NoBoard:
        say(
            f"No board answered on {place.port}: check the cable and the rate, and whether its"
            " firmware speaks this protocol."
        )
        return NO_BOARD
    except LinkError as error:
        is_begun = may_change and isinstance(error, LineLost)
        say(f"{error} {_MADE_UP}" if is_begun else str(error))
        return PORT
    except KeyboardInterrupt:
        if not may_change:
            raise
        say(f"Interrupted. {_MADE_UP}")
        return INTERRUPTED
    if as_json:
        show(json.dumps(report.as_json(), indent=2))
    else:
        show("\n".join(report.lines()))
    return MET if report.is_met else NOT_MET
