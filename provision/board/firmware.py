# SPDX-License-Identifier: MIT
"""A firmware on top of the board's engine: it joins a network, reaches a service, and reports.

Which networks are in range, and which key the service takes, is in a small text file that the C
port reads as well. So a wrong passphrase, or a network that is not there, really happens. Bytes
and the time go in, replies and log text come out; time is in milliseconds.
"""

from __future__ import annotations

import hashlib
import itertools
import re
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Protocol

from provision.board.engine import Board
from provision.board.state import (
    Applied,
    Erased,
    FirmwareEvent,
    Located,
    Network,
    Restarting,
    SurveyStarted,
    Waiting,
)
from provision.contract.table import Kind, Reason, Run, Security, Step
from provision.schema.constraints import key_beside
from provision.schema.model import Setting, Value
from provision.schema.table import LENGTH_OF_KEY, MAX_NETWORK_NAME

ADDRESS = bytes([198, 51, 100, 7])
"""The address that the network gives the board; RFC 5737 keeps this block for documentation."""

START_MS = 300
"""From a restart until the board listens."""

STEP_MS: Mapping[Step, int] = MappingProxyType(
    {
        Step.START: 50,
        Step.JOIN: 600,
        Step.ADDRESS: 200,
        Step.RESOLVE: 100,
        Step.REACH: 150,
        Step.AUTHORIZE: 200,
    }
)
"""How long each step takes."""

SURVEY_MS = 600
"""How long a scan takes to find half of the networks."""

CHATTER_MS = 1000
"""How often a firmware that logs says something unasked."""

_NEVER_RESOLVED = "invalid"  # RFC 6761 section 6.4
_NEVER_ANSWERS = "192.0.2."  # RFC 5737: addresses of this block are not in use
_WEAKEST = -128


@dataclass(frozen=True, slots=True)
class NetworkInRange:
    """A network near the board; an empty passphrase means that it is open."""

    name: bytes
    passphrase: str = field(repr=False)
    signal: int

    @property
    def as_found(self) -> Network:
        """What a survey tells of it."""
        security = Security.PERSONAL if self.passphrase else Security.OPEN
        return Network(self.name, self.signal, security)

    def admits(self, given: object) -> bool:
        """Whether this passphrase, or key of 64 hex digits, opens it (IEEE 802.11-2016 J.4)."""
        if not self.passphrase or not isinstance(given, str):
            return not self.passphrase and given is None
        if len(given) < LENGTH_OF_KEY:
            return given == self.passphrase
        key = hashlib.pbkdf2_hmac("sha1", self.passphrase.encode(), self.name, 4096, 32)
        return bytes.fromhex(given) == key


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What is around the board."""

    networks: tuple[NetworkInRange, ...] | None = None
    """None: whatever network is asked for is there, and takes any passphrase."""

    service_key: str | None = field(default=None, repr=False)
    """The key that the service takes; None: any."""


def read_surroundings(text: str) -> Surroundings:
    """Read the file of what is in range: lines of name TAB passphrase TAB signal, `service KEY`.

    The passphrase of an open network is empty. Empty lines and lines that begin with # mean
    nothing. Raises ValueError that names the line, and repeats nothing of it but its number.
    """
    networks = []
    service_key = None
    for number, line in enumerate(text.splitlines(), start=1):
        match line.split("\t"):
            case [name, passphrase, signal] if name and re.fullmatch(r"-?[0-9]{1,3}", signal):
                dbm = min(0, max(_WEAKEST, int(signal)))
                networks.append(NetworkInRange(name.encode()[:MAX_NETWORK_NAME], passphrase, dbm))
            case [only] if only.startswith("service "):
                service_key = only.removeprefix("service ").strip()
            case [only] if not only.strip() or only.startswith("#"):
                pass
            case _:
                raise ValueError(
                    f"Line {number} is neither a network (name, passphrase and signal in dBm,"
                    " separated by tabs) nor a line `service KEY`."
                )
    return Surroundings(tuple(networks), service_key)


@dataclass(frozen=True, slots=True)
class _Failure:
    reason: Reason
    field: str


_Work = Generator[Step, None, _Failure | None]
"""Yields each step as it begins, and returns why it failed, None if all went well."""


class Application:
    """The firmware's own work: it puts a set into use step by step, and reports each."""

    def __init__(self, board: Board, surroundings: Surroundings) -> None:
        self._board = board
        self._surroundings = surroundings
        self._log: list[str] = []
        self._work: _Work | None = None
        self._step = Step.NONE
        self._due = 0
        self._scan_due: int | None = None
        self._found = 0

    def take_log(self) -> list[str]:
        """Return the lines that it logged, each once."""
        log, self._log = self._log, []
        return log

    def handle(self, event: FirmwareEvent, now_ms: int) -> None:
        """Do what the board's engine asks for."""
        match event:
            case Applied(values):
                self._work = self._put_into_use(values)
                self._next_step(now_ms)
            case Waiting() | Erased():
                self._work = None
                self._log.append("waiting for settings")
            case SurveyStarted():
                self._scan_due, self._found = now_ms + SURVEY_MS, 0
            case Located():
                self._log.append("here I am: the lamp blinks")

    def advance(self, now_ms: int) -> None:
        """Do what is due."""
        while self._work is not None and now_ms >= self._due:
            self._next_step(self._due)
        if self._scan_due is not None and now_ms >= self._scan_due:
            self._scan_on(now_ms)

    def _next_step(self, now_ms: int) -> None:
        assert self._work is not None
        try:
            self._step = next(self._work)
        except StopIteration as end:
            self._work = None
            self._conclude(end.value)
        else:
            self._due = now_ms + STEP_MS[self._step]
            self._log.append(f"step: {self._step.name.lower()}")
            self._board.report(Run.APPLYING, self._step)

    def _conclude(self, failure: _Failure | None) -> None:
        if failure is None:
            self._log.append("all works")
            self._board.report(Run.PROVEN, self._step)
        else:
            reason = failure.reason.name.lower().replace("_", " ")
            self._log.append(f"failed at {self._step.name.lower()}: {reason}")
            self._board.report(Run.FAILED, self._step, failure.reason, failure.field)

    def _put_into_use(self, values: Mapping[str, Value]) -> _Work:
        settings = [s for s in self._board.schema.settings if s.key in values]
        yield Step.START
        names = [s for s in settings if s.field.kind is Kind.NETWORK_NAME]
        if names:
            yield Step.JOIN
            failures = [self._join(name, values) for name in names]
            if None not in failures:
                return failures[0]
            yield Step.ADDRESS
            self._board.report(Run.APPLYING, Step.ADDRESS, address=ADDRESS)
        service = next((s for s in settings if s.field.kind in (Kind.URL, Kind.HOST)), None)
        if service is None:
            return None
        host = _host_of(service, values)
        if not re.fullmatch(r"[0-9.]+", host):
            yield Step.RESOLVE
            if host.rpartition(".")[2] == _NEVER_RESOLVED:
                return _Failure(Reason.NAME_NOT_RESOLVED, service.key)
        yield Step.REACH
        if host.startswith(_NEVER_ANSWERS):
            return _Failure(Reason.UNREACHABLE, service.key)
        keys = [s for s in settings if s.field.kind is Kind.SECRET]
        keys.sort(key=lambda s: s.section is not service.section)  # its own section's first
        if keys:
            yield Step.AUTHORIZE
            if self._surroundings.service_key not in (None, values[keys[0].key]):
                return _Failure(Reason.KEY_REFUSED, keys[0].key)
        return None

    def _join(self, name: Setting, values: Mapping[str, Value]) -> _Failure | None:
        """Try one of the networks that are set."""
        if self._surroundings.networks is None:
            return None
        in_range = [n for n in self._surroundings.networks if n.name == values[name.key]]
        if not in_range:
            return _Failure(Reason.NETWORK_NOT_FOUND, name.key)
        partner = next(
            (
                s.key
                for s in self._board.schema.settings
                if s.field.network is not None and key_beside(s, s.field.network) == name.key
            ),
            name.key,
        )
        given = values.get(partner) if partner != name.key else None
        if any(network.admits(given) for network in in_range):
            return None
        return _Failure(Reason.PASSPHRASE_WRONG, partner)

    def _scan_on(self, now_ms: int) -> None:
        """Find half of the networks, then the others, the strongest first."""
        networks = [network.as_found for network in self._surroundings.networks or ()]
        networks.sort(key=lambda network: -network.signal)
        done = self._found > 0 or len(networks) < 2
        end = len(networks) if done else len(networks) // 2
        self._board.found(networks[self._found : end], done=done)
        self._found = end
        self._scan_due = None if done else now_ms + SURVEY_MS


def _host_of(setting: Setting, values: Mapping[str, Value]) -> str:
    value = values[setting.key]
    assert isinstance(value, str)
    if setting.field.kind is Kind.URL:
        value = re.split("[/?#]", value.partition("://")[2], maxsplit=1)[0].partition(":")[0]
    return value.lower()


class Running(Protocol):
    """A board that runs, as Device does: bytes and milliseconds in, bytes out."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes from the host; return what the board sends."""

    def tick(self, now_ms: int) -> bytes:
        """Let time pass; return what the board sends."""

    def reset(self, now_ms: int) -> None:
        """Press reset."""


class Device:
    """A board that runs: its engine with the firmware on top, and what a restart does to both."""

    def __init__(
        self,
        board: Board,
        surroundings: Surroundings | None = None,
        *,
        boot_numbers: Iterator[int] | None = None,
        logs: bool = False,
    ) -> None:
        """surroundings: None means a firmware that does nothing, for tests that report themselves.

        boot_numbers: one for every restart; the next higher ones if not given.
        logs: whether log text goes out beside the replies.
        """
        self.board = board
        self._surroundings = surroundings
        self._boot_numbers = boot_numbers or itertools.count(board.boot_number + 1)
        self._logs = logs
        self._off_until: int | None = None
        self._chatter_due = 0
        self._log: list[str] = []
        self._begin(0)

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """Take bytes from the host, lost while it starts; return replies and log text."""
        before = self._advance(now_ms)
        if self._off_until is not None:
            return before
        replies = self.board.receive(data, now_ms)
        self._handle_events(now_ms)
        return before + replies + self._log_text()

    def tick(self, now_ms: int) -> bytes:
        """Let time pass; return log text."""
        return self._advance(now_ms)

    def reset(self, now_ms: int) -> None:
        """Press reset, or cut the power for a moment: what is in memory is gone."""
        self.board.store.flash.power_up()
        self._off_until = now_ms + START_MS

    def _advance(self, now_ms: int) -> bytes:
        if self._off_until is not None:
            if now_ms < self._off_until:
                return b""
            self._off_until = None
            self.board.restart(next(self._boot_numbers), now_ms)
            self._begin(now_ms)
        self.board.tick(now_ms)
        self._handle_events(now_ms)
        if self._application is not None:
            self._application.advance(now_ms)
        if now_ms >= self._chatter_due:
            self._chatter_due = now_ms + CHATTER_MS
            self._log.append(f"up for {(now_ms - self._began) // 1000} s")
        return self._log_text()

    def _begin(self, now_ms: int) -> None:
        self._began = now_ms
        self._chatter_due = now_ms + CHATTER_MS
        self._application = (
            Application(self.board, self._surroundings) if self._surroundings is not None else None
        )
        identity = self.board.identity
        self._log = [f"{identity.firmware} {identity.firmware_version} starts"]
        self._handle_events(now_ms)

    def _handle_events(self, now_ms: int) -> None:
        for event in self.board.take_events():
            if isinstance(event, Restarting):
                self._off_until = now_ms + START_MS
            elif self._application is not None:
                self._application.handle(event, now_ms)

    def _log_text(self) -> bytes:
        lines, self._log = self._log, []
        if self._application is not None:
            lines += self._application.take_log()
        return "".join(f"{line}\r\n" for line in lines).encode() if self._logs else b""
