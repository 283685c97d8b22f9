# SPDX-License-Identifier: MIT
"""The C board and the Python board given the same steps: every byte they send must be the same.

The steps are those of stub.c, as libFuzzer found them for the coverage of the C code. Left out are
power cuts, failing flash and foreign records, which each board has tests of its own for (they need
not write in the same order), and an address that is reported by itself, which only C can.
"""

from __future__ import annotations

import ctypes as c
import re
from collections.abc import Iterable

from provision.board.engine import Board, settings_geometry
from provision.board.flash import Flash
from provision.board.state import Identity, Limits, Network
from provision.board.store import FlashStore
from provision.contract.line import encode_line
from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item
from provision.contract.table import MessageType, Reason, Run, Security
from provision.contract.table import Step as FirmwareStep
from provision.schema.codec import Packed, pack
from provision.schema.constraints import staged_digest
from provision.schema.declaration import Declaration
from tests.c_board.board import Stub
from tests.fuzz.fuzzing import fuzz_board
from tests.fuzz.steps import LARGEST_ITEM, Sort, Step, read

CANARY = "Nightjar-4711-Qz"
_SECRETS = ("net.pass", "words.secret", "octets.key")
_NAMED = (
    MessageType.DISCARD,
    MessageType.UNDO,
    MessageType.ERASE,
    MessageType.CONFIRM,
    MessageType.RESTART,
)
_MOST_NETWORKS = 8
_LISTENS_MS = 3_600_000
_PIECE = re.compile(rb"[^\n\r]*[\n\r]|[^\n\r]+")


class Differ(Exception):  # noqa: N818 - a finding
    """The boards did not send the same."""


class Pair:
    """Both boards, fresh from the factory, under the options of an input's first byte."""

    def __init__(
        self, library: c.CDLL, declared: Declaration, packed: Packed, options: int
    ) -> None:
        geometry = settings_geometry(declared)
        line = 128 if options & 4 else 655
        listens = _LISTENS_MS if options & 2 else 0
        presence = bool(options & 1)
        self.stub = Stub(library, declared, line=line, listens=listens, presence=presence)
        assert self.stub.start() == 0
        limits = Limits(line=line, listens=listens or None, presence=10**9 if presence else None)
        names = declared.firmware_name, declared.firmware_version, declared.board.name
        store = FlashStore(Flash(geometry), declared.board.slots)
        # Deflating takes longer than a whole input, so it was done before.
        self.board = Board(
            declared.schema, Identity(*names, b"\x01"), store, 1, limits=limits, packed=packed
        )
        self.keys = [setting.key for setting in declared.schema.settings]
        self.last = b""

    def _restart(self) -> None:
        self.stub.config.boot_number += 1
        self.stub.c.present = self.stub.c.scan_done = False
        self.stub.c.network_count = 0
        assert self.stub.start() == 0
        self.board.restart(self.stub.config.boot_number, self.stub.now_ms)
        self.board.take_events()

    def feed(self, data: bytes) -> None:
        """Give both the same bytes, line by line, until a restart was asked for."""
        for piece in _PIECE.findall(data):
            before = self.stub.c.restarts
            ours = self.stub.receive(piece)
            theirs = self.board.receive(piece, self.stub.now_ms)
            if ours != theirs:
                raise Differ(f"to {piece!r}: C {ours!r}, Python {theirs!r}")
            if self.stub.c.restarts != before:
                self._restart()
                return

    def _send(self, type_: int, body: dict[int, Item]) -> None:
        self._send_item(encode_message(Message(1, type_, 7, body)))

    def _send_item(self, item: bytes) -> None:
        if len(item) <= LARGEST_ITEM:
            self.last = encode_line(item)
            self.feed(self.last)

    def take(self, step: Step) -> None:
        """Do a step with both."""
        numbers, octets = step.numbers, step.octets
        match step.sort:
            case Sort.RAW:
                self.feed(octets)
            case Sort.ITEM if octets:
                self._send_item(octets)
            case Sort.AGAIN:
                self.feed(self.last)
            case Sort.WAIT:
                self.stub.now_ms += numbers[0] * 10
            case Sort.RESTART:
                self._restart()
            case Sort.PRESENT:
                self.stub.c.present = True
                self.board.show_presence()
            case Sort.REPORT:
                self._report(*numbers)
            case Sort.FOUND:
                self._found(octets, *numbers)
            case _:
                self._request(step)
        self.feed(b"\n")

    def _request(self, step: Step) -> None:
        numbers, octets = step.numbers, step.octets
        match step.sort:
            case Sort.COMMIT:
                self._commit(numbers[0])
            case Sort.NAMED:
                self._named(*numbers)
            case Sort.CANARY:
                value = CANARY.encode() if numbers[0] % 3 == 2 else CANARY
                self._send(MessageType.SET_FIELD, {1: _SECRETS[numbers[0] % 3], 2: value})
            case Sort.SET:
                self._set(self.keys[numbers[0] % len(self.keys)], octets)
            case Sort.PART:
                key = self.keys[numbers[0] % len(self.keys)]
                body: dict[int, Item] = {1: key, 3: numbers[1], 4: numbers[2], 5: octets}
                self._send(MessageType.SET_FIELD, body)
            case Sort.ASK:
                self._ask(*numbers)
            case _:
                pass  # left out: see above

    def _report(self, run: int, step: int, reason: int, field: int) -> None:
        number = field if field < len(self.keys) else 0xFFFF
        codes = run % 5, step % 8, reason % 11
        self.stub.report(*codes, number)
        assert self.stub.poll() == b""
        key = self.keys[field] if number == field else None
        self.board.tick(self.stub.now_ms)
        self.board.report(Run(codes[0]), FirmwareStep(codes[1]), Reason(codes[2]), key)

    def _found(self, name: bytes, signal: int, security: int, done: int) -> None:
        board = self.stub.c
        scans = board.scans > 0 and self.board._scan.number > 0
        if not scans or board.scan_done or board.network_count >= _MOST_NETWORKS or not name:
            return
        self.stub.found([(name, -(signal % 128), security % 4)], done=bool(done & 1))
        found = Network(name, -(signal % 128), Security(security % 4))
        self.board.found([found], done=bool(done & 1))

    def _commit(self, token: int) -> None:
        staged = self.board.staged
        count, digest = len(staged) or 1, staged_digest(self.board.schema, staged)
        self._send(MessageType.COMMIT, {1: count, 2: digest, 3: bytes([token]) * 8})

    def _named(self, which: int, how: int) -> None:
        type_ = _NAMED[which % 5]
        of_boot = type_ in {MessageType.DISCARD, MessageType.RESTART}
        present = self.board.boot_number if of_boot else self.board.generation
        self._send(type_, {1: (present - (how % 8 == 7)) & 0xFFFFFFFF})

    def _set(self, key: str, value: bytes) -> None:
        """Send a value of whatever bytes: the frame is right, the item may be none."""
        start = encode_message(Message(1, MessageType.SET_FIELD, 7, {1: key, 2: None}))
        self._send_item(start[:-1] + value)

    def _ask(self, which: int, first: int, second: int) -> None:
        questions: list[tuple[MessageType, dict[int, Item]]] = [
            (MessageType.HELLO, {}),
            (MessageType.STATUS, {}),
            (MessageType.GET_VALUES, {1: first}),
            (MessageType.GET_SCHEMA, {1: first, 2: second}),
            (MessageType.SURVEY, {1: first, 2: second} if first else {}),
            (MessageType.LOCATE, {}),
        ]
        self._send(*questions[which % 6])


class Differential:
    """Plays inputs, each on two fresh boards."""

    def __init__(self, library: c.CDLL) -> None:
        self._library = library
        declared = fuzz_board()
        self._packed = pack(declared.schema)
        self._declared = declared

    def play(self, data: bytes, most_steps: int = 200) -> int:
        """Play an input; return its steps. Raises Differ."""
        if not data:
            return 0
        pair = Pair(self._library, self._declared, self._packed, data[0] % 16)
        count = 0
        for step in read(data[1:]):
            pair.take(step)
            count += 1
            if count == most_steps:
                break
        for which in range(3):
            pair._ask(which, 0, 0)
        return count

    def play_all(self, inputs: Iterable[bytes]) -> tuple[int, int]:
        """Play many; return how many inputs and steps."""
        inputs_played = steps = 0
        for data in inputs:
            steps += self.play(data)
            inputs_played += 1
        return inputs_played, steps
