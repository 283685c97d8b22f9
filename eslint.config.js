// SPDX-License-Identifier: MIT
import js from "@eslint/js";

/** What a browser and Node both have, and the page uses. */
const BOTH = [
  ...["DecompressionStream", "TextDecoder", "TextEncoder", "AbortController", "AbortSignal"],
  ...["atob", "btoa", "crypto", "structuredClone", "setTimeout", "clearTimeout", "performance"],
];

/** What only a browser has: for the parts that people see. */
const BROWSER = [
  ...["document", "navigator", "customElements", "CSSStyleSheet", "CustomEvent", "DOMException"],
  ...["HTMLElement", "HTMLInputElement", "HTMLLinkElement"],
];

/** @param {string[]} names */
const globals = (names) => Object.fromEntries(names.map((name) => [name, "readonly"]));

export default [
  { ignores: ["provision/page/built/"] },
  js.configs.recommended,
  {
    files: ["provision/page/**/*.js", "tests/page/**/*.js"],
    languageOptions: { ecmaVersion: 2022, sourceType: "module", globals: globals(BOTH) },
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      eqeqeq: "error",
      "no-implicit-coercion": ["error", { boolean: false }],
      "no-param-reassign": "off",
      "no-restricted-syntax": [
        "error",
        // What a board sends is text, never markup.
        { selector: "MemberExpression[property.name=/^(inner|outer)HTML$/]", message: "Use textContent." },
        { selector: "CallExpression[callee.property.name='insertAdjacentHTML']", message: "Use textContent." },
      ],
      "no-eval": "error",
      "no-var": "error",
      "prefer-const": "error",
    },
  },
  {
    files: ["provision/page/element.js", "provision/page/wizard/screen.js"],
    languageOptions: { globals: globals(BROWSER) },
  },
  {
    files: ["tests/page/**/*.js"],
    languageOptions: { globals: globals(["process", "console", "Buffer", "URL", "setInterval", "clearInterval"]) },
  },
];
