// SPDX-License-Identifier: MIT
/**
 * The dialog on a page: one question at a time. Text from a board was cleaned before it comes here,
 * and is put in as text only; nothing here reads markup.
 *
 * @module
 */

import { Kind, Refusal } from "../contract/table.js";
import { isSecret } from "../schema/model.js";
import { names } from "../schema/time_zones.js";
import { asTyped, isKeyOnly, refusalWords, ValueProblem } from "../schema/values.js";
import { say } from "../words.js";
import { faultSentence, WHYS } from "./status_text.js";
import { Move, Origin } from "./questions.js";

/** @import { Asker } from "./dialog.js" */
/** @import { Flow } from "./flow.js" */
/** @import { AnotherInstance, Answer, Question, ReviewLine } from "./questions.js" */
/** @import { Value } from "../schema/model.js" */

/** The refusal whose words say best what a kind of field wants. @type {Record<number, number>} */
const WANTED = {
  [Kind.TEXT]: Refusal.LENGTH,
  [Kind.SECRET]: Refusal.LENGTH,
  [Kind.INTEGER]: Refusal.RANGE,
  [Kind.DECIMAL]: Refusal.RANGE,
  [Kind.NETWORK_NAME]: Refusal.LENGTH,
  [Kind.PASSPHRASE]: Refusal.LENGTH,
  [Kind.PORT]: Refusal.RANGE,
  [Kind.DURATION]: Refusal.RANGE,
  [Kind.HEX]: Refusal.LENGTH,
  [Kind.BLOB]: Refusal.LENGTH,
};
/** Kinds that are chosen from a list that stands there whole: it says by itself what is wanted. */
const LISTED = [Kind.YES_NO, Kind.CHOICE, Kind.PIN];
/** @type {Record<number, string>} What a touch keyboard is to show. */
const KEYBOARDS = {
  [Kind.INTEGER]: "numeric",
  [Kind.DECIMAL]: "decimal",
  [Kind.PORT]: "numeric",
  [Kind.HOST]: "url",
  [Kind.URL]: "url",
};

/**
 * What a question is answered with.
 *
 * @typedef {object} Control
 * @property {Node[]} nodes
 * @property {HTMLElement[]} inputs those that a fault is about
 * @property {() => Answer | Promise<Answer>} read throws ValueProblem
 */

/**
 * Return an element. Children that are text stay text; what is false or null is left out.
 *
 * @template {keyof HTMLElementTagNameMap} Tag
 * @param {Tag} tag
 * @param {Record<string, unknown>} [properties] attributes, and functions as listeners; false: none
 * @param {...(Node | string | false | null)} children
 */
export function element(tag, properties = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (typeof value === "function")
      made.addEventListener(name, /** @type {EventListener} */ (value));
    else if (value !== false && value !== null)
      made.setAttribute(name, value === true ? "" : String(value));
  }
  made.append(...children.filter((child) => child !== false && child !== null));
  return made;
}

/** @implements {Asker} */
export class Screen {
  #log = element("div", { part: "log", role: "status" });
  #body = element("div", { class: "body" });

  /** Where it is shown: what is told, then what is asked. */
  get nodes() {
    return [this.#log, this.#body];
  }

  /** Tell something; it stays until the next answer. @param {string} text */
  say(text) {
    if (this.#log.lastElementChild?.textContent === text) return;
    this.#log.append(element("p", {}, text));
  }

  /** Take back what was told: it is over. @param {string} text */
  unsay(text) {
    [...this.#log.children].find((told) => told.textContent === text)?.remove();
  }

  /** Forget what was told. */
  clear() {
    this.#log.replaceChildren();
  }

  /** Show nothing but what is told: the board is at work. */
  wait() {
    this.#body.replaceChildren();
  }

  /**
   * Show a step, and move to it: its first control that can be typed into or chosen, else its
   * heading.
   *
   * @param {...(Node | string | false | null)} nodes
   */
  show(...nodes) {
    this.#body.replaceChildren(...nodes.filter((node) => node !== false && node !== null));
    const first = this.#body.querySelector("input:checked, input:not(:disabled), h2");
    if (first instanceof HTMLElement) first.focus();
  }

  /**
   * Show a heading, paragraphs and buttons; return which button was pressed.
   *
   * @template {string} Name
   * @param {string} title
   * @param {readonly (Node | string)[]} content
   * @param {Partial<Record<Name, string>>} actions names and labels, the first the likeliest
   * @returns {Promise<Name>}
   */
  choose(title, content, actions) {
    return new Promise((resolve) => {
      const entries = /** @type {[Name, string][]} */ (Object.entries(actions));
      this.show(
        element("h2", { tabindex: -1 }, title),
        ...content.map((each) => (typeof each === "string" ? element("p", {}, each) : each)),
        element(
          "div",
          { part: "actions" },
          ...entries.map(([name, label], place) =>
            element(
              "button",
              {
                type: "button",
                part: place ? "secondary" : "primary",
                click: () => {
                  this.wait();
                  resolve(name);
                },
              },
              label,
            ),
          ),
        ),
      );
    });
  }

  // ------------------------------------------------------------------------------------- asking

  /** @param {Question} question @param {Flow} flow @returns {Promise<Answer>} */
  ask(question, flow) {
    const { field, setting } = question;
    const control = this.#control(question, flow);
    const fault = element("p", { part: "fault", id: "fault", role: "alert" });
    const help = [setting.section.help, field.help, ...wanted(question)].filter(
      (text) => text !== null,
    );
    for (const input of control.inputs) {
      input.setAttribute("aria-describedby", "why help fault");
    }
    return new Promise((resolve) => {
      const end = (/** @type {Answer} */ answer) => {
        this.clear();
        this.wait(); // and with it goes what was typed
        resolve(answer);
      };
      const complain = (/** @type {string} */ words) => {
        fault.textContent = words;
        for (const input of control.inputs) input.setAttribute("aria-invalid", "true");
        control.inputs[0]?.focus();
      };
      const submit = async (/** @type {Event} */ event) => {
        event.preventDefault();
        try {
          end(await control.read());
        } catch (error) {
          if (!(error instanceof ValueProblem)) throw error;
          complain(say("It {words}.", { words: error.words }));
        }
      };
      const isFirst = question.position === 1 && question.fault === null;
      const said =
        question.fault === null ? why(question) : faultSentence(field.label, question.fault);
      this.show(
        element(
          "div",
          {},
          element(
            "p",
            { class: "where" },
            question.heading,
            element(
              "span",
              {},
              say("{number} of {count}", { number: question.position, count: question.count }),
            ),
          ),
          element("div", { class: "bar", "aria-hidden": "true" }, bar(question)),
        ),
        element(
          "form",
          { part: "question", autocomplete: "off", novalidate: true, submit },
          element(
            "div",
            { id: "why", part: question.fault === null ? "help" : "fault" },
            ...(said ? [said] : []),
          ),
          ...control.nodes,
          field.caution !== null && caution(field.caution),
          element(
            "div",
            { id: "help", part: "help" },
            ...help.map((text) => element("p", {}, text)),
          ),
          fault,
          element(
            "div",
            { part: "actions" },
            element("button", { part: "primary" }, say("Next")),
            question.canClear &&
              element(
                "button",
                { type: "button", part: "secondary", click: () => end(Move.CLEAR) },
                none(question),
              ),
            !isFirst &&
              element(
                "button",
                { type: "button", part: "secondary", click: () => end(Move.BACK) },
                say("Back"),
              ),
          ),
        ),
      );
    });
  }

  /** @param {AnotherInstance} offer */
  async askAnother(offer) {
    const { label, help } = offer.section;
    const number = offer.instance;
    const title = offer.first
      ? say("Set up a {label} (number {number})?", { label, number })
      : say("Set up another {label} (number {number})?", { label, number });
    const chosen = await this.choose(title, offer.first && help !== null ? [help] : [], {
      no: say("No"),
      yes: say("Yes"),
      back: say("Back"),
    });
    return chosen === "back" ? null : chosen === "yes";
  }

  /** @param {Question} question @param {string} words */
  async confirm(question, words) {
    const chosen = await this.choose(question.field.label, [caution(words)], {
      yes: say("I have read this; go on"),
      no: say("Answer differently"),
    });
    return chosen === "yes";
  }

  /** @param {Question} question @param {string} doubt */
  async standsBy(question, doubt) {
    const said = say("{label} {doubt}. Is that right?", { label: question.field.label, doubt });
    const chosen = await this.choose(question.field.label, [said], {
      no: say("Answer differently"),
      yes: say("Yes, it is right"),
    });
    return chosen === "yes";
  }

  async doesItWork() {
    const chosen = await this.choose(say("Does the board do what it should?"), [], {
      yes: say("Yes"),
      no: say("No"),
    });
    return chosen === "yes";
  }

  /** @param {string} title @param {string} question */
  async agree(title, question) {
    const chosen = await this.choose(question, [title], { no: say("No"), yes: say("Yes") });
    return chosen === "yes";
  }

  /**
   * @param {readonly ReviewLine[]} lines
   * @param {number} untouched
   * @returns {Promise<"send" | "back" | {change: string}>}
   */
  review(lines, untouched) {
    return new Promise((resolve) => {
      const change = (/** @type {string} */ key) => () => {
        this.wait();
        resolve({ change: key });
      };
      const rows = lines.map((line) => ({ ...line, press: change(line.key) }));
      const content = [
        list(rows),
        untouched > 0 && say("{untouched} more stay as they are.", { untouched }),
      ];
      void this.choose(
        say("To be stored"),
        content.filter((each) => each !== false),
        {
          send: say("Store on the board"),
          back: say("Back"),
        },
      ).then(resolve);
    });
  }

  // ------------------------------------------------------------------------------------ controls

  /** @param {Question} question @param {Flow} flow @returns {Control} */
  #control(question, flow) {
    const { field } = question;
    /** @param {Value} value @returns {Answer} */
    const given = (value) => {
      flow.check(question, value);
      return { value, written: null };
    };
    if (field.kind === Kind.YES_NO) {
      const choices = [true, false].map((value) => ({
        text: say(value ? "yes" : "no"),
        answer: () => given(value),
      }));
      return radios(question, choices);
    }
    if (field.kind === Kind.CHOICE) {
      return radios(
        question,
        field.options.map(({ key, label, help }) => ({
          text: label,
          beside: help,
          answer: () => given(key),
        })),
      );
    }
    if (field.kind === Kind.PIN) {
      return radios(
        question,
        question.pins.map(({ pin, obstacle }) => ({
          text: `${pin.number}`,
          shown: pin.name ?? undefined,
          beside: obstacle ?? (pin.caution && say("Caution: {caution}", { caution: pin.caution })),
          isOff: obstacle !== null,
          answer: () => given(pin.number),
        })),
      );
    }
    if (field.kind === Kind.BLOB) return fromFile(question, given);
    const typed = text(question, flow);
    if (!question.networks.length) return typed;
    const choices = question.networks.map(({ name, shown, strength, security }) => ({
      text: shown,
      beside: `${strength}, ${security}`,
      answer: () => given(name),
    }));
    return radios(question, choices, typed);
  }
}

/**
 * A list of settings with a button each.
 *
 * @param {readonly {heading: string, label: string, shown: string, press: () => void}[]} rows
 */
export function list(rows) {
  const made = element("div");
  let heading = "";
  let part = element("dl");
  for (const row of rows) {
    if (row.heading !== heading) {
      heading = row.heading;
      part = element("dl", { part: "review" });
      made.append(element("h3", {}, heading), part);
    }
    const label = say("Change {label}", { label: row.label });
    part.append(
      element(
        "div",
        {},
        element("dt", {}, row.label),
        element("dd", {}, row.shown),
        element(
          "dd",
          {},
          element(
            "button",
            { type: "button", class: "plain", "aria-label": label, click: row.press },
            say("Change"),
          ),
        ),
      ),
    );
  }
  return made;
}

/** @param {string} words */
function caution(words) {
  return element("p", { part: "caution" }, say("Caution: {caution}", { caution: words }));
}

/** @param {Question} question */
function bar({ position, count }) {
  const made = element("div");
  made.style.width = `${(100 * (position - 1)) / count}%`;
  return made;
}

/** Why a question is asked, where that is not plain. @param {Question} question */
function why({ why, network, conflict }) {
  if (conflict !== null) return conflict;
  if (network !== null) return say("For the network {network}.", { network });
  const words = WHYS[why];
  return words === undefined ? "" : say(words);
}

/** What no answer is called. @param {Question} question */
function none({ field }) {
  return field.kind === Kind.PASSPHRASE ? say("The network is open") : say("Leave it empty");
}

/** What an answer has to be. @param {Question} question */
function wanted({ field }) {
  if (LISTED.includes(/** @type {any} */ (field.kind))) return [];
  const words = refusalWords(asTyped(field), WANTED[field.kind] ?? Refusal.FORM);
  const said = [say("It {words}.", { words })];
  if (isKeyOnly(field)) {
    said.push(
      say("Only a key made from it goes to the board, never the passphrase itself."),
    );
  }
  return said;
}

/** No answer at all: what is offered, nothing where that is one, else a fault. @param {Question} question */
function nothing(question) {
  if (question.current !== null) return Move.KEEP;
  // What failed is not taken away by a press too many: a passphrase would be.
  if (question.canClear && question.fault === null) return Move.CLEAR;
  throw new ValueProblem(say("needs an answer"), Refusal.MISSING);
}

/** What stands where nothing is typed yet. @param {Question} question */
function placeholder({ current, field, origin }) {
  if (current === null || !isSecret(field)) return false;
  return origin === Origin.ANSWERED ? say("as typed before") : say("as it is on the board");
}

/**
 * A line to type into. A secret is shown only while a person asks for it.
 *
 * @param {Question} question
 * @param {Flow} flow
 * @returns {Control}
 */
function text(question, flow) {
  const { field } = question;
  const isHidden = isSecret(field);
  const isZone = field.kind === Kind.TIME_ZONE;
  const input = element("input", {
    id: "answer",
    part: "field",
    type: isHidden ? "password" : "text",
    autocomplete: "off",
    autocapitalize: "off",
    spellcheck: "false",
    inputmode: KEYBOARDS[field.kind] ?? false,
    placeholder: placeholder(question),
    list: isZone && "zones",
    input: () => input.removeAttribute("aria-invalid"),
  });
  input.value = question.editable;
  const reveal = element(
    "button",
    {
      type: "button",
      part: "secondary",
      "aria-pressed": "false",
      click: () => {
        input.type = input.type === "password" ? "text" : "password";
        reveal.setAttribute("aria-pressed", String(input.type === "text"));
        input.focus();
      },
    },
    say("Show"),
  );
  return {
    inputs: [input],
    nodes: [
      element("label", { for: "answer", class: "label" }, field.label),
      element("div", { class: "entry" }, input, isHidden && reveal),
      ...(isZone
        ? [
            element(
              "datalist",
              { id: "zones" },
              ...names().map((value) => element("option", { value })),
            ),
          ]
        : []),
    ],
    read: () => {
      const typed = input.value;
      if (!typed.trim()) {
        if (question.editable === "") return nothing(question);
        if (question.canClear) return Move.CLEAR;
        throw new ValueProblem(say("needs an answer"), Refusal.MISSING);
      }
      if (typed === question.editable && question.current !== null) return Move.KEEP;
      return flow.read(question, typed);
    },
  };
}

/**
 * A file to choose.
 *
 * @param {Question} question
 * @param {(value: Value) => Answer} given
 * @returns {Control}
 */
function fromFile(question, given) {
  const input = element("input", { id: "answer", part: "field", type: "file" });
  return {
    inputs: [input],
    nodes: [
      element("label", { for: "answer", class: "label" }, question.field.label),
      input,
      ...(question.current === null ? [] : [element("p", { class: "beside" }, question.current)]),
    ],
    read: async () => {
      const file = input.files?.[0];
      if (!file) return nothing(question);
      if (file.size > (question.field.maximum ?? 0)) {
        throw new ValueProblem(refusalWords(question.field, Refusal.LENGTH), Refusal.LENGTH);
      }
      return given(new Uint8Array(await file.arrayBuffer()));
    },
  };
}

/**
 * A list to choose from, what is offered chosen already; with `other`, a line to type what is not
 * in it.
 *
 * @param {Question} question
 * @param {readonly {text: string, shown?: string | undefined, beside?: string | null, isOff?: boolean, answer: () => Answer}[]} choices
 * @param {Control} [other]
 * @returns {Control}
 */
function radios(question, choices, other) {
  const inputs = choices.map(({ text, isOff = false }) =>
    element("input", {
      type: "radio",
      name: "answer",
      part: "field",
      disabled: isOff,
      checked: text === question.editable,
    }),
  );
  /** @type {HTMLElement[]} */
  const rows = choices.map(({ text, shown, beside = null }, place) =>
    element(
      "label",
      { class: "choice" },
      inputs[place] ?? "",
      element("span", {}, shown === undefined || shown === text ? text : `${text} (${shown})`),
      beside !== null && element("span", { class: "beside" }, beside),
    ),
  );
  const typed = other?.inputs[0];
  if (other && typed instanceof HTMLInputElement) {
    const own = element("input", { type: "radio", name: "answer", part: "field" });
    own.checked = question.editable !== "" && !inputs.some(({ checked }) => checked);
    typed.addEventListener("input", () => {
      own.checked = true;
    });
    typed.setAttribute("aria-label", say("Name of a hidden network"));
    if (!own.checked) typed.value = "";
    inputs.push(own);
    rows.push(
      element("label", { class: "choice" }, own, element("span", {}, say("Another, by its name"))),
      element("div", { class: "entry" }, typed),
    );
  }
  return {
    inputs,
    nodes: [element("fieldset", {}, element("legend", {}, question.field.label), ...rows)],
    read: () => {
      const place = inputs.findIndex(({ checked }) => checked);
      const chosen = choices[place];
      if (!chosen) return place < 0 || !other ? nothing(question) : other.read();
      if (chosen.text === question.editable && question.current !== null) return Move.KEEP;
      return chosen.answer();
    },
  };
}
