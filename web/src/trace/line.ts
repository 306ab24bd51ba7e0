/** From samples to a line: no more of it than pixels can show. */

import type { Samples } from './series';

/** What a line is laid with: a canvas, or whoever counts. */
export type Pen = Pick<CanvasRenderingContext2D, 'moveTo' | 'lineTo'>;

/** From values to pixels: `zero + value * per`. */
export interface Scale {
  zero: number;
  per: number;
}

/** More samples than this to a column of pixels are drawn by column. */
const DENSE = 4;

/**
 * Lays a line through the samples `from` up to `to`. Where there are many to a column of pixels, its first, least,
 * greatest and last give the same picture. Without data for much longer than usual the line is broken, not drawn across.
 */
export function layLine(pen: Pen, samples: Samples, from: number, to: number, x: Scale, y: Scale): void {
  const { t, v } = samples;
  const usual = (t[to - 1]! - t[from]!) / Math.max(to - from - 1, 1);
  const longest = 12 * usual + 1;
  const columns = Math.abs((t[to - 1]! - t[from]!) * x.per);
  if (to - from <= DENSE * columns) {
    let last = Number.NEGATIVE_INFINITY;
    for (let k = from; k < to; k += 1) {
      const [at, height] = [x.zero + t[k]! * x.per, y.zero + v[k]! * y.per];
      if (t[k]! - last > longest) pen.moveTo(at, height);
      else pen.lineTo(at, height);
      last = t[k]!;
    }
    return;
  }
  let last = Number.NEGATIVE_INFINITY;
  for (let k = from; k < to; ) {
    const column = Math.floor(x.zero + t[k]! * x.per);
    const first = k;
    let [low, high] = [v[k]!, v[k]!];
    for (k += 1; k < to; k += 1) {
      if (Math.floor(x.zero + t[k]! * x.per) !== column || t[k]! - t[k - 1]! > longest) break;
      if (v[k]! < low) low = v[k]!;
      else if (v[k]! > high) high = v[k]!;
    }
    const at = column + 0.5;
    if (t[first]! - last > longest) pen.moveTo(at, y.zero + v[first]! * y.per);
    else pen.lineTo(at, y.zero + v[first]! * y.per);
    if (high > low) {
      pen.lineTo(at, y.zero + low * y.per);
      pen.lineTo(at, y.zero + high * y.per);
      pen.lineTo(at, y.zero + v[k - 1]! * y.per);
    }
    last = t[k - 1]!;
  }
}
