# SPDX-License-Identifier: MIT
"""The two classes of flipped bits (shared/protocol.md, clause 2.3), at both boards and the host.

Up to five flips in a line of up to 655 characters of BODY are always caught where none of them
makes a `~`, CR or LF of another character: CRC-32C has a Hamming distance of 6 up to 5,243 data
bits (Koopman's tables of CRC polynomials). Where one does, it is left to chance, 2^-32: these are
counted by themselves. A flip of a line's own `~` or LF is of the first class.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import pytest

from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, encode_message
from provision.contract.table import MAX_BODY, MessageType, SetFieldKey
from tests.sessions.units import (
    Configuration,
    CUnit,
    PythonUnit,
    Unit,
    build,
    image_with,
    load,
    packed,
)

_DELIMITERS = frozenset(b"~\r\n")
_SAMPLES = 40_000  # patterns of each count of flips

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
    """Whether the message itself is: three flips make of the LF before it a CR, which is as good."""
    return bad[1:-1] != line[1:-1]


def samples(size: int, count: int, seed: int) -> Iterator[tuple[int, ...]]:
    """Draw patterns of `count` different bits, half of them close together as in a burst."""
    chance = random.Random(seed)
    for number in range(_SAMPLES):
        window = size if number % 2 else min(size, 48)
        start = chance.randrange(size - window + 1)
        yield tuple(start + bit for bit in chance.sample(range(window), count))


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


def test_every_one_and_two_flips_of_a_short_line_are_caught() -> None:
    """Every single bit of a hello request, and every two of them."""
    bits = range(8 * len(HELLO))
    patterns = [*itertools.combinations(bits, 1), *itertools.combinations(bits, 2)]
    found = classes(HELLO, patterns)
    assert found[False].patterns + found[True].patterns == len(patterns)
    assert found[False].accepted == found[True].accepted == 0


@pytest.mark.parametrize("line", [HELLO, LONGEST], ids=["short", "longest"])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_up_to_five_flips_never_pass(
    line: bytes, count: int, record_property: pytest.RecordProperty
) -> None:
    """Without a delimiter arising all are caught; with one, so are all of these samples."""
    found = classes(line, samples(8 * len(line), count, seed=count))
    for arises, of in found.items():
        name = "with a delimiter arising" if arises else "without a delimiter arising"
        record_property(name, f"{of.patterns} patterns, {of.accepted} accepted")
    assert found[False].patterns > 0
    assert found[False].accepted == 0
    # Left to chance: 40,000 samples at 2^-32 are expected to show none in 100,000 runs.
    assert found[True].accepted == 0


# ------------------------------------------------------------------------------------- the boards


def units(library: str | None) -> Unit:
    """Return a board that runs."""
    configuration = Configuration(655, 2048, 400, 1000, 2000, True, False, seed=1)
    image = image_with([], configuration.schema)
    unit: Unit = (
        PythonUnit(configuration, image)
        if library is None
        else CUnit(configuration, image, load(library))
    )
    unit.start(1, 0)
    assert packed(configuration.schema).digest in unit_says_hello(unit)
    return unit


def unit_says_hello(unit: Unit) -> bytes:
    """Return the item of its hello reply."""
    (frame,) = LineReceiver().feed(unit.receive(HELLO, 0))
    assert isinstance(frame, Frame)
    return frame.item


@pytest.mark.parametrize("board", ["python", "c"])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_a_board_answers_no_line_with_up_to_five_flips(
    board: str, count: int, request: pytest.FixtureRequest
) -> None:
    """A request of full length, damaged: no answer, and nothing staged, in either class."""
    unit = units(request.getfixturevalue("library") if board == "c" else None)
    body = {SetFieldKey.FIELD: "orchard.note", SetFieldKey.VALUE: "x" * 200}
    line = encode_line(encode_message(Message(1, MessageType.SET_FIELD, 9, body)))
    for bits in itertools.islice(samples(8 * len(line), count, seed=count), _SAMPLES // 4):
        bad = flipped(line, bits)
        if is_hurt(line, bad):
            assert unit.receive(bad + b"\n", 0) == b""
    assert unit.look().staged == 0
    unit.close()


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the compiled stub."""
    return str(build(tmp_path_factory.mktemp("checksum")))
