// SPDX-License-Identifier: MIT
/**
 * CBOR (RFC 8949) within the contract's strict profile (shared/protocol.md, clause 3).
 *
 * Admitted are integers from −2^31 to 2^32 − 1, byte strings, text strings of valid UTF-8, arrays,
 * maps with unsigned-integer keys, booleans and null, in core deterministic encoding (clause
 * 4.2.1): shortest heads, ascending keys, definite lengths.
 *
 * Depth counts containers within each other: a scalar has depth 0, `[]` and `[1]` have 1, and
 * `[[]]` and `{0: []}` have 2.
 *
 * @typedef {number | boolean | null | string | Uint8Array | Item[] | Map<number, Item>} Item
 */

import { MAX_DEPTH } from "./table.js";

/** Deepest nesting that a message may have. */
export const MESSAGE_DEPTH = MAX_DEPTH;

const LEAST_INTEGER = -(2 ** 31);
const GREATEST_INTEGER = 2 ** 32 - 1;

// Major types (RFC 8949 §3.1).
const UNSIGNED = 0;
const NEGATIVE = 1;
const BYTES = 2;
const TEXT = 3;
const ARRAY = 4;
const MAP = 5;

const FALSE = 0xf4;
const TRUE = 0xf5;
const NULL = 0xf6;

/** An item lies outside the profile. The text never quotes the item, which may be a secret. */
export class ProfileError extends Error {}

const noForm = () => new ProfileError("the profile has no form for the item");

const tooDeep = () => new ProfileError("the item is nested too deep");

/** @param {number} at */
const outside = (at) => new ProfileError(`the item at byte ${at} is none of the profile`);

/**
 * Return the one encoding that the profile has for an item.
 *
 * @param {Item} item
 * @param {number} [maxDepth]
 * @throws {ProfileError} if the profile has none for it, or if it is nested deeper than maxDepth
 */
export function encode(item, maxDepth = MESSAGE_DEPTH) {
  /** @type {number[]} */
  const out = [];
  write(out, item, maxDepth);
  return Uint8Array.from(out);
}

/**
 * @param {number[]} out
 * @param {Item} item
 * @param {number} levels how many containers may still open
 */
function write(out, item, levels) {
  if (typeof item === "number") {
    if (!Number.isInteger(item) || item < LEAST_INTEGER || item > GREATEST_INTEGER) {
      throw noForm();
    }
    if (item < 0) writeHead(out, NEGATIVE, -1 - item);
    else writeHead(out, UNSIGNED, item);
  } else if (item === null || typeof item === "boolean") {
    out.push(item === null ? NULL : item ? TRUE : FALSE);
  } else if (typeof item === "string") {
    if (/\p{Cs}/u.test(item)) throw noForm();
    writeOctets(out, TEXT, new TextEncoder().encode(item));
  } else if (item instanceof Uint8Array) {
    writeOctets(out, BYTES, item);
  } else if (!levels) {
    throw tooDeep();
  } else if (item instanceof Map) {
    writeHead(out, MAP, item.size);
    for (const key of [...item.keys()].sort((a, b) => a - b)) {
      if (!(Number.isInteger(key) && key >= 0 && key <= GREATEST_INTEGER)) {
        throw noForm();
      }
      writeHead(out, UNSIGNED, key);
      write(out, /** @type {Item} */ (item.get(key)), levels - 1);
    }
  } else if (Array.isArray(item)) {
    writeHead(out, ARRAY, item.length);
    for (const each of item) write(out, each, levels - 1);
  } else {
    throw noForm();
  }
}

/**
 * @param {number[]} out
 * @param {number} major
 * @param {Uint8Array} octets
 */
function writeOctets(out, major, octets) {
  writeHead(out, major, octets.length);
  for (const octet of octets) out.push(octet);
}

/**
 * @param {number[]} out
 * @param {number} major
 * @param {number} argument
 */
function writeHead(out, major, argument) {
  const width = argument < 24 ? 0 : argument < 0x100 ? 1 : argument < 0x10000 ? 2 : 4;
  out.push((major << 5) | (width ? 24 + Math.log2(width) : argument));
  for (let at = width - 1; at >= 0; at--) out.push((argument >>> (8 * at)) & 255);
}

/**
 * Return the item that the bytes encode, all of them. Nothing is allocated for a length that the
 * input does not hold.
 *
 * @param {Uint8Array} bytes
 * @param {number} [maxDepth]
 * @returns {Item}
 * @throws {ProfileError} if they are not the profile's encoding of one item, or if that item is
 *     nested deeper than maxDepth
 */
export function decode(bytes, maxDepth = MESSAGE_DEPTH) {
  const reader = new Reader(bytes);
  const item = reader.item(maxDepth);
  const left = bytes.length - reader.at;
  if (left) throw new ProfileError(`${left} bytes follow the item`);
  return item;
}

class Reader {
  at = 0;
  #bytes;

  /** @param {Uint8Array} bytes */
  constructor(bytes) {
    this.#bytes = bytes;
  }

  /**
   * Read one item; it calls itself no deeper than `levels`, whatever comes.
   *
   * @param {number} levels how many containers may still open
   * @returns {Item}
   */
  item(levels) {
    const { at } = this;
    const { major, argument } = this.#head();
    switch (major) {
      case UNSIGNED:
        return argument;
      case NEGATIVE:
        if (-1 - argument < LEAST_INTEGER) throw outside(at);
        return -1 - argument;
      case BYTES:
        return this.#octets(argument).slice();
      case TEXT: {
        const octets = this.#octets(argument);
        try {
          return new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(octets);
        } catch {
          throw outside(at);
        }
      }
      case ARRAY:
      case MAP:
        if (!levels) throw tooDeep();
        return major === ARRAY ? this.#array(argument, levels) : this.#map(argument, levels);
      default:
        return argument + 0xe0 === NULL ? null : argument + 0xe0 === TRUE;
    }
  }

  /**
   * @param {number} length
   * @param {number} levels
   */
  #array(length, levels) {
    /** @type {Item[]} */
    const items = [];
    while (items.length < length) items.push(this.item(levels - 1));
    return items;
  }

  /**
   * @param {number} size
   * @param {number} levels
   */
  #map(size, levels) {
    /** @type {Map<number, Item>} */
    const entries = new Map();
    let last = -1;
    for (let left = size; left; left--) {
      const { at } = this;
      const { major, argument: key } = this.#head();
      if (major !== UNSIGNED || key <= last) throw outside(at);
      last = key;
      entries.set(key, this.item(levels - 1));
    }
    return entries;
  }

  /** @param {number} length */
  #octets(length) {
    const from = this.at;
    this.at += length;
    if (this.at > this.#bytes.length) throw outside(from);
    return this.#bytes.subarray(from, this.at);
  }

  #byte() {
    const byte = this.#bytes[this.at];
    if (byte === undefined) throw outside(this.at);
    this.at++;
    return byte;
  }

  /** Read a head (RFC 8949 §3) that is within the profile. */
  #head() {
    const { at } = this;
    const head = this.#byte();
    const major = head >> 5;
    let argument = head & 31;
    // No tags, floating-point numbers, undefined and other simple values.
    if (major > MAP && head !== FALSE && head !== TRUE && head !== NULL) throw outside(at);
    if (argument < 24) return { major, argument };
    // An argument of eight bytes serves no integer of the profile and no length that fits its input;
    // the others are reserved, or of indefinite length.
    if (argument > 26) throw outside(at);
    const width = 1 << (argument - 24);
    argument = 0;
    for (let left = width; left; left--) argument = argument * 256 + this.#byte();
    // How many values a shorter head can hold.
    if (argument < (width === 1 ? 24 : 1 << (4 * width))) throw outside(at);
    return { major, argument };
  }
}
