// SPDX-License-Identifier: MIT
/** Raw deflate (RFC 1951) under a limit, by the platform's own decompressor. */

/** Bytes are no deflate stream that ends exactly at their end. */
export class InflateError extends Error {}

/** The stream holds more than the limit. */
export class TooLargeError extends InflateError {}

/**
 * Return what a deflate stream holds. No more than the limit, and one chunk of the platform's
 * decompressor, is ever held.
 *
 * @param {Uint8Array} bytes
 * @param {number} limit bytes
 * @returns {Promise<Uint8Array>}
 * @throws {TooLargeError} if it holds more than the limit
 * @throws {InflateError} if the bytes are no deflate stream, or do not end where it ends
 */
export async function inflateRaw(bytes, limit) {
  const inflated = await inflate(bytes, limit);
  // Not every platform's decompressor looks at what follows the end of the stream. But the end lies
  // in the last byte exactly if the stream without this byte has none.
  const isWhole = await inflate(bytes.subarray(0, -1), limit).then(
    () => false,
    () => true,
  );
  if (!isWhole) throw new InflateError("bytes follow the deflate stream");
  return inflated;
}

/**
 * @param {Uint8Array} bytes
 * @param {number} limit
 */
async function inflate(bytes, limit) {
  const { readable, writable } = new DecompressionStream("deflate-raw");
  const writer = writable.getWriter();
  // Both fail with the reading below, which tells.
  writer.write(/** @type {Uint8Array<ArrayBuffer>} */ (bytes)).catch(() => {});
  writer.close().catch(() => {});
  const reader = readable.getReader();
  /** @type {Uint8Array[]} */
  const chunks = [];
  let size = 0;
  for (;;) {
    const { done, value } = await reader.read().catch(() => {
      throw new InflateError("the bytes are no whole deflate stream");
    });
    if (done) break;
    size += value.length;
    if (size > limit) {
      reader.cancel().catch(() => {});
      throw new TooLargeError(`the deflate stream holds more than ${limit} bytes`);
    }
    chunks.push(value);
  }
  const inflated = new Uint8Array(size);
  let at = 0;
  for (const chunk of chunks) {
    inflated.set(chunk, at);
    at += chunk.length;
  }
  return inflated;
}
