# SPDX-License-Identifier: MIT
"""The dialog, keystrokes in, against a board in the same process: session and lines are real."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from provision.board.firmware import Application, _Failure, _Work
from provision.board.state import Limits
from provision.client import board_client
from provision.contract.table import MessageType, Reason, Run, Step
from provision.link.connection import Connection
from provision.link.errors import LineLost
from provision.schema.model import Value
from provision.wizard.dialog import SetupOptions
from provision.wizard.result import ExitCode, Result
from tests.waiting import wait_until
from tests.wizard.bench import (
    CTRL_C,
    CTRL_D,
    F1,
    F2,
    F3,
    NETWORKS,
    PASSPHRASE,
    PAUSE,
    RETURN,
    SERVICE_KEY,
    UP,
    Line,
    bench,
    first_time,
    typed,
)

SEND = RETURN
EXPECTED = {
    "network.name": b"Orchard Gate",
    "network.passphrase": PASSPHRASE,
    "network.fixed": False,
    "service.host": "weather.example.net",
    "service.port": 443,
    "service.key": SERVICE_KEY,
    "mast.interval": 60,
    "mast.alarm-below": 15,
    "mast.readings": 3,
    "probe.1.place": "at blossom height",
    "probe.1.sort": "analog",
    "probe.1.pin": 26,
    "probe.1.correction": 0,
    "siren.fitted": True,
    "siren.relay": 15,
    "siren.pattern": "pulsed",
    "siren.pulse": 800,
    "siren.longest": 300,
    "orchard.name": "Orchard mast",
    "orchard.zone": "CET-1CEST,M3.5.0,M10.5.0/3",
}
"""What a board holds after first_time(): what was typed, and the defaults of the schema file."""


async def test_a_fresh_board_is_set_up_and_works() -> None:
    """Every answer and every default is stored, the board joins, and the dialog says so."""
    async with bench() as here:
        ending = await here.set_up(*first_time(), SEND)
        assert (ending.code, ending.result, ending.run) == (
            ExitCode.DONE,
            Result.STORED,
            "proven",
        )
        assert here.board.stored == EXPECTED
        assert ending.stored == tuple(EXPECTED)


async def test_a_second_dialog_has_nothing_to_ask(tmp_path: Path) -> None:
    """What was left out on purpose is remembered, and the schema need not come again."""
    async with bench(cache=tmp_path) as here:
        await here.set_up(*first_time(), SEND)
        here.line.requests.clear()
        ending = await here.set_up()
        assert (ending.code, ending.result) == (ExitCode.DONE, Result.NOTHING_TO_DO)
        assert MessageType.GET_SCHEMA not in here.line.requests
        assert MessageType.COMMIT not in here.line.requests


async def test_a_wrong_passphrase_leads_back_to_it_and_then_the_board_works() -> None:
    """The network is really not joined; only the passphrase is asked, everything else stays."""
    async with bench() as here:
        ending = await here.set_up(
            *first_time(passphrase="blossom-after-frost"), SEND, typed(PASSPHRASE), SEND
        )
        assert ending.code is ExitCode.DONE
        assert here.board.stored == EXPECTED
        assert "The network did not take this passphrase." in here.screen


@pytest.mark.parametrize(
    ("reason", "field", "again", "said", "value"),
    [
        (Reason.NO_ADDRESS, None, ("1", ""), "gave the board no address", b"Orchard Gate"),
        (Reason.NO_ADDRESS, "network.fixed", ("no",), "gave the board no address", False),
        (Reason.PIN_CONFLICT, "siren.relay", ("14", "y"), "cannot use this pin", 14),
        (Reason.NO_RESPONSE, "probe.1.pin", ("27",), "Look at the wiring", 27),
        (Reason.UNREACHABLE, None, ("weather.example.org",), "service did not answer", None),
        (Reason.TIME_OUT, "mast.interval", ("2 min",), "It took too long.", 120),
        (Reason.OTHER, "orchard.name", ("Mast",), "does not say why", "Mast"),
    ],
)
async def test_whatever_the_firmware_reports_leads_to_the_field_at_fault(
    monkeypatch: pytest.MonkeyPatch,
    *,
    reason: Reason,
    field: str | None,
    again: tuple[str, ...],
    said: str,
    value: object,
) -> None:
    """With the reason in words; only that is asked again, and then the board works.

    The firmware reports the failure the first time that it puts a set into use.
    """
    works = Application._put_into_use
    tries = []

    def fails_first(self: Application, values: Mapping[str, Value]) -> _Work:
        tries.append(values)
        failure = yield from works(self, values)
        return _Failure(reason, field) if len(tries) == 1 else failure  # type: ignore[arg-type]

    monkeypatch.setattr(Application, "_put_into_use", fails_first)
    async with bench() as here:
        ending = await here.set_up(*first_time(), SEND, *typed(*again), SEND)
        assert ending.code is ExitCode.DONE
        assert " ".join(here.screen.split()).count(said) == 1
        key = field or {Reason.NO_ADDRESS: "network.name"}.get(reason, "service.host")
        if value is not None:
            assert here.board.stored[key] == value
        changed = {key for key in EXPECTED if here.board.stored[key] != EXPECTED[key]}
        assert changed <= {key}


async def test_a_return_too_many_does_not_take_a_failed_passphrase_away() -> None:
    """After a failure an empty answer is none; an open network takes the word for nothing."""
    async with bench() as here:
        ending = await here.set_up(
            *first_time(passphrase="blossom-after-frost"), SEND, typed("", PASSPHRASE), SEND
        )
        assert ending.code is ExitCode.DONE
        assert here.board.stored == EXPECTED


async def test_a_network_out_of_range_leads_back_to_its_name() -> None:
    """The passphrase typed before is offered with the new name: Return takes it."""
    async with bench() as here:
        ending = await here.set_up(
            *first_time(network="Orchard Gates"), SEND, typed("Orchard Gate", ""), SEND
        )
        assert ending.code is ExitCode.DONE
        assert here.board.stored == EXPECTED


async def test_a_refused_service_key_leads_back_to_it() -> None:
    """The firmware names the setting; the dialog goes there."""
    surroundings = replace(NETWORKS, service_key="the-other-key-0001")
    async with bench(surroundings=surroundings) as here:
        ending = await here.set_up(*first_time(), SEND, typed("the-other-key-0001"), SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored["service.key"] == "the-other-key-0001"


async def test_leaving_after_a_failure_says_that_it_does_not_work() -> None:
    """The settings are stored, and nobody may take them for working ones."""
    async with bench() as here:
        ending = await here.set_up(*first_time(passphrase="wrong-wrong"), SEND, CTRL_C)
        assert (ending.code, ending.result) == (ExitCode.NOT_WORKING, Result.STORED)
        assert here.board.staged == {}


async def test_a_board_that_failed_before_is_mended_without_asking_for_all() -> None:
    """Coming back later, the dialog goes to what the board failed at."""
    async with bench() as here:
        await here.set_up(*first_time(passphrase="wrong-wrong"), SEND, CTRL_C)
        # The optional ones are new to a computer that remembers nothing.
        ending = await here.set_up(typed(PASSPHRASE, "", "", ""), SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored == EXPECTED


# ------------------------------------------------------------------------------ at the keyboard


async def test_keys_for_help_back_and_reveal() -> None:
    """Each works in the middle of typing, and none of them loses an answer."""
    async with bench() as here:
        keys = [
            F1,
            typed("Orchard"),
            F2,
            UP,
            typed(" Gate"),  # what was typed before, edited
            PASSPHRASE[:5],
            F1,
            F3,
            PASSPHRASE[5:],
            RETURN,
            typed("<", "", "?", ""),  # words typed for the same
            *first_time()[1:],
        ]
        ending = await here.set_up(*keys, SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored == EXPECTED
        assert "8 to 63 characters, or the key itself" in here.screen


@pytest.mark.parametrize(("key", "shown"), [("", False), (F3, True)])
async def test_a_secret_stands_on_the_screen_only_while_it_is_revealed(
    key: str, shown: bool
) -> None:
    """And what was entered is hidden again, so that no later line has it."""
    async with bench() as here:
        keys = [key, PASSPHRASE, PAUSE, RETURN, PAUSE, CTRL_C]
        await here.set_up(typed("Orchard Gate"), PAUSE, *keys)
        assert (PASSPHRASE in here.screen) is shown
        entered = here.screen.rpartition("Fixed address")[0].rpartition(">")[2]
        assert entered.split()[0] == "*" * len(PASSPHRASE)


async def test_what_is_wrong_is_refused_before_it_leaves_the_computer() -> None:
    """Return does nothing on a wrong answer; the reason stands below it while one types."""
    async with bench() as here:
        wrong = [typed("Orchard Gate"), "short", PAUSE, RETURN, PAUSE, CTRL_C]
        ending = await here.set_up(*wrong)
        assert ending.code is ExitCode.INTERRUPTED
        assert "It must have 8 to 63 characters" in here.screen
        assert "Fixed address" not in here.screen
        assert MessageType.SET_FIELD not in here.line.requests


async def test_a_number_at_the_review_changes_that_answer() -> None:
    """One question, and back to the review."""
    async with bench() as here:
        ending = await here.set_up(*first_time(), typed("7", "2 min"), SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored == {**EXPECTED, "mast.interval": 120}


async def test_a_caution_that_is_not_accepted_asks_again() -> None:
    """The relay can be another pin after all; Return alone is no answer to a caution."""
    async with bench() as here:
        keys = list(first_time())
        keys[4] = typed("", "", "", "n", "14", "y", "", "", "")
        ending = await here.set_up(*keys, SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored == {**EXPECTED, "siren.relay": 14}


async def test_a_certificate_comes_from_a_file(tmp_path: Path) -> None:
    """It goes in parts, whole or not at all; a file that is too long is refused at once."""
    (tmp_path / "authority.pem").write_bytes(bytes(range(256)) * 8)
    (tmp_path / "long.pem").write_bytes(b"x" * 2049)
    async with bench() as here:
        keys = list(first_time())
        keys[1] = typed("", "", SERVICE_KEY) + typed(
            f"{tmp_path}/long.pem", f"\x15{tmp_path}/authority.pem", ""
        )
        ending = await here.set_up(*keys, SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored["service.certificate"] == bytes(range(256)) * 8


# ------------------------------------------------------------------------------------- leaving


@pytest.mark.parametrize(
    ("after", "key"), [(0, CTRL_C), (1, CTRL_D), (2, CTRL_C), (4, CTRL_C), (6, CTRL_C)]
)
async def test_leaving_before_it_is_sent_leaves_the_board_as_it_was(after: int, key: str) -> None:
    """At a question or at the review: nothing stored, nothing staged, and it is said."""
    async with bench() as here:
        ending = await here.set_up(*first_time()[:after], key)
        assert (ending.code, ending.result) == (ExitCode.INTERRUPTED, Result.NOT_STORED)
        assert "Nothing was changed" in ending.words
        assert here.board.stored == {}
        assert here.board.staged == {}
        assert MessageType.COMMIT not in here.line.requests


async def test_q_at_the_review_leaves_the_board_as_it_was() -> None:
    """It is no failure of anything, but nothing was stored either."""
    async with bench() as here:
        ending = await here.set_up(*first_time(), typed("q"))
        assert (ending.code, ending.result) == (ExitCode.REFUSED, Result.NOT_STORED)
        assert here.board.stored == {}


async def test_an_interrupt_while_it_is_sent_discards_what_is_staged(tmp_path: Path) -> None:
    """Before commit has gone out, the board is left as it was: here among the parts of a file."""
    (tmp_path / "authority.pem").write_bytes(bytes(2048))
    keys = list(first_time())
    keys[1] = typed("", "", SERVICE_KEY, f"{tmp_path}/authority.pem", "")
    async with bench() as here:
        task = asyncio.ensure_future(here.set_up(*keys, SEND))

        def interrupt(request: MessageType | int) -> None:
            if request is MessageType.SET_FIELD:
                task.cancel()
                here.line.deaf = True  # a line in memory would be done before it is seen
            elif request is MessageType.DISCARD:
                here.line.deaf = False

        here.line.on_request = interrupt
        ending = await task
        assert (ending.code, ending.result) == (ExitCode.INTERRUPTED, Result.NOT_STORED)
        assert MessageType.COMMIT not in here.line.requests
        assert here.line.requests[-1] is MessageType.DISCARD
        assert here.board.stored == {}
        assert here.board.staged == {}


async def test_an_interrupt_after_commit_is_settled_and_said() -> None:
    """The token tells at the next hello what became of the settings."""
    async with bench() as here:
        task = asyncio.ensure_future(here.set_up(*first_time(), SEND))

        def interrupt(request: MessageType | int) -> None:
            if request is MessageType.COMMIT:
                here.line.deaf = True
                task.cancel()

        here.line.on_request = interrupt
        await wait_until(lambda: here.line.deaf, "the commit has gone out")
        await asyncio.sleep(0.05)
        here.line.on_request = lambda _: None
        here.line.deaf = False
        ending = await task
        assert (ending.code, ending.result) == (ExitCode.DONE, Result.STORED)
        assert here.board.stored == EXPECTED


async def test_an_interrupt_after_commit_on_a_board_that_is_silent_from_then_on_is_not_belittled(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nobody knows whether it was stored: "nothing was changed" would be a guess."""
    monkeypatch.setattr(board_client, "SETTLE_TIME", 0.3)
    async with bench() as here:
        task = asyncio.ensure_future(here.set_up(*first_time(), SEND))

        def interrupt(request: MessageType | int) -> None:
            if request is MessageType.COMMIT:
                here.line.deaf = True
                task.cancel()

        here.line.on_request = interrupt
        ending = await task
        assert (ending.code, ending.result) == (ExitCode.UNKNOWN, Result.UNKNOWN)


# ----------------------------------------------------------------------- what else can happen


async def test_a_board_that_wants_somebody_present_gets_its_button_pressed() -> None:
    """The window opens when the settings are sent, not while the person types."""
    async with bench(limits=Limits(presence=60_000)) as here:
        here.board.show_presence()
        await here.set_up(*first_time(), SEND)
        here.device.reset(0)

        def press(request: MessageType | int) -> None:
            if request is MessageType.COMMIT:
                here.line.on_request = lambda _: None
                asyncio.get_running_loop().call_later(0.1, here.board.show_presence)

        await asyncio.sleep(0.1)
        here.line.on_request = press
        ending = await here.set_up(typed("-", "", "350"), SEND)
        assert ending.code is ExitCode.DONE
        assert here.board.stored["orchard.height"] == 350
        assert "press its button" in here.screen


async def test_a_board_whose_firmware_does_not_report_is_stored_and_said_so() -> None:
    """Nobody claims that it works."""
    async with bench(surroundings=None) as here:

        def report(request: MessageType | int) -> None:
            if request is MessageType.STATUS and here.board.stored:
                here.board.report(Run.NOT_REPORTED)

        here.line.on_request = report
        ending = await here.set_up(*first_time(), SEND)
        assert (ending.code, ending.run) == (ExitCode.DONE, "not-reported")
        assert "does not report" in ending.words


async def test_a_failure_that_no_setting_explains_ends_the_dialog() -> None:
    """With the reason, and the code that says that the board does not work."""
    async with bench(surroundings=None) as here:

        def report(request: MessageType | int) -> None:
            if request is MessageType.STATUS and here.board.stored:
                here.board.report(Run.FAILED, Step.HARDWARE, Reason.OTHER)

        here.line.on_request = report
        ending = await here.set_up(*first_time(), SEND)
        assert ending.code is ExitCode.NOT_WORKING
        assert "trying what is wired to it" in ending.words


async def test_an_unplugged_board_is_found_again_and_nothing_is_asked_twice() -> None:
    """The answers wait until the same board is back."""
    async with bench() as here:
        line = here.line

        async def find_again(unit: bytes) -> Connection:
            assert unit == here.board.identity.unit
            return Connection(Line(line._loopback))

        loop = asyncio.get_running_loop()

        def cut(request: MessageType | int) -> None:
            if request is MessageType.STATUS:
                loop.call_later(0.05, setattr, line, "cut", True)

        line.on_request = cut
        keys = [*first_time()[:1], "\x1b[D" * 2000, *first_time()[1:]]  # takes a while to read
        ending = await here.set_up(*keys, SEND, find_again=find_again)
        assert line.cut
        assert ending.code is ExitCode.DONE
        assert here.board.stored == EXPECTED


@pytest.mark.parametrize(
    ("at", "code", "result"),
    [
        (MessageType.DISCARD, ExitCode.PORT, Result.NOT_STORED),
        (MessageType.COMMIT, ExitCode.UNKNOWN, Result.UNKNOWN),
    ],
)
async def test_an_unplugged_board_ends_the_dialog_where_nobody_can_plug_it_in(
    at: MessageType, code: ExitCode, result: Result
) -> None:
    """Before commit was sent, that leaves it as it was; after it, nobody knows: that is said."""
    async with bench() as here:

        def cut(request: MessageType | int) -> None:
            if request is at and here.line.requests.count(MessageType.DISCARD) == 2:
                here.line.cut = True
                raise LineLost("The port is gone.")

        here.line.on_request = cut
        ending = await here.set_up(*first_time(), SEND)
        assert (ending.code, ending.result) == (code, result)


async def test_a_commit_whose_reply_was_lost_with_the_cable_is_settled_when_it_is_back() -> None:
    """The token at the next hello tells that it was stored, and the dialog goes on."""
    async with bench() as here:
        line = here.line

        def cut(request: MessageType | int) -> None:
            if request is MessageType.COMMIT:
                line.deaf = True
                asyncio.get_running_loop().call_soon(setattr, line, "cut", True)

        async def find_again(_unit: bytes) -> Connection:
            return Connection(Line(line._loopback))

        line.on_request = cut
        ending = await here.set_up(*first_time(), SEND, find_again=find_again)
        assert (ending.code, ending.result) == (ExitCode.DONE, Result.STORED)
        assert here.board.stored == EXPECTED


async def test_a_dialog_that_fails_lets_go_of_the_board_that_it_found_again() -> None:
    """The caller knows the connection that it gave, and no other."""

    class Fails(Line):
        closed = False

        def write(self, _: bytes) -> None:
            raise ZeroDivisionError("a fault of ours")

        async def close(self) -> None:
            self.closed = True

    async with bench() as here:
        found = Fails(here.line._loopback)

        def cut(request: MessageType | int) -> None:
            if request is MessageType.COMMIT:
                here.line.cut = True

        async def find_again(_unit: bytes) -> Connection:
            return Connection(found)

        here.line.on_request = cut
        with pytest.raises(ZeroDivisionError):
            await here.set_up(*first_time(), SEND, find_again=find_again)
        assert found.closed


async def test_everything_can_be_asked_again() -> None:
    """--ask-all: what is held is offered, and Return all the way changes nothing."""
    async with bench() as here:
        await here.set_up(*first_time(), SEND)
        ending = await here.set_up(typed(*[""] * 40), options=SetupOptions(ask_all=True))
        assert ending.result is Result.NOTHING_TO_DO
        assert here.board.stored == EXPECTED
