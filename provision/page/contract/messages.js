// SPDX-License-Identifier: MIT
/**
 * Messages: the envelope, and what a board sends checked against the table (shared/protocol.md,
 * clause 4).
 *
 * @typedef {import("./profile.js").Item} Item
 * @typedef {import("./table.js").Shape} Shape
 *
 * @typedef {object} Message one request or reply
 * @property {number} version
 * @property {number} type one of MessageType, or a type that this version does not know
 * @property {number} id
 * @property {Map<number, Item>} body
 */

import { ProfileError, decode, encode } from "./profile.js";
import { MessageType, PROTOCOL_VERSION, REPLIES, Refusal } from "./table.js";

/** Largest id of a request; the next one is 0 (clause 4.1). */
export const MAX_ID = 0xffff;

/** @type {readonly (readonly [string, Shape])[]} */
const ENVELOPE = [
  ["protocol version", ["int", 1, 255]],
  ["message type", ["int", 0, 255]],
  ["id", ["int", 0, MAX_ID]],
];

/**
 * An item is not a message, or a message is not of the form that its type has.
 *
 * refusal is the code for what is wrong; null where the item is to be ignored as if its line had
 * been damaged (clauses 3 and 4.1). The text names message and key, never a value.
 */
export class MessageError extends Error {
  /**
   * @param {string} text
   * @param {number | null} [refusal]
   */
  constructor(text, refusal = null) {
    super(text);
    this.refusal = refusal;
  }
}

/**
 * Return the name of a code as the contract writes it: `hello-reply`.
 *
 * @param {Readonly<Record<string, number>>} codes
 * @param {number} code
 */
export function codeName(codes, code) {
  const name = Object.keys(codes).find((each) => codes[each] === code);
  return name ? name.toLowerCase().replace(/_/g, "-") : String(code);
}

/**
 * Return the item that carries a message.
 *
 * @param {Message} message
 * @throws {ProfileError} if the body has no form in CBOR
 */
export function encodeMessage(message) {
  return encode([message.version, message.type, message.id, message.body]);
}

/**
 * Return the message that an item carries, its body unchecked.
 *
 * @param {Uint8Array} item
 * @returns {Message}
 * @throws {MessageError} without a refusal where the item is none
 */
export function decodeMessage(item) {
  let envelope;
  try {
    envelope = decode(item);
  } catch (error) {
    if (error instanceof ProfileError) throw new MessageError(`No message: ${error.message}.`);
    throw error;
  }
  if (!Array.isArray(envelope) || envelope.length !== 4) {
    throw new MessageError("No message: the item is not an array of four.");
  }
  for (const [at, [name, shape]] of ENVELOPE.entries()) {
    if (!fits(shape, envelope[at])) throw new MessageError(`No message: its ${name} is none.`);
  }
  const [version, type, id] = /** @type {number[]} */ (envelope);
  const body = envelope[3];
  if (!(body instanceof Map)) throw new MessageError("No message: its body is not a map.");
  return /** @type {Message} */ ({ version, type, id, body });
}

/**
 * Check what a board sends: a reply or refusal may have any key beside those of the table, and a
 * code is good whether known or not (clause 4.2).
 *
 * @param {Message} message
 * @throws {MessageError} UNSUPPORTED_VERSION for a version not ours, UNKNOWN_TYPE where a board
 *     sends no such type, else MALFORMED
 */
export function checkBody(message) {
  if (message.version !== PROTOCOL_VERSION) {
    throw new MessageError(
      `The message is of version ${message.version} of the protocol.`,
      Refusal.UNSUPPORTED_VERSION,
    );
  }
  const row = REPLIES.get(message.type);
  if (!row) {
    throw new MessageError(
      `A board sends no message of type ${message.type}.`,
      Refusal.UNKNOWN_TYPE,
    );
  }
  for (const [key, isRequired, shape] of row) {
    const item = message.body.get(key);
    if (item === undefined ? isRequired : !fits(shape, item)) {
      throw new MessageError(
        `${codeName(MessageType, message.type)}: key ${key} is ` +
          `${item === undefined ? "missing" : "not of the form that the table gives it"}.`,
        Refusal.MALFORMED,
      );
    }
  }
}

/**
 * Return whether an item has a form.
 *
 * @param {Shape} shape
 * @param {Item | undefined} item
 * @returns {boolean}
 */
function fits(shape, item) {
  switch (shape[0]) {
    case "int":
      return typeof item === "number" && shape[1] <= item && item <= shape[2];
    case "text":
      return typeof item === "string" && sized(shape, new TextEncoder().encode(item).length);
    case "bytes":
      return item instanceof Uint8Array && sized(shape, item.length);
    case "bool":
      return typeof item === "boolean";
    case "null":
      return item === null;
    case "value":
      return item instanceof Uint8Array || ["number", "string", "boolean"].includes(typeof item);
    case "array":
      return (
        Array.isArray(item) && sized(shape, item.length) && item.every((each) => fits(shape[3], each))
      );
    case "tuple": {
      const [, required, ...shapes] = shape;
      return (
        Array.isArray(item) &&
        item.length >= required &&
        item.length <= shapes.length &&
        item.every((each, at) => fits(/** @type {Shape} */ (shapes[at]), each))
      );
    }
    case "either": {
      const [, ...shapes] = shape;
      return shapes.some((each) => fits(each, item));
    }
  }
}

/**
 * @param {readonly [string, number, number, ...unknown[]]} shape
 * @param {number} size
 */
const sized = ([, least, most], size) => least <= size && size <= most;
