// SPDX-License-Identifier: MIT
/** What is asked of the computer that the page runs on. */

import assert from "node:assert/strict";
import { describe, it } from "node:test";

import { ownZone } from "../../../provision/page/schema/time_zones.js";

describe("the zone of this computer", () => {
  it("is that of TZ (POSIX, Base Definitions 8.3), by its name", () => {
    const before = process.env["TZ"];
    try {
      process.env["TZ"] = "Europe/Vienna";
      assert.equal(ownZone(), "Europe/Vienna");
    } finally {
      if (before === undefined) delete process.env["TZ"];
      else process.env["TZ"] = before;
    }
  });
});
