# SPDX-License-Identifier: MIT
"""`provision diagnose` names the right cause of each of these staged problems, and what to do."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import json
import random
import re
import termios
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from provision.board.engine import from_declaration
from provision.board.faults import Echo, FaultyLine, InjectedFault
from provision.board.firmware import Device
from provision.board.server import serve_pty
from provision.client.discovery import PortSearch
from provision.contract.line import encode_line
from provision.contract.messages import Message, encode_message
from provision.contract.table import PROTOCOL_VERSION, HelloReplyKey, MessageType
from provision.link import ports
from provision.link.errors import LinkError
from provision.link.ports import Port, port_error
from provision.wizard import diagnose as module
from provision.wizard.diagnose import Diagnosis, diagnose
from provision.wizard.result import ExitCode
from scripts.bench.virtual import message_of
from tests.link.served import Terminal, terminal
from tests.link.virtual import SmallBoard
from tests.test_cli import SECRETS, provision, stand_in
from tests.wizard.bench import DEMO

RUBBISH = random.Random(1).randbytes(4000)


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_LISTEN_TIME", 0.1)
    monkeypatch.setattr(module, "_HELLO_TIME", 1.0)
    monkeypatch.setattr(module, "_OTHER_SPEED_TIME", 0.4)


async def look_at(name: str) -> Diagnosis:
    """Diagnose the port of this name."""
    return await diagnose(
        PortSearch(name), lambda _: None, look=lambda: [Port(name, "", kind="native")]
    )


@asynccontextmanager
async def board(*faults: InjectedFault) -> AsyncIterator[str]:
    """Run a board of the demo on a port."""
    async with serve_pty(FaultyLine(Device(from_declaration(DEMO)), *faults)) as port:
        yield port


def line_of(type_: MessageType) -> bytes:
    """Return the line of a request without a body."""
    return encode_line(encode_message(Message(PROTOCOL_VERSION, type_, 1, {})))


# --- Each of these stages one problem, and returns what was diagnosed


async def nothing_at_all() -> Diagnosis:
    """A port that nothing is behind."""
    async with terminal() as silent:
        return await look_at(silent.name)


async def other_firmware() -> Diagnosis:
    """A firmware that prints, and does not know what it is asked."""
    async with terminal(lambda _: b"unknown command\r\n") as other:
        other.say(b"valve controller 2.1 ready\r\n")
        return await look_at(other.name)


async def noise() -> Diagnosis:
    """Bytes that are no text at any speed."""
    async with terminal(lambda _: RUBBISH) as other:
        return await look_at(other.name)


async def another_speed() -> Diagnosis:
    """A board that speaks at 57,600 baud, and at any other only makes noise."""
    at = SmallBoard()
    served: list[Terminal] = []

    def answer(data: bytes) -> bytes:
        speed = termios.tcgetattr(served[0].master)[4]
        return at.receive(data) if speed == termios.B57600 else RUBBISH[:200]

    async with terminal(answer) as line:
        served.append(line)
        return await look_at(line.name)


async def an_echo() -> Diagnosis:
    """A console that sends back what it is sent, and no more."""
    async with terminal(lambda data: data) as line:
        return await look_at(line.name)


async def second_reader() -> Diagnosis:
    """Some of the bytes of each answer go to somebody else, never the same."""
    at = SmallBoard()
    draw = random.Random(1)

    def half(data: bytes) -> bytes:
        sent = at.receive(data)
        return b"".join(
            sent[i : i + 1] for i in range(len(sent)) if draw.random() > 0.1 or sent[i] in b"~\n"
        )

    async with terminal(half) as line:
        return await look_at(line.name)


async def damaged_answers() -> Diagnosis:
    """The board's answers come with a character that is another one, here or there."""
    at = SmallBoard()
    draw = random.Random(1)

    def damaged(data: bytes) -> bytes:
        sent = bytearray(at.receive(data))
        sent[draw.randrange(2, len(sent) - 1)] = 0x21
        return bytes(sent)

    async with terminal(damaged) as line:
        return await look_at(line.name)


async def wrong_checks() -> Diagnosis:
    """A firmware that computes its CHECK wrongly, so that every line fails alike."""
    at = SmallBoard()
    async with terminal(lambda data: at.receive(data).replace(b"~", b"~A")) as line:
        return await look_at(line.name)


async def a_shell() -> Diagnosis:
    """A computer's console, whose prompt begins as a frame does."""
    async with terminal(lambda _: b"~ # not found\r\n~ # ") as line:
        return await look_at(line.name)


async def other_version() -> Diagnosis:
    """A board of a later protocol."""
    at = SmallBoard()
    (hello,) = [message_of(at.receive(line_of(MessageType.HELLO))).body]
    at.instead[MessageType.HELLO] = lambda _: {**hello, HelloReplyKey.VERSIONS: [7]}
    async with terminal(at.receive) as line:
        return await look_at(line.name)


async def an_unusable_schema() -> Diagnosis:
    """A board whose list of settings is none."""
    at = SmallBoard()
    async with terminal(at.receive) as line:
        return await look_at(line.name)


async def a_board_that_falls_silent() -> Diagnosis:
    """It answers hello, and nothing after it."""
    at = SmallBoard()
    asked: list[bytes] = []

    def answer(data: bytes) -> bytes:
        asked.append(data)
        return at.receive(data) if len(asked) == 1 else b""

    async with terminal(answer) as line:
        return await look_at(line.name)


async def a_board_that_restarts() -> Diagnosis:
    """Another boot number at every hello, as where the voltage breaks down."""
    device = Device(from_declaration(DEMO))
    numbers = iter(range(1, 1000))

    class Restarting(InjectedFault):
        def to_board(self, request: bytes, number: int) -> bytes:
            device.board.boot_number = next(numbers)
            return super().to_board(request, number)

    async with serve_pty(FaultyLine(device, Restarting())) as port:
        return await look_at(port)


async def a_plug_that_is_loose() -> Diagnosis:
    """The port goes while it is looked at."""
    async with terminal() as line:
        asyncio.get_running_loop().call_later(0.4, line.hang_up)
        return await look_at(line.name)


async def no_such_port() -> Diagnosis:
    """A name that nothing has."""
    return await look_at("/dev/no-such-port")


async def no_serial_port() -> Diagnosis:
    """A device that is none."""
    return await look_at("/dev/null")


async def busy() -> Diagnosis:
    """Another program has it open, for itself."""
    async with terminal() as line:
        fcntl.ioctl(line._slave, termios.TIOCEXCL)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(ports, "_open_device", _refusing(errno.EBUSY))
            return await look_at(line.name)


async def no_permission() -> Diagnosis:
    """The system says no; the superuser, whom it never tells so, is told so here."""
    async with terminal() as line:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(ports, "_open_device", _refusing(errno.EACCES))
            return await look_at(line.name)


def _refusing(number: int) -> Callable[..., object]:
    def refuse(*_: object) -> object:
        raise OSError(number, "refused")

    return refuse


async def a_board_that_works() -> Diagnosis:
    """Nothing is wrong."""
    async with board() as port:
        return await look_at(port)


async def a_board_behind_an_echo() -> Diagnosis:
    """An echo beside the answers is in nobody's way."""
    async with board(Echo()) as port:
        return await look_at(port)


@pytest.mark.parametrize(
    ("stage", "cause", "code", "says"),
    [
        (nothing_at_all, "silent", ExitCode.NO_BOARD, "Nothing answers"),
        (other_firmware, "other-firmware", ExitCode.NO_BOARD, "the firmware"),
        (noise, "noise", ExitCode.NO_BOARD, "no text at any of the usual speeds"),
        (another_speed, "another-speed", ExitCode.NO_BOARD, "--baud 57600"),
        (an_echo, "echo", ExitCode.NO_BOARD, "sends back what it is sent"),
        (second_reader, "second-reader", ExitCode.PORT, "another program"),
        (damaged_answers, "second-reader", ExitCode.PORT, "try another cable"),
        (
            wrong_checks,
            "breaks-the-protocol",
            ExitCode.NO_BOARD,
            "have a wrong CHECK",
        ),
        (a_shell, "other-firmware", ExitCode.NO_BOARD, "the firmware"),
        (other_version, "other-version", ExitCode.NO_BOARD, "update whichever is older"),
        (an_unusable_schema, "schema", ExitCode.SCHEMA, "list of settings"),
        (a_board_that_falls_silent, "stops-answering", ExitCode.NO_BOARD, "and then stopped"),
        (a_board_that_restarts, "restarts", ExitCode.NO_BOARD, "keeps restarting by itself"),
        (a_plug_that_is_loose, "port-lost", ExitCode.PORT, "another cable"),
        (no_such_port, "no-such-port", ExitCode.PORT, "plug the board in"),
        (no_serial_port, "no-serial-port", ExitCode.PORT, "is not a serial port"),
        (busy, "busy", ExitCode.PORT, "close that, and try again"),
        (no_permission, "no-permission", ExitCode.PORT, "provision udev-rule|chmod"),
        (a_board_that_works, "works", ExitCode.DONE, "`provision setup` sets it up"),
        (a_board_behind_an_echo, "works", ExitCode.DONE, "A board answers"),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_the_cause_is_named(
    stage: Callable[[], Awaitable[Diagnosis]], cause: str, code: ExitCode, says: str
) -> None:
    """One word for programs, sentences for people, and the exit code of its class."""
    found = asyncio.run(asyncio.wait_for(_as_coroutine(stage), 60))
    (looked,) = found.looked
    assert looked.finding.cause == cause, looked.finding.words
    assert found.code == code
    words = " ".join(found.lines())
    assert any(part in words for part in says.split("|")), words


async def _as_coroutine(stage: Callable[[], Awaitable[Diagnosis]]) -> Diagnosis:
    return await stage()


@pytest.mark.parametrize("error", [errno.EACCES, errno.EPERM])
def test_permission_is_explained_with_the_group_of_this_system(error: int) -> None:
    """The words come from where the error is made: the command, ready to be copied."""
    fault: LinkError = port_error("/dev/tty", OSError(error, ""))
    assert "sudo " in str(fault)


def test_nothing_plugged_in_and_a_device_without_driver_are_told_apart(tmp_path: Path) -> None:
    """The system lists devices on USB whose serial interface nobody has taken."""
    nothing = asyncio.run(diagnose(PortSearch(), lambda _: None, look=list, usb=tmp_path))
    assert nothing.general is not None
    assert nothing.general.cause == "nothing-plugged-in"
    assert "some only charge" in nothing.general.words
    for name, sort, has_driver in [("1-1", "ff", False), ("1-2", "03", False), ("1-3", "0a", True)]:
        (tmp_path / name).mkdir()
        (tmp_path / name / "product").write_text(f"Bridge {name}\n")
        interface = tmp_path / f"{name}:1.0"
        interface.mkdir()
        (interface / "bInterfaceClass").write_text(f"{sort}\n")
        if has_driver:
            (interface / "driver").mkdir()
    found = asyncio.run(diagnose(PortSearch(), lambda _: None, look=list, usb=tmp_path))
    assert found.general is not None
    assert found.general.cause == "no-driver"
    assert "(Bridge 1-1)" in found.general.words
    assert list(found.lines()) == [found.general.words]


def test_the_file_has_what_was_found_and_no_secret(tmp_path: Path) -> None:
    """A firmware that prints a key gets it removed; the person is told to read it first."""
    with stand_in("--log") as port:
        file = tmp_path / "report.json"
        ran = provision("diagnose", "--port", port, "--out", file)
    assert ran.returncode == ExitCode.DONE, ran.stderr
    assert "Read it before you give it to anybody." in ran.stderr
    report = json.loads(file.read_text(encoding="utf-8"))
    assert report["ports"][0]["cause"] == "works"
    assert report["ports"][0]["board"]["firmware"] == "orchard-frost-alarm"
    assert not [secret for secret in SECRETS if secret in file.read_text(encoding="utf-8")]


def test_a_report_that_cannot_be_written_is_no_success(tmp_path: Path) -> None:
    """What was found is printed all the same."""
    with stand_in() as port:
        ran = provision("diagnose", "--port", port, "--out", tmp_path / "no" / "report.json")
    assert ran.returncode == ExitCode.USAGE
    assert "cannot be written" in ran.stderr
    assert "A board answers" in ran.stdout


def test_log_text_in_the_file_is_cleaned() -> None:
    """What could be a key, or a frame with one in it, gives way to a mark."""

    async def stage() -> Diagnosis:
        async with terminal(lambda _: b"") as line:
            line.say(b"key=AAAABBBBCCCCDDDDEEEE\r\nframe ~hAEBB6AK\r\n")
            return await look_at(line.name)

    text = json.dumps(asyncio.run(stage()).as_json())
    assert "AAAABBBB" not in text
    assert "~hAEB" not in text


def test_the_rule_for_udev_is_one_that_udev_takes() -> None:
    """Every line is a comment, or matches and assignments (udev(7), "Rules files")."""
    ran = provision("udev-rule")
    assert ran.returncode == ExitCode.DONE
    rules = [line for line in ran.stdout.splitlines() if line and not line.startswith("#")]
    assert rules
    pair = r'[A-Z]+(?:\{[A-Z_]+\})?(?:==|\+=|=)"[^"]*"'
    for rule in rules:
        assert re.fullmatch(rf"{pair}(?:, {pair})*", rule), rule
    assert "/etc/udev/rules.d/70-provision.rules" in ran.stdout
