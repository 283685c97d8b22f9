// SPDX-License-Identifier: MIT
/** What the tests of the page's core share. */

import { readFileSync } from "node:fs";

/**
 * @param {string} path from the top of the project
 * @returns {any}
 */
export const json = (path) =>
  JSON.parse(readFileSync(new URL(`../../../${path}`, import.meta.url), "utf8"));

/** @param {string} hex */
export const unhex = (hex) => new Uint8Array(Buffer.from(hex, "hex"));

/** @param {Uint8Array} bytes */
export const hex = (bytes) => Buffer.from(bytes).toString("hex");

/** @param {string} text of characters below U+0100 */
export const octets = (text) => new Uint8Array(Buffer.from(text, "latin1"));

/**
 * Random numbers that a seed repeats (the generator is Marsaglia's xorshift32). In CI the seed is
 * always the same, as that of the Python tests is; elsewhere each run looks at new input.
 */
export class Random {
  seed = process.env.CI ? 1 : Date.now() >>> 0 || 1;
  #state = this.seed;

  /** @param {number} count */
  below(count) {
    this.#state ^= this.#state << 13;
    this.#state ^= this.#state >>> 17;
    this.#state ^= this.#state << 5;
    return (this.#state >>> 0) % count;
  }

  /**
   * @template T
   * @param {readonly T[]} choices
   * @returns {T}
   */
  pick(choices) {
    return /** @type {T} */ (choices[this.below(choices.length)]);
  }

  /** @param {number} length */
  bytes(length) {
    return Uint8Array.from({ length }, () => this.below(256));
  }
}
