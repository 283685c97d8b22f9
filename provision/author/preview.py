# SPDX-License-Identifier: MIT
"""A page with a virtual board behind it, on this machine alone: what `provision page --serve` runs.

The page's stand-in for a serial port (provision/page/preview.js) reaches the board by HTTP:

    GET  /index.html              the page, which is at / as well; in other languages beside it
    POST /open                    opens the line; the answer names the opening
    POST /to-board?opening=...    bytes to the board
    GET  /from-board?opening=...  waits for bytes from the board; none came if the answer has none
    POST /reset                   presses the board's reset
    POST /unplug, /plug-in        takes the board off the cable, and puts it back

410 means that the opening is over: the board was unplugged, or the line opened anew.
"""

from __future__ import annotations

import re
import secrets
import signal
import socketserver
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler
from typing import Any

from provision.board.firmware import Running
from provision.board.loopback import TICK_S

HOST = "127.0.0.1"

_MOST_UNREAD = 64 * 1024  # bytes; a UART whose far end does not listen loses them as well
_MOST_SENT = 64 * 1024  # bytes in one request
_LONGEST_WAIT_S = 10.0  # for bytes from the board; then the page asks again
_IDLE_S = 60.0  # that a connection without a request is kept


class Line:
    """The line to a board that runs in this process; for any number of threads.

    One end can be open: whoever opens it anew has it.
    """

    def __init__(self, device: Running) -> None:
        self._device = device
        self._changed = threading.Condition()
        self._began = time.monotonic()
        self._opening: str | None = None
        self._unread = bytearray()
        self._is_plugged_in = True
        self._has_ended = threading.Event()
        self._ticking = threading.Thread(target=self._tick, daemon=True)

    def __enter__(self) -> Line:
        self._ticking.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._has_ended.set()
        self._ticking.join()
        self.unplug()

    def open(self) -> str | None:
        """Open the line; return the opening's name, None if no board is plugged in."""
        with self._changed:
            if not self._is_plugged_in:
                return None
            self._open(secrets.token_urlsafe(8))
            return self._opening

    def send(self, opening: str, data: bytes) -> bool:
        """Send bytes to the board; tell whether the opening still holds."""
        with self._changed:
            if opening != self._opening:
                return False
            self._put(self._device.receive(data, self._now()))
            return True

    def receive(self, opening: str) -> bytes | None:
        """Wait for bytes from the board: b"" if none come, None if the opening is over."""
        with self._changed:
            self._changed.wait_for(
                lambda: self._unread or opening != self._opening, _LONGEST_WAIT_S
            )
            if opening != self._opening:
                return None
            data = bytes(self._unread)
            self._unread.clear()
            return data

    def reset(self) -> None:
        """Press the board's reset; the line stays."""
        with self._changed:
            if self._is_plugged_in:
                self._device.reset(self._now())

    def unplug(self) -> None:
        """Take the board off the cable, and off its power with it."""
        with self._changed:
            self._is_plugged_in = False
            self._open(None)

    def plug_in(self) -> None:
        """Put the board back on the cable; it starts. One that is there stays as it is."""
        with self._changed:
            if not self._is_plugged_in:
                self._is_plugged_in = True
                self._device.reset(self._now())

    def _open(self, opening: str | None) -> None:
        self._opening = opening
        self._unread.clear()
        self._changed.notify_all()

    def _put(self, data: bytes) -> None:
        if data and self._opening and len(self._unread) + len(data) <= _MOST_UNREAD:
            self._unread += data
            self._changed.notify_all()

    def _now(self) -> int:
        return int((time.monotonic() - self._began) * 1000)

    def _tick(self) -> None:
        while not self._has_ended.wait(TICK_S):
            with self._changed:
                if self._is_plugged_in:
                    self._put(self._device.tick(self._now()))


class Server(socketserver.ThreadingTCPServer):
    """Serves pages and the line to their board. Raises OSError if the port cannot be had."""

    daemon_threads = True  # a request that waits for the board must not keep the process
    allow_reuse_address = sys.platform != "win32"  # there it would share the port with others

    def __init__(self, pages: Mapping[str, bytes], line: Line, port: int = 0) -> None:
        """pages: by path, the first one at / as well. port: 0 for a free one."""
        super().__init__((HOST, port), _Handler)
        self.pages = {"/": next(iter(pages.values())), **pages}
        self.line = line
        self.port: int = self.server_address[1]

    @property
    def url(self) -> str:
        """Where the page is."""
        return f"http://{HOST}:{self.port}/"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Pass over a browser that went away while it was answered."""
        if not isinstance(sys.exception(), OSError):
            super().handle_error(request, client_address)


class _Handler(BaseHTTPRequestHandler):
    """Answers one connection's requests."""

    server: Server
    protocol_version = "HTTP/1.1"
    timeout = _IDLE_S

    def version_string(self) -> str:
        """Say no more of the program than its name."""
        return "provision"

    def log_message(self, *_: object) -> None:
        """Log nothing: a path names an opening."""

    def do_GET(self) -> None:
        """Answer with the page, or with what the board sends."""
        path, opening = self._target()
        if not self._is_of_this_page():
            self._answer(HTTPStatus.FORBIDDEN)
        elif path in self.server.pages:
            self._answer(HTTPStatus.OK, self.server.pages[path], "text/html; charset=utf-8")
        elif path == "/from-board":
            data = self.server.line.receive(opening)
            self._answer(HTTPStatus.GONE if data is None else HTTPStatus.OK, data or b"")
        else:
            self._answer(HTTPStatus.NOT_FOUND)

    def do_POST(self) -> None:
        """Do something to the line or to the board."""
        path, opening = self._target()
        data = self._body()
        line = self.server.line
        deeds = {"/reset": line.reset, "/unplug": line.unplug, "/plug-in": line.plug_in}
        if data is None:
            self.close_connection = True  # where the next request begins is unknown
            self._answer(HTTPStatus.BAD_REQUEST)
        elif not self._is_of_this_page():
            self._answer(HTTPStatus.FORBIDDEN)
        elif path == "/open":
            name = line.open()
            self._answer(HTTPStatus.OK if name else HTTPStatus.GONE, (name or "").encode())
        elif path == "/to-board":
            self._answer(HTTPStatus.OK if line.send(opening, data) else HTTPStatus.GONE)
        elif path in deeds:
            deeds[path]()
            self._answer(HTTPStatus.OK)
        else:
            self._answer(HTTPStatus.NOT_FOUND)

    def _target(self) -> tuple[str, str]:
        """Return the path that is asked for, and the opening that it names."""
        path, _, query = self.path.partition("?")
        return path, query.removeprefix("opening=")

    def _body(self) -> bytes | None:
        """Return the request's body, None if it is too long or of unknown length."""
        length = self.headers.get("Content-Length", "")
        if not re.fullmatch(r"[0-9]{1,6}", length) or int(length) > _MOST_SENT:
            return None
        return self.rfile.read(int(length))

    def _is_of_this_page(self) -> bool:
        """Tell whether a request is of the page that is served here.

        Another site can make a browser send requests here: by a name of its own for this address
        (Host), or from its own page (Origin, RFC 6454 section 7).
        """
        hosts = [f"{name}:{self.server.port}" for name in (HOST, "localhost")]
        origin = self.headers.get("Origin")
        is_own = origin in [f"http://{host}" for host in hosts]
        is_own |= origin is None and self.command == "GET"
        return is_own and self.headers.get("Host") in hosts

    def _answer(
        self, status: HTTPStatus, body: bytes = b"", kind: str = "application/octet-stream"
    ) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        if self.close_connection:
            self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(body)


def serve(
    pages: Mapping[str, bytes], device: Running, port: int, say: Callable[[str], None]
) -> None:
    """Serve pages, by path, until the process is told to end (SIGINT or SIGTERM).

    port: 0 for a free one. say: takes one sentence for the person, when the page is there. Raises
    OSError if the port cannot be had.
    """
    with Line(device) as line, Server(pages, line, port) as server:
        for told in (signal.SIGINT, signal.SIGTERM):
            signal.signal(told, signal.default_int_handler)
        with suppress(KeyboardInterrupt):  # the way to end it
            say(f"The page, with a virtual board, is on {server.url} until Ctrl-C.")
            server.serve_forever()
