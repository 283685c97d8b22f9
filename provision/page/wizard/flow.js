// SPDX-License-Identifier: MIT
/**
 * Which question is next: the dialog without a page, a clock or a board.
 *
 * A Flow takes the schema, what a board holds and the answers so far. It says what to ask next and,
 * once nothing is left to ask, which changes the answers make:
 *
 *     const flow = new Flow(schema, held);
 *     for (let step; (step = flow.next()) !== null; ) {
 *       flow.answer(...); // or flow.back()
 *     }
 *     const changes = await flow.finalChanges();
 *
 * What is set and not asked stays out of the changes. Every question can be gone back to; answers
 * come and go with the conditions that they make true or false, and are not forgotten on the way.
 *
 * @module
 */

import { Held, Kind, Refusal } from "../contract/table.js";
import { isOpaque, isSecret, makeSchema, needsValue } from "../schema/model.js";
import {
  ValueProblem,
  asTyped,
  checkValue,
  isKeyOnly,
  networkKey,
  parse,
  refusalWords,
} from "../schema/values.js";
import { active, checkWhole, inForce, keyBeside, pinConflicts } from "../schema/constraints.js";
import { say } from "../words.js";
import {
  Move,
  Origin,
  Why,
  answered,
  heading,
  pinName,
  shownValue,
  typedValue,
} from "./questions.js";

/** @import { Field, Schema, Section, Setting, Value } from "../schema/model.js" */
/** @import { HeldSetting } from "../client/snapshot.js" */
/** @import { AnotherInstance, Answer, DialogStep, Given, OfferedFrom, PinChoice,
 *   Question, ReviewLine, WhyAsked } from "./questions.js" */

/**
 * A place on the way through the dialog: a setting's full key, or an instance offered, which is one
 * object wherever it comes up.
 *
 * @typedef {string | AnotherInstance} Stop
 */

/**
 * What would be in force with the answers so far; of secrets and blobs a stand-in.
 *
 * @typedef {object} Whole
 * @property {Map<string, Value>} stored  answers are in it, secrets among them
 * @property {Map<string, Value>} inForce
 * @property {Map<string, (number | null)[]>} used  the instances in use, by section
 * @property {Set<string>} active
 */

/**
 * @typedef {object} FlowOptions
 * @property {boolean} [askAll]  Ask for every active setting, set or not.
 * @property {Iterable<string>} [keys]  Full keys to ask for in any case; one of an instance that is
 *   not in use begins it.
 * @property {boolean} [onlyKeys]  Ask for nothing else, but for what becomes necessary by the
 *   answers.
 * @property {Iterable<readonly [string, number]>} [removed]  Instances to clear whole, as section
 *   key and number.
 * @property {Iterable<string>} [known]  Base keys that were asked for on this board before, so that
 *   what is unset among them was left out on purpose.
 * @property {Iterable<readonly [number, Given]>} [proposals]  What this computer proposes for the
 *   settings of a kind.
 * @property {Iterable<readonly [string, Given]>} [remembered]  Answers of an earlier dialog in this
 *   session, offered again.
 * @property {Iterable<readonly [string, string]>} [faults]  Settings with which the board does not
 *   work, and why, in words that follow the label. They are asked for again, and their answers
 *   count as changes even if they are the same as before: storing them once more is trying once
 *   more.
 */

/** The state of one dialog. */
export class Flow {
  #schema;
  #askAll;
  #keys;
  #onlyKeys;
  #removed;
  #known;
  #proposals;
  #remembered;
  #faults;
  #tried;
  /** @type {Map<string, Setting>} */
  #settings;
  /** @type {[Setting, string][]} Passphrases, each with the full key of its network's name. */
  #networks = [];
  #held;
  /** @type {Map<string, Value>} */
  #stored = new Map();
  /** The schema with every instance in use. */
  #widened;
  #activeBefore;
  /** @type {Map<string, [number, Setting]>} Settings with the same pin: which, and with whom. */
  #conflicts = new Map();
  /** @type {Map<string, AnotherInstance[]>} The instances that could be offered, by section. */
  #instances;

  /** @type {Map<string, Given | null>} null: cleared */
  #answers = new Map();
  /** @type {Set<string>} Secrets and blobs that stay as the board holds them. */
  #kept = new Set();
  /** @type {Set<string>} */
  #passedOver = new Set();
  /** @type {Map<string, Set<number>>} Instances begun in this dialog, by section. */
  #added;
  /** @type {Set<string>} Sections of which no further instance is wanted. */
  #closed = new Set();
  /** @type {Stop[]} What was answered, in that order. */
  #trail = [];
  /** @type {Stop[]} What is asked before anything else. */
  #agenda = [];
  /** Whether the agenda came from the review. */
  #changing = false;
  /** @type {Whole} */
  #whole;

  /**
   * Begin a dialog.
   *
   * @param {Schema} schema  What the firmware declares, its texts cleaned.
   * @param {ReadonlyMap<string, HeldSetting>} held  What the board holds, by full key.
   * @param {FlowOptions} [options]
   */
  constructor(schema, held, options = {}) {
    this.#schema = schema;
    this.#askAll = options.askAll ?? false;
    this.#keys = new Set(options.keys);
    this.#onlyKeys = options.onlyKeys ?? false;
    this.#removed = [...(options.removed ?? [])];
    this.#proposals = new Map(options.proposals);
    this.#remembered = new Map(options.remembered);
    this.#faults = new Map(options.faults);
    this.#tried = new Set(this.#faults.keys());

    this.#settings = new Map(schema.settings.map((setting) => [setting.key, setting]));
    this.#held = new Map();
    for (const setting of schema.settings) {
      const { key, field } = setting;
      if (field.network !== null) this.#networks.push([setting, keyBeside(setting, field.network)]);
      const { held: state, value } = held.get(key) ?? { held: Held.UNSET, value: null };
      this.#held.set(key, state);
      // What a board does not tell has a stand-in.
      if (state === Held.SET) this.#stored.set(key, value ?? "");
    }
    this.#widened = makeSchema({
      ...schema,
      sections: schema.sections.map((section) => ({
        ...section,
        repeat: section.repeat && { ...section.repeat, least: section.repeat.most },
      })),
    });
    this.#activeBefore = active(schema, this.#stored);
    const pinsNow = inForce(schema, this.#stored);
    for (const { field, other } of pinConflicts(schema, this.#stored)) {
      const pin = Number(pinsNow.get(field));
      const pair = [field, other ?? ""].map((key) => this.#setting(key));
      for (const setting of pair) {
        const beside = pair.find((each) => each !== setting) ?? setting;
        if (!this.#conflicts.has(setting.key)) this.#conflicts.set(setting.key, [pin, beside]);
      }
    }
    // After an erase nothing counts as asked before.
    this.#known = new Set(this.#stored.size > 0 ? options.known : []);
    this.#added = new Map(schema.sections.map(({ key }) => [key, new Set()]));
    this.#instances = new Map(schema.sections.map((section) => [section.key, instances(section)]));
    this.#whole = this.#look();
  }

  // -------------------------------------------------------------- going through the questions

  /**
   * Return what to ask now, null when every question has its answer.
   *
   * @returns {DialogStep | null}
   */
  next() {
    let stop = this.#nextStop();
    if (stop === null && this.#findFault()) stop = this.#nextStop();
    return stop === null ? null : this.#step(stop);
  }

  /**
   * Take the answer to the question that next() returned.
   *
   * Throws for a KEEP where nothing is offered, and a CLEAR of what is required.
   *
   * @param {Answer} answer
   */
  answer(answer) {
    const setting = this.#askedFor();
    const { key } = setting;
    if (answer === Move.BACK) {
      this.back();
      return;
    }
    if (answer === Move.KEEP) {
      this.#keep(setting);
    } else {
      if (answer === Move.CLEAR && needsValue(this.#schema, setting.field)) {
        throw new Error(`${key} is required.`);
      }
      this.#answers.set(key, answer === Move.CLEAR ? null : answer);
      this.#kept.delete(key);
    }
    this.#faults.delete(key);
    this.#leave(key);
  }

  /**
   * Take the answer to the question whether one more instance is wanted.
   *
   * @param {boolean} wanted
   */
  answerAnother(wanted) {
    const stop = /** @type {AnotherInstance} */ (this.#nextStop());
    const { key } = stop.section;
    const added = this.#addedTo(key);
    if (wanted) {
      added.add(stop.instance);
      this.#closed.delete(key);
    } else {
      // Gone back to after a yes: that instance goes, and those begun after it.
      for (const instance of added) if (instance >= stop.instance) added.delete(instance);
      this.#closed.add(key);
    }
    this.#leave(stop);
  }

  /** Go to the question before, its answer kept; false if there is none. */
  back() {
    if (this.#changing) {
      this.#agenda = [];
      if (this.#nextStop() === null) return true; // back to the review that the change began at
    }
    const current = this.#nextStop();
    const path = this.#path();
    for (let stop; (stop = this.#trail.pop()) !== undefined; ) {
      if (path.includes(stop) && stop !== current) {
        this.#agenda.unshift(stop);
        return true;
      }
    }
    for (const [passphrase, name] of this.#networks) {
      // A passphrase that failed is asked for alone; maybe its network is the wrong one.
      if (current === passphrase.key && !path.includes(name)) {
        this.#keys.add(name);
        this.#agenda = [name, current];
        return true;
      }
    }
    return false;
  }

  /**
   * Ask for this setting again, its answer kept; throws if it is not among the changes.
   *
   * @param {string} key
   */
  change(key) {
    if (!this.#path().includes(key)) {
      if (!this.changes().has(key)) throw new Error(`${key} is not among the changes.`);
      this.#keys.add(key); // a network's name that goes along with its passphrase
    }
    this.#agenda = [key];
    this.#changing = true;
  }

  /**
   * Ask for this setting again, since its answer was refused; the other answers stay.
   *
   * What was refused is offered again, to be mended, unless it is a secret.
   *
   * @param {string} key
   * @param {string} words
   */
  fault(key, words) {
    const given = this.#answers.get(key);
    this.#answers.delete(key);
    if (given && !isSecret(this.#setting(key).field)) this.#remembered.set(key, given);
    this.#kept.delete(key);
    this.#faults.set(key, words);
    this.#agenda = [key];
    this.#changing = false;
    this.#whole = this.#look();
  }

  /** Leave the present question without an answer, to find out what else is asked. */
  passOver() {
    const { key } = this.#askedFor();
    this.#passedOver.add(key);
    this.#faults.delete(key);
    this.#leave(key);
  }

  // ---------------------------------------------------------------------------------- checking

  /**
   * Return the answer that a text means.
   *
   * Throws a ValueProblem if it means none that the board would take, or a pin that is not free.
   *
   * @param {Question} question
   * @param {string} text
   * @returns {Given}
   */
  read(question, text) {
    const value = parse(question.field, text, this.#schema);
    this.check(question, value);
    return answered(question.field, value, text);
  }

  /**
   * Throw a ValueProblem unless a value can be the answer to a question.
   *
   * @param {Question} question
   * @param {Value} value
   */
  check(question, value) {
    const field = asTyped(question.field);
    const code = checkValue(field, value, this.#schema);
    if (code !== null) throw new ValueProblem(refusalWords(field, code), code);
    for (const { pin, name, obstacle } of question.pins) {
      if (pin.number === value && obstacle !== null) {
        const place = { pin: name, obstacle };
        const words = say("must be another pin: {pin} is {obstacle}", place);
        throw new ValueProblem(words, Refusal.PIN_CONFLICT);
      }
    }
  }

  /**
   * Return what a person must have read before this answer is taken.
   *
   * @param {Question} question
   * @param {Answer} answer
   * @returns {string[]}
   */
  cautions(question, answer) {
    const { key, field, pins, setting } = question;
    const given = answer === Move.KEEP ? this.#offer(setting, pins)[0] : answer;
    if (given === null || typeof given === "string" || same(this.#stored.get(key), given.value)) {
      return [];
    }
    const found = field.caution ? [field.caution] : [];
    for (const { pin, name } of pins) {
      if (pin.number === given.value && pin.caution) found.push(`${name}: ${pin.caution}`);
    }
    return found;
  }

  // ----------------------------------------------------------------------------------- results

  /**
   * Return what the answers change, in schema order; null clears a setting.
   *
   * A passphrase is as it was typed; finalChanges() returns what the board takes.
   *
   * @returns {Map<string, Value | null>}
   */
  changes() {
    /** @type {Map<string, Value | null>} */
    const changed = new Map();
    for (const [key, given] of this.#answers) {
      if (!this.#whole.active.has(key)) continue;
      if (given !== null && (this.#differs(key, given.value) || this.#tried.has(key))) {
        changed.set(key, given.value);
      } else if (given === null && this.#held.get(key) !== Held.UNSET) {
        changed.set(key, null);
      }
    }
    for (const setting of this.#schema.settings) {
      if (this.#isRemoved(setting) && this.#held.get(setting.key) !== Held.UNSET) {
        changed.set(setting.key, null);
      }
    }
    for (const [{ key: passphrase }, name] of this.#networks) {
      // The two are staged together or not at all (clause 9.6). A passphrase that is not among the
      // changes is none: one that is held stays only with a name that stays.
      if (!changed.has(passphrase) && !changed.has(name)) continue;
      if (!changed.has(name)) changed.set(name, this.#whole.stored.get(name) ?? null);
      if (!changed.has(passphrase)) changed.set(passphrase, null);
    }
    const inOrder = this.#schema.settings.filter(({ key }) => changed.has(key));
    return new Map(inOrder.map(({ key }) => [key, changed.get(key) ?? null]));
  }

  /**
   * Return the changes as they are stored: a network's key in the place of its passphrase where the
   * board takes nothing but that (clause 9.2).
   *
   * @returns {Promise<Map<string, Value | null>>}
   */
  async finalChanges() {
    const changed = this.changes();
    for (const [{ key, field }, beside] of this.#networks) {
      const typed = changed.get(key);
      const name = changed.get(beside);
      if (isKeyOnly(field) && typeof typed === "string" && name instanceof Uint8Array) {
        changed.set(key, await networkKey(typed, name));
      }
    }
    return changed;
  }

  /**
   * Return every change in words, secrets masked.
   *
   * @returns {ReviewLine[]}
   */
  review() {
    return [...this.changes()].map(([key, value]) => {
      const setting = this.#setting(key);
      const written = this.#answers.get(key)?.written;
      const shown = value === null ? say("none") : this.#shown(setting.field, value, written);
      return { key, heading: heading(setting), label: setting.field.label, shown };
    });
  }

  /**
   * Return the values answered in this session, to be offered again by another dialog.
   *
   * @returns {Map<string, Given>}
   */
  answers() {
    const given = new Map(this.#remembered);
    for (const [key, answer] of this.#answers) if (answer !== null) given.set(key, answer);
    return given;
  }

  /** Return the base keys of what this dialog asks, answered or not. */
  asked() {
    return new Set(this.#keysAsked().map((key) => this.#setting(key).baseKey));
  }

  /** The full keys of what applies with the answers so far. */
  get active() {
    return this.#whole.active;
  }

  /** Return how many settings the board holds that the changes leave as they are. */
  untouched() {
    const changed = this.changes();
    return [...this.#stored.keys()].filter((key) => !changed.has(key)).length;
  }

  /**
   * Forget every answer, after which there is nothing more to ask of this dialog.
   *
   * Nothing overwrites memory here: it drops the last references that this dialog has, so that what
   * was typed can go (secrets do not outlive the commit).
   */
  wipe() {
    this.#answers.clear();
    this.#remembered.clear();
    this.#whole = this.#look();
  }

  // ------------------------------------------------------------------------- the way through

  /** @returns {Stop | null} */
  #nextStop() {
    const path = this.#path();
    this.#agenda = this.#agenda.filter((stop) => path.includes(stop));
    const [first] = this.#agenda;
    if (first !== undefined) return first;
    this.#changing = false;
    return path.find((stop) => !this.#isAnswered(stop)) ?? null;
  }

  /** Return the setting that is being asked for. */
  #askedFor() {
    return this.#setting(/** @type {string} */ (this.#nextStop()));
  }

  /** Return the full keys of the settings on the way. */
  #keysAsked() {
    return this.#path().filter((stop) => typeof stop === "string");
  }

  /** Return the places on the way in schema order, those already answered among them. */
  #path() {
    const wanted = this.#wanted();
    /** @type {Stop[]} */
    const path = [];
    for (const section of this.#schema.sections) {
      const offered = this.#instances.get(section.key) ?? [];
      const settings = this.#settingsOf(section);
      const used = this.#whole.used.get(section.key) ?? [];
      const added = this.#addedTo(section.key);
      for (const instance of used) {
        const isBegun = instance !== null && added.has(instance);
        if (isBegun) path.push(...offered.filter((each) => each.instance === instance));
        const asked = settings.filter((each) => each.instance === instance && wanted.has(each.key));
        path.push(...asked.map(({ key }) => key));
      }
      const free = offered.find(({ instance }) => !used.includes(instance));
      if (free && this.#offersMore(section)) path.push(free);
    }
    return path;
  }

  /** Return the full keys of what is asked, answered or not. */
  #wanted() {
    const { active } = this.#whole;
    /** @type {Set<string>} */
    const wanted = new Set();
    for (const setting of this.#schema.settings) {
      const { key } = setting;
      if (active.has(key) && (this.#answers.has(key) || this.#why(setting) !== null)) {
        wanted.add(key);
      }
    }
    for (const [{ key }, name] of this.#networks) {
      if (this.#answers.get(name) === null) {
        wanted.delete(key); // no network, no passphrase
      } else if (wanted.has(name) && active.has(key)) {
        wanted.add(key);
      } else if (wanted.has(key) && active.has(name) && !this.#goesAlong(key, name)) {
        wanted.add(name);
      }
    }
    return wanted;
  }

  /**
   * Whether a network's name is sent unasked: it has one, and the passphrase failed.
   *
   * @param {string} passphrase
   * @param {string} name
   */
  #goesAlong(passphrase, name) {
    return this.#tried.has(passphrase) && this.#whole.stored.has(name);
  }

  /**
   * Return why an active setting is asked for by itself, null if it is not.
   *
   * @param {Setting} setting
   * @returns {WhyAsked | null}
   */
  #why({ key, baseKey, field, section, instance }) {
    if (this.#faults.has(key) || this.#tried.has(key)) return Why.FAULT;
    if (this.#conflicts.has(key)) return Why.CONFLICT;
    if (this.#keys.has(key)) return Why.ASKED_FOR;
    const fellBack = this.#held.get(key) === Held.FELL_BACK;
    if (needsValue(this.#schema, field) && !this.#whole.inForce.has(key)) {
      return fellBack ? Why.FELL_BACK : Why.MISSING;
    }
    if (this.#askAll) return Why.ASKED_FOR;
    if (this.#stored.has(key)) return null;
    const isBegun = instance !== null && this.#addedTo(section.key).has(instance);
    if (isBegun || !this.#activeBefore.has(key)) return Why.NEW;
    if (this.#onlyKeys) return null;
    if (fellBack) return Why.FELL_BACK;
    // A passphrase is asked for with its network's name.
    return field.kind === Kind.PASSPHRASE || this.#known.has(baseKey) ? null : Why.NEW;
  }

  /**
   * Whether instances beyond those in use are offered: where the section is new.
   *
   * @param {Section} section
   */
  #offersMore(section) {
    if (this.#askAll || this.#addedTo(section.key).size > 0) return true;
    const seen = this.#settingsOf(section).some(
      ({ key, baseKey }) => this.#held.get(key) !== Held.UNSET || this.#known.has(baseKey),
    );
    return !(this.#onlyKeys || seen);
  }

  /** @param {Stop} stop */
  #isAnswered(stop) {
    if (typeof stop !== "string") {
      const { key } = stop.section;
      return this.#closed.has(key) || this.#addedTo(key).has(stop.instance);
    }
    if (this.#faults.has(stop)) return false;
    if (this.#kept.has(stop)) return this.#canKeepHeld(stop);
    return this.#answers.has(stop) || this.#passedOver.has(stop);
  }

  /** Look at the resulting whole; a setting at fault, if any, is asked for again. */
  #findFault() {
    const found = checkWhole(this.#schema, this.#stored, this.changes());
    if (found === null) return false;
    let words = refusalWords(this.#setting(found.field).field, found.code);
    if (found.other !== null) words += ` (${place(this.#setting(found.other))})`;
    this.fault(found.field, words);
    return true;
  }

  /** @param {string} key */
  #conflictWords(key) {
    const [number, other] = this.#conflicts.get(key) ?? [];
    if (number === undefined || other === undefined) return null;
    const pin = /** @type {import("../schema/model.js").Pin} */ (
      this.#schema.pins.find((each) => each.number === number)
    );
    return say(
      "{pin} is used twice: by this setting and by {place}. The board does not work until one of them has another pin.",
      { pin: pinName(pin, this.#schema.pins), place: place(other) },
    );
  }

  /**
   * Go on from a place that was answered.
   *
   * @param {Stop} stop
   */
  #leave(stop) {
    if (this.#agenda[0] === stop) this.#agenda.shift();
    this.#trail = [...this.#trail.filter((each) => each !== stop), stop];
    this.#whole = this.#look();
  }

  // ---------------------------------------------------------------------------- one question

  /**
   * @param {Stop} stop
   * @returns {DialogStep}
   */
  #step(stop) {
    if (typeof stop !== "string") return stop;
    const setting = this.#setting(stop);
    const { field } = setting;
    const asked = this.#keysAsked();
    const pins = this.#pins(setting);
    const [given, origin] = this.#offer(setting, pins);
    const beside = this.#networkOf(stop);
    const name = this.#whole.stored.get(beside);
    return {
      type: "question",
      setting,
      key: stop,
      field,
      heading: heading(setting),
      why: this.#why(setting) ?? Why.PARTNER,
      position: asked.indexOf(stop) + 1,
      count: asked.length,
      current: given && this.#shown(field, given.value, given.written),
      editable: given ? typedValue(field, given.value, given.written) : "",
      origin,
      canClear: !field.required && field.default === null,
      fault: this.#faults.get(stop) ?? null,
      conflict: this.#conflictWords(stop),
      pins,
      network: name === undefined ? null : this.#shown(this.#setting(beside).field, name),
      networks: [],
    };
  }

  /** @param {Setting} setting */
  #keep(setting) {
    const { key, field } = setting;
    const [given, origin] = this.#offer(setting, this.#pins(setting));
    if (given === null) throw new Error(`Nothing is offered for ${key}.`);
    if (origin === Origin.HELD && isOpaque(field)) {
      this.#answers.delete(key);
      this.#kept.add(key);
    } else {
      this.#answers.set(key, given);
    }
  }

  /**
   * Return what KEEP gives, and where it comes from.
   *
   * @param {Setting} setting
   * @param {readonly PinChoice[]} pins
   * @returns {[Given | null, OfferedFrom]}
   */
  #offer(setting, pins) {
    const { key, field } = setting;
    const failed = isSecret(field) && this.#faults.has(key); // and nobody can see in what
    const cleared = this.#answers.get(key) === null; // and gone back to
    if (failed || cleared) return [null, Origin.NONE];
    const canKeep = isOpaque(field) ? this.#canKeepHeld(key) : this.#stored.has(key);
    const held = canKeep ? (this.#stored.get(key) ?? null) : null;
    /** @type {[Given | null | undefined, OfferedFrom][]} */
    const offers = [
      [this.#answers.get(key) ?? this.#remembered.get(key), Origin.ANSWERED],
      [unwritten(held), Origin.HELD],
      [this.#proposals.get(field.kind), Origin.PROPOSED],
      [unwritten(field.default), Origin.DEFAULT],
    ];
    const blocked = pins.filter(({ obstacle }) => obstacle !== null).map(({ pin }) => pin.number);
    for (const [given, origin] of offers) {
      if (given && !blocked.some((number) => number === given.value)) return [given, origin];
    }
    return [null, Origin.NONE];
  }

  /**
   * Whether a secret or blob can stay as the board holds it: a changed network's cannot.
   *
   * @param {string} key
   */
  #canKeepHeld(key) {
    const name = this.#networkOf(key);
    const given = this.#answers.get(name);
    const isChanged = given && this.#differs(name, given.value);
    return !isChanged && !this.#tried.has(name) && this.#stored.has(key);
  }

  /**
   * Return the full key of the name of a passphrase's network, an empty text for another setting.
   *
   * @param {string} key
   */
  #networkOf(key) {
    return this.#networks.find(([passphrase]) => passphrase.key === key)?.[1] ?? "";
  }

  /**
   * Return the pins that have what a pin field needs, each with what stands in its way.
   *
   * @param {Setting} setting
   * @returns {PinChoice[]}
   */
  #pins(setting) {
    const { kind, needs, shares } = setting.field;
    if (kind !== Kind.PIN) return [];
    const pending = this.#path().filter((stop) => !this.#isAnswered(stop));
    // One that is still to be asked uses none yet.
    const others = this.#schema.settings.filter(
      ({ key, field }) =>
        field.kind === Kind.PIN &&
        key !== setting.key &&
        this.#whole.active.has(key) &&
        !pending.includes(key) &&
        !(shares && field.shares),
    );
    const { inForce } = this.#whole;
    const users = new Map(others.map((other) => [inForce.get(other.key), place(other)]));
    return this.#schema.pins
      .filter(({ abilities }) => (abilities & needs) === needs)
      .map((pin) => {
        const user = users.get(pin.number);
        const used = user === undefined ? null : say("used: {place}", { place: user });
        const name = pinName(pin, this.#schema.pins);
        return { pin, name, obstacle: pin.taken ? say("taken: {what}", { what: pin.taken }) : used };
      });
  }

  /**
   * Return a value fit to be shown, a pin by its name on this board.
   *
   * @param {Field} field
   * @param {Value} value
   * @param {string | null} [written]
   */
  #shown(field, value, written) {
    return shownValue(field, value, this.#schema.pins, written);
  }

  // ------------------------------------------------------------------------------- the whole

  /**
   * Return what would be in force with the answers so far.
   *
   * @returns {Whole}
   */
  #look() {
    const { settings, sections } = this.#schema;
    const stored = new Map(this.#stored);
    for (const setting of settings) if (this.#isRemoved(setting)) stored.delete(setting.key);
    for (const [key, given] of this.#answers) {
      if (given !== null) stored.set(key, given.value);
      else stored.delete(key);
    }
    const used = new Map(sections.map((section) => [section.key, this.#used(section)]));
    // An instance that was only just begun has no value yet, so that by the letter of clause 8.3 it
    // is not in use. Here all are, and those that are not are taken out again.
    const found = active(this.#widened, stored);
    const activeNow = settings.filter(
      ({ key, section, instance }) => found.has(key) && used.get(section.key)?.includes(instance),
    );
    return {
      stored,
      inForce: inForce(this.#schema, stored),
      used,
      active: new Set(activeNow.map(({ key }) => key)),
    };
  }

  /**
   * Return the instances in use, those begun in this dialog among them.
   *
   * @param {Section} section
   * @returns {(number | null)[]}
   */
  #used(section) {
    const { repeat } = section;
    if (repeat === null) return [null];
    const numbers = new Set(this.#addedTo(section.key));
    for (const setting of this.#settingsOf(section)) {
      const { key, instance } = setting;
      if (instance === null || this.#isRemoved(setting)) continue;
      if (instance <= repeat.least || this.#keys.has(key) || this.#stored.has(key)) {
        numbers.add(instance);
      }
    }
    return [...numbers].sort((a, b) => a - b);
  }

  /** @param {Setting} setting */
  #isRemoved({ section, instance }) {
    return this.#removed.some(([key, number]) => key === section.key && number === instance);
  }

  /**
   * @param {string} key
   * @param {Value} value
   */
  #differs(key, value) {
    return isOpaque(this.#setting(key).field) || !same(this.#stored.get(key), value);
  }

  /** @param {Section} section */
  #settingsOf(section) {
    return this.#schema.settings.filter((setting) => setting.section.key === section.key);
  }

  /** @param {string} section */
  #addedTo(section) {
    return /** @type {Set<number>} */ (this.#added.get(section));
  }

  /** @param {string} key */
  #setting(key) {
    return /** @type {Setting} */ (this.#settings.get(key));
  }
}

/**
 * Return the instances of a section that could be offered.
 *
 * @param {Section} section
 * @returns {AnotherInstance[]}
 */
function instances(section) {
  return Array.from({ length: section.repeat?.most ?? 0 }, (_, index) => ({
    type: "another",
    section,
    instance: index + 1,
    first: index === 0,
  }));
}

/**
 * Return a value as an answer that was not typed, null for none.
 *
 * @param {Value | null} value
 * @returns {Given | null}
 */
function unwritten(value) {
  return value === null ? null : { value, written: null };
}

/** @param {Setting} setting */
function place(setting) {
  return `${heading(setting)}, ${setting.field.label}`;
}

/**
 * Whether two values are the same, byte strings by what is in them.
 *
 * @param {Value | undefined} one
 * @param {Value} other
 */
function same(one, other) {
  return one instanceof Uint8Array && other instanceof Uint8Array
    ? String(one) === String(other)
    : one === other;
}
