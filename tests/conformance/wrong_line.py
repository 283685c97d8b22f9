# SPDX-License-Identifier: MIT
# ruff: noqa: E501 - the table has one row for each board, and its small functions one form
"""Boards that are wrong on the line: clauses 1 to 4."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from dataclasses import replace

from provision.board.engine import (
    Board,
    Body,
)
from provision.board.staging import RequestRefused
from provision.contract import profile
from provision.contract.line import Damaged, Frame, LineReceiver, LogText
from provision.contract.messages import Message, MessageError, decode_message, encode_message
from provision.contract.table import (
    MessageType,
    Refusal,
    RefusalKey,
)
from tests.conformance.board import PressedDevice
from tests.conformance.making import (
    BRIEF,
    Case,
    R,
    decoded,
    device,
    framed,
    hearing,
    item_of,
    line_of,
    lines,
    other_code,
    reading,
    type_of,
    with_right_check,
)


def _takes_masked_check(line: bytes) -> bytes | None:
    masked = line[:-8] + bytes(0x40 | byte & 0xF for byte in line[-8:])
    return (
        item_of(line) if with_right_check(masked) and LineReceiver().feed(masked + b"\n") else None
    )


def _any_check(line: bytes) -> bytes | None:
    good = framed(line[1:-8]).strip(b"\n") if len(line) > 9 else b""
    (event,) = LineReceiver().feed(good + b"\n") or (None,)
    return event.item if isinstance(event, Frame) else None


def _any_spelling(fits: Callable[[bytes], bool]) -> Callable[[bytes], bytes | None]:
    def change(line: bytes) -> bytes | None:
        body = line[1:-8]
        return decoded(body) if with_right_check(line) and fits(body) else None

    return change


class AnswersDamage(Board):
    """Complains about damaged lines."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, Damaged):
            return line_of(profile.encode([1, 0, 0, {RefusalKey.CODE: 3}]))
        return super()._answer(event)


class AnswersLog(Board):
    """Complains about log text, as a console would, in a message."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, LogText) and "help" in event.text:
            return line_of(profile.encode([1, 0, 0, {RefusalKey.CODE: 3}]))
        return super()._answer(event)


class AnswersEvenTypes(Board):
    """Refuses replies as unknown types."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, Frame):
            try:
                message = decode_message(event.item)
            except MessageError:
                return b""
            if message.type % 2 == 0:
                return line_of(profile.encode([1, 0, message.id, {RefusalKey.CODE: 2}]))
        return super()._answer(event)


class ForgetsOversize(PressedDevice):
    """Begins a new line where the buffer is full."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        cut = []
        for line in data.split(b"\n"):
            cut += [line[at : at + 664] for at in range(0, len(line), 664)] or [b""]
        return super().receive(b"\n".join(cut), now_ms)


class DropsAfterPause(PressedDevice):
    """Drops the line that it has begun when nothing came for 200 ms."""

    heard = 0

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        if now_ms - self.heard > 200:
            self.board._receiver = LineReceiver(self.board.limits.line)
        self.heard = now_ms
        return super().receive(data, now_ms)


class TakesFive(Board):
    """Takes an envelope of five."""

    def _answer(self, event: object) -> bytes:
        if isinstance(event, Frame):
            try:
                item = profile.decode(event.item)
            except profile.ProfileError:
                return b""
            if isinstance(item, list) and len(item) == 5:
                event = Frame(profile.encode(item[:4]), event.size)
        return super()._answer(event)


class Twice(PressedDevice):
    """Sends each reply of status twice."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = lines(super().receive(data, now_ms))
        return b"".join(
            line * (2 if type_of(line) == MessageType.STATUS_REPLY else 1) for line in sent
        )


class Backwards(PressedDevice):
    """Answers what came together in the other order."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        return b"".join(reversed(lines(super().receive(data, now_ms))))


class SpeaksUnasked(PressedDevice):
    """Sends a status of its own accord."""

    told = 0

    def tick(self, now_ms: int) -> bytes:
        """See Device."""
        sent = super().tick(now_ms)
        if now_ms - self.told > 1000:
            self.told = now_ms
            body: Body = {1: 0, 2: 0, 3: 0, 8: 0, 9: 77}
            return sent + line_of(profile.encode([1, 12, 0, body]))
        return sent


class StateFirst(Board):
    """Looks at the state before the form."""

    def _handle(self, message: Message) -> Body:
        if message.version == 1 and message.type == MessageType.COMMIT and not self.staged:
            raise RequestRefused(Refusal.WRONG_STATE)
        return super()._handle(message)


class WritesAtOnce(Board):
    """Stores each value as it comes."""

    def _set_field(self, body: Body) -> Body:
        reply = super()._set_field(body)
        self.store.commit(
            self.store.current.payload, b"at-once!", self._packed.digest, on_trial=False
        )
        self._come_into_force()
        return reply


class TellsSecretInLog(PressedDevice):
    """Prints what it stages, for debugging."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        told = self.board.staged.get("words.secret")
        return sent + (f"\nstaged {told}\n".encode() if isinstance(told, str) else b"")


class TellsSecretInHex(PressedDevice):
    """Prints the key that it stages, in hexadecimal digits."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        sent = super().receive(data, now_ms)
        told = self.board.staged.get("octets.key")
        return sent + (f"\nkey {told.hex().upper()}\n".encode() if isinstance(told, bytes) else b"")


class EchoesDamage(PressedDevice):
    """Echoes what it gets, the last characters of each line lost."""

    def receive(self, data: bytes, now_ms: int) -> bytes:
        """See Device."""
        echo = b"".join(line.strip(b"\n~")[:-3] + b"\n" for line in lines(data))
        return super().receive(data, now_ms) + b"\n" + echo


def _ids_of_15_bits(line: bytes) -> bytes:
    message = decode_message(item_of(line))
    return line_of(encode_message(replace(message, id=message.id & 0x7FFF)))


def _long_head(line: bytes) -> bytes:
    item = item_of(line)
    return line_of(b"\x98\x04" + item[1:]) if item[2] == MessageType.STATUS_REPLY else line


def _crc32(line: bytes) -> bytes:
    body = line.strip(b"\n")[1:-8]
    return framed(body, zlib.crc32(body))


def _padded(line: bytes) -> bytes:
    body = line.strip(b"\n")[1:-8]
    return framed(body + b"=" * (-len(body) % 4))


class AnyKey(Board):
    """Ignores body keys that it does not know."""

    def _handle(self, message: Message) -> Body:
        known = {key: item for key, item in message.body.items() if 0 < key < 30 or key > 63}
        return super()._handle(replace(message, body=known))


class NoSkipping(Board):
    """Refuses every body key that it does not know."""

    def _handle(self, message: Message) -> Body:
        if message.version == 1 and any(key >= 64 for key in message.body):
            raise RequestRefused(Refusal.MALFORMED)
        return super()._handle(message)


class NoOtherHello(Board):
    """Refuses a hello of another version."""

    def _handle(self, message: Message) -> Body:
        if message.version != 1:
            raise RequestRefused(Refusal.UNSUPPORTED_VERSION)
        return super()._handle(message)


class StrictOtherHello(Board):
    """Looks at the body of a hello of another version."""

    def _handle(self, message: Message) -> Body:
        if message.version != 1 and message.type == MessageType.HELLO and message.body:
            raise RequestRefused(Refusal.MALFORMED)
        return super()._handle(message)


class AnyVersion(Board):
    """Answers requests of any version."""

    def _handle(self, message: Message) -> Body:
        return super()._handle(replace(message, version=1))


class LongLine(Board):
    """Announces 200 characters and takes 655."""

    def restart(self, boot_number: int, now_ms: int) -> None:
        """See Board."""
        super().restart(boot_number, now_ms)
        self._receiver = LineReceiver()


class FullPages(Board):
    """Fills its pages beyond what a line may have."""

    def _answer(self, event: object) -> bytes:
        sent = super()._answer(event)
        if sent and item_of(sent)[2] == MessageType.GET_VALUES_REPLY:
            message = decode_message(item_of(sent))
            longer = replace(message, body={**message.body, 99: bytes(600)})
            return line_of(encode_message(longer))
        return sent


LINE_CASES: tuple[Case, ...] = (
    Case("6.3.9", "prints a secret as it stages it", {"device": TellsSecretInLog}, "6.4"),
    Case("6.3.9", "prints a secret key in hexadecimal digits", {"device": TellsSecretInHex}, "9.1.16"),
    Case("6.3.9", "echoes lines, their ends damaged", {"device": EchoesDamage}, "6.4"),
    Case("2.1.1", "ends lines with CR LF", {"device": device(writes=lambda line: line.replace(b"\n", b"\r\n"))}, "6.9"),
    Case("2.1.1", "begins no line with LF", {"device": device(writes=lambda line: line[1:])}, "6.9"),
    Case("2.1.1", "has CRC-32 for CRC-32C", {"device": device(writes=_crc32)}, "6.9"),
    Case("2.1.1", "pads base64", {"device": device(writes=_padded)}, "6.9"),
    Case("2.2.4", "does not look at CHECK", {"board": hearing(_any_check)}),
    Case("2.2.4", "looks at half of each character of CHECK", {"board": hearing(_takes_masked_check)}),
    Case("2.2.5", "takes the other alphabet of base64 too", {"board": hearing(_any_spelling(lambda b: b"+" in b or b"/" in b))}),
    Case("2.2.5", "takes padding", {"board": hearing(_any_spelling(lambda b: b.endswith(b"=")))}),
    Case("2.2.5", "takes unused bits that are not zero", {"board": hearing(_any_spelling(lambda b: b.isascii() and b.replace(b"-", b"").replace(b"_", b"").isalnum()))}),
    Case("2.2.1", "ends a line at LF only", {"device": device(reads=lambda data: data.replace(b"\r", b" "))}),
    Case("2.2.6", "takes a message in the middle of a line", {"device": device(reads=lambda data: data.replace(b"~", b"\n~"))}),
    Case("2.2.6", "takes a message behind a prompt", {"device": device(reads=lambda data: data.replace(b"\n> ~", b"\n~"))}),
    Case("2.2.6", "edits its line at a backspace", {"device": device(reads=lambda data: re.sub(rb"[^\n]\x08", b"", data))}),
    Case("2.2.7", "does not end long log text at a CR", {"device": device(reads=lambda data: re.sub(rb"(\n[^~\r\n]{60,})\r", rb"\1 ", data))}),
    Case("2.3.3", "drops a line that comes with a pause", {"device": DropsAfterPause}),
    Case("2.2.8", "begins a new line where its buffer is full", {"device": ForgetsOversize}),
    Case("2.2.8", "takes lines beyond what it announces", {"board": LongLine, "limits": BRIEF}),
    Case("2.2.5", "complains about damaged lines", {"board": AnswersDamage}),
    Case("2.2.6", "answers log text", {"board": AnswersLog}),
    Case("2.2.9", "answers its own echo", {"board": AnswersEvenTypes}),
    Case("2.3.1", "sends lines beyond 655 characters", {"board": FullPages}, "6.3"),
    Case("3.1.2", "takes heads that are not the shortest", {"board": reading("is not the shortest")}),
    Case("3.1.2", "takes indefinite lengths", {"board": reading("indefinite")}),
    Case("3.1.2", "takes keys in any order", {"board": reading("repeats or is out of order")}),
    Case("3.1.4", "takes bytes behind the item", {"board": reading("follow the item")}),
    Case("3.1.3", "skips floats and tags", {"board": reading("a tag, a floating-point")}),
    Case("3.1.3", "skips text that is no UTF-8", {"board": reading("valid UTF-8")}),
    Case("3.1.4", "takes any depth", {"board": reading("nested deeper")}),
    Case("3.1.2", "takes keys that are no integers", {"board": reading("not an unsigned integer")}),
    Case("3.1.3", "takes integers of 64 bits", {"board": reading("eight bytes")}),
    Case("3.1.3", "takes negative integers of 32 bits", {"board": reading("below -2^31")}),
    Case("3.1.1", "sends a head that is not the shortest", {"device": device(writes=_long_head)}, "6.6"),
    Case("4.1.5", "carries back 15 bits of the id", {"device": device(writes=_ids_of_15_bits)}),
    Case("4.1.1", "takes an array of five", {"board": TakesFive}),
    Case("4.1.2", "answers status twice", {"device": Twice}),
    Case("4.1.3", "answers in another order", {"device": Backwards}),
    Case("4.1.2", "speaks unasked", {"device": SpeaksUnasked}),
    Case("4.2.1", "ignores keys that it does not know", {"board": AnyKey}),
    Case("4.2.2", "refuses keys that it should skip", {"board": NoSkipping}),
    Case("4.2.3", "refuses a hello of another version", {"board": NoOtherHello}),
    Case("4.2.4", "looks into a hello of another version", {"board": StrictOtherHello}),
    Case("4.2.5", "answers requests of any version", {"board": AnyVersion}),
    Case("4.2.6", "refuses an unknown type as malformed", {"board": other_code(R.UNKNOWN_TYPE, R.MALFORMED)}),
    Case("4.2.7", "does not know what it does not offer", {"board": other_code(R.NOT_OFFERED, R.WRONG_STATE)}),
    Case("4.3.4", "looks at the state before the form", {"board": StateFirst}),
    Case("4.3.10", "stores each value as it comes", {"board": WritesAtOnce}),
)  # fmt: skip
