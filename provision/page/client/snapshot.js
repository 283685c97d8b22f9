// SPDX-License-Identifier: MIT
/**
 * A board as it was met: who it is, what it wants to know, and what it holds.
 *
 * @module
 */

import { Held, Store } from "../contract/table.js";
import { isOpaque, isSecret } from "../schema/model.js";
import { SchemaError, unpack } from "../schema/codec.js";
import { checkValue } from "../schema/values.js";
import { say } from "../words.js";

/** @import { Connection } from "../link/connection.js" */
/** @import { LinkError } from "../link/errors.js" */
/** @import { Hello, HeldValue, Status } from "../link/replies.js" */
/** @import { Schema, Setting, Value } from "../schema/model.js" */

/**
 * What a board holds for one setting; of secrets never a value, of blobs the length.
 *
 * @typedef {{held: number, value: Value | null}} HeldSetting  `held` is a code of Held
 */

/**
 * A board as it was met.
 *
 * @typedef {object} BoardSnapshot
 * @property {Hello} hello
 * @property {Schema} declared as the firmware declares it, in all its languages
 * @property {Map<string, HeldSetting>} held by full key
 * @property {Status} status
 */

/**
 * Read what a board wants to know and what it holds. What is staged on it is discarded.
 *
 * @param {Connection} board
 * @param {number} [patience] ms that it may take to answer
 * @returns {Promise<BoardSnapshot>}
 * @throws {LinkError | SchemaError}
 */
export async function meet(board, patience) {
  const hello = await board.hello(patience);
  const [, deflated, told, status] = await Promise.all([
    board.discard(),
    board.readSchema(),
    hello.token ? board.readValues() : null, // without one nothing is stored (clause 5.3)
    board.status(),
  ]);
  const declared = await unpack(deflated, hello.schemaDigest);
  const isEmpty = !told && status.store === Store.EMPTY; // else it was stored meanwhile
  const values = isEmpty ? null : (told ?? (await board.readValues()));
  return { hello, declared, held: heldSettings(declared, values), status };
}

/**
 * Return what a board holds. A code that nobody here knows counts as nothing held, and a value of a
 * secret, which a board must never send, is dropped.
 *
 * @param {Schema} schema
 * @param {ReadonlyMap<string, HeldValue> | null} values as it lists them; null of an empty board
 * @returns {Map<string, HeldSetting>}
 * @throws {SchemaError} where they do not fit its own schema
 */
export function heldSettings(schema, values) {
  if (!values) {
    return new Map(schema.settings.map(({ key }) => [key, { held: Held.UNSET, value: null }]));
  }
  const isSame = schema.settings.every(({ key }) => values.has(key));
  if (!isSame || values.size !== schema.settings.length) {
    throw new SchemaError(
      "invalid",
      say(
        "The board's list of values does not fit its list of settings: its firmware needs fixing.",
      ),
    );
  }
  return new Map(
    schema.settings.map((setting) => {
      const entry = /** @type {HeldValue} */ (values.get(setting.key));
      return [setting.key, heldSetting(schema, setting, entry)];
    }),
  );
}

/**
 * @param {Schema} schema
 * @param {Setting} setting
 * @param {HeldValue} entry
 * @returns {HeldSetting}
 */
function heldSetting(schema, { field, key }, entry) {
  const held = Object.values(Held).includes(/** @type {any} */ (entry.held))
    ? entry.held
    : Held.UNSET;
  const value = isSecret(field) ? null : /** @type {Value | null} */ (entry.value);
  const fits = isOpaque(field)
    ? value === null || typeof value === "number" // the length of a blob
    : value === null
      ? held !== Held.SET
      : checkValue(field, value, schema) === null;
  if (!fits) {
    throw new SchemaError(
      "invalid",
      say(
        "The board holds a value for {key} that its own firmware does not allow: the firmware needs fixing.",
        { key },
      ),
    );
  }
  return { held, value };
}
