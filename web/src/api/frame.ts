/** Binary frames of samples; the layout is described where the workbench writes them. */

/** Samples of one signal, times in seconds since the start. */
export interface Block {
  signal: number;
  /** Whether these are only the extremes of more. */
  thinned: boolean;
  t: Float64Array;
  v: Float64Array;
}

export interface Frame {
  number: number;
  feed: number;
  blocks: Block[];
}

/** Reads a frame without copying its numbers. Throws a RangeError when it is cut short. */
export function readFrame(bytes: ArrayBuffer): Frame {
  const view = new DataView(bytes);
  const frame: Frame = { number: view.getUint32(0, true), feed: view.getUint16(6, true), blocks: [] };
  let at = 8;
  for (let left = view.getUint16(4, true); left > 0; left -= 1) {
    const n = view.getUint32(at + 4, true);
    const signal = view.getUint16(at, true);
    const thinned = view.getUint16(at + 2, true) === 1;
    at += 8;
    frame.blocks.push({ signal, thinned, t: numbers(bytes, at, n), v: numbers(bytes, at + 8 * n, n) });
    at += 16 * n;
  }
  return frame;
}

// Numbers in memory are little-endian on every device that runs a browser; others take the slow way.
const isLittle = new Uint8Array(new Float64Array([1]).buffer)[7] === 0x3f;

function numbers(bytes: ArrayBuffer, at: number, n: number): Float64Array {
  if (isLittle) return new Float64Array(bytes, at, n);
  const view = new DataView(bytes, at, 8 * n);
  return Float64Array.from({ length: n }, (_, k) => view.getFloat64(8 * k, true));
}
