// SPDX-License-Identifier: MIT
/**
 * A connection to a board: the session, driven by a transport and the clock.
 *
 *     const board = new Connection(await openPort(port), { onNotice: tell });
 *     const hello = await board.hello();
 *     const [, deflated, values, status] = await Promise.all([
 *       board.discard(), board.readSchema(), board.readValues(), board.status(),
 *     ]);
 *     const outcome = await board.store(changes, crypto.getRandomValues(new Uint8Array(8)));
 *
 * Several calls may run at once and share the line's flights. Times are in milliseconds.
 *
 * @typedef {import("./operations.js").Change} Change
 * @typedef {import("./replies.js").Hello} Hello
 * @typedef {import("./replies.js").Network} Network
 * @typedef {import("./replies.js").Outcome} Outcome
 * @typedef {import("./replies.js").Status} Status
 * @typedef {import("./exchange.js").Notice} Notice
 *
 * @typedef {object} Transport the bytes to and from one board
 * @property {() => Promise<Uint8Array | null>} read waits for bytes; null once the port is gone
 * @property {(bytes: Uint8Array) => Promise<void>} write rejects once the port is gone
 * @property {() => Promise<void>} close lets go of the port, within a second; may be called again
 */

/**
 * @template Result
 * @typedef {import("./operations.js").Procedure<Result>} Procedure
 */

import { MAX_ID } from "../contract/messages.js";
import { Held, Run, STEP_BOUND_MS, Store } from "../contract/table.js";
import { say } from "../words.js";
import { BoardRefused, LineLost, LinkError, NoReply } from "./errors.js";
import * as operations from "./operations.js";
import { Session } from "./session.js";

const FOLLOW_PAUSE = 250; // ms between looks at the status
const FOLLOW_GRACE = 10_000; // ms beyond the time that the board announces (clause 5.3)

/** One board at the other end of a transport. What goes wrong is a LinkError. */
export class Connection {
  #transport;
  #session;
  #onNotice;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  #timer;
  /** @type {unknown} */
  #error = null;
  /** @type {Hello | null} */
  #hello = null;
  /** What was written last, since bytes go out in order. */
  #written = Promise.resolve();

  /**
   * @param {Transport} transport
   * @param {object} [options]
   * @param {number} [options.baud] bits a second of the line
   * @param {(notice: Notice) => void} [options.onNotice] gets what the person may want to know
   *     while nothing has failed
   */
  constructor(transport, { baud = 115200, onNotice = () => {} } = {}) {
    this.#transport = transport;
    this.#onNotice = onNotice;
    const [firstId = 0] = crypto.getRandomValues(new Uint16Array(1));
    this.#session = new Session(baud, firstId % (MAX_ID + 1));
    void this.#readOn();
  }

  /** Let go of the port, within a second; every call that runs ends. May be called again. */
  close() {
    this.#fail(new LineLost(say("The connection was closed.")));
    return this.#transport.close();
  }

  /**
   * Return who is there; hello is repeated every 250 ms until a board answers.
   *
   * @param {number} [patience] Infinity: for ever
   * @throws {LinkError} Silent, SpeaksElse, OtherReader, WrongVersion
   */
  async hello(patience = STEP_BOUND_MS) {
    this.#hello = await this.#run(operations.greet(patience));
    return this.#hello;
  }

  /** Return the deflated schema, not yet to be believed. */
  async readSchema() {
    return this.#run(operations.readSchema((await this.#met()).schemaSize));
  }

  /** Return what the board holds, by full key in schema order. */
  readValues() {
    return this.#run(operations.readValues());
  }

  /** Return where the board stands. */
  status() {
    return this.#run(operations.readStatusNow());
  }

  /** Drop what is staged. */
  async discard() {
    return this.#run(operations.discard((await this.#met()).boot));
  }

  /**
   * Make the changes durable, all or none; null as a value clears a field.
   *
   * Where the line is lost after the commit was sent the outcome is unknown, which is no error.
   *
   * @param {readonly Change[]} changes in schema order, at least one
   * @param {Uint8Array} token 8 random bytes, to resolve an unclear outcome
   * @returns {Promise<Outcome>}
   */
  async store(changes, token) {
    const { unit } = await this.#met();
    let isOpen = false;
    try {
      return await this.#change(() =>
        operations.store(this.#session.limits.line, unit, changes, token, (open) => {
          isOpen = open;
        }),
      );
    } catch (error) {
      if (isOpen && error instanceof LinkError) return { type: "unknown" };
      throw error;
    }
  }

  /**
   * Return what came of the commit with this token, by what hello says now.
   *
   * @param {Uint8Array} token
   * @param {Uint8Array} unit of the board that it went to
   */
  resolveCommit(token, unit) {
    return this.#run(operations.resolveCommit(token, unit));
  }

  /**
   * Look at the status until the firmware works with the set in force, fails, or does not report;
   * return that status, null if none such came in the time that the board announces, and 10 s
   * (clause 5.3). A board that restarts meanwhile is waited for.
   *
   * @param {(status: Status) => void} onChange told of every step
   * @returns {Promise<Status | null>}
   */
  async followStatus(onChange) {
    const end = performance.now() + (await this.#met()).applyTime + FOLLOW_GRACE;
    let last = "";
    for (;;) {
      const patience = Math.min(end - performance.now(), STEP_BOUND_MS);
      if (patience <= 0) return null;
      let status;
      try {
        status = await this.#run(operations.readStatusNow({ delay: FOLLOW_PAUSE, patience }));
      } catch (error) {
        if (error instanceof NoReply || error instanceof BoardRefused) continue;
        throw error;
      }
      const now = `${status.run} ${status.step}`;
      if (now !== last) onChange(status);
      last = now;
      // A trial may have ended in a set with which this firmware cannot work.
      const wentBack = status.store === Store.INCOMPLETE;
      if (wentBack || (status.run !== Run.IDLE && status.run !== Run.APPLYING)) return status;
    }
  }

  /**
   * Put the set before `generation` in force again; return the new generation.
   *
   * @param {number} generation
   */
  undo(generation) {
    return this.#change(() => operations.undo(generation));
  }

  /**
   * Keep the set on trial; return the new generation.
   *
   * @param {number} generation
   */
  confirm(generation) {
    return this.#change(() => operations.confirm(generation));
  }

  /**
   * Wipe every value; return the new generation.
   *
   * @param {number} generation
   */
  erase(generation) {
    return this.#change(() => operations.erase(generation));
  }

  /**
   * Look whether anything is left after an erase.
   *
   * @returns {Promise<{isEmpty: boolean, left: string[]}>} left: full keys of what is still set
   */
  async verifyErased() {
    const left = [...(await this.readValues())]
      .filter(([, { held }]) => held !== Held.UNSET)
      .map(([key]) => key);
    const { store } = await this.status();
    const { token } = await this.hello();
    return { isEmpty: !left.length && store === Store.EMPTY && token === null, left };
  }

  /**
   * Return the wireless networks in range.
   *
   * @param {(found: Network[]) => void} onFound told of them as they come in
   * @param {AbortSignal} [signal] ends it: the promise rejects with the signal's reason
   */
  survey(onFound, signal) {
    return this.#run(operations.survey(onFound), signal);
  }

  /** Make the board show itself, for about five seconds. */
  locate() {
    return this.#run(operations.locate());
  }

  async #met() {
    return this.#hello ?? this.hello();
  }

  /**
   * Run a change, again and again while the board wants its button pressed for it.
   *
   * @template Result
   * @param {() => Procedure<Result>} change
   */
  #change(change) {
    const onWanted = () => this.#onNotice("presence");
    return this.#run(operations.withPresence(change, onWanted));
  }

  /**
   * @template Result
   * @param {Procedure<Result>} procedure
   * @param {AbortSignal} [signal]
   * @returns {Promise<Result>}
   */
  async #run(procedure, signal) {
    if (this.#error) throw this.#error;
    signal?.throwIfAborted();
    /** @type {Promise<Result>} */
    const ended = new Promise((resolve, reject) => {
      const run = this.#session.start(procedure, performance.now(), resolve, reject);
      signal?.addEventListener("abort", () => this.#session.stop(signal.reason, [run]));
    });
    this.#advance();
    return ended;
  }

  async #readOn() {
    try {
      for (let bytes; (bytes = await this.#transport.read()); ) {
        this.#session.receive(bytes, performance.now());
        this.#advance();
      }
      this.#lose();
    } catch (error) {
      this.#fail(error); // a fault of ours: whoever waits gets to see it
    }
  }

  /** Send what is to be sent, hand out what came in, and set the clock for the next time. */
  #advance() {
    const out = this.#session.poll(performance.now());
    for (const notice of this.#session.takeNotices()) this.#onNotice(notice);
    if (out.length) {
      this.#written = this.#written
        .then(() => this.#transport.write(out))
        .catch(() => this.#lose());
    }
    clearTimeout(this.#timer);
    const wait = this.#session.nextDeadline() - performance.now();
    if (wait < Infinity && !this.#error) {
      this.#timer = setTimeout(() => this.#onTime(), Math.max(wait, 0));
    }
  }

  #onTime() {
    try {
      this.#advance();
    } catch (error) {
      this.#fail(error);
    }
  }

  #lose() {
    if (this.#error) return;
    this.#onNotice("line-lost");
    this.#fail(
      new LineLost(
        say("The port is gone: plug the board in again (or start it again), and try again."),
      ),
    );
  }

  /**
   * End every call that runs, and every later one, with this error.
   *
   * @param {unknown} error
   */
  #fail(error) {
    this.#error ??= error;
    this.#session.stop(this.#error);
  }
}
