// SPDX-License-Identifier: MIT
/** When requests go out, and again, and no more: clauses 4.1, 5.6, 5.7 and 7.2 of the protocol. */

import assert from "node:assert/strict";
import { test } from "node:test";

import { LineReceiver, encodeLine } from "../../../provision/page/contract/line.js";
import { decodeMessage, encodeMessage } from "../../../provision/page/contract/messages.js";
import { Capability, MessageType, Refusal } from "../../../provision/page/contract/table.js";
import { Refused } from "../../../provision/page/link/errors.js";
import { Exchange, Lost, Request } from "../../../provision/page/link/exchange.js";
import { Session } from "../../../provision/page/link/session.js";

/** @typedef {import("../../../provision/page/contract/profile.js").Item} Item */

const ALLOWANCE = 250; // ms; clause 5.7, as all that follow
const BACKOFF = 1000;
const BOUND = 10_000;

/**
 * @param {Partial<Exchange["limits"]>} [limits]
 * @param {number} [firstId]
 */
function exchangeWith(limits = {}, firstId = 100) {
  const exchange = new Exchange(115200, firstId);
  const wide = { line: 655, credit: 1400, commitTime: 0, eraseTime: 0, capabilities: 0 };
  exchange.limits = { ...wide, ...limits };
  return exchange;
}

/** @param {string} key */
const field = (key) =>
  new Request(MessageType.SET_FIELD, [
    [1, key],
    [2, "x".repeat(100)],
  ]);

const commit = () =>
  new Request(MessageType.COMMIT, [
    [1, 1],
    [2, 7],
    [3, new Uint8Array(8)],
  ]);

/** @param {Uint8Array} bytes */
const requestsIn = (bytes) =>
  new LineReceiver().feed(bytes).map((event) => {
    assert.equal(event.type, "frame");
    return decodeMessage(event.type === "frame" ? event.item : new Uint8Array());
  });

/**
 * Let a reply or refusal come.
 *
 * @param {Exchange} exchange
 * @param {number} type
 * @param {number} id
 * @param {[number, Item][]} body
 * @param {number} now
 */
function reply(exchange, type, id, body, now) {
  const message = { version: 1, type, id, body: new Map(body) };
  exchange.receive(encodeLine(encodeMessage(message)), now);
}

/**
 * Let time pass to each deadline; return when which requests went out.
 *
 * @param {Exchange} exchange
 * @param {number} from
 */
function sendings(exchange, from) {
  const times = [];
  for (let now = from; now < Infinity; now = exchange.nextDeadline()) {
    for (const { id } of requestsIn(exchange.poll(now))) times.push({ id, now });
  }
  return times;
}

test("bytes unanswered stay within the credit", () => {
  const credit = 666;
  const exchange = exchangeWith({ credit });
  for (let n = 10; n < 30; n++) exchange.submit(field(`mast.probe-${n}`), 0);
  /** @type {number[]} */
  const waiting = [];
  let most = 0;
  for (let answered = 0; answered < 20; answered++) {
    const sent = exchange.poll(0);
    waiting.push(...requestsIn(sent).map(({ id }) => id));
    const size = sizeOf(field("mast.probe-10"));
    most = Math.max(most, waiting.length * size);
    assert.ok(most <= credit);
    const id = waiting.shift() ?? assert.fail("nothing is on its way");
    reply(exchange, MessageType.SET_FIELD_REPLY, id, [[1, answered]], 0);
  }
  assert.ok(most > credit - 200, "and make use of it");
});

/** @param {Request} request */
function sizeOf({ type, body }) {
  return encodeLine(encodeMessage({ version: 1, type, id: 100, body })).length;
}

test("nothing follows a commit until its reply came", () => {
  const exchange = exchangeWith();
  exchange.submit(commit(), 0);
  exchange.submit(new Request(MessageType.STATUS), 0);
  assert.deepEqual(
    requestsIn(exchange.poll(0)).map(({ type }) => type),
    [MessageType.COMMIT],
  );
  reply(exchange, MessageType.COMMIT_REPLY, 100, [[1, 1]], 5);
  assert.deepEqual(
    requestsIn(exchange.poll(5)).map(({ type }) => type),
    [MessageType.STATUS],
  );
});

test("it follows where the board receives while it stores", () => {
  const exchange = exchangeWith({ capabilities: Capability.RECEIVES_WHILE_STORING });
  exchange.submit(commit(), 0);
  exchange.submit(new Request(MessageType.STATUS), 0);
  assert.equal(requestsIn(exchange.poll(0)).length, 2);
});

test("what was sent before a commit is not repeated behind it", () => {
  const exchange = exchangeWith();
  exchange.submit(field("mast.probe-1"), 0);
  exchange.submit(commit(), 0);
  const repeated = sendings(exchange, 0).filter(({ now }) => now > 0 && now < BOUND);
  assert.ok(repeated.length > 5);
  assert.ok(repeated.every(({ id }) => id === 101));
});

test("a repeat comes when the reply is late, at twice the wait, up to 1 s more", () => {
  const exchange = exchangeWith();
  exchange.submit(new Request(MessageType.STATUS), 0);
  const times = sendings(exchange, 0).map(({ now }) => now);
  const waits = times.slice(1).map((time, at) => time - (times[at] ?? 0));
  const [first = 0, second = 0, ...rest] = waits;
  assert.ok(first > ALLOWANCE && first < ALLOWANCE + 10);
  assert.equal(second, 2 * first);
  assert.ok(rest.length > 4);
  for (const wait of rest) assert.ok(wait <= first + BACKOFF + 1e-6);
  const [answer] = exchange.takeAnswers();
  assert.ok(answer?.result instanceof Lost);
  assert.equal(answer.result.why, "silent");
});

test("a repeat has the same id and the same bytes", () => {
  const exchange = exchangeWith();
  exchange.submit(new Request(MessageType.STATUS), 0);
  const first = exchange.poll(0);
  assert.deepEqual(exchange.poll(exchange.nextDeadline()), first);
});

for (const [type, limits, announced] of /** @type {const} */ ([
  [MessageType.COMMIT, { commitTime: 3000, eraseTime: 9000 }, 3000],
  [MessageType.ERASE, { commitTime: 3000, eraseTime: 9000 }, 9000],
  [MessageType.STATUS, { commitTime: 3000, eraseTime: 9000 }, 0],
])) {
  test(`request ${type} is late, and given up, after the time announced for it`, () => {
    const exchange = exchangeWith(limits);
    exchange.submit(type === MessageType.COMMIT ? commit() : new Request(type, [[1, 0]]), 0);
    exchange.poll(0);
    const late = exchange.nextDeadline();
    assert.ok(late > announced + ALLOWANCE && late < announced + ALLOWANCE + 20, `${late}`);
    exchange.poll(BOUND + announced - 1);
    assert.deepEqual(exchange.takeAnswers(), []);
    exchange.poll(BOUND + announced);
    assert.equal(exchange.takeAnswers().length, 1);
  });
}

test("hello is repeated every 250 ms", () => {
  const exchange = exchangeWith();
  exchange.submit(new Request(MessageType.HELLO, [], { every: 250, patience: 1000 }), 0);
  const times = sendings(exchange, 0).map(({ now }) => now);
  assert.deepEqual(times, [0, 250, 500, 750]);
});

test("busy is asked again after a pause, and stands in the end", () => {
  const exchange = exchangeWith();
  exchange.submit(new Request(MessageType.SURVEY), 0);
  let asked = 0;
  for (let now = 0; now < Infinity; now = exchange.nextDeadline()) {
    const requests = requestsIn(exchange.poll(now));
    if (requests.length && ++asked > 3) assert.ok(now >= 3 * ALLOWANCE);
    for (const { id } of requests) {
      reply(exchange, MessageType.REFUSAL, id, [[1, Refusal.BUSY]], now);
    }
  }
  assert.ok(asked > 3);
  const [answer] = exchange.takeAnswers();
  assert.deepEqual(answer?.result, new Refused({ code: Refusal.BUSY }));
});

test("ids count up modulo 65,536", () => {
  const exchange = exchangeWith({}, 65_535);
  const ids = [1, 2].map(() => exchange.submit(new Request(MessageType.STATUS), 0));
  assert.deepEqual(ids, [65_535, 0]);
});

test("a reply that nobody waits for is passed over", () => {
  const exchange = exchangeWith();
  const id = exchange.submit(new Request(MessageType.DISCARD, [[1, 0]]), 0);
  exchange.poll(0);
  reply(exchange, MessageType.DISCARD_REPLY, id, [], 1);
  reply(exchange, MessageType.DISCARD_REPLY, id, [], 2);
  reply(exchange, MessageType.DISCARD_REPLY, id + 9, [], 3);
  assert.equal(exchange.takeAnswers().length, 1);
  assert.equal(exchange.nextDeadline(), Infinity);
});

test("an abandoned request is not sent, and its late reply is passed over", () => {
  const exchange = exchangeWith();
  const sent = exchange.submit(new Request(MessageType.STATUS), 0);
  exchange.poll(0);
  const waiting = exchange.submit(new Request(MessageType.STATUS), 0);
  exchange.abandon(new Set([sent, waiting]));
  reply(exchange, MessageType.DISCARD_REPLY, sent, [], 1);
  assert.deepEqual(sendings(exchange, 2), []);
  assert.deepEqual(exchange.takeAnswers(), []);
});

test("a procedure that what it calls has stopped asks nothing more", () => {
  const session = new Session(115200, 0);
  const left = new Error("somebody left");
  /** @type {unknown[]} */
  const errors = [];
  /** @returns {import("../../../provision/page/link/operations.js").Procedure<void>} */
  function* leaving() {
    yield [new Request(MessageType.STATUS)];
    session.stop(left);
    yield [new Request(MessageType.LOCATE)];
  }
  session.start(leaving(), 0, () => assert.fail("it went on"), (error) => errors.push(error));
  session.poll(0);
  session.poll(BOUND);
  assert.deepEqual(errors, [left]);
  assert.equal(session.nextDeadline(), Infinity);
});

test("hello's reply and a refusal are taken in every version", () => {
  const exchange = exchangeWith();
  const id = exchange.submit(new Request(MessageType.HELLO), 0);
  exchange.poll(0);
  const body = new Map([[1, Refusal.UNSUPPORTED_VERSION]]);
  const message = { version: 9, type: MessageType.REFUSAL, id, body };
  exchange.receive(encodeLine(encodeMessage(message)), 1);
  const [answer] = exchange.takeAnswers();
  assert.deepEqual(answer?.result, new Refused({ code: Refusal.UNSUPPORTED_VERSION }));
});
