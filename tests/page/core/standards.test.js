// SPDX-License-Identifier: MIT
/** What the standards themselves give as examples. */

import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { LineReceiver, crc32c, encodeLine } from "../../../provision/page/contract/line.js";
import { ProfileError, decode, encode } from "../../../provision/page/contract/profile.js";
import { Kind } from "../../../provision/page/contract/table.js";
import { networkKey, parse, show } from "../../../provision/page/schema/values.js";
import { hex, json, octets, unhex } from "./helpers.js";

describe("RFC 4648 clause 10, with the padding left out", () => {
  const examples = ["f", "fo", "foo", "foob", "fooba", "foobar"];
  const expected = ["Zg", "Zm8", "Zm9v", "Zm9vYg", "Zm9vYmE", "Zm9vYmFy"];
  for (const [at, example] of examples.entries()) {
    it(`writes and reads ${example}`, () => {
      const line = Buffer.from(encodeLine(octets(example))).toString("latin1");
      assert.equal(line.slice(2, -9), expected[at]);
      const [event] = new LineReceiver().feed(octets(line));
      assert.deepEqual(event, { type: "frame", item: octets(example), size: line.length });
    });
  }
});

describe("RFC 8949 clause 3.1: text is UTF-8", () => {
  // RFC 3629 clause 3: UTF-8 has no form for half of a surrogate pair.
  for (const half of ["\ud83d", "orchard \udd14"]) {
    it(`refuses ${JSON.stringify(half)}`, () => {
      assert.throws(() => encode(half), ProfileError);
    });
  }
});

describe("RFC 3720 appendix B.4", () => {
  // The appendix shows the four bytes as they are sent, least significant first.
  /** @type {[string, Uint8Array, string][]} */
  const examples = [
    ["32 bytes of zeroes", new Uint8Array(32), "aa36918a"],
    ["32 bytes of ones", new Uint8Array(32).fill(255), "43aba862"],
    ["32 bytes of incrementing 00..1f", Uint8Array.from({ length: 32 }, (_, at) => at), "4e79dd46"],
    [
      "32 bytes of decrementing 1f..00",
      Uint8Array.from({ length: 32 }, (_, at) => 31 - at),
      "5cdb3f11",
    ],
    [
      "an iSCSI SCSI Read (10) Command PDU",
      unhex(
        "01c00000000000000000000000000000" +
          "14000000000004000000001400000018280000000000000002000000" +
          "00000000",
      ),
      "563a96d9",
    ],
  ];
  for (const [what, bytes, sent] of examples) {
    it(what, () => {
      const bigEndian = new Uint8Array(new Uint32Array([crc32c(bytes)]).buffer);
      assert.equal(hex(bigEndian), sent);
    });
  }

  it("is the check value of the catalogue's CRC-32/ISCSI", () => {
    assert.equal(crc32c(octets("123456789")), 0xe3069283);
  });
});

describe("RFC 8949 appendix A", () => {
  const { rows } = json("tests/contract/data/rfc8949_appendix_a.json");
  for (const { hex: bytes, diagnostic, refused } of rows) {
    it(`${refused ? "refuses" : "takes"} ${diagnostic} as ${bytes}`, () => {
      if (refused) assert.throws(() => decode(unhex(bytes)), ProfileError);
      else assert.equal(hex(encode(decode(unhex(bytes)))), bytes);
    });
  }
});

describe("IEEE 802.11-2016 J.4.2", () => {
  /** @type {[string, string, string][]} */
  const examples = [
    ["password", "IEEE", "f42c6fc52df0ebef9ebb4b90b38a5f902e83fe1b135a70e23aed762e9710a12e"],
    [
      "ThisIsAPassword",
      "ThisIsASSID",
      "0dc0d6eb90555ed6419756b9a15ec3e3209b63df707dd508d14581f8982721af",
    ],
    [
      "a".repeat(32),
      "Z".repeat(32),
      "becb93866bb8c3832cb777c2f559807c8c59afcb6eae734885001300a981cc62",
    ],
  ];
  for (const [passphrase, name, key] of examples) {
    it(`makes the key of ${name}`, async () => {
      assert.equal(await networkKey(passphrase, octets(name)), key);
      assert.equal(await networkKey(key, octets(name)), key, "a key is the key itself");
    });
  }
});

describe("RFC 5952", () => {
  const field = /** @type {import("../../../provision/page/schema/model.js").Field} */ (
    /** @type {unknown} */ ({ kind: Kind.IP, families: 3, minimum: null, maximum: null })
  );
  /** @type {[section: string, canonical: string, ...others: string[]][]} */
  const examples = [
    ["1", "2001:db8::1:0:0:1", "2001:db8:0:0:1:0:0:1", "2001:0db8:0:0:1::1", "2001:DB8:0:0:1::1"],
    ["2.1", "2001:db8:aaaa:bbbb:cccc:dddd:0:1", "2001:db8:aaaa:bbbb:cccc:dddd::1"],
    ["4.2.2", "2001:db8:0:1:1:1:1:1", "2001:db8::1:1:1:1:1"],
    ["4.2.3", "2001:0:0:1::1", "2001:0:0:1:0:0:0:1"],
    ["5", "::ffff:192.0.2.1", "::ffff:c000:201", "0:0:0:0:0:ffff:192.0.2.1"],
    ["RFC 4291 2.2", "::", "0:0:0:0:0:0:0:0"],
    ["RFC 4291 2.2", "::1", "0:0:0:0:0:0:0:1"],
    ["RFC 4291 2.2", "2001:db8::8:800:200c:417a", "2001:DB8:0:0:8:800:200C:417A"],
  ];
  for (const [section, canonical, ...others] of examples) {
    it(`section ${section}: shows ${canonical}`, () => {
      for (const text of [canonical, ...others]) {
        assert.equal(show(field, parse(field, text, { pins: [] })), canonical);
      }
    });
  }
});
