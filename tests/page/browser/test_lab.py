# SPDX-License-Identifier: MIT
"""That the room is what it says: a real browser's Web Serial, with a board behind it.

The page here is the least that speaks to a port. What it is held against is the standard, Web
Serial API (WICG, https://wicg.github.io/serial/), whose steps name the errors, and the contract's
own lines, made and read by provision.contract.
"""

from __future__ import annotations

import itertools
import socket
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from provision.contract.line import Frame, LineReceiver, encode_line
from provision.contract.messages import Message, decode_message, encode_message
from provision.contract.table import PROTOCOL_VERSION, HelloReplyKey, MessageType
from tests.page.browser.conftest import Launch
from tests.page.browser.looking import assert_keeps_no_secret
from tests.page.browser.serial_lab import PRODUCT, VENDOR, Adapter, Cable, WiredBoard
from tests.waiting import until

if TYPE_CHECKING:
    from playwright.sync_api import Page

PAGE = """<!doctype html>
<html lang="en">
<title>A port</title>
<meta http-equiv="Content-Security-Policy" content="default-src 'none'">
<h1>A port</h1>
</html>
"""

# What a page needs of a port; the tests call it, as a page's own script would.
SCRIPT = """
globalThis.lab = {
  events: [],
  async ports() {
    return (await navigator.serial.getPorts()).map((port) => port.getInfo());
  },
  async open() {
    [lab.port] = await navigator.serial.getPorts();
    await lab.port.open({ baudRate: 115200, bufferSize: 16384 });
    lab.reader = lab.port.readable.getReader();
    lab.writer = lab.port.writable.getWriter();
  },
  async write(bytes) {
    await lab.writer.write(Uint8Array.from(bytes));
  },
  // What comes within so many milliseconds; what comes later is for the next call.
  async read(ms) {
    lab.reading ??= lab.reader.read();
    const late = new Promise((resolve) => setTimeout(resolve, ms, null));
    const read = await Promise.race([lab.reading, late]);
    if (read === null) return [];
    lab.reading = undefined;
    return [...(read.value ?? [])];
  },
  async end() {
    try {
      for (;;) await lab.reader.read();
    } catch (error) {
      return error.name;
    }
  },
};
for (const kind of ["connect", "disconnect"])
  navigator.serial?.addEventListener(kind, (event) => {
    lab.events.push([kind, event.target === lab.port]);
  });
"""

TOLD = """async (wanted) => {
  const end = performance.now() + 60_000;
  while (lab.events.length < wanted && performance.now() < end)
    await new Promise((resolve) => setTimeout(resolve, 10));
  return lab.events;
}"""

FAILURE = "(doing) => doing().then(() => null, (error) => [error.name, error.message])"


def failure_of(page: Page, what: str) -> list[str] | None:
    """Return name and message of the error with which something ends."""
    answer: list[str] | None = page.evaluate(f"({FAILURE})(() => {what})")
    return answer


_ids = itertools.count(7)


def greet(page: Page) -> Message:
    """Say hello to the board over the open port until it answers, and return its reply.

    As hosts do (clause 5.3): the first may be lost while the board starts, and so may its reply.
    """
    wanted = next(_ids)  # an earlier greeting may have replies on their way, of another id
    hello = encode_line(encode_message(Message(PROTOCOL_VERSION, MessageType.HELLO, wanted, {})))
    receiver = LineReceiver()
    replies: list[Message] = []

    def has_answered() -> bool:
        page.evaluate("(bytes) => lab.write(bytes)", list(hello))
        events = receiver.feed(bytes(page.evaluate("lab.read(250)")))
        replies.extend(decode_message(event.item) for event in events if isinstance(event, Frame))
        return any(reply.id == wanted for reply in replies)

    until(has_answered, "the board has answered a hello", lambda: None)
    return next(reply for reply in replies if reply.id == wanted)


@pytest.fixture
def page(served: tuple[Path, str], browser: Launch) -> Page:
    """Return the page, whose origin may use the adapter."""
    folder, origin = served
    (folder / "index.html").write_text(PAGE)
    context = browser(origin)
    context.add_init_script(SCRIPT)
    (page,) = context.pages
    page.goto(origin)
    return page


def test_it_lists_the_adapter_while_it_is_plugged_in(page: Page, port: Adapter) -> None:
    """By its USB ids, and by nothing else; and it tells when it comes and goes."""
    assert page.evaluate("lab.ports()") == []
    port.plug()
    assert page.evaluate(TOLD, 1) == [["connect", False]]
    assert page.evaluate("lab.ports()") == [{"usbVendorId": VENDOR, "usbProductId": PRODUCT}]
    port.unplug()
    assert [kind for kind, _ in page.evaluate(TOLD, 2)] == ["connect", "disconnect"]
    assert page.evaluate("lab.ports()") == []


def test_it_speaks_with_the_compiled_board(page: Page, c_board: WiredBoard) -> None:
    """A hello goes out, the board's reply comes in, with the unit id that others are told."""
    page.evaluate("lab.open()")
    reply = greet(page)
    assert reply.type == MessageType.HELLO_REPLY
    assert reply.body[HelloReplyKey.UNIT] == c_board.look().hello.unit
    assert greet(page).body == reply.body  # after somebody else was on the wire in between


def test_unplugged_it_is_lost_and_replugged_it_is_there_again(
    page: Page, c_board: WiredBoard
) -> None:
    """The read that is under way ends with a NetworkError; the port that comes is a new object."""
    page.evaluate("lab.open()")
    before = greet(page)
    page.evaluate("() => { lab.end().then((name) => { lab.lost = name; }); }")
    c_board.unplug()
    until(
        lambda: page.evaluate("lab.lost") is not None,
        "the read that is under way has ended",
        lambda: page.wait_for_timeout(20),
    )
    assert page.evaluate("lab.lost") == "NetworkError"
    assert page.evaluate("lab.port.readable") is None
    assert page.evaluate(TOLD, 1) == [["disconnect", True]]
    c_board.plug()
    assert page.evaluate(TOLD, 2)[1] == ["connect", False]
    page.evaluate("lab.open()")
    after = greet(page)
    assert after.body[HelloReplyKey.UNIT] == before.body[HelloReplyKey.UNIT]
    assert after.body[HelloReplyKey.BOOT] != before.body[HelloReplyKey.BOOT]


def test_a_reset_leaves_the_port_open(page: Page, c_board: WiredBoard) -> None:
    """As behind a bridge: the same port, a new boot."""
    page.evaluate("lab.open()")
    before = greet(page)
    c_board.reset()
    after = greet(page)
    assert after.body[HelloReplyKey.UNIT] == before.body[HelloReplyKey.UNIT]
    assert after.body[HelloReplyKey.BOOT] != before.body[HelloReplyKey.BOOT]
    assert page.evaluate("lab.events") == []


def test_another_firmware_has_the_same_flash(
    page: Page, c_board: WiredBoard, newer_firmware: Path
) -> None:
    """Another schema, by its digest; the same unit."""
    page.evaluate("lab.open()")
    before = greet(page)
    c_board.unplug()
    c_board.install(newer_firmware)
    c_board.plug()
    page.evaluate(TOLD, 2)
    page.evaluate("lab.open()")
    after = greet(page)
    assert after.body[HelloReplyKey.UNIT] == before.body[HelloReplyKey.UNIT]
    assert after.body[HelloReplyKey.SCHEMA_DIGEST] != before.body[HelloReplyKey.SCHEMA_DIGEST]


@pytest.mark.usefixtures("c_board")
def test_a_port_that_another_page_holds_does_not_open(page: Page) -> None:
    """It fails with a NetworkError in the second tab, until a moment after the first is closed."""
    page.evaluate("lab.open()")
    other = page.context.new_page()
    other.goto(page.url)
    told = failure_of(other, "lab.open()")
    assert told is not None
    assert told[0] == "NetworkError"
    page.close()
    until(
        lambda: failure_of(other, "lab.open()") is None,
        "the port opens in the second tab",
        lambda: other.wait_for_timeout(50),
    )
    assert greet(other).type == MessageType.HELLO_REPLY


@pytest.mark.usefixtures("c_board")
def test_without_a_persons_leave_no_port_is_listed(
    served: tuple[Path, str], browser: Launch
) -> None:
    """getPorts() has what a person has chosen, and nobody has."""
    folder, origin = served
    (folder / "index.html").write_text(PAGE)
    context = browser(origin, granted=False)
    context.add_init_script(SCRIPT)
    (page,) = context.pages
    page.goto(origin)
    assert page.evaluate("lab.ports()") == []


def test_a_cable_carries_both_ways_until_it_is_pulled() -> None:
    """Every byte, in order; nothing after that, and both ends stay open."""
    (one, end), (other, far) = socket.socketpair(), socket.socketpair()
    with one, end, other, far:
        for each in (end, far):
            each.setblocking(False)
        cable = Cable(end.fileno(), far.fileno())
        one.sendall(bytes(range(256)))
        assert other.recv(256, socket.MSG_WAITALL) == bytes(range(256))
        other.sendall(b"back")
        assert one.recv(4, socket.MSG_WAITALL) == b"back"
        cable.pull()
        one.sendall(b"late")
        other.setblocking(False)
        with pytest.raises(BlockingIOError):
            other.recv(1)
        assert end.recv(4) == b"late"


@pytest.mark.parametrize(
    "leak",
    [
        "document.body.dataset.kept = S",
        "document.body.attachShadow({ mode: 'open' }).append(S)",
        "localStorage.kept = btoa(S)",
        "sessionStorage.kept = S",
        "document.cookie = 'kept=' + S",
        "document.title = S",
        "history.replaceState({ kept: S }, '')",
        "history.replaceState(null, '', '#' + S.slice(3, 12))",
        "window.name = S",
        "document.body.append(Object.assign(document.createElement('input'), { value: S }))",
        """new Promise((done) => {
             const opening = indexedDB.open("kept");
             opening.onupgradeneeded = () => opening.result.createObjectStore("of").put(S, 1);
             opening.onsuccess = () => { opening.result.close(); done(); };
           })""",
    ],
)
def test_what_a_page_keeps_is_found(page: Page, planted: dict[str, str], leak: str) -> None:
    """The search for secrets is one that finds."""
    assert_keeps_no_secret(page, planted)
    page.evaluate(f"async (S) => {{ await ({leak}); }}", planted["service.key"])
    with pytest.raises(AssertionError, match=r"service\.key"):
        assert_keeps_no_secret(page, planted)
