/** How much later one drive has to be laid so that it runs as another: the highest correlation of a signal they share. */

import type { Samples } from './series';

/** Steps of the grid on which drives are compared: fine enough for a second of an hour. */
export const GRID = 4096;
/** Share of the shorter drive that has to lie over the longer one: a short piece correlates with much by chance. */
const OVERLAP = 0.5;
/** A correlation below this is not shown as a fit (common practice, no source). */
const LEAST = 0.6;

export interface Shift {
  /** Steps of the grid by which the second lies later; parts of a step included. */
  steps: number;
  /** Pearson's coefficient where both have a value, -1 to 1. */
  correlation: number;
}

/**
 * A signal at `n` steps of `step_s` seconds from the start of its drive: the mean of the samples of each step, between
 * them what a straight line says, and not a number before the first and after the last.
 */
export function onGrid(samples: Samples, step_s: number, n: number): Float64Array {
  const grid = new Float64Array(n).fill(Number.NaN);
  const counts = new Uint32Array(n);
  for (let k = 0; k < samples.n; k++) {
    const at = Math.floor((samples.t[k] ?? Number.NaN) / step_s);
    const value = samples.v[k] ?? Number.NaN;
    if (!(at >= 0 && at < n) || Number.isNaN(value)) continue;
    counts[at] = (counts[at] ?? 0) + 1;
    const mean = counts[at] === 1 ? 0 : (grid[at] ?? 0);
    grid[at] = mean + (value - mean) / (counts[at] ?? 1);
  }
  let last = -1;
  for (let k = 0; k < n; k++) {
    if (counts[k] === 0) continue;
    const [from, to] = [grid[last] ?? 0, grid[k] ?? 0];
    for (let between = last + 1; last >= 0 && between < k; between++)
      grid[between] = from + ((to - from) * (between - last)) / (k - last);
    last = k;
  }
  return grid;
}

/** Pearson's coefficient of `a` with `b` laid `lag` steps later, where both have a value, and how many places those are. */
export function correlationAt(a: Float64Array, b: Float64Array, lag: number): { r: number; n: number } {
  let [n, sa, sb, saa, sbb, sab] = [0, 0, 0, 0, 0, 0];
  // Counted from the first pair: what never changes then varies by nothing, not by the rounding of large sums.
  let [a0, b0] = [0, 0];
  for (let k = Math.max(0, lag); k < Math.min(a.length, b.length + lag); k++) {
    const [x, y] = [a[k] ?? Number.NaN, b[k - lag] ?? Number.NaN];
    if (Number.isNaN(x) || Number.isNaN(y)) continue;
    if (n === 0) [a0, b0] = [x, y];
    const [dx, dy] = [x - a0, y - b0];
    n += 1;
    sa += dx;
    sb += dy;
    saa += dx * dx;
    sbb += dy * dy;
    sab += dx * dy;
  }
  const spread = (n * saa - sa * sa) * (n * sbb - sb * sb);
  return { r: spread > 0 ? (n * sab - sa * sb) / Math.sqrt(spread) : 0, n };
}

/** The shift of `b` that lets it run most like `a`; null where none fits. */
export function bestShift(a: Float64Array, b: Float64Array): Shift | null {
  const known = (grid: Float64Array) => grid.reduce((n, value) => n + (Number.isNaN(value) ? 0 : 1), 0);
  const least = Math.max(8, OVERLAP * Math.min(known(a), known(b)));
  const at = (lag: number) => {
    const { r, n } = correlationAt(a, b, lag);
    return n >= least ? r : Number.NEGATIVE_INFINITY;
  };
  let [best, highest] = [0, Number.NEGATIVE_INFINITY];
  for (let lag = -b.length; lag <= a.length; lag++) {
    const r = at(lag);
    if (r > highest) [best, highest] = [lag, r];
  }
  if (!(highest >= LEAST)) return null;
  // The top of the parabola through the highest three.
  const [before, after] = [at(best - 1), at(best + 1)];
  const bend = before - 2 * highest + after;
  const part = Number.isFinite(bend) && bend < 0 ? (before - after) / (2 * bend) : 0;
  return { steps: best + part, correlation: highest };
}
