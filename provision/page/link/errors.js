// SPDX-License-Identifier: MIT
/**
 * What can go wrong between page and board, each in one sentence for a person, with the fix.
 *
 * No text repeats a value, which may be a secret.
 */

import { codeName } from "../contract/messages.js";
import { MessageType, Refusal } from "../contract/table.js";
import { say } from "../words.js";

/** A board's refusal of a request (clause 7); a code without a name came with a later version. */
export class Refused {
  /**
   * @param {object} said
   * @param {number} said.code one of Refusal, or another
   * @param {string | null} [said.field] full key of the field at fault
   * @param {string | null} [said.other] full key of the second field concerned
   * @param {number | null} [said.detail] a number whose meaning depends on the code
   */
  constructor({ code, field = null, other = null, detail = null }) {
    this.code = code;
    this.field = field;
    this.other = other;
    this.detail = detail;
  }
}

/** The conversation cannot go on. */
export class LinkError extends Error {
  /** What to tell the person. */
  get words() {
    return this.message;
  }
}

/** The port cannot be opened: another program holds it, or the person may not open it. */
export class PortBusy extends LinkError {}

/** The port is gone: unplugged, or closed at the other end. */
export class LineLost extends LinkError {}

/** Nothing at all came from the port. */
export class Silent extends LinkError {}

/** Bytes came, but no answer among them: other firmware, another rate, or mere echo. */
export class SpeaksElse extends LinkError {}

/** So many answers came damaged that somebody else must be taking bytes from the port. */
export class OtherReader extends LinkError {}

/** A board that answered before does not any more. */
export class NoReply extends LinkError {}

/** The board speaks no version of the protocol that this page speaks. */
export class WrongVersion extends LinkError {}

/** The board breaks the protocol: its firmware needs fixing. */
export class BoardFault extends LinkError {}

/** @type {Readonly<Record<number, string>>} What a refusal means, whatever was asked for. */
export const REFUSALS = Object.freeze({
  [Refusal.UNSUPPORTED_VERSION]:
    "The board's firmware speaks another version of the protocol: update this program.",
  [Refusal.UNKNOWN_TYPE]:
    "The board's firmware does not know this request: it is too old.",
  [Refusal.NOT_OFFERED]: "The board's firmware does not offer this.",
  [Refusal.PRESENCE]: "The board requires somebody to be present: press its button, then try again.",
  [Refusal.WRONG_STATE]: "This does not fit the present state of the board.",
  [Refusal.MOVED_ON]: "The board has changed or restarted meanwhile: start again.",
  [Refusal.STORAGE]:
    "The board's memory could not be written; what was stored before still holds.",
  [Refusal.NO_OLDER_SET]: "The board holds no older settings to go back to.",
  [Refusal.BUSY]: "The board is busy: try again later.",
});

/** The board refused a request; `refused` says why. */
export class BoardRefused extends LinkError {
  /**
   * @param {number} request the type of the request, one of MessageType
   * @param {Refused} refused
   * @param {string} [sentence] what to say, in English
   */
  constructor(request, refused, sentence = REFUSALS[refused.code]) {
    const known = Object.values(Refusal).some((code) => code === refused.code);
    const why = known ? codeName(Refusal, refused.code) : `code ${refused.code}`;
    super(
      sentence
        ? say(sentence)
        : say("The board refused the request {name}: {why}.", {
            name: codeName(MessageType, request),
            why,
          }),
    );
    this.refused = refused;
  }
}

/** Nothing is set on the board any more, but a part of its memory could not be wiped. */
export class NotWiped extends BoardRefused {
  /** @param {Refused} refused */
  constructor(refused) {
    super(
      MessageType.ERASE,
      refused,
      "The board forgot its settings, but part of its memory could not be wiped and may still hold" +
        " them: erase it once more before you give it away.",
    );
  }
}
