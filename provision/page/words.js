// SPDX-License-Identifier: MIT
/**
 * What the page says to people, in the language chosen.
 *
 * Sentences stand in the code in English. A catalogue holds those of another language by their
 * English text, with the same `{names}` in them; what it lacks is said in English.
 *
 * @typedef {Readonly<Record<string, string | number>>} Values what fills the `{names}`
 */

// Of a text with a count an array has the forms: of one, and of all others.
/** @type {ReadonlyMap<string, string | readonly string[]> | null} */
let catalogue = null;

/**
 * Say everything from now on in the language of this catalogue, null for English.
 *
 * @param {ReadonlyMap<string, string | readonly string[]> | null} map
 */
export function setCatalogue(map) {
  catalogue = map;
}

/**
 * Return a sentence in the language chosen. What fills a `{name}` is left as it is: it may come
 * from a board, and is neither looked up nor filled itself.
 *
 * @param {string} [text] the English sentence
 * @param {Values} [values]
 */
export function say(text = "", values = {}) {
  const own = catalogue?.get(text);
  return filled(typeof own === "string" ? own : text, values);
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
  const own = catalogue?.get(one);
  const [single, several] = typeof own === "object" ? own : [one, many];
  return filled((count === 1 ? single : several) ?? many, { count, ...values });
}

/**
 * @param {string} text
 * @param {Values} values
 */
function filled(text, values) {
  return text.replace(/\{(\w+)\}/g, (mark, name) =>
    Object.hasOwn(values, name) ? String(values[name]) : mark,
  );
}
