// SPDX-License-Identifier: MIT
/** As much of Node's test runner as the page's own tests use, in a browser. */

/** @type {{name: string, body: () => unknown}[]} */
const tests = [];
/** @type {Promise<unknown>[]} */
const suites = [];
/** @type {string[]} */
const names = [];

/**
 * @param {string} name
 * @param {() => unknown} body
 */
export function it(name, body) {
  tests.push({ name: [...names, name].join(": "), body });
}

export const test = it;

/**
 * @param {string} name
 * @param {() => unknown} body
 */
export function describe(name, body) {
  names.push(name);
  suites.push(Promise.resolve(body()));
  names.pop();
}

/** Run every test; return how many there were, and what failed. */
export async function run() {
  await Promise.all(suites);
  const failures = [];
  for (const { name, body } of tests) {
    try {
      await body();
    } catch (error) {
      failures.push(`${name}: ${error}`);
    }
  }
  return { count: tests.length, failures };
}
