// SPDX-License-Identifier: MIT
/**
 * A board's whole life, in real time: one of ours that test_link.py runs, behind a TCP port of this
 * computer. PROVISION_BOARD is that port.
 */

import assert from "node:assert/strict";
import { connect } from "node:net";
import { test } from "node:test";

import { Capability, Held, Reason, Run, Security, Store } from "../../../provision/page/contract/table.js";
import { Connection } from "../../../provision/page/link/connection.js";
import { BoardRefused, LineLost } from "../../../provision/page/link/errors.js";
import { unpack } from "../../../provision/page/schema/codec.js";

/** @typedef {import("../../../provision/page/link/connection.js").Transport} Transport */
/** @typedef {import("../../../provision/page/link/operations.js").Change} Change */

const place = process.env["PROVISION_BOARD"];
const skip = place === undefined ? "test_link.py runs the board that it needs" : false;

/**
 * Connect to the board.
 *
 * @returns {Promise<Transport>}
 */
async function transport() {
  const socket = connect(Number(place), "127.0.0.1");
  socket.setNoDelay();
  await new Promise((resolve, reject) => socket.once("connect", resolve).once("error", reject));
  const chunks = socket.iterator({ destroyOnReturn: false });
  return {
    read: async () => {
      const { value = null } = await chunks.next().catch(() => ({ value: null }));
      return value;
    },
    write: (bytes) =>
      new Promise((resolve, reject) => {
        socket.write(bytes, (error) => (error ? reject(error) : resolve()));
      }),
    close: async () => {
      socket.destroy();
    },
  };
}

/**
 * Do something with the board, and hang up.
 *
 * @template Result
 * @param {(board: Connection) => Promise<Result>} what
 */
async function withBoard(what) {
  const board = new Connection(await transport());
  try {
    return await what(board);
  } finally {
    await board.close();
  }
}

const NAME = new TextEncoder().encode("Orchard Gate");
const CERTIFICATE = Uint8Array.from({ length: 1500 }, (_, at) => at);
/** @type {Change[]} */
const CHANGES = [
  ["network.name", NAME],
  ["network.passphrase", "blossom-before-frost"],
  ["service.key", "w7-Zephyr.0419"],
  ["service.certificate", CERTIFICATE],
  ["probe.1.pin", 26],
  ["siren.relay", 15], // its default carries a caution
  ["orchard.name", "Lower orchard"],
  ["orchard.zone", "CET-1CEST,M3.5.0,M10.5.0/3"],
];

const token = () => crypto.getRandomValues(new Uint8Array(8));

/**
 * Store, and return the generation.
 *
 * @param {Connection} board
 * @param {Change[]} changes
 */
async function stored(board, changes) {
  const outcome = await board.store(changes, token());
  assert.equal(outcome.type, "stored");
  return outcome.type === "stored" ? outcome.generation : -1;
}

test("a fresh board is met, read, and set up", { skip }, () =>
  withBoard(async (board) => {
    const hello = await board.hello();
    assert.equal(hello.token, null);
    const [deflated, values, status] = await Promise.all([
      board.readSchema(),
      board.readValues(),
      board.status(),
      board.discard(),
    ]);
    const schema = await unpack(deflated, hello.schemaDigest);
    assert.deepEqual(
      schema.settings.map(({ key }) => key),
      [...values.keys()],
    );
    assert.equal(status.store, Store.EMPTY);
    assert.equal(await stored(board, CHANGES), 1);
    /** @type {number[]} */
    const runs = [];
    const followed = await board.followStatus(({ run }) => runs.push(run));
    assert.equal(followed?.run, Run.PROVEN);
    assert.equal(runs.at(-1), Run.PROVEN);
  }),
);

test("a second session sees what is held, and never a secret", { skip }, () =>
  withBoard(async (board) => {
    const values = await board.readValues();
    assert.deepEqual(values.get("network.name"), { held: Held.SET, value: new Uint8Array(NAME) });
    assert.deepEqual(values.get("network.passphrase"), { held: Held.SET, value: null });
    assert.deepEqual(values.get("service.certificate"), {
      held: Held.SET,
      value: CERTIFICATE.length,
    });
  }),
);

test("what the board refuses comes back as an outcome with code and field", { skip }, () =>
  withBoard(async (board) => {
    const outcome = await board.store([["network.name", NAME]], token());
    assert.equal(outcome.type, "not-stored");
    const refused = outcome.type === "not-stored" ? outcome.refused : null;
    assert.equal(refused?.field, "network.name");
    assert.equal(refused?.other, "network.passphrase");
    await board.discard();
    assert.equal((await board.status()).staged, 0);
  }),
);

test("an open outcome is settled by the token, over another connection", { skip }, async () => {
  const mine = token();
  const unit = await withBoard(async (board) => {
    await board.store([["orchard.name", "Upper orchard"]], mine);
    await board.followStatus(() => {});
    return (await board.hello()).unit;
  });
  await withBoard(async (board) => {
    assert.equal((await board.resolveCommit(mine, unit)).type, "stored");
    assert.deepEqual(await board.resolveCommit(token(), unit), { type: "not-stored", refused: null });
    assert.equal((await board.resolveCommit(token(), new Uint8Array(16))).type, "unknown");
  });
});

test("the set before is put in force again", { skip }, () =>
  withBoard(async (board) => {
    const { generation, capabilities } = await board.hello();
    assert.ok(capabilities & Capability.UNDO);
    assert.ok((await board.undo(generation)) > generation);
    assert.equal((await board.readValues()).get("orchard.name")?.value, "Lower orchard");
    await assert.rejects(board.undo(generation + 100), BoardRefused);
  }),
);

test("a set on trial is kept when the person says so", { skip }, () =>
  withBoard(async (board) => {
    const { capabilities } = await board.hello();
    const generation = await stored(board, [["orchard.name", "Middle orchard"]]);
    const { store } = await board.status();
    if (store === Store.TRIAL) {
      assert.ok(capabilities & Capability.TRIAL);
      assert.ok((await board.confirm(generation)) > generation);
    }
    const followed = await board.followStatus(() => {});
    assert.equal(followed?.store, Store.COMPLETE);
  }),
);

test("a wrong passphrase is followed to its failure", { skip }, () =>
  withBoard(async (board) => {
    const changes = /** @type {Change[]} */ ([
      ["network.name", NAME],
      ["network.passphrase", "wrong-by-a-mile"],
    ]);
    await stored(board, changes);
    const followed = await board.followStatus(() => {});
    assert.equal(followed?.run, Run.FAILED);
    assert.equal(followed?.reason, Reason.PASSPHRASE_WRONG);
  }),
);

test("networks in range are found", { skip }, () =>
  withBoard(async (board) => {
    const { capabilities } = await board.hello();
    assert.ok(capabilities & Capability.SURVEY);
    let told = 0;
    const found = await board.survey((networks) => {
      told += networks.length;
    });
    assert.equal(told, found.length);
    const ours = found.find(({ name }) => String(name) === String(NAME));
    assert.equal(ours?.security, Security.PERSONAL);
  }),
);

test("the board shows itself, or says that it cannot", { skip }, () =>
  withBoard(async (board) => {
    const { capabilities } = await board.hello();
    if (capabilities & Capability.LOCATE) await board.locate();
    else await assert.rejects(board.locate(), BoardRefused);
  }),
);

test("an erase is believed only if values, state and token all say so", async () => {
  const told = (/** @type {any} */ held, /** @type {any} */ store, /** @type {any} */ token) => {
    const board = Object.assign(Object.create(Connection.prototype), {
      readValues: async () => new Map([["network.name", { held }]]),
      status: async () => ({ store }),
      hello: async () => ({ token }),
    });
    return board.verifyErased();
  };
  const token = new Uint8Array(8);
  assert.equal((await told(Held.UNSET, Store.EMPTY, null)).isEmpty, true);
  assert.equal((await told(Held.SET, Store.EMPTY, null)).isEmpty, false);
  assert.equal((await told(Held.UNSET, Store.COMPLETE, null)).isEmpty, false);
  assert.equal((await told(Held.UNSET, Store.EMPTY, token)).isEmpty, false);
});

test("everything is erased, and nothing is left", { skip }, () =>
  withBoard(async (board) => {
    const before = await board.hello();
    const { isEmpty, left } = await board.verifyErased();
    assert.equal(isEmpty, false);
    assert.ok(left.includes("network.passphrase"));
    assert.ok((await board.erase(before.generation)) > before.generation);
    assert.deepEqual(await board.verifyErased(), { isEmpty: true, left: [] });
  }),
);

test("a board that hangs up ends the session", { skip }, async () => {
  const line = await transport();
  const board = new Connection(line);
  await board.hello();
  await line.close();
  await assert.rejects(board.status(), LineLost);
  await board.close();
});
