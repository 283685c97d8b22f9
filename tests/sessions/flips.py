# SPDX-License-Identifier: MIT
"""Flipped bits in a line, in the two classes of shared/protocol.md, clause 2.3.

Where no flip makes a `~`, CR or LF of another character, up to five are always caught. Where one
does, it is left to chance, 2^-32: these patterns are counted by themselves.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, encode_message
from provision.contract.table import MAX_BODY, MessageType

_DELIMITERS = frozenset(b"~\r\n")

HELLO = encode_line(encode_message(Message(1, MessageType.HELLO, 7, {})))
LONGEST = encode_line(random.Random(1).randbytes(MAX_BODY * 3 // 4))


@dataclass(slots=True)
class Class:
    """What became of the patterns of one class."""

    patterns: int = 0
    accepted: int = 0


def flipped(line: bytes, bits: Iterable[int]) -> bytes:
    """Return the line with these bits inverted."""
    changed = bytearray(line)
    for bit in bits:
        changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def makes_a_delimiter(line: bytes, bad: bytes) -> bool:
    """Whether a delimiter arose out of another character."""
    return any(now in _DELIMITERS and now != was for was, now in zip(line, bad, strict=True))


def is_hurt(line: bytes, bad: bytes) -> bool:
    """Whether the message itself is: three flips make of an LF beside it a CR, which is as good."""
    return bad[1:-1] != line[1:-1]


def samples(size: int, flips: int, number: int) -> Iterator[tuple[int, ...]]:
    """Draw so many patterns of different bits, half of them close together as in a burst."""
    chance = random.Random(flips)
    for each in range(number):
        window = size if each % 2 else min(size, 48)
        start = chance.randrange(size - window + 1)
        yield tuple(start + bit for bit in chance.sample(range(window), flips))


def table(number: int) -> str:
    """Return what becomes of so many patterns of each count of flips, as text for a person."""
    lines = ["flips  line      class                        patterns  accepted"]
    for flips in range(1, 6):
        for name, line in (("short", HELLO), ("longest", LONGEST)):
            found = classes(line, samples(8 * len(line), flips, number))
            for arises, of in found.items():
                kind = "a delimiter arises" if arises else "no delimiter arises"
                lines.append(f"{flips:5}  {name:8}  {kind:24}{of.patterns:13}{of.accepted:10}")
    return "\n".join(lines)


def classes(line: bytes, patterns: Iterable[tuple[int, ...]]) -> dict[bool, Class]:
    """Feed a host's receiver each pattern between whole lines; True: a delimiter arose."""
    found = {False: Class(), True: Class()}
    receiver = LineReceiver()
    for bits in patterns:
        bad = flipped(line, bits)
        of = found[makes_a_delimiter(line, bad)]
        of.patterns += 1
        frames = sum(isinstance(each, Frame) for each in receiver.feed(bad + b"\n"))
        if is_hurt(line, bad):
            of.accepted += frames
    return found
