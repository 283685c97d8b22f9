# SPDX-License-Identifier: MIT
"""Choosing instead of typing: networks in range; and what looks wrong is asked about."""

from __future__ import annotations

import asyncio

import pytest

from provision.board.firmware import NetworkInRange, Surroundings
from provision.contract.table import Kind, Security
from provision.link.replies import Network
from provision.schema.model import Field, Value
from provision.wizard.input_warnings import doubts
from provision.wizard.networks import in_range
from provision.wizard.result import ExitCode
from tests.wizard.bench import (
    CTRL_C,
    PASSPHRASE,
    PAUSE,
    RETURN,
    SERVICE_KEY,
    bench,
    first_time,
    typed,
)

SHED = Surroundings(
    (
        NetworkInRange(b"Orchard Gate", PASSPHRASE, -55),
        NetworkInRange(b"Cider press", "", -71),
        NetworkInRange(b"Tw\xf6 hills", "seven-sleepers", -80),
    ),
    SERVICE_KEY,
)
REST = (typed(""), *first_time()[1:])
"""All answers after the network's, up to the review."""


def test_networks_in_range_are_shown_the_strongest_first_and_chosen_by_number() -> None:
    """With strength and security (6.8); a name that is no UTF-8 can be chosen as well."""

    async def play(number: str, name: bytes) -> None:
        async with bench(surroundings=SHED) as here:
            keys = [typed(number), PAUSE, typed(PASSPHRASE), *REST, PAUSE, RETURN]
            await here.set_up(*keys)
            assert here.board.stored["network.name"] == name
        lines = [line.strip() for line in here.screen.splitlines()]
        assert "1  Orchard Gate (strong, with a passphrase)" in lines
        assert "2  Cider press (fair, open)" in lines
        assert any(line.endswith("hills (weak, with a passphrase)") for line in lines)

    asyncio.run(play("1", b"Orchard Gate"))
    asyncio.run(play("3", b"Tw\xf6 hills"))


async def test_an_open_network_is_not_asked_for_a_passphrase() -> None:
    """That it has none is known; going back still leads to its name."""
    async with bench(surroundings=SHED) as here:
        keys = [typed("2"), PAUSE, typed("<"), PAUSE, typed("2"), PAUSE, *REST, PAUSE, RETURN]
        ending = await here.set_up(*keys)
        assert ending.code == ExitCode.DONE, here.screen
        assert here.board.stored["network.name"] == b"Cider press"
        assert "network.passphrase" not in here.board.stored
        assert "The network Cider press is open: it has no passphrase." in here.screen


async def test_a_network_with_a_passphrase_is_not_taken_for_an_open_one() -> None:
    """Return alone is no answer, where it is for a network that nothing is known of."""
    async with bench(surroundings=SHED) as here:
        await here.set_up(typed("1"), PAUSE, typed(""), PAUSE, typed(PASSPHRASE), *REST, RETURN)
        assert here.board.stored["network.passphrase"] == PASSPHRASE
        assert "needs an answer" in here.screen


async def test_a_network_that_hides_itself_is_typed() -> None:
    """A name that is not in the list is as good."""
    async with bench(surroundings=SHED) as here:
        await here.set_up(typed("Behind the barn"), PAUSE, typed(PASSPHRASE), *REST, RETURN)
        assert here.board.stored["network.name"] == b"Behind the barn"


async def test_what_looks_wrong_is_asked_about_before_it_is_sent() -> None:
    """No brings the question back; the passphrase is not shown in what is asked."""
    async with bench(surroundings=SHED) as here:
        wrong = PASSPHRASE + " "
        keys = [typed("1"), PAUSE, typed(wrong), PAUSE, typed("n"), PAUSE, typed(PASSPHRASE)]
        await here.set_up(*keys, *REST, RETURN)
        assert here.board.stored["network.passphrase"] == PASSPHRASE
        assert "Passphrase ends with a space" in " ".join(here.screen.split())
        assert PASSPHRASE not in here.screen


async def test_a_survey_that_fails_is_in_nobodys_way() -> None:
    """Names are typed then."""
    async with bench(surroundings=Surroundings((), None)) as here:
        await here.set_up(typed("Orchard Gate"), PAUSE, CTRL_C)
        assert "In range" not in here.screen
        assert "2 of" in here.screen


@pytest.mark.parametrize(
    ("kind", "value", "says"),
    [
        (Kind.PASSPHRASE, " blossom-time", "begins with a space"),
        (Kind.SECRET, "key\u00a0of-the-mast", "another kind of space"),
        (Kind.SECRET, "\u201ckey-of-the-mast\u201d", "typographic quotes"),
        (Kind.NETWORK_NAME, "Gate\u2019s end".encode(), "typographic quotes"),
        (Kind.NETWORK_NAME, b"Gate ", "ends with a space"),
    ],
)
def test_doubts(kind: Kind, value: Value, says: str) -> None:
    """Each has its own words, which do not repeat what was typed (common practice)."""
    (doubt,) = doubts(Field("name", kind, "Name"), value)
    assert says in doubt


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (Kind.TEXT, "Gate\u2019s end"),
        (Kind.PASSPHRASE, "blossom time"),
        (Kind.NETWORK_NAME, b"\xff\xfe"),
        (Kind.INTEGER, 5),
    ],
)
def test_what_is_in_order_is_not_asked_about(kind: Kind, value: Value) -> None:
    """A question too many is one that nobody reads."""
    assert list(doubts(Field("name", kind, "Name"), value)) == []


def test_a_name_that_several_stations_send_is_one_network() -> None:
    """The strongest counts; an unknown security is said to be one."""
    found = [
        Network(b"Gate", -80, Security.PERSONAL),
        Network(b"Gate", -50, Security.PERSONAL),
        Network(b"Hill", -76, 9),
    ]
    gate, hill = in_range(found)
    assert (gate.shown, gate.strength, gate.is_open) == ("Gate", "strong", False)
    assert (hill.strength, hill.security) == ("weak", "secured in an unknown way")
