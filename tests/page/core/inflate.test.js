// SPDX-License-Identifier: MIT
/** Inflating, against zlib as the reference for what a stream holds, and with hostile streams. */

import assert from "node:assert/strict";
import { it } from "node:test";
import { deflateRawSync } from "node:zlib";

import { InflateError, TooLargeError, inflateRaw } from "../../../provision/page/contract/inflate.js";
import { Random, hex } from "./helpers.js";

const LIMIT = 262_144;
const random = new Random();

/** @param {number} size */
const data = (size) => Uint8Array.from({ length: size }, (_, at) => (at * at) % 251);

for (const size of [0, 1, 70_000, LIMIT]) {
  for (const level of [0, 9]) {
    it(`gives back ${size} bytes of level ${level}`, async () => {
      const deflated = new Uint8Array(deflateRawSync(data(size), { level }));
      assert.equal(hex(await inflateRaw(deflated, LIMIT)), hex(data(size)));
    });
  }
}

it("stops one byte above the limit", async () => {
  const deflated = new Uint8Array(deflateRawSync(data(LIMIT + 1)));
  await assert.rejects(inflateRaw(deflated, LIMIT), TooLargeError);
});

it("holds no bomb: 256 MiB in 260 kB", async () => {
  const deflated = new Uint8Array(deflateRawSync(new Uint8Array(2 ** 28), { level: 9 }));
  const before = process.memoryUsage().arrayBuffers;
  let most = 0;
  const watch = setInterval(() => (most = Math.max(most, process.memoryUsage().arrayBuffers)), 1);
  await assert.rejects(inflateRaw(deflated, LIMIT), TooLargeError);
  clearInterval(watch);
  most = Math.max(most, process.memoryUsage().arrayBuffers);
  assert.ok(most - before < 2 ** 23, `held ${most - before} bytes more`);
});

it("refuses a stream that was cut, wherever", async () => {
  const deflated = new Uint8Array(deflateRawSync(data(3000)));
  for (const end of [0, 1, 2, deflated.length >> 1, deflated.length - 1]) {
    await assert.rejects(inflateRaw(deflated.subarray(0, end), LIMIT), InflateError);
  }
});

it("refuses whatever follows the stream", async () => {
  for (const source of [new Uint8Array(0), data(3000)]) {
    const deflated = deflateRawSync(source);
    for (const more of [[0], [3], [255], [3, 0], [...deflated], [...random.bytes(40_000)]]) {
      const bytes = Uint8Array.from([...deflated, ...more]);
      await assert.rejects(inflateRaw(bytes, LIMIT), InflateError, `${more.length} bytes more`);
    }
  }
});

it("refuses what is no stream", async () => {
  await assert.rejects(inflateRaw(Uint8Array.of(7, 0), LIMIT), InflateError); // a reserved block type
});
