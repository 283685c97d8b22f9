// SPDX-License-Identifier: MIT
/**
 * The page's dialog at the end of a pipe: one command a line in, one reply a line out, in JSON.
 *
 * A command is [name, ...values]. A reply is {result}, {problem} for what a person typed wrongly,
 * or {error} for what a caller did. Octets are {"octets": "<hexadecimal digits>"}.
 *
 * @module
 */

import { createInterface } from "node:readline";
import { writeHeapSnapshot } from "node:v8";

import { decode } from "../../../provision/page/contract/profile.js";
import { MAX_SCHEMA_DEPTH } from "../../../provision/page/contract/table.js";
import { ValueProblem } from "../../../provision/page/schema/values.js";
import { fromItem } from "../../../provision/page/schema/codec.js";
import { cleanSchema, printable, visible } from "../../../provision/page/client/sanitize.js";
import * as codes from "../../../provision/page/wizard/status_text.js";
import { doubts } from "../../../provision/page/wizard/input_warnings.js";
import { Flow } from "../../../provision/page/wizard/flow.js";
import { inRange } from "../../../provision/page/wizard/networks.js";

/** @import { Field, Schema, Value } from "../../../provision/page/schema/model.js" */
/** @import { FlowOptions } from "../../../provision/page/wizard/flow.js" */
/** @import { HeldSetting } from "../../../provision/page/client/snapshot.js" */
/** @import { Answer, DialogStep, Question }
 *   from "../../../provision/page/wizard/questions.js" */

/** @type {Schema} */
let schema;
/** @type {Flow} */
let flow;
/** @type {DialogStep | null} */
let step = null;

/** Return the question that came last. */
function question() {
  return /** @type {Question} */ (step);
}

/** Return all that can be told of a question or an offer, in the order of lockstep.py. */
function told() {
  if (step === null) return null;
  if (step.type === "another") return [step.section.key, step.instance, step.first];
  const { key, heading, why, position, count, current, editable, origin, canClear, fault } = step;
  const pins = step.pins.map(({ pin, name, obstacle }) => [pin.number, name, obstacle]);
  const place = [key, heading, why, position, count];
  return [...place, current, editable, origin, canClear, fault, step.conflict, pins, step.network];
}

/** Return what can be asked of a flow at any time. */
async function standing() {
  return {
    changes: [...(await flow.finalChanges())],
    keys: [...flow.changes().keys()],
    review: flow.review().map(({ key, heading, label, shown }) => [key, heading, label, shown]),
    answers: [...flow.answers()].sort(([one], [other]) => (one < other ? -1 : 1)),
    asked: [...flow.asked()].sort(),
    active: [...flow.active].sort(),
    untouched: flow.untouched(),
  };
}

/**
 * Write what the engine holds in memory to a file.
 *
 * @param {string} path
 */
function heap(path) {
  step = null;
  "another text".match(/./); // the engine remembers the text that was matched last
  writeHeapSnapshot(path);
}

/** @type {Record<string, (...values: any[]) => unknown>} */
const commands = {
  schema(/** @type {Uint8Array} */ octets) {
    schema = cleanSchema(fromItem(decode(octets, MAX_SCHEMA_DEPTH)));
    return schema;
  },
  flow(/** @type {[string, HeldSetting][]} */ held, /** @type {FlowOptions} */ options) {
    flow = new Flow(schema, new Map(held), options);
  },
  next() {
    step = flow.next();
    return told();
  },
  answer: (/** @type {Answer} */ answer) => flow.answer(answer),
  answerAnother: (/** @type {boolean} */ wanted) => flow.answerAnother(wanted),
  back: () => flow.back(),
  change: (/** @type {string} */ key) => flow.change(key),
  fault: (/** @type {string} */ key, /** @type {string} */ words) => flow.fault(key, words),
  passOver: () => flow.passOver(),
  read: (/** @type {string} */ text) => flow.read(question(), text),
  cautions: (/** @type {Answer} */ answer) => flow.cautions(question(), answer),
  standing,
  wipe: () => flow.wipe(),
  heap,
  printable,
  visible,
  doubts: (/** @type {Field} */ field, /** @type {Value} */ value) => doubts(field, value),
  inRange,
  table: (/** @type {"STEPS" | "REASONS" | "WHYS"} */ name) => codes[name],
  faultSentence: codes.faultSentence,
  faultWords: codes.faultWords,
  reasonWords: codes.reasonWords,
  whyWords: (status) => codes.whyWords(schema, status),
  stepWords: codes.stepWords,
  failureSentence: codes.failureSentence,
  refusedWords: (refused) => codes.refusedWords(schema, refused),
  keyAtFault: (applying, reason, named) =>
    codes.keyAtFault(schema, new Set(applying), reason, named),
};

/** @type {(this: any, key: string, value: any) => any} */
const fromJson = (_, value) =>
  typeof value?.octets === "string" ? new Uint8Array(Buffer.from(value.octets, "hex")) : value;

/** @type {(this: any, key: string, value: any) => any} */
const toJson = (_, value) =>
  value instanceof Uint8Array ? { octets: Buffer.from(value).toString("hex") } : value;

for await (const line of createInterface({ input: process.stdin })) {
  const [name, ...values] = JSON.parse(line, fromJson);
  let reply;
  try {
    reply = { result: (await commands[name]?.(...values)) ?? null };
  } catch (error) {
    reply =
      error instanceof ValueProblem
        ? { problem: [error.words, error.code] }
        : { error: error instanceof Error ? error.stack : String(error) };
  }
  // Pure ASCII, whatever the encoding of the pipe is.
  const text = JSON.stringify(reply, toJson).replace(
    /[^ -~]/g,
    (unit) => `\\u${unit.charCodeAt(0).toString(16).padStart(4, "0")}`,
  );
  process.stdout.write(`${text}\n`);
}
