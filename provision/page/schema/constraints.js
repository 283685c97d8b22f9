// SPDX-License-Identifier: MIT
/**
 * The rules that look at more than one setting (shared/protocol.md, clauses 8.3, 9.5, 9.6).
 *
 * `stored` holds, by full key, what is stored and passes the checks of this schema: the rest counts
 * as not stored. The values of secrets matter to no rule, so that for a secret that is only known to
 * be held any value may stand. Keys that the schema does not have are left aside.
 *
 * @typedef {import("./model.js").Schema} Schema
 * @typedef {import("./model.js").Setting} Setting
 * @typedef {import("./model.js").Value} Value
 *
 * @typedef {object} Fault why a whole is refused, as a refusal says it (clause 7)
 * @property {number} code one of Refusal
 * @property {string} field full key
 * @property {string | null} other full key of a second field at fault
 */

import { stagedDigest as digestOf } from "../contract/digest.js";
import { Kind, Refusal } from "../contract/table.js";
import { defaultInForce, needsValue } from "./model.js";

/**
 * Return the full key of the field that a setting names by base key.
 *
 * In its own section that is the field of the same instance (clauses 9.5 and 8.1, key 16).
 *
 * @param {Setting} setting
 * @param {string} baseKey
 */
export function keyBeside(setting, baseKey) {
  const [section, field] = baseKey.split(".");
  return setting.instance !== null && section === setting.section.key
    ? `${section}.${setting.instance}.${field}`
    : baseKey;
}

/**
 * Return the values in force, by full key: what is stored, else the default, active or not.
 *
 * A default that carries a caution is only proposed: it is not in force by itself.
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value>} stored
 * @returns {Map<string, Value>}
 */
export function inForce(schema, stored) {
  const values = new Map();
  for (const { key, field } of schema.settings) {
    const value = stored.get(key) ?? defaultInForce(schema, field);
    if (value !== null) values.set(key, value);
  }
  return values;
}

/**
 * Return the full keys of the fields that are active (clause 9.5).
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value>} stored
 * @returns {Set<string>}
 */
export function active(schema, stored) {
  const values = inForce(schema, stored);
  /** @param {Setting} setting */
  const instanceOf = ({ section, instance }) => `${section.key}.${instance}`;
  const used = new Set(schema.settings.filter(({ key }) => stored.has(key)).map(instanceOf));
  /** @type {Set<string>} */
  const found = new Set();
  // A condition names an earlier field, so that one pass in schema order knows it already.
  for (const setting of schema.settings) {
    const { section, instance } = setting;
    const isInUse =
      instance === null ||
      instance <= (section.repeat?.least ?? 0) ||
      used.has(instanceOf(setting));
    if (isInUse && conditionHolds(setting, values, found)) found.add(setting.key);
  }
  return found;
}

/**
 * @param {Setting} setting
 * @param {Map<string, Value>} values
 * @param {Set<string>} found
 */
function conditionHolds(setting, values, found) {
  const { condition } = setting.field;
  if (!condition) return true;
  const key = keyBeside(setting, condition.baseKey);
  const value = values.get(key);
  if (!found.has(key) || value === undefined) return false;
  return !condition.values.length || condition.values.some((each) => each === value);
}

/**
 * Return the full key of the first active field that needs a value and has none.
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value>} stored
 * @returns {string | null}
 */
export function missing(schema, stored) {
  const values = inForce(schema, stored);
  const applying = active(schema, stored);
  const lacking = schema.settings.find(
    ({ key, field }) => applying.has(key) && !values.has(key) && needsValue(schema, field),
  );
  return lacking?.key ?? null;
}

/**
 * Return what keeps a stored set from being put into use, null if it is complete.
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value>} stored
 * @returns {Fault | null}
 */
export function defect(schema, stored) {
  const lacking = missing(schema, stored);
  if (lacking) return { code: Refusal.MISSING, field: lacking, other: null };
  return pinConflicts(schema, stored)[0] ?? null;
}

/**
 * Return the first fault of what would be stored with what is staged over it (clause 9.6).
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value>} stored
 * @param {ReadonlyMap<string, Value | null>} staged null clears the field
 * @returns {Fault | null}
 */
export function checkWhole(schema, stored, staged) {
  const resulting = new Map(stored);
  for (const [key, value] of staged) {
    if (value === null) resulting.delete(key);
    else resulting.set(key, value);
  }
  return lackingPartner(schema, staged) ?? defect(schema, resulting);
}

/**
 * Return the first pair of network name and passphrase of which only one is staged.
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value | null>} staged
 * @returns {Fault | null}
 */
function lackingPartner(schema, staged) {
  for (const setting of schema.settings) {
    if (setting.field.network === null) continue;
    const pair = [setting.key, keyBeside(setting, setting.field.network)];
    const [field, ...both] = pair.filter((key) => staged.has(key));
    const other = pair.find((key) => key !== field);
    if (field && other && !both.length) return { code: Refusal.PARTNER, field, other };
  }
  return null;
}

/**
 * Return each pair of active fields with the same pin, unless both share it.
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value>} stored
 * @returns {Fault[]}
 */
export function pinConflicts(schema, stored) {
  const values = inForce(schema, stored);
  const applying = active(schema, stored);
  const pins = schema.settings.filter(
    ({ key, field }) => field.kind === Kind.PIN && applying.has(key) && values.has(key),
  );
  /** @type {Fault[]} */
  const found = [];
  for (const [number, later] of pins.entries()) {
    for (const { key, field } of pins.slice(0, number)) {
      const bothShare = later.field.shares && field.shares;
      if (values.get(key) === values.get(later.key) && !bothShare) {
        found.push({ code: Refusal.PIN_CONFLICT, field: later.key, other: key });
      }
    }
  }
  return found;
}

/**
 * Return the digest of the staged set that commit carries (clause 6.5).
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, Value | null>} staged
 */
export function stagedDigest(schema, staged) {
  const keys = schema.settings.map(({ key }) => key).filter((key) => staged.has(key));
  return digestOf(keys.map((key) => [key, staged.get(key) ?? null]));
}
