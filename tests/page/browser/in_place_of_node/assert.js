// SPDX-License-Identifier: MIT
/** As much of Node's strict assertions as the page's own tests use, in a browser. */

/**
 * @param {unknown} holds
 * @param {string} [message]
 */
function ok(holds, message = "does not hold") {
  if (!holds) throw new Error(message);
}

/** A value as text in which what differs differs. @param {unknown} value @returns {string} */
const told = (value) =>
  JSON.stringify(value, (_, each) => {
    if (each instanceof Map) return { map: [...each] };
    if (each instanceof Set) return { set: [...each] };
    if (ArrayBuffer.isView(each)) return { bytes: String(each) };
    return each === undefined ? { nothing: true } : each;
  });

/** @param {unknown} one @param {unknown} other */
function deepEqual(one, other) {
  ok(told(one) === told(other), `${told(one)} is not ${told(other)}`);
}

/** @param {any} error @param {any} expected */
function fits(error, expected) {
  if (typeof expected === "function") {
    const isClass = expected.prototype instanceof Error || expected === Error;
    ok(isClass ? error instanceof expected : expected(error) === true, `unexpected: ${error}`);
  } else if (expected instanceof RegExp) ok(expected.test(String(error)), `unexpected: ${error}`);
  else if (expected) for (const name of Object.keys(expected)) deepEqual(error[name], expected[name]);
}

export default {
  ok,
  deepEqual,
  equal: (/** @type {unknown} */ one, /** @type {unknown} */ other) =>
    ok(Object.is(one, other), `${one} is not ${other}`),
  notEqual: (/** @type {unknown} */ one, /** @type {unknown} */ other) =>
    ok(!Object.is(one, other), `is ${one}`),
  match: (/** @type {string} */ text, /** @type {RegExp} */ pattern) =>
    ok(pattern.test(text), `${text} does not match ${pattern}`),
  fail: (/** @type {string} */ message) => ok(false, message),
  throws(/** @type {() => unknown} */ call, /** @type {unknown} */ expected) {
    try {
      call();
    } catch (error) {
      return fits(error, expected);
    }
    return ok(false, "throws nothing");
  },
  async rejects(/** @type {any} */ promised, /** @type {unknown} */ expected) {
    try {
      await (typeof promised === "function" ? promised() : promised);
    } catch (error) {
      return fits(error, expected);
    }
    return ok(false, "rejects nothing");
  },
};
