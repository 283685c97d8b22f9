// SPDX-License-Identifier: MIT
/**
 * The page's session in virtual time, with a board at the other end of standard input and output.
 *
 * Each line is one item of JSON. In comes what to do, {"do": "meet" | "set up", "changes": [...]};
 * out goes {"toBoard": hexadecimal, "now": ms}, or {"tick": true} every 50 ms, each of which is
 * answered by {"toHost": [hexadecimal], "gone": true or false}; out goes at last {"ended": ...}.
 */

import { setImmediate } from "node:timers";
import { createInterface } from "node:readline";
import { stdin, stdout } from "node:process";

import { Connection } from "../../../provision/page/link/connection.js";
import { LinkError } from "../../../provision/page/link/errors.js";
import { SchemaError, unpack } from "../../../provision/page/schema/codec.js";
import { beginAnew, passUntil, useVirtualTime } from "./virtual.js";

/** @typedef {import("../../../provision/page/link/operations.js").Change} Change */

const LATENCY = 2; // ms, one way
const TICK = 50; // ms
const LIMIT = 7_200_000; // ms

const lines = createInterface({ input: stdin })[Symbol.asyncIterator]();
let isAsking = false;

async function read() {
  const { value, done } = await lines.next();
  return done ? null : JSON.parse(value);
}

/** @param {object} item */
const write = (item) => stdout.write(`${JSON.stringify(item)}\n`);

/** The board as a transport: every byte takes the way through standard output, one at a time. */
class Line {
  /** @type {Uint8Array[]} */
  #arrived = [];
  #wake = () => {};
  #isGone = false;
  #isClosed = false;
  #last = Promise.resolve();

  /** @param {boolean} ticks */
  constructor(ticks) {
    if (ticks) this.#tick();
  }

  #tick() {
    setTimeout(() => {
      if (this.#isClosed) return;
      void this.#ask({ tick: true });
      this.#tick();
    }, TICK);
  }

  /** @param {object} question */
  #ask(question) {
    this.#last = this.#last.then(async () => {
      if (this.#isGone) return;
      isAsking = true;
      write(question);
      const { toHost, gone } = await read();
      isAsking = false;
      for (const part of toHost) {
        setTimeout(() => {
          this.#arrived.push(Uint8Array.from(Buffer.from(part, "hex")));
          this.#wake();
        }, 2 * LATENCY);
      }
      if (gone) {
        setTimeout(() => {
          this.#isGone = true;
          this.#wake();
        }, 2 * LATENCY);
      }
    });
    return this.#last;
  }

  async read() {
    while (!this.#arrived.length && !this.#isGone && !this.#isClosed) {
      await new Promise((resolve) => {
        this.#wake = () => resolve(undefined);
      });
    }
    return this.#arrived.shift() ?? null;
  }

  /** @param {Uint8Array} bytes */
  async write(bytes) {
    // The first write after an unplugging seems to go well: only a reply proves delivery.
    await this.#ask({ toBoard: Buffer.from(bytes).toString("hex"), now: performance.now() });
  }

  async close() {
    this.#isClosed = true;
    this.#wake();
  }
}

/**
 * Do what a page does with a board, and return what came of it.
 *
 * @param {Connection} board
 * @param {string} what
 * @param {Change[]} changes
 */
async function play(board, what, changes) {
  const hello = await board.hello();
  const [deflated, values, status] = await Promise.all([
    board.readSchema(),
    board.readValues(),
    board.status(),
    board.discard(),
  ]);
  const schema = await unpack(deflated, hello.schemaDigest);
  const met = { settings: schema.settings.length, values: [...values.keys()], run: status.run };
  if (what === "meet") return met;
  const token = crypto.getRandomValues(new Uint8Array(8));
  const outcome = await board.store(changes, token);
  if (outcome.type !== "stored") return { ...met, outcome };
  try {
    const followed = await board.followStatus(() => {});
    return { ...met, outcome, followed: followed && followed.run };
  } catch (error) {
    return { ...met, outcome, followed: told(error) };
  }
}

/** @param {unknown} error */
function told(error) {
  if (error instanceof LinkError || error instanceof SchemaError) {
    const kind = error instanceof SchemaError ? "SchemaError" : error.constructor.name;
    return { kind, words: error.words };
  }
  return { kind: "fault", words: error instanceof Error ? String(error.stack) : String(error) };
}

/** @param {[string, any][]} changes with {"bytes": hexadecimal} for octets */
const fromJson = (changes) =>
  changes.map(([key, value]) =>
    /** @type {Change} */ ([
      key,
      value?.bytes === undefined ? value : Uint8Array.from(Buffer.from(value.bytes, "hex")),
    ]),
  );

const collect = /** @type {{gc?: () => void}} */ (globalThis).gc ?? (() => {});

useVirtualTime();
for (let command; (command = await read()); ) {
  beginAnew();
  collect();
  const before = process.memoryUsage().heapUsed;
  const line = new Line(command.ticks);
  /** @type {string[]} */
  const notices = [];
  const board = new Connection(line, { onNotice: (notice) => notices.push(notice) });
  let ended;
  try {
    const playing = play(board, command.do, fromJson(command.changes ?? []));
    ended = await passUntil(playing, () => isAsking, LIMIT);
  } catch (error) {
    ended = { error: told(error) };
  }
  const seconds = performance.now() / 1000;
  await passUntil(board.close(), () => isAsking, LIMIT);
  while (isAsking) await new Promise(setImmediate);
  collect();
  const held = process.memoryUsage().heapUsed - before;
  write({ ended: { ...ended, notices, seconds, held } });
}
