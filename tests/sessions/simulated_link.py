# SPDX-License-Identifier: MIT
"""A host's session and a board at both ends of a bad line, in virtual time.

Every random choice comes from one generator, so a session replays by its seed. Bytes keep their
order on the way, as on every serial line; what else becomes of them is up to the faults. Times are
seconds.
"""

from __future__ import annotations

import heapq
import random
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from provision.contract.table import Run
from provision.link.operations import Procedure
from provision.link.session import ProcedureRun, Session
from tests.c_board.board import Tear
from tests.sessions.ledger import Ledger, Violation
from tests.sessions.units import Unit

_Result = TypeVar("_Result")

_LINE = re.compile(rb"\n~[^\n]*\n")
_STEPS = 200_000  # events of one session; more means that something spins
_END = 3600.0  # seconds of one session; more means that something hangs
_PATIENCE = 10.0  # clause 5.7: a request is given up so long after it was first sent
_NEVER = 10**9  # operations of the flash that no session reaches
_MOMENT = 0.002  # what the clocks' resolution may add

_LOG_LINES = (
    b"frost watch: 1.5 C\r\n",
    b"\r\nW (4711) radio: beacon lost\r\n",
    b"\x1b[0;32mI (88) mast: probe 1 reads -0.4\x1b[0m\n",
    b"~ not a frame\n",
    b"\n~hAEBB6AKJIDNK@E\n",  # a hello request, as another host's echo would be
    b"heap AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA dump\n",
    b"half a line without its end ",
)


class Interrupted(Exception):  # noqa: N818 - an event that ends a host's run, no error of the code
    """The host's end is gone: unplugged, or its program was killed."""


class Trace(Protocol):
    """Is told what happens, to show it to a person."""

    def line(self, now: float, arrow: str, data: bytes, note: str = "") -> None:
        """Bytes were sent or arrived."""

    def event(self, now: float, text: str) -> None:
        """Something happened."""


@dataclass(frozen=True, slots=True)
class LineFaults:
    """What the line does to the bytes on it, everything by chance.

    damages: names of DAMAGES, each done to so many of a hundred lines. echo: the share of what the
    host sends that comes back. crlf: what LF is turned into on the way to the board and to the
    host. stall: the chance that a line waits for seconds, and all behind it.
    """

    damages: tuple[str, ...] = ()
    rate: float = 0.0
    echo: float = 0.0
    crlf: tuple[bytes, bytes] = (b"\n", b"\n")
    stall: float = 0.0
    noise: int = 0
    """Bytes of noise at most that a board sends at every start before it speaks."""


CLEAN = LineFaults()


def flip(data: bytearray, chance: random.Random) -> None:
    """Invert bits: mostly up to five, which the checksum always catches, else a burst."""
    for _ in range(chance.choice((1, 1, 2, 3, 4, 5, 40))):
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)


def drop(data: bytearray, chance: random.Random) -> None:
    """Lose a run of bytes."""
    at = chance.randrange(len(data))
    del data[at : at + chance.choice((1, 1, 2, 7, 64))]


def duplicate(data: bytearray, chance: random.Random) -> None:
    """Repeat a run of bytes."""
    at = chance.randrange(len(data))
    run = data[at : at + chance.choice((1, 1, 2, 7, 64))]
    data[at:at] = run


def insert(data: bytearray, chance: random.Random) -> None:
    """Put foreign bytes in."""
    at = chance.randrange(len(data) + 1)
    data[at:at] = chance.randbytes(chance.choice((1, 1, 3, 16)))


def log(data: bytearray, chance: random.Random) -> None:
    """Let another task's output cut in."""
    at = chance.randrange(len(data) + 1)
    data[at:at] = chance.choice(_LOG_LINES)


def lose(data: bytearray, chance: random.Random) -> None:
    """Lose all of it."""
    data.clear()


def repeat(data: bytearray, chance: random.Random) -> None:
    """Deliver all of it more than once."""
    data[:] = bytes(data) * chance.choice((2, 2, 3))


DAMAGES: dict[str, Callable[[bytearray, random.Random], None]] = {
    "flip": flip,
    "drop": drop,
    "duplicate": duplicate,
    "insert": insert,
    "log": log,
    "lose": lose,
    "repeat": repeat,
}


@dataclass(slots=True)
class Habits:
    """How the board's firmware behaves. Times in seconds."""

    start: float
    """From power or reset until it listens."""

    operation: float
    """For one program or erase of the flash."""

    apply: float
    """From a new set until the firmware reports."""

    reports: Run | None
    """What it reports; None: never anything."""

    restarts_to_apply: bool
    """Whether it puts a new set into use by restarting."""


class SimulatedLink:
    """The line, the board at its end, the host's session at the other, and the time."""

    def __init__(
        self,
        unit: Unit,
        ledger: Ledger,
        habits: Habits,
        faults: LineFaults,
        chance: random.Random,
        *,
        baud: int,
        latency: float,
        trace: Trace | None = None,
    ) -> None:
        """baud: bits a second; latency: of one way, in seconds."""
        self.unit = unit
        self.ledger = ledger
        self.habits = habits
        self.faults = faults
        self.chance = chance
        self.now = 0.0
        self.log: list[str] = []
        self.struck: Counter[str] = Counter()
        self.on_line: dict[int, Callable[[], None]] = {}
        """What happens when the host has sent so many lines, in all."""

        self.replies: list[bytes] = []
        """All that the board sent, before the line had it."""

        self.sent = 0
        self._trace = trace
        self._baud = baud
        self._byte_time = 10 / baud
        self._latency = latency
        self._events: list[tuple[float, int, Callable[..., None], tuple[Any, ...]]] = []
        self._order = 0
        self._steps = 0
        self._free = {True: 0.0, False: 0.0}  # when the line is free, to the board or the host
        self._plug = 0  # counts: bytes of an earlier connection are lost
        self._session: Session | None = None
        self._unread: list[bytes] = []  # arrived while no program had the port open
        self._interrupted = False
        self._first_sent: dict[bytes, float] = {}
        self._lines_of_run = 0
        self._boot = chance.getrandbits(32)
        self._start_number = 0  # counts: what the firmware had in mind before a reset is void
        self._busy_until = 0.0
        self._waiting: list[bytes] = []
        self._is_on = False
        self._applies = self._restarts = 0
        self._is_calm = False
        self._start_board()
        ledger.begin(self._now_ms)

    # ---------------------------------------------------------------------------------- the host

    def open(self) -> None:
        """A host's program opens the port; what the system still holds for it, it reads."""
        self._interrupted = False
        self._session = Session(baud=self._baud, first_id=self.chance.randrange(65536))
        self._first_sent.clear()
        unread, self._unread = self._unread, []
        if unread and self.chance.random() < 0.5:  # else it was flushed in opening
            self.struck["stale replies"] += 1
            for data in unread:
                self._session.receive(data, self.now)

    def close(self) -> None:
        """The host's program is gone; the bytes on the line are not."""
        self._session = None

    def interrupt(self) -> None:
        """The host's program is killed."""
        self.struck["killed host"] += 1
        self._tell("the host's program is killed")
        self.close()
        self._interrupted = True

    def unplug(self, seconds: float, *, keeps_power: bool) -> None:
        """The cable is out for a while: what is on it is lost, and the host is told."""
        self.struck["unplug, same boot" if keeps_power else "unplug, new boot"] += 1
        self._tell(f"unplugged for {seconds:.1f} s")
        self._plug += 1
        self._free = dict.fromkeys(self._free, self.now + seconds)
        self._unread.clear()
        self.close()
        self._interrupted = True
        if not keeps_power:
            self.lose_power(seconds)

    def run(self, procedure: Procedure[_Result]) -> _Result:
        """Let time pass until the procedure has ended; raises what it raises, and Interrupted."""
        if self._session is None:
            raise Interrupted
        before = self.now
        self._lines_of_run = 0
        run = self._session.start(procedure, self.now)
        self._pass_time(run)
        bound = (1 + self._lines_of_run) * (_PATIENCE + self._announced()) + _PATIENCE
        if self.now - before > bound:
            raise Violation(f"a procedure took {self.now - before:.1f} s")
        return run.result()

    def wait(self, seconds: float) -> None:
        """Let time pass; only the board and the line go on."""
        end = self.now + seconds
        while self._events and self._events[0][0] <= end:
            self._next_event()
        self.now = end
        self._tick_board()

    def _pass_time(self, run: ProcedureRun[Any]) -> None:
        session = self._session
        assert session is not None
        self._poll()
        while not run.finished:
            if self._interrupted:
                session.stop(run)
                raise Interrupted
            deadline = session.next_deadline()
            if self._events and (deadline is None or self._events[0][0] <= deadline):
                self._next_event()
            elif deadline is None:
                raise Violation("the session waits for nothing")
            else:
                self.now = max(self.now, deadline)
            self._count_step()
            self._poll()

    def _count_step(self) -> None:
        self._steps += 1
        if self._steps > _STEPS:
            raise Violation("the session spins")
        if self.now > _END:
            raise Violation("the session hangs")

    def _poll(self) -> None:
        session = self._session
        if session is None:
            return
        out = session.poll(self.now)
        self._take_from(session)
        for line in _LINE.findall(out):
            self._check_time_of(line)
            self.sent += 1
            self._lines_of_run += 1
            self._send(line, to_board=True)
            if happens := self.on_line.pop(self.sent, None):
                happens()
            if self._session is None:
                return

    def _take_from(self, session: Session) -> None:
        self.log += session.take_log()
        session.take_notices()
        session.take_finished()

    def _announced(self) -> float:
        announced = self.unit.configuration
        return (announced.commit_time + announced.erase_time) / 1000

    def _check_time_of(self, line: bytes) -> None:
        """A request is not repeated beyond the bound of clause 5.7."""
        first = self._first_sent.setdefault(line, self.now)
        if self.now - first > _PATIENCE + self._announced() + _MOMENT:
            raise Violation(f"a request was repeated {self.now - first:.1f} s after the first time")

    # ---------------------------------------------------------------------------------- the line

    def _send(self, data: bytes, *, to_board: bool) -> None:
        """Put bytes on the line as its faults have it."""
        faults, chance = self.faults, self.chance
        arrow = "host > board" if to_board else "board > host"
        arriving, note = self._damaged(data, to_board=to_board)
        if self._trace:
            self._trace.line(self.now, arrow, data, note)
        if faults.stall and chance.random() < faults.stall:
            self.struck["stall"] += 1
            seconds = chance.choice((0.3, 1.0, 3.0, 12.0)) * chance.random()
            self._free[to_board] = max(self.now, self._free[to_board]) + seconds
            self._tell(f"the line stalls for {seconds:.1f} s")
        self._deliver(arriving, to_board=to_board)
        if to_board and faults.echo and chance.random() < faults.echo:
            self.struck["echo"] += 1
            echoed, note = self._damaged(data, to_board=False)
            if self._trace:
                self._trace.line(self.now, "echo > host", data, note)
            self._deliver(echoed, to_board=False)

    def _damaged(self, data: bytes, *, to_board: bool) -> tuple[bytes, str]:
        """Return what is left of bytes, and what was done to them."""
        faults, chance = self.faults, self.chance
        done: list[str] = []
        for name in faults.damages:
            if chance.random() < faults.rate and data:
                changed = bytearray(data)
                DAMAGES[name](changed, chance)
                data = bytes(changed)
                self.struck[name] += 1
                done.append(name)
        newline = faults.crlf[0 if to_board else 1]
        if newline != b"\n":
            self.struck["crlf"] += 1
            data = data.replace(b"\n", newline)
        return data, ", ".join(done)

    def _deliver(self, data: bytes, *, to_board: bool) -> None:
        if not data:
            return
        cut = len(data)
        if len(data) > 2 and self.chance.random() < 0.1:  # arrives in two pieces
            cut = self.chance.randrange(1, len(data))
        start = max(self.now, self._free[to_board])
        for piece in (data[:cut], data[cut:]):
            start += len(piece) * self._byte_time
            if piece:
                arrive = self._reach_board if to_board else self._reach_host
                self._at(start + self._latency, arrive, piece, self._plug)
        self._free[to_board] = start

    def _reach_host(self, data: bytes, plug: int) -> None:
        if plug != self._plug:
            return
        if self._session is None:
            self._unread.append(data)
        else:
            self._session.receive(data, self.now)
            self._take_from(self._session)

    def _reach_board(self, data: bytes, plug: int) -> None:
        if plug == self._plug:
            self._feed_board(data)

    def _at(self, time: float, happens: Callable[..., None], *arguments: Any) -> None:
        self._order += 1
        heapq.heappush(self._events, (time, self._order, happens, arguments))

    @property
    def backlog(self) -> float:
        """Seconds until the line has delivered what it has already."""
        return max(0.0, max(self._free.values()) - self.now)

    def strike(self, mishap: Callable[[], None], delay: float) -> None:
        """Let a mishap happen after some seconds."""
        self._at(self.now + delay, lambda: None if self._is_calm else mishap())

    def _next_event(self) -> None:
        time, _, happens, arguments = heapq.heappop(self._events)
        self.now = max(self.now, time)
        happens(*arguments)

    def _tell(self, text: str) -> None:
        if self._trace:
            self._trace.event(self.now, text)

    # --------------------------------------------------------------------------------- the board

    @property
    def _now_ms(self) -> int:
        return int(self.now * 1000)

    def reset(self) -> None:
        """Press the board's reset button."""
        self.struck["reset"] += 1
        self._tell("the board is reset")
        self._go_off(self.habits.start)

    def lose_power(self, seconds: float) -> None:
        """Take the board's power away, between two operations of its flash."""
        self.unit.switch_off()
        self._go_off(seconds + self.habits.start)

    def cut_power_in(self, operations: int, size: int, tear: Tear) -> None:
        """Take the power away in the n-th operation of the flash from now on."""
        self.unit.cut(operations, size, tear)
        self._tell(f"the power will go in flash operation {operations} from here: {tear.name}")

    def fail_flash(self, operations: int, count: int) -> None:
        """Let the flash report failures in operations to come."""
        self.unit.fail(operations, count)
        self._tell(f"flash operations {operations} to {operations + count - 1} from here will fail")

    def restart_now(self) -> None:
        """Restart the board with nobody on the line, and go on when it listens."""
        self.unit.switch_off()
        self._go_off(0.1)
        self.wait(0.2)

    def calm_down(self) -> None:
        """From here on nothing goes wrong; what is on its way comes in, and the board runs."""
        self._is_calm = True
        self.faults = CLEAN
        self.on_line.clear()
        self.unit.cut(_NEVER, 0, Tear.NOTHING)
        self.unit.fail(_NEVER, 0)
        self._tell("from here on nothing goes wrong")
        self.wait(0.0)
        while not self._is_on:
            self.wait(0.5)

    def _go_off(self, seconds: float) -> None:
        self._is_on = False
        self._applies = self.unit.applies  # what it was about to do it will not
        self._waiting.clear()
        self._start_number += 1
        self._busy_until = 0.0
        self._at(self.now + seconds, self._come_on, self._start_number)

    def _come_on(self, number: int) -> None:
        if number == self._start_number:
            self._make_noise()
            self._boot = self.chance.getrandbits(32)
            self.ledger.begins_start(self._now_ms)
            self._start_board()
            if self._is_on:
                self.ledger.observe(self._now_ms, started=True)

    def _make_noise(self) -> None:
        if self.faults.noise:
            self.struck["boot noise"] += 1
            noise = self.chance.randbytes(self.chance.randrange(1, self.faults.noise))
            self._deliver(noise, to_board=False)

    def _start_board(self) -> None:
        self.unit.start(self._boot, self._now_ms)
        self._tell("the board starts")
        if not self._lost_power():
            self._is_on = True
            self._begin_work(in_start=True)

    def _lost_power(self) -> bool:
        """Whether the power went in an operation of the flash; it comes back after a while."""
        if not self.unit.dead:
            return False
        self.struck["power cut"] += 1
        self._tell("the power is gone, in an operation of the flash")
        self._go_off(self.chance.choice((0.05, 0.5, 2.0)) + self.habits.start)
        return True

    def _feed_board(self, data: bytes) -> None:
        if not self._is_on:
            return
        if self.now < self._busy_until:
            if self.unit.configuration.receives_while_storing:
                self._waiting.append(data)
            return
        before = self.unit.operations
        replies = self.unit.receive(data, self._now_ms)
        if self._lost_power():
            return
        self.ledger.observe(self._now_ms)
        spent = (self.unit.operations - before) * self.habits.operation
        if replies:
            self.replies.append(replies)
        if spent:
            self._busy_until = self.now + spent
            self._at(self._busy_until, self._say, replies, self._start_number)
            self._at(self._busy_until, self._go_on, self._start_number)
        else:
            self._say(replies, self._start_number)
        if self.unit.restarts != self._restarts:  # the reply is out
            self._restarts = self.unit.restarts
            self._go_off(self.habits.start)
        else:
            self._begin_work()

    def _say(self, replies: bytes, number: int) -> None:
        """Send what the board answered, unless it was reset before it came to that."""
        if number == self._start_number:
            for line in _LINE.findall(replies):
                self._send(line, to_board=False)

    def _go_on(self, number: int) -> None:
        """Take what came while the flash was busy."""
        if number == self._start_number:
            waiting, self._waiting = self._waiting, []
            for data in waiting:
                self._feed_board(data)

    def _begin_work(self, *, in_start: bool = False) -> None:
        """Let the firmware put a set into use, if a new one came into force."""
        if self.unit.applies == self._applies:
            return
        self._applies = self.unit.applies
        restarts = self.habits.restarts_to_apply and not in_start
        happens = self._restart_to_apply if restarts else self._report
        begins = max(self.now, self._busy_until)  # the reply is out first
        self._at(begins + self.habits.apply, happens, self._start_number, self._applies)

    def _restart_to_apply(self, number: int, _applies: int) -> None:
        if number == self._start_number:
            self._tell("the firmware restarts to put the set into use")
            self._go_off(self.habits.start)

    def _report(self, number: int, applies: int) -> None:
        if number != self._start_number or applies != self._applies or self.habits.reports is None:
            return
        self.ledger.proven = self.habits.reports is Run.PROVEN
        self._tell(f"the firmware reports {self.habits.reports.name}")
        self.unit.report(self.habits.reports)
        if not self._lost_power():
            self.ledger.observe(self._now_ms)

    def _tick_board(self) -> None:
        if self._is_on:
            self.unit.tick(self._now_ms)
            if not self._lost_power():
                self.ledger.observe(self._now_ms)
