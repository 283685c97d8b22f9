// SPDX-License-Identifier: MIT
/**
 * The vectors of shared/vectors with the page's contract and settings, each as a test of its own.
 * shared/vectors/README.md says what they are; their bytes come from none of our implementations.
 */

import assert from "node:assert/strict";
import { cleanLog } from "../../../provision/page/contract/log.js";
import { describe, it } from "node:test";

import { LineReceiver, encodeLine } from "../../../provision/page/contract/line.js";
import {
  MessageError,
  checkBody,
  codeName,
  decodeMessage,
  encodeMessage,
} from "../../../provision/page/contract/messages.js";
import { decode, encode } from "../../../provision/page/contract/profile.js";
import {
  Ability,
  Characters,
  Kind,
  Refusal,
} from "../../../provision/page/contract/table.js";
import { inLanguage, mapTexts } from "../../../provision/page/schema/languages.js";
import { checkValue, parse } from "../../../provision/page/schema/values.js";
import { SchemaError, unpack } from "../../../provision/page/schema/codec.js";
import { hex, json, octets, unhex } from "./helpers.js";

/**
 * @param {string} name
 * @returns {any[]}
 */
const vectors = (name) => json(`shared/vectors/${name}`).vectors;

/**
 * @param {Uint8Array} bytes
 * @param {number} limit
 * @param {number} step
 */
function received(bytes, limit, step) {
  const receiver = new LineReceiver(limit, cleanLog);
  const events = [];
  for (let at = 0; at < bytes.length; at += step) {
    events.push(...receiver.feed(bytes.subarray(at, at + step)));
  }
  return events;
}

/**
 * @param {import("../../../provision/page/contract/line.js").LineEvent} event
 * @param {any} expected
 */
function assertEvent(event, expected) {
  if (event.type === "frame") assert.deepEqual({ frame: hex(event.item) }, expected);
  else if (event.type === "damaged") assert.deepEqual({ damaged: true }, expected);
  else {
    assert.ok("log" in expected, event.text);
    if (expected.log === null) return; // some text that no vector fixes
    const parts = expected.log.map((/** @type {string | null} */ part) =>
      part === null ? "\\[[a-z ]+\\]" : part.replace(/[^\w ]/g, "\\$&"),
    );
    assert.match(event.text, new RegExp(`^${parts.join("")}$`));
  }
}

const BEFORE = octets("reading 4.5 C\r\n\x00\xfe\n");

describe("lines.json", () => {
  for (const { id, shows, limit, bytes, events, flags } of vectors("lines.json")) {
    it(`${id}: ${shows}`, () => {
      for (const step of [10_000, 7, 1]) {
        const got = received(unhex(bytes), limit, step);
        assert.equal(got.length, events.length);
        got.forEach((event, at) => assertEvent(event, events[at]));

        const later = received(new Uint8Array([...BEFORE, ...unhex(bytes)]), limit, step).slice(2);
        assert.deepEqual(later, got, "what came before changes nothing");
      }
      if (!flags.includes("valid")) return;
      for (const { frame } of events) {
        if (frame !== undefined) assert.ok(bytes.includes(hex(encodeLine(unhex(frame), limit))));
      }
    });
  }
});

/**
 * What a host makes of an item.
 *
 * @param {Uint8Array} item
 */
function judged(item) {
  try {
    checkBody(decodeMessage(item));
  } catch (error) {
    assert.ok(error instanceof MessageError);
    return error.refusal === null ? "ignored" : codeName(Refusal, error.refusal);
  }
  return "message";
}

describe("messages.json", () => {
  for (const { id, shows, bytes, from, expected } of vectors("messages.json")) {
    it(`${id}: ${shows}`, () => {
      const item = unhex(bytes);
      if (from === "board" || expected === "ignored") {
        // What no board takes from a host is nothing that a host would take from a board. (The even
        // types that a board ignores are replies to a host, or not known.)
        const got = judged(item);
        if (from === "board") assert.equal(got, expected);
        else assert.ok(got !== "message");
      } else {
        // A request: a host makes it, and checks none.
        assert.equal(hex(encodeMessage(decodeMessage(item))), bytes);
      }
    });
  }
});

describe("schemas.json", () => {
  for (const { id, shows, bytes, digest, expected, fields, texts } of vectors("schemas.json")) {
    it(`${id}: ${shows}`, async () => {
      if (expected !== "accepted") {
        await assert.rejects(unpack(unhex(bytes), unhex(digest)), (error) => {
          assert.ok(error instanceof SchemaError, String(error));
          assert.equal(error.kind, expected);
          assert.match(error.words, /^[^\n]+\.$/);
          return true;
        });
        return;
      }
      const schema = await unpack(unhex(bytes), unhex(digest));
      assert.deepEqual(
        schema.settings.map(({ key }) => key),
        fields,
      );
      for (const [language, expectedTexts] of Object.entries(texts ?? {})) {
        /** @type {string[]} */
        const shown = [];
        mapTexts(inLanguage(schema, [language]), (text) => {
          shown.push(text);
          return text;
        });
        assert.deepEqual(shown, expectedTexts);
      }
    });
  }
});

describe("values.json", async () => {
  const { schema: name } = json("shared/vectors/values.json").board;
  const { bytes, digest } = vectors("schemas.json").find(({ id }) => id === name);
  const schema = await unpack(unhex(bytes), unhex(digest));
  for (const { id, shows, field, bytes: item, expected } of vectors("values.json")) {
    it(`${id}: ${shows}`, () => {
      const setting = schema.settings.find(({ key }) => key === field);
      const value = decode(unhex(item));
      if (!setting) assert.equal(expected, "unknown-field");
      else if (value === null) assert.equal(expected, "accepted"); // cleared: nothing to judge
      else {
        const code = checkValue(setting.field, value, schema);
        assert.equal(code === null ? "accepted" : codeName(Refusal, code), expected);
      }
    });
  }
});

/**
 * Return the code of a name of the page.
 *
 * @param {Readonly<Record<string, number>>} codes
 * @param {string} name
 */
const codeOf = (codes, name) =>
  /** @type {number} */ (codes[name.toUpperCase().replaceAll("-", "_")]);

/** @param {string[]} names */
const abilities = (names) => names.reduce((sum, name) => sum + codeOf(Ability, name), 0);

/**
 * Return the field of a declaration, whose keys are those of the page (clause 8.1).
 *
 * @param {any} declared
 * @returns {any}
 */
const fieldOf = ({ kind, characters = "printable", options = [], needs = [], ...limits }) => ({
  ...{ minimum: null, maximum: null, unit: null, digits: null, schemes: [], families: 3 },
  ...limits,
  kind: codeOf(Kind, kind),
  characters: codeOf(Characters, characters),
  options: options.map((/** @type {string[]} */ [key, label]) => ({ key, label })),
  needs: abilities(needs),
});

describe("typed.json", async () => {
  const { board, fields } = json("shared/vectors/typed.json");
  const pins = board.pins.map((/** @type {any} */ pin) => ({
    ...{ name: null, taken: null, ...pin },
    abilities: abilities(pin.abilities),
  }));
  // Each page speaks one language: whoever runs this puts the German one somewhere (page_bundle.py).
  const german = process.env.GERMAN_PAGE;
  if (!german) throw new Error("GERMAN_PAGE must be the URL of the page's source code in German");
  /** @type {Record<string, typeof parse>} */
  const hosts = { en: parse, de: (await import(`${german}/schema/values.js`)).parse };
  for (const { id, shows, field, language, typed, bytes, expected } of vectors("typed.json")) {
    it(`${id}: ${shows}`, () => {
      let got;
      try {
        got = hex(encode(/** @type {typeof parse} */ (hosts[language])(fieldOf(fields[field]), typed, { pins })));
      } catch (/** @type {any} */ problem) {
        if (problem.words === undefined) throw problem; // no ValueProblem, of either page
        got = codeName(Refusal, problem.code);
      }
      assert.equal(got, bytes ?? expected);
    });
  }
});
