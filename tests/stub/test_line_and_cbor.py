# SPDX-License-Identifier: MIT
"""The stub's base64url, CRC-32C and CBOR, each against what its standard prints."""

from __future__ import annotations

import base64
import ctypes as c
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.contract.messages import Message, encode_message
from provision.contract.profile import Item, ProfileError, decode, encode
from provision.contract.table import (
    MAX_BODY,
)
from provision.contract.table import MessageType as Type
from tests.c_board.board import CReader, Sink
from tests.conformance.making import framed
from tests.stub.lockstep import AskedStub, messages, request

LARGEST_ITEM = MAX_BODY * 3 // 4
DATA = Path(__file__).parents[1] / "contract" / "data"


def crc(library: c.CDLL, data: bytes) -> int:
    """Return the stub's CRC-32C of some bytes."""
    return int(library.pv_crc(0xFFFFFFFF, data, len(data))) ^ 0xFFFFFFFF


@pytest.mark.parametrize(
    ("data", "expected"),
    [  # RFC 3720 appendix B.4, whose bytes are printed in the order in which they are sent
        (bytes(32), "aa36918a"),
        (b"\xff" * 32, "43aba862"),
        (bytes(range(32)), "4e79dd46"),
        (bytes(range(31, -1, -1)), "5cdb3f11"),
    ],
)
def test_crc_of_the_rfc(library: c.CDLL, data: bytes, expected: str) -> None:
    """The check values of RFC 3720 come out."""
    assert crc(library, data).to_bytes(4, "little").hex() == expected


def test_crc_of_the_catalogue(library: c.CDLL) -> None:
    """The check value of CRC-32/ISCSI in the catalogue of parametrised CRC algorithms."""
    assert crc(library, b"123456789") == 0xE3069283


def put(library: c.CDLL, number: int) -> bytes:
    """Return how the stub encodes an integer."""
    sink = Sink(library)
    if -(2**31) <= number < 2**31:
        library.pv_put_int(sink.address, number)
    else:
        library.pv_put_head(sink.address, 0, number)
    return sink.bytes()


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a table of RFC 8949."""
    found: list[dict[str, str]] = json.loads((DATA / name).read_text())["rows"]
    return found


@pytest.mark.parametrize(
    "row", rows("rfc8949_appendix_a.json"), ids=lambda row: str(row["diagnostic"])[:24]
)
def test_examples_of_the_rfc(library: c.CDLL, row: dict[str, str]) -> None:
    """Of the examples of RFC 8949 appendix A exactly those in the profile are items."""
    item = bytes.fromhex(row["hex"])
    assert library.pv_is_item(item, len(item)) is ("refused" not in row)


def test_integers_of_the_rfc(library: c.CDLL) -> None:
    """Integers are encoded as RFC 8949 appendix A prints them."""
    numbers = [
        row
        for row in rows("rfc8949_appendix_a.json")
        if row["diagnostic"].lstrip("-").isdigit() and "refused" not in row
    ]
    assert len(numbers) > 10
    for row in numbers:
        assert put(library, int(row["diagnostic"])).hex() == row["hex"]


@pytest.mark.parametrize("row", rows("rfc8949_appendix_f.json"), ids=lambda row: str(row["hex"]))
def test_not_well_formed(library: c.CDLL, row: dict[str, str]) -> None:
    """Nothing of RFC 8949 appendix F.1 is an item."""
    item = bytes.fromhex(row["hex"])
    assert library.pv_is_item(item, len(item)) is False


@pytest.mark.parametrize("number", [23, 24, 255, 256, 65535, 65536, 2**32 - 1, -(2**31), -24, -25])
def test_heads_are_shortest(library: c.CDLL, number: int) -> None:
    """At each length of a head the stub writes the shortest, and takes no longer one."""
    item = put(library, number)
    assert decode(item) == number
    assert library.pv_is_item(item, len(item))
    argument = number if number >= 0 else -1 - number
    for size, info in ((1, 24), (2, 25), (4, 26), (8, 27)):
        longer = bytes([(0x20 if number < 0 else 0) + info]) + argument.to_bytes(8, "big")[-size:]
        if argument < 256**size and longer != item:
            assert not library.pv_is_item(longer, len(longer)), longer.hex()


def test_depth(library: c.CDLL) -> None:
    """Six levels are an item, seven are none [3]."""
    for depth, expected in ((6, True), (7, False)):
        item = b"\x81" * (depth - 1) + b"\x80"
        assert library.pv_is_item(item, len(item)) is expected


@pytest.mark.parametrize(
    ("item", "expected"),
    [
        ("a2010a020b", True),
        ("a2020a010b", False),  # descending
        ("a2010a010b", False),  # twice the same
        ("a2010a18180b", True),
        ("a12000", False),  # a negative key
        ("a1616100", False),  # a text key
        ("8101", True),
        ("810101", False),  # something behind the item
    ],
)
def test_keys_of_maps(library: c.CDLL, item: str, expected: bool) -> None:
    """Keys of a map are unsigned, ascend, and none comes twice [3]; nothing follows the item."""
    octets = bytes.fromhex(item)
    assert library.pv_is_item(octets, len(octets)) is expected


@pytest.mark.parametrize(
    ("octets", "expected"),
    [
        # RFC 3629 section 4, the bounds of its grammar (from memory)
        ("00", True),
        ("7f", True),
        ("80", False),  # a tail without a head
        ("bf", False),
        ("c1bf", False),  # overlong, like the next two
        ("e09fbf", False),
        ("f08fbfbf", False),
        ("c280", True),
        ("dfbf", True),
        ("e0a080", True),
        ("ed9fbf", True),
        ("eda080", False),  # a surrogate
        ("edbfbf", False),
        ("ee8080", True),
        ("efbfbf", True),
        ("f0908080", True),
        ("f48fbfbf", True),
        ("f4908080", False),  # beyond U+10FFFF
        ("f5808080", False),
        ("c27f", False),  # no tail
        ("c2c0", False),
        ("e0a0", False),  # cut off
    ],
)
def test_text_is_utf8(library: c.CDLL, octets: str, expected: bool) -> None:
    """As RFC 3629 has it; the host's Python agrees."""
    text = bytes.fromhex(octets)
    item = bytes([0x60 + len(text)]) + text
    assert library.pv_is_item(item, len(item)) is expected
    if expected:
        assert text.decode()
    else:
        with pytest.raises(UnicodeDecodeError):
            text.decode()


LEAVES = st.none() | st.booleans() | st.integers(-(2**31), 2**32 - 1) | st.binary(max_size=30)
ITEMS: st.SearchStrategy[Item] = st.recursive(
    LEAVES | st.text(st.characters(codec="utf-8"), max_size=30),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.integers(0, 2**32 - 1), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(ITEMS, st.data())
def test_scanner_agrees_on_items_nearly_right(
    library: c.CDLL, item: Item, data: st.DataObject
) -> None:
    """Of an item, whole or with one byte changed, stub and host think the same."""
    try:
        octets = bytearray(encode(item))
    except ProfileError:  # nested too deep
        return
    if data.draw(st.booleans()):
        octets[data.draw(st.integers(0, len(octets) - 1))] = data.draw(st.integers(0, 255))
    try:
        decode(bytes(octets))
        expected = len(octets) <= LARGEST_ITEM
    except ProfileError:
        expected = False
    assert library.pv_is_item(bytes(octets), len(octets)) is expected


@given(st.binary(max_size=40))
def test_scanner_agrees_with_the_host(library: c.CDLL, item: bytes) -> None:
    """Of arbitrary bytes the stub and the host's decoder take the same for an item."""
    try:
        decode(item)
        expected = True
    except ProfileError:
        expected = False
    assert library.pv_is_item(item, len(item)) is expected


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=12), st.data())
def test_utf8_agrees_with_the_host(library: c.CDLL, text: str, data: st.DataObject) -> None:
    """Valid UTF-8 is text; with any byte changed it is what the host says of it."""
    octets = bytearray(text.encode())
    if octets:
        at = data.draw(st.integers(0, len(octets) - 1))
        octets[at] = data.draw(st.integers(0, 255))
    head = bytes([0x60 + len(octets)]) if len(octets) < 24 else bytes([0x78, len(octets)])
    try:
        octets.decode()
        expected = True
    except UnicodeDecodeError:
        expected = False
    assert library.pv_is_item(head + octets, len(head + octets)) is expected


@pytest.mark.parametrize(("id_", "unused"), [(1, 2), (300, 4)])
def test_a_request_whose_pad_bits_are_not_zero_is_ignored(
    library: c.CDLL, id_: int, unused: int
) -> None:
    """A BODY has one spelling only [2.2]. Its CHECK is right, and its item is a request."""
    stub = AskedStub(library, "trial-board")
    item = encode_message(Message(1, Type.HELLO, id_))
    assert len(item) * 8 % 6 == 6 - unused
    alphabet = (
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"  # RFC 4648 table 2
    )
    body = base64.urlsafe_b64encode(item).decode().rstrip("=")
    others = [body[:-1] + alphabet[alphabet.index(body[-1]) | bits] for bits in range(1 << unused)]
    answered = [spelling for spelling in others if stub.receive(framed(spelling.encode()))]
    assert answered == [body]


@pytest.mark.parametrize("body", ["hAEBAaAA", "hAEBAaA=", "hAEBAaAAA"])
def test_a_request_with_a_character_too_many_is_ignored(library: c.CDLL, body: str) -> None:
    """A zero byte behind the item, padding, and a character that carries no whole byte."""
    stub = AskedStub(library, "trial-board")
    assert stub.receive(framed(b"hAEBAaA"))  # hello with id 1
    assert stub.receive(framed(body.encode())) == b""


def test_a_request_with_a_foreign_character_is_ignored(library: c.CDLL) -> None:
    """Wherever it stands, even where its bits would be those of what belongs there."""
    stub = AskedStub(library, "trial-board")
    body = b"hAEBAaA"
    for foreign in b"+/=*@[`{ .\x00\x7f\xff":
        for at in range(len(body)):
            assert stub.receive(framed(body[:at] + bytes([foreign]) + body[at + 1 :])) == b""


def test_lines_of_every_length_are_sent_whole(library: c.CDLL) -> None:
    """However they fall into pieces for the port; none is a multiple of a piece."""
    stub = AskedStub(library, "board")
    lengths = set()
    for length in range(1, 97):
        reply = stub.receive(request(Type.GET_SCHEMA, {1: 0, 2: length}))
        assert len(messages(reply)[0].body[2]) == length  # type: ignore[arg-type]
        lengths.add(len(reply) % 4)
    assert lengths == {1, 2, 3}


@pytest.mark.parametrize(
    ("item", "what"),
    [
        ("9a00010000", "an array of 2^16 items, of which none is there"),
        ("b98000", "a map of 2^15 pairs, which are 2^16 items"),
        ("ba80000000", "a map of 2^31 pairs, which are 2^32 items"),
        ("3a80000000", "the integer -2^31 - 1"),
        ("3affffffff", "the integer -2^32"),
    ],
)
def test_what_would_overflow_a_count_or_a_number_is_no_item(
    library: c.CDLL, item: str, what: str
) -> None:
    """Clause 3 bounds integers and admits no item that is not all there."""
    octets = bytes.fromhex(item)
    assert not library.pv_is_item(octets, len(octets)), what


def test_no_item_is_longer_than_a_line_carries(library: c.CDLL) -> None:
    """491 bytes are the most [2.3]."""
    largest = 655 * 3 // 4
    for size in (largest - 3, largest - 2):
        item = b"\x59" + size.to_bytes(2, "big") + bytes(size)
        assert library.pv_is_item(item, len(item)) is (len(item) <= largest)


def test_a_reader_that_failed_reads_nothing_more(library: c.CDLL) -> None:
    """Not even no bytes at all."""
    memory = c.create_string_buffer(b"\x18\x01")
    reader = CReader(at=c.addressof(memory), ready=2)
    assert not library.pv_read_head(c.byref(reader))  # 1 has a shorter form
    assert reader.failed
    assert not library.pv_read(c.byref(reader), None, 0)
