// SPDX-License-Identifier: MIT
/* global document, navigator, fetch, Event, EventTarget, DOMException, ReadableStream, WritableStream */
/**
 * The virtual board of `provision page FILE --serve`, as a serial port of the browser.
 *
 * Stands in for `navigator.serial` (Web Serial API, WICG draft), so that an author sees the page
 * without hardware. The bytes go to the board by HTTP (provision/author/preview.py). No page that is
 * published has this script.
 */

const lost = () => new DOMException("The device has been lost.", "NetworkError");

/**
 * @param {string} path
 * @param {Uint8Array<ArrayBuffer>} [body]
 */
const post = (path, body = new Uint8Array()) => fetch(path, { method: "POST", body });

/** The board's port, from plugging it in until it is unplugged. */
class Port extends EventTarget {
  #opening = "";
  #polling = new AbortController();
  /** @type {ReadableStream<Uint8Array> | null} */
  #readable = null;
  /** @type {WritableStream<Uint8Array<ArrayBuffer>> | null} */
  #writable = null;

  get readable() {
    if (this.#opening) this.#readable ??= this.#newReadable();
    return this.#readable;
  }

  get writable() {
    if (this.#opening) this.#writable ??= this.#newWritable();
    return this.#writable;
  }

  getInfo() {
    return {}; // as of a port that is not on USB
  }

  async open() {
    if (this.#opening) throw new DOMException("The port is already open.", "InvalidStateError");
    const answer = await post("open");
    if (!answer.ok) throw new DOMException("Failed to open serial port.", "NetworkError");
    this.#opening = await answer.text();
  }

  async setSignals() {}

  async close() {
    if (this.#readable?.locked || this.#writable?.locked) throw new TypeError("A stream is locked.");
    this.#end();
  }

  /** Let go of the line, whether the port was closed or lost. */
  #end() {
    this.#polling.abort();
    this.#opening = "";
    this.#readable = null;
    this.#writable = null;
  }

  /** @returns {ReadableStream<Uint8Array>} */
  #newReadable() {
    const polling = new AbortController();
    let isCancelled = false;
    this.#polling = polling;
    return new ReadableStream({
      pull: async (controller) => {
        const bytes = await this.#poll(polling.signal);
        if (bytes) {
          controller.enqueue(bytes);
        } else if (!isCancelled) {
          this.#end();
          controller.error(lost());
        }
      },
      cancel: () => {
        isCancelled = true;
        polling.abort();
        this.#readable = null;
      },
    });
  }

  /**
   * Wait for bytes from the board; null where the port is lost or nobody waits any more.
   *
   * @param {AbortSignal} signal
   */
  async #poll(signal) {
    try {
      for (;;) {
        const answer = await fetch(`from-board?opening=${this.#opening}`, { signal });
        if (!answer.ok) return null;
        const bytes = new Uint8Array(await answer.arrayBuffer());
        if (bytes.length) return bytes;
      }
    } catch {
      return null;
    }
  }

  /** @returns {WritableStream<Uint8Array<ArrayBuffer>>} */
  #newWritable() {
    return new WritableStream({
      write: async (bytes) => {
        const answer = await post(`to-board?opening=${this.#opening}`, bytes).catch(() => null);
        if (!answer?.ok) {
          this.#end();
          throw lost();
        }
      },
      abort: () => {
        this.#writable = null;
      },
    });
  }
}

/** The browser's serial ports: this one, once the person has admitted it. */
class Serial extends EventTarget {
  #port = new Port();
  #isAdmitted = false;
  #isPluggedIn = true;

  async getPorts() {
    return this.#isAdmitted && this.#isPluggedIn ? [this.#port] : [];
  }

  async requestPort() {
    if (!this.#isPluggedIn) {
      throw new DOMException("No port selected by the user.", "NotFoundError");
    }
    this.#isAdmitted = true;
    return this.#port;
  }

  async unplug() {
    await post("unplug");
    this.#isPluggedIn = false;
    this.#tell("disconnect");
  }

  async plugIn() {
    await post("plug-in");
    this.#isPluggedIn = true;
    this.#port = new Port();
    this.#tell("connect");
  }

  /**
   * Tell of the port, as if the event had come up from it.
   *
   * @param {string} type
   */
  #tell(type) {
    const port = this.#port;
    port.dispatchEvent(new Event(type));
    if (this.#isAdmitted) {
      this.dispatchEvent(Object.defineProperty(new Event(type), "target", { value: port }));
    }
  }
}

const serial = new Serial();
Object.defineProperty(navigator, "serial", { value: serial });
await post("plug-in"); // whatever a page before this one has left

/**
 * @param {string} id
 * @returns {HTMLButtonElement}
 */
const button = (id) => /** @type {HTMLButtonElement} */ (document.getElementById(id));

const plug = button("preview-plug");
let isPluggedIn = true;
plug.addEventListener("click", async () => {
  plug.disabled = true;
  await (isPluggedIn ? serial.unplug() : serial.plugIn());
  isPluggedIn = !isPluggedIn;
  plug.textContent = isPluggedIn ? "Unplug" : "Plug in";
  plug.disabled = false;
});
button("preview-reset").addEventListener("click", () => post("reset"));
