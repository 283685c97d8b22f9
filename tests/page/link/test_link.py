# SPDX-License-Identifier: MIT
"""The page's session in Node: by itself, and through the whole life of each of our boards."""

from __future__ import annotations

import ast
import os
import re
import selectors
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.waiting import LONG, join

ROOT = Path(__file__).parents[3]
FOLDER = Path(__file__).parent
BOARD = ROOT / "firmware_stub" / "build" / "board_pty"
SCHEMA = ROOT / "schemas" / "orchard-frost-alarm.toml"
NETWORKS = {"Orchard Gate": "blossom-before-frost", "Barn": ""}

pytestmark = pytest.mark.needs("node")


def run_node(test: str, board: int | None = None) -> None:
    """Run one file of tests with Node's runner; fail with what it says."""
    variables = {} if board is None else {"PROVISION_BOARD": str(board)}
    done = subprocess.run(
        ["node", "--test", "--test-reporter=tap", str(FOLDER / f"{test}.test.js")],
        capture_output=True,
        text=True,
        env={**os.environ, **variables},
        check=False,
        timeout=LONG,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "# pass 0\n" not in done.stdout, done.stdout
    assert "# skipped 0\n" in done.stdout, done.stdout


@pytest.mark.parametrize("test", ["conversations", "exchange", "port", "operations"])
def test_the_session_by_itself(test: str) -> None:
    """See the files of this name."""
    run_node(test)


@pytest.mark.parametrize(
    "faults",
    [
        (),
        ("echo",),
        ("cr-lf", "cut-by-log:6"),
        ("lose-reply:5", "damage-reply:9", "lose-request:12", "repeat-requests"),
    ],
    ids=" ".join,
)
def test_the_life_of_the_board_in_python(
    provision_board: Callable[..., Any], faults: tuple[str, ...]
) -> None:
    """From the first provisioning to erasing, over a TCP port, on lines that fail as well."""
    board = provision_board(SCHEMA, networks=NETWORKS, faults=faults, logs=True, tcp=True)
    run_node("life", int(board.port.rpartition(":")[2]))
    assert (board.values, board.store) == ({}, "empty")


@pytest.mark.skipif(not BOARD.exists(), reason="needs the compiled stub (make stub)")
def test_the_life_of_the_compiled_stub(
    provision_firmware: Callable[..., Any], tmp_path: Path
) -> None:
    """The same, on a pseudo-terminal."""
    networks = tmp_path / "networks"
    networks.write_text("".join(f"{name}\t{key}\t-50\n" for name, key in NETWORKS.items()))
    options = ["--flash", str(tmp_path / "flash.bin"), "--networks", str(networks), "--survey"]
    board = provision_firmware(str(BOARD), *options, "--log", "--link", "{port}")
    with tcp_to(board.port) as number:
        run_node("life", number)


OWN_SENTENCES = {
    "The port cannot be opened: close every other program and page that uses it, and try again.",
    "The port is gone: plug the board in again (or start it again), and try again.",
}
"""What only the page says, since a browser tells neither a port's name nor who holds it."""


def test_what_the_command_says_too_is_said_in_the_same_words() -> None:
    """One translation serves both, and whoever knows one knows the other."""
    command = {
        node.value
        for path in (ROOT / "provision" / "link").glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    page = set()
    for path in (ROOT / "provision" / "page" / "link").glob("*.js"):
        text = re.sub(r"(?s:/\*.*?\*/)|(?m://.*$)", "", path.read_text(encoding="utf-8"))
        joined = re.sub(r'"\s*\+\s*"', "", text)
        page |= {text for text in re.findall(r'"([^"\\]*)"', joined) if text.count(" ") > 2}
    assert len(page) > 20
    assert page - command == OWN_SENTENCES


@contextmanager
def tcp_to(terminal: str) -> Iterator[int]:
    """Carry bytes between a pseudo-terminal and a TCP port of this computer; yield the port."""
    descriptor = os.open(terminal, os.O_RDWR | os.O_NOCTTY)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        ended = threading.Event()
        carrying = threading.Thread(target=_carry, args=(listener, descriptor, ended))
        carrying.start()
        try:
            yield listener.getsockname()[1]
        finally:
            ended.set()
            join(carrying)
            os.close(descriptor)


def _carry(listener: socket.socket, terminal: int, ended: threading.Event) -> None:
    host: socket.socket | None = None
    with selectors.DefaultSelector() as selector:
        selector.register(listener, selectors.EVENT_READ)
        selector.register(terminal, selectors.EVENT_READ)
        while not ended.is_set():
            for key, _ in selector.select(0.05):
                if key.fileobj is listener:
                    host, _ = listener.accept()
                    selector.register(host, selectors.EVENT_READ)
                elif key.fileobj is host:
                    data = _received(host)
                    os.write(terminal, data)
                    if not data:
                        selector.unregister(host)
                        host.close()
                        host = None
                else:
                    data = os.read(terminal, 4096)
                    if host is not None:
                        host.sendall(data)
    if host is not None:
        host.close()


def _received(host: socket.socket) -> bytes:
    try:
        return host.recv(4096)
    except ConnectionError:
        return b""
