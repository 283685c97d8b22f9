// SPDX-License-Identifier: MIT
/**
 * The browser's port as a transport: closing, errors on the line, unplugging, plugging in again.
 *
 * The port here behaves as the Web Serial API's draft says, and as browsers were seen to: close()
 * rejects while a stream is locked; a non-fatal error replaces `readable`, the loss of the device
 * makes both streams null; the first write after it still resolves; a board that is plugged in
 * again has a new object.
 */

import assert from "node:assert/strict";
import { test } from "node:test";

import { Connection } from "../../../provision/page/link/connection.js";
import { LineLost, PortBusy, Silent } from "../../../provision/page/link/errors.js";
import { findAgain, openPort } from "../../../provision/page/link/port.js";
import { helloReplyTo } from "./hello.js";

/** @typedef {import("../../../provision/page/link/errors.js").LinkError} LinkError */
/** @typedef {import("../../../provision/page/link/port.js").SerialPort} SerialPort */

const { DOMException, ReadableStream, WritableStream } = globalThis;

/** @implements {SerialPort} */
class FakePort {
  /** @type {ReadableStream<Uint8Array> | null} */
  readable = null;
  /** @type {WritableStream<Uint8Array> | null} */
  writable = null;
  /** @type {Uint8Array[]} */
  written = [];
  /** @type {object[]} */
  signals = [];
  isOpen = false;
  isPresent = true;
  takesBytes = true;
  hasLines = true;
  #losing = false;
  /** @type {ReadableStreamDefaultController<Uint8Array> | null} */
  #controller = null;
  /** @type {WritableStreamDefaultController | null} */
  #sink = null;

  /**
   * @param {Uint8Array} unit of the board behind it; empty: there is none
   * @param {number} [product]
   */
  constructor(unit, product = 1) {
    this.unit = unit;
    this.product = product;
  }

  getInfo() {
    return { usbVendorId: 0x1209, usbProductId: this.product };
  }

  /** @param {{baudRate: number}} options */
  async open({ baudRate }) {
    if (this.isOpen) throw new DOMException("The port is already open.", "InvalidStateError");
    if (!this.isPresent) throw new DOMException("Failed to open serial port.", "NetworkError");
    assert.equal(baudRate, 115200);
    this.isOpen = true;
    this.#read();
    this.writable = new WritableStream({
      start: (controller) => {
        this.#sink = controller;
      },
      write: async (bytes) => {
        assert.ok(bytes instanceof Uint8Array);
        if (!this.takesBytes) await new Promise(() => {});
        this.written.push(bytes);
        if (this.#losing) this.#lose();
        else if (this.unit.length) this.say(helloReplyTo(bytes, this.unit));
      },
    });
  }

  #read() {
    this.readable = new ReadableStream({
      start: (controller) => {
        this.#controller = controller;
      },
    });
  }

  /** @param {{dataTerminalReady: boolean, requestToSend: boolean}} signals */
  async setSignals(signals) {
    if (!this.hasLines) throw new DOMException("Failed to set control signals.", "NetworkError");
    this.signals.push(signals);
  }

  async close() {
    if (this.readable?.locked || this.writable?.locked) throw new TypeError("A stream is locked.");
    if (!this.takesBytes) await new Promise(() => {});
    this.isOpen = false;
    this.readable = this.writable = null;
  }

  /** @param {Uint8Array} bytes */
  say(bytes) {
    this.#controller?.enqueue(bytes);
  }

  /** Let a byte of a wrong form come in. */
  frame() {
    const errored = this.#controller;
    this.#read();
    errored?.error(new DOMException("Framing error.", "FramingError"));
  }

  /** Pull the plug; while nothing is read the loss shows at a write, which seems to go well. */
  unplug() {
    this.isPresent = false;
    this.#losing = true;
    this.#lose();
  }

  /** Pull the plug so that the next write seems to go well. */
  unplugUnseen() {
    this.isPresent = false;
    this.#losing = true;
  }

  #lose() {
    this.readable = this.writable = null;
    const lost = new DOMException("The device has been lost.", "NetworkError");
    this.#controller?.error(lost);
    this.#sink?.error(lost);
  }
}

const UNIT = Uint8Array.of(1, 2, 3, 4);
const OTHER = Uint8Array.of(9, 9);

/** @param {FakePort} port */
async function connected(port) {
  /** @type {string[]} */
  const notices = [];
  const board = new Connection(await openPort(port), { onNotice: (notice) => notices.push(notice) });
  return { board, notices };
}

/**
 * Close, and fail if that takes more than a second.
 *
 * @param {Connection} board
 */
async function closes(board) {
  const began = performance.now();
  await board.close();
  await board.close();
  assert.ok(performance.now() - began < 1000);
}

test("a board is met, and its port let go of", async () => {
  const port = new FakePort(UNIT);
  const { board } = await connected(port);
  assert.deepEqual((await board.hello()).unit, UNIT);
  assert.deepEqual(port.signals, [{ dataTerminalReady: true, requestToSend: true }]);
  await closes(board);
  assert.equal(port.isOpen, false);
  await assert.rejects(board.hello(), LineLost);
});

test("a port without lines to set is used as it is", async () => {
  const port = new FakePort(UNIT);
  port.hasLines = false;
  const { board } = await connected(port);
  assert.deepEqual((await board.hello()).unit, UNIT);
  await closes(board);
});

test("a port that another page holds is told in words", async () => {
  const port = new FakePort(UNIT);
  const { board } = await connected(port);
  await assert.rejects(openPort(port), (/** @type {LinkError} */ error) => {
    assert.ok(error instanceof PortBusy);
    assert.match(error.words, /close every other program and page/);
    return true;
  });
  await closes(board);
});

test("bytes of a wrong form do not end the connection", async () => {
  const port = new FakePort(UNIT);
  const { board } = await connected(port);
  port.frame();
  assert.deepEqual((await board.hello()).unit, UNIT);
  port.frame();
  assert.deepEqual((await board.hello()).unit, UNIT);
  await closes(board);
  assert.equal(port.isOpen, false);
});

test("a port that takes no bytes is let go of all the same", async () => {
  const port = new FakePort(new Uint8Array());
  port.takesBytes = false;
  const { board } = await connected(port);
  await assert.rejects(board.hello(600), Silent);
  await closes(board);
});

for (const [when, unplug] of /** @type {[string, (port: FakePort) => void][]} */ ([
  ["while nothing is said", (port) => port.unplug()],
  ["unseen until the next write", (port) => port.unplugUnseen()],
])) {
  test(`the plug is pulled ${when}`, async () => {
    const port = new FakePort(UNIT);
    const { board, notices } = await connected(port);
    await board.hello();
    unplug(port);
    await assert.rejects(board.status(), (/** @type {LinkError} */ error) => {
      assert.ok(error instanceof LineLost);
      assert.match(error.words, /^The port is gone: plug the board in again/);
      return true;
    });
    assert.deepEqual(notices, ["line-lost"]);
    await closes(board);
  });
}

test("the plug is pulled while an answer is waited for", async () => {
  const port = new FakePort(new Uint8Array());
  const { board } = await connected(port);
  const calls = [board.hello(Infinity), board.readValues(), board.survey(() => {})];
  setTimeout(() => port.unplug(), 20);
  for (const { status, reason } of await Promise.all(calls.map(settled))) {
    assert.equal(status, "rejected");
    assert.ok(reason instanceof LineLost);
  }
  await closes(board);
});

/** @param {Promise<unknown>} promise */
const settled = (promise) =>
  promise.then(
    () => ({ status: "fulfilled", reason: null }),
    (reason) => ({ status: "rejected", reason }),
  );

test("closing ends what waits, with words", async () => {
  const { board } = await connected(new FakePort(new Uint8Array()));
  const waiting = settled(board.hello(Infinity));
  await closes(board);
  assert.equal((await waiting).reason.words, "The connection was closed.");
});

test("a survey is ended by its signal, and the rest goes on", async () => {
  const { board } = await connected(new FakePort(UNIT));
  const leave = new AbortController();
  const surveying = settled(board.survey(() => {}, leave.signal));
  leave.abort();
  assert.equal((await surveying).reason, leave.signal.reason);
  assert.deepEqual((await board.hello()).unit, UNIT);
  await closes(board);
});

test("a board that is plugged in again is found by its unit id", async () => {
  const was = new FakePort(UNIT);
  const again = new FakePort(UNIT);
  const ports = [new FakePort(OTHER), new FakePort(OTHER, 2)];
  const [alike, unlike] = ports;
  const serial = { getPorts: async () => ports };
  const leave = new AbortController();
  setTimeout(() => ports.push(again), 400);
  const { port, board, hello } = await findAgain(serial, was, UNIT, leave.signal);
  assert.equal(port, again);
  assert.deepEqual(hello.unit, UNIT);
  assert.equal(alike?.isOpen, false);
  assert.deepEqual(unlike?.written, [], "of another sort, and not tried so soon");
  await closes(board);
});

test("a board whose port is of another sort now is found later", async () => {
  const again = new FakePort(UNIT, 2);
  const serial = { getPorts: async () => [again] };
  const leave = new AbortController();
  const began = performance.now();
  const { board } = await findAgain(serial, new FakePort(UNIT), UNIT, leave.signal);
  assert.ok(performance.now() - began >= 2000);
  await closes(board);
});

test("the search ends when it is told to", async () => {
  const leave = new AbortController();
  setTimeout(() => leave.abort(), 50);
  const serial = { getPorts: async () => [] };
  const searching = settled(findAgain(serial, new FakePort(UNIT), UNIT, leave.signal));
  assert.equal((await searching).reason, leave.signal.reason);
});
