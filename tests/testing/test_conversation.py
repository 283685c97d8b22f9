# SPDX-License-Identifier: MIT
"""A replayed board meets more on its line than what was recorded."""

from __future__ import annotations

import pytest

from provision.contract.line import encode_line
from provision.contract.profile import encode
from provision.testing.conversation import Replay


@pytest.mark.parametrize(
    "line",
    [
        b"\n~no frame at all\n",
        encode_line(encode("no message")),
        encode_line(encode([1, 251, 7, {}])),  # a type that nobody knows
        encode_line(encode([1, 1, 7, {1: 2}])),  # a hello with a key that it does not have
        encode_line(encode([1, 2, 7, {}])),  # an echo of a reply
    ],
)
def test_what_is_no_request_is_passed_over(line: bytes) -> None:
    """In silence, as boards do; it is no deviation either."""
    replay = Replay([])
    assert replay.receive(line, 0) == b""
    assert replay.deviation is None
