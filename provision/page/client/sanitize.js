// SPDX-License-Identifier: MIT
/**
 * Text from a board, made fit to be shown (CWE-150).
 *
 * Whoever wrote the firmware, or whoever built the board, wrote these texts. They must not hide
 * what stands beside them, or turn the direction of writing. That they are text and never markup is
 * the affair of who shows them.
 *
 * @module
 */

import { mapTexts } from "../schema/languages.js";
import { MAX_HELP } from "../schema/table.js";

/** @import { Schema } from "../schema/model.js" */

const CUT = "...";

// Control, format and private characters, surrogates, what is not assigned, and separators, by the
// categories of Unicode.
const NOT_PRINTABLE = /(?! )[\p{C}\p{Z}]/gu;

// White space as the terminal dialog knows it: separators, and what is of the bidirectional types
// B, S or WS (Unicode Standard Annex 9). JavaScript's \s lacks some of them.
const SPACE = "[\\t-\\r\\x1c-\\x1f\\x85\\p{Z}]";
const SPACES = new RegExp(`${SPACE}+`, "gu");
const SPACES_AROUND = new RegExp(`^${SPACE}+|${SPACE}+$`, "gu");

/**
 * Return a text without white space around it.
 *
 * @param {string} text
 */
export function trimmed(text) {
  return text.replace(SPACES_AROUND, "");
}

/**
 * Return a text as one line of printable characters, of `limit` at most.
 *
 * White space of any kind, line breaks among it, becomes a single space. Every other character that
 * is a control or format character, bidirectional ones among them, a surrogate, or not assigned,
 * becomes a question mark.
 *
 * @param {string} text
 */
export function printable(text, limit = MAX_HELP) {
  const read = [...text].slice(0, 4 * limit).join("");
  return visible(trimmed(read).replace(SPACES, " "), limit);
}

/**
 * Return a text as printable characters, its spaces as they are; for values.
 *
 * @param {string} text
 */
export function visible(text, limit = MAX_HELP) {
  const read = [...text].slice(0, limit + 1);
  const kept = read.length <= limit ? read : [...read.slice(0, limit - CUT.length), CUT];
  return kept.join("").replace(NOT_PRINTABLE, "?");
}

/**
 * Return a schema with every text in it printable: whatever is shown of it is fit to be shown.
 *
 * Keys, limits and values stay: keys have no such characters, and a value is cleaned when it is
 * shown. So do translations: a schema is cleaned in the language that it is shown in.
 *
 * @param {Schema} schema
 * @returns {Schema}
 */
export function cleanSchema(schema) {
  const sections = schema.sections.map((section) => ({
    ...section,
    fields: section.fields.map((field) => ({
      ...field,
      // What is no text for people, and shown all the same, as are the names of pins.
      unit: field.unit && printable(field.unit),
      schemes: field.schemes.map((scheme) => printable(scheme)),
    })),
  }));
  const pins = schema.pins.map((pin) => ({ ...pin, name: pin.name && printable(pin.name) }));
  return mapTexts({ ...schema, sections, pins }, (text) => printable(text));
}
