# SPDX-License-Identifier: MIT
"""Values of shared/vectors: the host's check and both boards give the code expected.

The codes were written by hand from the standards that each vector names, none by running our code.
"""

from __future__ import annotations

import hashlib

import cbor2
import pytest

from provision.contract.profile import decode
from provision.schema.capacity import BYTE_KINDS, TEXT_KINDS
from provision.schema.values import check_value
from scripts.derive.vectors import encoding
from scripts.derive.vectors.values import WPA_EXAMPLES
from tests.vectors.boards import Maker, declaration
from tests.vectors.files import Row, each
from tests.vectors.talk import Answer, ask

DECLARED = declaration("board")


@each("values")
def test_the_host_judges_as_the_page_says(vector: Row) -> None:
    """What the host would let through, and what it refuses, with the code that a board gives."""
    setting = DECLARED.schema.setting(vector["field"])
    value = decode(bytes.fromhex(vector["bytes"]))
    if setting is None:
        assert vector["expected"] == "unknown-field"
        return
    if value is None:
        assert vector["expected"] == "accepted"  # cleared: there is no value to judge
        return
    assert isinstance(value, int | str | bytes)
    refused = check_value(setting.field, value, DECLARED.schema)
    got = "accepted" if refused is None else refused.name.lower().replace("_", "-")
    assert got == vector["expected"]


def outcome(answer: Answer, vector: Row) -> str:
    """Return what a board made of a value, its reply being of the right form."""
    if answer.refused is None:
        assert answer.body == {1: 1}
        return "accepted"
    assert answer.body[2] == vector["field"]
    return answer.refused


@each("values")
def test_a_board_judges_as_the_page_says(boards: Maker, vector: Row) -> None:
    """The value whole, in one set-field; where a line does not hold it, in parts."""
    board = boards.board()
    value = cbor2.loads(bytes.fromhex(vector["bytes"]))
    answer = ask(board, "set-field", {1: vector["field"], 2: value})
    assert outcome(answer, vector) == vector["expected"]
    staged = ask(board, "status", {}).body[2]
    assert staged == (vector["expected"] == "accepted")
    board.close()


IN_PARTS = TEXT_KINDS | BYTE_KINDS


def comes_in_parts(vector: Row) -> bool:
    """Tell whether it is text or bytes, not empty, for a field that takes them or for none."""
    setting = DECLARED.schema.setting(vector["field"])
    takes_them = setting is None or setting.field.kind in IN_PARTS
    return bool(octets(vector)) and takes_them and vector["expected"] != "wrong-kind"


def octets(vector: Row) -> bytes:
    """Return text as UTF-8, bytes as they are, and nothing for any other value."""
    value = cbor2.loads(bytes.fromhex(vector["bytes"]))
    data = value.encode() if isinstance(value, str) else value
    return data if isinstance(data, bytes) else b""


@pytest.mark.parametrize("size", [1, 100])
@each("values", comes_in_parts)
def test_a_board_judges_parts_as_it_does_the_whole(boards: Maker, vector: Row, size: int) -> None:
    """The same value in parts of one or of a hundred bytes has the same outcome (clause 6.4)."""
    data = octets(vector)
    board = boards.board()
    got = "nothing"
    for at in range(0, len(data), size):
        part = data[at : at + size]
        answer = ask(board, "set-field", {1: vector["field"], 3: at, 4: len(data), 5: part})
        if answer.refused is not None:
            got = answer.refused
            assert answer.body[2] == vector["field"]
            break
        is_last = at + len(part) == len(data)
        assert answer.body == {1: int(is_last), 2: at + len(part)}
        got = "accepted" if is_last else "nothing"
    assert got == vector["expected"]
    assert ask(board, "status", {}).body[2] == (got == "accepted")
    board.close()


def is_read_back(vector: Row) -> bool:
    """Tell whether a field that needs no other beside it takes this value."""
    alone = not vector["field"].startswith(("net.", "probe."))
    return alone and vector["expected"] == "accepted" and vector["value"] != "null"


@each("values", is_read_back)
def test_a_board_gives_back_what_it_took(boards: Maker, vector: Row) -> None:
    """Stored and read after a restart, the value is the one set, to the byte; a secret is not."""
    value = cbor2.loads(bytes.fromhex(vector["bytes"]))
    setting = DECLARED.schema.setting(vector["field"])
    assert setting is not None
    board = boards.board()
    pairs = {"net.name": b"orchard", "net.pass": None, vector["field"]: value}
    for key, each_value in pairs.items():
        assert ask(board, "set-field", {1: key, 2: each_value}).refused is None
    digest = encoding.crc32c(b"".join(encoding.item([*pair]) for pair in pairs.items()))
    assert ask(board, "commit", {1: 3, 2: digest, 3: bytes(8)}).body == {1: 1}
    board.restart(1001)
    (entry, *_rest) = ask(board, "get-values", {1: setting.number}).body[3]
    if setting.field.is_secret:
        assert entry == [vector["field"], 1]
    elif setting.field.kind.name == "BLOB":
        assert entry == [vector["field"], 1, len(value)]
    else:
        assert entry == [vector["field"], 1, value]
    board.close()


@pytest.mark.parametrize(("passphrase", "network", "key"), WPA_EXAMPLES)
def test_the_keys_of_the_standard_follow_from_its_passphrases(
    passphrase: str, network: str, key: str
) -> None:
    """The examples are quoted rightly: hashlib, which is not ours, makes the keys of them."""
    made = hashlib.pbkdf2_hmac("sha1", passphrase.encode(), network.encode(), 4096, 32)
    assert made.hex() == key
