// SPDX-License-Identifier: MIT
/**
 * The wireless networks in range, as a person chooses among them.
 *
 * @module
 */

import { Security } from "../contract/table.js";
import { MAX_NETWORK_NAME } from "../schema/table.js";
import { mark, say } from "../words.js";
import { visible } from "../client/sanitize.js";

/** @import { InRange } from "./questions.js" */

// dBm from which on a signal is called so; common practice.
const STRONG = -60;
const FAIR = -75;

/** @type {Readonly<Record<number, string>>} */
const SECURITY = Object.freeze({
  [Security.OPEN]: mark("open"),
  [Security.PERSONAL]: "with a passphrase",
  [Security.ENTERPRISE]: "with an account for each user",
});

/**
 * Return what was found, the strongest first, each name once.
 *
 * @param {Iterable<{name: Uint8Array, signal: number, security: number}>} found  names in octets,
 *   signals in dBm, security by code
 * @returns {InRange[]}
 */
export function inRange(found) {
  /** @type {Map<string, InRange>} */
  const strongest = new Map();
  for (const { name, signal, security } of [...found].sort((a, b) => b.signal - a.signal)) {
    const octets = String(name);
    if (name.length === 0 || strongest.has(octets)) continue;
    strongest.set(octets, {
      name,
      shown: visible(decoded(name), MAX_NETWORK_NAME),
      strength: strength(signal),
      security: say(SECURITY[security] ?? "secured in an unknown way"),
      isOpen: security === Security.OPEN,
    });
  }
  return [...strongest.values()];
}

/** @param {number} signal */
function strength(signal) {
  return say(signal >= STRONG ? "strong" : signal >= FAIR ? "fair" : "weak");
}

// A character in UTF-8 by the form of its octets (RFC 3629 section 3), or any octet.
const CHARACTER = /%[0-7].|%[cd].%[89ab].|%e.(?:%[89ab].){2}|%f.(?:%[89ab].){3}|%../g;

/**
 * Return the text that octets are in UTF-8, those that are none as \xNN.
 *
 * @param {Uint8Array} octets
 */
function decoded(octets) {
  const hex = Array.from(octets, (octet) => `%${octet.toString(16).padStart(2, "0")}`);
  return hex.join("").replace(CHARACTER, (character) => {
    try {
      return decodeURIComponent(character);
    } catch {
      return character.replaceAll("%", "\\x");
    }
  });
}
