# SPDX-License-Identifier: MIT
"""A staged secret cannot be read back: a host died, and another program asks the board what it has.

Both boards, which must agree in every reply. What they say to whatever they are asked is the same
for any two secrets of one length: so it tells nothing of either. Left out is a commit whose digest
is a right guess, one in 2³² and the only one there is, since `set-differs` drops what is staged
(clauses 6.4 and 6.5; shared/security.md).
"""

from __future__ import annotations

import ctypes as c
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from provision.contract.table import MessageType as Type
from tests.stub.lockstep import TOKEN, Lockstep, in_lockstep

KEYS = ("words.secret", "net.pass", "octets.key")
SIZE = 16  # octets.key has no other
ADMITTED = bytes(range(0x20, 0x7F))  # by each of the three


def ask_part(both: Lockstep, key: str, offset: int, total: int, part: bytes) -> tuple[int, Any]:
    """Send a part; return type and body of the reply."""
    reply = both.ask(Type.SET_FIELD, {1: key, 3: offset, 4: total, 5: part})
    return reply.type, reply.body


def stage_in_parts(both: Lockstep, key: str, secret: bytes, ends: list[int]) -> None:
    """Be the host that dies: send the parts that end there."""
    at = 0
    for end in ends:
        taken = ask_part(both, key, at, len(secret), secret[at:end])
        assert taken[0] == Type.SET_FIELD_REPLY
        at = end


def read_back(both: Lockstep, key: str, longest: int) -> tuple[dict[int, int], int]:
    """Try every byte at every place; return those that the board confirmed, and the requests."""
    requests = 0
    size, held = longest, longest
    for total in range(2, longest + 1):
        requests += 1
        type_, body = ask_part(both, key, 1, total, b"\0")
        if type_ == Type.REFUSAL and body.get(3):  # `gap` tells how much it holds
            size, held = total, body[3]
            break
    confirmed = {}
    for at in range(1, held):
        for guess in ADMITTED:
            requests += 1
            type_, _ = ask_part(both, key, at, size, bytes([guess]))
            if type_ == Type.SET_FIELD_REPLY:
                confirmed[at] = guess
                break
    return confirmed, requests


@pytest.mark.parametrize("ends", [[8, 16, 24], [8, 16]], ids=["staged", "incomplete"])
def test_guessing_byte_by_byte_confirms_nothing(library: c.CDLL, ends: list[int]) -> None:
    """Of 24 bytes 23 were found in 1,128 requests, as long as a board compared what it was sent."""
    both = in_lockstep(library, "board")
    stage_in_parts(both, "words.secret", b"Nightjar-4711-Quillfeather"[:24], ends)
    confirmed, _ = read_back(both, "words.secret", 24)
    assert confirmed == {}


SECRETS = st.binary(min_size=SIZE, max_size=SIZE).map(
    lambda octets: bytes(ADMITTED[octet % len(ADMITTED)] for octet in octets)
)
ENDS = st.sets(st.integers(1, SIZE), min_size=1, max_size=4).map(sorted)
OTHERS = ("words.text", "octets.cert", "net.name")
PARTS = st.tuples(
    st.just("part"),
    st.sampled_from(KEYS),
    st.integers(0, SIZE - 1),
    st.integers(1, SIZE),
    st.sampled_from([SIZE, SIZE, SIZE, SIZE - 1, SIZE + 1]),
    st.sampled_from(["one", "other", "x", "\x07", "\xff"]),
)
QUESTIONS = st.one_of(
    PARTS,
    PARTS,
    st.tuples(st.just("part of another"), st.sampled_from(OTHERS), st.integers(0, 4)),
    st.tuples(st.just("set"), st.sampled_from([*KEYS, *OTHERS]), st.sampled_from([None, 5, "ab"])),
    st.tuples(st.just("repeat")),
    st.tuples(st.just("commit"), st.integers(1, 3)),
    st.tuples(st.just("wait"), st.sampled_from([1000, 600_000])),
    st.tuples(st.sampled_from([Type.HELLO, Type.STATUS, Type.GET_VALUES])),
    st.tuples(st.sampled_from([Type.DISCARD, Type.UNDO])),
)
FIRST_KEYS: dict[Type, dict[int, Any]] = {
    Type.HELLO: {},
    Type.STATUS: {},
    Type.GET_VALUES: {1: 0},
    Type.DISCARD: {1: 1},
    Type.UNDO: {1: 0},
}


def question(both: Lockstep, step: tuple[Any, ...], one: bytes, other: bytes) -> Any:
    """Do what a stranger does; return what he hears."""
    name, *rest = step
    match name:
        case "part":
            key, offset, size, total, of = rest
            whole = {"one": one, "other": other}.get(of, of.encode("latin-1") * SIZE)
            return ask_part(both, key, offset, total, whole[offset : offset + size])
        case "part of another":
            return ask_part(both, rest[0], rest[1], 6, b"ab")
        case "set":
            return both.ask(Type.SET_FIELD, {1: rest[0], 2: rest[1]})
        case "repeat":
            return both.send(both.last)
        case "commit":
            return both.ask(Type.COMMIT, {1: rest[0], 2: 0, 3: TOKEN})
        case "wait":
            return both.wait(*rest)
        case _:
            return both.ask(name, FIRST_KEYS[name])


@pytest.fixture(scope="module")
def one_pair(library: c.CDLL) -> Lockstep:
    """Return both boards, for many lives: nothing of what is asked becomes durable."""
    return in_lockstep(library, "board")


def start_anew(both: Lockstep) -> None:
    """Start both as if for the first time."""
    assert both.stub.start() == 0
    both.board.restart(1, both.stub.now_ms)


@settings(max_examples=300)
@given(st.sampled_from(KEYS), st.tuples(SECRETS, SECRETS), ENDS, st.lists(QUESTIONS, max_size=25))
def test_what_a_board_says_does_not_depend_on_a_secret(
    one_pair: Lockstep,
    key: str,
    both_secrets: tuple[bytes, bytes],
    ends: list[int],
    steps: list[Any],
) -> None:
    """Whatever is asked, and in whatever order, even by somebody who knows both secrets."""
    heard = []
    for secret in both_secrets:
        start_anew(one_pair)
        stage_in_parts(one_pair, key, secret, ends)
        one_pair.last = b"\n"  # what the host sent is not the stranger's
        heard.append([question(one_pair, step, *both_secrets) for step in steps])
    assert heard[0] == heard[1]
