# SPDX-License-Identifier: MIT
"""Guards that the other tests run and would not miss: each test here was called for by a mutant."""

from __future__ import annotations

import asyncio

import pytest

from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, decode_message, encode_message
from provision.contract.profile import Item
from provision.contract.table import MessageType
from provision.link import operations
from provision.link.connection import Connection
from provision.link.errors import BoardFault
from provision.link.exchange import Answer, Exchange, Lost, Request, Why
from provision.link.streams import MemoryStream

CANARY = "blossom-road"
STATUS: dict[int, Item] = {1: 0, 2: 0, 3: 0, 8: 1, 9: 1}


@pytest.mark.parametrize(("version", "taken"), [(1, True), (2, False), (255, False)])
def test_a_reply_of_another_version_is_malformed(version: int, taken: bool) -> None:
    """Only hello and refusal are the same in every version (clause 4.2)."""
    exchange = Exchange(baud=115200, first_id=7)
    exchange.submit(Request(MessageType.STATUS), 0.0)
    assert exchange.poll(0.0)
    reply = Message(version, MessageType.STATUS_REPLY, 7, STATUS)
    for _ in range(2):
        exchange.receive(encode_line(encode_message(reply)), 0.0)
    (answer,) = exchange.take_answers()
    if taken:
        assert answer.result == STATUS
    else:
        assert isinstance(answer.result, Lost)
        assert answer.result.why is Why.MALFORMED
        assert f"version {version}" in answer.result.fault


def test_a_host_begins_with_an_id_that_an_earlier_one_hardly_had(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It is drawn from all 65,536, so that a stale reply answers nothing (clause 4.1)."""
    drawn: list[int] = []

    def draw(below: int) -> int:
        drawn.append(below)
        return 48_813

    monkeypatch.setattr("provision.link.connection.randbelow", draw)
    sent: list[Message] = []

    async def greet() -> None:
        ours, theirs = MemoryStream.pair()
        async with Connection(ours) as connected:
            asking = asyncio.create_task(connected.hello(None))
            events = LineReceiver().feed(await theirs.read())
            sent.extend(decode_message(event.item) for event in events if isinstance(event, Frame))
            asking.cancel()
            with pytest.raises(asyncio.CancelledError):
                await asking

    asyncio.run(greet())
    assert drawn == [65_536]
    assert sent[0].id == 48_813


def test_what_is_on_its_way_and_what_came_back_show_no_secret() -> None:
    """Neither the representation of an answer, nor that of a request that waits for one."""
    exchange = Exchange(baud=115200, first_id=0)
    exchange.submit(Request(MessageType.SET_FIELD, {1: "net.pass", 2: CANARY}), 0.0)
    line = exchange.poll(0.0)
    waiting = repr(exchange._sent)
    assert "_Pending" in waiting
    assert line.strip().decode() not in waiting
    answer = Answer(0, Request(MessageType.GET_VALUES), {3: [["net.name", 1, CANARY]]})
    assert CANARY not in repr(answer)


@pytest.mark.parametrize("again", ["a.one", "a.two"])
def test_a_board_that_gives_values_twice_is_at_fault(again: str) -> None:
    """Page after page of what is known already would have no end; the first repeat ends it."""
    reading = operations.read_values()
    (request,) = next(reading)
    page: list[Item] = [["a.one", 0], ["a.two", 0]]
    (request,) = reading.send(Answer(0, request, {1: 0, 2: 3, 3: page}))
    with pytest.raises(BoardFault, match="contradicts itself"):
        reading.send(Answer(1, request, {1: 2, 2: 3, 3: [[again, 0]]}))
