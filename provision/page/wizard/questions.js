// SPDX-License-Identifier: MIT
/**
 * What is asked and what is answered: the words between the flow of the dialog and who asks.
 *
 * @module
 */

import { Kind } from "../contract/table.js";
import { isOpaque, isSecret } from "../schema/model.js";
import { show } from "../schema/values.js";
import { say, sayPlural } from "../words.js";
import { trimmed, visible } from "../client/sanitize.js";

/** @import { Field, Pin, Section, Setting, Value } from "../schema/model.js" */

/** What stands for a secret wherever one would be shown: of one length, whatever the secret's. */
export const MASK = "********";

/** Why a question is asked. */
export const Why = Object.freeze({
  /** It was never asked on this board. */
  NEW: "new",
  /** Without an answer the board cannot work. */
  MISSING: "missing",
  /** The firmware no longer takes the value that is stored. */
  FELL_BACK: "fell-back",
  /** It has the same pin as another setting, so that the board does not work. */
  CONFLICT: "conflict",
  /** The person asked to be asked. */
  ASKED_FOR: "asked-for",
  /** A network's name and its passphrase are set together. */
  PARTNER: "partner",
  /** The answer was refused, or the board does not work with it. */
  FAULT: "fault",
});

/** Where the answer comes from that is offered. */
export const Origin = Object.freeze({
  /** There is none. */
  NONE: "none",
  /** Given earlier in this session. */
  ANSWERED: "answered",
  /** What the board holds. */
  HELD: "held",
  /** What the person's computer proposes, its own time zone for one. */
  PROPOSED: "proposed",
  /** What the firmware's author proposes. */
  DEFAULT: "default",
});

/** An answer that is not a value. */
export const Move = Object.freeze({
  /** What the question offers; of a secret, which is not shown, the one that is set. */
  KEEP: "keep",
  /** Nothing: what was set is removed. */
  CLEAR: "clear",
  /** The question before. */
  BACK: "back",
});

/** @typedef {typeof Why[keyof typeof Why]} WhyAsked */
/** @typedef {typeof Origin[keyof typeof Origin]} OfferedFrom */
/** @typedef {typeof Move[keyof typeof Move]} AMove */

/**
 * A value given as an answer; `written` is how it was written, where that says more: a time zone's
 * name, which boards do not know.
 *
 * @typedef {{value: Value, written: string | null}} Given
 */

/** @typedef {Given | AMove} Answer */

/**
 * A pin that has what a question needs, and what stands in the way of choosing it.
 *
 * @typedef {{pin: Pin, name: string, obstacle: string | null}} PinChoice  `name` is what it is called
 *   among the pins of the board
 */

/**
 * A wireless network that the board finds, in words; `name` is what is stored for it.
 *
 * @typedef {{name: Uint8Array, shown: string, strength: string, security: string,
 *   isOpen: boolean}} InRange
 */

/**
 * One setting to be asked for.
 *
 * @typedef {object} Question
 * @property {"question"} type
 * @property {Setting} setting
 * @property {string} key  the full key of the setting
 * @property {Field} field  what the author declared
 * @property {string} heading  the label of the section, with the number of an instance
 * @property {WhyAsked} why
 * @property {number} position  this is question number `position`...
 * @property {number} count  ...of so many, as far as the answers so far tell
 * @property {string | null} current  what KEEP gives, fit to be shown; null if it is no answer
 * @property {string} editable  the same as it is typed; empty of what is never shown
 * @property {OfferedFrom} origin
 * @property {boolean} canClear  whether no value at all is an answer: where it is not required, and
 *   there is no default
 * @property {string | null} fault  why it is asked again, in words that follow the label
 * @property {string | null} conflict  which pin it shares with which setting, where that is why it
 *   is asked, in a sentence
 * @property {readonly PinChoice[]} pins
 * @property {string | null} network  of a passphrase: the network that it is for, fit to be shown
 * @property {readonly InRange[]} networks  of a network's name: those in range, where the board can
 *   tell; whoever asked the board puts them there
 */

/**
 * Whether one more instance of a section that repeats is wanted.
 *
 * @typedef {{type: "another", section: Section, instance: number, first: boolean}} AnotherInstance
 */

/** @typedef {Question | AnotherInstance} DialogStep */

/**
 * One change as it is shown before anything is stored.
 *
 * @typedef {{key: string, heading: string, label: string, shown: string}} ReviewLine
 */

/**
 * Return the label of a setting's section, with the number of the instance if it repeats.
 *
 * @param {Setting} setting
 */
export function heading({ section, instance }) {
  return instance === null ? section.label : `${section.label} ${instance}`;
}

/**
 * Return a pin's name as printed on the board, else its number; both if several have that name.
 *
 * @param {Pin} pin
 * @param {readonly Pin[]} pins all of the board
 */
export function pinName({ name, number }, pins) {
  if (!name) return say("pin {number}", { number });
  const isAlone = pins.filter((other) => other.name === name).length === 1;
  return isAlone ? name : say("{name} (pin {number})", { name, number });
}

/**
 * Return a value as an answer, with how it was written where that is worth keeping.
 *
 * @param {Field} field
 * @param {Value} value
 * @param {string} written
 * @returns {Given}
 */
export function answered(field, value, written) {
  return { value, written: field.kind === Kind.TIME_ZONE ? trimmed(written) : null };
}

/**
 * Return a value fit to be shown on one line: masked, sized or cleaned.
 *
 * Of a blob the value may be its length in bytes, which is all that a board tells. Quotes show
 * where a text begins or ends with a space. A pin is shown by its name.
 *
 * @param {Field} field
 * @param {Value} value
 * @param {readonly Pin[]} pins all of the board
 * @param {string | null} [written]
 * @returns {string}
 */
export function shownValue(field, value, pins, written = null) {
  if (isSecret(field)) return MASK;
  if (field.kind === Kind.BLOB) {
    const isWhole = typeof value === "object" || typeof value === "string";
    const size = isWhole ? value.length : Number(value);
    return sayPlural("{count} byte", "{count} bytes", size, { count: size });
  }
  const pin = field.kind === Kind.PIN && pins.find(({ number }) => number === value);
  if (pin) return pinName(pin, pins);
  const text = typedValue(field, value, written);
  return text === trimmed(text) ? text : `"${text}"`;
}

/**
 * Return a value as it is typed, cleaned; an empty text for what is never shown.
 *
 * @param {Field} field
 * @param {Value} value
 * @param {string | null} [written]
 * @returns {string}
 */
export function typedValue(field, value, written = null) {
  if (field.kind === Kind.YES_NO) return say(value ? "yes" : "no");
  return isOpaque(field) ? "" : visible(written ?? show(field, value), 255);
}
