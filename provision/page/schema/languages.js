// SPDX-License-Identifier: MIT
/**
 * The texts of a schema in several languages (shared/protocol.md, clause 8.4).
 *
 * A schema is written in one language. A translation has a text, or none, for each of its texts, in
 * their order.
 *
 * @typedef {import("./model.js").Schema} Schema
 * @typedef {keyof typeof LONGEST_TEXT} TextSort
 */

import { Kind } from "../contract/table.js";
import { makeSchema } from "./model.js";
import { MAX_CAUTION, MAX_HELP, MAX_LABEL, MAX_UNIT } from "./table.js";

/** Bytes of UTF-8 (clause 8.1). */
export const LONGEST_TEXT = Object.freeze({
  title: MAX_LABEL,
  label: MAX_LABEL,
  help: MAX_HELP,
  caution: MAX_CAUTION,
  unit: MAX_UNIT,
  taken: MAX_LABEL,
});

/**
 * Return a schema with every text changed, in the order of clause 8.4.
 *
 * The names of pins, which are printed on the board, and the units of durations, which are codes,
 * are no texts.
 *
 * @param {Schema} schema
 * @param {(text: string, sort: TextSort) => string} change
 * @returns {Schema}
 */
export function mapTexts(schema, change) {
  /**
   * @template {object} T
   * @param {T} owner
   * @param {(keyof T & TextSort)[]} sorts
   * @returns {T}
   */
  const changed = (owner, ...sorts) => {
    /** @type {Partial<Record<TextSort, string>>} */
    const texts = {};
    for (const sort of sorts) {
      const text = owner[sort];
      if (typeof text === "string") texts[sort] = change(text, sort);
    }
    return { ...owner, ...texts };
  };
  return makeSchema({
    ...changed(schema, "title"),
    sections: schema.sections.map((section) => ({
      ...changed(section, "label", "help"),
      fields: section.fields.map((field) => ({
        ...(field.kind === Kind.DURATION
          ? changed(field, "label", "help", "caution")
          : changed(field, "label", "help", "unit", "caution")),
        options: field.options.map((option) => changed(option, "label", "help")),
      })),
    })),
    pins: schema.pins.map((pin) => changed(pin, "taken", "caution")),
  });
}

/**
 * Return the tags of the languages that a schema can be shown in, its own first.
 *
 * @param {Schema} schema
 */
export function languages({ language, translations }) {
  return [...(language === null ? [] : [language]), ...translations.map((each) => each.language)];
}

/**
 * Return a schema in the first wanted language that it has, else in its own; it has no translations
 * any more. A text without translation stays in the schema's own language. The lookup is that of RFC
 * 4647 §3.4.
 *
 * @param {Schema} schema
 * @param {readonly string[]} wanted language tags, the best first
 * @returns {Schema}
 */
export function inLanguage(schema, wanted) {
  const language = lookup(languages(schema), wanted);
  const chosen = schema.translations.find((each) => each.language === language);
  if (!chosen) return { ...schema, translations: [] };
  let next = 0;
  const translated = mapTexts(schema, (text) => chosen.texts[next++] ?? text);
  return { ...translated, language: chosen.language, translations: [] };
}

/**
 * @param {readonly string[]} known
 * @param {readonly string[]} wanted
 */
function lookup(known, wanted) {
  for (const tag of wanted) {
    for (const subtags = tag.toLowerCase().split("-"); subtags.length; subtags.pop()) {
      const found = known.find((each) => each.toLowerCase() === subtags.join("-"));
      if (found) return found;
    }
  }
  return null;
}
