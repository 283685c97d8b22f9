// SPDX-License-Identifier: MIT
/**
 * What a firmware's author declares: sections of fields, and the pins of the board.
 *
 * The model is that of the wire schema (shared/protocol.md, clause 8): texts as the author wrote
 * them, limits and defaults as wire values, null for what is not declared. Codes are those of
 * contract/table.js.
 *
 * @typedef {number | boolean | string | Uint8Array} Value a value as it goes over the line (clause
 *     9.1); decimals are scaled integers
 *
 * @typedef {object} Option one of the options of a choice
 * @property {string} key
 * @property {string} label
 * @property {string | null} help
 *
 * @typedef {object} Pin a pin of the board; `taken` says what the board itself uses it for
 * @property {number} number
 * @property {string | null} name
 * @property {number} abilities sum of Ability
 * @property {string | null} taken
 * @property {string | null} caution
 *
 * @typedef {object} Condition holds when the field with this base key has one of `values` in force;
 *     any value if there are none
 * @property {string} baseKey
 * @property {readonly (number | boolean | string)[]} values
 *
 * @typedef {object} Field one setting as declared (clause 8.1)
 * @property {string} key
 * @property {number} kind one of Kind
 * @property {string} label
 * @property {string | null} help
 * @property {boolean} required
 * @property {Value | null} default
 * @property {number | null} minimum a wire value, or a length in bytes
 * @property {number | null} maximum likewise
 * @property {string | null} unit
 * @property {number | null} digits
 * @property {string | null} caution
 * @property {Condition | null} condition
 * @property {readonly Option[]} options
 * @property {number} needs sum of Ability
 * @property {boolean} shares
 * @property {string | null} network
 * @property {readonly string[]} was
 * @property {number} characters one of Characters
 * @property {readonly string[]} schemes
 * @property {boolean} secret
 * @property {number} families
 *
 * @typedef {object} Repeat how often a section repeats: `least` instances are always in use, `most`
 *     can be
 * @property {number} least
 * @property {number} most
 *
 * @typedef {object} Section a group of settings that are asked together
 * @property {string} key
 * @property {string} label
 * @property {string | null} help
 * @property {Repeat | null} repeat
 * @property {readonly Field[]} fields
 *
 * @typedef {object} Setting a field of one instance of its section: what has a full key, a number
 *     and a value
 * @property {number} number
 * @property {string} key
 * @property {string} baseKey the key without the number of the instance (clause 8.2)
 * @property {Field} field
 * @property {Section} section
 * @property {number | null} instance
 *
 * @typedef {object} Translation the texts of a schema in one more language; null where there is none
 *     for one. Their order is that of languages.js.
 * @property {string} language
 * @property {readonly (string | null)[]} texts
 *
 * @typedef {object} Declared what the author wrote
 * @property {string} title
 * @property {readonly Section[]} sections
 * @property {readonly Pin[]} pins
 * @property {number | null} trial seconds
 * @property {string | null} language the tag of the language that the texts are in, if the author
 *     says
 * @property {readonly Translation[]} translations
 *
 * @typedef {Declared & {readonly settings: readonly Setting[]}} Schema with the settings in schema
 *     order, instances expanded (clause 8.3)
 */

import { Kind } from "../contract/table.js";
import { SECRET_KINDS } from "./table.js";

/**
 * Return whether the value of a field never leaves the board.
 *
 * @param {Field} field
 */
export function isSecret(field) {
  return field.secret || SECRET_KINDS.includes(field.kind);
}

/**
 * Whether a board never gives a value of this field back: a secret, or a blob.
 *
 * @param {Field} field
 */
export function isOpaque(field) {
  return isSecret(field) || field.kind === Kind.BLOB;
}

/**
 * Return whether a field's default carries a caution, so that a person has to choose it.
 *
 * The caution is that of the field, or of the pin that is the default (clause 9.6).
 *
 * @param {Declared} schema
 * @param {Field} field
 */
export function onlyProposes({ pins }, field) {
  if (field.default === null) return false;
  if (field.caution !== null) return true;
  if (field.kind !== Kind.PIN) return false;
  return pins.some((pin) => pin.number === field.default && pin.caution !== null);
}

/**
 * Return the value that is in force for a field while nothing is stored, null if there is none.
 *
 * @param {Declared} schema
 * @param {Field} field
 */
export const defaultInForce = (schema, field) =>
  onlyProposes(schema, field) ? null : field.default;

/**
 * Return whether a value must be in force for a field while it is active (clause 9.6).
 *
 * @param {Declared} schema
 * @param {Field} field
 */
export const needsValue = (schema, field) => field.required || onlyProposes(schema, field);

/**
 * Return the schema of what was declared.
 *
 * @param {Declared} declared
 * @returns {Schema}
 */
export function makeSchema(declared) {
  return { ...declared, settings: expand(declared.sections) };
}

/** @param {readonly Section[]} sections */
function expand(sections) {
  /** @type {Setting[]} */
  const settings = [];
  for (const section of sections) {
    const most = section.repeat?.most ?? 1;
    for (let number = 1; number <= most; number++) {
      const instance = section.repeat && number;
      for (const field of section.fields) {
        settings.push({
          number: settings.length,
          key: `${section.key}.${instance === null ? "" : `${instance}.`}${field.key}`,
          baseKey: `${section.key}.${field.key}`,
          field,
          section,
          instance,
        });
      }
    }
  }
  return settings;
}
