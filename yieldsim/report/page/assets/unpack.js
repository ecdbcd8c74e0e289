// Packed arrays back to typed arrays: the way back of report/page/packed_arrays.py.

/**
 * @typedef {{kind: string, shape: number[], at: number, differences: boolean}} Packed
 * @typedef {Uint8Array|Uint16Array|Uint32Array|Int32Array|Float32Array|Float64Array} Numbers
 */

const WIDTHS = /** @type {Record<string, number>} */ ({
  uint8: 1, uint16: 2, int32: 4, uint32: 4, float32: 4, float64: 8,
});

/**
 * @param {Record<string, Packed>} contents
 * @param {string} text base64 of a raw deflate stream
 * @returns {Promise<Record<string, Numbers>>}
 */
async function unpacked(contents, text) {
  const binary = atob(text);
  const squeezed = new Uint8Array(binary.length);
  for (let i = 0; i < binary.length; i++) squeezed[i] = binary.charCodeAt(i);
  const stream = new Blob([squeezed]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  const bytes = new Uint8Array(await new Response(stream).arrayBuffer());
  /** @type {Record<string, Numbers>} */
  const found = {};
  for (const [name, item] of Object.entries(contents)) found[name] = restored(bytes, item);
  return found;
}

/**
 * @param {Uint8Array} bytes
 * @param {Packed} item
 * @returns {Numbers}
 */
function restored(bytes, item) {
  const width = WIDTHS[item.kind];
  const count = item.shape.reduce((product, size) => product * size, 1);
  const mixed = new Uint8Array(count * width);
  // planes hold bytes of one significance, lowest first
  for (let plane = 0; plane < width; plane++) {
    const from = item.at + plane * count;
    for (let i = 0; i < count; i++) mixed[i * width + plane] = bytes[from + i];
  }
  const buffer = mixed.buffer;
  /** @type {Numbers} */
  let values;
  if (item.kind === "uint8") values = mixed;
  else if (item.kind === "uint16") values = new Uint16Array(buffer);
  else if (item.kind === "int32") values = new Int32Array(buffer);
  else if (item.kind === "uint32") values = new Uint32Array(buffer);
  else if (item.kind === "float32") values = new Float32Array(buffer);
  else values = new Float64Array(buffer);
  if (item.differences) {
    const row = item.shape[item.shape.length - 1];
    for (let start = 0; start < count; start += row) {
      // a typed array takes sums modulo its range, as the differences were taken
      for (let i = start + 1; i < start + row; i++) values[i] += values[i - 1];
    }
  }
  return values;
}
