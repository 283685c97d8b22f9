# SPDX-License-Identifier: MIT
"""The simulated firmware: what it tries, in which order, and which field it finds at fault."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from provision.board.firmware import (
    ADDRESS,
    SURVEY_MS,
    Device,
    NetworkInRange,
    Surroundings,
    read_surroundings,
)
from provision.contract.profile import Item
from provision.contract.table import Kind, MessageType, Reason, Run, Security, Step
from provision.schema.model import Field, Repeat, Schema, Section, Value
from tests.board.host import NET, ORCHARD, TOKENS, Host, answers, make_board, request_line

NEARBY = Surroundings(
    (
        NetworkInRange(b"barn", "hay-and-straw-22", -70),
        NetworkInRange(b"orchard", "blossom-in-may", -52),
        NetworkInRange(b"guests", "", -60),
    ),
    service_key="silver-frost",
)
GOOD: Mapping[str, Value] = {
    **{key: value for key, value in NET.items() if value is not None},
    "service.url": "https://weather.example.net/v1?q=1",
    "service.key": "silver-frost",
}


class Bench:
    """A running board, and a host that reads its status while time passes."""

    def __init__(
        self, schema: Schema = ORCHARD, around: Surroundings | None = NEARBY, *, logs: bool = False
    ) -> None:
        self.device = Device(make_board(schema), around, logs=logs)
        self.host = Host(self.device.board)
        self.now = 0

    def apply(self, values: Mapping[str, Value]) -> dict[str, Item]:
        """Store values, wait until the firmware is done; return its last status."""
        self.host.store(values, TOKENS[1])
        return self.settle()

    def settle(self) -> dict[str, Item]:
        """Let five seconds pass; return the status then."""
        for _ in range(50):
            self.now += 100
            self.device.tick(self.now)
        return self.ask(MessageType.STATUS)

    def ask(self, request: MessageType, **body: Item) -> dict[str, Item]:
        """Send a request through the device; return what the board answers."""
        (answer,) = answers(self.device.receive(request_line(request, **body), self.now))
        return answer.body


def test_a_set_that_is_right_is_proven() -> None:
    """With an address, at the last step."""
    status = Bench().apply(GOOD)
    assert (status["run"], status["step"]) == (Run.PROVEN, Step.AUTHORIZE)
    assert status["address"] == ADDRESS


@pytest.mark.parametrize(
    ("changes", "step", "reason", "field"),
    [
        ({"net.name": b"barm"}, Step.JOIN, Reason.NETWORK_NOT_FOUND, "net.name"),
        ({"net.pass": "blossom-in-june"}, Step.JOIN, Reason.PASSPHRASE_WRONG, "net.pass"),
        ({"net.name": b"guests"}, Step.JOIN, Reason.PASSPHRASE_WRONG, "net.pass"),
        (
            {"service.url": "https://weather.invalid/"},
            Step.RESOLVE,
            Reason.NAME_NOT_RESOLVED,
            "service.url",
        ),
        ({"service.url": "https://192.0.2.9:8443"}, Step.REACH, Reason.UNREACHABLE, "service.url"),
        ({"service.key": "golden-frost"}, Step.AUTHORIZE, Reason.KEY_REFUSED, "service.key"),
    ],
)
def test_what_is_wrong_is_found(
    changes: dict[str, Value], step: Step, reason: Reason, field: str
) -> None:
    """At its step, with its reason, naming the field at fault.

    Names under `invalid` are never resolved (RFC 6761 section 6.4), addresses of 192.0.2.0/24
    belong to nobody (RFC 5737).
    """
    status = Bench().apply({**GOOD, **changes})
    assert (status["run"], status["step"]) == (Run.FAILED, step)
    assert (status["reason"], status["field"]) == (reason, field)


def test_steps_are_reported_as_they_come() -> None:
    """Each for its time, in their order."""
    bench = Bench()
    bench.host.store(GOOD, TOKENS[1])
    seen = []
    for _ in range(200):
        bench.now += 20
        status = bench.ask(MessageType.STATUS)
        seen.append((status["run"], status.get("step")))
    steps = [step for run, step in dict.fromkeys(seen) if run == Run.APPLYING]
    assert steps == [Step.START, Step.JOIN, Step.ADDRESS, Step.RESOLVE, Step.REACH, Step.AUTHORIZE]
    assert seen[-1] == (Run.PROVEN, Step.AUTHORIZE)


@pytest.mark.parametrize(
    "around", [Surroundings(), Surroundings(NEARBY.networks), Surroundings(None, "silver-frost")]
)
def test_what_is_not_stated_is_there(around: Surroundings) -> None:
    """Without networks any is in range, without a key the service takes any."""
    status = Bench(around=around).apply({**GOOD, "service.key": "silver-frost"})
    assert status["run"] == Run.PROVEN


def test_an_open_network_wants_no_passphrase() -> None:
    """Its passphrase field is cleared (clause 9.2)."""
    bench = Bench()
    bench.host.stage({"net.pass": None})
    bench.host.stage({"net.name": b"guests"})
    bench.host.commit(TOKENS[1])
    assert bench.settle()["run"] == Run.PROVEN


def test_a_key_of_64_digits_opens_the_network() -> None:
    """The key of ("password", "IEEE"), IEEE 802.11-2016 J.4.2."""
    key = "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"
    network = NetworkInRange(b"IEEE", "password", -40)
    assert network.admits(key)
    assert network.admits("password")
    assert not network.admits(key.replace("f42c", "f42d"))
    assert not network.admits(None)


def test_one_of_several_networks_suffices() -> None:
    """They are tried in their order; if none is joined, the first says why."""
    section = ORCHARD.sections[0]
    schema = replace(ORCHARD, sections=(replace(section, repeat=Repeat(1, 2)),))
    values: dict[str, Value] = {
        "net.1.name": b"nowhere",
        "net.1.pass": "blossom-in-may",
        "net.2.name": b"orchard",
        "net.2.pass": "blossom-in-may",
    }
    assert Bench(schema).apply(values)["run"] == Run.PROVEN
    status = Bench(schema).apply({**values, "net.2.pass": "blossom-in-june"})
    assert (status["reason"], status["field"]) == (Reason.NETWORK_NOT_FOUND, "net.1.name")


def test_a_firmware_without_network_or_service_just_starts() -> None:
    """There is nothing to try beyond."""
    schema = Schema("Lamp", (Section("a", "A", (Field("on", Kind.YES_NO, "On"),)),))
    status = Bench(schema).apply({"a.on": True})
    assert (status["run"], status["step"]) == (Run.PROVEN, Step.START)


def test_a_network_without_a_passphrase_field() -> None:
    """A secured one refuses the name, for lack of another field."""
    schema = Schema("Net", (Section("a", "A", (Field("net", Kind.NETWORK_NAME, "N"),)),))
    status = Bench(schema).apply({"a.net": b"orchard"})
    assert (status["reason"], status["field"]) == (Reason.PASSPHRASE_WRONG, "a.net")
    assert Bench(schema).apply({"a.net": b"guests"})["run"] == Run.PROVEN


def test_the_key_beside_the_service_is_the_one_it_wants() -> None:
    """A secret of another section comes second, wherever it stands."""
    other = Section("a", "A", (Field("code", Kind.SECRET, "Code", maximum=8),))
    schema = replace(ORCHARD, sections=(other, *ORCHARD.sections))
    assert Bench(schema).apply({**GOOD, "a.code": "other"})["run"] == Run.PROVEN


def test_an_erased_board_stops_working() -> None:
    """And reports nothing of the set that is gone."""
    bench = Bench()
    bench.host.store(GOOD, TOKENS[1])
    bench.now = 100
    bench.device.tick(bench.now)
    generation = bench.ask(MessageType.HELLO)["generation"]
    assert bench.ask(MessageType.ERASE, generation=generation)
    assert bench.settle()["run"] == Run.IDLE


def test_a_survey_finds_what_is_around() -> None:
    """Half of it first, the strongest first, until it is done."""
    bench = Bench()
    assert bench.ask(MessageType.SURVEY)["count"] == 0
    bench.now += SURVEY_MS
    half = bench.ask(MessageType.SURVEY, scan=1)
    assert (half["count"], half["done"]) == (1, False)
    bench.now += SURVEY_MS
    whole = bench.ask(MessageType.SURVEY, scan=1)
    assert whole["done"] is True
    assert whole["networks"] == [
        [b"orchard", -52, Security.PERSONAL],
        [b"guests", -60, Security.OPEN],
        [b"barn", -70, Security.PERSONAL],
    ]


def test_a_survey_of_nothing_is_done_at_once() -> None:
    """Where no networks are listed, none are found."""
    bench = Bench(around=Surroundings())
    bench.ask(MessageType.SURVEY)
    bench.now += SURVEY_MS
    done = bench.ask(MessageType.SURVEY, scan=1)
    assert (done["done"], done["count"]) == (True, 0)


def test_a_restart_takes_a_while_and_a_new_boot_number() -> None:
    """What arrives meanwhile is lost; then the set is put into use again."""
    bench = Bench()
    bench.apply(GOOD)
    assert bench.ask(MessageType.RESTART, boot=1000) == {}
    assert bench.device.receive(request_line(MessageType.HELLO), bench.now + 299) == b""
    bench.now += 300
    assert bench.ask(MessageType.HELLO)["boot"] == 1001
    assert bench.settle()["run"] == Run.PROVEN


def test_reset_is_a_restart_without_a_reply() -> None:
    """What was staged is gone."""
    bench = Bench()
    bench.host.stage({"siren.lamp": 2})
    bench.device.reset(0)
    bench.now = 300
    status = bench.ask(MessageType.STATUS)
    assert (status["staged"], status["boot"]) == (0, 1001)


def test_a_firmware_that_does_nothing_reports_nothing() -> None:
    """Tests report in its place."""
    status = Bench(around=None).apply(GOOD)
    assert (status["run"], "step" in status) == (Run.APPLYING, False)


def test_log_text_stands_between_the_replies() -> None:
    """In lines of its own, of printable ASCII, without any secret; only where it is wanted."""
    bench = Bench(logs=True)
    sent = bench.device.receive(request_line(MessageType.LOCATE), 0)
    bench.host.store({**GOOD, "net.pass": "blossom-in-june"}, TOKENS[1])
    for now in range(0, 3000, 50):
        sent += bench.device.tick(now)
    for expected in (b"frost-alarm 1.2 starts\r\n", b"step: join\r\n", b"here I am", b"up for 2 s"):
        assert expected in sent
    assert b"failed at join: passphrase wrong\r\n" in sent
    log = b"".join(line for line in sent.splitlines(keepends=True) if not line.startswith(b"~"))
    assert log.decode("ascii").replace("\r\n", "").replace("\n", "").isprintable()
    for secret in (b"blossom", b"silver"):
        assert secret not in sent
    assert Bench().device.tick(5000) == b""


def test_surroundings_are_read_from_a_small_file() -> None:
    """Names may hold spaces, and begin with a hash."""
    text = "# what is near\n\norchard\tblossom-in-may\t-52\n#2 barn\t\t-200\nservice silver-frost\n"
    around = read_surroundings(text)
    assert around == Surroundings(
        (
            NetworkInRange(b"orchard", "blossom-in-may", -52),
            NetworkInRange(b"#2 barn", "", -128),
        ),
        "silver-frost",
    )
    assert "blossom" not in repr(around)
    assert "silver" not in repr(around)


@pytest.mark.parametrize(
    "line", ["orchard", "orchard\tblossom", "\tblossom\t-5", "a\tb\tloud", "a\tb\t-5\tc"]
)
def test_a_line_that_means_nothing_is_named(line: str) -> None:
    """By its number; nothing of it is repeated, since it may be a passphrase."""
    with pytest.raises(ValueError, match="Line 2 is neither") as raised:
        read_surroundings(f"service key\n{line}\n")
    assert "blossom" not in str(raised.value)
