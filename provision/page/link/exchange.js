// SPDX-License-Identifier: MIT
/**
 * Requests on their way to a board, and its replies on their way back (clauses 4.1, 5.6, 5.7).
 *
 * Sans-I/O: bytes and the time go in, bytes and answers come out. Times are milliseconds of any
 * clock that never goes back. Clauses are those of shared/protocol.md. Requests go out in the order
 * in which they were submitted; every one that was not abandoned gets exactly one answer.
 *
 * @typedef {import("../contract/messages.js").Message} Message
 * @typedef {import("../contract/profile.js").Item} Item
 * @typedef {import("./errors.js").Refused} Refused
 * @typedef {import("./replies.js").Body} Body
 *
 * @typedef {object} Answer what came of a request: its reply's body, a refusal, or nothing
 * @property {number} id
 * @property {Request} request
 * @property {Body | Refused | Lost} result
 * @property {number} losses how often it was sent in vain
 *
 * @typedef {Pick<import("./replies.js").Hello, "line" | "credit" | "commitTime" | "eraseTime"
 *   | "capabilities">} Limits
 *
 * @typedef {object} Pending a request on its way; while not `counted`, its bytes are late and count
 *     no longer
 * @property {number} id
 * @property {Request} request
 * @property {Uint8Array} line
 * @property {number} notBefore
 * @property {number} sends
 * @property {boolean} counted
 * @property {number} due counted: when it will be late; else: when it may be sent again
 * @property {number} wait
 * @property {number} longestWait
 * @property {number} givenUp
 * @property {boolean} abandoned
 * @property {number} malformed
 * @property {Evidence} before
 *
 * @typedef {object} Evidence counts of what came in
 * @property {number} bytes
 * @property {number} echoes
 * @property {number} damaged
 *
 * @typedef {"silent" | "else" | "echo" | "damaged" | "malformed"} Why what came from the port while
 *     an answer did not
 *
 * @typedef {object} Failing how a line failed
 * @property {keyof typeof SAME_FAULTS} fault
 * @property {number} crc 0 where the CHECK matches: the line came as it was sent, so that it is the
 *     firmware's fault, whether or not the line comes again
 *
 * @typedef {"asleep" | "speaks-else" | "other-reader" | "presence" | "line-lost"} Notice
 *     what the person may want to know while nothing is wrong yet: asleep: nothing at all comes
 *     from the port, until the board's reset is pressed maybe; speaks-else: bytes come, but no
 *     answer to hello among them; other-reader: many answers come damaged, another program may be
 *     reading this port; presence: the board wants its button pressed, and the request is made
 *     again until it was; line-lost: the port is gone
 */

import { LineReceiver, encodeLine } from "../contract/line.js";
import {
  MAX_ID,
  MessageError,
  checkBody,
  decodeMessage,
  encodeMessage,
} from "../contract/messages.js";
import {
  Capability,
  GetSchemaKey,
  LINE_OVERHEAD,
  MAX_BACKOFF_MS,
  MAX_BODY,
  MIN_BODY_LIMIT,
  MessageType,
  PROTOCOL_VERSION,
  REPLY_ALLOWANCE_MS,
  Refusal,
  STEP_BOUND_MS,
} from "../contract/table.js";
import { mark } from "../words.js";
import { readHello, readRefusal } from "./replies.js";

const BITS_PER_BYTE = 10; // a start bit, eight data bits, a stop bit

// Nothing follows these until their reply came, unless the board receives while it stores.
const STORING = Object.freeze([
  MessageType.COMMIT,
  MessageType.UNDO,
  MessageType.CONFIRM,
  MessageType.ERASE,
]);

// Whole lines of the replies whose length varies much; of the others a generous one, in bytes.
const LONG_REPLIES = Object.freeze([
  MessageType.HELLO,
  MessageType.GET_VALUES,
  MessageType.SURVEY,
]);
const SHORT_REPLY = 64;
const PIECE_REPLY = 32; // of a reply with a piece, beyond its bytes in base64url

const MALFORMED_BOUND = 2; // so many replies of a wrong form to one request are no accident
const DAMAGE_BOUND = 3; // so many damaged frames while no answer comes are no accident
const DAMAGE_NOTICED = 5; // so many of them are worth a word, even where answers come
const ALIKE_SENDS = 40; // of hello; lines that all fail alike end it then, however long it may wait
const DAMAGE_KEPT = 64; // so many of the last are compared with each other
const SAME_FAULTS = {
  long: mark("all its lines are too long"),
  check: mark("all its lines have a wrong CHECK"),
  body: mark("all its lines have a wrongly encoded BODY"),
  item: mark("none of its lines holds a message"),
};
const UNHEARD_NOTICED = 8; // sends of hello to which no answer came

/**
 * No answer came in time; fault tells what was wrong with those that came malformed, or with lines
 * of which the same were damaged again and again: no bad line and no other reader does that.
 */
export class Lost {
  /**
   * @param {Why} why
   * @param {string} [fault]
   */
  constructor(why, fault = "") {
    this.why = why;
    this.fault = fault;
  }
}

/** One request, and how to see it through; two are the same only if they are one object. */
export class Request {
  /** How long to hold it back. */
  delay = 0;
  /** The time between repeats, instead of when it is late. */
  every = 0;
  /** From the first sending until it is given up, announced times apart; Infinity: never. */
  patience = STEP_BOUND_MS;
  /** How often to send it at most. */
  sends = Infinity;

  /**
   * @param {number} type one of MessageType
   * @param {Iterable<readonly [number, Item]>} [body]
   * @param {Partial<Pick<Request, "delay" | "every" | "patience" | "sends">>} [how]
   */
  constructor(type, body = [], how = {}) {
    this.type = type;
    this.body = new Map(body);
    Object.assign(this, how);
  }

  get isStoring() {
    return STORING.some((type) => type === this.type);
  }
}

/** The host's end of one line: what is on its way, what is late, what has been answered. */
export class Exchange {
  /**
   * What the board announced in its last hello; before that, what every board takes.
   *
   * @type {Limits}
   */
  limits = {
    line: MIN_BODY_LIMIT,
    credit: MIN_BODY_LIMIT + LINE_OVERHEAD,
    commitTime: 0,
    eraseTime: 0,
    capabilities: 0,
  };

  #lines = new LineReceiver();
  /** @type {Pending[]} */
  #queue = [];
  /** @type {Map<number, Pending>} by id, in the order of first sending */
  #sent = new Map();
  /** @type {Answer[]} */
  #answers = [];
  /** @type {Notice[]} */
  #notices = [];
  /** @type {Evidence} */
  #evidence = { bytes: 0, echoes: 0, damaged: 0 };
  /** @type {Failing[]} the last */
  #damages = [];
  #failed = new Set(); // CRCs since the last send
  #polled = -Infinity;
  #byteTime;
  #nextId;

  /**
   * @param {number} baud bits a second
   * @param {number} firstId random, so that replies to an earlier host are told
   */
  constructor(baud, firstId) {
    this.#byteTime = (BITS_PER_BYTE * 1000) / baud;
    this.#nextId = firstId;
  }

  /**
   * Queue a request; return its id.
   *
   * @param {Request} request
   * @param {number} now
   * @throws {RangeError} if its line is longer than the board takes
   */
  submit(request, now) {
    const id = this.#nextId;
    const { type, body } = request;
    const item = encodeMessage({ version: PROTOCOL_VERSION, type, id, body });
    this.#queue.push({
      id,
      request,
      line: encodeLine(item, this.limits.line),
      notBefore: now + request.delay,
      sends: 0,
      counted: false,
      due: 0,
      wait: 0,
      longestWait: 0,
      givenUp: Infinity,
      abandoned: false,
      malformed: 0,
      before: this.#evidence,
    });
    this.#nextId = id === MAX_ID ? 0 : id + 1;
    return id;
  }

  /**
   * Want no answers any more. What was sent counts as on its way until answered or late.
   *
   * @param {ReadonlySet<number>} ids
   */
  abandon(ids) {
    this.#queue = this.#queue.filter(({ id }) => !ids.has(id));
    for (const pending of [...this.#sent.values()].filter(({ id }) => ids.has(id))) {
      pending.abandoned = true;
      if (!pending.counted) this.#sent.delete(pending.id);
    }
  }

  /**
   * Take bytes as they arrive.
   *
   * @param {Uint8Array} bytes
   * @param {number} now
   */
  receive(bytes, now) {
    this.#evidence.bytes += bytes.length;
    for (const event of this.#lines.feed(bytes)) {
      if (event.type === "frame") this.#take(event.item, now);
      else if (event.type === "damaged" && event.fault !== "foreign") {
        this.#countDamage(event.fault, event.crc);
      }
    }
  }

  /**
   * Return the bytes to send now. Finds what is late, and gives up what is over its bound.
   *
   * @param {number} now
   */
  poll(now) {
    this.#polled = now;
    for (const pending of [...this.#sent.values()]) this.#checkTime(pending, now);
    /** @type {Uint8Array[]} */
    const out = [];
    for (const pending of this.#sent.values()) {
      if (!pending.counted && pending.due <= now && this.#mayRepeat(pending)) {
        out.push(this.#send(pending, now));
      }
    }
    for (const pending of this.#queue.filter(({ notBefore }) => notBefore <= now)) {
      if (this.#mustWait() || !this.#hasRoom(pending)) break;
      this.#queue.splice(this.#queue.indexOf(pending), 1);
      this.#sent.set(pending.id, pending);
      out.push(this.#send(pending, now));
    }
    return Uint8Array.from(out.flatMap((line) => [...line]));
  }

  /** Return when to poll again if nothing comes in; Infinity: never. */
  nextDeadline() {
    const times = this.#queue.map(({ notBefore }) => notBefore);
    for (const { due, givenUp } of this.#sent.values()) times.push(due, givenUp);
    // What is not in the future although it was polled waits for something else.
    return times.reduce((next, time) => (time > this.#polled && time < next ? time : next), Infinity);
  }

  /** Return the answers since the last call. */
  takeAnswers() {
    return this.#answers.splice(0);
  }

  /** Return what the person may want to know since the last call. */
  takeNotices() {
    return this.#notices.splice(0);
  }

  // --- Out

  /** @param {Pending} pending */
  #hasRoom({ line }) {
    let inFlight = line.length;
    for (const other of this.#sent.values()) if (other.counted) inFlight += other.line.length;
    return inFlight <= this.limits.credit;
  }

  /** Tell whether a request is on its way that nothing may follow. */
  #mustWait() {
    return (
      !(this.limits.capabilities & Capability.RECEIVES_WHILE_STORING) &&
      [...this.#sent.values()].some(({ request }) => request.isStoring)
    );
  }

  /** @param {Pending} pending */
  #mayRepeat(pending) {
    return (pending.request.isStoring || !this.#mustWait()) && this.#hasRoom(pending);
  }

  /**
   * @param {Pending} pending
   * @param {number} now
   */
  #send(pending, now) {
    const { request } = pending;
    this.#failed.clear();
    pending.sends += 1;
    pending.counted = true;
    if (pending.sends === 1) {
      let announced = 0;
      let size = 0;
      for (const { counted, request: other, line } of this.#sent.values()) {
        if (!counted) continue;
        announced += this.#announced(other);
        size += line.length + replySize(other);
      }
      pending.wait = request.every || size * this.#byteTime + REPLY_ALLOWANCE_MS + announced;
      pending.longestWait = request.every || pending.wait + MAX_BACKOFF_MS;
      pending.givenUp = now + request.patience + announced;
      pending.before = { ...this.#evidence };
    } else {
      pending.wait = Math.min(2 * pending.wait, pending.longestWait);
      if (request.type === MessageType.HELLO && pending.sends === UNHEARD_NOTICED) {
        const isHeard = this.#evidence.bytes > pending.before.bytes;
        this.#notices.push(isHeard ? "speaks-else" : "asleep");
      }
    }
    pending.due = now + pending.wait;
    return pending.line;
  }

  /**
   * Return the time that the board may take over a request, beyond answering it.
   *
   * @param {Request} request
   */
  #announced({ type, isStoring }) {
    if (type === MessageType.ERASE) return this.limits.eraseTime;
    return isStoring ? this.limits.commitTime : 0;
  }

  /**
   * @param {Pending} pending
   * @param {number} now
   */
  #checkTime(pending, now) {
    if (now >= pending.due) pending.counted = false;
    if (pending.abandoned) {
      if (!pending.counted) this.#sent.delete(pending.id);
    } else {
      const { sends } = pending;
      const lost = this.#lost(pending);
      const isAlike = sends >= ALIKE_SENDS && lost.fault;
      const isOver = now >= pending.due && (isAlike || sends === pending.request.sends);
      if (isOver || now >= pending.givenUp) this.#complete(pending, lost, sends);
    }
  }

  /** @param {Pending} pending */
  #lost({ before }) {
    const now = this.#evidence;
    const damaged = now.damaged - before.damaged;
    if (damaged >= DAMAGE_BOUND) return new Lost("damaged", this.#sameFault(damaged));
    if (now.echoes > before.echoes) return new Lost("echo");
    return new Lost(now.bytes > before.bytes ? "else" : "silent");
  }

  // --- In

  /**
   * @param {Uint8Array} item
   * @param {number} now
   */
  #take(item, now) {
    let message;
    try {
      message = decodeMessage(item);
    } catch (error) {
      if (!(error instanceof MessageError)) throw error;
      this.#countDamage("item", 0);
      return;
    }
    if (message.type % 2) {
      this.#evidence.echoes += 1; // a request: an echo of ours, or another host's
      return;
    }
    const pending = this.#sent.get(message.id);
    if (!pending) return; // a second reply to a repeat, or a reply to an earlier host
    const fault = replyFault(pending.request, message);
    if (fault) {
      pending.malformed += 1;
      if (pending.malformed === MALFORMED_BOUND) {
        this.#complete(pending, new Lost("malformed", fault), pending.sends);
      }
      return;
    }
    const { type, body } = message;
    if (type === MessageType.HELLO_REPLY) this.limits = readHello(body);
    if (type === MessageType.REFUSAL) this.#refused(pending, readRefusal(body), now);
    else this.#complete(pending, body, pending.sends - 1);
  }

  /**
   * @param {Pending} pending
   * @param {Refused} refused
   * @param {number} now
   */
  #refused(pending, refused, now) {
    if (refused.code === Refusal.BUSY && now + pending.wait < pending.givenUp) {
      pending.counted = false; // the refusal frees its bytes; it is asked again after a pause
      pending.due = now + pending.wait;
    } else {
      this.#complete(pending, refused, pending.sends - 1);
    }
  }

  /**
   * @param {Pending} pending
   * @param {Body | Refused | Lost} result
   * @param {number} losses
   */
  #complete({ id, request, abandoned }, result, losses) {
    this.#sent.delete(id);
    if (!abandoned) this.#answers.push({ id, request, result, losses });
  }

  /**
   * @param {Failing["fault"]} fault
   * @param {number} crc
   */
  #countDamage(fault, crc) {
    // Nothing was asked in between: a bad line has brought it twice.
    if (crc && this.#failed.has(crc)) return;
    this.#failed.add(crc);
    this.#evidence.damaged += 1;
    this.#damages = [...this.#damages.slice(1 - DAMAGE_KEPT), { fault, crc }];
    // Once is enough: a flood of damage would become one of words.
    if (this.#evidence.damaged === DAMAGE_NOTICED && !this.#sameFault(DAMAGE_NOTICED)) {
      this.#notices.push("other-reader");
    }
  }

  /**
   * Return what is wrong with the last damaged frames if the same ones come again and again, "" if
   * they differ, as what another reader takes does, and what a bad line changes. Half of them may
   * differ: one was cut off when the port was opened, and several replies fail in turn.
   *
   * @param {number} count
   */
  #sameFault(count) {
    const last = this.#damages.slice(-count);
    const different = new Set(last.map(({ crc }) => crc)).size;
    const fault = last.at(-1)?.fault;
    return fault && different * 2 <= last.length ? SAME_FAULTS[fault] : "";
  }
}

/**
 * Return the bytes that the reply may take on the line.
 *
 * @param {Request} request
 */
function replySize({ type, body }) {
  if (LONG_REPLIES.some((each) => each === type)) return MAX_BODY + LINE_OVERHEAD;
  if (type !== MessageType.GET_SCHEMA) return SHORT_REPLY;
  return (Number(body.get(GetSchemaKey.LENGTH)) * 4) / 3 + PIECE_REPLY + LINE_OVERHEAD;
}

/**
 * Return what makes a message no reply to the request, "" if nothing does.
 *
 * @param {Request} request
 * @param {Message} message
 */
function replyFault(request, message) {
  const { type, version } = message;
  if (type !== MessageType.REFUSAL && type !== request.type + 1) {
    return `it answers a request of type ${request.type} with a message of type ${type}`;
  }
  // Hello's reply and refusal are the same in every version (clause 4.2).
  const isAgeless = type === MessageType.REFUSAL || type === MessageType.HELLO_REPLY;
  if (version !== PROTOCOL_VERSION && !isAgeless) {
    return `it answers in version ${version} of the protocol`;
  }
  try {
    checkBody({ ...message, version: PROTOCOL_VERSION });
  } catch (error) {
    if (error instanceof MessageError) return error.message.replace(/\.$/, "");
    throw error;
  }
  if (type === MessageType.HELLO_REPLY) {
    const { line, credit } = readHello(message.body);
    const longest = line + LINE_OVERHEAD;
    if (credit < longest) {
      return `hello-reply: \`credit\` is less than its longest line of ${longest}`;
    }
  }
  return "";
}
