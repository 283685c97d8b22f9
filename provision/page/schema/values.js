// SPDX-License-Identifier: MIT
/**
 * Values of settings: checked as a board checks them, read from what people type, and shown.
 *
 * checkValue() is clause 9 of the contract and gives the same refusal as every board. parse() and
 * show() are the host's affair. No words of this module repeat what was typed, which may be a
 * secret; what the firmware's author wrote stands in them as it is, and who shows it cleans it.
 *
 * @typedef {import("./model.js").Field} Field
 * @typedef {import("./model.js").Schema} Schema
 * @typedef {import("./model.js").Value} Value
 * @typedef {import("./table.js").ValueType} ValueType
 */

import { Ability, Characters, Kind, Refusal } from "../contract/table.js";
import { say, sayPlural } from "../words.js";
import { isSecret } from "./model.js";
import { KINDS, LENGTH_OF_KEY } from "./table.js";
import { footerOf, isTzString, names } from "./time_zones.js";

/**
 * Return type and limits of a kind.
 *
 * @param {number} kind one of Kind
 */
export function ofKind(kind) {
  const [type, least, most] = /** @type {readonly [ValueType, number, number]} */ (KINDS[kind]);
  return { type, least, most };
}

/** What was typed is not a value for the field; `words` follow the field's label. */
export class ValueProblem extends Error {
  /**
   * @param {string} words
   * @param {number} code one of Refusal
   */
  constructor(words, code) {
    super(words);
    this.words = words;
    this.code = code;
  }
}

/**
 * Return the smallest and largest value of a number, or the shortest and longest length.
 *
 * @param {Field} field
 * @returns {[least: number, most: number]}
 */
export function limits(field) {
  if (field.kind === Kind.IP) {
    const sizes = addressSizes(field);
    return [Math.min(...sizes), Math.max(...sizes)];
  }
  const { least, most } = ofKind(field.kind);
  return [field.minimum ?? least, field.maximum ?? most];
}

// ---------------------------------------------------------------------------- checking (clause 9)

/**
 * Return why a board refuses a value for a field by itself, null if it takes it.
 *
 * The checks and their order are those of clauses 9.1 to 9.4. Of the schema only the pins count.
 *
 * @param {Field} field
 * @param {unknown} value
 * @param {Pick<Schema, "pins">} schema
 * @returns {number | null} one of Refusal
 */
export function checkValue(field, value, schema) {
  const type = value instanceof Uint8Array ? "bytes" : typeof value;
  if (type !== ofKind(field.kind).type) return Refusal.WRONG_KIND;
  if (typeof value === "string") {
    return field.kind === Kind.CHOICE ? checkChoice(field, value) : checkText(field, value);
  }
  if (value instanceof Uint8Array) {
    const sizes = addressSizes(field);
    const fits =
      field.kind === Kind.IP ? sizes.includes(value.length) : isWithin(field, value.length);
    return fits ? null : Refusal.LENGTH;
  }
  if (typeof value !== "number") return null;
  if (field.kind === Kind.PIN) return checkPin(field, value, schema);
  return isWithin(field, value) ? null : Refusal.RANGE;
}

/**
 * @param {Field} field
 * @param {number} size
 */
function isWithin(field, size) {
  const [least, most] = limits(field);
  return least <= size && size <= most;
}

/**
 * @param {Field} field
 * @param {number} number
 * @param {Pick<Schema, "pins">} schema
 */
function checkPin(field, number, schema) {
  const pin = schema.pins.find((each) => each.number === number);
  if (!pin) return Refusal.PIN_UNFIT;
  if (pin.taken !== null) return Refusal.PIN_TAKEN;
  return (field.needs & pin.abilities) === field.needs ? null : Refusal.PIN_UNFIT;
}

/** @param {Field} field */
function addressSizes({ families }) {
  return [4, 16].filter((_, at) => families & (1 << at));
}

/**
 * @param {Field} field
 * @param {string} value
 */
function checkChoice(field, value) {
  if (LONE_SURROGATE.test(value)) return Refusal.CHARACTERS;
  return field.options.some(({ key }) => key === value) ? null : Refusal.NO_SUCH_OPTION;
}

const LONE_SURROGATE = /\p{Cs}/u;

/** @type {Readonly<Record<number, RegExp>>} */
const CHARACTER_SETS = {
  // eslint-disable-next-line no-control-regex
  [Characters.PRINTABLE]: /^[^\x00-\x1f\x7f-\x9f]*$/,
  [Characters.ASCII]: /^[ -~]*$/,
  [Characters.WORD]: /^[\w.-]*$/,
  [Characters.DIGITS]: /^[0-9]*$/,
};
/** @type {Readonly<Record<number, RegExp>>} */
const KIND_CHARACTERS = {
  [Kind.PASSPHRASE]: /^[ -~]*$/,
  [Kind.HOST]: /^[A-Za-z0-9.-]*$/,
  // RFC 3986 §2.2 and §2.3 without brackets, and the percent sign of §2.1.
  [Kind.URL]: /^[\w.~:/?#@!$&'()*+,;=%-]*$/,
  [Kind.TIME_ZONE]: /^[!-~]*$/,
};

/**
 * @param {Field} field
 * @param {string} value
 */
function checkText(field, value) {
  // A lone surrogate counts as one byte.
  const length = new TextEncoder().encode(value.replace(/\p{Cs}/gu, "?")).length;
  if (!isWithin(field, length)) return Refusal.LENGTH;
  if (LONE_SURROGATE.test(value)) return Refusal.CHARACTERS;
  if (field.kind === Kind.PASSPHRASE && length === LENGTH_OF_KEY) {
    return /^[0-9A-Fa-f]*$/.test(value) ? null : Refusal.FORM;
  }
  const characters = KIND_CHARACTERS[field.kind] ?? CHARACTER_SETS[field.characters];
  if (!characters?.test(value)) return Refusal.CHARACTERS;
  const isWellFormed =
    (field.kind !== Kind.HOST || isHost(value)) &&
    (field.kind !== Kind.URL || isUrl(value, field.schemes)) &&
    (field.kind !== Kind.TIME_ZONE || isTzString(value));
  return isWellFormed ? null : Refusal.FORM;
}

const LABEL = /^[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?$/;
const DECIMAL_OCTET = "(?:25[0-5]|2[0-4][0-9]|1[0-9]{2}|[1-9]?[0-9])";
const IPV4 = new RegExp(`^${DECIMAL_OCTET}(?:\\.${DECIMAL_OCTET}){3}$`);

/**
 * Return whether a text is a host name (RFC 952, RFC 1123 §2.1) or an IPv4 address.
 *
 * @param {string} text
 */
function isHost(text) {
  const labels = text.split(".");
  if (!labels.every((label) => LABEL.test(label))) return false;
  return !/^[0-9]+$/.test(labels.at(-1) ?? "") || IPV4.test(text);
}

/**
 * Return whether a text of admitted characters is a URL (RFC 3986, narrowed by clause 9.3).
 *
 * @param {string} text
 * @param {readonly string[]} schemes
 */
function isUrl(text, schemes) {
  const [, scheme = "", authority = ""] = /^([^:]*):\/\/([^/?#]*)/.exec(text) ?? [];
  if (!schemes.includes(scheme)) return false;
  if (/%(?![0-9A-Fa-f]{2})|#.*#/.test(text)) return false;
  const [, host = "", port = "1"] = /^([^:]*)(?::(.*))?$/.exec(authority) ?? [];
  if (!/^(?!0+$)[0-9]{1,5}$/.test(port) || Number(port) > 65535) return false;
  return isHost(host); // its 253 bytes are more than a scheme leaves of a URL's 255
}

// ------------------------------------------------------------------- reading what people typed

/**
 * Return the value that a person means by what they typed.
 *
 * Numbers may have their unit, decimals a comma or a point, lengths of time several units ("1 h
 * 30 min"; a bare number is in the field's unit). Yes and no may be words or 1 and 0. A choice is
 * its key or its label, a pin its number or its name, a time zone its IANA name or its TZ string.
 * Hex digits may be parted by spaces, colons or hyphens. A network name or a blob is taken as it
 * was typed, or given in hex digits after "hex:".
 *
 * @param {Field} field
 * @param {string} text
 * @param {Pick<Schema, "pins">} schema
 * @returns {Value}
 * @throws {ValueProblem} if it means none, or one that a board would refuse
 */
export function parse(field, text, schema) {
  const value = read(field, text, schema);
  const typed = asTyped(field);
  const code = checkValue(typed, value, schema);
  if (code !== null) throw problem(typed, code);
  return value;
}

/**
 * Return the field with the limits of what a person types for it.
 *
 * Where a board takes nothing but the key of a network, the passphrase is what people know, and the
 * host makes the key of it (clause 9.2).
 *
 * @param {Field} field
 * @returns {Field}
 */
export function asTyped(field) {
  return isKeyOnly(field) ? { ...field, minimum: null } : field;
}

/**
 * Return whether a board takes nothing but the key of a network, and never its passphrase.
 *
 * @param {Field} field
 */
export function isKeyOnly(field) {
  return field.kind === Kind.PASSPHRASE && field.minimum === LENGTH_OF_KEY;
}

/**
 * Return the key of a network in hexadecimal digits (IEEE 802.11-2016 J.4.1).
 *
 * A passphrase of 64 characters is the key itself.
 *
 * @param {string} passphrase
 * @param {Uint8Array} name
 * @returns {Promise<string>}
 */
export async function networkKey(passphrase, name) {
  if (passphrase.length === LENGTH_OF_KEY) return passphrase;
  const { subtle } = crypto;
  const octets = new TextEncoder().encode(passphrase);
  const material = await subtle.importKey("raw", octets, "PBKDF2", false, ["deriveBits"]);
  const salt = /** @type {Uint8Array<ArrayBuffer>} */ (name);
  const how = { name: "PBKDF2", hash: "SHA-1", salt, iterations: 4096 };
  return hex(new Uint8Array(await subtle.deriveBits(how, material, 256)));
}

/**
 * @param {Uint8Array} octets
 * @param {string} [between]
 */
const hex = (octets, between = "") =>
  Array.from(octets, (octet) => octet.toString(16).padStart(2, "0")).join(between);

/** @param {string} digits */
const unhex = (digits) =>
  Uint8Array.from(digits.match(/../g) ?? [], (pair) => parseInt(pair, 16));

/**
 * @param {Field} field
 * @param {number} code
 */
const problem = (field, code) => new ValueProblem(refusalWords(field, code), code);

/**
 * @param {Field} field
 * @param {string} text
 * @param {Pick<Schema, "pins">} schema
 * @returns {Value}
 */
function read(field, text, schema) {
  switch (field.kind) {
    case Kind.HOST:
    case Kind.URL:
      return text.trim();
    case Kind.INTEGER:
    case Kind.DECIMAL:
    case Kind.PORT:
      return readNumber(field, text);
    case Kind.YES_NO:
      return readYesNo(field, text);
    case Kind.CHOICE: {
      const key = optionKey(field, text);
      if (key === null) throw problem(field, Refusal.NO_SUCH_OPTION);
      return key;
    }
    case Kind.PIN:
      return readPin(field, text, schema);
    case Kind.IP: {
      const address = readAddress(text.trim());
      if (address === null) throw problem(field, Refusal.FORM);
      return address;
    }
    case Kind.TIME_ZONE:
      return readTimeZone(text.trim());
    case Kind.DURATION:
      return readDuration(field, text);
    case Kind.HEX:
      return readHex(field, text);
    case Kind.NETWORK_NAME:
    case Kind.BLOB:
      return readOctets(field, text);
    default: // text, secret, passphrase: every character counts, those at the ends too
      return text;
  }
}

/**
 * Return a text without spaces around it, canonical equivalents being the same (UAX 15).
 *
 * @param {string} text
 */
const plain = (text) => text.trim().normalize();

/**
 * Return a plain text, letter case aside (the Unicode Standard, clause 3.13, where a dotless i is no i).
 *
 * @param {string} text
 */
const folded = (text) =>
  plain(text).replace(/[^\u0131]+/g, (part) => part.toLowerCase().toUpperCase().toLowerCase());

/**
 * Return the number times 10^digits.
 *
 * A zero too many is refused as well: "1,000" is a thousand to some people, and one to others.
 *
 * @param {Field} field
 * @param {string} text
 * @param {number} digits
 * @throws {ValueProblem} if there are more digits than that
 */
function scaled(field, text, digits) {
  const [, sign = "", whole = "", fraction = ""] =
    /^([+-]?)([0-9]*)(?:[.,]([0-9]+))?$/.exec(text) ?? [];
  if (!(whole + fraction) || fraction.length > digits) throw problem(field, Refusal.FORM);
  return BigInt(sign + whole + fraction.padEnd(digits, "0"));
}

/**
 * @param {Field} field
 * @param {string} text
 */
function readNumber(field, text) {
  let number = plain(text).replaceAll("\u2212", "-"); // the minus sign
  const unit = plain(field.unit ?? "");
  if (unit && number.endsWith(unit)) {
    const before = number.slice(0, -unit.length);
    // A unit that looks like part of the number counts only when it stands by itself.
    if (before !== before.trimEnd() || !/^[0-9.,+-]/.test(unit)) number = before.trimEnd();
  }
  return Number(scaled(field, number, field.digits ?? 0)); // of hundreds of digits Infinity
}

const YES = ["yes", "y", "true", "on", "1"];
const NO = ["no", "n", "false", "off", "0"];

/**
 * @param {Field} field
 * @param {string} text
 */
function readYesNo(field, text) {
  const word = folded(text);
  /** @param {string[]} known @param {string} own */
  const isOf = (known, own) => [...known, own, own[0]].includes(word);
  const isYes = isOf(YES, folded(say("yes")));
  if (!isYes && !isOf(NO, folded(say("no")))) throw problem(field, Refusal.FORM);
  return isYes;
}

/**
 * Return the key of the one option that a text stands for: by its key, else by its label.
 *
 * @param {Field} field
 * @param {string} text
 */
function optionKey({ options }, text) {
  const word = folded(text);
  const byKey = options.filter(({ key }) => key === word);
  const found = byKey.length ? byKey : options.filter(({ label }) => folded(label) === word);
  return found.length === 1 ? /** @type {import("./model.js").Option} */ (found[0]).key : null;
}

/**
 * @param {Field} field
 * @param {string} text
 * @param {Pick<Schema, "pins">} schema
 */
function readPin(field, text, { pins }) {
  const word = folded(text);
  if (/^[0-9]{1,3}$/.test(word)) return Number(word);
  const [pin, ...others] = pins.filter(({ name }) => word && folded(name ?? "") === word);
  if (!pin || others.length) throw problem(field, Refusal.PIN_UNFIT);
  return pin.number;
}

/**
 * Return the bytes of an address (RFC 4291 §2.2), null if it is none; those of a link with its zone
 * (RFC 4007) are none.
 *
 * @param {string} text
 * @returns {Uint8Array | null}
 */
function readAddress(text) {
  if (IPV4.test(text)) return Uint8Array.from(text.split("."), Number);
  let words = text;
  const [, lead = "", tail] = /^(.*:)([0-9.]*\.[0-9.]*)$/.exec(text) ?? [];
  if (tail) {
    const octets = readAddress(tail);
    if (!octets) return null;
    words = lead + inWords(octets);
  }
  const sides = words.split("::").map((side) => (side ? side.split(":") : []));
  const count = sides.flat().length;
  if (sides.length > 2 || (sides.length === 2 ? count > 7 : count !== 8)) return null;
  if (!sides.flat().every((word) => /^[0-9A-Fa-f]{1,4}$/.test(word))) return null;
  const [before = [], after = []] = sides;
  const all = [...before, ...Array(8 - count).fill("0"), ...after];
  return unhex(all.map((word) => word.padStart(4, "0")).join(""));
}

/** @param {Uint8Array} octets of an address */
const inWords = (octets) => hex(octets).replace(/.{4}(?!$)/g, "$&:");

/** @param {string} word */
function readTimeZone(word) {
  if (isTzString(word)) return word;
  const wanted = folded(word.replaceAll(" ", "_"));
  const name = names().find((each) => folded(each) === wanted);
  return (name && footerOf(name)) ?? word;
}

/**
 * Unit, its milliseconds, other words for it.
 *
 * @type {readonly (readonly [string, number, ...string[]])[]}
 */
const UNITS = [
  ["d", 86_400_000, "day", "days"],
  ["h", 3_600_000, "hr", "hour", "hours"],
  ["min", 60_000, "m", "minute", "minutes"],
  ["s", 1000, "sec", "second", "seconds"],
  ["ms", 1, "millisecond", "milliseconds"],
];

/** @param {string} word */
const milliseconds = (word) => UNITS.find((unit) => unit.includes(word))?.[1];

/**
 * @param {Field} field
 * @param {string} text
 */
function readDuration(field, text) {
  const unit = field.unit ?? "s";
  let words = folded(text);
  if (/^[0-9.,]+$/.test(words)) words += unit;
  // A comma or point between two quantities is in neither: "1 h,30 min" is no 0.3 min.
  if (!/^[.,]?(?:[0-9][0-9.,]*\s*[a-z]+\s*)+$/.test(words)) throw problem(field, Refusal.FORM);
  let hundredths = 0n; // of a millisecond
  for (const [, number = "", word = ""] of words.matchAll(/([0-9.,]+)\s*([a-z]+)/g)) {
    const size = milliseconds(word);
    if (size === undefined) throw problem(field, Refusal.FORM);
    hundredths += scaled(field, number, 2) * BigInt(size);
  }
  const whole = BigInt(100 * (milliseconds(unit) ?? 1));
  if (hundredths % whole) throw problem(field, Refusal.FORM);
  return Number(hundredths / whole);
}

/**
 * @param {Field} field
 * @param {string} text
 */
function readHex(field, text) {
  if (!/^\s*(?:0[xX])?(?:[0-9A-Fa-f]{2}[\s:-]*)*$/.test(text)) throw problem(field, Refusal.FORM);
  return unhex(text.replace(/0[xX]|[\s:-]/g, ""));
}

const HEX_MARK = "hex:";

/** @param {string} text */
const hasHexMark = (text) => text.slice(0, HEX_MARK.length).toLowerCase() === HEX_MARK;

/**
 * @param {Field} field
 * @param {string} text
 */
function readOctets(field, text) {
  if (hasHexMark(text)) return readHex(field, text.slice(HEX_MARK.length));
  if (LONE_SURROGATE.test(text)) throw problem(field, Refusal.CHARACTERS);
  return new TextEncoder().encode(text);
}

// ---------------------------------------------------------------------------- showing to people

/**
 * Return a value as people read it, and as parse() takes it back.
 *
 * IPv6 addresses are in the form of RFC 5952; a network name or blob that is no plain text is in
 * hex digits after "hex:".
 *
 * @param {Field} field
 * @param {Value} value one that checkValue() takes
 * @returns {string}
 * @throws {TypeError} for a secret: no caller has a reason to show one
 */
export function show(field, value) {
  if (isSecret(field)) throw new TypeError("a secret is never shown");
  if (value instanceof Uint8Array) {
    if (field.kind === Kind.IP) return showAddress(value);
    return field.kind === Kind.HEX ? hex(value, " ") : showOctets(field, value);
  }
  if (typeof value === "boolean") return say(value ? "yes" : "no");
  if (typeof value === "number") {
    return field.kind === Kind.DURATION ? showDuration(field, value) : showNumber(field, value);
  }
  if (field.kind !== Kind.CHOICE) return value;
  const label = field.options.find(({ key }) => key === value)?.label ?? "";
  // A label that two options have, or that is the key of another, would mislead.
  return optionKey(field, label) === value ? label : value;
}

/**
 * @param {Field} field
 * @param {number} number
 */
function showNumber({ digits, unit }, number) {
  const figures = String(Math.abs(number)).padStart((digits ?? 0) + 1, "0");
  const point = figures.length - (digits ?? 0);
  const fraction = figures.slice(point).replace(/0+$/, "");
  const sign = number < 0 ? "-" : "";
  return `${sign}${figures.slice(0, point)}${fraction && `.${fraction}`}${unit ? ` ${unit}` : ""}`;
}

/**
 * @param {Field} field
 * @param {Uint8Array} octets
 */
function showOctets(field, octets) {
  try {
    const text = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(octets);
    const shown = field.kind === Kind.BLOB ? text.replace(/[\t\r\n]/g, "") : text;
    if (!/(?! )[\p{C}\p{Z}]/u.test(shown) && !hasHexMark(text)) return text;
  } catch {
    // no text: in hex digits
  }
  return HEX_MARK + hex(octets);
}

/** @param {Uint8Array} octets */
function showAddress(octets) {
  if (octets.length === 4) return octets.join(".");
  const words = inWords(octets).replace(/\b0{1,3}/g, "");
  // RFC 5952 §5 and §4.2: the longest run of zeros, the first of equal ones, not a single one.
  if (words.startsWith("0:0:0:0:0:ffff:")) return `::ffff:${octets.subarray(12).join(".")}`;
  const runs = words.match(/\b0(?::0)+\b/g) ?? [];
  const [longest] = runs.sort((one, other) => other.length - one.length);
  return longest ? words.replace(new RegExp(`:?\\b${longest}\\b:?`), "::") : words;
}

/**
 * @param {Field} field
 * @param {number} value
 */
function showDuration({ unit }, value) {
  let left = value * (milliseconds(unit ?? "s") ?? 1);
  const words = [];
  for (const [name, size] of UNITS) {
    if (left >= size) words.push(`${Math.floor(left / size)} ${name}`);
    left %= size;
  }
  return words.join(" ") || `0 ${unit ?? "s"}`;
}

// --------------------------------------------------------------------------- words of a refusal

/**
 * Return what a refusal means for a field, its limits included, to follow the field's label.
 *
 * Words such as "must be between 1 min and 1 h"; the code may be one that nobody knows yet.
 *
 * @param {Field} field
 * @param {number} code
 */
export function refusalWords(field, code) {
  if (code === Refusal.FORM || code === Refusal.WRONG_KIND) return formWords(field);
  // A board may send any code for any field: one that does not suit the kind has no words here.
  const isNumber = ofKind(field.kind).type === "number";
  if (code === Refusal.RANGE && isNumber) {
    const [least, most] = limits(field);
    const between = { least: show(field, least), most: show(field, most) };
    return say("must be between {least} and {most}", between);
  }
  if (code === Refusal.LENGTH && !isNumber) return lengthWords(field);
  if (code === Refusal.CHARACTERS && !isNumber) {
    return say(CHARACTER_WORDS[field.kind] ?? CHARACTER_SET_WORDS[field.characters]);
  }
  if (code === Refusal.NO_SUCH_OPTION && field.kind === Kind.CHOICE) {
    const options = field.options.map(({ label }) => label).join(", ");
    return say("must be one of: {options}", { options });
  }
  if (code === Refusal.PIN_UNFIT && field.kind === Kind.PIN) return pinWords(field);
  return say(OTHER_WORDS[code] ?? "was refused by the board (code {code})", { code });
}

/**
 * @param {Field} field
 * @returns {string}
 */
function formWords(field) {
  if (field.kind === Kind.DECIMAL) {
    return sayPlural(
      "must be a number with at most {count} digit after the decimal point",
      "must be a number with at most {count} digits after the decimal point",
      field.digits ?? 0,
    );
  }
  if (field.kind === Kind.DURATION && field.unit === "s") {
    return say("must be a length of time in whole seconds, such as 90 s or 1 h 30 min");
  }
  if (field.kind === Kind.URL) {
    const starts = field.schemes.map((scheme) => `${scheme}://`).join(say(" or "));
    return say(
      "must be an address that begins with {starts}, without a name or password in it",
      { starts },
    );
  }
  if (field.kind === Kind.CHOICE) return refusalWords(field, Refusal.NO_SUCH_OPTION);
  if (field.kind === Kind.IP) return lengthWords(field);
  return say(FORM_WORDS[field.kind]);
}

/** @type {Readonly<Record<number, string>>} */
const FORM_WORDS = {
  [Kind.TEXT]: "must be text",
  [Kind.SECRET]: "must be text",
  [Kind.INTEGER]: "must be a whole number, such as 12",
  [Kind.YES_NO]: "must be yes or no",
  [Kind.PIN]: "must be the number of a pin",
  [Kind.NETWORK_NAME]: "must be text, or pairs of hexadecimal digits after hex:",
  [Kind.PASSPHRASE]:
    "must have only 0 to 9 and a to f if it has 64 characters: it is then the key itself",
  [Kind.HOST]:
    "must be a host name such as alarm.example.org, or an IPv4 address such as 192.0.2.7",
  [Kind.PORT]: "must be a whole number, such as 8080",
  [Kind.TIME_ZONE]: "must be a time zone, such as Europe/London",
  [Kind.DURATION]: "must be a length of time in whole milliseconds, such as 250 ms or 1.5 s",
  [Kind.HEX]: "must be pairs of hexadecimal digits, such as a1 b2 c3",
  [Kind.BLOB]: "must be text, or pairs of hexadecimal digits after hex:",
};

/** @type {Readonly<Record<number, string>>} */
const FAMILY_WORDS = {
  1: "must be an IPv4 address, such as 192.0.2.7",
  2: "must be an IPv6 address, such as 2001:db8::7",
  3: "must be an IP address, such as 192.0.2.7 or 2001:db8::7",
};

/**
 * @param {Field} field
 * @returns {string}
 */
function lengthWords(field) {
  if (field.kind === Kind.IP) return say(FAMILY_WORDS[field.families]);
  if (isKeyOnly(field)) return say("must be the network's key, of 64 hexadecimal digits");
  if (field.kind === Kind.PASSPHRASE) {
    return say("must have 8 to 63 characters, or be the key itself, which has 64");
  }
  const [least, most] = limits(field);
  const values = { span: least === most ? least : say("{least} to {most}", { least, most }) };
  if (field.kind === Kind.HEX) {
    return sayPlural(
      "must have {span} byte, each of two hexadecimal digits",
      "must have {span} bytes, each of two hexadecimal digits",
      most,
      values,
    );
  }
  if (field.kind === Kind.BLOB) {
    return sayPlural("must have {span} byte", "must have {span} bytes", most, values);
  }
  const words = sayPlural("must have {span} character", "must have {span} characters", most, values);
  const isBeyondAscii =
    field.kind === Kind.NETWORK_NAME ||
    ((field.kind === Kind.TEXT || field.kind === Kind.SECRET) &&
      field.characters === Characters.PRINTABLE);
  return isBeyondAscii
    ? `${words} ${say("(letters with accents count as two or more)")}`
    : words;
}

/** @type {Readonly<Record<number, string>>} */
const CHARACTER_SET_WORDS = {
  [Characters.PRINTABLE]: "must not have line breaks, tabs or other control characters",
  [Characters.ASCII]:
    "must have only letters without accents, digits, spaces and common symbols",
  [Characters.WORD]: "must have only letters a to z, digits, dots, hyphens and underscores",
  [Characters.DIGITS]: "must have only the digits 0 to 9",
};
/** @type {Readonly<Record<number, string>>} */
const CHARACTER_WORDS = {
  [Kind.PASSPHRASE]: /** @type {string} */ (CHARACTER_SET_WORDS[Characters.ASCII]),
  [Kind.NETWORK_NAME]: "must be text that can be written in UTF-8",
  [Kind.HOST]: "must have only letters a to z, digits, hyphens and dots",
  [Kind.URL]: "must have only the characters of a web address; a space, for example, is %20",
  [Kind.TIME_ZONE]: "must be a time zone, such as Europe/London",
  [Kind.BLOB]: "must be text that can be written in UTF-8",
};

/** @type {readonly (readonly [number, string])[]} */
const ABILITY_WORDS = [
  [Ability.IN, "digital input"],
  [Ability.OUT, "digital output"],
  [Ability.ANALOG, "analog input"],
  [Ability.PWM, "pulse-width output"],
  [Ability.PULL_UP, "pull-up resistor"],
];

/** @param {Field} field */
function pinWords({ needs }) {
  const needed = ABILITY_WORDS.filter(([ability]) => ability & needs).map(([, words]) => say(words));
  if (!needed.length) return say("must be a pin of this board");
  const abilities = needed.join(say(" and "));
  return say("must be a pin of this board with {abilities}", { abilities });
}

/** @type {Readonly<Record<number, string>>} */
const OTHER_WORDS = {
  [Refusal.UNKNOWN_FIELD]: "is not known to the firmware: read its settings again",
  [Refusal.PIN_TAKEN]: "must be another pin: the board needs this one for itself",
  [Refusal.MISSING]: "needs a value",
  [Refusal.PIN_CONFLICT]: "must be another pin: two settings have the same one",
  [Refusal.PARTNER]: "needs its partner: give the network name and the passphrase together",
  [Refusal.STORAGE]: "could not be stored: what was set before is still in force",
};
