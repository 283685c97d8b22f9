// SPDX-License-Identifier: MIT
/** Reading a file of the project at once, from the host that serves it; and Node's globals. */

/** @param {URL} url */
export function readFileSync(url) {
  const request = new globalThis.XMLHttpRequest();
  request.open("GET", url, false);
  request.send();
  if (request.status !== 200) throw new Error(`${url}: ${request.status}`);
  return request.responseText;
}

/** @param {string | Iterable<number>} data @param {string} [form] */
function from(data, form) {
  const bytes =
    typeof data !== "string"
      ? [...data]
      : form === "hex"
        ? (data.match(/../g) ?? []).map((digits) => parseInt(digits, 16))
        : [...data].map((character) => character.charCodeAt(0)); // latin1
  return Object.assign(Uint8Array.from(bytes), {
    toString: (/** @type {string} */ as) =>
      as === "hex"
        ? bytes.map((byte) => byte.toString(16).padStart(2, "0")).join("")
        : String.fromCharCode(...bytes),
  });
}

Object.assign(globalThis, { Buffer: { from }, process: { env: {} } });
