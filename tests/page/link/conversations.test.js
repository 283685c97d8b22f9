// SPDX-License-Identifier: MIT
/**
 * Conversations of shared/vectors, with the page as the host.
 *
 * What is expected was written from shared/protocol.md, and encoded by cbor2, base64 and the package
 * crc. A host says what each request says, to the byte, and takes each reply for what it is.
 */

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";

import { LineReceiver } from "../../../provision/page/contract/line.js";
import { decodeMessage } from "../../../provision/page/contract/messages.js";
import {
  GetValuesKey,
  GetValuesReplyKey,
  Held,
  MessageType,
  PROTOCOL_VERSION,
  Refusal,
  Run,
  Store,
} from "../../../provision/page/contract/table.js";
import { Refused } from "../../../provision/page/link/errors.js";
import { Exchange, Request } from "../../../provision/page/link/exchange.js";
import { discard, greet, readStatusNow, store } from "../../../provision/page/link/operations.js";
import { Session } from "../../../provision/page/link/session.js";

/**
 * @typedef {{host?: string, board?: string, wait?: number, note?: string}} Step
 * @typedef {{id: string, board: string, steps: Step[]}} Vector
 */

const file = new URL("../../../shared/vectors/conversations.json", import.meta.url);
/** @type {{vectors: Vector[], boards: Record<string, {line: number, credit: number}>}} */
const { vectors, boards } = JSON.parse(readFileSync(file, "utf8"));

/** @param {string} hex */
const unhex = (hex) => Uint8Array.from(Buffer.from(hex, "hex"));

/** @param {Uint8Array} bytes */
const hex = (bytes) => Buffer.from(bytes).toString("hex");

/**
 * Return the one message that a line carries, null where bytes are something else.
 *
 * @param {string} line in hexadecimal
 */
function messageIn(line) {
  const events = new LineReceiver().feed(unhex(line));
  const [event] = events;
  if (events.length !== 1 || event?.type !== "frame" || event.size !== line.length / 2) return null;
  try {
    return decodeMessage(event.item);
  } catch {
    return null; // no message: a vector that a host does not send
  }
}

let requests = 0;

for (const vector of vectors) {
  test(vector.id, () => {
    const limits = { commitTime: 0, eraseTime: 0, capabilities: 0, ...boards[vector.board] };
    for (const { host, board = "", note } of vector.steps) {
      const request = host === undefined ? null : messageIn(host);
      // What a host of this version sends; a board's answer to anything else is a board's affair.
      if (request === null || request.version !== PROTOCOL_VERSION || request.type % 2 === 0) continue;
      const exchange = new Exchange(115200, request.id);
      exchange.limits = /** @type {Exchange["limits"]} */ (limits);
      exchange.submit(new Request(request.type, request.body), 0);
      assert.equal(hex(exchange.poll(0)), host, note);
      requests += 1;
      if (board === "") continue; // it is asleep
      exchange.receive(unhex(board), 1);
      const answers = exchange.takeAnswers();
      const reply = messageIn(board);
      assert.ok(reply);
      const code = reply.body.get(1);
      if (reply.type === MessageType.REFUSAL && code === Refusal.BUSY) {
        assert.deepEqual(answers, [], "busy is asked again, after a pause"); // clause 7.2
        continue;
      }
      assert.equal(answers.length, 1, note);
      assert.equal(answers[0]?.id, request.id);
      const result = answers[0]?.result;
      if (reply.type === MessageType.REFUSAL) {
        assert.ok(result instanceof Refused);
        assert.equal(result.code, code);
        assert.equal(result.field, reply.body.get(2) ?? null);
        assert.equal(result.other, reply.body.get(4) ?? null);
        assert.equal(result.detail, reply.body.get(3) ?? null);
      } else {
        assert.deepEqual(result, reply.body, note);
      }
    }
  });
}

test("most of what the vectors' hosts say is what this one says", () => {
  const said = vectors.flatMap(({ steps }) => steps.filter(({ host }) => host !== undefined));
  assert.ok(requests > 0.9 * said.length, `${requests} of ${said.length}`);
});

test("the first provisioning goes as in the vector, line by line", () => {
  const steps = vectors.find(({ id }) => id === "first-provisioning")?.steps ?? [];
  const [hello] = steps;
  const commit = steps
    .map(({ host = "" }) => messageIn(host))
    .find((message) => message?.type === MessageType.COMMIT);
  const session = new Session(115200, messageIn(hello?.host ?? "")?.id ?? -1);
  let at = 0;

  /**
   * @template Result
   * @param {import("../../../provision/page/link/operations.js").Procedure<Result>} procedure
   * @returns {Result}
   */
  function run(procedure) {
    /** @type {Result | undefined} */
    let result;
    let isDone = false;
    session.start(
      procedure,
      0,
      (value) => {
        result = value;
        isDone = true;
      },
      (error) => assert.fail(String(error)),
    );
    while (!isDone) {
      let sent = hex(session.poll(0));
      assert.notEqual(sent, "", "nothing more is said");
      while (sent !== "") {
        while (steps[at]?.host === undefined) at += 1; // what happens at the board
        const { host = "", board = "", note } = steps[at] ?? {};
        at += 1;
        assert.equal(sent.slice(0, host.length), host, note);
        sent = sent.slice(host.length);
        session.receive(unhex(board), 0);
      }
    }
    return /** @type {Result} */ (result);
  }

  const met = run(greet(1000));
  assert.equal(met.firmware, "vector-firmware");
  run(discard(met.boot));
  assert.equal(run(readStatusNow()).store, Store.EMPTY);
  assert.equal(run(firstValues()).get(GetValuesReplyKey.COUNT), 37);
  const changes = /** @type {const} */ ([
    ["net.name", new TextEncoder().encode("orchard")],
    ["net.pass", "blossom-in-may"],
  ]);
  const token = /** @type {Uint8Array} */ (commit?.body.get(3));
  const outcome = run(store(met.line, met.unit, changes, token, () => {}));
  assert.deepEqual(outcome, { type: "stored", generation: 1 });
  const runs = [1, 2, 3].map(() => run(readStatusNow()));
  assert.deepEqual(
    runs.map((status) => status.run),
    [Run.APPLYING, Run.APPLYING, Run.PROVEN],
  );
  assert.deepEqual(runs[2]?.address, Uint8Array.of(192, 0, 2, 7));
  assert.deepEqual(run(greet(1000)).token, token);
  assert.deepEqual(run(firstValues()).get(GetValuesReplyKey.ENTRIES).slice(0, 2), [
    ["net.name", Held.SET, new TextEncoder().encode("orchard")],
    ["net.pass", Held.SET],
  ]);
});

/**
 * Ask for the first page of values: the vector's host reads no further.
 *
 * @returns {import("../../../provision/page/link/operations.js").Procedure<any>}
 */
function* firstValues() {
  const { result } = yield [new Request(MessageType.GET_VALUES, [[GetValuesKey.FIRST, 0]])];
  return result;
}
