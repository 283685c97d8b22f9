// SPDX-License-Identifier: MIT
/**
 * Frames as lines of printable ASCII, told apart from the log text that shares their port.
 *
 * A frame is `LF ~ BODY CHECK LF` (shared/protocol.md, clause 2). BODY is base64url (RFC 4648 §5)
 * without padding and with zero pad bits. CHECK is the CRC-32C of BODY's characters as they are
 * sent, in eight characters 0x40 + nibble, most significant first. A CRC detects damage; it does
 * not authenticate.
 *
 * Sans-I/O: bytes go in, events come out. Whatever comes in, a receiver holds 1 KiB at most.
 *
 * @typedef {object} Frame the bytes of an item, and the length of its line, both LF included
 * @property {"frame"} type
 * @property {Uint8Array} item
 * @property {number} size
 *
 * @typedef {object} Damaged a line that began with `~` and is no frame; its text is not kept
 * @property {"damaged"} type
 * @property {LineFault} fault
 * @property {number} crc the CRC-32C of the line, by which the same line is known when it comes
 *     again
 *
 * @typedef {"foreign" | "long" | "check" | "body"} LineFault what is wrong with a line; foreign: it is
 *     too short, or too many of its characters are none of a frame's, so that it is a prompt, or
 *     noise; body: its CHECK matches, and its BODY is no base64url without padding and with zero pad
 *     bits
 *
 * @typedef {object} LogText a line that is no frame, cleaned
 * @property {"log"} type
 * @property {string} text
 *
 * @typedef {Frame | Damaged | LogText} LineEvent
 */

import { MAX_BODY, MIN_BODY_LIMIT } from "./table.js";

const CHECK_LENGTH = 8;
const FOREIGN_SHARE = 8; // a line of which more than one character in eight is foreign was no frame
/** Bytes of a log line that are kept: more than the longest frame. */
export const LONGEST_LOG = 960;
const LF = 10;
const CR = 13;

// CRC-32C (RFC 3720 appendix B.4), reflected: the remainder of each byte.
const CRC_TABLE = Uint32Array.from({ length: 256 }, (_, remainder) => {
  for (let bit = 0; bit < 8; bit++) {
    remainder = remainder & 1 ? (remainder >>> 1) ^ 0x82f63b78 : remainder >>> 1;
  }
  return remainder;
});

/**
 * Return the CRC-32C (CRC-32/ISCSI in the reveng catalogue), unsigned.
 *
 * @param {Uint8Array} bytes
 */
export function crc32c(bytes) {
  let crc = -1;
  for (const byte of bytes) crc = (crc >>> 8) ^ /** @type {number} */ (CRC_TABLE[(crc ^ byte) & 255]);
  return ~crc >>> 0;
}

/** @param {string} text one character for each byte */
export const toBytes = (text) => Uint8Array.from(text, (character) => character.charCodeAt(0));

/** @param {Uint8Array} bytes at most a line's, so that they fit the arguments of a call */
export const toCharacters = (bytes) => String.fromCharCode(...bytes);

/** @param {Uint8Array} item */
const toBody = (item) =>
  btoa(toCharacters(item)).replace(/\+/g, "-").replace(/\//g, "_").replace(/=+$/, "");

/** @param {string} body */
function check(body) {
  const crc = crc32c(toBytes(body));
  return toCharacters(Uint8Array.from({ length: 8 }, (_, at) => 64 + ((crc >>> (28 - 4 * at)) & 15)));
}

/**
 * Return the line that carries an encoded item, its leading and its closing LF included.
 *
 * @param {Uint8Array} item
 * @param {number} [limit] longest BODY in characters that the receiver announced; MAX_BODY holds in
 *     any case
 * @returns {Uint8Array}
 * @throws {RangeError} for an empty item, and for a BODY longer than that
 */
export function encodeLine(item, limit = MAX_BODY) {
  const longest = Math.min(limit, MAX_BODY);
  const length = Math.ceil((item.length * 4) / 3);
  if (!length) throw new RangeError("A frame carries one item, and this one is empty.");
  if (length > longest) {
    throw new RangeError(`A frame of ${length} characters is over the receiver's ${longest}.`);
  }
  const body = toBody(item);
  return toBytes(`\n~${body}${check(body)}\n`);
}

/**
 * Splits what a port delivers into frames, damaged frames and log text.
 *
 * LF, CR and CRLF all end a line; empty lines yield nothing. The events do not depend on how the
 * bytes are split over calls.
 */
export class LineReceiver {
  // One byte more than a log line may have tells a line that ran on from one that just fits.
  #held = new Uint8Array(LONGEST_LOG + 1);
  #length = 0;
  #longestFrame;
  #clean;

  /**
   * @param {number} [maxBody] longest BODY in characters to accept, MIN_BODY_LIMIT to MAX_BODY
   * @param {(line: Uint8Array) => string} [clean] makes log text of a line that is no frame, as
   *     cleanLog() does; without it there is none
   */
  constructor(maxBody = MAX_BODY, clean = () => "") {
    if (!(maxBody >= MIN_BODY_LIMIT && maxBody <= MAX_BODY)) {
      throw new RangeError(
        `A BODY limit is ${MIN_BODY_LIMIT} to ${MAX_BODY} characters, not ${maxBody}.`,
      );
    }
    this.#longestFrame = 1 + maxBody + CHECK_LENGTH;
    this.#clean = clean;
  }

  /**
   * Take bytes as they arrive; return one event for each line that they complete.
   *
   * @param {Uint8Array} bytes
   */
  feed(bytes) {
    /** @type {LineEvent[]} */
    const events = [];
    for (const byte of bytes) {
      if (byte !== LF && byte !== CR) {
        if (this.#length < this.#held.length) this.#held[this.#length++] = byte;
        continue;
      }
      const event = this.#length ? this.#event(this.#held.subarray(0, this.#length)) : null;
      if (event) events.push(event);
      this.#length = 0;
    }
    return events;
  }

  /**
   * @param {Uint8Array} line
   * @returns {LineEvent | null}
   */
  #event(line) {
    if (line[0] === 0x7e) return this.#frame(toCharacters(line));
    const text = this.#clean(line);
    return text ? { type: "log", text } : null;
  }

  /**
   * @param {string} line
   * @returns {Frame | Damaged}
   */
  #frame(line) {
    const body = line.slice(1, -CHECK_LENGTH);
    const isLong = line.length > this.#longestFrame;
    if (body && !isLong && line.slice(-CHECK_LENGTH) === check(body)) {
      const item = fromBody(body);
      if (item) return { type: "frame", item, size: line.length + 2 };
      return { type: "damaged", fault: "body", crc: 0 };
    }
    const foreign = line.replace(/[\w@-]/g, "").length - 1; // the tilde
    const isForeign = !body || foreign * FOREIGN_SHARE > line.length;
    const fault = isForeign ? "foreign" : isLong ? "long" : "check";
    return { type: "damaged", fault, crc: crc32c(toBytes(line)) };
  }
}

/**
 * Return the item that a BODY spells, null if it spells none.
 *
 * @param {string} body
 */
function fromBody(body) {
  try {
    const item = toBytes(atob(body.replace(/-/g, "+").replace(/_/g, "/")));
    // The decoder skips spaces and ignores pad bits; only the one right spelling of an item comes
    // back when it is encoded again.
    return toBody(item) === body ? item : null;
  } catch {
    return null;
  }
}
