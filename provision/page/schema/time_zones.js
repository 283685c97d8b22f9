// SPDX-License-Identifier: MIT
/**
 * Time zones: IANA names for people, TZ strings for boards (shared/protocol.md, clause 9.4; RFC 9636
 * §3.3).
 */

import { MAX_TIME_ZONE } from "./table.js";
import { ZONES } from "./zones.js";

const NAME = "(?:[A-Za-z]{3,}|<[A-Za-z0-9+-]{3,}>)";
const SIXTIES = "(?::[0-5][0-9](?::[0-5][0-9])?)?";
const OFFSET = `[+-]?(?:[01]?[0-9]|2[0-4])${SIXTIES}`;
const DAY_OF_YEAR = "(?:[0-2]?[0-9]{1,2}|3[0-5][0-9]|36[0-5])";
const MONTH_WEEK_DAY = "M(?:0?[1-9]|1[0-2])\\.[1-5]\\.[0-6]";
const DATE = `(?:${MONTH_WEEK_DAY}|J(?!0+(?![0-9]))${DAY_OF_YEAR}|${DAY_OF_YEAR})`;
const TIME = `[+-]?(?:0?[0-9]{1,2}|1[0-5][0-9]|16[0-7])${SIXTIES}`;
const RULE = `,${DATE}(?:/${TIME})?`;
const TZ = new RegExp(`^${NAME}${OFFSET}(?:${NAME}(?:${OFFSET})?${RULE}${RULE})?$`);

/**
 * Return whether a text is a TZ string that a board takes (clause 9.4).
 *
 * @param {string} text
 */
export function isTzString(text) {
  // Each character of a match is ASCII, so that the length is one in bytes too.
  return text.length <= MAX_TIME_ZONE && TZ.test(text);
}

/** @type {Map<string, string> | null} */
let byName = null;

/** TZ strings by IANA name, in the order of the names. */
function zones() {
  if (!byName) {
    // A line is a TZ string, and by area the names that have it: "EST5 America/Panama,Cancun".
    const pairs = ZONES.split("\n").flatMap((line) => {
      const [footer = "", ...areas] = line.split(" ");
      return areas.flatMap((area) => {
        const slash = area.lastIndexOf("/") + 1;
        const places = area.slice(slash).split(",");
        return places.map((place) => /** @type {const} */ ([area.slice(0, slash) + place, footer]));
      });
    });
    byName = new Map(pairs.sort(([one], [other]) => (one < other ? -1 : 1)));
  }
  return byName;
}

/** Return the names of all IANA time zones, those kept for compatibility too. */
export function names() {
  return [...zones().keys()];
}

/**
 * Return the TZ string of an IANA time zone, null if there is no zone of this name. It has the rules
 * of the present and the future only; those of the past are of no use to a board.
 *
 * @param {string} name
 */
export function footerOf(name) {
  return zones().get(name) ?? null;
}

/** Return the IANA name of the zone of this computer, null if it has none that is known. */
export function ownZone() {
  const name = new Intl.DateTimeFormat().resolvedOptions().timeZone;
  return zones().has(name) ? name : null;
}
