// SPDX-License-Identifier: MIT
/**
 * What the page says to people.
 *
 * Sentences stand in the code in English, as arguments of these functions. For another language the
 * bundler puts those of its catalogue in their place (scripts/derive/page_bundle.py), so that a page
 * carries one language.
 *
 * @typedef {Readonly<Record<string, string | number>>} Values what fills the `{names}`
 */

/** The tag of the language that is spoken; the bundler puts another in its place. */
export const LANGUAGE = mark("en");

/**
 * Return a sentence. What fills a `{name}` is left as it is: it may come from a board, and is not
 * filled itself.
 *
 * @param {string} [text]
 * @param {Values} [values]
 */
export function say(text = "", values = {}) {
  return text.replace(/\{(\w+)\}/g, (mark, name) =>
    Object.hasOwn(values, name) ? String(values[name]) : mark,
  );
}

/**
 * Return the one sentence for a count of 1, the other for every other; `{count}` is the count.
 *
 * @param {string} one
 * @param {string} many
 * @param {number} count
 * @param {Values} [values]
 */
export function sayPlural(one, many, count, values = {}) {
  return say(count === 1 ? one : many, { count, ...values });
}

/**
 * Return a sentence as it is: it is said later.
 *
 * @param {string} text
 */
export function mark(text) {
  return text;
}
