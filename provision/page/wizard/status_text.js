// SPDX-License-Identifier: MIT
/**
 * Codes in a person's words: what the board does, why it failed, and what people do about it.
 *
 * A board sends codes, and the host has the words. A code of a later version has words too, which
 * say that this version does not know it.
 *
 * The tables are in English; say() puts what is taken from them into the person's language.
 *
 * @module
 */

import { codeName } from "../contract/messages.js";
import { Kind, Reason, Refusal, Step } from "../contract/table.js";
import { REFUSALS } from "../link/errors.js";
import { refusalWords } from "../schema/values.js";
import { say } from "../words.js";
import { heading, Why } from "./questions.js";

/** @import { Status } from "../link/replies.js" */
/** @import { Schema } from "../schema/model.js" */

/** @typedef {Readonly<Record<number, string>>} Words  by code */

/** @type {Words} What the board is doing, to follow "The board is". */
export const STEPS = Object.freeze({
  [Step.NONE]: "working with the settings",
  [Step.START]: "starting with the settings",
  [Step.JOIN]: "joining the network",
  [Step.ADDRESS]: "getting a network address",
  [Step.RESOLVE]: "looking up the service's name",
  [Step.REACH]: "reaching the service",
  [Step.AUTHORIZE]: "showing the service its key",
  [Step.HARDWARE]: "trying what is wired to it",
});

/** @type {Words} Why the board does not work with the settings, and what people usually do. */
export const REASONS = Object.freeze({
  [Reason.NONE]: "The board gives no reason.",
  [Reason.NETWORK_NOT_FOUND]:
    "No network of this name is in range. Capital letters count; is it switched on, and near" +
    " enough?",
  [Reason.PASSPHRASE_WRONG]: "The network did not take this passphrase. Capital letters count.",
  [Reason.NO_ADDRESS]:
    "The network gave the board no address. Switching the router off and on often helps; so does" +
    " a fixed address.",
  [Reason.NAME_NOT_RESOLVED]:
    "The host name could not be looked up. Is it spelt correctly, and does the network reach the internet?",
  [Reason.UNREACHABLE]:
    "The service did not answer. Are its name and port right, and is it running?",
  [Reason.KEY_REFUSED]:
    "The service did not take the key. Copy the whole key again from where the service shows it.",
  [Reason.PIN_CONFLICT]: "The firmware cannot use this pin.",
  [Reason.NO_RESPONSE]:
    "What is wired to the board does not answer. Look at the wiring, and at the pin.",
  [Reason.TIME_OUT]: "It took too long.",
  [Reason.OTHER]: "Something else went wrong.",
});

export const UNKNOWN_REASON = "This program does not know the reason; a newer version may.";

/** @type {Readonly<Record<number, readonly number[]>>} */
const KINDS_AT_FAULT = Object.freeze({
  [Reason.NETWORK_NOT_FOUND]: [Kind.NETWORK_NAME],
  [Reason.PASSPHRASE_WRONG]: [Kind.PASSPHRASE],
  [Reason.NO_ADDRESS]: [Kind.NETWORK_NAME],
  [Reason.NAME_NOT_RESOLVED]: [Kind.HOST, Kind.URL],
  [Reason.UNREACHABLE]: [Kind.HOST, Kind.URL],
  [Reason.KEY_REFUSED]: [Kind.SECRET],
  [Reason.PIN_CONFLICT]: [Kind.PIN],
  [Reason.NO_RESPONSE]: [Kind.PIN],
});

/** @type {Readonly<Record<string, string>>} Why a question is asked, where that is not plain. */
export const WHYS = Object.freeze({
  [Why.FELL_BACK]: "This firmware no longer takes the stored value.",
  [Why.PARTNER]: "A network's name and its passphrase are set together.",
});

/** What is said instead of a key that a board made up: it may be anything, what it was sent too. */
const UNDECLARED =
  "It names a field that its schema does not have: the board's firmware needs fixing.";

const NOT_WHOLE = "The settings did not arrive whole in several attempts; try another cable.";

/** @type {Words} What the refusal of a set means. */
const SET_REFUSALS = Object.freeze({
  ...REFUSALS,
  [Refusal.UNKNOWN_FIELD]:
    "The board does not know a setting that it declared itself: its firmware needs fixing.",
  // Of a commit the two mean the same (shared/protocol.md, clause 6.5).
  [Refusal.SET_DIFFERS]: NOT_WHOLE,
  [Refusal.WRONG_STATE]: NOT_WHOLE,
});

/** What is wrong with a setting that the board names with no reason, to follow the label. */
export const NO_WORD_WHY = "does not work, and the board does not say why";

/** What was done when a board fails with its settings, for failureSentence(). */
export const STORED = "The settings are stored";
export const TAKEN_BACK = "The previous settings are in force again";

/**
 * Return a fault as a sentence: words in lower case follow the label, others stand alone.
 *
 * @param {string} label
 * @param {string} words
 */
export function faultSentence(label, words) {
  return /^\p{Lowercase}/u.test(words) ? `${label} ${words}.` : words;
}

/**
 * Return in one sentence what keeps a board from working, null where it told nothing.
 *
 * @param {Schema} schema
 * @param {Status} status
 */
export function incompleteWords(schema, { missing, conflict }) {
  const keys = conflict ?? [missing];
  const named = keys.flatMap((key) => schema.settings.find((setting) => setting.key === key) ?? []);
  const [place, other] = named.map((setting) => `${heading(setting)}, ${setting.field.label}`);
  if (place === undefined) return null;
  return other === undefined
    ? say("{place} has no value.", { place })
    : say("{later} and {earlier} have the same pin.", { later: place, earlier: other });
}

/**
 * Return why the board does not work with the settings, in one or more sentences.
 *
 * @param {number | null} reason
 */
export function reasonWords(reason) {
  return say(REASONS[reason ?? Reason.NONE] ?? UNKNOWN_REASON);
}

/**
 * Return what is wrong with the setting that a failure leads to, for faultSentence().
 *
 * @param {number | null} reason
 */
export function faultWords(reason) {
  return !reason || reason === Reason.OTHER ? say(NO_WORD_WHY) : reasonWords(reason);
}

/**
 * Return why the board does not work with the settings, with the setting that it names where the
 * reason leads to no such. One that the schema does not have is not named: it may be anything.
 *
 * @param {Schema} schema
 * @param {{reason: number | null, field: string | null}} status
 */
export function whyWords({ settings }, { reason, field }) {
  const why = reasonWords(reason);
  const keys = new Set(settings.map(({ key }) => key));
  const setting = settings.find(({ key }) => key === field);
  if (!setting || field === keyAtFault({ settings }, keys, reason, null)) return why;
  return say("{why} The board names this setting: {heading}, {label}.", {
    why,
    heading: heading(setting),
    label: setting.field.label,
  });
}

/**
 * Return what the board is doing, to follow "The board is".
 *
 * @param {number | null} step
 */
export function stepWords(step) {
  return say(STEPS[step ?? Step.NONE] ?? "at a step that this program does not know");
}

/**
 * Return at what the board failed, in one sentence that begins with what was done.
 *
 * @param {string} done  STORED or TAKEN_BACK
 * @param {number | null} step
 */
export function failureSentence(done, step) {
  return say("{done}, but the board does not work with them: it failed at {step}.", {
    done: say(done),
    step: stepWords(step),
  });
}

/**
 * Return why a board refused a whole set, in one sentence.
 *
 * @param {Schema} schema
 * @param {{code: number, field?: string | null} | null} refused  null if a hello alone showed that
 *   nothing was stored
 */
export function refusedWords(schema, refused) {
  if (refused === null) return say("The board's settings are as before.");
  const setting = schema.settings.find((each) => each.key === refused.field);
  if (setting) return `${setting.field.label} ${refusalWords(setting.field, refused.code)}.`;
  const words = SET_REFUSALS[refused.code];
  const said =
    words === undefined
      ? say("The board refused ({code}).", { code: codeName(Refusal, refused.code) })
      : say(words);
  return said + undeclaredWords(schema, refused.field ?? null);
}

/**
 * Return what to add where a failure names a field that the schema does not have, else nothing.
 *
 * @param {Schema} schema
 * @param {string | null} named
 */
export function undeclaredWords(schema, named) {
  const isDeclared = schema.settings.some(({ key }) => key === named);
  return named && !isDeclared ? ` ${say(UNDECLARED)}` : "";
}

/**
 * Return the full key of the setting that a failure leads to, null if there is none.
 *
 * That is the one the board named, if it exists, else the first active one of the kind that such a
 * failure is usually about.
 *
 * @param {Pick<Schema, "settings">} schema
 * @param {ReadonlySet<string>} applying  full keys of what is active
 * @param {number | null} reason
 * @param {string | null} named
 */
export function keyAtFault(schema, applying, reason, named) {
  if (named !== null && applying.has(named)) return named;
  for (const kind of KINDS_AT_FAULT[reason ?? Reason.NONE] ?? []) {
    const ofKind = schema.settings.filter(({ field }) => field.kind === kind);
    const found = ofKind.find(({ key }) => applying.has(key));
    if (found) return found.key;
  }
  return null;
}
