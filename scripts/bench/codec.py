# SPDX-License-Identifier: MIT
"""What the host's encoding and decoding cost, against the bare libraries below them."""

from __future__ import annotations

import base64
import gc
import random
import time
import tracemalloc
from collections.abc import Callable, Iterable

import cbor2
import google_crc32c

from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import (
    Message,
    check_body,
    decode_message,
    encode_message,
)
from scripts.bench.demo import WITHOUT_TIME, cold, demo
from scripts.bench.figures import Figure, Part
from scripts.bench.virtual import message_of, talk

GOAL_RATIO = 4.0
GOAL_NOISE_MS = 50.0
GOAL_HELD = 1024

_CHUNK = 4096  # bytes, as a port delivers them
_CHECK = 8


def measure(*, rounds: int = 25, noise_size: int = 1 << 20) -> Part:
    """Encode and decode the messages of the cold conversation, and swallow noise."""
    part = "codec"
    exchanged = talk(demo(), cold(), WITHOUT_TIME).exchanged
    lines = [one.reply for one in exchanged]
    messages = [message_of(one.request) for one in exchanged]
    figures = []
    for name, ours, bare in (
        ("requests encoded", lambda: _encode(messages), lambda: _encode_bare(messages)),
        ("replies decoded", lambda: _decode(lines), lambda: _decode_bare(lines)),
    ):
        seconds, reference = _quickest([ours, bare], rounds)
        rates = {
            "frames a second": round(len(lines) / seconds),
            "bare": round(len(lines) / reference),
        }
        ratio = seconds / reference
        figures.append(
            Figure(part, f"{name}: time ÷ bare libraries", ratio, at_most=GOAL_RATIO, counts=rates)
        )
    for name, noise in noises(noise_size).items():
        took, held = _swallow(noise)
        size = f"{len(noise) / (1 << 20):g} MiB of {name}"
        figures.append(Figure(part, size, took * 1000, "ms", GOAL_NOISE_MS))
        figures.append(Figure(part, f"{size}: held afterwards", held, "bytes", GOAL_HELD))
    return Part(
        "3. The host's codec",
        figures,
        [
            (
                "Ours checks the strict profile, the spelling of base64url and the table of"
                " messages; bare are cbor2, base64 and google_crc32c on the same messages."
            ),
            (
                "Of the time of a reply the scan for the strict profile takes a third, in Python;"
                " then come base64url's second look, the envelope and the table. It is 12 µs where"
                " the shortest reply takes 1,800 µs on a line of 115,200 baud."
            ),
            (
                "A damaged line costs most of a microsecond, so that a MiB of the shortest there"
                " are costs most; on a line of 115,200 baud it takes 91 s to arrive."
            ),
            (
                "Held is Python's memory beyond the receiver's own object: of a line that does not"
                " end the 961 bytes that tell one that is too long, and 33 around them."
            ),
        ],
    )


def noises(size: int) -> dict[str, bytes]:
    """Return so many bytes of each kind of noise."""
    chance = random.Random(1)  # noqa: S311 - the same noise in every run
    printable = bytes(byte for byte in range(0x20, 0x7E)) + b"\n"  # "~" is 0x7E
    tildes = b"~" * (len(printable) - 1) + b"\n"  # lines as long as those of the text
    return {
        "random bytes": chance.randbytes(size),
        "text without ~": bytes(chance.choices(printable, k=size)),
        "text full of ~": bytes(chance.choices(tildes, k=size)),
        "nothing but ~": b"~" * size,
        "lines of one ~": b"~\n" * (size // 2),
    }


def _encode(messages: Iterable[Message]) -> None:
    for message in messages:
        encode_line(encode_message(message))


def _encode_bare(messages: Iterable[Message]) -> None:
    for message in messages:
        item = cbor2.dumps([message.version, message.type, message.id, message.body])
        body = base64.urlsafe_b64encode(item)
        b"\n~%b%08x\n" % (body, google_crc32c.value(body))


def _decode(lines: Iterable[bytes]) -> None:
    receiver = LineReceiver()
    for line in lines:
        (frame,) = receiver.feed(line)
        assert isinstance(frame, Frame)
        check_body(decode_message(frame.item))


def _decode_bare(lines: Iterable[bytes]) -> None:
    for line in lines:
        body = line[2 : -_CHECK - 1]
        google_crc32c.value(body)
        cbor2.loads(base64.urlsafe_b64decode(body + b"=" * (-len(body) % 4)))


def _quickest(calls: list[Callable[[], None]], rounds: int) -> list[float]:
    """Return each call's shortest processor time; they take turns, so that all meet the same."""
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(rounds):
        for call, taken in zip(calls, times, strict=True):
            before = time.thread_time()
            call()
            taken.append(time.thread_time() - before)
    return [min(taken) for taken in times]


def _swallow(noise: bytes) -> tuple[float, int]:
    """Return the processor time of taking noise, and the bytes that the receiver then holds."""
    chunks = [noise[at : at + _CHUNK] for at in range(0, len(noise), _CHUNK)]
    receiver = LineReceiver()
    before = time.thread_time()
    for chunk in chunks:
        receiver.feed(chunk)
    took = time.thread_time() - before
    receiver = LineReceiver()
    gc.collect()
    tracemalloc.start()
    try:
        for chunk in chunks[-64:]:  # tracing costs time; what is held depends on the end alone
            receiver.feed(chunk)
        gc.collect()
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    return took, held
