# SPDX-License-Identifier: MIT
"""A host for tests: it answers a board's questions as a person would, and returns the outcome."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from provision.conformance.findings import Report
from provision.conformance.port import PortOptions, examine_port
from provision.conformance.watch import Setup
from provision.link.ports import open_stream
from provision.link.streams import Stream
from provision.testing.conversation import TrafficRecorder, read, write
from provision.testing.playing import Player
from provision.wizard.answers import AnswersFile, read_file
from provision.wizard.at_port import Person, set_up_in_memory
from provision.wizard.result import DialogResult


class HasPort(Protocol):
    """A board as the fixtures make it."""

    port: str


AnswersSource = Mapping[str, Any] | str | Path
"""Answers by section and key, as in an answers file, with its `accept` and `clear`; or a file."""


@dataclass(frozen=True, slots=True)
class SetUpResult:
    """The outcome of a set-up, in the protocol's own names."""

    result: str
    """ "stored", "not stored", "unknown" or "nothing to do"."""
    run: str | None
    """What the firmware made of it: "proven", "failed", "not-reported", ...; None: nothing."""
    reason: str | None
    """Why the board refused, or does not work: "pin-conflict", "passphrase-wrong", ..."""
    field: str | None
    """Full key of the setting at fault."""
    stored: tuple[str, ...]
    """Full keys of what was stored."""
    address: str | None
    """The board's network address."""
    words: str
    """What a person is told in the end."""
    said: tuple[str, ...]
    """What a person is told on the way, line by line."""


class SetUp:
    """Sets boards up. Raises LinkError, SchemaError and AnswersError, each with one sentence."""

    def __init__(self, folder: Path | None = None, name: str = "conversation") -> None:
        """folder: where conversations are recorded; None: nowhere. name: of their files."""
        self._folder = folder
        self._name = re.sub(r"[^A-Za-z0-9_.-]+", "-", name)
        self._recorded = 0

    def __call__(
        self,
        board: HasPort | str,
        answers: AnswersSource,
        *,
        record: Path | str | None = None,
        baud: int = 115200,
    ) -> SetUpResult:
        """Meet a board, answer, store, and follow what it makes of it.

        Arguments:
            board: What a fixture made, or a port.
            answers: By section and key, or an answers file.
            record: A file to write the conversation into.
            baud: Rate of the line.
        """
        port = board if isinstance(board, str) else board.port
        said: list[str] = []
        person = Person(said.append, answers=_answers(answers))
        ear = TrafficRecorder()
        try:
            ending = asyncio.run(_set_up(port, baud, person, ear))
        finally:
            for path in self._files(record):
                path.parent.mkdir(parents=True, exist_ok=True)
                write(path, ear.exchanges)
        return _outcome(ending, said)

    def _files(self, record: Path | str | None) -> list[Path]:
        files = [] if record is None else [Path(record)]
        if self._folder is not None:
            self._recorded += 1
            files.append(self._folder / f"{self._name}-{self._recorded}.txt")
        return files


class Conform:
    """Tests boards against the protocol."""

    def __call__(
        self,
        board: HasPort | str,
        *,
        may_change_settings: bool = True,
        patient: bool = False,
        baud: int = 115200,
    ) -> Report:
        """Run the checks of `provision conform`; fail the test at a clause that is not met.

        may_change_settings, patient: as the options of that command. Returns the report. Raises
        LinkError and provision.conformance.kit.NoBoard.
        """
        port = board if isinstance(board, str) else board.port
        setup = Setup(baud, may_change=may_change_settings, patient=patient)
        report = asyncio.run(examine_port(PortOptions(port, baud), setup, lambda _: None))
        assert report.is_met, "\n".join(report.lines())
        return report


class PlayRecording:
    """Sends a board the requests of a recorded conversation."""

    def __call__(
        self,
        board: HasPort | str,
        file: Path | str,
        *,
        secrets: Mapping[str, str | bytes] | None = None,
        baud: int = 115200,
    ) -> None:
        """Play the host's part of a file; fail the test at the first answer that differs.

        The board must hold what that one held when the recording began. secrets: by full key, what
        to send for a secret; without it a made-up value of the same length and form is sent.
        Raises LinkError and ConversationError.
        """
        port = board if isinstance(board, str) else board.port
        player = Player(read(Path(file)), secrets or {})
        deviation = asyncio.run(_play(port, baud, player))
        if deviation is not None:
            raise AssertionError(deviation)


class _Heard:
    """A stream, and an ear on it."""

    def __init__(self, stream: Stream, ear: TrafficRecorder) -> None:
        self._stream = stream
        self._ear = ear

    def write(self, data: bytes) -> None:
        """Send bytes. Raises LineLost."""
        self._ear.hear_host(data)
        self._stream.write(data)

    async def read(self) -> bytes:
        """Wait for bytes and return them. Raises LineLost."""
        data = await self._stream.read()
        self._ear.hear_board(data)
        return data

    async def close(self) -> None:
        """Close the port."""
        await self._stream.close()


async def _set_up(port: str, baud: int, person: Person, ear: TrafficRecorder) -> DialogResult:
    stream = await open_stream(port, baud=baud)
    return await set_up_in_memory(_Heard(stream, ear), person)


async def _play(port: str, baud: int, player: Player) -> str | None:
    stream = await open_stream(port, baud=baud)
    try:
        return await player.play(stream)
    finally:
        await stream.close()


def _answers(answers: AnswersSource) -> AnswersFile:
    if isinstance(answers, str | Path):
        return read_file(Path(answers))
    entries = dict(answers)
    lists = {name: tuple(entries.pop(name, ())) for name in ("clear", "accept")}
    return AnswersFile(Path("answers"), entries, lists["clear"], lists["accept"])


def _outcome(ending: DialogResult, said: list[str]) -> SetUpResult:
    return SetUpResult(
        ending.result.value,
        ending.run,
        ending.reason,
        ending.field,
        ending.stored,
        ending.address,
        ending.words,
        tuple(said),
    )
