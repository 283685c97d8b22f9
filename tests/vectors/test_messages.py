# SPDX-License-Identifier: MIT
"""Messages of shared/vectors: the check in Python, both boards, and the grammar.

The items come from cbor2, or were written byte by byte from RFC 8949; the judge of the grammar is
cddl-verifier, an implementation of RFC 8610 that is not ours.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from cddl_verifier import Validator

from provision.contract.messages import MessageError, check_body, decode_message, encode_message
from provision.contract.table import MESSAGES, PROTOCOL_VERSION, MessageType, Refusal
from scripts.derive.vectors import encoding
from tests.vectors.boards import Maker, configuration, offered
from tests.vectors.files import Row, each, rows
from tests.vectors.talk import answers

GRAMMAR = Validator(
    (Path(__file__).parents[2] / "shared" / "protocol.cddl").read_text(encoding="utf-8")
)

OFFERED = offered(configuration("vector"))

# A part that ends beyond its total breaks a rule of two keys (clause 6.4), not one of the table's.
BY_TWO_KEYS = "set-field-part-beyond"


def judged(item: bytes) -> str:
    """Return what our decoder and check make of an item."""
    try:
        message = decode_message(item)
        if message.version != PROTOCOL_VERSION:
            return "unsupported-version"
        if message.type not in MessageType.__members__.values() and message.type % 2 == 0:
            return "ignored"
        check_body(message)
    except MessageError as error:
        return "ignored" if error.refusal is None else error.refusal.name.lower().replace("_", "-")
    return "message"


@each("messages")
def test_our_check_makes_of_an_item_what_the_page_says(vector: Row) -> None:
    """It is a message, refused for the reason given, or ignored."""
    expected = "message" if vector["id"] == BY_TWO_KEYS else vector["expected"]
    assert judged(bytes.fromhex(vector["bytes"])) == expected


@each("messages", lambda vector: vector["expected"] == "message")
def test_our_encoder_writes_the_same_item(vector: Row) -> None:
    """An item has one encoding, and ours is that of cbor2."""
    item = bytes.fromhex(vector["bytes"])
    assert encode_message(decode_message(item)) == item


def for_a_grammar(vector: Row) -> bool:
    """Tell whether a grammar can judge: not encoding and depth, another version, or two keys."""
    others = vector["expected"] == "unsupported-version" or vector["id"] == BY_TWO_KEYS
    return not others and "profile" not in vector["flags"]


@each("messages", for_a_grammar)
def test_the_grammar_admits_what_is_a_message(vector: Row) -> None:
    """The grammar admits exactly the messages, as far as a grammar can tell."""
    valid = bool(GRAMMAR.validate(bytes.fromhex(vector["bytes"])).valid)
    assert valid is (vector["expected"] == "message")


def test_every_type_has_a_message_and_a_fault() -> None:
    """Every type of the table has a good message, and every request a malformed one."""
    found: dict[str, set[str]] = {"message": set(), "malformed": set()}
    for vector in rows("messages"):
        if "type" in vector:
            found[vector["expected"]].add(vector["type"])
    assert found["message"] == {row.name for row in encoding.table().messages}
    assert {row.name for row in encoding.table().requests} <= found["malformed"]


def fits_a_line(vector: Row) -> bool:
    """Tell whether a host could send this item to a board."""
    size = len(encoding.body(bytes.fromhex(vector["bytes"])))
    return vector["from"] == "host" and size <= encoding.LONGEST_BODY


# What a board may refuse only after the form of the body was found good (clause 4.3).
LATER = {
    refusal.name.lower().replace("_", "-") for refusal in Refusal if refusal > Refusal.MALFORMED
}


@each("messages", fits_a_line)
def test_a_board_refuses_what_the_page_says(boards: Maker, vector: Row) -> None:
    """A fresh board answers, refuses or ignores an item, and goes on."""
    board = boards.board()
    got = answers(board.receive(encoding.line(bytes.fromhex(vector["bytes"]))))
    if vector["expected"] == "ignored":
        assert got == []
    elif vector["expected"] == "message":
        assert [answer.refused is None or answer.refused in LATER for answer in got] == [True]
    else:
        needing = {row.name: row.needs for row in MESSAGES.values() if row.needs is not None}
        missing = {name for name, needs in needing.items() if needs not in OFFERED}
        expected = "not-offered" if vector.get("type") in missing else vector["expected"]
        assert [answer.refused for answer in got] == [expected]
    (after,) = answers(board.receive(encoding.line(encoding.message("status", 500, {}))))
    assert after.id == 500
    board.close()


@pytest.mark.parametrize("version", [1, 2])
@each("messages", lambda vector: vector["from"] == "board")
def test_a_board_ignores_replies(boards: Maker, vector: Row, version: int) -> None:
    """A reply, of whatever form and version, may be the echo of the board's own (clause 2.2)."""
    board = boards.board()
    row = encoding.table().message(vector["type"])
    body = decode_message(bytes.fromhex(vector["bytes"])).body
    assert board.receive(encoding.line(encoding.message(row.number, 7, body, version))) == b""
    board.close()
