// SPDX-License-Identifier: MIT
/** A board that answers hello, and nothing else. */

import { LineReceiver, encodeLine } from "../../../provision/page/contract/line.js";
import { decodeMessage, encodeMessage } from "../../../provision/page/contract/messages.js";
import { HelloReplyKey, MessageType } from "../../../provision/page/contract/table.js";

/**
 * Return what the board sends to one line or more.
 *
 * @param {Uint8Array} bytes
 * @param {Uint8Array} unit
 */
export function helloReplyTo(bytes, unit) {
  const out = [];
  for (const event of new LineReceiver().feed(bytes)) {
    const request = event.type === "frame" ? decodeMessage(event.item) : null;
    if (request?.type === MessageType.HELLO) out.push(...reply(request.id, unit));
  }
  return Uint8Array.from(out);
}

/**
 * @param {number} id
 * @param {Uint8Array} unit
 */
function reply(id, unit) {
  /** @type {[number, import("../../../provision/page/contract/profile.js").Item][]} */
  const entries = [
    [HelloReplyKey.VERSIONS, [1]],
    [HelloReplyKey.FIRMWARE, "orchard-frost-alarm"],
    [HelloReplyKey.FIRMWARE_VERSION, "1.4.0"],
    [HelloReplyKey.BOARD, "mast"],
    [HelloReplyKey.UNIT, unit],
    [HelloReplyKey.BOOT, 77],
    [HelloReplyKey.SCHEMA_DIGEST, new Uint8Array(8)],
    [HelloReplyKey.SCHEMA_SIZE, 100],
    [HelloReplyKey.LINE, 655],
    [HelloReplyKey.CREDIT, 2048],
    [HelloReplyKey.COMMIT_TIME, 0],
    [HelloReplyKey.ERASE_TIME, 0],
    [HelloReplyKey.APPLY_TIME, 1000],
    [HelloReplyKey.CAPABILITIES, 0],
    [HelloReplyKey.TOKEN, null],
    [HelloReplyKey.LISTENS, null],
    [HelloReplyKey.GENERATION, 0],
  ];
  const body = new Map(entries);
  return encodeLine(encodeMessage({ version: 1, type: MessageType.HELLO_REPLY, id, body }));
}
