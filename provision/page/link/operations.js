// SPDX-License-Identifier: MIT
/**
 * What a host does with a board, step by step, each procedure a generator (clauses 5.3 and 6).
 *
 * A procedure yields requests to submit and is sent one answer at a time, in whatever order they
 * come; yielding none waits for the next answer. It returns what it was for, or throws a LinkError.
 * When it ends, what it still has on its way is abandoned; one that others go on from takes every
 * answer first. Clauses are those of shared/protocol.md.
 *
 * @typedef {import("../contract/profile.js").Item} Item
 * @typedef {import("./exchange.js").Answer} Answer
 * @typedef {import("./replies.js").Body} Body
 * @typedef {import("./replies.js").HeldValue} HeldValue
 * @typedef {import("./replies.js").Hello} Hello
 * @typedef {import("./replies.js").Network} Network
 * @typedef {import("./replies.js").NotStored} NotStored
 * @typedef {import("./replies.js").Outcome} Outcome
 * @typedef {import("./replies.js").Status} Status
 *
 * @typedef {readonly [key: string, value: Item]} Change full key, and the value to stage for it;
 *     null clears the field
 */

/**
 * @template Result
 * @typedef {Generator<readonly Request[], Result, Answer>} Procedure
 */

import { stagedDigest } from "../contract/digest.js";
import { MAX_ID, codeName, encodeMessage } from "../contract/messages.js";
import {
  CommitKey,
  CommitReplyKey,
  ConfirmKey,
  DiscardKey,
  EraseKey,
  GetSchemaKey,
  GetSchemaReplyKey,
  GetValuesKey,
  GetValuesReplyKey,
  HELLO_INTERVAL_MS,
  MAX_PIECE,
  MessageType,
  PROTOCOL_VERSION,
  Refusal,
  STEP_BOUND_MS,
  SetFieldKey,
  SetFieldReplyKey,
  Store,
  SurveyKey,
  SurveyReplyKey,
  UndoKey,
  UndoReplyKey,
} from "../contract/table.js";
import { say } from "../words.js";
import {
  BoardFault,
  BoardRefused,
  NoReply,
  NotWiped,
  OtherReader,
  Refused,
  Silent,
  SpeaksElse,
  WrongVersion,
} from "./errors.js";
import { Lost, Request } from "./exchange.js";
import { readHello, readStatus } from "./replies.js";

const RESTAGINGS = 3; // how often a set is staged again before the board's refusal stands
const ERASINGS = 3; // how often an erase is asked for that did, or may have done, only its first step
const PIECE_SENDS = 2; // after so many lost replies half the length is asked for (clause 5.7)
const LEAST_PIECE = 32; // bytes; asking for less would not make a reply much shorter
const MOST_PIECES = 8192; // requests for one schema: 1 byte each for 8 KiB, 32 each for the largest
const MOST_LATE = 256; // late replies within one reading; each costs 1.25 s at most
const MOST_GAPS = 3; // how often one value begins anew because the board lost parts of it
const SCAN_PAUSE = 250; // ms between looks at a scan that found nothing new
const SCAN_PATIENCE = 240; // looks that brought nothing new: a minute
const SCAN_RESTARTS = 2;
const PRESENCE_PAUSE = 1000; // ms between tries while the button is waited for
const PRESENCE_PATIENCE = 120; // tries

/**
 * Say hello every 250 ms until a board answers; give up after `patience` ms.
 *
 * @param {number} patience
 * @returns {Procedure<Hello>}
 */
export function* greet(patience) {
  const answer = yield [hello(patience)];
  if (answer.result instanceof Lost) throw unheard(answer.result);
  const met = readHello(body(answer));
  if (!met.versions.includes(PROTOCOL_VERSION)) {
    throw new WrongVersion(
      say(
        "The board's firmware speaks version {theirs} of the protocol, and this program version" +
          " {ours}: update whichever is older.",
        { theirs: met.versions.join(", "), ours: PROTOCOL_VERSION },
      ),
    );
  }
  return met;
}

/** @param {number} patience */
const hello = (patience) =>
  new Request(MessageType.HELLO, [], { every: HELLO_INTERVAL_MS, patience });

/**
 * Make a change again and again while the board wants its button pressed for it (clause 5.5).
 *
 * @template Result
 * @param {() => Procedure<Result>} change
 * @param {() => void} onWanted called once, if the button is wanted
 * @returns {Procedure<Result>}
 */
export function* withPresence(change, onWanted) {
  for (let tries = 0; ; tries++) {
    try {
      const result = yield* change();
      if (!wantsPresence(result) || tries === PRESENCE_PATIENCE) return result;
    } catch (error) {
      if (!wantsPresence(error) || tries === PRESENCE_PATIENCE) throw error;
    }
    if (!tries) onWanted();
    yield [new Request(MessageType.HELLO, [], { delay: PRESENCE_PAUSE })]; // a pause
  }
}

/** @param {any} result a BoardRefused, or how a store ended */
const wantsPresence = (result) => result?.refused?.code === Refusal.PRESENCE;

/**
 * Drop what is staged. A board that restarted since hello holds nothing staged anyway.
 *
 * @param {number} boot
 * @returns {Procedure<void>}
 */
export function* discard(boot) {
  const answer = yield [new Request(MessageType.DISCARD, [[DiscardKey.BOOT, boot]])];
  if (!isRefused(answer, Refusal.MOVED_ON)) body(answer);
}

/**
 * Ask where the board stands.
 *
 * @param {{delay?: number, patience?: number}} [how] see Request
 * @returns {Procedure<Status>}
 */
export function* readStatusNow(how) {
  return readStatus(body(yield [new Request(MessageType.STATUS, [], how)]));
}

/**
 * Make the board show itself, for about five seconds.
 *
 * @returns {Procedure<void>}
 */
export function* locate() {
  body(yield [new Request(MessageType.LOCATE)]);
}

/**
 * Put the set before this one in force again; return the new generation.
 *
 * @param {number} generation
 */
export const undo = (generation) => change(MessageType.UNDO, UndoKey.GENERATION, generation);

/**
 * Keep the set that is on trial; return the new generation.
 *
 * @param {number} generation
 */
export const confirm = (generation) => change(MessageType.CONFIRM, ConfirmKey.GENERATION, generation);

/**
 * Wipe every value from the board; return the new generation.
 *
 * @param {number} generation
 * @returns {Procedure<number>}
 * @throws {NotWiped} where nothing is set any more, but the board could not wipe all its memory
 */
export function* erase(generation) {
  /** @type {Answer["result"] | null} */
  let refused = null;
  for (let tries = 0; tries < ERASINGS; tries++) {
    const answer = yield [new Request(MessageType.ERASE, [[EraseKey.GENERATION, generation]])];
    if (!mayBeDone(answer)) return newGeneration(answer);
    const status = yield* readStatusNow();
    const moved = status.generation !== generation || refused !== null;
    if (status.store !== Store.EMPTY || !moved) return newGeneration(answer);
    // Nothing is set any more, but only a reply means that every slot was read back (clause 6.7):
    // so once more.
    generation = status.generation;
    refused = answer.result;
  }
  throw new NotWiped(/** @type {Refused} */ (refused));
}

/**
 * Read the deflated schema of `size` bytes, all pieces in one flight (clause 6.2).
 *
 * What comes back is not to be believed before its digest was compared.
 *
 * @param {number} size
 * @returns {Procedure<Uint8Array>}
 */
export function* readSchema(size) {
  const schema = new Uint8Array(size);
  let left = size;
  let length = MAX_PIECE;
  let losses = 0;
  let asked = 0;
  let late = 0;
  let wanted = [[0, size]]; // spans that are to be asked for: offset and end
  for (;;) {
    const requests = [];
    for (const [offset = 0, end = 0] of wanted) {
      for (let start = offset; start < end; start += length) {
        requests.push(pieceRequest(start, Math.min(length, end - start)));
      }
    }
    asked += requests.length;
    if (asked > MOST_PIECES) throw otherPieces();
    wanted = [];
    const answer = yield requests;
    late = countLate(late, answer);
    const offset = Number(answer.request.body.get(GetSchemaKey.OFFSET));
    const span = Number(answer.request.body.get(GetSchemaKey.LENGTH));
    losses += answer.losses;
    if (losses >= PIECE_SENDS) {
      length = Math.min(length, Math.max(span >> 1, LEAST_PIECE));
      losses = 0;
    }
    if (answer.result instanceof Lost && span > LEAST_PIECE) {
      if (answer.result.why === "malformed") throw unheard(answer.result);
      wanted.push([offset, offset + span]);
      continue;
    }
    const reply = body(answer);
    /** @type {Uint8Array} */
    const piece = reply.get(GetSchemaReplyKey.PIECE);
    if (reply.get(GetSchemaReplyKey.OFFSET) !== offset || piece.length > span) throw otherPieces();
    schema.set(piece, offset);
    left -= piece.length;
    if (!left) return schema;
    if (piece.length < span) {
      length = Math.min(length, piece.length);
      wanted.push([offset + piece.length, offset + span]);
    }
  }
}

/**
 * @param {number} offset
 * @param {number} length
 */
function pieceRequest(offset, length) {
  return new Request(
    MessageType.GET_SCHEMA,
    [
      [GetSchemaKey.OFFSET, offset],
      [GetSchemaKey.LENGTH, length],
    ],
    { sends: length > LEAST_PIECE ? PIECE_SENDS : Infinity },
  );
}

/** Pieces of the schema that were not asked for, or too many of them. */
const otherPieces = () =>
  new BoardFault(
    say(
      "The board gives other pieces of its schema than it was asked for: its firmware needs mending.",
    ),
  );

/**
 * Return how many replies were late, this answer's included.
 *
 * Each wait is bounded, but a board that makes thousands of them last would hold the host for
 * hours.
 *
 * @param {number} late
 * @param {Answer} answer
 * @throws {NoReply} if it is too many
 */
function countLate(late, { losses }) {
  if (late + losses <= MOST_LATE) return late + losses;
  throw new NoReply(
    say(
      "The board takes too long to say what it needs: try another cable, press the board's reset" +
        " button, and try again.",
    ),
  );
}

/**
 * Read what the board holds, all pages, by full key in schema order (clause 6.3).
 *
 * @returns {Procedure<Map<string, HeldValue>>}
 */
export function* readValues() {
  /** @type {Map<string, HeldValue>} */
  const values = new Map();
  let count = null;
  let late = 0;
  do {
    const answer = yield [new Request(MessageType.GET_VALUES, [[GetValuesKey.FIRST, values.size]])];
    late = countLate(late, answer);
    const reply = body(answer);
    /** @type {[string, number, Item?][]} */
    const entries = reply.get(GetValuesReplyKey.ENTRIES);
    const end = values.size + entries.length;
    let isSound = reply.get(GetValuesReplyKey.FIRST) === values.size;
    count ??= reply.get(GetValuesReplyKey.COUNT);
    for (const [key, held, value = null] of entries) values.set(key, { held, value });
    isSound &&= values.size === end && end <= count; // else a key came twice
    if (!isSound || reply.get(GetValuesReplyKey.COUNT) !== count) {
      throw new BoardFault(
        say("The board's list of values contradicts itself: its firmware needs mending."),
      );
    }
  } while (values.size < count);
  return values;
}

/**
 * Let the board look for networks in range (clause 6.8).
 *
 * Ends with what was found if the board does not say for a minute that it is done.
 *
 * @param {(found: Network[]) => void} onFound told of new ones
 * @returns {Procedure<Network[]>}
 */
export function* survey(onFound) {
  for (let restarts = 0; ; restarts++) {
    try {
      return yield* scan(onFound);
    } catch (error) {
      const isSuperseded = // by a newer scan
        error instanceof BoardRefused && error.refused.code === Refusal.OUT_OF_BOUNDS;
      if (!isSuperseded || restarts === SCAN_RESTARTS) throw error;
    }
  }
}

/**
 * @param {(found: Network[]) => void} onFound
 * @returns {Procedure<Network[]>}
 */
function* scan(onFound) {
  /** @type {Network[]} */
  const found = [];
  let reply = body(yield [new Request(MessageType.SURVEY)]);
  const number = reply.get(SurveyReplyKey.SCAN);
  let idle = 0;
  for (;;) {
    /** @type {[Uint8Array, number, number][]} */
    const networks = reply.get(SurveyReplyKey.NETWORKS);
    const count = reply.get(SurveyReplyKey.COUNT);
    const isNew = networks.length > 0;
    if (
      reply.get(SurveyReplyKey.SCAN) !== number ||
      (isNew && reply.get(SurveyReplyKey.FIRST) !== found.length) ||
      found.length + networks.length > count
    ) {
      throw new BoardFault(
        say("The board's list of networks contradicts itself: its firmware needs mending."),
      );
    }
    const come = networks.map(([name, signal, security]) => ({ name, signal, security }));
    found.push(...come);
    if (isNew) onFound(come);
    idle = isNew ? 0 : idle + 1;
    const isDone = reply.get(SurveyReplyKey.DONE) && found.length === count;
    if (isDone || idle === SCAN_PATIENCE) return found;
    const page = new Request(
      MessageType.SURVEY,
      [
        [SurveyKey.SCAN, number],
        [SurveyKey.FIRST, found.length],
      ],
      { delay: isNew && found.length < count ? 0 : SCAN_PAUSE },
    );
    reply = body(yield [page]);
  }
}

/**
 * Find out what came of a commit whose reply was lost (clause 5.3).
 *
 * @param {Uint8Array} token
 * @param {Uint8Array} unit of the board that it went to
 * @returns {Procedure<Outcome>}
 */
export function* resolveCommit(token, unit) {
  const answer = yield [hello(STEP_BOUND_MS)];
  if (answer.result instanceof Lost) return { type: "unknown" };
  const met = readHello(body(answer));
  if (String(met.token) === String(token)) return { type: "stored", generation: met.generation };
  return String(unit) !== String(met.unit) ? { type: "unknown" } : notStored(null);
}

/**
 * @param {Refused | null} refused
 * @returns {NotStored}
 */
const notStored = (refused) => ({ type: "not-stored", refused });

/**
 * Stage the changes, which are in schema order, and make them durable, or none of them.
 *
 * @param {number} line longest BODY that the board takes
 * @param {Uint8Array} unit the board's
 * @param {readonly Change[]} changes at least one
 * @param {Uint8Array} token 8 random bytes, to resolve an unclear outcome
 * @param {(isOpen: boolean) => void} onOpen told when a commit goes out, which leaves the outcome
 *     open, and when it was refused
 * @returns {Procedure<Outcome>}
 */
export function* store(line, unit, changes, token, onOpen) {
  const capacity = Math.floor((line * 3) / 4); // base64url: four characters carry three bytes
  const isLong = (/** @type {Change} */ change) => sizeOf(whole(change)) > capacity;
  const inParts = changes.filter(isLong);
  const others = changes.filter((change) => !isLong(change));
  /** @type {Refused | null} */
  let refused;
  for (let round = 0; ; round++) {
    // Values that need parts come first, part by part, each after the answer to the one before,
    // since of a secret no part but the last may be repeated; and with nothing among them, since a
    // whole value, or a repeat of one, would make the board forget them (clause 6.4).
    for (const [key, value] of inParts) {
      // All other values fit the shortest line.
      const bytes = value instanceof Uint8Array ? value : new TextEncoder().encode(String(value));
      refused = yield* stageInParts(key, bytes, capacity);
      if (refused) return notStored(refused);
    }
    refused = yield* stageWhole(others);
    if (refused) return notStored(refused);
    onOpen(true);
    const { result } = yield [
      new Request(MessageType.COMMIT, [
        [CommitKey.COUNT, changes.length],
        [CommitKey.DIGEST, stagedDigest(changes)],
        [CommitKey.TOKEN, token],
      ]),
    ];
    if (result instanceof Lost) break;
    if (!(result instanceof Refused)) {
      return { type: "stored", generation: result.get(CommitReplyKey.GENERATION) };
    }
    refused = result;
    if (isNoLastWord(refused)) break;
    onOpen(false);
    // Wrong-state: the board restarted, or its refusal of this commit as one of another set was
    // lost; either way nothing is staged any more.
    const isGone = refused.code === Refusal.SET_DIFFERS || refused.code === Refusal.WRONG_STATE;
    if (!isGone || round === RESTAGINGS) return notStored(refused);
  }
  const outcome = yield* resolveCommit(token, unit);
  if (outcome.type !== "not-stored") return outcome;
  onOpen(false);
  return notStored(refused);
}

/**
 * Stage a value in parts; return the refusal that stands against it.
 *
 * @param {string} key
 * @param {Uint8Array} bytes
 * @param {number} capacity bytes that a message may have
 * @returns {Procedure<Refused | null>}
 */
function* stageInParts(key, bytes, capacity) {
  // The head of the part may take two bytes more.
  const size = Math.min(MAX_PIECE, capacity - sizeOf(part(key, bytes, bytes.length, 0)) - 2);
  let held = 0;
  for (let gaps = 0; held < bytes.length; ) {
    const answer = yield [new Request(MessageType.SET_FIELD, part(key, bytes, held, size))];
    let least = Math.min(held + size, bytes.length);
    if (answer.result instanceof Refused) {
      gaps++;
      if (answer.result.code !== Refusal.GAP || gaps > MOST_GAPS) return answer.result;
      held = answer.result.detail ?? 0;
      least = 0;
    } else {
      held = body(answer).get(SetFieldReplyKey.RECEIVED) ?? -1;
    }
    if (held < least || held > bytes.length) {
      throw new BoardFault(
        say("The board miscounts the parts of a value: its firmware needs mending."),
      );
    }
  }
  return null;
}

/**
 * Stage values whole, all in one flight; return the first refusal.
 *
 * What is lost is not asked about: count and digest of the commit cover it.
 *
 * @param {readonly Change[]} changes
 * @returns {Procedure<Refused | null>}
 */
function* stageWhole(changes) {
  let requests = changes.map((change) => new Request(MessageType.SET_FIELD, whole(change)));
  let refused = null;
  for (let left = requests.length; left; left--) {
    const { result } = yield requests;
    requests = [];
    if (result instanceof Refused) refused ??= result;
  }
  return refused;
}

/**
 * Return the body that stages a value whole.
 *
 * @param {Change} change
 * @returns {[number, Item][]}
 */
const whole = ([key, value]) => [
  [SetFieldKey.FIELD, key],
  [SetFieldKey.VALUE, value],
];

/**
 * Return the body that stages a part of a value.
 *
 * @param {string} key
 * @param {Uint8Array} bytes the whole value
 * @param {number} at where the part begins
 * @param {number} size the longest part, in bytes
 * @returns {[number, Item][]}
 */
const part = (key, bytes, at, size) => [
  [SetFieldKey.FIELD, key],
  [SetFieldKey.OFFSET, at],
  [SetFieldKey.TOTAL, bytes.length],
  [SetFieldKey.PART, bytes.subarray(at, at + size)],
];

/**
 * Return the size of a set-field in bytes, whatever its id.
 *
 * @param {[number, Item][]} entries
 */
const sizeOf = (entries) =>
  encodeMessage({
    version: PROTOCOL_VERSION,
    type: MessageType.SET_FIELD,
    id: MAX_ID,
    body: new Map(entries),
  }).length;

/**
 * @param {number} type
 * @param {number} key
 * @param {number} generation
 * @returns {Procedure<number>}
 */
function* change(type, key, generation) {
  const before = yield* greet(STEP_BOUND_MS);
  const answer = yield [new Request(type, [[key, generation]])];
  if (before.generation === generation && mayBeDone(answer)) {
    // By how much the generation grew does not tell: a start, or the end of a trial, may have
    // raised it as well. The token tells which set is in force.
    const after = yield* greet(STEP_BOUND_MS);
    const isSame = String(after.token) === String(before.token);
    const isDone =
      type === MessageType.UNDO
        ? !isSame
        : isSame && (yield* readStatusNow()).store !== Store.TRIAL;
    if (isDone) return after.generation;
  }
  return newGeneration(answer);
}

/**
 * Tell whether a request that was refused may have changed the board all the same.
 *
 * It was done, the reply was lost, and the board restarted (clause 6.7); or a copy of it was done.
 *
 * @param {Answer} answer
 */
const mayBeDone = (answer) =>
  (answer.losses > 0 && isRefused(answer, Refusal.MOVED_ON)) || isNoLastWord(answer.result);

/**
 * Tell whether a request that was refused so may yet be done: a copy of it that was on its way
 * comes in.
 *
 * @param {Answer["result"]} result
 */
const isNoLastWord = (result) =>
  result instanceof Refused &&
  (result.code === Refusal.STORAGE || result.code === Refusal.PRESENCE);

/**
 * @param {Answer} answer to undo, erase or confirm, whose replies have the same key
 * @returns {number}
 */
const newGeneration = (answer) => body(answer).get(UndoReplyKey.GENERATION);

/**
 * @param {Answer} answer
 * @param {number} code
 */
const isRefused = ({ result }, code) => result instanceof Refused && result.code === code;

/**
 * Return the body of the reply; throw what a refusal or a lost answer means.
 *
 * @param {Answer} answer
 * @returns {Body}
 */
function body({ request, result }) {
  if (result instanceof Refused) throw new BoardRefused(request.type, result);
  if (!(result instanceof Lost)) return result;
  if (["malformed", "alike", "damaged"].includes(result.why)) throw unheard(result);
  // A board that answered before does not answer this request.
  throw new NoReply(
    say(
      "The board stopped answering (at {name}): check the cable, press the board's reset" +
        " button, and try again.",
      { name: codeName(MessageType, request.type) },
    ),
  );
}

/**
 * Return what it means that no board answers.
 *
 * @param {Lost} lost
 */
function unheard({ why, fault }) {
  if (fault) {
    return new BoardFault(
      say("The board breaks the protocol ({fault}): its firmware needs mending.", { fault }),
    );
  }
  switch (why) {
    case "damaged":
      return new OtherReader(
        say(
          "The board's answers come damaged: another program is probably reading this port; close" +
            " it (or try another cable).",
        ),
      );
    case "echo":
      return new SpeaksElse(
        say(
          "The port sends back what it is sent, and no board answers: check that this is the" +
            " board's port, and press its reset button.",
        ),
      );
    case "else":
      return new SpeaksElse(
        say(
          "Something speaks on this port, but not a board that can be set up: check the port, the" +
            " firmware, and the baud rate.",
        ),
      );
    default:
      return new Silent(
        say(
          "Nothing answers on this port: check that it is the board's, press its reset button, and" +
            " try again.",
        ),
      );
  }
}
