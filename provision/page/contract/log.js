// SPDX-License-Identifier: MIT
/** Log text that shares a port with frames, made fit to be shown (shared/protocol.md, clause 2.5). */

import { LONGEST_LOG, toBytes, toCharacters } from "./line.js";

// ECMA-48: control sequences (clause 5.4), control strings up to BEL, ST or the next escape (5.6),
// then every other escape sequence (ECMA-35 clause 13.2) and the stray ESC of one that was cut.
const ESCAPE =
  // eslint-disable-next-line no-control-regex
  /\x1b(?:\[[0-?]*[ -/]*[@-~]?|[P\]X^_][^\x07\x1b]*(?:\x07|\x1b\\)?|[ -/]*[0-~]?)/g;
const RUN = /[\w-]{16,}/g; // \w is A-Z a-z 0-9 and the underscore, and nothing else
const RUN_AT_END = /[\w-]+$/;
const UNPRINTABLE = /(?! )[\p{C}\p{Z}]/gu;

/**
 * Return a line of log text as printable text, bounded in length, without possible secrets.
 *
 * A damaged echo of a frame could carry a secret: everything from a `~` on, and every run of 16 or
 * more base64url characters, gives way to a mark. Escape sequences are dropped, a tab becomes a
 * space, and what is not printable (bidirectional controls among it) becomes `?`. Text that is no
 * valid UTF-8 is read as ASCII. What goes beyond 960 bytes is cut off.
 *
 * @param {Uint8Array} bytes
 */
export function cleanLog(bytes) {
  const [head, tilde] = toCharacters(bytes.subarray(0, LONGEST_LOG)).split("~", 2);
  let kept = /** @type {string} */ (head).replace(ESCAPE, "");
  const cut = tilde === undefined && bytes.length > LONGEST_LOG;
  if (cut) kept = kept.replace(RUN_AT_END, ""); // it may be the head of a longer run
  const text = printable(kept.replace(RUN, "[removed]"), cut);
  if (tilde !== undefined) return `${text}[frame removed]`;
  return cut ? `${text}[cut]` : text;
}

/**
 * Return printable text of one character for each byte; if it was cut, half a character at its end
 * goes.
 *
 * @param {string} raw
 * @param {boolean} cut
 */
function printable(raw, cut) {
  let text;
  try {
    text = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(toBytes(raw), {
      stream: cut,
    });
  } catch {
    text = raw.replace(/[\x80-\xff]/g, "?");
  }
  return text.replace(/\t/g, " ").replace(UNPRINTABLE, "?");
}
