# SPDX-License-Identifier: MIT
"""The board on a pseudo-terminal (firmware_stub/ports/pty), as a process that others talk to."""

from __future__ import annotations

import ctypes
import os
import re
import select
import signal
import subprocess
import termios
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.contract.line import Frame, LineReceiver, LogText, encode_line
from provision.contract.messages import Message, decode_message, encode_message
from provision.contract.profile import Item
from provision.contract.table import (
    PROTOCOL_VERSION,
    CommitKey,
    CommitReplyKey,
    HelloReplyKey,
    MessageType,
    Reason,
    RestartKey,
    Run,
    SetFieldKey,
    StatusReplyKey,
    Step,
    Store,
)
from provision.schema.constraints import staged_digest
from provision.schema.model import Value
from provision.schema_file.load import read_declaration
from tests.waiting import next_line

ROOT = Path(__file__).parents[2]
STUB = ROOT / "firmware_stub"
SCHEMA = ROOT / "schemas" / "orchard-frost-alarm.toml"
NETWORKS = ROOT / "schemas" / "orchard.networks"

pytestmark = pytest.mark.needs("cc", "make")

PATIENCE = 20.0  # seconds; a bound against hanging

SETTINGS: dict[str, Value] = {
    "network.name": b"Orchard Gate",
    "network.passphrase": "blossom-before-frost",
    "service.key": "w7-Zephyr.0419",
    "probe.1.pin": 26,
    "siren.relay": 15,  # its default carries a caution
    "orchard.zone": "UTC0",
}


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example, built from scratch by its own Makefile."""
    build = tmp_path_factory.mktemp("build")
    command = ["make", "--no-print-directory", "-C", str(STUB), f"BUILD={build}"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, timeout=120)
    return build / "board_pty"


class Host:
    """Something that opens the port and talks, one request at a time."""

    def __init__(self, port: str | Path) -> None:
        self.port = os.open(port, os.O_RDWR | os.O_NOCTTY)
        self.receiver = LineReceiver()
        self.log: list[str] = []
        self._id = 0

    def __enter__(self) -> Host:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.port)

    def ask(self, kind: MessageType, body: dict[int, Item] | None = None) -> Message:
        """Send a request, again every half second, until its reply comes."""
        self._id += 1
        item = encode_message(Message(PROTOCOL_VERSION, kind, self._id, body or {}))
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            os.write(self.port, encode_line(item))
            if reply := self._reply(time.monotonic() + 0.5):
                return reply
        pytest.fail(f"no reply to {kind.name}; the log: {self.log}")

    def _reply(self, end: float) -> Message | None:
        while (left := end - time.monotonic()) > 0:
            if not select.select([self.port], [], [], left)[0]:
                return None
            for event in self.receiver.feed(os.read(self.port, 4096)):
                if isinstance(event, LogText):
                    self.log.append(event.text)
                elif isinstance(event, Frame):
                    message = decode_message(event.item)
                    if message.id == self._id:
                        return message
        return None

    def hello(self) -> dict[int, Item]:
        """Who is there."""
        return self.ask(MessageType.HELLO).body

    def store(self, values: dict[str, Value], token: bytes = b"12345678") -> Message:
        """Stage and commit."""
        for key, value in values.items():
            reply = self.ask(
                MessageType.SET_FIELD, {SetFieldKey.FIELD: key, SetFieldKey.VALUE: value}
            )
            assert reply.type == MessageType.SET_FIELD_REPLY, (key, reply.body)
        schema = read_declaration(SCHEMA.read_text(encoding="utf-8"), SCHEMA.name).schema
        body: dict[int, Item] = {
            CommitKey.COUNT: len(values),
            CommitKey.DIGEST: staged_digest(schema, dict(values)),
            CommitKey.TOKEN: token,
        }
        return self.ask(MessageType.COMMIT, body)

    def settled(self) -> dict[int, Item]:
        """The status once the firmware has tried its settings."""
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            status = self.ask(MessageType.STATUS).body
            if status[StatusReplyKey.RUN] in (Run.PROVEN, Run.FAILED):
                return status
            time.sleep(0.05)
        pytest.fail("the firmware never said how it gets on")


@contextmanager
def running(program: Path, folder: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """A board, ready to talk, which ends with the block."""
    command = [str(program), "--flash", str(folder / "flash"), "--link", str(folder / "port")]
    process = subprocess.Popen([*command, *options], stdout=subprocess.PIPE, text=True)
    try:
        line = next_line(process)
        assert re.fullmatch(r"board: /dev/\S+\n", line)
        assert (folder / "port").readlink() == Path(line.split()[1])
        yield process
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE)
        assert process.stdout is not None
        process.stdout.close()


def test_the_port_is_raw_when_it_is_announced(program: Path, tmp_path: Path) -> None:
    """No echo, no translation, no signals: what a fresh pseudo-terminal does is switched off."""
    with running(program, tmp_path):
        port = os.open(tmp_path / "port", os.O_RDWR | os.O_NOCTTY)
        try:
            incoming, outgoing, _, local = termios.tcgetattr(port)[:4]
        finally:
            os.close(port)
    assert not incoming & (termios.ICRNL | termios.IXON)
    assert not outgoing & termios.OPOST
    assert not local & (termios.ECHO | termios.ICANON | termios.ISIG)


def test_ending_leaves_nothing_behind(program: Path, tmp_path: Path) -> None:
    """SIGTERM is a clean end, and the link goes with the port."""
    with running(program, tmp_path) as process:
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=PATIENCE) == 0
        assert sorted(path.name for path in tmp_path.iterdir()) == ["flash"]


def test_a_link_that_another_board_took_over_is_left_alone(program: Path, tmp_path: Path) -> None:
    """Only the board that the link leads to removes it."""
    other = tmp_path / "other"
    other.mkdir()
    with running(program, other) as second:
        with running(program, tmp_path):
            (tmp_path / "port").unlink()
            (tmp_path / "port").symlink_to((other / "port").readlink())
        assert (tmp_path / "port").is_symlink()
        assert second.poll() is None


def test_what_was_acknowledged_survives_a_kill(program: Path, tmp_path: Path) -> None:
    """SIGKILL right after the reply to commit; the next start shows token and generation."""
    with running(program, tmp_path) as process, Host(tmp_path / "port") as host:
        assert host.hello()[HelloReplyKey.TOKEN] is None
        assert host.store(SETTINGS).body[CommitReplyKey.GENERATION] == 1
        process.kill()
        process.wait(timeout=PATIENCE)
    with running(program, tmp_path), Host(tmp_path / "port") as host:
        hello = host.hello()
        assert hello[HelloReplyKey.TOKEN] == b"12345678"
        assert hello[HelloReplyKey.GENERATION] == 1
        assert host.ask(MessageType.STATUS).body[StatusReplyKey.STORE] == Store.COMPLETE


def test_a_restart_is_a_start(program: Path, tmp_path: Path) -> None:
    """Another boot number on the same port; what was staged is gone, what was stored is not."""
    with running(program, tmp_path, "--boot-delay", "100"), Host(tmp_path / "port") as host:
        host.store(SETTINGS)
        before = host.hello()
        body: dict[int, Item] = {RestartKey.BOOT: before[HelloReplyKey.BOOT]}
        assert host.ask(MessageType.RESTART, body).type == MessageType.RESTART_REPLY
        after = host.hello()
        assert after[HelloReplyKey.BOOT] != before[HelloReplyKey.BOOT]
        same = (HelloReplyKey.UNIT, HelloReplyKey.TOKEN, HelloReplyKey.GENERATION)
        assert [after[key] for key in same] == [before[key] for key in same]
        assert host.ask(MessageType.STATUS).body[StatusReplyKey.STAGED] == 0


def test_a_host_may_close_and_come_back(program: Path, tmp_path: Path) -> None:
    """Nothing hangs up in between, and what is staged stays."""
    staged: dict[int, Item] = {
        SetFieldKey.FIELD: "orchard.name",
        SetFieldKey.VALUE: "Lower orchard",
    }
    with running(program, tmp_path, "--unit-id", "00a1b2"):
        with Host(tmp_path / "port") as host:
            first = host.hello()
            host.ask(MessageType.SET_FIELD, staged)
        with Host(tmp_path / "port") as host:
            second = host.hello()
            assert host.ask(MessageType.STATUS).body[StatusReplyKey.STAGED] == 1
    assert first[HelloReplyKey.BOOT] == second[HelloReplyKey.BOOT]
    assert first[HelloReplyKey.UNIT] == bytes.fromhex("00a1b2")


@pytest.mark.parametrize(
    ("change", "step", "failure"),
    [
        pytest.param({}, Step.AUTHORIZE, None, id="works"),
        pytest.param(
            {"network.name": b"Orchard Gatf"},
            Step.JOIN,
            (Reason.NETWORK_NOT_FOUND, "network.name"),
            id="no such network",
        ),
        pytest.param(
            {"network.passphrase": "blossom-after-frost"},
            Step.JOIN,
            (Reason.PASSPHRASE_WRONG, "network.passphrase"),
            id="wrong passphrase",
        ),
        pytest.param(
            {"service.host": "weather.invalid"},
            Step.RESOLVE,
            (Reason.NAME_NOT_RESOLVED, "service.host"),
            id="no such host",
        ),
        pytest.param(
            {"service.host": "192.0.2.7"},
            Step.REACH,
            (Reason.UNREACHABLE, "service.host"),
            id="no answer",
        ),
        pytest.param(
            {"service.key": "w7-Zephyr.0418"},
            Step.AUTHORIZE,
            (Reason.KEY_REFUSED, "service.key"),
            id="key refused",
        ),
    ],
)
def test_the_firmware_tries_its_settings_and_tells(
    program: Path,
    tmp_path: Path,
    change: dict[str, Value],
    step: Step,
    failure: tuple[Reason, str] | None,
) -> None:
    """Against the networks and the key of a file; a failure names step, reason and setting."""
    with (
        running(program, tmp_path, "--networks", str(NETWORKS), "--log") as process,
        Host(tmp_path / "port") as host,
    ):
        host.store(SETTINGS | change)
        status = host.settled()
        log = " ".join(host.log)
        assert process.poll() is None
    assert status[StatusReplyKey.STEP] == step
    if failure is None:
        assert status[StatusReplyKey.RUN] == Run.PROVEN
        assert status[StatusReplyKey.ADDRESS] == bytes([198, 51, 100, 7])
    else:
        assert status[StatusReplyKey.RUN] == Run.FAILED
        assert (status[StatusReplyKey.REASON], status[StatusReplyKey.FIELD]) == failure
    assert "starts" in log
    assert not any(str(value) in log for value in (SETTINGS | change).values())


def refused(program: Path, *options: str) -> tuple[int, str]:
    """Exit code and message of a board that does not start."""
    done = subprocess.run(
        [str(program), *options], capture_output=True, text=True, timeout=PATIENCE, check=False
    )
    assert done.stdout == ""
    return done.returncode, done.stderr


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        ("", 64, "--flash FILE is missing"),
        ("--flash", 64, "lacks its value"),
        ("--unit-id xyz", 64, "xyz is not a value for --unit-id"),
        ("--boot-delay -1", 64, "is not a value for --boot-delay"),
        ("--flash f --colour red", 64, "--colour is not an option"),
        ("--flash {folder}/no/flash", 66, "cannot be opened"),
        ("--flash {folder}/notes", 66, "has 5 bytes"),
        ("--flash {folder}/f --networks {folder}/networks", 66, "line 2 of"),
        ("--flash {folder}/f --networks {folder}/none", 66, "cannot be read"),
        ("--flash {folder}/f --link {folder}/no/port", 66, "cannot be made"),
    ],
)
def test_what_is_wrong_is_said(
    program: Path, tmp_path: Path, options: str, code: int, words: str
) -> None:
    """One sentence and an exit code; nothing of a line with a passphrase is repeated."""
    (tmp_path / "notes").write_bytes(b"notes")
    (tmp_path / "networks").write_text("# ours\nOrchard Gate\tcanary-passphrase -61\n")
    found, message = refused(program, *options.format(folder=tmp_path).split())
    assert found == code
    assert words in message
    assert re.fullmatch(r"board: [^\n]+\n", message)
    assert "canary" not in message


def test_help_tells_every_option(program: Path) -> None:
    """On standard output, and it is no error."""
    done = subprocess.run(
        [str(program), "--help"], capture_output=True, text=True, timeout=PATIENCE, check=True
    )
    for option in ("flash", "link", "networks", "survey", "log", "boot-delay", "unit-id"):
        assert f"--{option}" in done.stdout


def test_one_flash_is_one_board(program: Path, tmp_path: Path) -> None:
    """A second board on the same file would spoil it."""
    with running(program, tmp_path):
        code, message = refused(program, "--flash", str(tmp_path / "flash"))
    assert code == 66
    assert "another board" in message


def test_the_key_of_a_network_is_that_of_the_standard(tmp_path: Path) -> None:
    """IEEE 802.11i H.4 (802.11-2016 J.4.2): passphrase and name to key, all three examples."""
    target = tmp_path / "key.so"
    source = STUB / "ports" / "pty" / "wpa_key.c"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", target, source], check=True, timeout=60)
    library = ctypes.CDLL(str(target))
    examples = {
        (b"password", b"IEEE"): (
            "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"
        ),
        (b"ThisIsAPassword", b"ThisIsASSID"): (
            "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af"
        ),
        (b"a" * 32, b"Z" * 32): (
            "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62"
        ),
    }
    for (passphrase, name), key in examples.items():
        found = ctypes.create_string_buffer(32)
        library.wpa_key(passphrase, name, ctypes.c_size_t(len(name)), found)
        assert found.raw.hex() == key
