// SPDX-License-Identifier: MIT
/**
 * The session with a board: any number of procedures over one exchange.
 *
 * Sans-I/O: bytes and the time go in; bytes and notices come out, and of each procedure
 * how it ended. Whoever drives it calls poll() after every start(), stop() and receive(), and at
 * nextDeadline().
 *
 * @typedef {import("./exchange.js").Answer} Answer
 */

import { LinkError } from "./errors.js";
import { Exchange } from "./exchange.js";

/**
 * @template Result
 * @typedef {import("./operations.js").Procedure<Result>} Procedure
 */

/**
 * One procedure under way.
 *
 * @template Result
 * @typedef {object} Run
 * @property {Procedure<Result>} procedure
 * @property {Set<number>} outstanding ids of its requests that are not answered
 * @property {(result: Result) => void} resolve
 * @property {(error: unknown) => void} reject
 */

/** An exchange that runs procedures; several at once share its flights. */
export class Session extends Exchange {
  /** @type {Map<number, Run<any>>} */
  #owners = new Map();
  /** @type {Set<Run<any>>} */
  #runs = new Set();

  /**
   * Set a procedure going, and tell how it ends: by its result, or its LinkError.
   *
   * @template Result
   * @param {Procedure<Result>} procedure
   * @param {number} now
   * @param {(result: Result) => void} resolve
   * @param {(error: unknown) => void} reject
   */
  start(procedure, now, resolve, reject) {
    /** @type {Run<Result>} */
    const run = { procedure, outstanding: new Set(), resolve, reject };
    this.#runs.add(run);
    this.#step(run, null, now);
    return run;
  }

  /**
   * End a run, or every run, with an error; what it has not sent will not be sent.
   *
   * @param {unknown} error
   * @param {Iterable<Run<any>>} [runs]
   */
  stop(error, runs = this.#runs) {
    for (const run of runs) {
      if (!this.#runs.has(run)) continue;
      this.#end(run);
      run.reject(error);
    }
  }

  /**
   * Take bytes as they arrive.
   *
   * @override
   * @param {Uint8Array} bytes
   * @param {number} now
   */
  receive(bytes, now) {
    super.receive(bytes, now);
    this.#deliver(now);
  }

  /**
   * Return the bytes to send now.
   *
   * @override
   * @param {number} now
   */
  poll(now) {
    const out = [...super.poll(now)];
    // What was given up may bring new requests.
    while (this.#deliver(now)) out.push(...super.poll(now));
    return Uint8Array.from(out);
  }

  /** @param {number} now */
  #deliver(now) {
    const answers = this.takeAnswers();
    for (const answer of answers) {
      const run = this.#owners.get(answer.id);
      if (!run) continue; // it ended at an answer before this one
      this.#owners.delete(answer.id);
      run.outstanding.delete(answer.id);
      this.#step(run, answer, now);
    }
    return answers.length > 0;
  }

  /**
   * @param {Run<any>} run
   * @param {Answer | null} answer
   * @param {number} now
   */
  #step(run, answer, now) {
    try {
      // A generator takes no notice of what its first next() is given.
      const { done, value } = run.procedure.next(/** @type {Answer} */ (answer));
      if (!this.#runs.has(run)) return; // stopped by what the procedure called
      if (done) {
        this.#end(run);
        run.resolve(value);
        return;
      }
      for (const request of value) {
        const id = this.submit(request, now);
        this.#owners.set(id, run);
        run.outstanding.add(id);
      }
    } catch (error) {
      if (!(error instanceof LinkError)) throw error;
      this.#end(run);
      run.reject(error);
    }
  }

  /** @param {Run<any>} run */
  #end(run) {
    this.#runs.delete(run);
    this.abandon(run.outstanding);
    for (const id of run.outstanding) this.#owners.delete(id);
  }
}
