// SPDX-License-Identifier: MIT
/**
 * The profile against cborg, an implementation of RFC 8949 that is not ours, in its strict mode:
 * what both can say they say the same, and what ours takes cborg takes for the same.
 */

import assert from "node:assert/strict";
import { it } from "node:test";

import { decode as reference, encode as referenceEncode } from "cborg";

import { ProfileError, decode, encode } from "../../../provision/page/contract/profile.js";
import { Random, hex } from "./helpers.js";

/** @typedef {import("../../../provision/page/contract/profile.js").Item} Item */

const ROUNDS = 4000;
const STRICT = {
  strict: true,
  useMaps: true,
  allowIndefinite: false,
  allowUndefined: false,
  allowBigInt: false,
  rejectDuplicateMapKeys: true,
};

const random = new Random();
const INTEGERS = [0, 23, 24, 255, 256, 65535, 65536, 2 ** 31 - 1, 2 ** 31, 2 ** 32 - 1];
const TEXTS = ["", "a", "é", "\ufeffmark", "\u{1f34e}", "frost", "x".repeat(24), "\0\ud7ff\ue000"];

/**
 * @param {number} depth
 * @returns {Item}
 */
function anItem(depth) {
  const sort = random.below(depth ? 8 : 6);
  if (sort === 0) return random.pick(INTEGERS);
  if (sort === 1) return -1 - random.pick(INTEGERS.filter((each) => each < 2 ** 31));
  if (sort === 2) return random.pick([null, true, false]);
  if (sort === 3) return random.pick(TEXTS).repeat(1 + random.below(3));
  if (sort === 4) return random.bytes(random.pick([0, 1, 23, 24, 256]));
  if (sort === 5) return random.below(2 ** 31);
  const items = Array.from({ length: random.below(5) }, () => anItem(depth - 1));
  if (sort === 6) return items;
  return new Map(items.map((item) => [random.pick([random.below(30), ...INTEGERS]), item]));
}

/**
 * @param {Item} item
 * @returns {unknown}
 */
function plain(item) {
  if (item instanceof Uint8Array) return { octets: hex(item) };
  if (Array.isArray(item)) return item.map(plain);
  if (item instanceof Map) return new Map([...item].map(([key, each]) => [key, plain(each)]));
  return item;
}

/**
 * As the reference sees it: it drops a U+FEFF at the beginning of a text, which RFC 8949 does not ask
 * for. That ours keeps it the encoding of what was decoded shows.
 *
 * @param {unknown} item
 * @returns {unknown}
 */
function unmarked(item) {
  if (typeof item === "string") return item.replace(/^\ufeff/, "");
  if (Array.isArray(item)) return item.map(unmarked);
  if (item instanceof Map) return new Map([...item].map(([key, each]) => [key, unmarked(each)]));
  return item;
}

/** @param {Uint8Array} bytes */
function ours(bytes) {
  try {
    return { item: decode(bytes) };
  } catch (error) {
    assert.ok(error instanceof ProfileError, `${hex(bytes)}: ${error}`);
    return null;
  }
}

it("writes and reads every item as the reference does", () => {
  for (let round = 0; round < ROUNDS; round++) {
    const item = anItem(6);
    const bytes = encode(item);
    assert.equal(hex(bytes), hex(referenceEncode(item)), `seed ${random.seed}`);
    assert.deepEqual(plain(decode(bytes)), plain(item));
    assert.deepEqual(plain(reference(bytes, STRICT)), unmarked(plain(item)));
  }
});

it("takes no changed bytes that the reference takes for another item, or not at all", () => {
  let taken = 0;
  for (let round = 0; round < 5 * ROUNDS; round++) {
    const bytes = [...encode(anItem(3))];
    for (let change = 0; change <= random.below(3); change++) {
      const at = random.below(bytes.length + 1);
      const byte = random.pick([random.below(256), 0x5f, 0x7f, 0xf7, 0xf9, 0xff, 0x18, 0x1b]);
      bytes.splice(at, random.below(2), ...(random.below(3) ? [byte] : []));
    }
    const changed = Uint8Array.from(bytes);
    const got = ours(changed);
    if (!got) continue;
    taken++;
    const why = `seed ${random.seed}: ${hex(changed)}`;
    assert.deepEqual(unmarked(plain(got.item)), plain(reference(changed, STRICT)), why);
    assert.equal(hex(encode(got.item)), hex(changed), why);
  }
  assert.ok(taken > ROUNDS / 4, `only ${taken} were taken, which shows little`);
});
