# SPDX-License-Identifier: MIT
"""Up to five flipped bits in a line are caught (shared/protocol.md, clause 2.3), at both ends.

CRC-32C has a Hamming distance of 6 up to 5,243 data bits (Koopman's tables of CRC polynomials).
More patterns, and their table: `python scripts/bad_lines.py --flips 1000000`.
"""

from __future__ import annotations

import itertools

import pytest

from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item
from provision.contract.table import MessageType, SetFieldKey
from tests.sessions.flips import HELLO, LONGEST, classes, flipped, is_hurt, samples
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

_SAMPLES = 20_000  # patterns of each count of flips


def test_every_one_and_two_flips_of_a_short_line_are_caught() -> None:
    """Every single bit of a hello request, and every two of them."""
    bits = range(8 * len(HELLO))
    patterns = [*itertools.combinations(bits, 1), *itertools.combinations(bits, 2)]
    found = classes(HELLO, patterns)
    assert found[False].patterns + found[True].patterns == len(patterns)
    assert found[False].accepted == found[True].accepted == 0


@pytest.mark.parametrize("line", [HELLO, LONGEST], ids=["short", "longest"])
@pytest.mark.parametrize("flips", [1, 2, 3, 4, 5])
def test_up_to_five_flips_never_pass(line: bytes, flips: int) -> None:
    """Without a delimiter arising all are caught; with one, so are all of these samples."""
    found = classes(line, samples(8 * len(line), flips, _SAMPLES))
    assert found[False].patterns > 0
    assert found[False].accepted == 0
    # Left to chance, 2^-32: the same patterns at every run, and none of them is taken.
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
@pytest.mark.parametrize("flips", [1, 2, 3, 4, 5])
def test_a_board_answers_no_line_with_up_to_five_flips(
    board: str, flips: int, request: pytest.FixtureRequest
) -> None:
    """A request of full length, damaged: no answer, and nothing staged, in either class."""
    unit = units(request.getfixturevalue("library") if board == "c" else None)
    body: dict[int, Item] = {SetFieldKey.FIELD: "orchard.note", SetFieldKey.VALUE: "x" * 200}
    line = encode_line(encode_message(Message(1, MessageType.SET_FIELD, 9, body)))
    for bits in samples(8 * len(line), flips, _SAMPLES // 4):
        bad = flipped(line, bits)
        if is_hurt(line, bad):
            assert unit.receive(bad + b"\n", 0) == b""
    assert unit.look().staged == 0
    unit.close()


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the compiled stub."""
    return str(build(tmp_path_factory.mktemp("checksum")))
