# SPDX-License-Identifier: MIT
"""The CBOR profile: what it admits has one encoding, and nothing else gets through."""

from __future__ import annotations

import ast
import enum
import json
import tracemalloc
from pathlib import Path
from typing import Any, cast

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.contract import profile
from provision.contract.profile import Item, ProfileError, decode, encode


def rows(appendix: str) -> list[Any]:
    """Return the rows of an appendix of RFC 8949, each named after its bytes."""
    text = (Path(__file__).parent / "data" / f"rfc8949_appendix_{appendix}.json").read_text()
    return [pytest.param(row, id=row["hex"][:24]) for row in json.loads(text)["rows"]]


def item_of(diagnostic: str) -> Any:
    """Return the item that a diagnostic notation of an admitted row (RFC 8949 clause 8) states."""
    if diagnostic.startswith("h'"):
        return bytes.fromhex(diagnostic[2:-1])
    if diagnostic.startswith("{"):  # keys that are numbers, which JSON has not
        return ast.literal_eval(diagnostic)
    return json.loads(diagnostic)


# What our words for a fault must say, for each reason that the rows of appendix A state.
FAULTS = {
    "integer above 2^32-1": "argument of eight bytes",
    "integer below -2^31": "argument of eight bytes",
    "tag": "a tag",
    "floating-point number": "a floating-point number",
    "undefined": "simple value other than",
    "simple value": "simple value other than",
    "map key that is no unsigned integer": "not an unsigned integer",
    "indefinite length": "indefinite length",
}

ITEMS = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**31), 2**32 - 1)
    | st.binary(max_size=300)
    | st.text(max_size=80),
    lambda below: (
        st.lists(below, max_size=30)
        | st.dictionaries(st.integers(0, 2**32 - 1), below, max_size=30)
    ),
    max_leaves=40,
)


def nested(depth: int) -> Item:
    """Return empty arrays and maps within each other, in turns."""
    item: Item = []
    for level in range(1, depth):
        item = {0: item} if level % 2 else [item]
    return item


def depth_of(item: Item) -> int:
    """Return the depth of nesting by its definition: containers within each other."""
    if isinstance(item, list):
        return 1 + max(map(depth_of, item), default=0)
    if isinstance(item, dict):
        return 1 + max(map(depth_of, item.values()), default=0)
    return 0


# The RFC's examples


@pytest.mark.parametrize("row", rows("a"))
def test_rfc_8949_appendix_a(row: dict[str, str]) -> None:
    """A row is read as the RFC and cbor2 read it, and written back, or refused as it states."""
    data = bytes.fromhex(row["hex"])
    if "refused" in row:
        with pytest.raises(ProfileError, match=FAULTS[row["refused"]]):
            decode(data)
    else:
        item = decode(data)
        assert item == item_of(row["diagnostic"])
        assert item == cbor2.loads(data)
        assert encode(item) == data


@pytest.mark.parametrize("row", rows("f"))
def test_rfc_8949_appendix_f(row: dict[str, str]) -> None:
    """No item of the RFC's list of those that are not well-formed gets through."""
    with pytest.raises(ProfileError):
        decode(bytes.fromhex(row["hex"]))


# Integers and lengths


@pytest.mark.parametrize(
    ("integer", "data"),
    [
        (23, "17"),
        (24, "1818"),
        (255, "18ff"),
        (256, "190100"),
        (65535, "19ffff"),
        (65536, "1a00010000"),
        (2**32 - 1, "1affffffff"),
        (-24, "37"),
        (-25, "3818"),
        (-256, "38ff"),
        (-257, "390100"),
        (-(2**31), "3a7fffffff"),
    ],
)
def test_integers_at_every_edge(integer: int, data: str) -> None:
    """RFC 8949 clause 3: where a head grows, and the least and greatest integer of the profile."""
    assert decode(bytes.fromhex(data)) == integer
    assert encode(integer).hex() == data


@pytest.mark.parametrize("data", ["3a80000000", "3affffffff", "3b0000000080000000"])
def test_integers_below_the_least_are_refused(data: str) -> None:
    """An integer below -2^31 does not fit the 32 bits of a board."""
    with pytest.raises(ProfileError):
        decode(bytes.fromhex(data))


@pytest.mark.parametrize(
    "data",
    [
        *("1800", "1817", "190000", "1900ff", "1a00000000", "1a0000ffff", "1b0000000000000000"),
        *("3800", "3900ff", "3a0000ffff"),
        *("5800", "5801ff", "590001ff", "7800", "780161"),
        *("9800", "980100", "99000100", "b800", "b8010000"),
        *("a1180000", "a119000000"),
    ],
)
def test_only_the_shortest_head_is_accepted(data: str) -> None:
    """RFC 8949 clause 4.2.1: integers, lengths and map keys in a longer form than needed."""
    cbor2.loads(bytes.fromhex(data))  # well-formed, so that nothing but the longer form is at fault
    with pytest.raises(ProfileError, match=r"not the shortest|argument of eight bytes"):
        decode(bytes.fromhex(data))


@pytest.mark.parametrize(
    "data", ["5affffffff00", "7affffffff00", "9affffffff00", "baffffffff0000", "9b7fffffffffffffff"]
)
def test_a_length_beyond_the_input_costs_no_memory(data: str) -> None:
    """A length of 4 GiB or more in front of a byte or two is refused, and nothing is set aside."""
    tracemalloc.start()
    try:
        with pytest.raises(ProfileError):
            decode(bytes.fromhex(data))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 64 * 1024


# Maps


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        ("a200000000", "repeats or is out of order"),
        ("a2010000f4", "repeats or is out of order"),
        ("a3000002000100", "repeats or is out of order"),
        ("a2186400186300", "repeats or is out of order"),
        ("a12000", "not an unsigned integer"),
        ("a1400000", "not an unsigned integer"),
        ("a1f500", "simple value|not an unsigned integer"),
        ("a18000", "not an unsigned integer"),
    ],
)
def test_map_keys_are_ascending_unsigned_integers(data: str, fault: str) -> None:
    """RFC 8949 clauses 4.2.1 and 5.6: no duplicates, no other order, and no other type of key."""
    with pytest.raises(ProfileError, match=fault):
        decode(bytes.fromhex(data))


def test_the_order_of_keys_is_per_map() -> None:
    """A map within a map has an order of its own, and the outer one goes on where it was."""
    data = bytes.fromhex("a301a205000600020003a10000")
    assert decode(data) == {1: {5: 0, 6: 0}, 2: 0, 3: {0: 0}}
    with pytest.raises(ProfileError, match="out of order"):
        decode(bytes.fromhex("a203a20500060003 00"))


def test_keys_are_sent_in_ascending_order() -> None:
    """RFC 8949 clause 4.2.1: 10 before 100 before 1000, in whatever order they were set."""
    assert encode({1000: 1, 10: 2, 100: 3}).hex() == "a30a021864031903e801"


# Text, depth, and the end


@pytest.mark.parametrize("text", ["ff", "c080", "eda080", "f4908080", "c3"])
def test_text_is_valid_utf_8(text: str) -> None:
    """RFC 3629: stray bytes, overlong forms, surrogates, over U+10FFFF, and half a character."""
    octets = bytes.fromhex(text)
    with pytest.raises(ProfileError, match="UTF-8"):
        decode(bytes([0x60 + len(octets)]) + octets)


@pytest.mark.parametrize("limit", [1, profile.MESSAGE_DEPTH, profile.SCHEMA_DEPTH])
def test_depth_counts_containers_within_each_other(limit: int) -> None:
    """A container of the limit's depth passes both ways, one deeper does not, empty or not."""
    data = encode(nested(limit), limit)
    assert decode(data, limit) == nested(limit)
    deeper = cbor2.dumps(nested(limit + 1))
    with pytest.raises(ProfileError, match=f"nested deeper than {limit}"):
        decode(deeper, limit)
    with pytest.raises(ProfileError, match=f"nested deeper than {limit}"):
        encode(nested(limit + 1), limit)


def test_a_scalar_has_depth_0_and_an_empty_array_1() -> None:
    """The depth that protocol.md clause 3 gives to an array that contains no other is 1."""
    assert decode(b"\x00", 0) == 0
    assert encode("a", 0) == b"\x61a"
    with pytest.raises(ProfileError, match="nested deeper than 0"):
        decode(b"\x80", 0)
    assert decode(b"\x82\x80\xa0", 2) == [[], {}]


def test_messages_may_nest_6_deep_unless_told_otherwise() -> None:
    """protocol.md clause 3: the depth of 6 that messages may have applies where none is given."""
    assert decode(encode(nested(6))) == nested(6)
    with pytest.raises(ProfileError, match="nested deeper than 6"):
        encode(nested(7))
    with pytest.raises(ProfileError, match="nested deeper than 6"):
        decode(encode(nested(7), 7))


@pytest.mark.parametrize("head", [b"\x81", b"\xa1\x00"], ids=["arrays", "maps"])
def test_a_deep_item_is_refused_without_recursion(head: bytes) -> None:
    """100,000 containers within each other end at the limit, not at the end of a stack."""
    with pytest.raises(ProfileError, match="nested deeper than 6"):
        decode(head * 100_000 + b"\x00")


@given(ITEMS, st.binary(min_size=1, max_size=5))
def test_nothing_may_follow_an_item(item: Item, rest: bytes) -> None:
    """Bytes after the item, which cbor2 by itself ignores, are refused."""
    data = encode(item, 60)
    with pytest.raises(ProfileError, match=f"{len(rest)} bytes follow the item"):
        decode(data + rest, 60)


@given(ITEMS)
def test_no_beginning_of_an_item_is_an_item(item: Item) -> None:
    """An item that was cut anywhere is refused, for being cut."""
    data = encode(item, 60)
    for end in range(len(data)):
        with pytest.raises(ProfileError, match=r"ends within an item|longer than the input"):
            decode(data[:end], 60)


# Both ways


@given(ITEMS)
def test_every_item_of_the_profile_comes_back(item: Item) -> None:
    """What is encoded is decoded to the same, at exactly the depth that it has."""
    depth = depth_of(item)
    data = encode(item, depth)
    decoded = decode(data, depth)
    assert decoded == item
    assert repr(decoded) == repr(cbor2.loads(data))  # where 1 == True would hide a difference
    if depth:
        with pytest.raises(ProfileError, match="nested deeper"):
            decode(data, depth - 1)
        with pytest.raises(ProfileError, match="nested deeper"):
            encode(item, depth - 1)


@given(
    st.binary(max_size=40)
    | st.lists(
        st.sampled_from(
            [b"\x00", b"\x18", b"\x18\x18", b"\x20", b"\x41", b"\x61", b"\x80", b"\x81"]
        )
        | st.sampled_from(
            [b"\x82", b"\xa0", b"\xa1", b"\xa2", b"\xa2\x00", b"\x01", b"\xf4", b"\xf6"]
        )
        | st.sampled_from([b"\xf7", b"\xff", b"\x9f", b"\xc0", b"\x60", b"\x1a\x80\x00\x00\x00"]),
        max_size=12,
    ).map(b"".join)
)
def test_bytes_that_get_through_are_the_only_ones_for_their_item(data: bytes) -> None:
    """Any input is either refused, or is exactly what encode() makes of the item it decodes to."""
    try:
        item = decode(data)
    except ProfileError:
        return
    assert encode(item) == data
    assert repr(item) == repr(cbor2.loads(data))


# What has no encoding


class Fruit(enum.IntEnum):
    """Integers with names, as the message table has them."""

    APPLE = 1
    QUINCE = 300


def test_named_integers_are_integers() -> None:
    """The members of an IntEnum, which the message table is made of, go out as their numbers."""
    assert encode([Fruit.APPLE, {Fruit.QUINCE: Fruit.QUINCE}]).hex() == "8201a119012c19012c"


@pytest.mark.parametrize(
    ("item", "fault"),
    [
        (1.5, "no form for a float"),
        ((1, 2), "no form for a tuple"),
        (bytearray(b"a"), "no form for a bytearray"),
        ({1, 2}, "no form for a set"),
        (cbor2.CBORTag(35, "a*"), "no form for a CBORTag"),
        (cbor2.undefined, "no form for a"),
        ([{0: object()}], "no form for a object"),
        (2**32, "outside -2^31 to 2^32-1"),
        (-(2**31) - 1, "outside -2^31 to 2^32-1"),
        ({"a": 1}, "key is not an unsigned integer"),
        ({True: 1}, "key is not an unsigned integer"),
        ({None: 1}, "key is not an unsigned integer"),
        ({-1: 1}, "key is outside 0 to 2^32-1"),
        ({2**32: 1}, "key is outside 0 to 2^32-1"),
        (["\ud800"], "no UTF-8 form"),
    ],
)
def test_items_outside_the_profile_are_not_sent(item: object, fault: str) -> None:
    """An item for which the profile has no form is refused in words that say which it is."""
    with pytest.raises(ProfileError) as refusal:
        encode(cast(Item, item))
    assert fault in str(refusal.value)


def test_an_item_within_itself_or_very_deep_is_not_sent() -> None:
    """A list that contains itself, and 100,000 lists in each other, end at the depth limit."""
    loop: list[Item] = []
    loop.append(loop)
    with pytest.raises(ProfileError, match="nested deeper than 6"):
        encode(loop)
    with pytest.raises(ProfileError, match="nested deeper than 6"):
        encode(nested(100_000))


def test_no_refusal_carries_what_it_refused() -> None:
    """A refused passphrase is neither in the error's words nor in an exception hanging on to it."""
    secret = "orchard-in-bloom"
    with pytest.raises(ProfileError) as not_sent:
        encode([secret + "\ud800"])
    with pytest.raises(ProfileError) as not_read:
        decode(b"\x71" + secret.encode() + b"\xff")
    for refusal in (not_sent.value, not_read.value):
        assert secret not in str(refusal)
        assert refusal.__cause__ is None
        assert refusal.__context__ is None
