// SPDX-License-Identifier: MIT
/**
 * Answers what test_core.py asks about values of a schema, one line of JSON for each. Bytes of CBOR
 * are in hexadecimal.
 */

import { createInterface } from "node:readline";

import { cleanLog } from "../../../provision/page/contract/log.js";
import { ProfileError, decode, encode } from "../../../provision/page/contract/profile.js";
import { MAX_SCHEMA_DEPTH } from "../../../provision/page/contract/table.js";
import { footerOf, isTzString, names } from "../../../provision/page/schema/time_zones.js";
import {
  ValueProblem,
  checkValue,
  limits,
  parse,
  refusalWords,
  show,
} from "../../../provision/page/schema/values.js";
import {
  active,
  checkWhole,
  inForce,
  pinConflicts,
  missing,
  stagedDigest,
} from "../../../provision/page/schema/constraints.js";
import { SchemaError, fromItem } from "../../../provision/page/schema/codec.js";
import { hex, unhex } from "./helpers.js";

/** @typedef {import("../../../provision/page/schema/model.js").Schema} Schema */

/** @type {Map<string, Schema>} */
const schemas = new Map();

/** @param {string} item */
function schemaOf(item) {
  const schema = schemas.get(item) ?? fromItem(decode(unhex(item), MAX_SCHEMA_DEPTH));
  schemas.set(item, schema);
  return schema;
}

/**
 * @param {Schema} schema
 * @param {string} key
 */
function fieldOf(schema, key) {
  const setting = schema.settings.find((each) => each.key === key);
  if (!setting) throw new Error(`no field ${key}`);
  return setting.field;
}

/** @param {[string, string][]} pairs */
const valuesOf = (pairs) => new Map(pairs.map(([key, item]) => [key, decode(unhex(item))]));

/** @type {Record<string, (question: any) => unknown>} */
const answers = {
  check: ({ schema, key, value }) =>
    checkValue(fieldOf(schemaOf(schema), key), decode(unhex(value)), schemaOf(schema)),
  parse({ schema, key, text }) {
    try {
      return { value: hex(encode(parse(fieldOf(schemaOf(schema), key), text, schemaOf(schema)))) };
    } catch (error) {
      if (!(error instanceof ValueProblem)) throw error;
      return { words: error.words, code: error.code };
    }
  },
  show: ({ schema, key, value }) =>
    show(fieldOf(schemaOf(schema), key), /** @type {any} */ (decode(unhex(value)))),
  words: ({ schema, key, code }) => refusalWords(fieldOf(schemaOf(schema), key), code),
  limits: ({ schema, key }) => limits(fieldOf(schemaOf(schema), key)),
  whole({ schema: item, stored: storedPairs, staged: stagedPairs }) {
    const schema = schemaOf(item);
    const stored = /** @type {Map<string, any>} */ (valuesOf(storedPairs));
    const staged = /** @type {Map<string, any>} */ (valuesOf(stagedPairs));
    return {
      fault: checkWhole(schema, stored, staged),
      conflicts: pinConflicts(schema, stored).map(({ field, other }) => [field, other]),
      missing: missing(schema, stored),
      active: [...active(schema, stored)].sort(),
      inForce: [...inForce(schema, stored)].map(([key, value]) => [key, hex(encode(value))]),
      digest: stagedDigest(schema, staged),
    };
  },
  log: ({ line }) => cleanLog(unhex(line)),
  schema({ item }) {
    try {
      const { settings } = fromItem(decode(unhex(item), MAX_SCHEMA_DEPTH));
      return settings.map(({ key }) => key).join(" ");
    } catch (error) {
      if (error instanceof ProfileError) return "invalid";
      if (error instanceof SchemaError) return error.kind;
      throw error;
    }
  },
  zones: () => names().map((name) => [name, footerOf(name)]),
  isTz: ({ text }) => isTzString(text),
};

for await (const line of createInterface({ input: process.stdin })) {
  const question = JSON.parse(line);
  process.stdout.write(`${JSON.stringify(answers[question.about]?.(question) ?? null)}\n`);
}
