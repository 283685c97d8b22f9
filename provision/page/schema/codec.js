// SPDX-License-Identifier: MIT
/**
 * The schema as it goes over the line: CBOR (shared/protocol.md, clause 8), deflated, known by its
 * digest (clause 6.2).
 *
 * A schema that a board sends is hostile until it was read here: every limit of clause 8 is checked
 * before anything is built from it, and every fault is a SchemaError with one sentence for people.
 *
 * @typedef {import("../contract/profile.js").Item} Item
 * @typedef {import("./model.js").Condition} Condition
 * @typedef {import("./model.js").Field} Field
 * @typedef {import("./model.js").Option} Option
 * @typedef {import("./model.js").Pin} Pin
 * @typedef {import("./model.js").Repeat} Repeat
 * @typedef {import("./model.js").Schema} Schema
 * @typedef {import("./model.js").Section} Section
 * @typedef {import("./model.js").Translation} Translation
 * @typedef {import("./model.js").Value} Value
 */

import { schemaDigest } from "../contract/digest.js";
import { InflateError, TooLargeError, inflateRaw } from "../contract/inflate.js";
import { ProfileError, decode } from "../contract/profile.js";
import {
  Characters,
  Kind,
  MAX_FIELDS,
  MAX_KEY,
  MAX_SCHEMA,
  MAX_SCHEMA_DEPTH,
  SKIPPABLE_FROM,
} from "../contract/table.js";
import { say } from "../words.js";
import { LONGEST_TEXT, languages, mapTexts } from "./languages.js";
import { isSecret, makeSchema } from "./model.js";
import * as table from "./table.js";
import { checkValue, limits, ofKind } from "./values.js";

/** The format of a schema that this program knows. */
export const FORMAT = 1;

/**
 * A schema cannot be taken; `words` is one sentence for people.
 *
 * invalid: the firmware's author has to mend it. too-new: it has what this program does not know.
 * damaged: the bytes are not those of the schema that was announced.
 */
export class SchemaError extends Error {
  /**
   * @param {"invalid" | "too-new" | "damaged"} kind
   * @param {string} words
   */
  constructor(kind, words) {
    super(words);
    this.kind = kind;
    this.words = words;
  }
}

/**
 * Return the schema that a board sent, if it is the one with the digest that it announced. However
 * the bytes inflate, hardly more than the largest schema is held.
 *
 * @param {Uint8Array} deflated
 * @param {Uint8Array} digest
 * @returns {Promise<Schema>}
 * @throws {SchemaError}
 */
export async function unpack(deflated, digest) {
  let inflated = null;
  try {
    inflated = await inflateRaw(deflated, MAX_SCHEMA);
  } catch (error) {
    if (error instanceof TooLargeError) {
      throw invalid("the schema");
    }
    if (!(error instanceof InflateError)) throw error;
  }
  // The digest is compared before a byte is believed (clause 6.2).
  if (!inflated || String(await schemaDigest(inflated)) !== String(digest)) {
    throw new SchemaError(
      "damaged",
      say(
        "The list of settings did not arrive from the board as it was sent: start again, with" +
          " another cable if that does not help.",
      ),
    );
  }
  let item;
  try {
    item = decode(inflated, MAX_SCHEMA_DEPTH);
  } catch (error) {
    if (error instanceof ProfileError) throw invalid("the schema");
    throw error;
  }
  return fromItem(item);
}

// Where it is wrong is for the firmware's author, who learns from `provision check` what it is.

/** @param {string} where */
const invalid = (where) =>
  new SchemaError(
    "invalid",
    say("The firmware declares its settings wrongly, which its author has to mend: {where}.", {
      where,
    }),
  );

/**
 * @param {string} where
 * @param {string} what
 */
const tooNew = (where, what) =>
  new SchemaError(
    "too-new",
    say(
      "This firmware needs a newer version of this program: {where} has {what}, which this version" +
        " does not know.",
      { where, what },
    ),
  );

// --------------------------------------------------------------------------- item to model

/**
 * @template T
 * @typedef {(item: Item, where: string) => T} Read makes something of an item, or throws
 */

/** A map of the schema: its entries by the keys that this program knows, and where it stands. */
class Entries {
  #entries;
  #keys;

  /**
   * @param {Item} item
   * @param {string} where
   * @param {readonly string[]} keys
   */
  constructor(item, where, keys) {
    if (!(item instanceof Map)) throw invalid(where);
    for (const key of item.keys()) {
      if (key < SKIPPABLE_FROM && !(key >= 1 && key <= keys.length)) {
        throw tooNew(where, `the key ${key}`);
      }
    }
    this.where = where;
    this.#entries = item;
    this.#keys = keys;
  }

  /** @param {string} name */
  #item(name) {
    return this.#entries.get(this.#keys.indexOf(name) + 1);
  }

  /** @param {string} name */
  has(name) {
    return this.#item(name) !== undefined;
  }

  /**
   * Return what a reader makes of an entry that must be there.
   *
   * @template T
   * @param {string} name
   * @param {Read<T>} read
   */
  get(name, read) {
    const item = this.#item(name);
    if (item === undefined) throw invalid(this.where);
    return read(item, `${this.where}, ${name}`);
  }

  /**
   * Return what a reader makes of an entry, or what its absence means.
   *
   * @template T, A
   * @param {string} name
   * @param {Read<T>} read
   * @param {A} absent
   * @returns {T | A}
   */
  getOr(name, read, absent) {
    return this.has(name) ? this.get(name, read) : absent;
  }
}

/** @type {Read<boolean>} */
function bool(item, where) {
  if (typeof item !== "boolean") throw invalid(where);
  return item;
}

/**
 * @param {number} least
 * @param {number} most
 * @returns {Read<number>}
 */
const integer = (least, most) => (item, where) => {
  if (typeof item !== "number" || item < least || item > most) {
    throw invalid(where);
  }
  return item;
};

/**
 * @param {number} longest bytes
 * @returns {Read<string>}
 */
const text = (longest) => (item, where) => {
  const size = typeof item === "string" ? new TextEncoder().encode(item).length : 0;
  if (typeof item !== "string" || size < 1 || size > longest) {
    throw invalid(where);
  }
  return item;
};

/**
 * @param {RegExp} pattern of ASCII
 * @returns {Read<string>}
 */
const matching = (pattern) => (item, where) => {
  if (typeof item !== "string" || !pattern.test(item)) {
    throw invalid(where);
  }
  return item;
};

/**
 * @template T
 * @param {number} least
 * @param {number} most
 * @param {Read<T>} read
 * @returns {Read<T[]>}
 */
const array = (least, most, read) => (item, where) => {
  if (!Array.isArray(item) || item.length < least || item.length > most) {
    throw invalid(where);
  }
  return item.map((each, at) => read(each, `${where}, item ${at + 1}`));
};

/**
 * One of a set of codes; others belong to later versions.
 *
 * @param {Readonly<Record<string, number>>} codes
 * @returns {Read<number>}
 */
const code = (codes) => (item, where) => {
  const number = integer(0, 255)(item, where);
  if (!Object.values(codes).includes(number)) throw tooNew(where, `the code ${number}`);
  return number;
};

/** @type {Read<Value>} */
function value(item, where) {
  if (item === null || Array.isArray(item) || item instanceof Map) {
    throw invalid(where);
  }
  return item;
}

/** @type {Read<Item>} */
const any = (item) => item;

const anyKey = matching(table.KEY_PART);
const baseKey = matching(table.BASE_KEY);
const languageTag = matching(table.LANGUAGE);
const label = text(table.MAX_LABEL);
const help = text(table.MAX_HELP);
const caution = text(table.MAX_CAUTION);
const int32 = integer(table.LEAST_INTEGER, table.GREATEST_INTEGER);
const abilities = integer(0, 0xffff); // of those that a later version names, only equality matters

/**
 * Return the schema that an item is (clause 8).
 *
 * @param {Item} item
 * @returns {Schema}
 * @throws {SchemaError} too-new if the item has what only a newer version knows, invalid if it
 *     breaks a rule of clause 8
 */
export function fromItem(item) {
  const entries = new Entries(item, "the schema", table.SCHEMA_KEYS);
  const format = entries.get("format", integer(0, 2 ** 32 - 1));
  if (format !== FORMAT) throw tooNew("the schema", `the format ${format}`);
  const declared = {
    title: entries.get("title", label),
    sections: entries.get("sections", array(1, table.MAX_SECTIONS, readSection)),
    pins: entries.getOr("pins", array(0, table.MAX_PINS, readPin), []),
    trial: entries.getOr("trial", integer(table.MIN_TRIAL, table.MAX_TRIAL), null),
    language: entries.getOr("language", languageTag, null),
    translations: entries.getOr("translations", array(1, table.MAX_TRANSLATIONS, readTranslation), []),
  };
  // Before instances are expanded, which a hostile schema could make many.
  const count = declared.sections.reduce(
    (sum, { fields, repeat }) => sum + fields.length * (repeat?.most ?? 1),
    0,
  );
  if (count > MAX_FIELDS) {
    throw invalid("the schema");
  }
  const schema = makeSchema(declared);
  checkKeys(schema);
  checkTranslations(schema);
  for (const section of schema.sections) {
    for (const field of section.fields) {
      checkDefault(schema, section, field);
      checkCondition(schema, section, field);
      checkNetwork(section, field);
    }
  }
  return schema;
}

/** @type {Read<Translation>} */
function readTranslation(item, where) {
  if (!Array.isArray(item) || item.length !== 2 || !Array.isArray(item[1])) {
    throw invalid(where);
  }
  const [language, texts] = /** @type {[Item, Item[]]} */ (item);
  return {
    language: languageTag(language, where),
    texts: texts.map((each, at) => (each === null ? null : help(each, `${where}, text ${at + 1}`))),
  };
}

/** @type {Read<Pin>} */
function readPin(item, where) {
  const entries = new Entries(item, where, table.PIN_KEYS);
  return {
    number: entries.get("number", integer(0, table.MAX_PIN)),
    abilities: entries.get("abilities", abilities),
    name: entries.getOr("name", text(table.MAX_PIN_NAME), null),
    taken: entries.getOr("taken", label, null),
    caution: entries.getOr("caution", caution, null),
  };
}

/** @type {Read<Section>} */
function readSection(item, where) {
  const entries = new Entries(item, where, table.SECTION_KEYS);
  return {
    key: entries.get("key", anyKey),
    label: entries.get("label", label),
    fields: entries.get("fields", array(1, table.MAX_SECTION_FIELDS, readField)),
    help: entries.getOr("help", help, null),
    repeat: entries.getOr("repeat", readRepeat, null),
  };
}

/** @type {Read<Repeat>} */
function readRepeat(item, where) {
  const [least = 0, most = 0] = array(2, 2, integer(0, table.MAX_INSTANCES))(item, where);
  if (least > most || most === 0) {
    throw invalid(where);
  }
  return { least, most };
}

/** @type {Read<Field>} */
function readField(item, where) {
  const entries = new Entries(item, where, table.FIELD_KEYS);
  const kind = entries.get("kind", code(Kind));
  checkFitting(entries, kind);
  const field = {
    key: entries.get("key", anyKey),
    kind,
    label: entries.get("label", label),
    help: entries.getOr("help", help, null),
    required: entries.getOr("required", bool, false),
    default: entries.getOr("default", value, null),
    minimum: entries.getOr("minimum", int32, null),
    maximum: entries.getOr("maximum", int32, null),
    unit: entries.getOr("unit", text(table.MAX_UNIT), null),
    digits: entries.getOr("digits", integer(table.MIN_DIGITS, table.MAX_DIGITS), null),
    caution: entries.getOr("caution", caution, null),
    condition: entries.getOr("condition", readCondition, null),
    options: entries.getOr("options", array(1, table.MAX_OPTIONS, readOption), []),
    needs: entries.getOr("needs", abilities, 0),
    shares: entries.getOr("shares", bool, false),
    network: entries.getOr("network", baseKey, null),
    was: entries.getOr("was", array(1, table.MAX_OLDER_KEYS, baseKey), []),
    characters: entries.getOr("characters", code(Characters), Characters.PRINTABLE),
    schemes: entries.getOr("schemes", array(1, table.MAX_SCHEMES, matching(table.SCHEME)), []),
    secret: entries.getOr("secret", bool, false),
    families: entries.getOr("families", integer(1, 3), 3),
  };
  checkField(field, where);
  return field;
}

/** @type {Read<Condition>} */
function readCondition(item, where) {
  const [base = null, values = null] = array(2, 2, any)(item, where);
  return {
    baseKey: baseKey(base, where),
    values: array(0, table.MAX_CONDITION_VALUES, (each, place) => {
      const read = value(each, place);
      if (read instanceof Uint8Array) throw invalid(place);
      return read;
    })(values, where),
  };
}

/** @type {Read<Option>} */
function readOption(item, where) {
  const [key = null, name = null, ...rest] = array(2, 3, any)(item, where);
  const [words = null] = rest.map((each) => help(each, where));
  return { key: matching(table.OPTION_KEY)(key, where), label: label(name, where), help: words };
}

/**
 * Refuse keys that the kind does not have, and the absence of one that it must have.
 *
 * @param {Entries} entries
 * @param {number} kind
 */
function checkFitting(entries, kind) {
  for (const [key, having, needing = []] of table.KEYS_OF_KINDS) {
    const isWrong = entries.has(key) ? !having.includes(kind) : needing.includes(kind);
    if (isWrong) throw invalid(`${entries.where}, ${key}`);
  }
}

/**
 * Refuse what no field can be, whatever others there are.
 *
 * @param {Field} field
 * @param {string} where
 */
function checkField(field, where) {
  const [least, most] = limits(field);
  const { kind, minimum, unit } = field;
  const lowest = Math.min(0, ofKind(kind).least); // a text may be empty
  if (
    !(lowest <= least && least <= most && most <= ofKind(kind).most) ||
    (kind === Kind.PASSPHRASE && minimum !== null && minimum !== table.LENGTH_OF_KEY) ||
    (kind === Kind.DURATION && unit !== "ms" && unit !== "s") ||
    (isSecret(field) && field.default !== null) ||
    hasTwice(field.options)
  ) {
    throw invalid(where);
  }
}

/** @param {readonly {readonly key: string}[]} owners */
const hasTwice = (owners) => new Set(owners.map(({ key }) => key)).size < owners.length;

/**
 * Refuse keys that repeat or are too long, and pins out of order (clauses 8.1 and 8.2).
 *
 * @param {Schema} schema
 */
function checkKeys({ sections, settings, pins }) {
  if (hasTwice(sections)) throw invalid("the schema");
  for (const { key, fields } of sections) {
    if (hasTwice(fields)) throw invalid(`section ${key}`);
  }
  for (const { key } of settings) {
    if (key.length > MAX_KEY) {
      throw invalid(`field ${key}`);
    }
  }
  if (pins.some(({ number }, at) => number <= (pins[at - 1]?.number ?? -1))) {
    throw invalid("the schema, pins");
  }
}

/**
 * Refuse translations that do not fit the texts of the schema (clause 8.4).
 *
 * @param {Schema} schema
 */
function checkTranslations(schema) {
  if (!schema.translations.length) return;
  if (schema.language === null) {
    throw invalid("the schema");
  }
  const tags = languages(schema).map((tag) => tag.toLowerCase());
  if (new Set(tags).size < tags.length) {
    throw invalid("the schema, translations");
  }
  /** @type {(keyof typeof LONGEST_TEXT)[]} */
  const sorts = [];
  mapTexts(schema, (each, sort) => {
    sorts.push(sort);
    return each;
  });
  for (const { language, texts } of schema.translations) {
    const where = `the schema, translation ${language}`;
    if (texts.length !== sorts.length) {
      throw invalid(where);
    }
    for (const [at, sort] of sorts.entries()) {
      const each = texts[at] ?? null;
      if (each !== null) text(LONGEST_TEXT[sort])(each, `${where}, text ${at + 1}`);
    }
  }
}

/**
 * @param {Schema} schema
 * @param {Section} section
 * @param {Field} field
 */
function checkDefault(schema, section, field) {
  if (field.default !== null && checkValue(field, field.default, schema) !== null) {
    throw invalid(`field ${section.key}.${field.key}, default`);
  }
}

/**
 * Refuse a condition that can never be decided (clause 9.5).
 *
 * @param {Schema} schema
 * @param {Section} section
 * @param {Field} field
 */
function checkCondition(schema, section, field) {
  const { condition } = field;
  if (!condition) return;
  const named = earlier(schema, section, field).get(condition.baseKey);
  if (
    !named ||
    (condition.values.length && !table.KINDS_IN_CONDITIONS.includes(named.kind)) ||
    condition.values.some((each) => checkValue(named, each, schema) !== null)
  ) {
    throw invalid(`field ${section.key}.${field.key}, condition`);
  }
}

/**
 * Return the fields that a field's condition may name, by base key.
 *
 * @param {Schema} schema
 * @param {Section} section
 * @param {Field} field
 */
function earlier(schema, section, field) {
  /** @type {Map<string, Field>} */
  const found = new Map();
  for (const each of schema.sections.slice(0, schema.sections.indexOf(section) + 1)) {
    if (each !== section && each.repeat) continue;
    for (const other of each.fields) {
      if (other === field) break;
      found.set(`${each.key}.${other.key}`, other);
    }
  }
  return found;
}

/**
 * @param {Section} section
 * @param {Field} field
 */
function checkNetwork(section, field) {
  const isThere = section.fields.some(
    ({ kind, key }) => kind === Kind.NETWORK_NAME && field.network === `${section.key}.${key}`,
  );
  if (field.network !== null && !isThere) {
    throw invalid(`field ${section.key}.${field.key}, network`);
  }
}
