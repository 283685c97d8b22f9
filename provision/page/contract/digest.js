// SPDX-License-Identifier: MIT
/** The digests by which host and board agree on what is staged, and on the schema. */

import { crc32c } from "./line.js";
import { encode } from "./profile.js";

/** Bytes: the start of SHA-256 over the inflated schema (clause 6.2). */
export const DIGEST_SIZE = 8;

/**
 * Return the digest of a staged set (clause 6.5).
 *
 * @param {Iterable<readonly [string, import("./profile.js").Item]>} pairs full key and value of
 *     each staged field in schema order, null for a cleared one
 */
export function stagedDigest(pairs) {
  return crc32c(Uint8Array.from([...pairs].flatMap((pair) => [...encode([...pair])])));
}

/**
 * Return the digest by which a schema is known (clause 6.2).
 *
 * @param {Uint8Array} inflated
 */
export async function schemaDigest(inflated) {
  const bytes = /** @type {Uint8Array<ArrayBuffer>} */ (inflated);
  return new Uint8Array(await crypto.subtle.digest("SHA-256", bytes), 0, DIGEST_SIZE);
}
