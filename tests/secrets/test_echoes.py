# SPDX-License-Identifier: MIT
"""A console that echoes what it is sent, whole, cut or damaged: no piece of a secret in the log.

Cut at every position, in every way that a bad line and a busy console have.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from provision.contract.line import clean_log
from provision.contract.profile import Item
from provision.contract.table import MessageType, SetFieldKey
from provision.link.exchange import Exchange, Request
from tests.link.virtual import body_of, line_of
from tests.secrets.vault import CANARIES, IDENTITY, PASSPHRASE, SEED, SERVICE_KEY

VALUES: dict[str, Item] = {
    "network.passphrase": PASSPHRASE,
    "service.key": SERVICE_KEY,
    "service.seed": SEED,
}

Damage = Callable[[bytes, int], bytes]
"""Gets a line that was sent and a position in it, and returns what the console sends back."""

LOG = b"frost watch: 1.5 C\r\n"

DAMAGES: dict[str, Damage] = {
    "the rest is lost": lambda line, at: line[:at],
    "the beginning is lost": lambda line, at: line[at:],
    "the tilde is lost": lambda line, at: line[2:at] + b" " + line[at:],
    "a character is lost": lambda line, at: line[:at] + line[at + 1 :],
    "a character is another": lambda line, at: line[:at] + b"\xff" + line[at + 1 :],
    "a line ends in it": lambda line, at: line[:at] + b"\r\n" + line[at:],
    "log text cuts into it": lambda line, at: line[:at] + LOG + line[at:],
    "a line ends every ten characters": lambda line, at: b"\n".join(
        line[n : n + 10] for n in range(at % 10, len(line), 10)
    ),
    "a space every fifteen characters": lambda line, at: b" ".join(
        line[n : n + 15] for n in range(at % 15, len(line), 15)
    ),
    "colours every eight characters": lambda line, at: b"\x1b[1m".join(
        line[n : n + 8] for n in range(at % 8, len(line), 8)
    ),
    "backwards": lambda line, at: line[:at] + line[at:][::-1],
}


def sent(exchange: Exchange, body: dict[int, Item], now: float) -> bytes:
    """Submit a set-field and return its line."""
    exchange.submit(Request(MessageType.SET_FIELD, body), now)
    line = exchange.poll(now)
    assert line
    return line


def bodies() -> list[dict[int, Item]]:
    """Return the set-fields that carry the secrets, whole and in parts."""
    whole: list[dict[int, Item]] = [
        {SetFieldKey.FIELD: key, SetFieldKey.VALUE: value} for key, value in VALUES.items()
    ]
    part: dict[int, Item] = {
        SetFieldKey.FIELD: "service.identity",
        SetFieldKey.OFFSET: 26,
        SetFieldKey.TOTAL: len(IDENTITY),
        SetFieldKey.PART: IDENTITY[26:60],
    }
    return [*whole, part]


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES)
def test_a_damaged_echo_leaves_nothing_in_the_log(damage: Damage) -> None:
    """Whatever is cut where, until the reply comes; then the log goes on."""
    exchange = Exchange(baud=115200, first_id=300)
    now = 0.0
    for body in bodies():
        length = len(sent_line(body))
        for at in range(length):
            now += 1
            line = sent(exchange, body, now)
            exchange.receive(damage(line, at) + b"\n", now)
            kept = "\n".join(exchange.take_log())
            assert CANARIES.find(kept) == [], (at, kept)
            reply = line_of(MessageType.SET_FIELD_REPLY, body_of(line).id, {1: 1})
            exchange.receive(reply + LOG, now)
            assert exchange.take_log() == ["frost watch: 1.5 C"]
            exchange.take_answers()


def sent_line(body: dict[int, Item]) -> bytes:
    """Return the line of a set-field."""
    return sent(Exchange(baud=115200, first_id=300), body, 0.0)


def test_an_echo_that_comes_after_its_request_was_given_up_leaves_nothing() -> None:
    """The log is withheld until the board has answered something behind it."""
    exchange = Exchange(baud=115200, first_id=300)
    line = sent(exchange, bodies()[0], 0.0)
    exchange.abandon({300})
    exchange.poll(60.0)
    exchange.submit(Request(MessageType.STATUS), 60.0)
    status = exchange.poll(60.0)
    exchange.receive(line[20:34] + b"\n", 61.0)
    assert exchange.take_log() == ["[log withheld while settings are sent]"]
    refusal = line_of(MessageType.REFUSAL, body_of(status).id, {1: 6})
    exchange.receive(refusal + LOG, 62.0)
    assert exchange.take_log() == ["frost watch: 1.5 C"]


def test_a_flood_of_log_text_is_withheld_in_one_line() -> None:
    """Withheld lines cost nothing each."""
    exchange = Exchange(baud=115200, first_id=300)
    sent(exchange, bodies()[0], 0.0)
    exchange.receive(LOG * 10_000, 0.1)
    assert len(exchange.take_log()) == 1


def test_the_log_before_anything_is_sent_is_kept() -> None:
    """What a board prints while it starts is for the person."""
    exchange = Exchange(baud=115200, first_id=300)
    exchange.receive(LOG, 0.0)
    exchange.submit(Request(MessageType.HELLO), 0.1)
    exchange.poll(0.1)
    exchange.receive(LOG, 0.2)
    assert exchange.take_log() == ["frost watch: 1.5 C"] * 2


def test_cleaning_alone_lets_short_pieces_through() -> None:
    """Why the log is withheld: of an echo cut into short runs, cleaning cannot know the pieces."""
    line = sent_line(bodies()[0])
    pieces = [line[at : at + 15] for at in range(2, len(line), 15)]
    assert any(CANARIES.find(clean_log(piece)) for piece in pieces)
    # Longer ones it does know, wherever they begin.
    draw = random.Random(1)
    for _ in range(500):
        start = draw.randrange(len(line) - 40)
        assert CANARIES.find(clean_log(line[start : start + 24 + draw.randrange(16)])) == []
