// SPDX-License-Identifier: MIT
/**
 * Conducts a dialog with a board: meets it, asks, stores, and follows what comes of it.
 *
 * Knows no document: an Asker shows and asks. Whatever happens on the way, each of the dialog's
 * methods ends with an Ending that says what became of the settings: stored, not stored, or unknown
 * (shared/protocol.md, clause 5.3).
 *
 * @module
 */

import { Capability, Held, Kind, Refusal, Run, Store } from "../contract/table.js";
import { BoardRefused, LineLost, LinkError } from "../link/errors.js";
import { heldSettings } from "../client/snapshot.js";
import { inLanguage, languages } from "../schema/languages.js";
import { isSecret, onlyProposes } from "../schema/model.js";
import { footerOf, ownZone } from "../schema/time_zones.js";
import { refusalWords, show } from "../schema/values.js";
import { active } from "../schema/constraints.js";
import { say, sayPlural } from "../words.js";
import { cleanSchema, printable } from "../client/sanitize.js";
import {
  failureSentence,
  faultWords,
  incompleteWords,
  keyAtFault,
  refusedWords,
  stepWords,
  STORED,
  TAKEN_BACK,
  undeclaredWords,
  whyWords,
} from "./status_text.js";
import { doubts } from "./input_warnings.js";
import { Flow } from "./flow.js";
import { inRange } from "./networks.js";
import { Move, shownValue } from "./questions.js";

/** @import { Connection } from "../link/connection.js" */
/** @import { Hello, HeldValue, Outcome, Status } from "../link/replies.js" */
/** @import { BoardSnapshot, HeldSetting } from "../client/snapshot.js" */
/** @import { Schema, Setting, Value } from "../schema/model.js" */
/** @import { Answer, InRange, Question, ReviewLine, AnotherInstance } from "./questions.js" */

const SURVEY_TIME = 12_000; // ms that looking for networks may take
const SETTLE_TIME = 10_000; // ms that leaving may take to say what became of the settings

/** The person left the dialog: the reason of the signal that ends one. */
export class Left extends Error {}

/**
 * What asks.
 *
 * @typedef {object} Asker
 * @property {(text: string) => void} say tells the person something
 * @property {(text: string) => void} unsay takes back what was told, when it is over
 * @property {(question: Question, flow: Flow) => Promise<Answer>} ask
 * @property {(offer: AnotherInstance) => Promise<boolean | null>} askAnother null: back
 * @property {(question: Question, caution: string) => Promise<boolean>} confirm
 * @property {(question: Question, doubt: string) => Promise<boolean>} standsBy
 * @property {(lines: readonly ReviewLine[], untouched: number) => Promise<"send" | "back" | {change: string}>} review
 * @property {() => Promise<boolean>} doesItWork
 * @property {(title: string, question: string) => Promise<boolean>} agree
 */

/**
 * How a dialog ended: in a sentence or more, and whether the board works, as far as is known.
 *
 * @typedef {object} Ending
 * @property {"stored" | "not-stored" | "unknown" | "erased" | "nothing"} result
 * @property {boolean} isGood
 * @property {string} words
 */

/** @param {string} said */
const nothingChanged = (said = "") => `${said} ${say("Nothing was changed on the board.")}`.trim();

/** A dialog with one board, over as many rounds of storing as it takes. */
export class Dialog {
  /** @type {InRange[] | null} */
  #networks = null;
  /** @type {Map<string, boolean>} by a network's name as it is shown, whether it is open */
  #isOpen = new Map();
  #isGoingBack = false;
  #done = STORED;
  /** @type {Uint8Array | null} the token of a commit whose outcome is open */
  #open = null;
  /** @type {Uint8Array | null} the token of the set that was stored */
  #durable = null;
  /** @type {Ending | null} how it ends if it goes no further */
  #standing = null;
  /** @type {Flow | null} */
  #flow = null;
  /** @type {AbortSignal | null} */
  #leaving = null;
  #asker;
  #findAgain;
  #generation;

  /**
   * @param {Connection} board
   * @param {BoardSnapshot} met
   * @param {Asker} asker
   * @param {readonly string[]} wanted language tags, the best first
   * @param {(unit: Uint8Array) => Promise<Connection>} findAgain waits for a board that was lost
   */
  constructor(board, met, asker, wanted, findAgain) {
    this.board = board;
    this.met = met;
    // What still runs when the person has left must tell and ask no more: it ends there.
    this.#asker = new Proxy(asker, {
      get: (target, name) => {
        this.#leaving?.throwIfAborted();
        return Reflect.get(target, name).bind(target);
      },
    });
    this.#findAgain = findAgain;
    this.#generation = met.hello.generation;
    /** The schema in the person's language, fit to be shown. */
    this.schema = cleanSchema(inLanguage(met.declared, wanted));
  }

  /** The languages that the firmware's own texts are in, if its author says. */
  get languages() {
    return languages(this.met.declared);
  }

  /** @param {number} capability one of Capability */
  can(capability) {
    return (this.met.hello.capabilities & capability) !== 0;
  }

  /** Who the board is, in one sentence. */
  get introduction() {
    const { firmware, firmwareVersion, board } = this.met.hello;
    return say("{title}: {firmware} {version} on {name}.", {
      title: this.schema.title,
      firmware: printable(firmware, 32),
      version: printable(firmwareVersion, 24),
      name: printable(board, 32),
    });
  }

  /**
   * What the board holds of what applies, in words.
   *
   * @returns {{setting: Setting, shown: string}[]}
   */
  overview() {
    /** @type {Map<string, Value>} */
    const stored = new Map();
    for (const [key, { held, value }] of this.met.held) {
      if (held === Held.SET) stored.set(key, value ?? "");
    }
    const applying = active(this.schema, stored);
    return this.schema.settings
      .filter(({ key }) => applying.has(key))
      .map((setting) => ({ setting, shown: this.#heldWords(setting) }));
  }

  /** @param {Setting} setting */
  #heldWords({ key, field }) {
    const { held, value } = /** @type {HeldSetting} */ (this.met.held.get(key));
    if (held === Held.UNSET) {
      if (field.default === null) return say("not set");
      const shown = shownValue(field, field.default, this.schema.pins);
      return onlyProposes(this.schema, field)
        ? say("not set; {default} is proposed, with a caution", { default: shown })
        : say("not set: {default} by default", { default: shown });
    }
    const shown = isSecret(field)
      ? say("set, not shown")
      : value === null
        ? say("nothing")
        : shownValue(field, value, this.schema.pins);
    if (held !== Held.FELL_BACK) return shown;
    return `${shown} (${say("what is stored is not taken by this firmware")})`;
  }

  /**
   * Ask for what is new, missing or failing, or for one setting alone; store, and follow.
   *
   * @param {AbortSignal} leaving its reason is Left
   * @param {string} [key] full key of the one setting
   * @returns {Promise<Ending>}
   */
  setUp(leaving, key) {
    return this.#toTheEnd(leaving, () => this.#rounds(key));
  }

  /**
   * Put the settings before the present ones in force again.
   *
   * @param {AbortSignal} leaving
   * @returns {Promise<Ending>}
   */
  undo(leaving) {
    return this.#toTheEnd(leaving, async () => {
      const title = say(
        "The previous settings come back; a second undo returns to the present ones.",
      );
      if (!(await this.#asker.agree(title, say("Go back to them?")))) throw new Left();
      await this.#meetAgain();
      await this.#change(() => this.board.undo(this.#generation));
      this.#done = TAKEN_BACK;
      this.#durable = (await this.board.hello()).token;
      return (await this.#follow()).ending;
    });
  }

  /**
   * Wipe every setting, and look that none is left.
   *
   * @param {AbortSignal} leaving
   * @returns {Promise<Ending>}
   */
  erase(leaving) {
    return this.#toTheEnd(leaving, async () => {
      const { firmware, firmwareVersion, board } = this.met.hello;
      const count = [...this.met.held.values()].filter(({ held }) => held !== Held.UNSET).length;
      const who = say("{firmware} {version} on {board}, id {unit}", {
        firmware: printable(firmware, 32),
        version: printable(firmwareVersion, 24),
        board: printable(board, 32),
        unit: [...this.met.hello.unit].map((byte) => byte.toString(16).padStart(2, "0")).join(""),
      });
      const title = `${sayPlural("{who}: {count} setting set.", "{who}: {count} settings set.", count, { who })} ${say(
        "Neither this program nor the board can bring back what is erased.",
      )}`;
      if (!(await this.#asker.agree(title, say("Erase everything?")))) throw new Left();
      await this.#meetAgain();
      await this.#change(() => this.board.erase(this.#generation));
      const { isEmpty, left } = await this.board.verifyErased();
      if (!isEmpty) {
        const words = say(
          "The board says that it has erased its settings, but still holds {left} of them: its firmware needs fixing. Do not give it away.",
          { left: left.length },
        );
        return { result: "unknown", isGood: false, words };
      }
      let words = say(
        "Erased: the board read back every place where settings were, and reports none as set.",
      );
      if (this.can(Capability.ERASE_NOT_PHYSICAL)) {
        words += ` ${say(
          "Its flash may keep old copies that no program can reach: before you give it away, change the passwords and keys that it held.",
        )}`;
      }
      return { result: "erased", isGood: true, words };
    });
  }

  /**
   * Go on to the end, whatever that is, or until the person leaves.
   *
   * @param {AbortSignal} leaving
   * @param {() => Promise<Ending>} way
   * @returns {Promise<Ending>}
   */
  async #toTheEnd(leaving, way) {
    /** @type {Promise<never>} */
    const left = new Promise((_, reject) => {
      leaving.addEventListener("abort", () => reject(leaving.reason));
    });
    this.#begin(leaving);
    try {
      return await Promise.race([way(), left]);
    } catch (error) {
      if (error instanceof Left) return this.#leave();
      if (!(error instanceof LinkError)) throw error;
      if (this.#open) return unknown();
      const words = error.words;
      if (this.#standing) {
        return { ...this.#standing, words: `${this.#standing.words} ${words}` };
      }
      return { result: "not-stored", isGood: false, words: nothingChanged(words) };
    } finally {
      this.#flow?.wipe();
    }
  }

  /** @param {AbortSignal} leaving */
  #begin(leaving) {
    this.#leaving = leaving;
    this.#networks = null;
    this.#standing = null;
    this.#done = STORED;
  }

  /** Leave the board in a known state, and say which. @returns {Promise<Ending>} */
  async #leave() {
    try {
      const open = this.#open;
      const gone = new Promise((_, reject) => setTimeout(reject, SETTLE_TIME, new LineLost()));
      const settled =
        open && (await Promise.race([this.board.resolveCommit(open, this.met.hello.unit), gone]));
      if (settled?.type === "stored") {
        return {
          result: "stored",
          isGood: true,
          words: say("{done}. Whether the board works with them was not checked.", {
            done: say(this.#done),
          }),
        };
      }
      if (settled?.type === "unknown") return unknown();
      await Promise.race([this.board.discard(), gone]);
    } catch (error) {
      if (!(error instanceof LinkError)) throw error;
      if (this.#open) return unknown();
    }
    return this.#standing ?? { result: "nothing", isGood: true, words: nothingChanged() };
  }

  // ------------------------------------------------------------------------------------- rounds

  /** @param {string | undefined} key @returns {Promise<Ending>} */
  async #rounds(key) {
    const { status, held, hello } = this.met;
    const proposals = this.#proposals();
    // Nothing is kept in the browser: what a person left out before is taken for left out again.
    const optional = this.schema.settings.filter(({ field }) => !field.required);
    const known = new Set(hello.token ? optional.map(({ baseKey }) => baseKey) : []);
    const applies = new Flow(this.schema, held).active;
    let flow = (this.#flow = new Flow(this.schema, held, {
      known,
      proposals,
      keys: key === undefined ? [] : [key],
      onlyKeys: key !== undefined,
      faults: key === undefined && status.run === Run.FAILED ? this.#faults(status, applies) : [],
    }));
    const lacking = incompleteWords(this.schema, status);
    if (status.store === Store.INCOMPLETE && lacking !== null) {
      this.#asker.say(say("The board does not work until this is answered: {lacking}", { lacking }));
    }
    for (;;) {
      await this.#goThrough(flow);
      const changes = await flow.finalChanges();
      if (!changes.size) return this.#standing ?? this.#nothingToDo();
      const outcome = await this.#store(changes);
      if (outcome.type === "unknown") return unknown();
      if (outcome.type === "not-stored") {
        if (!this.#goesBack(flow, outcome.refused)) {
          return /** @type {Ending} */ (this.#standing);
        }
        continue;
      }
      // A secret that a board has is of no more use here.
      const answers = [...flow.answers()].filter(([key]) => !isSecret(this.#setting(key).field));
      const applying = flow.active;
      flow.wipe();
      const { ending, failed } = await this.#follow();
      this.#standing = ending;
      const faults = failed ? this.#faults(failed, applying) : [];
      if (!faults.length) return ending;
      this.#asker.say(failureSentence(this.#done, failed?.step ?? null));
      this.met.held = heldSettings(this.met.declared, await this.board.readValues());
      flow = this.#flow = new Flow(this.schema, this.met.held, {
        keys: faults.map(([key]) => key),
        onlyKeys: true,
        proposals,
        remembered: answers,
        faults,
      });
    }
  }

  /** @returns {[number, {value: Value, written: string}][]} */
  #proposals() {
    const name = ownZone();
    const value = name && footerOf(name);
    return name && value ? [[Kind.TIME_ZONE, { value, written: name }]] : [];
  }

  /** Ask until all is answered and reviewed. @param {Flow} flow */
  async #goThrough(flow) {
    for (;;) {
      const step = flow.next();
      if (step?.type === "another") {
        const wanted = await this.#asker.askAnother(step);
        if (wanted === null) flow.back();
        else flow.answerAnother(wanted);
      } else if (step) {
        await this.#ask(flow, step);
      } else {
        const lines = flow.review();
        if (!lines.length) return;
        const verdict = await this.#asker.review(lines, flow.untouched());
        if (verdict === "send") return;
        if (verdict === "back") flow.back();
        else flow.change(verdict.change);
      }
    }
  }

  /** @param {Flow} flow @param {Question} asked */
  async #ask(flow, asked) {
    let question = asked;
    const isOpen = question.network === null ? undefined : this.#isOpen.get(question.network);
    if (isOpen && question.canClear && !question.fault) {
      if (!this.#isGoingBack) {
        this.#asker.say(
          say("The network {network} is open: it has no passphrase.", {
            network: question.network ?? "",
          }),
        );
      }
      flow.answer(this.#isGoingBack ? Move.BACK : Move.CLEAR);
      return;
    }
    if (isOpen === false) question = { ...question, canClear: false }; // none cannot be right
    if (question.field.kind === Kind.NETWORK_NAME) {
      question = { ...question, networks: await this.#lookForNetworks(question) };
    }
    const answer = await this.#asker.ask(question, flow);
    this.#isGoingBack = answer === Move.BACK;
    if (typeof answer === "object") {
      for (const doubt of doubts(question.field, answer.value)) {
        if (!(await this.#asker.standsBy(question, doubt))) return; // and the question comes again
      }
    }
    for (const caution of flow.cautions(question, answer)) {
      if (!(await this.#asker.confirm(question, caution))) return;
    }
    flow.answer(answer);
    for (const network of question.networks) {
      if (typeof answer === "object" && String(answer.value) === String(network.name)) {
        this.#isOpen.set(shownValue(question.field, network.name, []), network.isOpen);
      }
    }
  }

  /** Return the networks in range; after a failure those of now. None found is no failure. */
  async #lookForNetworks(/** @type {Question} */ question) {
    if (!this.can(Capability.SURVEY)) return [];
    if (!this.#networks || question.fault !== null) {
      const looking = say("Looking for networks in range.");
      this.#asker.say(looking);
      /** @type {import("../link/replies.js").Network[]} */
      const found = [];
      try {
        await this.board.survey((some) => found.push(...some), AbortSignal.timeout(SURVEY_TIME));
      } catch {
        // What was found until then is shown; a name can be typed in any case.
      }
      this.#networks = inRange(found);
      this.#asker.unsay(looking);
    }
    return this.#networks;
  }

  /** @returns {Ending} */
  #nothingToDo() {
    if (this.met.status.run === Run.FAILED) return this.#endingOf(this.met.status);
    const words = say("Everything that this firmware asks for is set; nothing was changed.");
    return { result: "nothing", isGood: true, words };
  }

  /**
   * Return the setting that a failure leads to, and why, if there is one.
   *
   * @param {Status} status
   * @param {ReadonlySet<string>} applying full keys of what is active
   * @returns {[string, string][]}
   */
  #faults(status, applying) {
    const key = keyAtFault(this.schema, applying, status.reason, status.field);
    return key === null ? [] : [[key, faultWords(status.reason)]];
  }

  // ------------------------------------------------------------------------------------ storing

  /** @param {ReadonlyMap<string, Value | null>} changes @returns {Promise<Outcome>} */
  async #store(changes) {
    const { generation } = await this.#meetAgain();
    this.#generation = generation;
    await this.board.discard();
    const token = crypto.getRandomValues(new Uint8Array(8));
    const inOrder = this.schema.settings.flatMap(({ key }) => {
      const value = changes.get(key);
      return value === undefined ? [] : [/** @type {[string, Value | null]} */ ([key, value])];
    });
    this.#open = token;
    this.#asker.say(say("Storing."));
    /** @type {Outcome} */
    let outcome;
    try {
      outcome = await this.board.store(inOrder, token);
    } catch (error) {
      this.#open = null; // nothing was committed
      if (error instanceof BoardRefused && error.refused.code === Refusal.PRESENCE) {
        return { type: "not-stored", refused: error.refused };
      }
      throw error;
    }
    if (outcome.type === "unknown") {
      this.#asker.say(
        say(
          "The board is gone, and has not said whether it stored the settings: plug it in again to find out.",
        ),
      );
      this.board = await this.#findAgain(this.met.hello.unit);
      outcome = await this.board.resolveCommit(token, this.met.hello.unit);
    }
    if (outcome.type !== "unknown") this.#open = null;
    if (outcome.type === "stored") {
      this.#generation = outcome.generation;
      this.#durable = token;
    }
    return outcome;
  }

  /** Say hello once more, and find the board again if it is gone: people take their time. */
  async #meetAgain() {
    let hello;
    try {
      hello = await this.board.hello();
    } catch (error) {
      if (!(error instanceof LineLost)) throw error;
      this.#asker.say(say("The board is gone: plug it in again. Your answers are kept."));
      this.board = await this.#findAgain(this.met.hello.unit);
      hello = await this.board.hello();
    }
    if (String(hello.unit) !== String(this.met.hello.unit)) {
      throw new LinkError(
        say("The board on this port is not the one that was asked about."),
      );
    }
    if (String(hello.schemaDigest) !== String(this.met.hello.schemaDigest)) {
      throw new LinkError(say("The board's firmware has changed meanwhile: start again."));
    }
    this.#generation = hello.generation;
    return hello;
  }

  /**
   * Make an undo or an erase; what was never answered is settled by the generation, which grows
   * with every change (clause 6.7).
   *
   * @param {() => Promise<number>} call
   */
  async #change(call) {
    const before = this.#generation;
    try {
      this.#generation = await call();
    } catch (error) {
      if (error instanceof BoardRefused || !(error instanceof LinkError)) throw error;
      if (error instanceof LineLost) this.board = await this.#findAgain(this.met.hello.unit);
      this.#generation = (await this.board.hello()).generation;
      if (this.#generation === before) throw error;
    }
  }

  /**
   * Lead to the setting that the board refused; false if there is none to mend.
   *
   * @param {Flow} flow
   * @param {{code: number, field: string | null} | null} refused
   */
  #goesBack(flow, refused) {
    const said = refusedWords(this.schema, refused);
    if (this.#standing?.result !== "stored") {
      this.#standing = { result: "not-stored", isGood: false, words: nothingChanged(said) };
    }
    const key = refused?.field ?? "";
    if (!refused || !flow.active.has(key)) return false;
    this.#asker.say(say("The board refused, and stored nothing. {said}", { said }));
    flow.fault(key, refusalWords(this.#setting(key).field, refused.code));
    return true;
  }

  /** @param {string} key */
  #setting(key) {
    return /** @type {Setting} */ (this.schema.settings.find((each) => each.key === key));
  }

  // ---------------------------------------------------------------------------------- following

  /**
   * Follow the status; return how it ends, and the status if the board does not work.
   *
   * @returns {Promise<{ending: Ending, failed: Status | null}>}
   */
  async #follow() {
    const done = say(this.#done);
    this.#standing = {
      result: "stored",
      isGood: true,
      words: say("{done}. Whether the board works with them was not checked.", { done }),
    };
    this.#asker.say(say("{done}. Waiting for the board to try them.", { done }));
    const told = new Set([""]); // a board that goes to and fro says each step once
    const tell = (/** @type {Status} */ { step, run }) => {
      const words =
        step && run === Run.APPLYING ? say("The board is {step}.", { step: stepWords(step) }) : "";
      if (!told.has(words)) this.#asker.say(words);
      told.add(words);
    };
    let status;
    for (;;) {
      try {
        status = await this.board.followStatus(tell);
        break;
      } catch (error) {
        if (!(error instanceof LineLost)) throw error;
        // A board with a native USB port takes its port with it when it restarts.
        this.board = await this.#findAgain(this.met.hello.unit);
        await this.board.hello();
      }
    }
    if (!status) {
      const words = say(
        "{done}, but the board has not said in time whether it works with them. Look again later.",
        { done },
      );
      return { ending: { result: "stored", isGood: false, words }, failed: null };
    }
    if (status.run === Run.NOT_REPORTED && status.store === Store.TRIAL) {
      this.#asker.say(
        say(
          "The settings are on trial: in {left} seconds the board goes back to the older ones by itself, unless they are confirmed.",
          { left: Math.floor((status.trialLeft ?? 0) / 1000) },
        ),
      );
      if (await this.#asker.doesItWork()) await this.board.confirm(status.generation);
    }
    if (status.generation !== this.#generation) {
      // A trial that ended: well, if the board still has our set.
      if (String((await this.board.hello()).token) !== String(this.#durable)) {
        const words = say(
          "The settings did not work in time, and the board went back to the previous ones by itself.",
        );
        return { ending: { result: "not-stored", isGood: false, words }, failed: null };
      }
      this.#generation = status.generation;
    }
    return { ending: this.#endingOf(status), failed: status.run === Run.FAILED ? status : null };
  }

  /** @param {Status} status @returns {Ending} */
  #endingOf(status) {
    const done = say(this.#done);
    if (status.run === Run.FAILED) {
      const words = `${failureSentence(this.#done, status.step)} ${whyWords(this.schema, status)}`;
      const undeclared = undeclaredWords(this.schema, status.field);
      return { result: "stored", isGood: false, words: words + undeclared };
    }
    if (status.run !== Run.PROVEN) {
      const words = say("{done}. This firmware does not report whether they work.", { done });
      return { result: "stored", isGood: true, words };
    }
    let words = say("{done}, and the board works with them.", { done });
    if (status.address) {
      words += ` ${say("Its address is {address}.", { address: addressText(status.address) })}`;
    }
    return { result: "stored", isGood: true, words };
  }
}

/** @param {Uint8Array} address */
const addressText = (address) => show(/** @type {any} */ ({ kind: Kind.IP }), address);

/** @returns {Ending} */
function unknown() {
  const words = say(
    "It is not known whether the settings were stored: the board no longer answers. Plug it in again, and look at what it holds.",
  );
  return { result: "unknown", isGood: false, words };
}
