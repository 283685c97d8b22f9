// SPDX-License-Identifier: MIT
/**
 * What a board's replies say, as values (shared/protocol.md, clause 6).
 *
 * Bodies come in checked against the table of messages. Texts are as the board sent them: hostile
 * until whoever shows them has cleaned them. A code without a name came with a later version. What
 * a reply leaves out is null.
 *
 * @typedef {import("../contract/profile.js").Item} Item
 *
 * @typedef {ReadonlyMap<number, any>} Body any: the table has checked each value's form
 *
 * @typedef {object} Hello who is there, and what it can take (clause 6.1); times in milliseconds
 * @property {number[]} versions
 * @property {string} firmware
 * @property {string} firmwareVersion
 * @property {string} board
 * @property {Uint8Array} unit
 * @property {number} boot
 * @property {Uint8Array} schemaDigest
 * @property {number} schemaSize in bytes, deflated
 * @property {number} line
 * @property {number} credit
 * @property {number} commitTime
 * @property {number} eraseTime
 * @property {number} applyTime
 * @property {number} capabilities sum of Capability
 * @property {Uint8Array | null} token
 * @property {number | null} listens
 * @property {number} generation
 *
 * @typedef {object} HeldValue what a board holds for a field
 * @property {number} held one of Held, or a code that this version does not know
 * @property {Item} value of a secret never, null then; of a blob its length
 *
 * @typedef {object} Status where a board stands (clause 6.6)
 * @property {number} store one of Store, or another
 * @property {number} staged
 * @property {number} run one of Run, or another
 * @property {number} generation
 * @property {number} boot
 * @property {number | null} step one of Step, or another
 * @property {number | null} reason one of Reason, or another
 * @property {string | null} field
 * @property {Uint8Array | null} address
 * @property {number | null} trialLeft in milliseconds
 * @property {string | null} missing
 * @property {readonly string[] | null} conflict of two settings with the same pin: the later one, the
 *     earlier one
 *
 * @typedef {object} Network a wireless network in range
 * @property {Uint8Array} name in octets
 * @property {number} signal in dBm
 * @property {number} security one of Security, or another
 *
 * @typedef {object} Stored the set is durable
 * @property {"stored"} type
 * @property {number} generation
 *
 * @typedef {object} NotStored what was in force before still is
 * @property {"not-stored"} type
 * @property {Refused | null} refused why, unless a hello alone showed it
 *
 * @typedef {object} Unknown commit was sent, and no board said any more what came of it
 * @property {"unknown"} type
 *
 * @typedef {Stored | NotStored | Unknown} Outcome how a session that set out to store ends (5.3)
 */

import { HelloReplyKey, RefusalKey, StatusReplyKey } from "../contract/table.js";
import { Refused } from "./errors.js";

/**
 * Return a body by the names of its keys: SCHEMA_SIZE is schemaSize.
 *
 * @param {Readonly<Record<string, number>>} keys
 * @param {Body} body
 * @returns {any}
 */
const named = (keys, body) =>
  Object.fromEntries(
    Object.entries(keys).map(([name, key]) => [
      name.toLowerCase().replace(/_(.)/g, (_, letter) => letter.toUpperCase()),
      body.get(key) ?? null,
    ]),
  );

/**
 * Return what a hello reply says.
 *
 * @param {Body} body
 * @returns {Hello}
 */
export const readHello = (body) => named(HelloReplyKey, body);

/**
 * Return what a status reply says.
 *
 * @param {Body} body
 * @returns {Status}
 */
export const readStatus = (body) => named(StatusReplyKey, body);

/**
 * Return what a refusal says.
 *
 * @param {Body} body
 */
export const readRefusal = (body) => new Refused(named(RefusalKey, body));
