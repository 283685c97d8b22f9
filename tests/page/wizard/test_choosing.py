# SPDX-License-Identifier: MIT
"""The page doubts what the terminal doubts, and shows the networks in range as it does."""

from __future__ import annotations

from dataclasses import asdict

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from provision.contract.table import Kind, Security
from provision.link.replies import Network
from provision.schema.model import Field, Value
from provision.wizard.input_warnings import doubts
from provision.wizard.networks import in_range
from tests.page.wizard.lockstep import Page

pytestmark = pytest.mark.needs("node")

# What doubts are about, white space that is rarely thought of, and what is in order. U+FEFF is a
# space to JavaScript, and none to Unicode.
MARKS = " \t\x1c\x85\u00a0\u2007\u200b\u3000\ufeff\u2018\u201d\u00bbax"
TEXTS = st.text(st.sampled_from(MARKS), max_size=4)


@given(kind=st.sampled_from(Kind), value=TEXTS | TEXTS.map(str.encode) | st.binary(max_size=4))
@example(Kind.PASSPHRASE, " blossom-time")
@example(Kind.SECRET, "key\u00a0of-the-mast")
@example(Kind.SECRET, "\u201ckey-of-the-mast\u201d")
@example(Kind.NETWORK_NAME, "Gate\u2019s end".encode())
@example(Kind.NETWORK_NAME, b"Gate ")
@example(Kind.TEXT, "Gate\u2019s end")
@example(Kind.NETWORK_NAME, b"\xff\xfe")
@example(Kind.INTEGER, 5)
def test_both_doubt_the_same(page: Page, kind: Kind, value: Value) -> None:
    """The examples are those of tests/wizard/test_choosing.py."""
    assert page.say("doubts", {"kind": kind}, value) == list(doubts(Field("a", kind, "A"), value))


NETWORKS = st.builds(
    Network,
    # Cut in the middle of a character, overlong, a surrogate, beyond Unicode (RFC 3629).
    st.binary(max_size=4)
    | st.sampled_from([b"", b"Gate", b"Hill \xe2\x82", b"\xc0\xaf", b"\xed\xa0\x80", b"\xf4\x90"])
    | st.text("ä€𝄞\ufeff\u202e", max_size=8).map(str.encode),
    st.integers(-100, 0),
    st.sampled_from(Security) | st.just(9),
)


@given(st.lists(NETWORKS, max_size=6))
@example([Network(b"Gate", -80, 1), Network(b"Gate", -50, 1), Network(b"Hill", -76, 9)])
@example([Network(b"x" * 32, -60, 0), Network(b"\xf6" * 32, -75, 2)])
def test_both_show_the_networks_in_range_alike(page: Page, found: list[Network]) -> None:
    """In the same order, each name once, those that are no UTF-8 in the same escapes."""
    mine = [asdict(network) for network in in_range(found)]
    for each in mine:
        each["isOpen"] = each.pop("is_open")
    assert page.say("inRange", [asdict(network) for network in found]) == mine
