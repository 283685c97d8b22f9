// SPDX-License-Identifier: MIT
/**
 * A serial port of the browser as a transport (Web Serial API, WICG draft), and finding a board
 * again whose port was lost.
 *
 * Opening moves two lines of a port, DTR and RTS. A native USB port means by DTR that somebody
 * listens, and a board may drop output while it is low; behind a USB bridge the two lines often
 * reset the board, but not while both are the same. A browser does not tell which of the two a port
 * is: so both are kept high.
 *
 * @typedef {import("./connection.js").Transport} Transport
 *
 * @typedef {object} SerialPort what is used of the browser's object of this name
 * @property {ReadableStream<Uint8Array> | null} readable
 * @property {WritableStream<Uint8Array> | null} writable
 * @property {(options: {baudRate: number, bufferSize: number}) => Promise<void>} open
 * @property {() => Promise<void>} close
 * @property {(signals: {dataTerminalReady: boolean, requestToSend: boolean}) => Promise<void>}
 *     setSignals
 * @property {() => {usbVendorId?: number, usbProductId?: number}} getInfo
 */

import { say } from "../words.js";
import { Connection } from "./connection.js";
import { LineLost, LinkError, PortBusy } from "./errors.js";

/** Bytes; the default of 255 is over before a page that is busy drawing comes to read. */
const BUFFER_SIZE = 16_384;
const CLOSE_TIME = 900; // ms that letting go of a port may take, whatever its driver does
const HELLO_TIME = 3000; // ms that a port is given to show whether the board sought is behind it
const LOOK_TIME = 250; // ms between looks for a board that was lost
const OTHERS_AFTER = 2000; // ms after which ports are tried that only the unit id can tell

/**
 * Open a port, 8 data bits, no parity, one stop bit, no flow control.
 *
 * @param {SerialPort} port
 * @param {number} [baud]
 * @returns {Promise<Transport>}
 * @throws {PortBusy}
 */
export async function openPort(port, baud = 115200) {
  try {
    await port.open({ baudRate: baud, bufferSize: BUFFER_SIZE });
  } catch {
    throw new PortBusy(
      say(
        "The port cannot be opened: close every other program and page that uses it, and try again.",
      ),
    );
  }
  // Not every port has these lines.
  await port.setSignals({ dataTerminalReady: true, requestToSend: true }).catch(() => {});
  return new PortTransport(port);
}

/** @implements {Transport} */
class PortTransport {
  #port;
  /** @type {ReadableStreamDefaultReader<Uint8Array> | undefined} */
  #reader;
  /** @type {WritableStreamDefaultWriter<Uint8Array> | undefined} */
  #writer;
  /** @type {Promise<void> | undefined} */
  #closing;

  /** @param {SerialPort} port open; the transport closes it */
  constructor(port) {
    this.#port = port;
  }

  /** @returns {Promise<Uint8Array | null>} */
  async read() {
    while (!this.#closing && this.#port.readable) {
      this.#reader ??= this.#port.readable.getReader();
      try {
        const { value } = await this.#reader.read();
        return value ?? null;
      } catch {
        // A break, or a byte of a wrong form, ends a stream, and the port has a new one; after the
        // loss of the device it has none.
        this.#reader.releaseLock();
        this.#reader = undefined;
      }
    }
    return null;
  }

  /** @param {Uint8Array} bytes */
  async write(bytes) {
    this.#writer ??= this.#port.writable?.getWriter();
    if (!this.#writer) throw new LineLost();
    await this.#writer.write(bytes);
  }

  close() {
    this.#closing ??= Promise.race([this.#close(), pause(CLOSE_TIME)]);
    return this.#closing;
  }

  /** Close the port, which it does only when nothing holds its streams any more. */
  async #close() {
    try {
      await this.#reader?.cancel();
      await this.#writer?.abort();
      this.#reader?.releaseLock();
      this.#writer?.releaseLock();
      await this.#port.close();
    } catch {
      // The device is gone, and the port with it.
    }
  }
}

/**
 * Wait until the board `unit`, last seen at the port `was`, is there again, and meet it.
 *
 * A board that was plugged in again has a new port object; only its unit id is sure. Tried are the
 * ports that the person has admitted, those of the same sort at once, all others after a while.
 *
 * @param {{getPorts: () => Promise<SerialPort[]>}} serial of the browser
 * @param {SerialPort} was
 * @param {Uint8Array} unit
 * @param {AbortSignal} signal ends the search
 * @param {ConstructorParameters<typeof Connection>[1]} [options]
 */
export async function findAgain(serial, was, unit, signal, options) {
  const began = performance.now();
  for (;;) {
    const isLate = performance.now() - began >= OTHERS_AFTER;
    for (const port of await serial.getPorts()) {
      if (!isLate && sort(port) !== sort(was)) continue;
      const found = await meet(port, unit, options);
      if (!found) continue;
      if (!signal.aborted) return { port, ...found };
      await found.board.close();
    }
    signal.throwIfAborted();
    await pause(LOOK_TIME);
  }
}

/** @param {SerialPort} port */
const sort = (port) => JSON.stringify(port.getInfo());

/**
 * Return the board at a port if it is the one sought.
 *
 * @param {SerialPort} port
 * @param {Uint8Array} unit
 * @param {ConstructorParameters<typeof Connection>[1]} [options]
 */
async function meet(port, unit, options) {
  /** @type {Connection | undefined} */
  let board;
  try {
    board = new Connection(await openPort(port, options?.baud), options);
    const hello = await board.hello(HELLO_TIME);
    if (String(hello.unit) === String(unit)) return { board, hello };
  } catch (error) {
    if (!(error instanceof LinkError)) throw error;
  }
  await board?.close();
  return null;
}

/**
 * @param {number} time
 * @returns {Promise<void>}
 */
const pause = (time) => new Promise((resolve) => setTimeout(resolve, time));
