// SPDX-License-Identifier: MIT
/**
 * What a host makes of each answer, whatever came before: clauses 5.3, 5.4 and 6 of the protocol.
 * Each board here is the list of what it answers, in order.
 */

import assert from "node:assert/strict";
import { test } from "node:test";

import { MessageType, Refusal, Store } from "../../../provision/page/contract/table.js";
import {
  BoardFault,
  BoardRefused,
  NotWiped,
  Refused,
} from "../../../provision/page/link/errors.js";
import { Lost } from "../../../provision/page/link/exchange.js";
import * as operations from "../../../provision/page/link/operations.js";

/** @typedef {import("../../../provision/page/link/exchange.js").Request} Request */

/**
 * @typedef {object} Line
 * @property {number} type of the request that is expected
 * @property {any} result
 * @property {number} [losses]
 */

/**
 * Let a procedure meet these answers, all of them; return its result.
 *
 * @template Result
 * @param {import("../../../provision/page/link/operations.js").Procedure<Result>} procedure
 * @param {Line[]} lines
 * @returns {Result}
 */
function play(procedure, lines) {
  let step = procedure.next(/** @type {any} */ (null));
  /** @type {Request[]} */
  const asked = [];
  let id = 0;
  for (const { type, result, losses = 0 } of lines) {
    assert.equal(step.done, false, "it has ended before");
    if (!step.done) asked.push(...step.value);
    const request = asked.shift();
    assert.ok(request);
    assert.equal(request.type, type);
    step = procedure.next({ id: id++, request, result, losses });
  }
  assert.equal(step.done, true, "it asks on");
  return /** @type {Result} */ (step.value);
}

const TOKEN = Uint8Array.of(1, 2, 3, 4, 5, 6, 7, 8);
const OLDER = Uint8Array.of(8, 7, 6, 5, 4, 3, 2, 1);
const UNIT = Uint8Array.of(5);

/**
 * @param {number} generation
 * @param {Uint8Array | null} token
 * @param {Uint8Array} [unit]
 * @returns {Line}
 */
const hello = (generation, token, unit = UNIT) => ({
  type: MessageType.HELLO,
  result: new Map(/** @type {[number, any][]} */ ([
    [1, [1]],
    [5, unit],
    [15, token],
    [17, generation],
  ])),
});

/**
 * @param {number} store
 * @param {number} generation
 * @returns {Line}
 */
const status = (store, generation) => ({
  type: MessageType.STATUS,
  result: new Map([
    [1, store],
    [8, generation],
  ]),
});

/**
 * @param {number} type
 * @param {number} code
 * @param {number} [losses]
 * @returns {Line}
 */
const refusal = (type, code, losses = 0) => ({ type, result: new Refused({ code }), losses });

/** @param {number} type @param {number} generation @returns {Line} */
const done = (type, generation) => ({ type, result: new Map([[1, generation]]) });

test("an undo whose reply was lost over a restart is known by its token", () => {
  const { UNDO } = MessageType;
  const moved = refusal(UNDO, Refusal.MOVED_ON, 1);
  assert.equal(play(operations.undo(4), [hello(4, TOKEN), moved, hello(6, OLDER)]), 6);
  const not = [hello(4, TOKEN), moved, hello(6, TOKEN)];
  assert.throws(() => play(operations.undo(4), not), BoardRefused);
});

test("an undo of another generation is refused, and nothing more is asked", () => {
  const lines = [hello(5, TOKEN), refusal(MessageType.UNDO, Refusal.MOVED_ON, 1)];
  assert.throws(() => play(operations.undo(4), lines), BoardRefused);
});

test("a confirm whose reply was lost over a restart is known by the trial's end", () => {
  const moved = refusal(MessageType.CONFIRM, Refusal.MOVED_ON, 1);
  const lines = [hello(4, TOKEN), moved, hello(5, TOKEN)];
  assert.equal(play(operations.confirm(4), [...lines, status(Store.COMPLETE, 5)]), 5);
  const not = [...lines, status(Store.TRIAL, 5)];
  assert.throws(() => play(operations.confirm(4), not), BoardRefused);
  const taken = [hello(4, TOKEN), moved, hello(5, OLDER)];
  assert.throws(() => play(operations.confirm(4), taken), BoardRefused);
});

test("an erase that could not write everything is asked for once more", () => {
  const { ERASE } = MessageType;
  const storage = refusal(ERASE, Refusal.STORAGE);
  const lines = [storage, status(Store.EMPTY, 5), done(ERASE, 6)];
  assert.equal(play(operations.erase(4), lines), 6);
});

test("an erase that never writes everything ends with a warning", () => {
  const { ERASE } = MessageType;
  const tries = [5, 6, 7].flatMap((generation) => [
    refusal(ERASE, Refusal.STORAGE),
    status(Store.EMPTY, generation),
  ]);
  assert.throws(
    () => play(operations.erase(4), tries),
    (error) =>
      error instanceof NotWiped && error.words.includes("erase it once more before you give it away"),
  );
});

test("an erase that was refused outright changed nothing", () => {
  const lines = [refusal(MessageType.ERASE, Refusal.STORAGE), status(Store.COMPLETE, 4)];
  assert.throws(() => play(operations.erase(4), lines), BoardRefused);
});

test("what a board that restarted holds staged needs no discard", () => {
  play(operations.discard(7), [refusal(MessageType.DISCARD, Refusal.MOVED_ON)]);
  const other = [refusal(MessageType.DISCARD, Refusal.PRESENCE)];
  assert.throws(() => play(operations.discard(7), other), BoardRefused);
});

test("an open outcome is settled by unit and token", () => {
  const settled = (/** @type {Line} */ line) => play(operations.resolveCommit(TOKEN, UNIT), [line]);
  assert.deepEqual(settled(hello(3, TOKEN)), { type: "stored", generation: 3 });
  assert.deepEqual(settled(hello(3, OLDER)), { type: "not-stored", refused: null });
  assert.deepEqual(settled(hello(3, null)), { type: "not-stored", refused: null });
  assert.deepEqual(settled(hello(3, OLDER, Uint8Array.of(6))), { type: "unknown" });
  const nothing = { type: MessageType.HELLO, result: new Lost("silent") };
  assert.deepEqual(settled(nothing), { type: "unknown" });
});

/** @param {Uint8Array} [token] */
const storing = (token = TOKEN) =>
  operations.store(655, UNIT, [["mast.probe-1", 7]], token, () => {});
const staged = { type: MessageType.SET_FIELD, result: new Map([[1, 1]]) };

for (const code of [Refusal.STORAGE, Refusal.PRESENCE]) {
  test(`a commit refused with ${code} may yet be done: the token tells (6.5)`, () => {
    const refused = refusal(MessageType.COMMIT, code);
    const yet = play(storing(), [staged, refused, hello(2, TOKEN)]);
    assert.deepEqual(yet, { type: "stored", generation: 2 });
    const not = play(storing(), [staged, refused, hello(1, OLDER)]);
    assert.deepEqual(not, { type: "not-stored", refused: refused.result });
  });
}

test("a set that differs is staged three times again, and no more", () => {
  const differs = refusal(MessageType.COMMIT, Refusal.SET_DIFFERS);
  const round = [staged, differs];
  const outcome = play(storing(), [...round, ...round, ...round, ...round]);
  assert.deepEqual(outcome, { type: "not-stored", refused: differs.result });
});

const NETWORK = [Uint8Array.of(65), -50, 1];

/**
 * @param {[number, any][]} body
 * @returns {Line}
 */
const scan = (body) => ({ type: MessageType.SURVEY, result: new Map(body) });

/** @param {any} number @param {boolean} isDone @param {number} count @param {number} first
 * @param {any[]} networks */
const page = (number, isDone, count, first, networks) =>
  scan([
    [1, number],
    [2, isDone],
    [3, count],
    [4, first],
    [5, networks],
  ]);

const survey = () => operations.survey(() => {});

test("a survey is read to its end, page by page", () => {
  const lines = [
    page(1, false, 0, 0, []),
    page(1, false, 2, 0, [NETWORK]),
    page(1, true, 2, 1, [NETWORK]),
  ];
  assert.equal(play(survey(), lines).length, 2);
});

test("a survey that another one took the place of begins again, twice", () => {
  const gone = refusal(MessageType.SURVEY, Refusal.OUT_OF_BOUNDS);
  const begun = page(1, false, 0, 0, []);
  const end = page(2, true, 0, 0, []);
  assert.deepEqual(play(survey(), [begun, gone, begun, gone, end]), []);
  const never = [begun, gone, begun, gone, begun, gone];
  assert.throws(() => play(survey(), never), BoardRefused);
});

test("a survey that finds nothing new for a minute ends with what was found", () => {
  const silent = Array.from({ length: 240 }, () => page(1, false, 1, 1, []));
  assert.equal(play(survey(), [page(1, false, 1, 0, [NETWORK]), ...silent]).length, 1);
});

test("a survey that contradicts itself is the board's fault", () => {
  const begun = page(1, false, 0, 0, []);
  for (const wrong of [
    page(2, false, 0, 0, []),
    page(1, false, 1, 1, [NETWORK]),
    page(1, false, 0, 0, [NETWORK]),
  ]) {
    assert.throws(() => play(survey(), [begun, wrong]), BoardFault);
  }
});

test("parts that do not get on end with the board's refusal", () => {
  const bytes = new Uint8Array(900);
  const gap = {
    type: MessageType.SET_FIELD,
    result: new Refused({ code: Refusal.GAP, detail: 0 }),
  };
  // The value begins anew three times.
  const lines = Array.from({ length: 4 }, () => gap);
  const procedure = operations.store(655, UNIT, [["mast.key", bytes]], TOKEN, () => {});
  const outcome = play(procedure, lines);
  assert.equal(outcome.type === "not-stored" && outcome.refused?.code, Refusal.GAP);
});

test("parts that a board miscounts are its fault", () => {
  const counted = (/** @type {number} */ received) => ({
    type: MessageType.SET_FIELD,
    result: new Map([
      [1, 0],
      [2, received],
    ]),
  });
  for (const wrong of [0, 901]) {
    const procedure = operations.store(655, UNIT, [["mast.key", new Uint8Array(900)]], TOKEN, () => {});
    assert.throws(() => play(procedure, [counted(wrong)]), BoardFault);
  }
});
