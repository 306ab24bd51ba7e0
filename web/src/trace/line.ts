/** From samples to what is drawn: a line, or bars where there is more than pixels can show. */

import type { Samples } from './series';

/** What a line is laid with: a canvas, or whoever counts. */
export type Pen = Pick<CanvasRenderingContext2D, 'moveTo' | 'lineTo'>;

/** From values to pixels: `zero + value * per`. */
export interface Scale {
  zero: number;
  per: number;
}

/**
 * Whether there are so many samples to a column of pixels that the columns themselves are to be drawn: as upright bars
 * that costs a fraction of what stroking the same zigzag does.
 */
export function isDense(samples: Samples, from: number, to: number, x: Scale): boolean {
  return to - from > 1.6 * Math.abs((samples.t[to - 1]! - samples.t[from]!) * x.per);
}

/** Without data for longer than this, s, a line is broken, not drawn across. */
function longestHole({ t }: Samples, from: number, to: number): number {
  return 12 * ((t[to - 1]! - t[from]!) / Math.max(to - from - 1, 1)) + 1;
}

/** Lays a line through the samples `from` up to `to`. */
export function layLine(pen: Pen, samples: Samples, from: number, to: number, x: Scale, y: Scale): void {
  const { t, v } = samples;
  const longest = longestHole(samples, from, to);
  let last = Number.NEGATIVE_INFINITY;
  for (let k = from; k < to; k += 1) {
    const [at, height] = [x.zero + t[k]! * x.per, y.zero + v[k]! * y.per];
    if (t[k]! - last > longest) pen.moveTo(at, height);
    else pen.lineTo(at, height);
    last = t[k]!;
  }
}

/**
 * Draws the samples `from` up to `to` as one upright bar per column of pixels, from its least to its greatest value and
 * on to where the column before it ended. `bar` gets the column, the upper end and the height, px.
 */
export function layColumns(
  bar: (column: number, top: number, height: number) => void,
  samples: Samples,
  from: number,
  to: number,
  x: Scale,
  y: Scale,
): void {
  const { t, v } = samples;
  const longest = longestHole(samples, from, to);
  for (let k = from; k < to; ) {
    const column = Math.floor(x.zero + t[k]! * x.per);
    let [low, high] = [v[k]!, v[k]!];
    if (k > from && t[k]! - t[k - 1]! <= longest) {
      low = Math.min(low, v[k - 1]!);
      high = Math.max(high, v[k - 1]!);
    }
    for (k += 1; k < to; k += 1) {
      if (Math.floor(x.zero + t[k]! * x.per) !== column || t[k]! - t[k - 1]! > longest) break;
      if (v[k]! < low) low = v[k]!;
      else if (v[k]! > high) high = v[k]!;
    }
    const [one, other] = [y.zero + low * y.per, y.zero + high * y.per];
    bar(column, Math.min(one, other), Math.abs(one - other));
  }
}

/** Sharpness of bars, px: what differs by less is the same to the eye. */
const SHARP = 0.25;

/** Bars that stand side by side and are alike are drawn as one: a signal that hardly changes costs next to nothing. */
export class Bars {
  private left = 0;
  private right = 0;
  private top = 0;
  private height = 0;

  /** `fill` gets the left column, the upper end, how many columns wide and how high, px. */
  constructor(private readonly fill: (left: number, top: number, width: number, height: number) => void) {}

  bar(column: number, top: number, height: number): void {
    const upper = Math.round(top / SHARP) * SHARP;
    const high = Math.round((top + height) / SHARP) * SHARP - upper;
    if (column !== this.right || upper !== this.top || high !== this.height) {
      this.end();
      [this.left, this.top, this.height] = [column, upper, high];
    }
    this.right = column + 1;
  }

  /** Draws what is left. */
  end(): void {
    if (this.right > this.left) this.fill(this.left, this.top, this.right - this.left, this.height);
    this.left = this.right;
  }
}

/** Whether a pattern of dashes shows at a place along a line. */
export function isInk(dashes: readonly number[], place: number): boolean {
  const whole = dashes.reduce((sum, part) => sum + part, 0);
  if (whole === 0) return true;
  let left = ((place % whole) + whole) % whole;
  for (let k = 0; k < dashes.length; k += 1) {
    if (left < dashes[k]!) return k % 2 === 0;
    left -= dashes[k]!;
  }
  return true;
}
