// SPDX-License-Identifier: MIT
/**
 * Time that passes only when nothing else can happen, so that a wait of ten minutes is seen in
 * milliseconds, and its length is exact on every machine.
 */

import { setImmediate } from "node:timers";

/** @type {{at: number, order: number, call: () => void}[]} */
let timers = [];
let now = 0;
let made = 0;
const realSetTimeout = setTimeout;

/** Let setTimeout() and performance.now() go by this time, which begins at 0. */
export function useVirtualTime() {
  performance.now = () => now;
  Object.assign(globalThis, {
    setTimeout: (/** @type {() => void} */ call, /** @type {number} */ wait) => {
      const timer = { at: now + Math.max(wait, 0), order: made++, call };
      timers.push(timer);
      return timer;
    },
    clearTimeout: (/** @type {unknown} */ timer) => {
      timers = timers.filter((each) => each !== timer);
    },
  });
}

/** Forget every timer, and begin at 0 again. */
export function beginAnew() {
  timers = [];
  now = 0;
}

/**
 * Let time pass until a promise has settled.
 *
 * @template Result
 * @param {Promise<Result>} promise
 * @param {() => boolean} isBusy whether something real is waited for, so that no time passes
 * @param {number} limit milliseconds of virtual time
 * @returns {Promise<Result>}
 */
export async function passUntil(promise, isBusy, limit) {
  let isSettled = false;
  const settle = () => {
    isSettled = true;
  };
  promise.then(settle, settle);
  let idle = 0;
  for (;;) {
    await new Promise(setImmediate);
    if (isSettled) return promise;
    if (isBusy()) continue;
    timers.sort((a, b) => a.at - b.at || a.order - b.order);
    const next = timers.shift();
    if (next) {
      idle = 0;
      now = Math.max(now, next.at);
      if (now > limit) throw new Error(`it does not end within ${limit} ms`);
      next.call();
    } else {
      // Nothing but real work is left, such as inflating.
      if (++idle > 5000) throw new Error("it waits for what will never happen");
      await new Promise((resolve) => realSetTimeout(resolve, 1));
    }
  }
}
