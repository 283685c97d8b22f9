// SPDX-License-Identifier: MIT
/**
 * What is allowed, and looks wrong all the same: asked about before it is sent.
 *
 * The sentences follow the label of the setting, and never repeat what was typed.
 *
 * @module
 */

import { Kind } from "../contract/table.js";
import { say } from "../words.js";
import { trimmed } from "../client/sanitize.js";

/** @import { Field, Value } from "../schema/model.js" */

const TYPOGRAPHIC = /[\u201c\u201d\u201e\u201f\u2018\u2019\u201a\u201b\u00ab\u00bb\u2039\u203a]/;
const OTHER_SPACES = /[\u00a0\u2007\u202f\u200b]/;

/** @type {readonly number[]} Kinds of which every character has to be the right one. */
const EXACT = [Kind.SECRET, Kind.PASSPHRASE, Kind.NETWORK_NAME];

/**
 * Return what a person may not have meant.
 *
 * @param {Field} field
 * @param {Value} value
 * @returns {string[]}
 */
export function doubts(field, value) {
  const exact = EXACT.includes(field.kind);
  if (!exact && field.kind !== Kind.TEXT) return [];
  const text =
    value instanceof Uint8Array
      ? new TextDecoder("utf-8", { ignoreBOM: true }).decode(value)
      : String(value);
  const found = [];
  if (isSpace(text.slice(0, 1))) found.push(say("begins with a space"));
  if (isSpace(text.slice(-1)) && trimmed(text)) {
    found.push(say("ends with a space, as copied text often does"));
  }
  if (exact && TYPOGRAPHIC.test(text)) {
    found.push(say("has typographic quotes, which some programs put in place of plain ones"));
  }
  if (exact && OTHER_SPACES.test(text)) {
    found.push(say("has another kind of space than the space bar types"));
  }
  return found;
}

/** @param {string} character */
function isSpace(character) {
  return character !== "" && trimmed(character) === "";
}
