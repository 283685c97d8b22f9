# SPDX-License-Identifier: MIT
"""Messages: what is none is told from what is wrong, and a body is checked to the letter."""

from __future__ import annotations

from typing import Any

import pytest

from provision.contract import profile
from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import (
    MAX_ID,
    Message,
    MessageError,
    check_body,
    decode_message,
    encode_message,
    legal,
)
from provision.contract.table import (
    MESSAGES,
    PROTOCOL_VERSION,
    SKIPPABLE_FROM,
    CommitKey,
    MessageType,
    Refusal,
    RefusalKey,
    Store,
)
from tests.contract.samples import BAD, GOOD, TOKEN


def message(type_: int, body: dict[int, Any]) -> Message:
    """Return a message of the present version."""
    return Message(PROTOCOL_VERSION, type_, 7, body)


def test_the_example_of_the_page() -> None:
    """The hello request with id 7 is the line that clause 2.1 of the page shows."""
    item = encode_message(Message(1, MessageType.HELLO, 7))
    assert item == bytes.fromhex("84 01 01 07 A0")
    assert encode_line(item) == b"\n~hAEBB6AKJIDNK@E\n"


@pytest.mark.parametrize(("type_", "body"), GOOD, ids=str)
def test_a_good_message_comes_back_as_it_went(type_: MessageType, body: dict[int, Any]) -> None:
    """Every sample is encoded, fits a line, comes back equal, and has a good body."""
    sent = message(type_, body)
    [frame] = LineReceiver().feed(encode_line(encode_message(sent)))
    assert isinstance(frame, Frame)
    received = decode_message(frame.item)
    assert received == sent
    assert received.type is type_
    check_body(received)


def test_every_type_has_a_sample() -> None:
    """No type of message goes untried."""
    assert {type_ for type_, _ in GOOD} == set(MessageType)


@pytest.mark.parametrize(("type_", "body"), [row[1:] for row in BAD], ids=[row[0] for row in BAD])
def test_a_wrong_body_is_malformed(type_: MessageType, body: dict[int, Any]) -> None:
    """Each fault of a body is found, and the message is named (clause 4.3, step 3)."""
    with pytest.raises(MessageError) as caught:
        check_body(message(type_, body))
    assert caught.value.refusal is Refusal.MALFORMED
    assert str(caught.value).startswith(f"{MESSAGES[type_].name}: ")


@pytest.mark.parametrize(
    ("type_", "body", "words"),
    [
        (MessageType.GET_SCHEMA, {1: 0}, "get-schema: `length` is missing."),
        (MessageType.GET_SCHEMA, {1: 0, 2: 471}, "get-schema: `length` is not within 1 to 470."),
        (MessageType.GET_VALUES, {1: 0, 9: 0}, "get-values: key 9 is not known."),
        (MessageType.COMMIT, {1: 1, 2: 0, 3: b""}, "commit: `token` has 0 bytes, not 8."),
        (
            MessageType.SET_FIELD,
            {1: "a.b"},
            "set-field: takes exactly one of: `value`; `offset` with `total` with `part`.",
        ),
        (
            MessageType.GET_VALUES_REPLY,
            {1: 0, 2: 1, 3: [["a.b"]]},
            "get-values-reply: `entries` is wrong at item 0, which has 1 items, not 2 to 3.",
        ),
    ],
    ids=str,
)
def test_words_for_a_fault(type_: MessageType, body: dict[int, Any], words: str) -> None:
    """The text of a fault says which key of which message is wrong, and what was wanted."""
    with pytest.raises(MessageError) as caught:
        check_body(message(type_, body))
    assert str(caught.value) == words


@pytest.mark.parametrize(
    "item",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(bytes.fromhex("84010107a000"), id="a byte too many"),
        pytest.param(bytes.fromhex("840101180700"), id="not the shortest form"),
        pytest.param(profile.encode(7), id="a number"),
        pytest.param(profile.encode({1: 1}), id="a map"),
        pytest.param(profile.encode([1, 1, 7]), id="three items"),
        pytest.param(profile.encode([1, 1, 7, {}, 0]), id="five items"),
        pytest.param(profile.encode([0, 1, 7, {}]), id="version 0"),
        pytest.param(profile.encode([256, 1, 7, {}]), id="version 256"),
        pytest.param(profile.encode([True, 1, 7, {}]), id="a version that is a truth"),
        pytest.param(profile.encode([1, -1, 7, {}]), id="a type below zero"),
        pytest.param(profile.encode([1, 256, 7, {}]), id="type 256"),
        pytest.param(profile.encode([1, "hello", 7, {}]), id="a type by name"),
        pytest.param(profile.encode([1, 1, MAX_ID + 1, {}]), id="too large an id"),
        pytest.param(profile.encode([1, 1, 7, []]), id="a body that is an array"),
        pytest.param(profile.encode([1, 1, 7, None]), id="no body"),
    ],
)
def test_what_is_no_message_has_no_refusal(item: bytes) -> None:
    """An item of another form is ignored, not refused (clauses 3 and 4.1)."""
    with pytest.raises(MessageError, match=r"^No message: ") as caught:
        decode_message(item)
    assert caught.value.refusal is None


@pytest.mark.parametrize("body", [{}, {1: 0, 2: 9}, {70: [{}]}])
def test_the_envelope_is_good_whatever_the_body_holds(body: dict[int, Any]) -> None:
    """A board can refuse a later version, or a type that it does not know, by its envelope."""
    later = decode_message(profile.encode([255, 201, MAX_ID, body]))
    assert later == Message(255, 201, MAX_ID, body)
    with pytest.raises(MessageError) as caught:
        check_body(later)
    assert caught.value.refusal is Refusal.UNKNOWN_TYPE


@pytest.mark.parametrize(("type_", "body"), GOOD, ids=str)
def test_keys_that_are_not_known(type_: MessageType, body: dict[int, Any]) -> None:
    """From 64 up anybody skips them; below, a host does and a board does not (clause 4.2)."""
    check_body(message(type_, {**body, SKIPPABLE_FROM: [None, {0: b""}], 2**32 - 1: True}))
    grown = message(type_, {**body, SKIPPABLE_FROM - 1: 0})
    if MESSAGES[type_].is_request:
        with pytest.raises(MessageError, match="key 63 is not known"):
            check_body(grown)
    else:
        check_body(grown)


def test_a_code_of_a_later_version_is_kept() -> None:
    """A host takes a code that it does not know as it came (clause 4.2)."""
    refusal = message(MessageType.REFUSAL, {RefusalKey.CODE: 200})
    check_body(refusal)
    assert refusal.body[RefusalKey.CODE] == 200


@pytest.mark.parametrize("secret", ["canary-7f3a", b"canary-7f3a", 7_315_448_221], ids=str)
@pytest.mark.parametrize(
    ("type_", "key", "others"),
    [
        (MessageType.SET_FIELD, 1, {2: 0}),
        (MessageType.SET_FIELD, 2, {1: "a.b"}),
        (MessageType.SET_FIELD, 5, {1: "a.b", 3: 0, 4: 11}),
        (MessageType.REFUSAL, 4, {1: 6}),
        (MessageType.STATUS_REPLY, 7, {1: 2, 2: 0, 3: 2, 8: 4, 9: 77}),
        (MessageType.STATUS, 9, {}),
    ],
    ids=str,
)
def test_no_fault_repeats_a_value(
    type_: MessageType, key: int, others: dict[int, Any], secret: str | bytes | int
) -> None:
    """Neither the text of a fault nor a message's repr shows what the body holds."""
    wrong = message(type_, {**others, key: [secret]})
    with pytest.raises(MessageError) as caught:
        check_body(wrong)
    for shown in (str(caught.value), repr(caught.value), repr(wrong)):
        assert "canary" not in shown
        assert "7315448221" not in shown


def test_a_text_without_utf8_is_a_fault_like_others() -> None:
    """A lone surrogate, which has no UTF-8 form, neither escapes as another error nor is shown."""
    with pytest.raises(MessageError, match="`field` has 33 bytes"):
        check_body(message(MessageType.SET_FIELD, {1: "\ud800" * 11, 2: 0}))


def test_body_keys_are_numbers() -> None:
    """A body written with named keys is encoded, and compares, like one with numbers."""
    named = message(
        MessageType.COMMIT, {CommitKey.COUNT: 5, CommitKey.DIGEST: 1, CommitKey.TOKEN: TOKEN}
    )
    plain = message(9, {1: 5, 2: 1, 3: TOKEN})
    assert named == plain
    assert encode_message(named) == encode_message(plain)


@pytest.mark.parametrize("staged", [False, True])
@pytest.mark.parametrize("store", Store)
def test_what_is_legal_in_every_state(store: Store, staged: bool) -> None:
    """Clause 5.1 names six requests that are legal whatever the state; replies never are."""
    for name in ("hello", "get-schema", "get-values", "set-field", "status", "discard"):
        [row] = (row for row in MESSAGES.values() if row.name == name)
        assert legal(row.type, store, staged)
    for row in MESSAGES.values():
        if not row.is_request:
            assert not legal(row.type, store, staged)
