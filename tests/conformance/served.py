# SPDX-License-Identifier: MIT
"""A board on a TCP port of the loopback, in a thread, while the command runs beside it."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator

from provision.board.firmware import Running
from tests.waiting import join

_TICK = 0.005  # seconds between two ticks of the board's clock


@contextlib.contextmanager
def served_tcp(device: Running | None) -> Iterator[str]:
    """Yield the URL of the board, of something that is silent if there is none."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(_TICK)
        stop = threading.Event()
        thread = threading.Thread(target=_serve, args=(listener, device, stop))
        thread.start()
        try:
            yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            stop.set()
            join(thread)


def _serve(listener: socket.socket, device: Running | None, stop: threading.Event) -> None:
    began = time.monotonic()
    while not stop.is_set():
        try:
            peer, _ = listener.accept()
        except TimeoutError:
            continue
        with peer, contextlib.suppress(ConnectionError):
            peer.settimeout(_TICK)
            while not stop.is_set():
                data: bytes | None = None
                with contextlib.suppress(TimeoutError):
                    data = peer.recv(65536)
                if data == b"":
                    break
                if device is not None:
                    now = int((time.monotonic() - began) * 1000)
                    sent = device.receive(data, now) if data else device.tick(now)
                    if sent:
                        peer.sendall(sent)
