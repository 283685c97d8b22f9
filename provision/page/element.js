// SPDX-License-Identifier: MIT
/**
 * The custom element <board-settings>: the whole dialog, for a page to put anywhere.
 *
 * Attributes: `heading`, what the thing is called until its board says so; `link`, where a person
 * can go back to; `baud`, the rate of the line, 115200 if it is not there. Where its document says by
 * `<link rel="alternate" hreflang>` that it is there in other languages, the element leads to those.
 *
 * Events, each with `detail.words`, what the person was told: `board-settings-stored`,
 * `board-settings-erased`, `board-settings-failed`.
 *
 * Whether a browser can speak to serial ports is asked of `navigator.serial` and nothing else.
 */

import { printable } from "./client/sanitize.js";
import { meet } from "./client/snapshot.js";
import { Capability, Run, Store } from "./contract/table.js";
import { Connection } from "./link/connection.js";
import { LinkError } from "./link/errors.js";
import { findAgain, openPort } from "./link/port.js";
import { SchemaError } from "./schema/codec.js";
import style from "./style.css";
import { Dialog, Left } from "./wizard/dialog.js";
import { heading } from "./wizard/questions.js";
import { element, list, Screen } from "./wizard/screen.js";
import { LANGUAGE, mark, say } from "./words.js";

/** @import { Ending } from "./wizard/dialog.js" */
/** @import { SerialPort } from "./link/port.js" */
/** @import { Notice } from "./link/exchange.js" */

const DEFAULT_BAUD = 115200;
const HINT_AFTER = 1500; // ms without an answer after which the person is told what to do

/** @type {Partial<Record<Notice, string>>} What to say while nothing has failed yet. */
const NOTICES = {
  "speaks-else":
    "Something speaks on this port, but no board that can be set up has answered yet. Press the board's reset button, and check that it has the right firmware.",
  "other-reader": "The board's answers arrive damaged: is another program reading this port?",
  presence: "The board requires somebody to be present: press its button now.",
  "line-lost": mark("The board is gone: plug it in again. Your answers are kept."),
};

/**
 * What is used of the browser's object of this name.
 *
 * @typedef {EventTarget & {getPorts: () => Promise<SerialPort[]>, requestPort: () => Promise<SerialPort>}} Serial
 */

export class BoardSettings extends HTMLElement {
  #root = this.attachShadow({ mode: "open" });
  #screen = new Screen();
  #title = element("h1", { part: "heading" });
  #head = element("header", {}, this.#title);
  #foot = element("footer");
  /** Ends what is under way. */
  #leaving = new AbortController();
  /** @type {SerialPort | null} */
  #port = null;
  /** @type {Dialog | null} */
  #dialog = null;
  #isBusy = false;

  /** @returns {Serial | undefined} */
  get #serial() {
    return /** @type {{serial?: Serial}} */ (navigator).serial;
  }

  get #baud() {
    return Number(this.getAttribute("baud")) || DEFAULT_BAUD;
  }

  /** Begin, once it stands in a document. */
  connectedCallback() {
    if (this.#root.hasChildNodes()) return;
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(style);
    this.#root.adoptedStyleSheets = [sheet];
    this.#root.append(
      element(
        "section",
        { part: "panel", lang: LANGUAGE },
        this.#head,
        ...this.#screen.nodes,
        this.#foot,
      ),
    );
    // A port that comes or goes while nothing is under way changes what can be chosen.
    for (const event of ["connect", "disconnect"]) {
      this.#serial?.addEventListener(event, () => {
        if (!this.#isBusy && !this.#dialog) void this.#start();
      });
    }
    void this.#start();
  }

  /** Release the board. */
  disconnectedCallback() {
    void this.#letGo();
  }

  // ---------------------------------------------------------------------------------- languages

  /** Language tags, the best first. */
  get #wanted() {
    return [LANGUAGE, ...navigator.languages];
  }

  /** Lead to the same page in other languages, as far as its document says where they are. */
  #languageChoice() {
    /** @type {HTMLLinkElement[]} */
    const others = [...document.querySelectorAll("link[rel=alternate][hreflang]")].filter(
      (link) => link instanceof HTMLLinkElement,
    );
    if (!others.length) return [];
    const links = others.map(({ href, hreflang }) => {
      const name = new Intl.DisplayNames([hreflang], { type: "language" }).of(hreflang) ?? hreflang;
      return element("a", { href, hreflang, lang: hreflang }, name);
    });
    return [element("nav", { "aria-label": say("Language") }, ...links)];
  }

  /** @param {string} title */
  #name(title) {
    this.#title.textContent = printable(title, 40);
  }

  // ----------------------------------------------------------------------------- finding a board

  /** Show what a person can begin with. @returns {Promise<void>} */
  async #start() {
    if (this.#isBusy) return;
    this.#head.replaceChildren(this.#title, ...this.#languageChoice());
    this.#name(
      this.#dialog?.schema.title ?? this.getAttribute("heading") ?? say("Settings of a board"),
    );
    const link = this.getAttribute("link") ?? "";
    const isWeb = /^https?:/.test(link);
    this.#foot.replaceChildren(
      ...(isWeb
        ? [element("a", { href: link }, say("Back to where this firmware comes from"))]
        : []),
    );
    if (this.#dialog) return this.#showBoard();
    const serial = this.#serial;
    if (!serial) return this.#explain();
    const [known] = await serial.getPorts();
    if (this.#isBusy) return;
    const chosen = await this.#screen.choose(
      say("Set up your board"),
      [
        say("Plug the board into this computer by its USB cable, then choose its port."),
        say("What you type goes over that cable to the board, and nowhere else."),
      ],
      known
        ? {
            known: say("Go on with the board that is plugged in"),
            other: say("Choose another port"),
          }
        : { other: say("Choose the board's port") },
    );
    if (chosen === "known" && known) return this.#connect(known);
    try {
      return await this.#connect(await serial.requestPort());
    } catch (error) {
      if (!(error instanceof DOMException)) throw error;
      this.#screen.clear();
      this.#screen.say(
        error.name === "NotFoundError"
          ? say(
              "No port was chosen. If the board is not in the list, try another cable: some only charge.",
            )
          : say("This page is not permitted to use serial ports: {why}", { why: error.message }),
      );
      return this.#start();
    }
  }

  /** Say what is missing, and how to go on without it. */
  #explain() {
    const baud = this.#baud === DEFAULT_BAUD ? "" : ` --baud ${this.#baud}`;
    const command = `pip install provision-over-serial\nprovision setup${baud}`;
    this.#screen.show(
      element("h2", { tabindex: -1 }, say("This browser cannot reach the board")),
      element(
        "p",
        {},
        say(
          "The page needs a browser with Web Serial on a computer, and has to be opened over https or from this computer.",
        ),
      ),
      element("p", {}, say("The same dialog runs in a terminal:")),
      element("pre", { tabindex: 0 }, element("code", {}, command)),
    );
  }

  /** Meet the board at a port, and go on with it. @param {SerialPort} port @returns {Promise<void>} */
  async #connect(port) {
    this.#port = port;
    await this.#atWork(async (signal) => {
      const patience = setTimeout(
        () =>
          this.#screen.say(say("Waiting for the board: plug it in, or press its reset button.")),
        HINT_AFTER,
      );
      try {
        const board = new Connection(await openPort(port, this.#baud), this.#options);
        signal.addEventListener("abort", () => void board.close());
        const met = await meet(board, Infinity);
        this.#dialog = this.#dialogWith(board, met);
      } finally {
        clearTimeout(patience);
      }
      this.#screen.clear();
    });
    if (!this.#dialog) return this.#start();
    return this.#run((dialog, signal) => dialog.setUp(signal));
  }

  /** @param {Connection} board @param {import("./client/snapshot.js").BoardSnapshot} met */
  #dialogWith(board, met) {
    const find = async (/** @type {Uint8Array} */ unit) => {
      const serial = /** @type {Serial} */ (this.#serial);
      const was = /** @type {SerialPort} */ (this.#port);
      await this.#dialog?.board.close();
      const found = await findAgain(serial, was, unit, this.#leaving.signal, this.#options);
      this.#port = found.port;
      this.#screen.say(say("The board is back."));
      return found.board;
    };
    const dialog = new Dialog(board, met, this.#screen, this.#wanted, find);
    this.#name(dialog.schema.title);
    return dialog;
  }

  get #options() {
    return {
      baud: this.#baud,
      onNotice: (/** @type {Notice} */ notice) => {
        const words = NOTICES[notice];
        if (words === undefined || this.#leaving.signal.aborted) return;
        if (this.#isBusy) this.#screen.say(say(words));
        else void this.#letGoAndSay(say("The board is gone: plug it in again."));
      },
    };
  }

  // -------------------------------------------------------------------------------- with a board

  /**
   * Do something that takes time and can be left; what goes wrong is told.
   *
   * @param {(signal: AbortSignal) => Promise<void>} work
   */
  async #atWork(work) {
    this.#isBusy = true;
    this.#head.replaceChildren(this.#title); // the language stays while something is under way
    this.#leaving = new AbortController();
    this.#screen.clear();
    this.#screen.wait();
    const leave = () => this.#leaving.abort(new Left());
    this.#foot.replaceChildren(
      element(
        "button",
        { type: "button", class: "plain", click: leave },
        say("Leave the board as it is"),
      ),
    );
    try {
      await work(this.#leaving.signal);
    } catch (error) {
      const isLeft = this.#leaving.signal.aborted;
      const isKnown = error instanceof LinkError || error instanceof SchemaError;
      const words = isKnown
        ? error.message
        : say("The page has a fault, and stopped. Nothing more is sent to the board.");
      this.#screen.clear();
      if (!isLeft) {
        this.#screen.say(words);
        this.#tell("failed", words);
      }
      await this.#letGo();
      if (!isLeft && !isKnown) throw error;
    } finally {
      this.#leaving = new AbortController(); // that way is over
      this.#isBusy = false;
    }
  }

  /**
   * Go one way of the dialog, and show the board as it is then.
   *
   * @param {(dialog: Dialog, signal: AbortSignal) => Promise<Ending>} way
   * @returns {Promise<void>}
   */
  async #run(way) {
    /** @type {Ending | undefined} */
    let ending;
    await this.#atWork(async (signal) => {
      const dialog = /** @type {Dialog} */ (this.#dialog);
      ending = await way(dialog, signal);
      this.#screen.wait();
      const isStored = ending.result === "stored" && ending.isGood;
      this.#tell(
        isStored ? "stored" : ending.result === "erased" ? "erased" : "failed",
        ending.words,
        ending,
      );
      const met = await meet(dialog.board);
      this.#dialog = this.#dialogWith(dialog.board, met);
      this.#screen.clear();
    });
    if (ending) {
      if (!this.#dialog) this.#screen.clear();
      this.#screen.say(ending.words);
    }
    return this.#start();
  }

  /**
   * @param {"stored" | "erased" | "failed"} what
   * @param {string} words
   * @param {Ending} [ending]
   */
  #tell(what, words, ending) {
    if (ending?.result === "nothing") return;
    const options = { bubbles: true, composed: true, detail: { words } };
    this.dispatchEvent(new CustomEvent(`board-settings-${what}`, options));
  }

  /** Show what the board holds, and what can be done with it. @returns {Promise<void>} */
  async #showBoard() {
    const dialog = /** @type {Dialog} */ (this.#dialog);
    const { hello } = dialog.met;
    let change = "";
    /** @type {(name: string) => void} */
    let press = () => {};
    const pressed = new Promise((resolve) => {
      press = resolve;
    });
    const rows = dialog.overview().map(({ setting, shown }) => ({
      heading: heading(setting),
      label: setting.field.label,
      shown,
      press: () => {
        change = setting.key;
        press("change");
      },
    }));
    const { store, run } = dialog.met.status;
    const isDone = store === Store.COMPLETE && run !== Run.FAILED;
    const setUp = say("Ask what is new or missing");
    const close = say("Release the board");
    const actions = {
      ...(isDone ? { close, setUp } : { setUp, close }),
      ...(hello.token && dialog.can(Capability.UNDO)
        ? { undo: say("Go back to the previous settings") }
        : {}),
      ...(hello.token && dialog.can(Capability.ERASE) ? { erase: say("Erase all settings") } : {}),
      ...(dialog.can(Capability.LOCATE) ? { locate: say("Make the board show itself") } : {}),
    };
    const chosen = await Promise.race([
      this.#screen.choose(say("What the board holds"), [dialog.introduction, list(rows)], actions),
      pressed,
    ]);
    switch (chosen) {
      case "undo":
        return this.#run((now, signal) => now.undo(signal));
      case "erase":
        return this.#run((now, signal) => now.erase(signal));
      case "change":
        return this.#run((now, signal) => now.setUp(signal, change));
      case "setUp":
        return this.#run((now, signal) => now.setUp(signal));
      case "locate":
        await this.#atWork(async () => {
          await dialog.board.locate();
          this.#screen.say(say("The board shows itself now."));
        });
        return this.#start();
      default:
        return this.#letGoAndSay(say("The board is free; it can be unplugged."));
    }
  }

  /** Release the board, say something, and begin again. @param {string} words */
  async #letGoAndSay(words) {
    await this.#letGo();
    this.#screen.clear();
    this.#screen.say(words);
    return this.#start();
  }

  async #letGo() {
    this.#leaving.abort(new Left());
    const dialog = this.#dialog;
    this.#dialog = null;
    await dialog?.board.close();
  }
}

customElements.define("board-settings", BoardSettings);
